//! The net of the example: a control post that announces and speaks, and a gauge that listens.
//!
//! The key is a published one, for training. A real station has its own from its configuration
//! (`docs/provisioning.md`).

use hopwright_core::address::{Address, Target};
use hopwright_core::band::{Hopset, Pick, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::NetKey;
use hopwright_core::provision::{Configuration, MessageCode, PlanDigest};
use hopwright_core::sequence::Structure;
use hopwright_core::station::{Command, Event, FixedChannels, Heard, Role, Station, Watermark};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Dbm, Hertz, Lane, Micros, Ppb, Tick};
use semihosting::{println, process};

/// The channels that the example's stations have room for.
pub const CHANNELS: usize = 32;
/// A station of the example.
pub type Member = Station<CHANNELS>;
/// What the post says.
pub const WORDS: &[u8] = b"gauge ford: 41 cm and rising";
/// When the example has failed: nothing takes it that long.
pub const TOO_LATE: Tick = Tick::new(10_000_000);

/// The anatomy of a slot: 20 ms, of which 1 ms to settle and twice 0.5 ms of guard, at 50 kbit/s.
///
/// # Panics
/// Never: the numbers fit.
#[must_use]
pub fn timing() -> Timing {
    Timing::new(20_000, 1_000, 500, 50_000).expect("the numbers fit")
}

/// Where the channels lie: 32 of 200 kHz from 902.3 MHz on.
///
/// # Panics
/// Never: the numbers fit.
#[must_use]
pub fn raster() -> Raster {
    let step = Hertz::new(200_000);
    Raster::new(Hertz::new(902_300_000), step, step, 32).expect("the numbers fit")
}

/// What a station of the net is given, `announce_slots` being the length of an announce.
///
/// # Panics
/// Never: the numbers fit.
#[must_use]
pub fn configuration(
    address: Address,
    role: Role,
    announce_slots: u16,
) -> Configuration<'static, CHANNELS> {
    let key = NetKey::new(core::array::from_fn(|i| i as u8));
    let raster = raster();
    // A part of the raster, so that a channel may be wrong.
    let pick = Pick::Keyed(24);
    let hopset = Hopset::derive(&key, &raster, &raster.all(), pick, None, Lane::ZERO);
    let tolerance = Ppb::new(1_000).expect("in range");
    Configuration {
        address,
        role,
        name: "larkfell",
        plan: PlanDigest::new([1; 16]),
        key,
        hopset: hopset.expect("24 of 32 channels"),
        structure: Structure::default(),
        lane: Lane::ZERO,
        draw_lane: Lane::ZERO,
        timing: timing(),
        clock: ClockPlan::new(tolerance, Micros::new(20), Micros::new(100)),
        announce_slots,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels::NONE,
        code: MessageCode { n: 64, k: 24 },
        share: None,
    }
}

/// A station of it.
///
/// # Panics
/// Never: the parts fit each other.
#[must_use]
pub fn station(address: u8, role: Role, announce_slots: u16) -> Member {
    let configuration = configuration(Address::new(address), role, announce_slots);
    Station::new(configuration.config(Watermark::Fresh, address.into())).expect("parts that fit")
}

/// The control post.
#[must_use]
pub fn post() -> Member {
    station(0x10, Role::Timekeeper, 40)
}

/// The gauge.
#[must_use]
pub fn gauge() -> Member {
    station(0x21, Role::Member, 40)
}

/// What the post's operator does: announces, presses when the announce is over, and says one thing.
#[derive(Debug, Default)]
pub struct Operator {
    announced: bool,
    pressed: bool,
}

impl Operator {
    /// Acts at `now`, which is the station's time.
    pub fn act(&mut self, station: &mut Member, now: Tick) {
        if !self.announced && now >= Tick::new(50_000) {
            self.announced = station.command(now, Command::Announce).is_ok();
        }
        if !self.pressed && now >= Tick::new(1_000_000) {
            self.pressed = station.command(now, Command::Press(Target::ALL)).is_ok();
        }
        while let Some(event) = station.next_event() {
            if let Event::GoAhead { .. } = event {
                let _ = station.queue_payload(WORDS);
            }
        }
    }
}

/// Tells what has happened to the gauge; `true` if it has read what the post said. Ends the emulation
/// when it is too late for that.
pub fn tell(station: &mut Member, heard: Option<Heard>, bits: &[u8], now: Tick) -> bool {
    while let Some(event) = station.next_event() {
        if let Event::InStep { slot } = event {
            println!("in step in slot {slot}");
        } else if let Event::Call { source, target, .. } = event {
            println!("{source} calls {target}");
        }
    }
    if now > TOO_LATE {
        println!("nothing was heard");
        process::exit(1);
    }
    let Some(Heard::Payload(payload)) = heard else { return false };
    let mut text = [0; 128];
    let length = station.open_payload(&payload, bits, &mut text).unwrap_or_default();
    let said = text.get(..length) == Some(WORDS);
    if said {
        let text = core::str::from_utf8(WORDS).unwrap_or_default();
        println!("{} says: {text}", payload.source);
    }
    said
}
