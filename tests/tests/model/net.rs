//! Three stations on one medium, and where somebody has a choice.
//!
//! Between two choices everything takes its course, in the order in which a driver would see it:
//! at one instant receptions come before polls. Propagation takes no time and clocks are exact,
//! so that equal situations are met again as the same state; that clocks drift apart is the
//! business of the simulator's soak.

use super::bounds::Bounds;
use super::choice::{Budget, Choice, FATES, Fate, Flight, Found, Open, Replay, STATIONS, Seen};
use super::seat::{Invariant, Outcome, SLOT_US, Seat, timing};
use hopwright_core::address::Target;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Command, Dropped, Event, Heard, Radio, Reception, Watermark};
use hopwright_core::timing::WORD_BITS;
use std::hash::{DefaultHasher, Hash, Hasher};

/// Choices are made a little into a slot.
const WITHIN_SLOT_US: u64 = 50_000;

/// The net.
#[derive(Clone)]
pub(crate) struct Net {
    now: u64,
    end: u64,
    /// The next instant at which operators may act.
    turn: u64,
    seats: [Seat; STATIONS],
    flights: Vec<Flight>,
    replays: Vec<Replay>,
    /// Whose operator has the key pressed.
    pressed: [bool; STATIONS],
    budget: Budget,
    /// Net time less true time of every timeline that was started.
    started: Vec<i64>,
    open: Option<Open>,
    seen: Seen,
    broken: Option<Invariant>,
    /// Everything above, in short.
    print: u64,
}

impl PartialEq for Net {
    fn eq(&self, other: &Self) -> bool {
        self.print == other.print
    }
}

impl Hash for Net {
    fn hash<H: Hasher>(&self, hasher: &mut H) {
        hasher.write_u64(self.print);
    }
}

enum Wake {
    Ends(usize),
    Word(usize),
    Replay(usize),
    Poll(usize),
    Turn,
    End,
}

impl Net {
    /// The net at the first choice.
    pub(crate) fn start(bounds: &Bounds) -> Self {
        let seat = |i: u8| Seat::new(i, bounds.tolerance_ppb, bounds.plant);
        let mut net = Self {
            now: 1_000_000,
            end: 0,
            turn: u64::MAX,
            seats: [seat(0), seat(1), seat(2)],
            flights: Vec::new(),
            replays: Vec::new(),
            pressed: [false; STATIONS],
            budget: Budget::default(),
            started: Vec::new(),
            open: None,
            seen: Seen::default(),
            broken: None,
            print: 0,
        };
        net.run(bounds, 2);
        if bounds.in_step {
            net.announce();
            net.run(bounds, 14);
            assert!(net.seats.iter().all(|seat| seat.core.in_step()), "the net is in step");
        }
        if bounds.late {
            net.seats[2].power_cycle(Watermark::Fresh);
        }
        net.run(bounds, bounds.silence + 1);
        assert_eq!(net.broken, None, "before the first choice");
        net.seen = Seen::default();
        net.budget = Budget {
            faults: bounds.faults,
            presses: bounds.presses,
            announces: bounds.announces,
            cycles: bounds.cycles,
        };
        net.turn = net.now + WITHIN_SLOT_US;
        net.end = net.now + bounds.slots * SLOT_US;
        net.advance(bounds);
        net
    }

    /// Lets so many slots pass without any choice.
    fn run(&mut self, bounds: &Bounds, slots: u64) {
        self.end = self.now + slots * SLOT_US;
        self.advance(bounds);
        self.now = self.end;
    }

    pub(crate) fn broken(&self, invariant: Invariant) -> bool {
        self.broken == Some(invariant)
    }

    pub(crate) const fn seen(&self, what: Seen) -> bool {
        self.seen.contains(what)
    }

    /// The choices that there are.
    pub(crate) fn choices(&self, list: &mut Vec<Choice>) {
        match &self.open {
            None => {}
            Some(Open::Transmission(_, listeners)) => self.fates(listeners, list),
            Some(Open::Operators) => {
                list.push(Choice::Pass);
                for node in 0..STATIONS {
                    if self.pressed[node] {
                        list.push(Choice::Release(node));
                    } else if self.budget.presses > 0 {
                        list.push(Choice::Press(node));
                    }
                    if self.budget.cycles > 0 {
                        list.push(Choice::Cycle(node, Found::Kept));
                        // A new timekeeper needs a new plan.
                        let other = if node == 0 { Found::Lost } else { Found::New };
                        list.push(Choice::Cycle(node, other));
                    }
                }
                if self.budget.announces > 0 {
                    list.push(Choice::Announce);
                }
            }
        }
    }

    /// Every fate for every listener that the budget allows.
    fn fates(&self, listeners: &[usize], list: &mut Vec<Choice>) {
        let mut partial = vec![([Fate::Delivered; STATIONS], 0)];
        for listener in listeners {
            let mut next = Vec::new();
            for (fates, spent) in &partial {
                for fate in FATES {
                    let spent = spent + u8::from(fate != Fate::Delivered);
                    if spent <= self.budget.faults {
                        let mut fates = *fates;
                        fates[*listener] = fate;
                        next.push((fates, spent));
                    }
                }
            }
            partial = next;
        }
        list.extend(partial.into_iter().map(|(fates, _)| Choice::Fates(fates)));
    }

