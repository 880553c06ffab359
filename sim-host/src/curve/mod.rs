//! A situation tried along an axis: how the time to be in step again grows with silence.

mod picture;

use crate::diagnostic::Diagnostic;
use crate::folder::write_whole;
use crate::plan::Plan;
use crate::trials::{Campaign, Contact, Situation, Summary, summarise};
use crate::world::child_seed;
use hopwright_core::clock::COAST_SLOTS;
use hopwright_core::units::Ppb;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

/// The silences of the curve, in seconds, and what they are called.
pub const SILENCES: [(u32, &str); 9] = [
    (60, "1 min"),
    (600, "10 min"),
    (3_600, "1 h"),
    (14_400, "4 h"),
    (43_200, "12 h"),
    (86_400, "1 d"),
    (172_800, "2 d"),
    (345_600, "4 d"),
    (604_800, "7 d"),
];
/// The tolerances of its oscillators, in parts in 10^9.
pub const TOLERANCES_PPB: [u32; 4] = [500, 1_000, 2_500, 10_000];

/// How long it takes to be in step again after a silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SilenceCurve {
    /// Trials for each point.
    pub trials: u32,
    /// What everything follows from.
    pub seed: u64,
    /// Share of the hopset under interference.
    pub jammed: f64,
}

/// One point of the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// How far any oscillator may be off, in parts in 10^9.
    pub tolerance_ppb: u32,
    /// The silence in seconds.
    pub silence_s: u32,
    /// What it is called.
    pub silence: &'static str,
    /// What was measured: seconds from the first slot sent to in step.
    pub measured: Summary,
    /// What the link's rules let one expect.
    pub expected: Expected,
}

/// What the rules let one expect of stations that heard nothing for so long (specification
/// sections 6 and 7).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Expected {
    /// The spread is within the guard: nobody has lost the grip.
    Locked,
    /// The spread is so many slots: call headers are met within `2 k + 1` slots.
    Coasting {
        /// `k`.
        slots: u32,
        /// `2 k + 1` slots in seconds.
        within_s: f64,
    },
    /// The spread is too large to coast: the speaker opens with a run, which visits a channel
    /// again after at most `r + w - 1` slots; one more slot confirms.
    Searching {
        /// That many slots in seconds.
        within_s: f64,
    },
}

impl Expected {
    /// For a plan and a silence.
    #[must_use]
    pub fn of(plan: &Plan, silence_s: u32) -> Self {
        let (clock, timing, structure) = (plan.clock(), plan.timing(), plan.structure());
        let slot_us = timing.slot().us();
        // What a header leaves of uncertainty, and two oscillators that part.
        let first_us = clock.first_spread().us();
        let parted_us =
            (2 * u64::from(clock.tolerance.ppb()) * u64::from(silence_s)).div_ceil(1_000);
        let spread_us = first_us + parted_us;
        let seconds = |slots: u64| (slots * slot_us) as f64 / 1e6;
        if spread_us <= timing.guard().us() {
            return Self::Locked;
        }
        match u32::try_from(spread_us.div_ceil(slot_us)) {
            Ok(slots) if slots <= COAST_SLOTS => {
                Self::Coasting { slots, within_s: seconds(2 * u64::from(slots) + 1) }
            }
            _ => {
                let visit = u64::from(structure.rendezvous) + u64::from(structure.window) - 1;
                Self::Searching { within_s: seconds(visit + 1) }
            }
        }
    }

    /// In seconds.
    #[must_use]
    pub const fn within_s(self) -> f64 {
        match self {
            Self::Locked => 0.0,
            Self::Coasting { within_s, .. } | Self::Searching { within_s } => within_s,
        }
    }

    /// In a word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Locked => "locked",
            Self::Coasting { .. } => "coast",
            Self::Searching { .. } => "search",
        }
    }
}

