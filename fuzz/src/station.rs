//! One station under arbitrary inputs, with what must hold asserted after each.

use hopwright_core::address::{Address, Target};
use hopwright_core::band::{Hopset, Pick, Raster};
use hopwright_core::clock::{ClockPlan, Grip};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::{Label, NetKey};
use hopwright_core::sequence::{Structure, Timeline};
use hopwright_core::station::{
    Action, Command, Config, Event, FixedChannels, Mode, Radio, Reception, Role, Station, Watermark,
};
use hopwright_core::timing::Timing;
use hopwright_core::tree::{Node, Order, Secret, Share};
use hopwright_core::units::{Channel, Dbm, Hertz, Lane, Micros, Ppb, Slot, Tick};

/// The channel of single-channel modes, outside the hopset.
const CALLING: u16 = 64;
/// From this on, the byte of a command means one of keys or modes.
const KEYS_AND_MODES: u8 = 0xF0;

/// Reads operations off the front of the input.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    fn word(&mut self) -> Option<u32> {
        let (first, rest) = self.0.split_first_chunk()?;
        self.0 = rest;
        Some(u32::from_le_bytes(*first))
    }
}

/// One station: the first two bytes choose role and watermark, then each operation is a byte and
/// what belongs to it. Headers are sealed with the net's key, so that hostile choices of slot,
/// kind and countdown get past the tag; orders of a change of keys are a planner's.
///
/// # Panics
/// If the station transmits outside its hopset or without being allowed to, gives an answer that
/// is already over, or talks before it may.
#[must_use]
pub fn station(data: &[u8]) -> Reached {
    let mut bytes = Bytes(data);
    let mut reached = Reached::default();
    let (Some(role), Some(watermark)) = (bytes.byte(), bytes.byte()) else { return reached };
    let key = NetKey::new([7; 32]);
    let keys = HeaderKeys::new(&key);
    let mut station = new_station(&key, role, watermark);
    let mut now = Tick::new(1 << 32);
    let mut held_off = false;
    while let Some(operation) = bytes.byte() {
        let Some(()) = step(&mut bytes, operation, &mut station, &keys, &mut now) else { break };
        let mut action = station.poll(now);
        // A change of keys is worked through piece by piece, in polls that are due at once: two for
        // the change, one that begins an over under the former key, two for going there.
        for _ in 0..6 {
            if action.until > now {
                break;
            }
            action = station.poll(now);
        }
        while let Some(event) = station.next_event() {
            held_off = match event {
                Event::HoldOff => true,
                Event::GoAhead { .. } => false,
                Event::KeysChanged { .. } => {
                    reached.changes += 1;
                    held_off
                }
                _ => held_off,
            };
        }
        let sends = matches!(action.radio, Radio::Transmit { .. });
        reached.single += u32::from(sends && station.mode() != Mode::Hopping);
        judge(&station, action, now, held_off);
    }
    reached
}

/// What an input led to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Reached {
    /// Changes of the net key.
    pub changes: u32,
    /// Slots sent on a single channel.
    pub single: u32,
}

fn step(
    bytes: &mut Bytes<'_>,
    operation: u8,
    station: &mut Station<64>,
    keys: &HeaderKeys,
    now: &mut Tick,
) -> Option<()> {
    match operation % 8 {
        // Time: to the next deadline, a little on, or far on.
        0 => *now = station.poll(*now).until.max(*now),
        1 => *now = now.plus(Micros::new(u64::from(bytes.word()? % 50_000))),
        2 => *now = now.plus(Micros::from_millis(u64::from(bytes.word()?))),
        3 => {
            let choice = bytes.byte()?;
            let command = match choice % 4 {
                _ if choice >= KEYS_AND_MODES => {
                    return keys_and_modes(bytes, choice, station, *now);
                }
                0 => Command::Announce,
                1 => Command::Release,
                _ => Command::Press(Target::one(Address::new(bytes.byte()?))),
            };
            let _ = station.command(*now, command);
        }
        4 => {
            if let Radio::Listen { channel, .. } = station.poll(*now).radio {
                station.energy(*now, channel, Dbm::new(-40));
            }
        }
        // A genuine header with fields of the fuzzer's choice, where the station listens.
        5 | 6 => {
            let wild = bytes.word()?;
            let choice = bytes.byte()?;
            let near = station.slot(*now).unwrap_or(Slot::new(wild >> 1));
            let header = Header {
                slot: if choice & 1 == 0 { near } else { Slot::new(wild) },
                source: Address::new(choice),
                target: Target::ALL,
                kind: kind(choice >> 4),
                quality: Quality::of(Micros::new(u64::from(wild & 0xFFFF))),
                countdown: choice & 15,
            };
            let timeline = if operation & 8 == 0 { Timeline::Home } else { Timeline::CutIn };
            let bits = keys.to_bits(header, timeline.bit());
            hear(station, *now, &bits, operation & 16 == 0);
        }
        _ => {
            let length = usize::from(bytes.byte()? % 64).min(bytes.0.len());
            let (bits, rest) = bytes.0.split_at(length);
            bytes.0 = rest;
            hear(station, *now, bits, operation & 16 == 0);
        }
    }
    Some(())
}

