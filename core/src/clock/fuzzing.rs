//! A clock without a station, for the fuzz targets: they compare it with exact arithmetic.

use super::{ClockPlan, Conflict, NetClock, Observation};
use crate::units::{Micros, Tick};
use core::cmp::Ordering;

impl NetClock {
    /// The clock of a timekeeper that starts a timeline.
    #[must_use]
    pub const fn started(plan: ClockPlan, now: Tick, net_us: i64) -> Self {
        Self::start(plan, now, net_us)
    }

    /// The clock of a station that heard, at `at`, what a sender sent when it was `sent_us` by his
    /// phase. `half_width` is his; `before`, the station's clock on another timeline.
    #[must_use]
    pub fn acquired(
        plan: ClockPlan,
        (at, sent_us): (Tick, i64),
        half_width: Option<Micros>,
        before: Option<&Self>,
    ) -> Self {
        Self::acquire(plan, Observation { at, sent_us, half_width }, before)
    }

    /// Takes another such observation in.
    ///
    /// # Errors
    /// On which side of the bound it lies, if it contradicts it.
    pub fn observed(
        &mut self,
        (at, sent_us): (Tick, i64),
        half_width: Option<Micros>,
    ) -> Result<(), Ordering> {
        self.observe(Observation { at, sent_us, half_width }).map_err(|conflict| match conflict {
            Conflict::Behind => Ordering::Less,
            Conflict::Ahead => Ordering::Greater,
        })
    }
}
