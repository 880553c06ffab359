//! What the world knows and the stations do not: true net time, of every timeline that has been
//! started.
//!
//! A net may come to have two timelines: two timekeepers that cannot hear each other. Each has a
//! true time of its own. A station is compared with the timeline whose true time is nearest to
//! its phase: timelines begin many seconds apart, bounds are milliseconds wide, so that a station
//! on one cannot pass for one on another unless it is off by half of what lies between them.

use super::World;

impl World {
    /// A timekeeper has just started a timeline: from here on its net time is known exactly.
    pub(super) fn note_truth(&mut self, node: usize) {
        let node = &self.nodes[node];
        if let Some(clock) = node.station.clock() {
            let net = clock.net_us(node.local(self.now));
            self.truths.push(net - self.now.cast_signed());
        }
    }

    /// True net time now of the timeline that was started last.
    #[must_use]
    pub fn true_net_us(&self) -> Option<i64> {
        self.truths.last().map(|truth| self.now.cast_signed() + truth)
    }

    /// The timeline, counted from 0 in the order in which they were started, that is nearest to a
    /// station's phase; `None` if it knows no time or there is no timeline.
    #[must_use]
    pub fn timeline_of(&self, node: usize) -> Option<usize> {
        self.nearest(node, self.now).map(|(timeline, _)| timeline)
    }

    /// The timeline that is ahead of all others.
    #[must_use]
    pub fn latest_timeline(&self) -> Option<usize> {
        (0..self.truths.len()).max_by_key(|timeline| self.truths[*timeline])
    }

    /// Whether a station is in step and its phase is within the guard of true net time plus what
    /// its bound allows: really in step, not only of the opinion that it is.
    #[must_use]
    pub fn in_step(&self, node: usize) -> bool {
        let Some((_, true_net)) = self.nearest(node, self.now) else { return false };
        let node = &self.nodes[node];
        let local = node.local(self.now);
        match node.station.clock().filter(|_| node.station.in_step()) {
            Some(clock) => {
                let error = clock.net_us(local).abs_diff(true_net);
                error <= self.timing.guard().us() + clock.half_width(local).us()
            }
            None => false,
        }
    }

    /// How far the phases of the stations are apart, in microseconds, if all of them are in step.
    #[must_use]
    pub fn phases_apart_us(&self) -> Option<u64> {
        let (mut least, mut most) = (i64::MAX, i64::MIN);
        for node in &self.nodes {
            let clock = node.station.clock().filter(|_| node.station.in_step())?;
            let net = clock.net_us(node.local(self.now));
            (least, most) = (least.min(net), most.max(net));
        }
        Some(most.abs_diff(least))
    }

    /// The timeline nearest to a station's phase, and its true time at true time `at`.
    fn nearest(&self, node: usize, at: u64) -> Option<(usize, i64)> {
        let node = &self.nodes[node];
        let net = node.station.clock()?.net_us(node.local(at));
        let times = self.truths.iter().map(|truth| at.cast_signed() + truth);
        times.enumerate().min_by_key(|(_, time)| time.abs_diff(net))
    }

    /// Invariant 4: true net time lies in the bound of every station that has just heard a header.
    pub(super) fn check_bound(&mut self, node: usize, at: u64) {
        let Some((_, true_net)) = self.nearest(node, at) else { return };
        let node = &self.nodes[node];
        let Some(clock) = node.station.clock() else { return };
        let local = node.local(at);
        let (lo, hi) = clock.bound(local);
        let totals = &mut self.trace.totals;
        totals.bound_checks += 1;
        // Both clocks are floored to whole microseconds.
        totals.bound_misses += u64::from(true_net < lo - 1 || hi + 1 < true_net);
        totals.worst_phase_us = totals.worst_phase_us.max(clock.net_us(local).abs_diff(true_net));
    }
}
