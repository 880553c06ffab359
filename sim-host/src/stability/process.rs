//! The simulated oscillators, each with one process, against its closed form.

use super::Statistic;
use crate::world::{Behaviour, Oscillator, SEGMENT_US, child_seed};

const DAY_S: u64 = 86_400;
const TAU0: f64 = SEGMENT_US as f64 / 1e6;
/// Whole picoseconds round a time error; this covers what that does to the deterministic ones.
const ROUNDING: f64 = 1e-3;
/// Two-sided 99.99 % of the normal distribution: thirty rows a run shall not cry wolf.
const NORMAL_9999: f64 = 3.890_592;

/// One process over one span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// What the oscillator does.
    pub process: &'static str,
    /// The span in seconds.
    pub tau_s: f64,
    /// The overlapping Allan deviation of the simulated oscillator.
    pub measured: f64,
    /// What the closed form gives.
    pub closed_form: f64,
    /// Where the measured value must be.
    pub band: (f64, f64),
}

impl Row {
    /// Whether the measured value is in its band.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.band.0 <= self.measured && self.measured <= self.band.1
    }
}

/// Equivalent degrees of freedom of an overlapping Allan deviation by number of phases and `m`.
type Freedom = fn(f64, f64) -> f64;

/// A process with its closed form of the overlapping Allan deviation.
struct Process {
    name: &'static str,
    behaviour: Behaviour,
    /// By phases and `m`.
    closed_form: fn(f64, f64) -> f64,
    /// `None` for what is no chance.
    freedom: Option<Freedom>,
}

const OFFSET_PPB: f64 = 750.0;
const AGEING_PPB_PER_DAY: f64 = 100.0;
const TEMPERATURE_PPB_PER_K: f64 = 30.0;
const RAMP_K: f64 = 40.0;
const RANDOM_WALK_PPB: f64 = 20.0;
const WHITE_PPB: f64 = 10.0;
const STEP_US: i64 = 50;

/// Simulates each process for `days` days and compares it over spans from ten seconds to a
/// hundredth of the whole.
#[must_use]
pub fn rows(days: u32, seed: u64) -> Vec<Row> {
    let length_s = DAY_S * u64::from(days);
    let mut rows = Vec::new();
    for process in processes(length_s * 1_000_000) {
        let seed = child_seed(seed, process.name);
        let phase = simulated(&process.behaviour, seed);
        let n = phase.len() as f64;
        let spans = std::iter::successors(Some(1_usize), |m| Some(m * 4));
        for m in spans.take_while(|m| 100 * m <= phase.len()) {
            let measured = Statistic::Oadev.of(&phase, TAU0, m).unwrap_or(f64::NAN) / 1e12;
            let closed_form = (process.closed_form)(n, m as f64);
            let band = match process.freedom {
                Some(freedom) => chance(closed_form, freedom(n, m as f64)),
                None => (closed_form * (1.0 - ROUNDING), closed_form * (1.0 + ROUNDING)),
            };
            let (process, tau_s) = (process.name, TAU0 * m as f64);
            rows.push(Row { process, tau_s, measured, closed_form, band });
        }
    }
    rows
}

