//! What the world knows and the stations do not: true net time, that of the ideal clock which the
//! timekeeper started (specification section 6), for every timeline that has been started.
//!
//! A net may come to have several: two timekeepers that cannot hear each other, or one that
//! restarts from its storage. A station is judged by the timeline of its net that its bound
//! contains; timelines begin many seconds apart and bounds are milliseconds wide, so that a
//! station on one cannot pass for one on another.

use super::World;
use hopwright_core::units::Lane;

/// A timeline that a timekeeper has started.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Started {
    /// True time at which it was started.
    pub at_us: u64,
    /// By whom.
    pub node: usize,
    /// Of which net.
    pub lane: Lane,
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

    /// A timekeeper has just started a timeline: from here on its net time is known exactly.
    pub(super) fn note_truth(&mut self, node: usize) {
        let (at_us, of) = (self.now, &self.nodes[node]);
        if let Some(clock) = of.station.clock() {
            let offset_us = clock.net_us(of.local(at_us)) - at_us.cast_signed();
            let lane = of.station.sequence().lane();
            self.timelines.push(Started { at_us, node, lane, offset_us });
        }
    }

    /// True net time now of the timeline that was started last.
    #[must_use]
    pub fn true_net_us(&self) -> Option<i64> {
        self.timelines.last().map(|timeline| timeline.net_us(self.now))
    }

    /// True net time now of the timeline of a net that was started last.
    #[must_use]
    pub fn true_net_us_of(&self, lane: Lane) -> Option<i64> {
        let timeline = self.timelines.iter().rfind(|timeline| timeline.lane == lane);
        timeline.map(|timeline| timeline.net_us(self.now))
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
        (0..self.timelines.len()).max_by_key(|timeline| self.timelines[*timeline].offset_us)
    }

    /// Whether a station has power, is in step, and its phase is within the guard of true net time plus
    /// what its bound allows: really in step, not only of the opinion that it is.
    #[must_use]
    pub fn in_step(&self, node: usize) -> bool {
        let mut timelines = self.own_timelines(node);
        !self.is_off(node) && timelines.any(|(timeline, _)| self.in_step_on(node, timeline))
    }

    /// The same for one timeline.
    pub(super) fn in_step_on(&self, node: usize, timeline: usize) -> bool {
        let of = &self.nodes[node];
        let clock = of.station.clock().filter(|_| of.station.in_step());
        let (Some(clock), Some(started)) = (clock, self.timelines.get(timeline)) else {
            return false;
        };
        let local = of.local(self.now);
        let error = clock.net_us(local).abs_diff(started.net_us(self.now));
        error <= self.timing.guard().us() + clock.half_width(local).us()
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

    /// The timeline whose true time at `us` a station's bound contains, of several the nearest
    /// to its phase. `hint` is looked at first.
    pub(super) fn timeline_within(&self, node: usize, us: u64, hint: usize) -> Option<usize> {
        let of = &self.nodes[node];
        let clock = of.station.clock()?;
        let local = of.local(us);
        let (lo, hi) = clock.bound(local);
        // Both clocks are floored to whole microseconds.
        let within = |net: i64| lo - 1 <= net && net <= hi + 1;
        if self.timelines.get(hint).is_some_and(|t| within(t.net_us(us))) {
            return Some(hint);
        }
        let phase = clock.net_us(local);
        let fitting = self.own_timelines(node).filter(|(_, t)| within(t.net_us(us)));
        fitting.min_by_key(|(_, t)| phase.abs_diff(t.net_us(us))).map(|(index, _)| index)
    }

    /// Takes note of how far a station that has just heard a header is from true net time.
    pub(super) fn note_phase(&mut self, node: usize, at: u64) {
        let of = &self.nodes[node];
        let phase = of.station.clock().map(|clock| clock.net_us(of.local(at)));
        if let (Some(phase), Some((_, net))) = (phase, self.nearest(node, at)) {
            let worst = &mut self.trace.totals.worst_phase_us;
            *worst = phase.abs_diff(net).max(*worst);
        }
        if self.judging && of.station.in_step() && !self.timelines.is_empty() {
            let within = self.timeline_within(node, at, self.watches[node].timeline).is_some();
            self.trace.totals.headers_judged += 1;
            self.trace.totals.headers_misled += u64::from(!within);
        }
    }

    /// The timeline nearest to a station's phase, and its true time at true time `at`.
    fn nearest(&self, node: usize, at: u64) -> Option<(usize, i64)> {
        let of = &self.nodes[node];
        let net = of.station.clock()?.net_us(of.local(at));
        let times = self.own_timelines(node).map(|(index, timeline)| (index, timeline.net_us(at)));
        times.min_by_key(|(_, time)| time.abs_diff(net))
    }

    /// The timelines of a station's net.
    fn own_timelines(&self, node: usize) -> impl Iterator<Item = (usize, &Started)> {
        let lane = self.nodes[node].station.sequence().lane();
        self.timelines.iter().enumerate().filter(move |(_, timeline)| timeline.lane == lane)
    }
}
