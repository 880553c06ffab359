//! What is on the air, and what the adversary makes of it.

use super::seat::{DELAY_US, JITTER_US, Sending, timing};
use super::{SLOT_US, World};
use hopwright_core::clock::Grip;
use hopwright_core::header::Header;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Heard, Payload, Radio, Reception, Watermark};
use hopwright_core::timing::WORD_BITS;
use hopwright_core::units::{Channel, Tick};

/// Transmissions that can be sent again.
const KEPT: usize = 256;
/// Words of a header's code.
const WORDS: usize = 11;

/// A transmission.
#[derive(Clone)]
pub(super) struct Flight {
    /// Who sends; nobody of the net if it is sent again.
    from: Option<usize>,
    /// Who sent it first, and when.
    source: usize,
    first: u64,
    channel: Channel,
    word: u32,
    bits: Vec<u8>,
    starts: u64,
    /// What it is, by the test's own reading.
    header: Option<(Timeline, Header)>,
    key: usize,
    slot: u32,
    timeline: Timeline,
    target: hopwright_core::address::Target,
    text: Option<Vec<u8>>,
    /// Who listens; known once the word has been recognised.
    listeners: Option<Vec<usize>>,
}

impl Flight {
    fn recognised(&self) -> u64 {
        self.starts + timing().air_time(WORD_BITS).us()
    }

    fn ends(&self) -> u64 {
        let bits = u32::try_from(self.bits.len()).expect("short") * 8;
        self.recognised() + timing().air_time(bits).us()
    }
}

/// Everything under way, and what was.
#[derive(Default)]
pub(super) struct Air {
    flights: Vec<Flight>,
    log: Vec<Flight>,
}

impl Air {
    /// A station that has no power any more sends and hears nothing of what is under way.
    pub(super) fn cut_off(&mut self, who: usize, now: u64) {
        self.flights.retain(|flight| flight.from != Some(who) || flight.recognised() < now);
        for flight in &mut self.flights {
            if let Some(listeners) = &mut flight.listeners {
                listeners.retain(|listener| *listener != who);
            }
            if flight.from == Some(who) {
                flight.bits.truncate(20);
            }
        }
    }
}

enum Wake {
    Bits(usize),
    Word(usize),
    Poll(usize),
}

