//! A scenario carried out: measured, checked, told, drawn.

mod account;
mod axis;
mod files;
mod json;
pub mod metrics;
mod picture;

pub use account::write_account;
pub use files::write_files;
pub use json::to_json;

use crate::diagnostic::Diagnostic;
use crate::scenario::{Bound, Scenario, Timetable};
use crate::world::{Detail, World};
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
    /// What is measured.
    pub what: &'static str,
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
    /// What was checked.
    pub checks: Vec<Check>,
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
            scenario.seed = seed;
        }
        let seed = scenario.seed;
        let mut world = scenario.builder()?.world(Timetable {
            announces: &scenario.announces,
            overs: &scenario.overs,
            detail,
            digests: true,
            recorded,
        })?;
        world.run_until(scenario.duration_us);
        let measured = metrics::measure(&scenario, &world)?;
        let checks = scenario.expectations.iter().map(|e| check(e, &measured)).collect();
        Ok(Self { scenario, seed, world, measured, checks })
    }

    /// Whether all checks hold.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.checks.iter().all(|check| check.pass)
    }
}

fn check(
    expectation: &crate::scenario::Expectation,
    measured: &BTreeMap<&'static str, Measured>,
) -> Check {
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
        what: metric.what,
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
