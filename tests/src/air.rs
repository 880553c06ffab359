//! Stations that hear each other on a clean channel, with clocks that started at different times.
//!
//! A transmission reaches every station that listens to its channel and word when it begins.

use crate::plans::{Make, key, timing};
use hopwright_core::address::Target;
use hopwright_core::header::{Header, HeaderKeys};
use hopwright_core::station::{
    Action, CALL_SLOTS, CLOSING_SLOTS, CUT_IN_PATIENCE, CUT_IN_SLOTS, Command, Event, Heard,
    Payload, Radio, Reception, Refused, Station,
};
use hopwright_core::timing::WORD_BITS;
use hopwright_core::units::{Channel, Slot, Tick};
use std::collections::VecDeque;

/// A slot, in microseconds.
pub const SLOT_US: u64 = 20_000;

/// One station and what its driver keeps for it.
#[derive(Debug)]
pub struct Node {
    /// The station.
    pub station: Station<128>,
    /// What its clock showed when the world began.
    pub epoch: u64,
    /// By how much its clock is fast, in parts in 10^9.
    pub ppb: i32,
    /// What it does.
    pub action: Option<Action>,
    /// It hears nothing before this time of the world.
    pub deaf_until: u64,
    /// Payloads to be said.
    pub outbox: VecDeque<Vec<u8>>,
    /// What it told.
    pub events: Vec<Event>,
    /// What became of what it heard.
    pub heard: Vec<Heard>,
    /// What it read.
    pub payloads: Vec<Vec<u8>>,
    /// What may be part of something whole that it read: payload by payload.
    pub parts: Vec<(Payload, Vec<u8>)>,
}

impl Node {
    fn local(&self, at: u64) -> Tick {
        let gained = i128::from(at) * i128::from(self.ppb) / 1_000_000_000;
        Tick::new((at + self.epoch).saturating_add_signed(i64::try_from(gained).expect("small")))
    }

    /// The world's time when its clock shows so much; the beginning of the world if that was before.
    fn world(&self, local: Tick) -> u64 {
        let mut at = local.us().saturating_sub(self.epoch);
        if self.ppb != 0 && at < 1 << 60 {
            let apart = |at: u64| i128::from(local.us()) - i128::from(self.local(at).us());
            while apart(at) != 0 {
                let step = i64::try_from(apart(at)).expect("small");
                at = at.saturating_add_signed(step);
                if step == 1 && apart(at) < 0 {
                    break;
                }
            }
        }
        at
    }
}

/// Something on the air.
#[derive(Debug, Clone)]
pub struct Flight {
    /// Who sends.
    pub from: usize,
    /// Where.
    pub channel: Channel,
    /// The unique word.
    pub word: u32,
    /// What follows it.
    pub bits: Vec<u8>,
    /// When the unique word starts.
    pub starts: u64,
    /// When it has been recognised.
    pub recognised: u64,
    /// When all bits are in.
    pub ends: u64,
    /// Who listens; known once the word has been recognised.
    pub listeners: Option<Vec<usize>>,
}

/// Stations, and the air between them.
#[derive(Debug)]
pub struct World {
    /// Its time.
    pub now: u64,
    /// The stations.
    pub nodes: Vec<Node>,
    flights: Vec<Flight>,
    /// Everything that was on the air.
    pub log: Vec<Flight>,
}

enum Wake {
    Bits(usize),
    Word(usize),
    Poll(usize),
}

impl World {
    /// A world of stations under key 1, switched on.
    #[must_use]
    pub fn new(makes: &[Make]) -> Self {
        Self::of(makes.iter().map(|make| make.station(&key(1))).collect())
    }

    /// A world of these stations, switched on.
    #[must_use]
    pub fn of(stations: Vec<Station<128>>) -> Self {
        let node = |(i, station): (u64, Station<128>)| Node {
            station,
            epoch: 3_456_789 * i,
            ppb: 0,
            action: None,
            deaf_until: 0,
            outbox: VecDeque::new(),
            events: Vec::new(),
            heard: Vec::new(),
            payloads: Vec::new(),
            parts: Vec::new(),
        };
        let nodes = (0..).zip(stations).map(node).collect();
        Self { now: 1_000_000, nodes, flights: Vec::new(), log: Vec::new() }
    }

