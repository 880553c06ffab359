//! Proves, over random plans and random treatment, what a station may never do (specification
//! section 12, invariants 1, 2 and 7, and the driver's part in the documentation of
//! `hopwright_core::station::Station`). Common practice, no further source.
//!
//! Asserted after every poll, whatever happened before:
//!
//! * Invariant 1: a transmission is on a channel of the hopset that no exclusion covers.
//! * Invariant 2: when a transmission is first ordered, the station is in step, and the spread of its clock
//!   is no more than the 1024 slots with which a station may still be found (section 6: it need not be locked: whoever
//!   holds the floor is followed, and whoever takes it adrift gathers those who search). What it sends is its own header for the slot under way, or payload. Payload only
//!   if the last of the operator's events was a go-ahead: none between `HoldOff` and `GoAhead`,
//!   none after a release. No closing header in hold-off either. Announces only from a
//!   timekeeper.
//! * Invariant 7: no panic; the next deadline lies ahead after a few polls at one instant;
//!   `poll_by` is no earlier than `until`.
//! * No slot carries two different payloads, as their keystreams would be the same (RFC 8439
//!   section 4 on nonces), as long as time does not run backwards.
//!
//! Runs are fixed by the seed in [`config`]; a failure prints the plan's seed and the steps.

use hopwright_core::header::{HeaderKeys, Kind};
use hopwright_core::record::Input;
use hopwright_core::sequence::{Cursor, SlotKind, Timeline};
use hopwright_core::station::{Action, Command, Event, Radio, Role, Station};
use hopwright_core::units::{Micros, Slot, Tick};
use hopwright_tests::bench::{Bed, Bench, Plan, ROOM};
use hopwright_tests::plans::timing;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::collections::BTreeMap;

