//! What must never happen, looked at after every call of a station
//! (specification section 12, invariants 1 to 4 and 6).

use super::World;
use super::node::CAPACITY;
use hopwright_core::clock::{Grip, NetClock};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{CUT_IN_TIMEOUT, Event, Heard, Reception, Station, Watermark};
use hopwright_core::units::Tick;
use std::collections::BTreeMap;

/// Something that must never happen.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// Invariant 1: a transmission outside the hopset.
    OutsideHopset,
    /// Invariant 2: a home transmission of a station without time.
    OutOfStep,
    /// Invariant 2: payload of a station whose operator was not told to go ahead.
    HoldOff,
    /// Invariant 3: a second copy of a header was taken.
    DuplicateTaken,
    /// Invariant 3: a header that was recorded and played later was taken.
    ReplayTaken,
    /// Invariant 3: a reception that was dropped has changed time or floor.
    DroppedMoved,
    /// Invariant 3: a timekeeper whose storage was lost started a timeline.
    LostStorageStarted,
    /// Invariant 4: a bound that does not contain true net time.
    BoundMiss,
    /// Invariant 6: a header of a cut-in changed home time.
    CutInMovedTime,
    /// Invariant 6: a station that followed a cut-in is without the time that it had.
    CutInTookTime,
    /// Invariant 6: a station goes on following a cut-in that has fallen silent.
    CutInKept,
    /// A station believes to be in step and is not.
    Deceived,
    /// A station lost step without a reason.
    LostStep,
    /// Stations in range of each other did not come together again.
    NotMerged,
    /// An event found the queue full, or an own slot came too late.
    Overrun,
}

impl Rule {
    /// All of them.
    pub const ALL: [Self; 15] = [
        Self::OutsideHopset,
        Self::OutOfStep,
        Self::HoldOff,
        Self::DuplicateTaken,
        Self::ReplayTaken,
        Self::DroppedMoved,
        Self::LostStorageStarted,
        Self::BoundMiss,
        Self::CutInMovedTime,
        Self::CutInTookTime,
        Self::CutInKept,
        Self::Deceived,
        Self::LostStep,
        Self::NotMerged,
        Self::Overrun,
    ];

    /// What it means that it was broken.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::OutsideHopset => "invariant 1: transmissions outside the hopset",
            Self::OutOfStep => "invariant 2: home transmissions of stations without time",
            Self::HoldOff => "invariant 2: payload before the go-ahead",
            Self::DuplicateTaken => "invariant 3: second copies of a header taken",
            Self::ReplayTaken => "invariant 3: replayed headers taken",
            Self::DroppedMoved => "invariant 3: dropped receptions that changed time or floor",
            Self::LostStorageStarted => "invariant 3: timelines started from lost storage",
            Self::BoundMiss => "invariant 4: bounds that did not contain true net time",
            Self::CutInMovedTime => "invariant 6: cut-in headers that changed home time",
            Self::CutInTookTime => "invariant 6: stations that a cut-in left without time",
            Self::CutInKept => "invariant 6: stations kept by a silent cut-in",
            Self::Deceived => "stations that believed to be in step and were not",
            Self::LostStep => "stations that lost step without a reason",
            Self::NotMerged => "nets that did not come together again",
            Self::Overrun => "events lost and slots missed",
        }
    }
}

/// A rule that was broken, by whom and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Broken {
    /// Which.
    pub rule: Rule,
    /// By whom.
    pub node: usize,
    /// True time in microseconds.
    pub at_us: u64,
}

/// Every rule that was broken: how often.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Record {
    /// The first of all.
    pub first: Option<Broken>,
    /// How often each was broken.
    pub counts: BTreeMap<Rule, u64>,
}

/// What is remembered of a station to judge it by.
#[derive(Debug)]
pub(super) struct Watch {
    /// What its storage would say.
    pub(super) storage: Watermark,
    in_step: bool,
    cuts_in: bool,
    /// True time until which payload may be ordered: for ever after a go-ahead, and after a
    /// release at once, for the slot that begins then.
    may_talk_us: u64,
    /// The call that is being judged was a reason for losing step.
    excused: bool,
    /// True time at which a cut-in that it follows was last heard.
    guest_us: Option<u64>,
    /// The timeline that it was found on last.
    pub(super) timeline: usize,
    overruns: u32,
}

/// What a dropped reception may not change.
type Held = (Option<NetClock>, bool, bool, bool);

impl Watch {
    pub(super) const fn new(storage: Watermark) -> Self {
        Self {
            storage,
            in_step: false,
            cuts_in: false,
            may_talk_us: 0,
            excused: false,
            guest_us: None,
            timeline: 0,
            overruns: 0,
        }
    }

