//! Proves that messages get through two whole stations whose link loses 40 % of its slots.
//!
//! The promise is that of specification section 11: any `k` columns of a block of `n` bring it
//! back, nothing else is delivered. The stations are the core's own, with clocks of their own; the
//! fragments travel as payloads of traffic slots that hop, are encrypted for their slot and may be
//! lost or damaged on the way.

use hopwright_core::address::{Address, Target};
use hopwright_core::header;
use hopwright_core::message::{Inbox, Layout, Message, Origin, Outbox, Progress};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Command, Event, Heard, Radio, Reception, Station};
use hopwright_core::timing::WORD_BITS;
use hopwright_core::units::{Lane, Slot, Tick};
use hopwright_tests::bench::below;
use hopwright_tests::plans::{Make, key, timing};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

const POST: u8 = 0x10;
const BOAT: u8 = 0x4B;
/// What the second station's clock shows when the first one's shows zero.
const EPOCH: u64 = 3_456_789;
const ROOM: usize = 16_384;

/// What the channel does to a slot.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fate {
    Heard,
    Lost,
    /// Some bytes behind the fragment header arrive wrong.
    Damaged,
}

/// A post that speaks and a boat that listens, one poll after another.
struct Pair {
    now: u64,
    post: Station<128>,
    boat: Station<128>,
    outbox: Outbox<ROOM>,
    inbox: Inbox<ROOM>,
    /// Queued with the station, and not yet on the air.
    waiting: Option<Vec<u8>>,
    arrived: Vec<(Origin, Vec<u8>)>,
    payloads_sent: u32,
    payloads_heard: u32,
}

impl Pair {
    fn new(layout: Layout) -> Self {
        let net = key(1);
        Self {
            now: 1_000_000,
            post: Make::timekeeper(POST).station(&net),
            boat: Make::member(BOAT).station(&net),
            outbox: Outbox::new(layout),
            inbox: Inbox::new(layout),
            waiting: None,
            arrived: Vec::new(),
            payloads_sent: 0,
            payloads_heard: 0,
        }
    }

    /// Runs slot by slot until `end` says so; `fate` decides on every payload.
    fn run(&mut self, fate: &mut impl FnMut() -> Fate, end: impl Fn(&Self) -> bool) {
        for _ in 0..20_000 {
            if end(self) {
                return;
            }
            self.slot(fate);
        }
        panic!("it never ends");
    }

    /// One action of the post, and what the boat makes of it.
    fn slot(&mut self, fate: &mut impl FnMut() -> Fate) {
        if self.waiting.is_none() {
            let mut out = vec![0; self.post.payload_capacity()];
            if self.post.holds_floor() {
                self.waiting = self.outbox.next(&mut out).map(|length| out[..length].to_vec());
            }
        }
        if let Some(payload) = &self.waiting
            && self.post.queue_payload(payload).is_ok()
        {
            self.waiting = None;
        }
        let action = self.post.poll(Tick::new(self.now));
        if let Radio::Transmit { channel, word, at } = action.radio {
            let bits = self.post.burst().to_vec();
            let ready = at.plus(timing().air_time(WORD_BITS));
            self.boat_until(ready.us());
            let action = self.boat.poll(Tick::new(ready.us() + EPOCH));
            let awaited = matches!(action.radio, Radio::Listen { channel: c, word: w, complement }
                if c == channel && (w == word || complement && !w == word));
            let at = Tick::new(at.us() + EPOCH);
            if awaited {
                self.hear(Reception { channel, word, at, bits: &bits }, fate);
            }
        }
        self.now = action.until.us().max(self.now + 1);
        self.boat_until(self.now);
        while let Some(event) = self.post.next_event() {
            assert!(!matches!(event, Event::Cut { .. } | Event::OutOfStep), "{event:?}");
        }
        while self.boat.next_event().is_some() {}
    }

    /// Polls the boat at each of its deadlines up to a time of the post's clock.
    fn boat_until(&mut self, time: u64) {
        let mut at = Tick::new(self.now + EPOCH);
        while at.us() < time + EPOCH {
            at = self.boat.poll(at).until.max(at.plus(hopwright_core::units::Micros::new(1)));
        }
    }

    fn hear(&mut self, reception: Reception<'_>, fate: &mut impl FnMut() -> Fate) {
        let end = reception.at.plus(timing().slot());
        let mut text = vec![0; self.boat.payload_capacity()];
        let Heard::Payload(payload) = self.boat.heard(end, reception) else {
            return;
        };
        let fate = fate();
        self.payloads_sent += 1;
        if fate == Fate::Lost {
            return;
        }
        self.payloads_heard += 1;
        let length = self.boat.open_payload(&payload, reception.bits, &mut text);
        let text = &mut text[..length.expect("it opens")];
        if fate == Fate::Damaged {
            text.iter_mut().skip(9).for_each(|byte| *byte ^= 0x5A);
        }
        let key = self.boat.message_key(payload.source, payload.target).expect("it is called");
        let _ = self.inbox.take(&key, self.boat.origin(&payload), text);
        loop {
            match self.inbox.work() {
                Progress::Working => {}
                Progress::Ready(Message { origin, text }) => {
                    self.arrived.push((origin, text.to_vec()));
                }
                Progress::Waiting => break,
            }
        }
    }

