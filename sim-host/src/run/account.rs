//! What happened, told to a person.

use super::metrics::{
    addressees, died_waiting, first_announce, in_step_times, is_on, over_of, seconds,
};
use super::{Check, Run, keys, shown};
use crate::audio::Audio;
use crate::scenario::{BehaviourPlan, Cover, OverPlan, Power, RadioPlan};
use crate::world::Level;
use crate::world::noise::Environment;
use crate::world::propagation::{Fading, Propagation};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::io::{self, Write};

/// Writes the account of a run and its check table.
///
/// # Errors
/// Whatever writing gives.
pub fn write_account(out: &mut impl Write, run: &Run) -> io::Result<()> {
    head(out, run)?;
    writeln!(out, "\nWhat happened")?;
    for (at, line) in story(run) {
        writeln!(out, "{:>9.3} s  {line}", seconds(at))?;
    }
    keys::table(out, run)?;
    if let Some(audio) = &run.audio {
        heard(out, run, audio)?;
    }
    table(out, &run.checks)?;
    let held = run.checks.iter().filter(|check| check.pass).count();
    let totals = run.world.trace().totals;
    writeln!(
        out,
        "\n{held} of {} checks hold. {} transmissions, {} times a radio waited for one, {} heard.",
        run.checks.len(),
        totals.sent,
        totals.listened,
        totals.heard,
    )?;
    writeln!(out, "seed {}   trace digest {}", run.seed, run.world.digest())?;
    if run.scenario.plan.training_key() {
        writeln!(out, "The plan's key is a published example: for simulation only.")?;
    }
    Ok(())
}

/// Writes the title of a run, and then who is on the air.
pub(crate) fn head(out: &mut impl Write, run: &Run) -> io::Result<()> {
    let scenario = &run.scenario;
    let plan = &scenario.plan;
    let structure = plan.structure();
    let timing = plan.timing();
    writeln!(out, "{}", scenario.title)?;
    writeln!(
        out,
        "{} stations, {} s; {} channels of the raster allowed, slots of {} ms, frames of {}, \
         {} rendezvous channels",
        scenario.radio.stations.len(),
        seconds(scenario.duration_us),
        plan.allowed().len(),
        timing.slot().us() as f64 / 1e3,
        structure.frame,
        structure.rendezvous,
    )?;
    let lanes = scenario.radio.lanes();
    if lanes.len() > 1 {
        let of = |lane| scenario.radio.stations.iter().filter(|s| s.lane == lane).count();
        let nets: Vec<String> =
            lanes.iter().map(|lane| format!("lane {lane} with {}", of(*lane))).collect();
        writeln!(out, "{} nets: {} stations", lanes.len(), nets.join(", "))?;
    }
    writeln!(out, "{}", between(&scenario.radio))?;
    for relay in &scenario.relays {
        let station = |node: usize| &scenario.radio.stations[node];
        let (a, b) = (station(relay.a), station(relay.b));
        writeln!(
            out,
            "{}: {} (lane {}) and {} (lane {}) back to back, for overs to {}",
            relay.name, a.name, a.lane, b.name, b.lane, relay.target
        )?;
    }
    for interferer in &scenario.radio.interferers {
        let mut line = format!("on the air besides (simulated): {}, ", interferer.name);
        let _ = match interferer.cover {
            Cover::Contiguous(share) => {
                write!(line, "{:.0} % of the hopset in one piece", share * 100.0)
            }
            Cover::Scattered(share) => {
                write!(line, "{:.0} % of the hopset, scattered", share * 100.0)
            }
            Cover::Band { from_hz, to_hz } => {
                write!(line, "{} to {} MHz", from_hz as f64 / 1e6, to_hz as f64 / 1e6)
            }
        };
        let _ = match interferer.level {
            Level::AboveWanted { db } => write!(line, ", {db} dB above the wanted signal"),
            Level::At { power_dbm, .. } => write!(line, ", {power_dbm} dBm a channel"),
        };
        let _ = write!(line, ", from {} s", seconds(interferer.from_us));
        writeln!(out, "{line}")?;
    }
    for adversary in &scenario.radio.adversaries {
        let level = match adversary.level {
            Level::AboveWanted { db } => format!("{db} dB above the wanted signal in all"),
            Level::At { power_dbm, .. } => format!("{power_dbm} dBm in all"),
        };
        let (name, behaviour) = (&adversary.name, adversary.behaviour.name());
        let from = seconds(adversary.from_us);
        writeln!(out, "against the net (simulated): {name}, {behaviour}, {level}, from {from} s")?;
    }
    Ok(())
}