fn processes(until_us: u64) -> Vec<Process> {
    let still = Behaviour { until_us, ..Behaviour::default() };
    vec![
        Process {
            name: "constant offset",
            behaviour: Behaviour { offset_ppb: OFFSET_PPB, ..still.clone() },
            closed_form: |_, _| 0.0,
            freedom: None,
        },
        // Drift D: D tau / sqrt(2).
        Process {
            name: "linear ageing",
            behaviour: Behaviour { ageing_ppb_per_day: AGEING_PPB_PER_DAY, ..still.clone() },
            closed_form: |_, m| AGEING_PPB_PER_DAY * 1e-9 / 86_400.0 * TAU0 * m / libm::sqrt(2.0),
            freedom: None,
        },
        Process {
            name: "temperature ramp",
            behaviour: Behaviour {
                temperature_ppb_per_k: TEMPERATURE_PPB_PER_K,
                ramp: vec![(0, -RAMP_K / 2.0), (until_us, RAMP_K / 2.0)],
                ..still.clone()
            },
            closed_form: |n, m| {
                let per_s = TEMPERATURE_PPB_PER_K * 1e-9 * RAMP_K / ((n - 1.0) * TAU0);
                per_s * TAU0 * m / libm::sqrt(2.0)
            },
            freedom: None,
        },
        // White frequency noise of deviation s in a second: s / sqrt(tau).
        Process {
            name: "white FM",
            behaviour: Behaviour { white_ppb: WHITE_PPB, ..still.clone() },
            closed_form: |_, m| WHITE_PPB * 1e-9 / libm::sqrt(TAU0 * m),
            freedom: Some(white_freedom),
        },
        // Random walk of step d at tau0: d sqrt((2 m^2 + 1) / (6 m)).
        Process {
            name: "random-walk FM",
            behaviour: Behaviour { random_walk_ppb: RANDOM_WALK_PPB, ..still.clone() },
            closed_form: |_, m| {
                let step = RANDOM_WALK_PPB * 1e-9 / libm::sqrt(3_600.0 / TAU0);
                step * libm::sqrt((2.0 * m * m + 1.0) / (6.0 * m))
            },
            freedom: Some(walk_freedom),
        },
        // A step s of phase appears in 2 m of the N - 2 m second differences: s / tau times the
        // root of m / (N - 2 m) (elementary).
        Process {
            name: "one clock step",
            behaviour: Behaviour { steps: vec![(until_us / 2 + 3, STEP_US)], ..still },
            closed_form: |n, m| STEP_US as f64 * 1e-6 / (TAU0 * m) * libm::sqrt(m / (n - 2.0 * m)),
            freedom: None,
        },
    ]
}

/// The time error in picoseconds, as the world reckons it, at every whole piece of the course: whole
/// numbers, so that a constant offset has no deviation at all. With steps it is what the clock
/// shows.
fn simulated(behaviour: &Behaviour, seed: u64) -> Vec<f64> {
    let clock = Oscillator::following(0, behaviour, seed);
    let pieces = behaviour.until_us / SEGMENT_US;
    let error = |us: u64| match clock.course() {
        Some(course) if behaviour.steps.is_empty() => course.error_ps(us) as f64,
        _ => (clock.local(us).us().cast_signed() - us.cast_signed()) as f64 * 1e6,
    };
    (0..=pieces).map(|piece| error(piece * SEGMENT_US)).collect()
}

/// Equivalent degrees of freedom for white frequency noise (NIST SP 1065, section 5.4.1, after
/// D. Howe, D. Allan and J. Barnes, 1981).
fn white_freedom(n: f64, m: f64) -> f64 {
    (3.0 * (n - 1.0) / (2.0 * m) - 2.0 * (n - 2.0) / n) * 4.0 * m * m / (4.0 * m * m + 5.0)
}

/// The same for random-walk frequency noise.
fn walk_freedom(n: f64, m: f64) -> f64 {
    let square = (n - 1.0) * (n - 1.0) - 3.0 * m * (n - 1.0) + 4.0 * m * m;
    (n - 2.0) / m * square / ((n - 3.0) * (n - 3.0))
}

/// Where a deviation lies with 99.99 % confidence: chi-square quantiles by E. Wilson and
/// M. Hilferty (1931).
fn chance(deviation: f64, freedom: f64) -> (f64, f64) {
    let share = 2.0 / (9.0 * freedom);
    let ratio = |z: f64| {
        let root = (1.0 - share + z * libm::sqrt(share)).max(0.0);
        libm::sqrt(root * root * root)
    };
    (deviation * ratio(-NORMAL_9999), deviation * ratio(NORMAL_9999))
}