    /// Both in step.
    fn announce(&mut self) {
        self.post.command(Tick::new(self.now), Command::Announce).expect("a timekeeper");
        self.run(&mut || Fate::Heard, |pair| !pair.post.holds_floor() && pair.boat.in_step());
    }

    /// An over that carries one message from its first column to its last.
    fn say(&mut self, text: &[u8], fate: &mut impl FnMut() -> Fate) -> Origin {
        let now = Tick::new(self.now);
        self.post.command(now, Command::Press(Target::ALL)).expect("the net is quiet");
        let first = Origin {
            source: Address::new(POST),
            stream: header::stream(Lane::ZERO, Timeline::Home),
            slot: self.post.slot(now).expect("in step"),
        };
        let key = self.post.message_key(first.source, Target::ALL).expect("its own over");
        self.outbox.load(&key, first, text).expect("it fits");
        self.run(fate, |pair| pair.outbox.left() == 0 && pair.waiting.is_none());
        // The last column is queued: its slot comes within a frame.
        for _ in 0..4 {
            self.slot(fate);
        }
        self.post.command(Tick::new(self.now), Command::Release).expect("it speaks");
        self.run(fate, |pair| !pair.post.holds_floor());
        for _ in 0..30 {
            self.slot(fate);
        }
        first
    }
}

fn larkfell_text(length: usize) -> Vec<u8> {
    let words = b"Heron to all: water over the mill bridge, two metres and rising. ";
    words.iter().copied().cycle().take(length).collect()
}

/// 40 % of all slots are lost: at (64, 24) every message arrives, of one block and of three.
#[test]
fn messages_get_through_when_four_slots_of_ten_are_lost() {
    let layout = Layout::new(64, 24, 106).expect("the default code");
    let mut pair = Pair::new(layout);
    assert_eq!((pair.post.payload_capacity(), timing().payload_bytes()), (106, 106));
    pair.announce();
    let mut rng = ChaCha8Rng::seed_from_u64(0x40);
    let mut fate = || if below(&mut rng, 10) < 4 { Fate::Lost } else { Fate::Heard };
    let mut expected = Vec::new();
    for length in [0, 1, 140, 2_312, 5_000] {
        let text = larkfell_text(length);
        let first = pair.say(&text, &mut fate);
        expected.push((first, text));
    }
    assert!(pair.arrived == expected, "{} of {}", pair.arrived.len(), expected.len());
    let share = f64::from(pair.payloads_heard) / f64::from(pair.payloads_sent);
    assert!((0.5..0.7).contains(&share), "the channel lost {:.0} %", 100.0 * (1.0 - share));
}

/// Damage that nothing but the code and the tag can see: a tenth of the slots wrong and a fifth
/// lost is 25.6 of 40 on average; the message arrives.
#[test]
fn damaged_slots_are_set_right() {
    let mut pair = Pair::new(Layout::new(64, 24, 106).expect("the default code"));
    pair.announce();
    let mut rng = ChaCha8Rng::seed_from_u64(0x41);
    let mut fate = || match below(&mut rng, 10) {
        0 => Fate::Damaged,
        1 | 2 => Fate::Lost,
        _ => Fate::Heard,
    };
    let text = larkfell_text(300);
    let first = pair.say(&text, &mut fate);
    assert!(pair.arrived == [(first, text)]);
}

/// With two slots of three lost, 24 of 64 seldom come; a message is whole or not at all.
#[test]
fn what_does_not_get_through_is_not_delivered() {
    let mut pair = Pair::new(Layout::new(31, 15, 106).expect("a code"));
    pair.announce();
    let mut rng = ChaCha8Rng::seed_from_u64(0x42);
    let mut fate = || if below(&mut rng, 3) < 2 { Fate::Lost } else { Fate::Heard };
    for length in [20, 400] {
        pair.say(&larkfell_text(length), &mut fate);
    }
    assert_eq!(pair.arrived, []);
    assert!(pair.payloads_heard > 10);
    // What follows is not disturbed by what was left unfinished.
    let text = larkfell_text(33);
    let first = pair.say(&text, &mut || Fate::Heard);
    assert_eq!(pair.arrived, [(first, text)]);
}

/// The slot of the first column is what a receiver takes for it: no earlier, no later.
#[test]
fn the_first_slot_is_that_of_the_press() {
    let mut pair = Pair::new(Layout::new(31, 15, 106).expect("a code"));
    pair.announce();
    let first = pair.say(b"mill bridge", &mut || Fate::Heard);
    assert!(first.slot > Slot::ZERO);
    assert_eq!(pair.arrived, [(first, b"mill bridge".to_vec())]);
}