impl World<'_> {
    /// The earliest thing to happen; at equal times receptions come before polls.
    fn next(&self) -> (u64, Wake) {
        let flights =
            self.air.flights.iter().enumerate().map(|(i, flight)| match flight.listeners {
                Some(_) => (flight.ends(), 0, Wake::Bits(i)),
                None => (flight.recognised(), 1, Wake::Word(i)),
            });
        let polls = self.seats.iter().enumerate().map(|(i, seat)| {
            let until = seat.action.map_or(self.now, |action| seat.world(action.until));
            (until.max(self.now), 2, Wake::Poll(i))
        });
        let first = flights.chain(polls).min_by_key(|(at, order, _)| (*at, *order));
        let (at, _, wake) = first.expect("stations");
        (at, wake)
    }

    pub(super) fn run(&mut self, slots: u64) {
        self.run_until(self.now + slots * SLOT_US);
    }

    pub(super) fn run_until(&mut self, end: u64) {
        let mut at_once = 0;
        loop {
            let (at, wake) = self.next();
            if at > end {
                break;
            }
            at_once = if at == self.now { at_once + 1 } else { 0 };
            assert!(at_once < 200, "no progress at {at} us");
            self.now = at.max(self.now);
            match wake {
                Wake::Poll(who) => self.poll(who),
                Wake::Word(flight) => self.recognise(flight),
                Wake::Bits(flight) => self.arrive(flight),
            }
        }
        self.now = end;
    }

    /// Asks a station, and lets its radio do what it says.
    pub(super) fn poll(&mut self, who: usize) {
        let now = self.now;
        let seat = &mut self.seats[who];
        let local = seat.local(now);
        seat.talk();
        let mut action = seat.station.poll(local);
        for _ in 0..6 {
            if action.until > local {
                break;
            }
            seat.drain(&self.keys, &mut self.met);
            action = seat.station.poll(local);
        }
        assert!(action.until > local, "{action:?} at {local:?}");
        assert!(action.poll_by >= action.until, "{action:?}");
        let before = seat.action.replace(action);
        seat.drain(&self.keys, &mut self.met);
        let sends = matches!(action.radio, Radio::Transmit { .. });
        assert_eq!(sends, !seat.station.burst().is_empty(), "bits without a transmission");
        if let Radio::Transmit { channel, word, at } = action.radio
            && before.is_none_or(|before| before.radio != action.radio)
        {
            let starts = seat.world(at);
            let spot = (channel, word);
            let sending = seat.sending(&self.keys, (now, starts), spot, self.tainted);
            let bits = seat.station.burst().to_vec();
            self.launch(who, (channel, word), starts, bits, sending);
        }
        self.time_is_true(who);
    }

    fn launch(
        &mut self,
        who: usize,
        (channel, word): (Channel, u32),
        starts: u64,
        bits: Vec<u8>,
        sending: Sending,
    ) {
        let Sending { header, key, slot, timeline, target, text } = sending;
        let flight = Flight {
            from: Some(who),
            source: who,
            first: starts,
            channel,
            word,
            bits,
            starts,
            header,
            key,
            slot,
            timeline,
            target,
            text,
            listeners: None,
        };
        if self.air.log.len() < KEPT {
            self.air.log.push(flight.clone());
        }
        self.air.flights.push(flight);
    }

    fn recognise(&mut self, number: usize) {
        let flight = &mut self.air.flights[number];
        let hears = |(i, seat): (usize, &super::Seat)| {
            let Some(Radio::Listen { channel, word, complement }) = seat.action.map(|a| a.radio)
            else {
                return None;
            };
            let fits = word == flight.word || (complement && !word == flight.word);
            (channel == flight.channel && fits && flight.from != Some(i)).then_some(i)
        };
        flight.listeners = Some(self.seats.iter().enumerate().filter_map(hears).collect());
    }

    /// The adversary decides for each listener.
    fn arrive(&mut self, number: usize) {
        let flight = self.air.flights.remove(number);
        for listener in flight.listeners.clone().unwrap_or_default() {
            let fate = self.input.fate();
            let (kind, more) = (fate >> 4, u64::from(fate & 15));
            match kind {
                // Lost.
                11 => {}
                // Late: within the guard time, or by whole slots.
                12 => self.echo(&flight, flight.starts + 90 + more * 30),
                13 => self.echo(&flight, flight.starts + (1 + more) * SLOT_US),
                // Twice.
                14 => {
                    self.hear(listener, &flight, 0, &flight.bits.clone());
                    self.hear(listener, &flight, 0, &flight.bits.clone());
                }
                15 => {
                    let bits = altered(&flight.bits, self.input.fate(), more);
                    self.hear(listener, &flight, 0, &bits);
                }
                _ => {
                    // Within what the plan says of ways and time stamps.
                    let late = more * (DELAY_US + JITTER_US) / 15;
                    self.hear(listener, &flight, late, &flight.bits.clone());
                }
            }
            self.poll(listener);
        }
    }

    /// Something from the log is sent again.
    pub(super) fn again(&mut self, which: u8, how: u8) {
        let Some(last) = self.air.log.len().checked_sub(1) else { return };
        let flight = self.air.log[last.saturating_sub(usize::from(which))].clone();
        self.echo(&flight, self.now + u64::from(how) * 80);
    }

    fn echo(&mut self, flight: &Flight, starts: u64) {
        if self.air.flights.len() < 32 {
            let starts = starts.max(self.now);
            self.air.flights.push(Flight { from: None, starts, listeners: None, ..flight.clone() });
        }
    }

    /// A station hears something, and is judged by it.
    fn hear(&mut self, who: usize, flight: &Flight, late: u64, bits: &[u8]) {
        let now = self.now;
        let seat = &mut self.seats[who];
        // Of a power cycle of the sender a part may be left.
        let whole = bits == flight.bits && bits.len() >= 33;
        let timely = flight.starts == flight.first;
        let honest = whole && timely;
        let local = seat.local(now);
        let at = Tick::new(seat.local(flight.starts).us() + late).min(local);
        let (held, grip, stood) = (seat.held(), seat.grip(now), seat.station.slot(local));
        let state = if honest { String::new() } else { seat.state() };
        let reception = Reception { channel: flight.channel, word: flight.word, at, bits };
        let heard = seat.station.heard(local, reception);
        self.met.hostile += u32::from(!honest);
        match heard {
            Heard::Dropped(_) => {
                assert_eq!(held, seat.held(), "{heard:?} moved station {who}");
                assert!(honest || state == seat.state(), "{heard:?} left its mark");
            }
            Heard::Header { timeline, slot, kind } => {
                let Some((made, header)) = flight.header else { panic!("payload as {heard:?}") };
                assert_eq!((timeline, slot, kind), (made, header.slot, header.kind));
                assert!(seat.knows(flight.key), "a header under a key that it does not have");
                assert!(restorable(&flight.bits, bits), "nobody made this header");
                self.met.taken += u32::from(!honest);
                self.tainted |= !timely;
                let replay = flight.starts >= flight.first + 2 * SLOT_US;
                let led = self.led;
                self.led |= replay;
                match timeline {
                    Timeline::Home => {
                        if let Watermark::Stored(mark) = seat.stored() {
                            assert!(slot > mark || held.1, "{slot:?} after {mark:?}");
                        }
                        // What is late by slots is no news to one who knows the time; one from
                        // a later timeline is, until nobody confirms it.
                        let locked = grip == Some(Grip::Locked);
                        let ahead = stood.is_some_and(|stood| slot > stood);
                        let news = !replay || !locked || ahead || led;
                        assert!(news, "a replay of {slot:?} at {stood:?}");
                    }
                    _ => {
                        assert_eq!(held.0, seat.held().0, "a cut-in moved home time");
                        self.met.cut_ins += u32::from(flight.header.is_some());
                    }
                }
            }
            Heard::Payload(payload) => {
                assert!(flight.header.is_none(), "a header as {heard:?}");
                assert!(payload.target.covers(seat.address()), "{payload:?} is not for {who}");
                assert_eq!(
                    (payload.timeline, payload.slot.number()),
                    (flight.timeline, flight.slot)
                );
                self.read(who, flight, payload, whole);
            }
            Heard::Busy => self.pry(who, flight, whole),
            _ => {}
        }
        self.seats[who].drain(&self.keys, &mut self.met);
    }

    /// Who is called reads what was said.
    fn read(&mut self, who: usize, flight: &Flight, payload: Payload, whole: bool) {
        let seat = &mut self.seats[who];
        let mut text = [0; 256];
        let length = seat.station.open_payload(&payload, &flight.bits, &mut text);
        let call = (payload.source, payload.target);
        let said = (super::ADDRESSES[flight.source], flight.target);
        // Two may speak at once, under keys of their own: then there is nothing to compare.
        let same_key = seat.key == flight.key;
        if whole
            && call == said
            && same_key
            && !payload.order
            && let Some(expected) = &flight.text
        {
            let read = length.and_then(|length| text.get(..length));
            assert_eq!(read, Some(&expected[..]), "{payload:?}");
            self.met.payloads += u32::from(!expected.is_empty());
        }
    }

    /// Who is not called has no key to it, even if it lies about whom it is.
    fn pry(&mut self, who: usize, flight: &Flight, whole: bool) {
        let seat = &mut self.seats[who];
        // Who has called has the key, and may be played its own call after a power cycle.
        let caller = flight.source == who;
        if flight.header.is_some() || !whole || caller || flight.target.covers(seat.address()) {
            return;
        }
        let payload = Payload {
            timeline: flight.timeline,
            slot: hopwright_core::units::Slot::new(flight.slot),
            source: super::ADDRESSES[flight.source],
            target: flight.target,
            order: false,
        };
        let mut text = [0; 256];
        let read = seat.station.open_payload(&payload, &flight.bits, &mut text);
        assert_eq!(read, None, "station {who} reads what is for {}", flight.target);
        self.met.kept += 1;
    }

    /// Invariant 4.
    fn time_is_true(&self, who: usize) {
        let seat = &self.seats[who];
        if self.tainted || !seat.station.in_step() {
            return;
        }
        let Some(clock) = seat.station.clock() else { return };
        let (earliest, latest) = clock.bound(seat.local(self.now));
        let now = i64::try_from(self.now).expect("small");
        // The clock shows whole microseconds.
        let holds = |offset: &i64| (earliest - 1..=latest + 1).contains(&(now + offset));
        assert!(self.started.iter().any(holds), "station {who}: {earliest}..{latest} at {now}");
    }
}

