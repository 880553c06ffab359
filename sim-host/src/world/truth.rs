//! True net time: that of an ideal clock which the timekeeper started (specification section 6).
//!
//! A timekeeper that restarts from its storage starts another timeline, so there may be several.
//! Every station is judged by the one that it is on: the one that its bound contains.

use super::World;

/// A timeline that a timekeeper has started.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Started {
    /// True time at which it was started.
    pub at_us: u64,
    /// By whom.
    pub node: usize,
    /// True net time less true time.
    offset_us: i64,
}

impl Started {
    /// True net time on this timeline at true time `us`.
    #[must_use]
    pub const fn net_us(&self, us: u64) -> i64 {
        us.cast_signed() + self.offset_us
    }
}

impl World {
    /// The timelines that were started so far.
    #[must_use]
    pub fn timelines(&self) -> &[Started] {
        &self.timelines
    }

    /// True net time now on the last timeline that was started, if there is one.
    #[must_use]
    pub fn true_net_us(&self) -> Option<i64> {
        self.timelines.last().map(|timeline| timeline.net_us(self.now))
    }

    /// Whether a station is in step and its phase is within the guard of true net time plus what
    /// its bound allows: really in step, not only of the opinion that it is.
    #[must_use]
    pub fn in_step(&self, node: usize) -> bool {
        let node = &self.nodes[node];
        let local = node.local(self.now);
        let Some(clock) = node.station.clock().filter(|_| node.station.in_step()) else {
            return false;
        };
        let (phase, play) =
            (clock.net_us(local), self.timing.guard().us() + clock.half_width(local).us());
        self.timelines.iter().any(|t| phase.abs_diff(t.net_us(self.now)) <= play)
    }

    /// A timekeeper has just started a timeline: from here on net time is known exactly.
    pub(super) fn note_truth(&mut self, node: usize) {
        let (at_us, of) = (self.now, &self.nodes[node]);
        if let Some(clock) = of.station.clock() {
            let offset_us = clock.net_us(of.local(at_us)) - at_us.cast_signed();
            self.timelines.push(Started { at_us, node, offset_us });
        }
    }

    /// The timeline whose true time at `us` a station's bound contains, of several the nearest
    /// to its phase. `hint` is looked at first.
    pub(super) fn timeline_of(&self, node: usize, us: u64, hint: usize) -> Option<usize> {
        let node = &self.nodes[node];
        let clock = node.station.clock()?;
        let local = node.local(us);
        let (lo, hi) = clock.bound(local);
        // Both clocks are floored to whole microseconds.
        let within = |net: i64| lo - 1 <= net && net <= hi + 1;
        if self.timelines.get(hint).is_some_and(|t| within(t.net_us(us))) {
            return Some(hint);
        }
        let phase = clock.net_us(local);
        let fitting = self.timelines.iter().enumerate().filter(|(_, t)| within(t.net_us(us)));
        fitting.min_by_key(|(_, t)| phase.abs_diff(t.net_us(us))).map(|(index, _)| index)
    }
}