    /// Makes a choice and lets everything take its course until the next.
    pub(crate) fn choose(&mut self, bounds: &Bounds, choice: Choice) {
        let open = self.open.take();
        // What this choice leads to: a state tells nothing of its past that does not matter.
        self.seen = Seen::default();
        match choice {
            Choice::Pass => {}
            Choice::Press(node) => {
                if bounds.pressers >> node & 1 == 1
                    && self.command(node, Command::Press(Target::ALL))
                {
                    self.budget.presses -= 1;
                    self.pressed[node] = true;
                }
            }
            Choice::Release(node) => self.release(node),
            Choice::Announce => {
                self.budget.announces -= 1;
                self.announce();
            }
            Choice::Cycle(node, found) => {
                self.budget.cycles -= 1;
                self.pressed[node] = false;
                // What it was sending ends there.
                self.flights.retain(|flight| flight.from != node);
                let storage = match found {
                    Found::Kept => self.seats[node].storage,
                    Found::New => Watermark::Fresh,
                    Found::Lost => Watermark::Lost,
                };
                self.seats[node].power_cycle(storage);
            }
            Choice::Fates(fates) => {
                if let Some(Open::Transmission(flight, listeners)) = open {
                    let wrong = fates.iter().filter(|fate| **fate != Fate::Delivered).count();
                    self.budget.faults -= u8::try_from(wrong).expect("at most three");
                    for listener in listeners {
                        self.deliver(listener, &flight, fates[listener]);
                    }
                }
            }
        }
        self.advance(bounds);
    }

    /// Lets everything take its course until somebody has a choice.
    fn advance(&mut self, bounds: &Bounds) {
        let mut polls_at_once = 0;
        while self.broken.is_none() && self.open.is_none() {
            let (at, wake) = self.next();
            polls_at_once = if at == self.now { polls_at_once + 1 } else { 0 };
            assert!(polls_at_once < 100, "no progress at {at}");
            self.now = at;
            match wake {
                Wake::Poll(node) => self.poll(node),
                Wake::Word(flight) => self.recognise(flight),
                Wake::Ends(flight) => self.ends(flight),
                Wake::Replay(replay) => self.play(replay),
                Wake::Turn => self.take_turn(bounds),
                Wake::End => break,
            }
        }
        let mut hasher = DefaultHasher::new();
        (self.now, self.turn, &self.seats, &self.flights, &self.replays).hash(&mut hasher);
        (self.pressed, self.budget, &self.started, &self.open).hash(&mut hasher);
        (self.seen, self.broken).hash(&mut hasher);
        self.print = hasher.finish();
    }

    fn next(&self) -> (u64, Wake) {
        let flights = self.flights.iter().enumerate().map(|(i, f)| match f.listeners {
            Some(_) => (f.ends, 0, Wake::Ends(i)),
            None => (f.recognised, 1, Wake::Word(i)),
        });
        let replays = self.replays.iter().enumerate().map(|(i, r)| (r.due, 2, Wake::Replay(i)));
        let polls = self.seats.iter().enumerate().map(|(i, seat)| {
            let until = seat.action.map_or(self.now, |action| seat.world(action.until));
            (until.max(self.now), 3, Wake::Poll(i))
        });
        let others = [(self.turn, 4, Wake::Turn), (self.end, 5, Wake::End)];
        let all = flights.chain(replays).chain(polls).chain(others);
        let (at, _, wake) = all.min_by_key(|(at, order, _)| (*at, *order)).expect("a station");
        (at, wake)
    }

    fn take_turn(&mut self, bounds: &Bounds) {
        let last = self.end - bounds.slots * SLOT_US + bounds.until * SLOT_US;
        self.turn += bounds.every * SLOT_US;
        if self.now > last {
            // Nobody goes on for ever.
            self.turn = u64::MAX;
            (0..STATIONS)
                .filter(|n| self.pressed[*n])
                .collect::<Vec<_>>()
                .into_iter()
                .for_each(|node| self.release(node));
            return;
        }
        let Budget { presses, announces, cycles, .. } = self.budget;
        if presses + announces + cycles > 0 || self.pressed.contains(&true) {
            self.open = Some(Open::Operators);
        }
    }

    fn poll(&mut self, node: usize) {
        let before = self.seats[node].action;
        let outcome = self.seats[node].poll(self.now);
        self.note(node, &outcome);
        let seat = &self.seats[node];
        let Some(action) = seat.action else { return };
        let Radio::Transmit { channel, word, at } = action.radio else { return };
        if before.is_some_and(|before| before.radio == action.radio) {
            return;
        }
        let bits = seat.core.burst().to_vec();
        let starts = seat.world(at);
        let recognised = starts + timing().air_time(WORD_BITS).us();
        let body = u32::try_from(bits.len()).expect("short") * 8;
        let ends = recognised + timing().air_time(body).us();
        let listeners = None;
        let from = node;
        self.flights.push(Flight {
            from,
            channel,
            word,
            bits,
            starts,
            recognised,
            ends,
            listeners,
        });
    }

