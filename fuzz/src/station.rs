//! One station under arbitrary inputs, with what must hold asserted after each.

use hopwright_core::address::{Address, Target};
use hopwright_core::band::{Hopset, Pick, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Structure, Timeline};
use hopwright_core::station::{
    Action, Command, Config, Event, FixedChannels, Radio, Reception, Role, Station, Watermark,
};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Dbm, Hertz, Lane, Micros, Ppb, Slot, Tick};

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
/// kind and countdown get past the tag.
///
/// # Panics
/// If the station transmits outside its hopset or without being allowed to, gives an answer that
/// is already over, or talks before it may.
pub fn station(data: &[u8]) {
    let mut bytes = Bytes(data);
    let (Some(role), Some(watermark)) = (bytes.byte(), bytes.byte()) else { return };
    let key = NetKey::new([7; 32]);
    let keys = HeaderKeys::new(&key);
    let mut station = new_station(&key, role, watermark);
    let mut now = Tick::new(1 << 32);
    let mut held_off = false;
    while let Some(operation) = bytes.byte() {
        let Some(()) = step(&mut bytes, operation, &mut station, &keys, &mut now) else { return };
        let action = station.poll(now);
        while let Some(event) = station.next_event() {
            held_off = match event {
                Event::HoldOff => true,
                Event::GoAhead { .. } => false,
                _ => held_off,
            };
        }
        judge(&station, action, now, held_off);
    }
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
            let command = match bytes.byte()? % 4 {
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
    assert!(station.sequence().hopset().contains(channel), "{channel}");
    assert!(station.in_step() || station.cuts_in());
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
        timing: Timing::new(20_000, 1_000, 500, 50_000).expect("a slot"),
        clock: ClockPlan::new(Ppb::new(10_000).expect("10 ppm"), Micros::new(20), Micros::new(100)),
        announce_slots: 40,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels::NONE,
        address: Address::new(0x41),
        role: if role & 1 == 0 { Role::Timekeeper } else { Role::Member },
        share: None,
        watermark: match watermark {
            0..=99 => Watermark::Fresh,
            255 => Watermark::Lost,
            slot => Watermark::Stored(Slot::new(u32::from(slot) << 24)),
        },
        seed: u64::from(watermark),
    })
    .expect("a station")
}