    /// Station 0 announces; all are in step then and idle, and what has happened so far is forgotten.
    ///
    /// # Panics
    /// If it may not, or somebody has not heard it.
    #[track_caller]
    pub fn bring_into_step(&mut self) {
        self.run_slots(3);
        self.command(0, Command::Announce).expect("a timekeeper");
        // The announce, and the two frames behind a run in which nobody begins.
        self.run_slots(230);
        for (number, node) in self.nodes.iter().enumerate() {
            assert!(node.station.in_step(), "station {number}");
        }
        self.forget();
    }

    /// A station without time presses, where nobody speaks: two seconds of patience, the run of six,
    /// and it may talk.
    ///
    /// # Panics
    /// If it may not press.
    #[track_caller]
    pub fn cut_in(&mut self, number: usize) {
        self.command(number, Command::Press(Target::ALL)).expect("nobody speaks");
        self.run_slots(CUT_IN_PATIENCE.us() / SLOT_US + u64::from(CUT_IN_SLOTS) + 10);
    }

    /// A station's clock at a time of the world.
    #[must_use]
    pub fn local(&self, node: usize, at: u64) -> Tick {
        self.nodes[node].local(at)
    }

    /// The earliest thing to happen; at equal times receptions come before polls, as the driver's
    /// part asks, and lower numbers before higher ones.
    fn next(&self) -> (u64, Wake) {
        let flights = self.flights.iter().enumerate().map(|(i, f)| match f.listeners {
            Some(_) => (f.ends, 0, Wake::Bits(i)),
            None => (f.recognised, 1, Wake::Word(i)),
        });
        let polls = self.nodes.iter().enumerate().map(|(i, n)| {
            let until = n.action.map_or(self.now, |a| n.world(a.until));
            (until.max(self.now), 2, Wake::Poll(i))
        });
        let first = flights.chain(polls).min_by_key(|(at, order, _)| (*at, *order));
        let (at, _, wake) = first.expect("a station");
        (at, wake)
    }

    /// Runs until `end` of the world's time.
    ///
    /// # Panics
    /// If a station is never content with the present.
    #[track_caller]
    pub fn run_until(&mut self, end: u64) {
        let mut polls_at_once = 0;
        loop {
            let (at, wake) = self.next();
            if at > end {
                break;
            }
            // A station that is never content with the present would spin here for ever.
            polls_at_once = if at == self.now { polls_at_once + 1 } else { 0 };
            assert!(polls_at_once < 100, "no progress at {at} us: {:?}", self.actions());
            self.now = at;
            match wake {
                Wake::Poll(node) => self.poll(node),
                Wake::Word(flight) => self.recognise(flight),
                Wake::Bits(flight) => self.deliver(flight),
            }
        }
        self.now = end;
    }

    fn actions(&self) -> Vec<Option<Action>> {
        self.nodes.iter().map(|node| node.action).collect()
    }

    /// Runs so many slots.
    #[track_caller]
    pub fn run_slots(&mut self, slots: u64) {
        self.run_until(self.now + slots * SLOT_US);
    }

    /// Runs slot by slot until something is so.
    ///
    /// # Panics
    /// If it is not so after that many slots.
    #[track_caller]
    pub fn run_slots_until(&mut self, most: u32, so: impl Fn(&Self) -> bool) {
        for _ in 0..most {
            if so(self) {
                return;
            }
            self.run_slots(1);
        }
        assert!(so(self), "not within {most} slots: {:?}", self.actions());
    }

    /// Asks a station, and lets its radio do what it says.
    ///
    /// # Panics
    /// Never for what fits in a slot.
    pub fn poll(&mut self, number: usize) {
        let now = self.local(number, self.now);
        let node = &mut self.nodes[number];
        if let Some(payload) = node.outbox.front()
            && node.station.queue_payload(payload).is_ok()
        {
            node.outbox.pop_front();
        }
        let action = node.station.poll(now);
        let before = node.action.replace(action);
        node.events.extend(std::iter::from_fn(|| node.station.next_event()));
        let Radio::Transmit { channel, word, at } = action.radio else { return };
        if before.is_some_and(|before| before.radio == action.radio) {
            return;
        }
        let bits = node.station.burst().to_vec();
        let starts = node.world(at);
        let recognised = starts + timing().air_time(WORD_BITS).us();
        let body = u32::try_from(bits.len()).expect("short") * 8;
        let ends = recognised + timing().air_time(body).us();
        let flight =
            Flight { from: number, channel, word, bits, starts, recognised, ends, listeners: None };
        self.log.push(flight.clone());
        self.flights.push(flight);
    }