impl SilenceCurve {
    /// Tries all points. The plan's tolerance is overridden. `progress` is told the share done.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no stations.
    pub fn run(&self, plan: &mut Plan, progress: impl Fn(f64)) -> Result<Vec<Point>, Diagnostic> {
        let own = plan.clock();
        let points = self.points(plan, progress);
        plan.set_clock(own);
        points
    }

    fn points(&self, plan: &mut Plan, progress: impl Fn(f64)) -> Result<Vec<Point>, Diagnostic> {
        let mut points = Vec::new();
        for tolerance_ppb in TOLERANCES_PPB {
            plan.set_tolerance(Ppb::new(tolerance_ppb).unwrap_or(Ppb::MAX));
            for (silence_s, silence) in SILENCES {
                let campaign = Campaign {
                    situation: Situation::Silence,
                    trials: self.trials,
                    seed: child_seed(self.seed, &format!("{tolerance_ppb}/{silence_s}")),
                    jammed: self.jammed,
                    silence_s: f64::from(silence_s),
                    apart_h: 0.0,
                    contact: Contact::Bridge,
                };
                if let Some(measured) = summarise(&campaign.run(plan)?) {
                    let expected = Expected::of(plan, silence_s);
                    let point = Point { tolerance_ppb, silence_s, silence, measured, expected };
                    points.push(point);
                }
                let all = TOLERANCES_PPB.len() * SILENCES.len();
                progress(points.len() as f64 / all as f64);
            }
        }
        Ok(points)
    }

    /// Writes `silence.csv` and `silence.svg` into a new folder, which appears whole.
    ///
    /// # Errors
    /// [`Diagnostic`] if the folder exists and is not empty, or cannot be written.
    pub fn write_files(&self, points: &[Point], folder: &Path) -> Result<(), Diagnostic> {
        write_whole(folder, |partial| {
            fs::write(partial.join("silence.csv"), csv(points))?;
            fs::write(partial.join("silence.svg"), picture::silence(self, points))
        })
    }
}

/// The points as CSV; what never happened is empty, and so is an upper end that nothing bounds.
#[must_use]
pub fn csv(points: &[Point]) -> String {
    let mut out = String::from(
        "tolerance_ppb,silence_s,outcomes,never,median_s,median_low_s,median_high_s,p95_s,\
         p95_low_s,p95_high_s,p99_s,p99_low_s,p99_high_s,worst_s,expected,expected_within_s\n",
    );
    for point in points {
        let m = &point.measured;
        let _ = write!(out, "{},{},{},{}", point.tolerance_ppb, point.silence_s, m.count, m.never);
        let numbers = [
            m.median_s,
            m.median_interval_s.0,
            m.median_interval_s.1,
            m.p95_s,
            m.p95_interval_s.0,
            m.p95_interval_s.1,
            m.p99_s,
            m.p99_interval_s.0,
            m.p99_interval_s.1,
            m.worst_s,
        ];
        for number in numbers {
            if number.is_finite() {
                let _ = write!(out, ",{number:.6}");
            } else {
                out.push(',');
            }
        }
        let expected = point.expected;
        let _ = writeln!(out, ",{},{:.6}", expected.name(), expected.within_s());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::built_in_plan;

    /// The arithmetic of specification section 6 by hand: 28.8 ms in four hours at 1 ppm are two
    /// slots of 20 ms and so five slots of waiting; 10 ppm for a day are 1.728 s, 87 slots, more
    /// than one coasts with; 1 ppm for a minute are 120 us, within a guard of 500 us.
    #[test]
    fn what_the_rules_let_one_expect() {
        let mut plan = built_in_plan().unwrap();
        assert_eq!(Expected::of(&plan, 60), Expected::Locked);
        assert_eq!(Expected::of(&plan, 14_400), Expected::Coasting { slots: 2, within_s: 0.1 });
        plan.set_tolerance(Ppb::new(10_000).unwrap());
        // 19 slots and one.
        assert_eq!(Expected::of(&plan, 86_400), Expected::Searching { within_s: 0.4 });
    }
}
