//! A station's oscillator in a scenario: its keys, and whether it keeps the plan's promise.

use super::OscillatorPlan;
use super::read::time;
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::plan::Plan;
use crate::world::{Behaviour, Oscillator, child_seed};
use hopwright_core::station::Role;
use hopwright_core::units::Ppb;

const KEYS: &[&str] = &[
    "offset_ppb",
    "ageing_ppb_per_day",
    "temperature_ppb_per_k",
    "ramp",
    "random_walk_ppb",
    "white_ppb",
    "steps",
    "honest",
];
/// The largest offset of any oscillator: 500 ppm.
const WORST_PPB: f64 = 500_000.0;

/// Reads the oscillator of a station, if it has one.
pub(super) fn read(
    station: &Section<'_>,
    limit_us: u64,
) -> Result<Option<OscillatorPlan>, Diagnostic> {
    let section = station.section("oscillator", KEYS)?;
    if !section.present() {
        return Ok(None);
    }
    let either_way = |key| Ok(section.number_in(key, -WORST_PPB, WORST_PPB)?.unwrap_or(0.0));
    let deviation = |key| Ok(section.number_in(key, 0.0, WORST_PPB)?.unwrap_or(0.0));
    let behaviour = Behaviour {
        offset_ppb: either_way("offset_ppb")?,
        ageing_ppb_per_day: either_way("ageing_ppb_per_day")?,
        temperature_ppb_per_k: either_way("temperature_ppb_per_k")?,
        ramp: ramp(&section, limit_us)?,
        random_walk_ppb: deviation("random_walk_ppb")?,
        white_ppb: deviation("white_ppb")?,
        steps: steps(&section, limit_us)?,
        until_us: limit_us,
    };
    if section.has("temperature_ppb_per_k") != section.has("ramp") {
        let (key, other) = if section.has("ramp") {
            ("ramp", "temperature_ppb_per_k = 20")
        } else {
            ("temperature_ppb_per_k", "ramp = [{ at_s = 0, kelvin = 0 }]")
        };
        let what = "a temperature without its effect, or the effect without a temperature";
        return Err(section.error(key, what, format!("add `{other}`, or leave `{key}` out")));
    }
    Ok(Some(OscillatorPlan { behaviour, honest: section.flag_or("honest", true)? }))
}

fn ramp(section: &Section<'_>, limit_us: u64) -> Result<Vec<(u64, f64)>, Diagnostic> {
    let mut ramp: Vec<(u64, f64)> = Vec::new();
    for point in section.sections("ramp", &["at_s", "kelvin"])? {
        let at_us = ascending(&point, ramp.last().map(|(at, _)| *at), limit_us)?;
        let kelvin = point.number_in("kelvin", -300.0, 300.0)?;
        ramp.push((at_us, point.needed(kelvin, "kelvin", "-15")?));
    }
    Ok(ramp)
}

fn steps(section: &Section<'_>, limit_us: u64) -> Result<Vec<(u64, i64)>, Diagnostic> {
    let mut steps: Vec<(u64, i64)> = Vec::new();
    for step in section.sections("steps", &["at_s", "us"])? {
        let at_us = ascending(&step, steps.last().map(|(at, _)| *at), limit_us)?;
        let by_us = step.integer("us", -1_000_000_i64..=1_000_000)?;
        steps.push((at_us, step.needed(by_us, "us", "-200")?.value));
    }
    Ok(steps)
}

fn ascending(entry: &Section<'_>, before: Option<u64>, limit_us: u64) -> Result<u64, Diagnostic> {
    let at_us = time(entry, "at_s", limit_us)?;
    if before.is_some_and(|before| at_us <= before) {
        let what = "`at_s` does not come after that of the entry before it";
        return Err(entry.error("at_s", what, "write the entries in order of time"));
    }
    Ok(at_us)
}

/// Of so many courses, drawn from seeds of their own, [`KEPT_AT_LEAST`] must keep the promise, or an
/// oscillator is refused: whatever the seed of the scenario is.
const COURSES: u32 = 8;
const KEPT_AT_LEAST: u32 = 4;
/// So often a course is drawn that does not keep the promise. Where four of eight kept it, one in
/// twenty does (with fewer, that happens less than four times in ten thousand); not one among 512 then
/// occurs less than once in 10^11.
const DRAWS: u32 = 512;