/// What is between the stations.
fn between(radio: &RadioPlan) -> String {
    let loss = match radio.propagation {
        Propagation::FreeSpace => "free space".to_owned(),
        Propagation::TwoRay => "two rays over flat ground".to_owned(),
        Propagation::LogDistance { exponent, shadowing_db: 0.0 } => {
            format!("log-distance loss with exponent {exponent}")
        }
        Propagation::LogDistance { exponent, shadowing_db } => {
            format!("log-distance loss with exponent {exponent}, {shadowing_db} dB of shadowing")
        }
    };
    let fading = match radio.fading {
        Fading::None => String::new(),
        Fading::Rayleigh => ", Rayleigh fading from hop to hop".to_owned(),
        Fading::Rician { k_db } => format!(", Rician fading from hop to hop, K {k_db} dB"),
    };
    let noise = match radio.environment {
        Environment::None => String::new(),
        Environment::Galactic => ", galactic noise (ITU-R P.372)".to_owned(),
        place => format!(", man-made noise of the category {} (ITU-R P.372)", place.name()),
    };
    format!("between them {loss}{fading}{noise}; noise figure {} dB", radio.noise_figure_db)
}

/// The account's lines with their times, in order.
pub(crate) fn story(run: &Run) -> Vec<(u64, String)> {
    let mut lines = Vec::new();
    announces(run, &mut lines);
    late_entries(run, &mut lines);
    for over in &run.scenario.overs {
        tell_over(run, over, &mut lines);
    }
    for power in &run.scenario.powers {
        let name = &run.scenario.radio.stations[power.station].name;
        let text = match power.becomes {
            Power::Off => format!("{name} loses its power"),
            Power::On => format!("{name} is switched on, with what it had stored"),
            Power::OnStorageLost => format!("{name} is switched on; what it had stored is lost"),
            Power::OnNewSet => format!("a new set takes the place of {name}"),
        };
        lines.push((power.at_us, text));
    }
    keys::story(run, &mut lines);
    silences(run, &mut lines);
    opponents(run, &mut lines);
    for over in run.world.trace().overs.iter().filter(|over| over.relayed) {
        let name = &run.scenario.radio.stations[over.node].name;
        lines.push((over.pressed_us, format!("{name} relays to {}", over.target)));
    }
    lines.sort_by_key(|(at, _)| *at);
    lines
}

fn announces(run: &Run, lines: &mut Vec<(u64, String)>) {
    let stations = &run.scenario.radio.stations;
    let mut announced = BTreeSet::new();
    let mut planned = run.scenario.announces.clone();
    planned.sort_by_key(|(at, _)| *at);
    for (at, by) in &planned {
        let lane = stations[*by].lane;
        let trace = run.world.trace();
        let refused = &trace.refused;
        if trace.was_powerless(*by, *at) {
            let text = format!("{} is told to announce and has no power", stations[*by].name);
            lines.push((*at, text));
            continue;
        }
        if let Some((_, _, why)) = refused.iter().find(|(t, node, _)| t == at && node == by) {
            let text = format!("{} is told to announce and refuses: {why}", stations[*by].name);
            lines.push((*at, text));
            continue;
        }
        lines.push((*at, format!("{} announces", stations[*by].name)));
        if !announced.insert(lane) {
            continue;
        }
        let waits: Vec<u64> = (0..stations.len())
            .filter(|node| stations[*node].lane == lane)
            .filter(|node| node != by && is_on(&run.scenario, *node, *at))
            .filter_map(|node| in_step_times(run.world.trace(), node).find(|t| t >= at))
            .collect();
        if let (Some(first), Some(last)) = (waits.iter().min(), waits.iter().max()) {
            let (n, first_s, last_s) = (waits.len(), seconds(first - at), seconds(last - at));
            let text = format!(
                "{n} stations that had no time are in step, {first_s:.2} to {last_s:.2} s later"
            );
            lines.push((*last, text));
        }
    }
}