/// A command of keys or modes, or an order: a planner's, or whatever bytes come.
fn keys_and_modes(
    bytes: &mut Bytes<'_>,
    choice: u8,
    station: &mut Station<64>,
    now: Tick,
) -> Option<()> {
    let command = match choice - KEYS_AND_MODES {
        0 => Command::Order,
        1 => Command::Mode(Mode::Hopping),
        2 => Command::Mode(Mode::SingleSealed),
        3 => Command::Mode(Mode::SinglePlain),
        4 => Command::Press(Target::ALL),
        5..=9 => {
            let (generation, ahead) = (bytes.byte()?, bytes.word()?);
            let near = station.slot(now).unwrap_or(Slot::ZERO);
            let slot = if ahead & 1 == 0 { near.plus(ahead & 0xFF) } else { Slot::new(ahead) };
            let order = order(station.keys().0, generation, slot);
            let cut = if choice & 1 == 0 { order.len() } else { usize::from(bytes.byte()?) };
            let before = fingerprint(station);
            let taken = station.take_order(now, order.get(..cut).unwrap_or(&order)).is_ok();
            assert!(taken || before == fingerprint(station), "a refused order moved the keys");
            return Some(());
        }
        _ => {
            let length = usize::from(bytes.byte()?).min(bytes.0.len());
            let (order, rest) = bytes.0.split_at(length);
            bytes.0 = rest;
            assert!(station.take_order(now, order).is_err(), "no planner made this order");
            return Some(());
        }
    };
    let _ = station.command(now, command);
    Some(())
}

fn fingerprint(station: &Station<64>) -> ([u8; 4], u8) {
    let (key, share) = station.keys();
    (key.fingerprint(), share.map_or(0, Share::generation))
}

/// The secret of a node of the station's path, by its depth; the root's goes into every cover here.
fn secret(depth: u8) -> Secret {
    Secret::new([0x30 | depth; 16])
}

/// The token of a generation: the last is given, each gives the one before.
fn token(generation: u8) -> Secret {
    (generation..u8::MAX).fold(Secret::new([0x55; 16]), |token, _| token.child(false))
}

fn share() -> Share {
    let mut depths = 0..;
    let path = core::array::from_fn(|_| secret(depths.next().unwrap_or_default()));
    Share::new(path, core::array::from_fn(|_| Secret::new([0x77; 16])), 0, token(0))
}

fn order(present: &NetKey, generation: u8, slot: Slot) -> Vec<u8> {
    let order = Order {
        generation: generation.max(1),
        slot,
        token: &token(generation.max(1)),
        key: &NetKey::new([generation; 32]),
        salt: [9; 16],
        inner: &Secret::new([0x11; 16]),
    };
    let root = Node::new(1).expect("the root");
    let tree = present.subkey(Label::Tree);
    order.to_bytes(&tree, &[(root, secret(0))]).expect("one entry").to_vec()
}

fn hear(station: &mut Station<64>, now: Tick, bits: &[u8], complement: bool) {
    let action = station.poll(now);
    let Radio::Listen { channel, word, complement: both } = action.radio else { return };
    let word = if both && complement { !word } else { word };
    let _ = station.heard(now, Reception { channel, word, at: now, bits });
}

fn judge(station: &Station<64>, action: Action, now: Tick, held_off: bool) {
    assert!(action.until > now || now == Tick::MAX, "{action:?} at {now:?}");
    assert!(action.poll_by >= action.until, "{action:?}");
    let Radio::Transmit { channel, at, .. } = action.radio else {
        assert!(station.burst().is_empty());
        return;
    };
    // Invariant 1: the hopset, or in a single-channel mode that channel.
    let single = station.mode() != Mode::Hopping;
    assert!(if single {
        channel == Channel::new(CALLING).expect("a channel")
    } else {
        station.sequence().hopset().contains(channel)
    });
    // Invariant 2: with a grip on time, or a cut-in.
    let grip = station.clock().map(|clock| clock.grip(&timing(), now));
    let has_time = station.in_step() && grip.is_some_and(|grip| grip != Grip::Lost);
    assert!(has_time || station.cuts_in() || single, "{grip:?}");
    assert!(station.holds_floor() && at < action.until);
    // A header has 33 bytes, payload more; none of it while the operator is held off.
    assert!(!held_off || station.burst().len() == 33);
}

fn kind(choice: u8) -> Kind {
    match choice % 6 {
        0 => Kind::Announce,
        1 => Kind::Over,
        2 => Kind::CutIn,
        3 => Kind::Closing,
        4 => Kind::Rekey,
        _ => Kind::LeadIn,
    }
}

fn timing() -> Timing {
    Timing::new(20_000, 1_000, 500, 50_000).expect("a slot")
}

fn new_station(key: &NetKey, role: u8, watermark: u8) -> Station<64> {
    let step = Hertz::new(25_000);
    let raster = Raster::new(Hertz::new(30_000_000), step, step, 64).expect("a raster");
    let pick = Pick::All;
    let hopset = Hopset::derive(key, &raster, &raster.all(), pick, None, Lane::ZERO);
    Station::new(Config {
        key,
        hopset: hopset.expect("64 channels"),
        structure: Structure { rendezvous: 8, equal_use: true, ..Structure::default() },
        lane: Lane::ZERO,
        draw_lane: Lane::ZERO,
        timing: timing(),
        clock: ClockPlan::new(Ppb::new(10_000).expect("10 ppm"), Micros::new(20), Micros::new(100)),
        announce_slots: 40,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels { calling: Channel::new(CALLING), ..FixedChannels::NONE },
        address: Address::new(0x41),
        role: if role & 1 == 0 { Role::Timekeeper } else { Role::Member },
        share: (role & 2 == 0).then(share),
        watermark: match watermark {
            0..=99 => Watermark::Fresh,
            255 => Watermark::Lost,
            slot => Watermark::Stored(Slot::new(u32::from(slot) << 24)),
        },
        seed: u64::from(watermark),
    })
    .expect("a station")
}