    /// Whether a station may take no old header at all: it is in step. (One without time may be
    /// given hope by a recording, but not time: a second opinion must follow.)
    pub(super) const fn refuses(&self, station: &Station<CAPACITY>) -> bool {
        station.in_step() && self.guest_us.is_none()
    }
}

fn held(station: &Station<CAPACITY>) -> Held {
    (station.clock().copied(), station.in_step(), station.holds_floor(), station.cuts_in())
}

impl World {
    pub(super) fn broke(&mut self, node: usize, rule: Rule) {
        let record = &mut self.trace.broken;
        let at_us = self.now;
        record.first.get_or_insert(Broken { rule, node, at_us });
        *record.counts.entry(rule).or_default() += 1;
    }

    /// Notes that the world at large broke a rule: what only its driver can see.
    pub fn accuse(&mut self, node: usize, rule: Rule) {
        self.broke(node, rule);
    }

    /// Hands a reception to a station and judges what becomes of it.
    pub(super) fn receive(&mut self, node: usize, local: Tick, reception: Reception<'_>) -> Heard {
        if !self.judging {
            let outcome = self.nodes[node].heard(local, reception);
            self.drain(node);
            return outcome;
        }
        let before = held(&self.nodes[node].station);
        let outcome = self.nodes[node].heard(local, reception);
        let after = held(&self.nodes[node].station);
        let watch = &mut self.watches[node];
        match outcome {
            Heard::Dropped(_) if before != after => self.broke(node, Rule::DroppedMoved),
            Heard::Dropped(_) => {}
            Heard::Header { timeline: Timeline::CutIn | Timeline::Single, .. } => {
                watch.guest_us = Some(self.now);
                if before != after {
                    self.broke(node, Rule::CutInMovedTime);
                }
            }
            // A header from ahead is a later timeline, which wins once it is confirmed.
            Heard::Header { .. } => watch.excused = true,
            Heard::Payload { .. } | Heard::Busy | _ => {
                if let Some(guest) = &mut watch.guest_us {
                    *guest = self.now;
                }
                // A word met while coasting is followed until a header confirms it.
                let coasting =
                    |clock: NetClock| !matches!(clock.grip(&self.timing, local), Grip::Locked);
                watch.excused |= before.0.is_some_and(coasting);
            }
        }
        self.drain(node);
        outcome
    }

    /// Judges a transmission that a station has just ordered.
    pub(super) fn judge_transmission(
        &mut self,
        node: usize,
        (in_hopset, single): (bool, bool),
        payload: bool,
    ) {
        let station = &self.nodes[node].station;
        let local = self.nodes[node].local(self.now);
        // Who speaks at home is in step by its own account. Whether it has time its clock tells.
        let clock = station.clock().filter(|_| station.in_step());
        let has_time = clock.is_some_and(|clock| clock.grip(&self.timing, local) != Grip::Lost);
        // What a station without time may send: a cut-in, and overs on a single channel.
        let in_step = has_time || station.cuts_in() || single;
        if !in_hopset {
            self.trace.totals.outside_hopset += 1;
            self.broke(node, Rule::OutsideHopset);
        }
        if !in_step {
            self.trace.totals.out_of_step += 1;
            self.broke(node, Rule::OutOfStep);
        }
        if payload && self.watches[node].may_talk_us < self.now {
            self.broke(node, Rule::HoldOff);
        }
    }

    /// Takes note of what an event says of a station.
    pub(super) fn watch_event(&mut self, node: usize, event: Event) {
        let local = self.nodes[node].local(self.now);
        let clock = self.nodes[node].station.clock();
        let held = |grip| matches!(grip, Grip::Locked | Grip::Coasting(_));
        let lost = clock.is_none_or(|clock| !held(clock.grip(&self.timing, local)));
        let watch = &mut self.watches[node];
        match event {
            Event::HoldOff | Event::Cut { .. } => watch.may_talk_us = 0,
            Event::GoAhead { .. } => watch.may_talk_us = u64::MAX,
            Event::SaveWatermark { slot } => watch.storage = Watermark::Stored(slot),
            Event::Clear { .. } => watch.guest_us = None,
            Event::TimelineEnded => watch.excused = true,
            // With a spread beyond the limit a station must search.
            Event::OutOfStep => watch.excused |= lost,
            _ => {}
        }
    }

    /// An operator has released.
    pub(super) fn watch_release(&mut self, node: usize) {
        let until = &mut self.watches[node].may_talk_us;
        *until = self.now.min(*until);
    }