fn late_entries(run: &Run, lines: &mut Vec<(u64, String)>) {
    let stations = &run.scenario.radio.stations;
    for (node, station) in stations.iter().enumerate() {
        let first = first_announce(&run.scenario, run.world.trace(), station.lane);
        if station.on_us <= first.map_or(0, |(at, _)| at) {
            continue;
        }
        lines.push((station.on_us, format!("{} is switched on and knows no time", station.name)));
        if let Some(at) = in_step_times(run.world.trace(), node).next() {
            let took = seconds(at - station.on_us);
            lines.push((at, format!("{} is in step, {took:.2} s later", station.name)));
        }
    }
}

/// Silences of more than ten minutes.
fn silences(run: &Run, lines: &mut Vec<(u64, String)>) {
    const LONG_US: u64 = 600_000_000;
    let several = run.scenario.radio.lanes().len() > 1;
    for piece in &run.world.trace().pieces {
        let Some((length, until)) = piece.silence().filter(|(length, _)| *length > LONG_US) else {
            continue;
        };
        let minutes = length / 60_000_000;
        let on = if several { format!(" on lane {}", piece.lane) } else { String::new() };
        let text = format!("nobody has spoken{on} for {} h {} min", minutes / 60, minutes % 60);
        lines.push((until - 1, text));
    }
}

/// What opponents have sent, and what became of it.
fn opponents(run: &Run, lines: &mut Vec<(u64, String)>) {
    for (index, adversary) in run.scenario.radio.adversaries.iter().enumerate() {
        let taken = run.world.taken_of(index);
        if let BehaviourPlan::Replay { play_us, .. } = adversary.behaviour {
            let text = format!(
                "{} plays what was recorded (simulated): heard {} times, taken {} times",
                adversary.name,
                taken.heard,
                taken.headers + taken.words
            );
            lines.push((play_us, text));
        }
    }
}

fn tell_over(run: &Run, plan: &OverPlan, lines: &mut Vec<(u64, String)>) {
    let stations = &run.scenario.radio.stations;
    let name = &stations[plan.from].name;
    let trace = run.world.trace();
    let Some(over) = over_of(trace, plan) else {
        let why = run.refusal(plan.from, plan.at_us);
        lines.push((plan.at_us, format!("{name} presses to speak and is refused{why}")));
        return;
    };
    let to = run.target_named(plan.from, plan.to);
    let Some(ahead) = over.ahead_us else {
        let died = died_waiting(&run.scenario, over);
        let how = if died { "loses its power waiting" } else { "waits to the end" };
        lines.push((plan.at_us, format!("{name} presses to speak to {to} and {how}")));
        return;
    };
    let wait = seconds(ahead - over.pressed_us);
    // Call headers alone take less than half a second.
    if wait > 0.5 {
        lines.push((plan.at_us, format!("{name} presses to speak and is held off")));
    }
    if over.single {
        let read = over.payloads_heard.iter().filter(|slots| **slots > 0).count();
        let talk = seconds(over.end_us(run.world.now()).saturating_sub(ahead));
        let who = match read {
            0 => "nobody hears it".to_owned(),
            1 => "1 station hears it".to_owned(),
            more => format!("{more} stations hear it"),
        };
        let text = format!("{name} on the calling channel to {to}: {talk:.1} s of talk, {who}");
        lines.push((ahead, text));
        return;
    }
    let addressees = addressees(&run.scenario, trace, over);
    let wanted = addressees.len();
    let called = over.called.iter().filter(|node| addressees.contains(node)).count();
    // A late call: somebody came into step while the over was on the air.
    let late = match over.called.len() - called {
        0 => String::new(),
        more => format!(" and {more} late"),
    };
    let busy = over.busy.len();
    let heard: u32 = addressees.iter().filter_map(|node| over.payloads_heard.get(*node)).sum();
    let offered = over.payload_slots * u32::try_from(wanted).unwrap_or(0);
    let share = if offered == 0 { 0.0 } else { 100.0 * f64::from(heard) / f64::from(offered) };
    let how = if over.cut_in { ", on a provisional timeline," } else { "" };
    let mut text = format!(
        "{name}{how} to {to}: {called} of {wanted} called{late}, {busy} told busy; go-ahead after {wait:.2} s"
    );
    let _ = write!(
        text,
        ", {:.1} s of talk, {share:.0} % of its slots heard",
        seconds(over.end_us(run.world.now()).saturating_sub(ahead))
    );
    lines.push((ahead, text));
}

