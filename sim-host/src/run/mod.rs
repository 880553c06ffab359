//! A scenario carried out: measured, checked, told, drawn.

mod account;
pub(crate) mod axis;
mod files;
mod json;
mod keys;
pub mod metrics;
mod picture;
mod relayed;

pub use account::write_account;
pub(crate) use account::{head, story};
pub use files::write_files;
pub use json::to_json;
pub use keys::{HeardBy, heard_by};

use crate::audio::Audio;
use crate::diagnostic::Diagnostic;
use crate::scenario::{Bound, Expectation, Scenario, Timetable};
use crate::world::{Detail, Over, World};
use hopwright_core::address::Target;
use hopwright_core::units::Lane;
use std::collections::BTreeMap;

/// A measured value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// The band in which a closed form puts it.
    pub band: Option<(f64, f64)>,
}

/// One line of the check table.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// The metric's name.
    pub id: &'static str,
    /// What is measured, and of which net if not of all.
    pub what: String,
    /// What is required.
    pub required: String,
    /// What was measured.
    pub measured: f64,
    /// The unit of both.
    pub unit: &'static str,
    /// Whether it holds.
    pub pass: bool,
    /// Where the requirement comes from.
    pub source: String,
}

/// A scenario that has been carried out.
#[derive(Debug)]
pub struct Run {
    /// The scenario.
    pub scenario: Scenario,
    /// The seed that was used.
    pub seed: u64,
    /// The world at the end.
    pub world: World,
    /// What was measured.
    pub measured: BTreeMap<&'static str, Measured>,
    /// What was measured of each net, if there are several.
    pub nets: BTreeMap<Lane, BTreeMap<&'static str, Measured>>,
    /// What was checked.
    pub checks: Vec<Check>,
    /// What an over sounded like, if somebody listened.
    pub audio: Option<Audio>,
    /// The command line that carried it out, if one did: how to repeat it.
    pub command: Option<String>,
}

impl Run {
    /// Carries a scenario out with the given seed, or its own.
    ///
    /// # Errors
    /// [`Diagnostic`] if the scenario's parts do not fit.
    pub fn new(
        mut scenario: Scenario,
        seed: Option<u64>,
        detail: Detail,
        recorded: Option<usize>,
    ) -> Result<Self, Diagnostic> {
        if let Some(seed) = seed {
            scenario.reseed(seed);
        }
        let seed = scenario.seed();
        let mut world = scenario.builder()?.world(Timetable {
            announces: &scenario.announces,
            overs: &scenario.overs,
            messages: &scenario.messages,
            modes: &scenario.modes,
            detail,
            digests: true,
            recorded,
        })?;
        scenario.connect(&mut world)?;
        scenario.cut_texts(&mut world)?;
        scenario.carry_out(&mut world)?;
        let measured = metrics::measure(&scenario, &world, None)?;
        let mut nets = BTreeMap::new();
        for lane in scenario.radio.lanes() {
            nets.insert(lane, metrics::measure(&scenario, &world, Some(lane))?);
        }
        let of = |e: &Expectation| e.lane.and_then(|lane| nets.get(&lane)).unwrap_or(&measured);
        let checks = scenario.expectations.iter().map(|e| check(e, of(e))).collect();
        if nets.len() == 1 {
            nets.clear();
        }
        Ok(Self { scenario, seed, world, measured, nets, checks, audio: None, command: None })
    }

    /// A target as a person says it who calls it: addresses belong to a net.
    pub(crate) fn target_named(&self, caller: usize, target: Target) -> String {
        match target.to_string().as_str() {
            "all" => "all stations".to_owned(),
            text => {
                let stations = &self.scenario.radio.stations;
                let lane = stations[caller].lane;
                let mut own = stations.iter().filter(|station| station.lane == lane);
                let one = own.find(|station| station.address.to_string() == text);
                one.map_or_else(|| text.to_owned(), |station| format!("{} ({text})", station.name))
            }
        }
    }

    /// Why a station refused a press, as the end of a sentence; nothing if nobody knows.
    fn refusal(&self, node: usize, at_us: u64) -> String {
        let trace = self.world.trace();
        if trace.was_powerless(node, at_us) {
            return ": it has no power".to_owned();
        }
        let mut refused = trace.presses_refused.iter();
        let found = refused.find(|(at, of, _)| *at == at_us && *of == node);
        found.map_or_else(String::new, |(_, _, why)| format!(": {why}"))
    }

    /// Whether all checks hold.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.checks.iter().all(|check| check.pass)
    }
}

/// Whether a station was in step and addressed when an over of the net's own time began.
#[must_use]
pub fn reaches(run: &Run, over: &Over, station: usize) -> bool {
    let trace = run.world.trace();
    let (scenario, at) = (&run.scenario, over.pressed_us);
    over.payload_slots > 0
        && metrics::in_step_before(scenario, trace, over.node, over.ahead_us.unwrap_or(at))
        && metrics::addressees(scenario, trace, over).contains(&station)
}

fn check(expectation: &Expectation, measured: &BTreeMap<&'static str, Measured>) -> Check {
    let metric = expectation.metric;
    let nothing = Measured { value: f64::NAN, band: None };
    let measured = measured.get(metric.id).copied().unwrap_or(nothing);
    let value = measured.value;
    // A value that is not a number fails every comparison.
    let (required, pass) = match (expectation.bound, measured.band) {
        (Bound::AtMost(most), _) => (format!("at most {most}"), value <= most),
        (Bound::AtLeast(least), _) => (format!("at least {least}"), value >= least),
        #[expect(clippy::float_cmp, reason = "counts and exact zeros")]
        (Bound::Equals(wanted), _) => (format!("{wanted}"), value == wanted),
        (Bound::Model, Some((lo, hi))) => {
            (format!("{lo:.3} to {hi:.3}"), lo <= value && value <= hi)
        }
        (Bound::Model, None) => ("a closed form".to_owned(), false),
    };
    Check {
        id: metric.id,
        what: expectation
            .lane
            .map_or_else(|| metric.what.to_owned(), |lane| format!("{}, lane {lane}", metric.what)),
        required,
        measured: value,
        unit: metric.unit,
        pass,
        source: expectation.source.clone(),
    }
}

/// A measured value as text: counts whole, others with three decimals.
#[must_use]
pub fn shown(value: f64) -> String {
    if value.is_infinite() {
        "never".to_owned()
    } else if value.is_nan() {
        "nothing".to_owned()
    } else if value == libm::floor(value) && value.abs() < 1e15 {
        format!("{value}")
    } else {
        format!("{value:.3}")
    }
}