    fn recognise(&mut self, number: usize) {
        let flight = &mut self.flights[number];
        let hears = |(i, node): (usize, &Node)| {
            let Some(Radio::Listen { channel, word, complement }) = node.action.map(|a| a.radio)
            else {
                return None;
            };
            let fits = word == flight.word || (complement && !word == flight.word);
            let awake = node.deaf_until <= flight.starts && i != flight.from;
            (channel == flight.channel && fits && awake).then_some(i)
        };
        flight.listeners = Some(self.nodes.iter().enumerate().filter_map(hears).collect());
    }

    fn deliver(&mut self, number: usize) {
        let flight = self.flights.remove(number);
        for listener in flight.listeners.iter().flatten() {
            let _ = self.hear(*listener, &flight, flight.starts);
            self.poll(*listener);
        }
    }

    /// A station hears a flight whose word started at `starts`.
    ///
    /// # Panics
    /// If it is given a payload that does not open.
    pub fn hear(&mut self, number: usize, flight: &Flight, starts: u64) -> Heard {
        let (now, at) = (self.local(number, self.now), self.local(number, starts));
        let node = &mut self.nodes[number];
        let Flight { channel, word, .. } = *flight;
        let heard = node.station.heard(now, Reception { channel, word, at, bits: &flight.bits });
        node.heard.push(heard);
        if let Heard::Payload(payload) = heard {
            let mut text = vec![0; node.station.payload_capacity()];
            let length = node.station.open_payload(&payload, &flight.bits, &mut text);
            text.truncate(length.expect("a payload that opens"));
            node.parts.push((payload, text.clone()));
            node.payloads.push(text);
        }
        node.events.extend(std::iter::from_fn(|| node.station.next_event()));
        heard
    }

    /// Gives a station a command.
    ///
    /// # Errors
    /// What it refused it with.
    pub fn command(&mut self, number: usize, command: Command) -> Result<(), Refused> {
        let now = self.local(number, self.now);
        let answer = self.nodes[number].station.command(now, command);
        self.poll(number);
        answer
    }

    /// What a station has told since it was asked last.
    pub fn events(&mut self, number: usize) -> Vec<Event> {
        std::mem::take(&mut self.nodes[number].events)
    }

    /// The slot under way at a station.
    ///
    /// # Panics
    /// If it is not in step.
    #[must_use]
    pub fn slot(&self, number: usize) -> Slot {
        let now = self.local(number, self.now);
        self.nodes[number].station.slot(now).expect("in step")
    }

    /// Forgets what has happened so far.
    pub fn forget(&mut self) {
        for node in &mut self.nodes {
            node.events.clear();
            node.heard.clear();
            node.payloads.clear();
            node.parts.clear();
        }
        self.log.clear();
    }

    /// An over of `number` with these payloads, from press to the last closing header.
    ///
    /// # Panics
    /// If the floor is not free.
    pub fn over(&mut self, number: usize, target: Target, payloads: &[&[u8]]) {
        self.nodes[number].outbox.extend(payloads.iter().map(|p| p.to_vec()));
        self.command(number, Command::Press(target)).expect("the floor is free");
        self.run_slots(u64::from(CALL_SLOTS) + payloads.len() as u64 * 8 / 7 + 12);
        self.command(number, Command::Release).expect("it speaks");
        self.run_slots(u64::from(CLOSING_SLOTS) + 3);
    }

    /// What a flight is, to those who have key 1.
    #[must_use]
    pub fn header(&self, flight: &Flight) -> Option<Header> {
        let bits = flight.bits.first_chunk()?;
        HeaderKeys::new(&key(1)).from_bits(bits, 0)
    }
}
