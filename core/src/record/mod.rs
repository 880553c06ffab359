//! Recordings: every input of a station as bytes, and every output, the same on every platform.
//!
//! A simulator records what it feeds a station; a test bench, a fuzzer or a board replays it and
//! compares what comes out. [`apply`] is the one place where inputs are turned into calls.
//!
//! A recording is a configuration ([`write_config`]), inputs, and a [`Trailer`]. An input is a tag byte and its fields, integers little-endian, byte strings with a 16-bit
//! length. Outputs are only written, to be hashed or compared.

mod config;
mod trailer;

pub use config::{MAGIC, read_config, read_key, write_config};
pub use trailer::Trailer;

use crate::address::Target;
use crate::sequence::Timeline;
use crate::station::{
    Action, Command, Dropped, Event, Heard, Mode, Payload, Radio, Reception, Refused, Station,
};
use crate::units::{Channel, Dbm, Tick};

/// One call of a station.
#[derive(Debug, Clone, Copy)]
#[non_exhaustive]
pub enum Input<'a> {
    /// [`Station::poll`].
    Poll(Tick),
    /// [`Station::heard`].
    Heard(Tick, Reception<'a>),
    /// [`Station::energy`].
    Energy(Tick, Channel, Dbm),
    /// [`Station::command`].
    Command(Tick, Command),
    /// [`Station::queue_payload`].
    Payload(&'a [u8]),
    /// [`Station::take_order`].
    Order(Tick, &'a [u8]),
}

/// Where bytes go: a file, a buffer, a hash.
pub trait Sink {
    /// Takes the next bytes.
    fn write(&mut self, bytes: &[u8]);
}

impl<F: FnMut(&[u8])> Sink for F {
    fn write(&mut self, bytes: &[u8]) {
        self(bytes);
    }
}

impl<'a> Input<'a> {
    /// Writes the input.
    pub fn encode(&self, sink: &mut impl Sink) {
        match *self {
            Self::Poll(now) => {
                sink.write(&[1]);
                tick(sink, now);
            }
            Self::Heard(now, reception) => {
                sink.write(&[2]);
                tick(sink, now);
                sink.write(&reception.channel.number().to_le_bytes());
                sink.write(&reception.word.to_le_bytes());
                tick(sink, reception.at);
                bytes(sink, reception.bits);
            }
            Self::Energy(now, channel, level) => {
                sink.write(&[3]);
                tick(sink, now);
                sink.write(&channel.number().to_le_bytes());
                sink.write(&level.dbm().to_le_bytes());
            }
            Self::Command(now, command) => {
                let tag = match command {
                    Command::Announce => 4,
                    Command::Press(_) => 5,
                    Command::Release => 6,
                    Command::Order => 9,
                    Command::Mode(_) => 10,
                };
                sink.write(&[tag]);
                tick(sink, now);
                match command {
                    Command::Press(target) => {
                        let (address, form) = target.to_wire();
                        sink.write(&[address, form]);
                    }
                    Command::Mode(mode) => sink.write(&[mode_byte(mode)]),
                    Command::Announce | Command::Release | Command::Order => {}
                }
            }
            Self::Payload(payload) => {
                sink.write(&[7]);
                bytes(sink, payload);
            }
            Self::Order(now, order) => {
                sink.write(&[8]);
                tick(sink, now);
                bytes(sink, order);
            }
        }
    }

    /// Reads one input off the front of `from`; `None` if there is none whole and valid, and
    /// `from` is then where the trouble is.
    pub fn decode(from: &mut &'a [u8]) -> Option<Self> {
        let mut rest = *from;
        let input = match byte(&mut rest)? {
            1 => Self::Poll(read_tick(&mut rest)?),
            2 => {
                let now = read_tick(&mut rest)?;
                let channel = Channel::new(u16::from_le_bytes(take(&mut rest)?))?;
                let word = u32::from_le_bytes(take(&mut rest)?);
                let at = read_tick(&mut rest)?;
                let bits = read_bytes(&mut rest)?;
                Self::Heard(now, Reception { channel, word, at, bits })
            }
            3 => {
                let now = read_tick(&mut rest)?;
                let channel = Channel::new(u16::from_le_bytes(take(&mut rest)?))?;
                Self::Energy(now, channel, Dbm::new(i16::from_le_bytes(take(&mut rest)?)))
            }
            4 => Self::Command(read_tick(&mut rest)?, Command::Announce),
            5 => {
                let now = read_tick(&mut rest)?;
                let (address, form) = (byte(&mut rest)?, byte(&mut rest)?);
                Self::Command(now, Command::Press(Target::from_wire(address, form)?))
            }
            6 => Self::Command(read_tick(&mut rest)?, Command::Release),
            7 => Self::Payload(read_bytes(&mut rest)?),
            8 => Self::Order(read_tick(&mut rest)?, read_bytes(&mut rest)?),
            9 => Self::Command(read_tick(&mut rest)?, Command::Order),
            10 => {
                let now = read_tick(&mut rest)?;
                let mode = byte(&mut rest)?;
                let mut modes = [Mode::Hopping, Mode::SingleSealed, Mode::SinglePlain].into_iter();
                Self::Command(now, Command::Mode(modes.find(|m| mode_byte(*m) == mode)?))
            }
            _ => return None,
        };
        *from = rest;
        Some(input)
    }
}

/// Feeds one input to a station and writes all that comes out: the call's answer, the bits of a
/// transmission, and every event. Gives the number of events.
pub fn apply<const N: usize>(
    station: &mut Station<N>,
    input: Input<'_>,
    sink: &mut impl Sink,
) -> u64 {
    match input {
        Input::Poll(now) => {
            let action = station.poll(now);
            write_action(&action, station.burst(), sink);
        }
        Input::Heard(now, reception) => {
            let outcome = station.heard(now, reception);
            write_heard(outcome, sink);
        }
        Input::Energy(now, channel, level) => station.energy(now, channel, level),
        Input::Command(now, command) => write_answer(station.command(now, command), sink),
        Input::Payload(payload) => write_answer(station.queue_payload(payload), sink),
        Input::Order(now, order) => write_answer(station.take_order(now, order), sink),
    }
    let mut events = 0_u64;
    while let Some(event) = station.next_event() {
        write_event(event, sink);
        events = events.saturating_add(1);
    }
    events
}

/// Writes an action and the bits of its transmission.
pub fn write_action(action: &Action, burst: &[u8], sink: &mut impl Sink) {
    sink.write(b"A");
    tick(sink, action.from);
    tick(sink, action.until);
    tick(sink, action.poll_by);
    match action.radio {
        Radio::Off => sink.write(&[0]),
        Radio::Listen { channel, word, complement } => {
            sink.write(&[1, u8::from(complement)]);
            sink.write(&channel.number().to_le_bytes());
            sink.write(&word.to_le_bytes());
        }
        Radio::Transmit { channel, word, at } => {
            sink.write(&[2]);
            sink.write(&channel.number().to_le_bytes());
            sink.write(&word.to_le_bytes());
            tick(sink, at);
            bytes(sink, burst);
        }
    }
}

/// Writes what became of a reception.
pub fn write_heard(heard: Heard, sink: &mut impl Sink) {
    match heard {
        Heard::Header { timeline, slot, kind } => {
            sink.write(&[b'H', 1, kind.to_wire(), timeline_byte(timeline)]);
            sink.write(&slot.number().to_le_bytes());
        }
        Heard::Payload(Payload { timeline, slot, source, target, order }) => {
            let (address, form) = target.to_wire();
            let whose = timeline_byte(timeline);
            sink.write(&[b'H', 2, source.number(), address, form, u8::from(order), whose]);
            sink.write(&slot.number().to_le_bytes());
        }
        Heard::Busy => sink.write(&[b'H', 3]),
        Heard::Dropped(why) => {
            let why = match why {
                Dropped::NotAwaited => 1,
                Dropped::NotGenuine => 2,
                Dropped::OutOfPlace => 3,
                Dropped::Replayed => 4,
                Dropped::Ahead => 5,
            };
            sink.write(&[b'H', 4, why]);
        }
    }
}

const fn timeline_byte(timeline: Timeline) -> u8 {
    match timeline {
        Timeline::Home => 0,
        Timeline::CutIn => 1,
        Timeline::Single => 2,
    }
}

const fn mode_byte(mode: Mode) -> u8 {
    match mode {
        Mode::Hopping => 0,
        Mode::SingleSealed => 1,
        Mode::SinglePlain => 2,
    }
}

/// Writes an event.
pub fn write_event(event: Event, sink: &mut impl Sink) {
    let (tag, slot) = match event {
        Event::InStep { slot } => (1, Some(slot)),
        Event::OutOfStep => (2, None),
        Event::AnnounceHeard { slot } => (3, Some(slot)),
        Event::Call { slot, .. } => (4, Some(slot)),
        Event::Busy { slot } => (5, Some(slot)),
        Event::Clear { slot } => (6, Some(slot)),
        Event::HoldOff => (7, None),
        Event::GoAhead { slot } => (8, Some(slot)),
        Event::Cut { slot } => (9, Some(slot)),
        Event::SaveWatermark { slot } => (10, Some(slot)),
        Event::TimelineEnded => (11, None),
        Event::Coasting { slot } => (12, Some(slot)),
        Event::CallWaiting => (13, None),
        Event::WatchTraffic => (14, None),
        Event::Ordered { slot } => (15, Some(slot)),
        Event::KeysChanged { slot } => (16, Some(slot)),
    };
    sink.write(&[b'E', tag]);
    if let Some(slot) = slot {
        sink.write(&slot.number().to_le_bytes());
    }
    if let Event::Call { source, target, .. } = event {
        let (address, form) = target.to_wire();
        sink.write(&[source.number(), address, form]);
    }
}

/// Writes the answer to a command.
pub fn write_answer(answer: Result<(), Refused>, sink: &mut impl Sink) {
    let code = match answer {
        Ok(()) => 0,
        Err(Refused::NotTimekeeper) => 1,
        Err(Refused::WatermarkLost) => 2,
        Err(Refused::TimelineEnded) => 3,
        Err(Refused::Speaking) => 4,
        Err(Refused::NotSpeaking) => 5,
        Err(Refused::Busy) => 6,
        Err(Refused::TooLong(_)) => 7,
        Err(Refused::Full) => 8,
        Err(Refused::TooEarly(_)) => 9,
        Err(Refused::NoKey(_)) => 10,
        Err(Refused::NoOrder) => 11,
        Err(Refused::NotForUs) => 12,
        Err(Refused::NoChannel) => 13,
    };
    sink.write(&[b'R', code]);
}

fn tick(sink: &mut impl Sink, tick: Tick) {
    sink.write(&tick.us().to_le_bytes());
}

fn bytes(sink: &mut impl Sink, bytes: &[u8]) {
    let length = u16::try_from(bytes.len()).unwrap_or(u16::MAX);
    sink.write(&length.to_le_bytes());
    sink.write(bytes.get(..usize::from(length)).unwrap_or(bytes));
}

fn byte(from: &mut &[u8]) -> Option<u8> {
    take::<1>(from).map(|[byte]| byte)
}

fn take<const LEN: usize>(from: &mut &[u8]) -> Option<[u8; LEN]> {
    let (head, rest) = from.split_first_chunk()?;
    *from = rest;
    Some(*head)
}

fn read_tick(from: &mut &[u8]) -> Option<Tick> {
    take(from).map(|bytes| Tick::new(u64::from_le_bytes(bytes)))
}

fn read_bytes<'a>(from: &mut &'a [u8]) -> Option<&'a [u8]> {
    let length = usize::from(u16::from_le_bytes(take(from)?));
    let (head, rest) = from.split_at_checked(length)?;
    *from = rest;
    Some(head)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::address::Address;
    use crate::band::Hopset;
    use crate::clock::ClockPlan;
    use crate::header::Kind;
    use crate::keys::NetKey;
    use crate::sequence::{Draw, Structure};
    use crate::station::{Config, FixedChannels, Role, Watermark};
    use crate::timing::Timing;
    use crate::tree::{Secret, Share};
    use crate::units::{Lane, Micros, Ppb, Slot};
    use proptest::prelude::*;
    use std::vec::Vec;

    fn share() -> Share {
        let mut number = 0_u8;
        let mut secret = || {
            number += 1;
            Secret::new([number; 16])
        };
        let (path, co_path) =
            (core::array::from_fn(|_| secret()), core::array::from_fn(|_| secret()));
        let mut share = Share::new(path, co_path, 4, secret());
        share.add(Target::one(Address::new(6)), secret()).unwrap();
        share
    }

    fn written(input: &Input<'_>) -> Vec<u8> {
        let mut out = Vec::new();
        input.encode(&mut |bytes: &[u8]| out.extend_from_slice(bytes));
        out
    }

    #[test]
    fn every_input_reads_back() {
        let (now, channel) = (Tick::new(1 << 40), Channel::new(77).unwrap());
        let reception = Reception { channel, word: 5, at: Tick::new(9), bits: &[1, 2, 3] };
        let commands = [
            Command::Announce,
            Command::Press(Target::all_but(Address::new(9))),
            Command::Release,
            Command::Order,
            Command::Mode(Mode::Hopping),
            Command::Mode(Mode::SingleSealed),
            Command::Mode(Mode::SinglePlain),
        ];
        let others = [
            Input::Poll(now),
            Input::Heard(now, reception),
            Input::Energy(now, channel, Dbm::new(-300)),
            Input::Payload(&[4, 5]),
            Input::Order(now, &[6]),
        ];
        for input in commands.map(|command| Input::Command(now, command)).into_iter().chain(others)
        {
            let bytes = written(&input);
            let mut rest = &bytes[..];
            let read = Input::decode(&mut rest).unwrap();
            assert_eq!(std::format!("{read:?}"), std::format!("{input:?}"));
            assert!(rest.is_empty());
        }
    }

    #[test]
    fn answers_of_commands_differ() {
        let target = Target::one(Address::new(9));
        let refused = [
            Refused::NotTimekeeper,
            Refused::TooEarly(Tick::new(1)),
            Refused::WatermarkLost,
            Refused::TimelineEnded,
            Refused::Speaking,
            Refused::NotSpeaking,
            Refused::Busy,
            Refused::TooLong(106),
            Refused::Full,
            Refused::NoKey(target),
            Refused::NoOrder,
            Refused::NotForUs,
            Refused::NoChannel,
        ];
        let mut told = std::collections::BTreeSet::new();
        for answer in refused.into_iter().map(Err).chain([Ok(())]) {
            let mut out = Vec::new();
            write_answer(answer, &mut |bytes: &[u8]| out.extend_from_slice(bytes));
            assert!(told.insert(out), "{answer:?} is told like another");
        }
    }

    #[test]
    fn outputs_on_different_timelines_differ() {
        let heard = |timeline| {
            let mut out = Vec::new();
            let header = Heard::Header { timeline, slot: Slot::new(1), kind: Kind::Over };
            write_heard(header, &mut |bytes: &[u8]| out.extend_from_slice(bytes));
            out
        };
        let [home, cut_in, single] = [Timeline::Home, Timeline::CutIn, Timeline::Single].map(heard);
        assert!(home != cut_in && cut_in != single && single != home);
    }

    proptest! {
        /// Read, write again, read again: the same bytes.
        #[test]
        fn whatever_reads_writes_back(bytes in proptest::collection::vec(any::<u8>(), 0..64), tag in 1_u8..11) {
            let mut bytes = bytes;
            bytes.insert(0, tag);
            let mut rest = &bytes[..];
            if let Some(input) = Input::decode(&mut rest) {
                let used = bytes.len() - rest.len();
                prop_assert_eq!(&written(&input)[..], &bytes[..used]);
            } else {
                prop_assert_eq!(rest.len(), bytes.len());
            }
        }

        /// All numbers differ, so that two that were swapped are seen.
        #[test]
        fn configurations_read_back(announce_slots in 1_u16..2_000, seed: u64, cut in 0_usize..120) {
            let key = NetKey::new([9; 32]);
            let channels = (7..40).map(|c| Channel::new(c * 3).unwrap());
            let config = Config {
                key: &key,
                hopset: Hopset::<64>::from_derived(channels, 5).unwrap(),
                structure: Structure {
                    frame: 9,
                    rendezvous: 15,
                    window: 3,
                    draw: Draw::Independent,
                    equal_use: false,
                },
                lane: Lane::new(3).unwrap(),
                draw_lane: Lane::new(2).unwrap(),
                timing: Timing::new(20_000, 1_000, 500, 50_000).unwrap(),
                clock: ClockPlan {
                    tolerance: Ppb::new(1_000).unwrap(),
                    own_tolerance: Ppb::new(900).unwrap(),
                    steadiness: Ppb::new(110).unwrap(),
                    wander: Micros::new(21),
                    jitter: Micros::new(22),
                    longest_delay: Micros::new(103),
                },
                announce_slots,
                energy_threshold: Dbm::new(-95),
                fixed: FixedChannels {
                    calling: Channel::new(1),
                    watch: Channel::new(2),
                    lockout: Micros::new(40_000_000),
                },
                address: Address::new(0x4B),
                role: Role::Deputy { after: Micros::new(600_000_000) },
                share: Some(share()),
                watermark: Watermark::Stored(Slot::new(77)),
                seed,
            };
            let mut whole = Vec::new();
            write_config(&config, &mut |bytes: &[u8]| whole.extend_from_slice(bytes));
            let again = read_key(&whole).unwrap();
            prop_assert!(again.same(&key));
            let mut rest = &whole[..];
            let read = read_config::<64>(&mut rest, &again).unwrap();
            prop_assert!(rest.is_empty());
            prop_assert_eq!(std::format!("{:?}", read), std::format!("{:?}", config));
            // (No share is printed.)
            let mut twice = Vec::new();
            write_config(&read, &mut |bytes: &[u8]| twice.extend_from_slice(bytes));
            prop_assert_eq!(&twice, &whole);
            // One encoding: any byte changed is another configuration, or none. Which draw, whether use is equal.
            for at in 40..whole.len() {
                for change in [1_u8, 2, 6, 0x80] {
                    let mut changed = whole.clone();
                    changed[at] ^= change;
                    let mut rest = &changed[..];
                    let Some(read) = read_config::<64>(&mut rest, &again) else { continue };
                    prop_assert!(!matches!(at, 113 | 114) || change == 1);
                    let mut twice = Vec::new();
                    write_config(&read, &mut |bytes: &[u8]| twice.extend_from_slice(bytes));
                    prop_assert_eq!(&twice[..], &changed[..changed.len() - rest.len()]);
                }
            }
            let mut part = &whole[..cut.min(whole.len() - 1)];
            prop_assert!(read_config::<64>(&mut part, &again).is_none());
            let mut small = &whole[..];
            prop_assert!(read_config::<16>(&mut small, &again).is_none());
        }

        #[test]
        fn cut_short_is_no_input(bits in proptest::collection::vec(any::<u8>(), 0..40), cut in 0_usize..60) {
            let channel = Channel::new(77).unwrap();
            let reception = Reception { channel, word: 5, at: Tick::new(9), bits: &bits };
            let whole = written(&Input::Heard(Tick::new(10), reception));
            let mut part = &whole[..cut.min(whole.len() - 1)];
            prop_assert!(Input::decode(&mut part).is_none());
        }
    }
}