fn config() -> ProptestConfig {
    ProptestConfig {
        cases: 1_000,
        rng_seed: RngSeed::Fixed(0x5747_1001),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

/// What happens to a station, as numbers that [`Bench::drive`] reads.
fn steps() -> impl Strategy<Value = Vec<u64>> {
    proptest::collection::vec(any::<u64>(), 0..250)
}

/// One station and what it has said.
struct Watched {
    station: Station<ROOM>,
    keys: HeaderKeys,
    plan: Plan,
    action: Option<Action>,
    /// Between `HoldOff` and `GoAhead`.
    held_off: bool,
    /// The operator was told to go ahead, and has not released since.
    may_talk: bool,
    /// The last thing that it sent was an announce.
    announcing: bool,
    opening: Opening,
    payloads: BTreeMap<u32, Vec<u8>>,
    monotone: bool,
    /// When the station was first asked anything.
    first_asked: Option<Tick>,
    seen: Seen,
}

/// What the headers of an over have told of how it opens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Opening {
    /// Nothing, or no more than that its run is long.
    Unknown,
    /// With a run up to there.
    Run { end: Slot },
    /// Its run is over, if there was one.
    Called,
}

/// What a run has met, to know that the runs together meet everything.
#[derive(Debug, Default, Clone, Copy)]
struct Seen {
    headers: u32,
    payloads: u32,
    announces: u32,
    in_step: u32,
    cut: u32,
    calls: u32,
    cut_in_headers: u32,
    cut_in_payloads: u32,
    closed_runs: u32,
}

impl Watched {
    fn new(seed: u64, monotone: bool) -> Self {
        let plan = Plan::random(seed);
        Self {
            station: plan.station(),
            keys: plan.header_keys(),
            plan,
            action: None,
            held_off: false,
            may_talk: false,
            announcing: false,
            opening: Opening::Unknown,
            payloads: BTreeMap::new(),
            monotone,
            first_asked: None,
            seen: Seen::default(),
        }
    }

    fn events(&mut self) {
        while let Some(event) = self.station.next_event() {
            match event {
                Event::HoldOff => {
                    (self.held_off, self.may_talk) = (true, false);
                    self.opening = Opening::Unknown;
                }
                Event::GoAhead { .. } => {
                    assert!(self.held_off, "a go-ahead that nobody waits for");
                    (self.held_off, self.may_talk) = (false, true);
                }
                Event::Cut { .. } => {
                    self.seen.cut += 1;
                    self.may_talk = false;
                    // A wish outlives an announce that was cut.
                    self.held_off &= self.announcing;
                }
                Event::InStep { .. } => self.seen.in_step += 1,
                Event::Call { .. } => self.seen.calls += 1,
                Event::OutOfStep
                | Event::AnnounceHeard { .. }
                | Event::Busy { .. }
                | Event::Clear { .. }
                | Event::SaveWatermark { .. }
                | Event::TimelineEnded
                | _ => {}
            }
        }
    }

    fn poll(&mut self, now: Tick) {
        let action = self.station.poll(now);
        self.events();
        assert!(action.poll_by >= action.until, "{action:?}");
        let new = self.action.replace(action) != Some(action);
        if new && let Radio::Transmit { .. } = action.radio {
            self.transmission(now, action);
        }
        if action.until <= now {
            let settled = (0..4).any(|_| self.station.poll(now).until > now);
            assert!(settled, "no deadline ahead of {now:?}: {action:?}");
            self.action = Some(self.station.poll(now));
            self.events();
        }
    }

    fn transmission(&mut self, now: Tick, action: Action) {
        let Radio::Transmit { channel, word, at } = action.radio else { return };
        // Invariant 1.
        assert!(self.plan.hopset.contains(channel), "{channel} is not in the hopset");
        assert!(self.plan.band.allowed.contains(channel), "{channel} is not allowed");
        assert!(!self.plan.band.excluded.contains(channel), "{channel} is excluded");
        assert!(at >= now && at < action.until, "{action:?} at {now:?}");
        if self.station.cuts_in() {
            self.cut_in(word);
            return;
        }
        // Invariant 2.
        assert!(self.station.in_step() && self.station.holds_floor());
        let clock = self.station.clock().expect("a clock");
        // Within the limit for those who speak, and no further.
        let spread = clock.spread(now);
        assert!(spread <= Micros::new(1_024 * timing().slot().us()), "{spread:?}");
        let slot = self.station.slot(now).expect("in step");
        let sequence = self.station.sequence();
        let hop = Cursor::new(sequence, Timeline::Home).hop(sequence, slot);
        let bits = self.station.burst();
        let header = bits.first_chunk().and_then(|b| self.keys.from_bits(b, self.plan.stream()));
        let Some(header) = header else {
            let may_talk = self.may_talk && !self.held_off;
            assert!(may_talk || !self.monotone, "payload without a go-ahead");
            assert_eq!((hop.kind, hop.channel, hop.word), (SlotKind::Traffic, channel, word));
            let before = self.payloads.insert(slot.number(), bits.to_vec());
            let repeated = before.is_some_and(|before| before != bits);
            assert!(!self.monotone || !repeated, "slot {slot} carries two payloads");
            self.seen.payloads += 1;
            return;
        };
        assert_eq!((header.slot, header.source), (slot, self.plan.address));
        self.announcing = header.kind == Kind::Announce;
        let run = Cursor::new(sequence, Timeline::Home).run_hop(sequence, slot);
        let is_run_hop = (run.channel, run.word) == (channel, word);
        match header.kind {
            Kind::Announce => {
                // A deputy only after the silence that it was told to wait for.
                match self.plan.role {
                    Role::Timekeeper => {}
                    Role::Deputy { after } => {
                        let waited = self.first_asked.and_then(|first| now.since(first));
                        assert!(waited >= Some(after) || !self.monotone, "{waited:?}");
                    }
                    role @ (Role::Member | _) => panic!("{role:?} announces"),
                }
                self.seen.announces += 1;
            }
            // The end of an over that was released in its own run, which its followers go on with.
            Kind::Closing if self.closes_a_run(slot, is_run_hop) => {
                assert!(is_run_hop, "{slot} on {channel}");
                assert!(!self.held_off, "closing in hold-off");
                self.seen.closed_runs += 1;
            }
            Kind::Over | Kind::Closing => {
                assert_eq!(hop.channel, channel);
                let traffic = hop.kind == SlotKind::Traffic;
                assert_eq!(word, if traffic { !hop.word } else { hop.word });
                assert!(header.kind == Kind::Over || !self.held_off, "closing in hold-off");
                if header.kind == Kind::Over {
                    self.opening = Opening::Called;
                }
                self.seen.headers += 1;
            }
            // A run for newcomers, or to gather a net after a long silence: every slot of it is a
            // sync slot.
            Kind::LeadIn => {
                let left = header.countdown;
                let end = slot.plus(u32::from(left)).plus(1);
                self.opening = if left < 15 { Opening::Run { end } } else { Opening::Unknown };
                assert_eq!(word, sequence.sync_word());
                assert!(sequence.rendezvous().any(|c| c == channel), "{channel}");
                self.seen.headers += 1;
            }
            other @ (Kind::CutIn | Kind::Rekey | _) => {
                panic!("a station of this version sent {other:?}")
            }
        }
    }
}

impl Watched {
    /// Whether a closing header in `slot` ends a run: for certain, or as it `seems`.
    fn closes_a_run(&self, slot: Slot, seems: bool) -> bool {
        match self.opening {
            Opening::Unknown => seems,
            Opening::Run { end } => slot < end,
            Opening::Called => false,
        }
    }

    /// A transmission of a station without time: on the cut-in timeline, and only for an operator
    /// who has pressed.
    fn cut_in(&mut self, word: u32) {
        assert!(!self.station.in_step() && self.station.holds_floor());
        let stream = self.plan.stream() | Timeline::CutIn.bit();
        let bits = self.station.burst();
        let header = bits.first_chunk().and_then(|bits| self.keys.from_bits(bits, stream));
        match header {
            Some(header) => {
                assert_eq!(header.source, self.plan.address);
                assert!(matches!(header.kind, Kind::CutIn | Kind::Closing), "{header:?}");
                assert!(header.kind == Kind::CutIn || !self.held_off, "closing in hold-off");
                self.seen.cut_in_headers += 1;
            }
            None => {
                let may_talk = self.may_talk && !self.held_off;
                assert!(may_talk || !self.monotone, "payload without a go-ahead");
                assert_ne!(word, self.station.sequence().sync_word());
                self.seen.cut_in_payloads += 1;
            }
        }
    }
}

impl Bed for Watched {
    fn feed(&mut self, input: Input<'_>) {
        if let Input::Poll(now) | Input::Command(now, _) = input {
            let _ = self.first_asked.get_or_insert(now);
        }
        match input {
            Input::Poll(now) => self.poll(now),
            Input::Heard(now, reception) => {
                let _ = self.station.heard(now, reception);
            }
            Input::Energy(now, channel, level) => self.station.energy(now, channel, level),
            Input::Command(now, command) => {
                let done = self.station.command(now, command).is_ok();
                self.events();
                if done && command == Command::Release {
                    (self.held_off, self.may_talk) = (false, false);
                }
            }
            Input::Payload(bytes) => {
                let _ = self.station.queue_payload(bytes);
            }
            Input::Order(now, order) => {
                let _ = self.station.take_order(now, order);
            }
            other => panic!("no input {other:?}"),
        }
        self.events();
    }

    fn action(&self) -> Option<Action> {
        self.action
    }

    fn station(&self) -> &Station<ROOM> {
        &self.station
    }
}

fn run(plan: u64, steps: &[u64], backwards: bool) -> Seen {
    let mut bench = Bench::new(Plan::random(plan), plan);
    (bench.hostile, bench.backwards) = (true, backwards);
    let mut watched = Watched::new(plan, !backwards);
    for step in steps {
        bench.drive(*step, &mut watched);
    }
    watched.seen
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn whatever_happens_a_station_keeps_to_its_plan(plan: u64, steps in steps()) {
        run(plan, &steps, false);
    }

    /// The same when the driver breaks its promise about time.
    #[test]
    fn a_clock_that_runs_backwards_breaks_no_promise(plan: u64, steps in steps()) {
        run(plan, &steps, true);
    }

    /// At the end of the clock's range nothing need work, but nothing may panic.
    #[test]
    fn absurd_times_are_survived(plan: u64, times in proptest::collection::vec(any::<u64>(), 1..40)) {
        let plan = Plan::random(plan);
        let mut station = plan.station();
        for (i, us) in times.iter().enumerate() {
            let now = Tick::new(us >> (us % 7 * 5));
            let action = station.poll(now);
            let target = hopwright_core::address::Target::ALL;
            let command = [Command::Announce, Command::Press(target), Command::Release][i % 3];
            let _ = station.command(now, command);
            if let Radio::Listen { channel, word, .. } = action.radio {
                station.energy(now, channel, hopwright_core::units::Dbm::new(i16::MAX));
                let header = plan.header_keys().to_bits(
                    hopwright_core::header::Header {
                        slot: Slot::new(us.to_le_bytes()[0].into()),
                        source: plan.address,
                        target,
                        kind: Kind::Announce,
                        quality: hopwright_core::header::Quality::of(Micros::ZERO),
                        countdown: 15,
                    },
                    plan.stream(),
                );
                let at = Tick::new(us.rotate_left(17));
                let reception = hopwright_core::station::Reception { channel, word, at, bits: &header };
                let _ = station.heard(now, reception);
            }
            let _ = station.poll(now);
            let _ = station.poll(Tick::MAX);
        }
    }

    /// "Calling it early or again changes nothing": the same answer, and no event.
    #[test]
    fn early_and_repeated_polls_change_nothing(plan: u64, steps in steps(), early: u64) {
        let mut bench = Bench::new(Plan::random(plan), plan);
        let mut watched = Watched::new(plan, true);
        let mut plain = Watched::new(plan, true);
        let mut same = Bench::new(Plan::random(plan), plan);
        for step in &steps {
            bench.drive(*step, &mut watched);
            same.drive(*step, &mut plain);
            prop_assert_eq!(watched.action, plain.action);
            prop_assert_eq!(watched.station.clock(), plain.station.clock());
            let action = watched.action.expect("polled");
            let room = action.until.since(bench.now).map_or(0, Micros::us);
            if room == 0 {
                continue;
            }
            for part in [0, early % room, room - 1] {
                let again = watched.station.poll(bench.now.plus(Micros::new(part)));
                prop_assert_eq!(again, action, "{} us early", room - part);
                prop_assert_eq!(watched.station.next_event(), None);
            }
        }
    }

    /// "Polls before `poll_by` may be skipped": one station is polled at every deadline, the other
    /// only when it must be; at common instants they agree, and they have told the same.
    #[test]
    fn skipped_polls_are_not_missed(
        plan: u64,
        spans in proptest::collection::vec((0_u64..30_000_000, any::<u64>()), 1..12),
    ) {
        let mut bench = Bench::new(Plan::random(plan), plan);
        let mut pair = Pair::new(&bench);
        for step in 0..20 {
            bench.drive(plan.wrapping_add(step), &mut pair);
        }
        for (span, step) in spans {
            let end = bench.now.plus(Micros::new(span));
            let diligent = sleep(&mut pair.diligent, bench.now, end, |action| action.until);
            let lazy = sleep(&mut pair.lazy, bench.now, end, |action| action.poll_by);
            bench.now = end;
            prop_assert_eq!(diligent, lazy, "up to {:?}", end);
            pair.action = Some(pair.diligent.poll(end));
            bench.drive(step, &mut pair);
            prop_assert_eq!(pair.diligent.clock(), pair.lazy.clock());
        }
    }
}

/// Two equal stations with the same inputs.
struct Pair {
    diligent: Station<ROOM>,
    lazy: Station<ROOM>,
    action: Option<Action>,
}

impl Pair {
    fn new(bench: &Bench) -> Self {
        let plan = bench.plan();
        Self { diligent: plan.station(), lazy: plan.station(), action: None }
    }
}

impl Bed for Pair {
    fn feed(&mut self, input: Input<'_>) {
        let (mut diligent, mut lazy) = (Vec::new(), Vec::new());
        let mut sink = |bytes: &[u8]| diligent.extend_from_slice(bytes);
        hopwright_core::record::apply(&mut self.diligent, input, &mut sink);
        let mut sink = |bytes: &[u8]| lazy.extend_from_slice(bytes);
        hopwright_core::record::apply(&mut self.lazy, input, &mut sink);
        assert_eq!(diligent, lazy, "{input:?}");
        if let Input::Poll(now) = input {
            self.action = Some(self.diligent.poll(now));
        }
    }

    fn action(&self) -> Option<Action> {
        self.action
    }

    fn station(&self) -> &Station<ROOM> {
        &self.diligent
    }
}

/// Polls from `from` to `end` when `due` says; the last answer, its bits, and all events.
fn sleep(
    station: &mut Station<ROOM>,
    from: Tick,
    end: Tick,
    due: impl Fn(&Action) -> Tick,
) -> (Action, Vec<u8>, Vec<Event>) {
    let (mut now, mut events) = (from, Vec::new());
    for _ in 0..100_000 {
        let action = station.poll(now);
        events.extend(std::iter::from_fn(|| station.next_event()));
        if now >= end {
            return (action, station.burst().to_vec(), events);
        }
        now = due(&action).max(now.plus(Micros::new(1))).min(end);
    }
    panic!("no end at {now:?}")
}

/// The runs above are worth something only if they meet what they are about.
#[test]
fn the_bench_gets_stations_to_do_everything() {
    let mut all = Seen::default();
    for plan in 0..300_u64 {
        let steps: Vec<u64> =
            (0..150).map(|i| plan.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ i).collect();
        let seen = run(plan, &steps, false);
        all.headers += seen.headers;
        all.payloads += seen.payloads;
        all.announces += seen.announces;
        all.in_step += seen.in_step;
        all.cut += seen.cut;
        all.calls += seen.calls;
        all.cut_in_headers += seen.cut_in_headers;
        all.cut_in_payloads += seen.cut_in_payloads;
        all.closed_runs += seen.closed_runs;
    }
    println!("{all:?}");
    let Seen { headers, payloads, announces, in_step, cut, calls, .. } = all;
    assert!(all.closed_runs > 0, "{all:?}");
    assert!(all.cut_in_headers > 100 && all.cut_in_payloads > 0, "{all:?}");
    let least = [headers, payloads, announces, in_step, cut, calls].into_iter().min();
    assert!(least >= Some(20), "{all:?}");
}