/// What the over sounded like.
fn heard(out: &mut impl Write, run: &Run, audio: &Audio) -> io::Result<()> {
    let name = |node: usize| &run.scenario.radio.stations[node].name;
    let db = |snr: Option<f64>| snr.map_or("nothing was said".to_owned(), |s| format!("{s:.1} dB"));
    writeln!(
        out,
        "\nWhat {} hears of {} at {} s ({}, CVSD at {} kbit/s; segmental SNR)",
        name(audio.listener),
        name(audio.speaker),
        seconds(audio.pressed_us),
        audio.input,
        crate::audio::cvsd::RATE / 1_000,
    )?;
    writeln!(out, "  {:<34} {:>9}", "the coder alone, without a radio", db(audio.coder_snr_db))?;
    for case in &audio.cases {
        let what = match (case.hopping, case.interference) {
            (false, false) => format!("fixed channel {}, clean", audio.fixed_channel),
            (false, true) if audio.fixed_interfered => {
                format!("fixed channel {}, interfered with", audio.fixed_channel)
            }
            (false, true) => format!("fixed channel {}, a clear one", audio.fixed_channel),
            (true, false) => "hopping, clean".to_owned(),
            (true, true) => "hopping, with interference".to_owned(),
        };
        let slots = case.heard + case.lost + case.late;
        let late = if case.late == 0 { String::new() } else { format!(", {} late", case.late) };
        let (heard, snr) = (case.heard, db(case.snr_db));
        writeln!(out, "  {what:<34} {snr:>9}   {heard} of {slots} slots{late}")?;
    }
    Ok(())
}

fn table(out: &mut impl Write, checks: &[Check]) -> io::Result<()> {
    if checks.is_empty() {
        return writeln!(out, "\nThe scenario expects nothing ([[expect]] tables).");
    }
    let unit = |check: &Check, text: String| match check.unit {
        "" => text,
        unit => format!("{text} {unit}"),
    };
    let rows: Vec<[String; 4]> = checks
        .iter()
        .map(|check| {
            [
                if check.pass { "holds" } else { "FAILS" }.to_owned(),
                unit(check, shown(check.measured)),
                unit(check, check.required.clone()),
                check.what.clone(),
            ]
        })
        .collect();
    let width = |i: usize| rows.iter().map(|row| row[i].chars().count()).max().unwrap_or(0);
    let (measured, required) = (width(1).max(8), width(2).max(8));
    writeln!(out, "\nChecks")?;
    writeln!(out, "  {:<6} {:>measured$}  {:<required$}  what", "", "measured", "required")?;
    for (row, check) in rows.iter().zip(checks) {
        let [verdict, value, bound, what] = row;
        writeln!(out, "  {verdict:<6} {value:>measured$}  {bound:<required$}  {what}")?;
        writeln!(
            out,
            "  {:<6} {:>measured$}  {:<required$}    after: {}",
            "", "", "", check.source
        )?;
    }
    Ok(())
}
