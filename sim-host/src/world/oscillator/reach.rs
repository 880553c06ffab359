//! Whether an oscillator keeps what a plan promises of it.
//!
//! The promise: between any two times the clock's error changes by no more than
//! `wander + tolerance * (later - earlier)`. What it would take of `wander` is the largest climb
//! of `error - tolerance * time`, or of its mirror image; both have their extremes at the ends of
//! the straight pieces and at steps.

use super::course::{Course, SEGMENT_US};

/// How far an oscillator goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reach {
    /// The largest frequency offset, either way, in parts in 10^9, rounded up; without steps.
    pub rate_ppb: u64,
    /// How much the error changes, at most, beyond what the tolerance allows for the time that it
    /// takes; in microseconds, rounded up.
    pub wander_us: u64,
}

impl Reach {
    /// Of a constant offset.
    pub(super) fn of_offset(ppb: i64, tolerance_ppb: u32, until_us: u64) -> Self {
        let rate_ppb = ppb.unsigned_abs();
        let excess = u128::from(rate_ppb.saturating_sub(u64::from(tolerance_ppb)));
        let wander = (excess * u128::from(until_us)).div_ceil(1_000_000_000);
        Self { rate_ppb, wander_us: u64::try_from(wander).unwrap_or(u64::MAX) }
    }

    /// Of a course.
    pub(super) fn of_course(course: &Course, tolerance_ppb: u32, until_us: u64) -> Self {
        let mut climbs = [Climb::default(), Climb::default()];
        // Femtoseconds: parts in 10^9 times microseconds.
        let mut visit = |at_us: u64, error_fs: i128| {
            let allowed = i128::from(tolerance_ppb) * i128::from(at_us);
            climbs[0].visit(error_fs - allowed);
            climbs[1].visit(-error_fs - allowed);
        };
        let error_fs = |us: u64| i128::from(course.error_ps(us)) * 1_000;
        let mut steps = course.steps().iter().filter(|step| step.at_us <= until_us).peekable();
        let mut stepped_us = 0_i64;
        let nodes = course.nodes_ps();
        let mut largest = 0;
        for (index, node) in nodes.iter().enumerate() {
            let at_us = index as u64 * SEGMENT_US;
            while let Some(step) = steps.next_if(|step| step.at_us <= at_us) {
                let steady = error_fs(step.at_us);
                visit(step.at_us, steady + i128::from(stepped_us) * 1_000_000_000);
                stepped_us = step.sum_us;
                visit(step.at_us, steady + i128::from(stepped_us) * 1_000_000_000);
            }
            visit(at_us, i128::from(*node) * 1_000 + i128::from(stepped_us) * 1_000_000_000);
            if let Some(next) = nodes.get(index + 1)
                && at_us < until_us
            {
                largest = largest.max((next - node).unsigned_abs());
            }
        }
        let ceil = |fs: i128| u64::try_from(fs.max(0)).unwrap_or(u64::MAX).div_ceil(1_000_000_000);
        Self {
            // A part in 10^9 for ten seconds is 10 000 ps.
            rate_ppb: largest.div_ceil(10_000),
            wander_us: ceil(climbs[0].most).max(ceil(climbs[1].most)),
        }
    }
}

/// The largest rise of a curve from any point to a later one.
#[derive(Debug, Default)]
struct Climb {
    lowest: Option<i128>,
    most: i128,
}

impl Climb {
    fn visit(&mut self, height: i128) {
        let lowest = self.lowest.map_or(height, |lowest| lowest.min(height));
        self.lowest = Some(lowest);
        self.most = self.most.max(height - lowest);
    }
}