/// Some bits are others.
fn altered(bits: &[u8], seed: u8, number: u64) -> Vec<u8> {
    let mut bits = bits.to_vec();
    let mut place = usize::from(seed);
    for _ in 0..=number {
        let at = place % (bits.len() * 8);
        bits[at / 8] ^= 0x80 >> (at % 8);
        place = place * 5 + 13;
    }
    bits
}

/// Whether the code can restore a header: of each word at most three bits are others, or none of
/// those that carry it. (A word that is beyond correction is taken as it came: the tag decides.)
fn restorable(sent: &[u8], heard: &[u8]) -> bool {
    let mut wrong = [0; WORDS];
    let mut spoilt = [false; WORDS];
    for at in 0..WORDS * 24 {
        let bit = |bits: &[u8]| bits.get(at / 8).map_or(0, |byte| byte >> (7 - at % 8) & 1);
        let (place, word) = (at / WORDS, at % WORDS);
        let other = bit(sent) != bit(heard);
        wrong[word] += u8::from(other);
        // The last four message bits of the last word are spare.
        spoilt[word] |= other && place < if word == WORDS - 1 { 8 } else { 12 };
    }
    wrong.iter().zip(spoilt).all(|(wrong, spoilt)| *wrong <= 3 || !spoilt)
}