    /// Looks at a station after a call.
    pub(super) fn examine(&mut self, node: usize) {
        if !self.judging {
            return;
        }
        let station = &self.nodes[node].station;
        let (in_step, cuts_in) = (station.in_step(), station.cuts_in());
        let counters = station.counters();
        let overruns = counters.events_lost.saturating_add(counters.late);
        let slot = self.timing.slot().us();
        let now = self.now;
        let watch = &mut self.watches[node];
        let following = watch.guest_us.is_some();
        let left = watch.in_step && !in_step && !watch.excused;
        let kept = watch
            .guest_us
            .is_some_and(|at| now.saturating_sub(at) > (u64::from(CUT_IN_TIMEOUT) + 3) * slot);
        if kept {
            watch.guest_us = None;
        }
        self.trace.totals.cut_ins += u64::from(cuts_in && !watch.cuts_in);
        let overrun = overruns > watch.overruns;
        (watch.in_step, watch.cuts_in, watch.overruns) = (in_step, cuts_in, overruns);
        watch.excused = false;
        if left {
            self.broke(node, if following { Rule::CutInTookTime } else { Rule::LostStep });
        }
        if kept {
            self.broke(node, Rule::CutInKept);
        }
        if overrun {
            self.broke(node, Rule::Overrun);
        }
        if in_step && !self.timelines.is_empty() {
            self.trace.totals.bound_checks += 1;
            match self.timeline_within(node, now, self.watches[node].timeline) {
                Some(index) => self.watches[node].timeline = index,
                None => {
                    self.trace.totals.bound_misses += 1;
                    self.broke(node, Rule::BoundMiss);
                }
            }
            if !self.in_step_on(node, self.watches[node].timeline) && !self.in_step(node) {
                self.broke(node, Rule::Deceived);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::{Builder, RadioPlan, StationPlan, Timetable, built_in_plan};
    use hopwright_core::address::Address;
    use hopwright_core::station::Role;

    const SECOND: u64 = 1_000_000;

    /// A timekeeper that announces a second after its start to a member, in a world that is looked at.
    fn announcing(look: impl FnOnce(&mut World)) {
        let plan = built_in_plan().unwrap();
        let post = StationPlan::member("post".to_owned(), Address::new(0x10));
        let boat = StationPlan::member("boat".to_owned(), Address::new(0x40));
        let radio = RadioPlan::of(vec![StationPlan { role: Role::Timekeeper, ..post }, boat]);
        let builder = Builder::new(&plan, &radio, 1).unwrap();
        let mut world = builder.world(Timetable::totals(&[(SECOND, 0)], &[])).unwrap();
        look(&mut world);
    }

    fn blamed(world: &World, rule: Rule) -> u64 {
        world.trace().broken.counts.get(&rule).copied().unwrap_or(0)
    }

    /// A station stays in the hopset that it has: what counts is the plan's.
    #[test]
    fn a_station_with_another_hopset_than_the_plans_is_blamed() {
        announcing(|world| {
            world.run_until(4 * SECOND);
            assert!(world.trace().totals.sent > 100);
            assert_eq!(blamed(world, Rule::OutsideHopset), 0);
        });
        announcing(|world| {
            for hopset in world.hopsets.values_mut() {
                *hopset = hopset.iter().step_by(2).collect();
            }
            world.run_until(4 * SECOND);
            let (outside, sent) = (blamed(world, Rule::OutsideHopset), world.trace().totals.sent);
            assert!(0 < outside && outside < sent, "{outside} of {sent}");
            assert_eq!(outside, world.trace().totals.outside_hopset);
        });
    }

    /// A station that speaks is in step by its own account; its clock may say otherwise.
    #[test]
    fn a_home_transmission_without_a_grip_on_time_is_blamed() {
        announcing(|world| {
            world.run_until(2 * SECOND);
            assert!(world.nodes[1].station.in_step());
            world.judge_transmission(1, (true, false), false);
            assert_eq!(blamed(world, Rule::OutOfStep), 0);
            // (The timekeeper's time is true by definition.) It is not asked again for ten years, so it has
            // not noticed.
            world.now += 3_650 * 86_400 * SECOND;
            assert!(world.nodes[1].station.in_step());
            world.judge_transmission(1, (true, false), false);
            assert_eq!(blamed(world, Rule::OutOfStep), 1);
            world.judge_transmission(1, (true, true), false);
            assert_eq!(blamed(world, Rule::OutOfStep), 1, "a single channel needs no time");
        });
    }
}