/// The oscillator of a station, by the scenario's seed. An honest one has a course that keeps the plan's
/// promise: one that happens not to is drawn again.
pub(super) fn oscillator(
    plan: &Plan,
    of: &OscillatorPlan,
    (name, role): (&str, Role),
    (seed, epoch_us): (u64, u64),
) -> Result<Oscillator, (String, String)> {
    let draw = |n: u32| {
        let again = if n == 0 { String::new() } else { format!("/{n}") };
        let seed = child_seed(seed, &format!("course/{name}{again}"));
        Oscillator::following(epoch_us, &of.behaviour, seed)
    };
    let mut drawn = draw(0);
    let mut kept = keeps_promise(plan, of, (name, role), &drawn);
    for n in 1..if of.behaviour.is_noisy() { DRAWS } else { 1 } {
        if kept.is_ok() {
            break;
        }
        drawn = draw(n);
        kept = keeps_promise(plan, of, (name, role), &drawn);
    }
    kept.map(|()| drawn)
}

/// Refuses an oscillator that breaks the plan's promise: with noise, one of which more than half of
/// the courses do, so that no seed decides it.
pub(super) fn judge(
    plan: &Plan,
    of: &OscillatorPlan,
    (name, role): (&str, Role),
) -> Result<(), (String, String)> {
    let course = |n: u32| {
        let seed = child_seed(u64::from(n), "course");
        let drawn = Oscillator::following(0, &of.behaviour, seed);
        keeps_promise(plan, of, (name, role), &drawn)
    };
    if !of.honest || !of.behaviour.is_noisy() {
        return course(0);
    }
    let broken: Vec<(String, String)> = (0..COURSES).filter_map(|n| course(n).err()).collect();
    let count = u32::try_from(broken.len()).unwrap_or(COURSES);
    match broken.into_iter().next() {
        Some((what, help)) if COURSES - count < KEPT_AT_LEAST => {
            Err((format!("{what} ({count} of {COURSES} courses with this noise do)"), help))
        }
        _ => Ok(()),
    }
}

/// How far the oscillator of a station of that role may be off.
pub(super) const fn own_tolerance(plan: &Plan, role: Role) -> Ppb {
    match role {
        Role::Timekeeper => plan.clock().timekeeper_tolerance,
        _ => plan.clock().tolerance,
    }
}

/// Refuses an oscillator that goes further than the plan promises and does not say so: what is
/// wrong and how to mend it.
fn keeps_promise(
    plan: &Plan,
    of: &OscillatorPlan,
    (name, role): (&str, Role),
    oscillator: &Oscillator,
) -> Result<(), (String, String)> {
    if !of.honest {
        return Ok(());
    }
    let (tolerance, clock) = (own_tolerance(plan, role).ppb(), plan.clock());
    let (wander, steadiness) = (clock.wander.us(), clock.steadiness.ppb());
    let reach = oscillator.reach(tolerance, of.behaviour.until_us);
    if reach.wander_us > wander {
        let what = format!(
            "the oscillator of \"{name}\" breaks the plan's promise: it is off by up to {} ppb and \
             goes {} us beyond what a tolerance of {tolerance} ppb allows, and `wander_us` is \
             {wander}",
            reach.rate_ppb, reach.wander_us,
        );
        let help = format!(
            "calm it, raise the tolerance or `wander_us` in the plan's [clock] (with this tolerance \
             {} us would do), or say `honest = false`",
            reach.wander_us
        );
        return Err((what, help));
    }
    if reach.swing_ppb > u64::from(steadiness) {
        let what = format!(
            "the oscillator of \"{name}\" breaks the plan's promise: its rate changes by up to {} \
             ppb, and `steadiness_ppb` is {steadiness}",
            reach.swing_ppb,
        );
        let help = format!(
            "calm it, raise `steadiness_ppb` in the plan's [clock] to {}, or say `honest = false`",
            reach.swing_ppb
        );
        return Err((what, help));
    }
    Ok(())
}