    fn waits_for(&self, node: usize, flight: &Flight) -> bool {
        let radio = self.seats[node].action.map(|action| action.radio);
        let Some(Radio::Listen { channel, word, complement }) = radio else { return false };
        let fits = word == flight.word || (complement && !word == flight.word);
        channel == flight.channel && fits && node != flight.from
    }

    fn recognise(&mut self, flight: usize) {
        let heard = (0..STATIONS).filter(|n| self.waits_for(*n, &self.flights[flight])).collect();
        self.flights[flight].listeners = Some(heard);
    }

    fn ends(&mut self, flight: usize) {
        let flight = self.flights.remove(flight);
        let mut listeners = flight.listeners.clone().unwrap_or_default();
        listeners.retain(|node| self.waits_for(*node, &flight));
        if self.budget.faults > 0 && !listeners.is_empty() {
            self.open = Some(Open::Transmission(flight, listeners));
            return;
        }
        for node in listeners {
            self.deliver(node, &flight, Fate::Delivered);
        }
    }

    fn deliver(&mut self, node: usize, flight: &Flight, fate: Fate) {
        let header = flight.bits.len() < timing().bytes();
        if matches!(fate, Fate::Delayed | Fate::Replayed) {
            self.replays.push(Replay {
                to: node,
                due: self.now + SLOT_US,
                length: flight.ends - flight.starts,
                header,
                bits: flight.bits.clone(),
            });
        }
        if matches!(fate, Fate::Lost | Fate::Delayed) {
            return;
        }
        let mut bits = flight.bits.clone();
        if fate == Fate::Corrupted {
            bits.iter_mut().step_by(2).for_each(|byte| *byte = !*byte);
        }
        let at = self.seats[node].local(flight.starts);
        let (channel, word) = (flight.channel, flight.word);
        let times = if fate == Fate::Twice { 2 } else { 1 };
        for time in 0..times {
            let honest = fate != Fate::Corrupted && time == 0;
            let reception = Reception { channel, word, at, bits: &bits };
            self.hear(node, reception, honest);
        }
        self.poll(node);
    }

    /// An opponent plays a recording where the listener listens now, with the word that it waits
    /// for now.
    fn play(&mut self, replay: usize) {
        let Replay { to, length, header, bits, .. } = self.replays.remove(replay);
        let radio = self.seats[to].action.map(|action| action.radio);
        let Some(Radio::Listen { channel, word, complement }) = radio else { return };
        let word = if header && complement { !word } else { word };
        let at = self.seats[to].local(self.now - length);
        self.hear(to, Reception { channel, word, at, bits: &bits }, false);
        self.poll(to);
    }

    fn hear(&mut self, node: usize, reception: Reception<'_>, honest: bool) {
        let followed = self.seats[node].follows_cut_in();
        let had_time = self.seats[node].core.in_step();
        let (heard, outcome) = self.seats[node].hear(self.now, reception, honest);
        match heard {
            Heard::Payload { .. } => self.seen = self.seen | Seen::PAYLOAD,
            Heard::Dropped(Dropped::Replayed) => self.seen = self.seen | Seen::REFUSED,
            Heard::Header { timeline: Timeline::CutIn, .. } if had_time && !followed => {
                self.seen = self.seen | Seen::FOLLOWED;
            }
            _ => {}
        }
        self.note(node, &outcome);
    }

    fn command(&mut self, node: usize, command: Command) -> bool {
        let (answer, outcome) = self.seats[node].command(self.now, command);
        self.note(node, &outcome);
        self.poll(node);
        answer.is_ok()
    }

    fn release(&mut self, node: usize) {
        // Refused, the over is over for another reason.
        self.command(node, Command::Release);
        self.pressed[node] = false;
    }

    fn announce(&mut self) {
        let had_time = self.seats[0].core.in_step();
        let (answer, outcome) = self.seats[0].command(self.now, Command::Announce);
        if answer.is_ok() && !had_time {
            let seat = &self.seats[0];
            let clock = seat.core.clock().expect("a timekeeper's clock");
            let net = clock.net_us(seat.local(self.now));
            self.started.push(net - self.now.cast_signed());
            if self.started.len() > 1 {
                self.seen = self.seen | Seen::SECOND;
            }
        }
        self.note(0, &outcome);
        self.poll(0);
    }

    /// Takes note of what came of a call.
    fn note(&mut self, node: usize, outcome: &Outcome) {
        for event in &outcome.events {
            self.seen = self.seen
                | match event {
                    Event::AnnounceHeard { .. } => Seen::ANNOUNCE,
                    Event::Call { .. } => Seen::CALL,
                    Event::Coasting { .. } => Seen::COASTED,
                    Event::Clear { .. } if outcome.returned => Seen::RETURNED,
                    Event::Clear { .. } => Seen::CLEAR,
                    _ => Seen::default(),
                };
        }
        self.broken = self.broken.or(outcome.broken);
        if self.broken.is_none() && !self.seats[node].bound_holds(self.now, &self.started) {
            self.broken = Some(Invariant::Bound);
        }
    }
}
