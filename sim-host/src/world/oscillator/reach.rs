//! Whether an oscillator keeps what a plan promises of it.
//!
//! The promise: between any two times the clock's error changes by no more than
//! `wander + tolerance * (later - earlier)`. What it would take of `wander` is the largest climb
//! of `error - tolerance * time`, or of its mirror image; both have their extremes at the ends of
//! the straight pieces and at steps.
//!
//! A plan promises besides how far the rate may be from its average over an earlier stretch. Every
//! such average lies between the smallest and the largest rate, so that the difference of these two
//! is enough of a promise.

use super::course::{Course, SEGMENT_US};

/// How far an oscillator goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reach {
    /// The largest frequency offset, either way, in parts in 10^9, rounded up; without steps.
    pub rate_ppb: u64,
    /// The difference of the largest and the smallest rate, in parts in 10^9, rounded up; without
    /// steps.
    pub swing_ppb: u64,
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
        Self { rate_ppb, swing_ppb: 0, wander_us: u64::try_from(wander).unwrap_or(u64::MAX) }
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
        let (mut least, mut most) = (None::<i64>, None::<i64>);
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
                let moved = next - node;
                least = Some(least.map_or(moved, |least| least.min(moved)));
                most = Some(most.map_or(moved, |most| most.max(moved)));
            }
        }
        let ceil = |fs: i128| u64::try_from(fs.max(0)).unwrap_or(u64::MAX).div_ceil(1_000_000_000);
        let (least, most) = (least.unwrap_or(0), most.unwrap_or(0));
        // A part in 10^9 for ten seconds is 10 000 ps.
        let ppb = |ps: u64| ps.div_ceil(10_000);
        Self {
            rate_ppb: ppb(least.unsigned_abs().max(most.unsigned_abs())),
            swing_ppb: ppb(most.abs_diff(least)),
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
