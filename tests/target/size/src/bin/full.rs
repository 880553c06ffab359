//! Everything that a station on the target needs of the link: deriving its hopset from a plan,
//! starting, and every call; with the features `tree` and `messages` also what stands beside it:
//! addressing by keys, and messages; with others its configuration, and with `drivers` a hop interrupt and the
//! driver of a packet transceiver. Nothing here is known to the optimiser, and nothing is printed.

#![no_std]
#![no_main]

#[cfg(feature = "drivers")]
#[path = "../drivers.rs"]
mod drivers;
#[path = "../provisioning.rs"]
mod provisioning;

use core::hint::black_box;
use core::panic::PanicInfo;
use hopwright_core::address::{Address, Target};
use hopwright_core::band::{Exclusion, Hopset, LaneKind, Lanes, Pick, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::NetKey;
#[cfg(feature = "messages")]
use hopwright_core::message::{Inbox, Layout, Origin, Outbox, Progress};
use hopwright_core::sequence::{Draw, Structure, Timeline};
use hopwright_core::station::{
    Command, Config, FixedChannels, Payload, Reception, Role, Station, Watermark,
};
use hopwright_core::timing::Timing;
#[cfg(feature = "tree")]
use hopwright_core::tree::{Secret, Share};
use hopwright_core::units::{Channel, Dbm, Hertz, Lane, Micros, Ppb, Slot, Tick};

/// What the outside world would tell: one block of memory, so that the program around the core is small.
struct Given {
    now: Tick,
    channel: Channel,
    word: u32,
    level: Dbm,
    bits: [u8; 108],
    text: [u8; 108],
    payload: Payload,
    command: Command,
    key: [u8; 32],
    hertz: [Hertz; 8],
    channels: u16,
    kind: LaneKind,
    lanes: u8,
    lane: u8,
    pick: Pick<'static>,
    structure: Structure,
    /// Slot, settling, guard, bits per second.
    timing: [u32; 4],
    clock: ClockPlan,
    announce_slots: u16,
    fixed: FixedChannels,
    address: Address,
    role: Role,
    watermark: Watermark,
    seed: u64,
    #[cfg(feature = "tree")]
    path: ([[u8; 16]; 9], [[u8; 16]; 8]),
}

const NOTHING: Given = Given {
    now: Tick::ZERO,
    channel: CHANNEL,
    word: 0,
    level: Dbm::new(0),
    bits: [0; 108],
    text: [0; 108],
    payload: Payload {
        timeline: Timeline::Home,
        slot: Slot::ZERO,
        source: Address::new(0),
        target: Target::ALL,
        order: false,
    },
    command: Command::Announce,
    key: [0; 32],
    hertz: [Hertz::new(0); 8],
    channels: 0,
    kind: LaneKind::Disjoint { width: 0 },
    lanes: 0,
    lane: 0,
    pick: Pick::All,
    structure: Structure {
        frame: 0,
        rendezvous: 0,
        window: 0,
        draw: Draw::Balanced,
        equal_use: false,
    },
    timing: [0; 4],
    clock: ClockPlan::new(TOLERANCE, Micros::ZERO, Micros::ZERO),
    announce_slots: 0,
    fixed: FixedChannels { calling: None, watch: None, lockout: Micros::ZERO },
    address: Address::new(0),
    role: Role::Timekeeper,
    watermark: Watermark::Fresh,
    seed: 0,
    #[cfg(feature = "tree")]
    path: ([[0; 16]; 9], [[0; 16]; 8]),
};
const CHANNEL: Channel = match Channel::new(0) {
    Some(channel) => channel,
    None => panic!(),
};
const TOLERANCE: Ppb = match Ppb::new(0) {
    Some(tolerance) => tolerance,
    None => panic!(),
};

#[cortex_m_rt::entry]
fn main() -> ! {
    // (The entry point's macro lends it out once.)
    static mut GIVEN: Given = NOTHING;
    let given = black_box(GIVEN);
    // Without a station there is nothing to do, and the image stays alive either way.
    let mut station = station(given);
    while let Some(station) = black_box(&mut station) {
        call(station, given);
        #[cfg(feature = "tree")]
        keys(station, given);
        #[cfg(feature = "messages")]
        messages(station, given);
        provisioning::provisioning();
        #[cfg(feature = "drivers")]
        drivers::drivers(station);
    }
    loop {
        black_box(());
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {}
}

/// One of everything that a driver does.
fn call(station: &mut Station<128>, given: &mut Given) {
    let now = given.now;
    let _ = black_box(&station.poll(now));
    black_box(station.burst());
    let reception =
        Reception { channel: given.channel, word: given.word, at: now, bits: &given.bits };
    let _ = black_box(&station.heard(now, reception));
    black_box(station.open_payload(&given.payload, &given.bits, &mut given.text));
    station.energy(now, given.channel, given.level);
    let _ = black_box(&station.command(now, given.command));
    let _ = black_box(&station.queue_payload(&given.bits));
    black_box(&station.next_event());
    black_box(&(station.slot(now), station.in_step(), station.holds_floor()));
    black_box(station.counters());
}

#[cfg(feature = "tree")]
/// A station's share of the key tree, as its configuration gives it.
#[inline(never)]
fn share(given: &Given) -> Share {
    let (path, co_path) = given.path;
    let token = Secret::new(path[0]);
    let mut share = Share::new(path.map(Secret::new), co_path.map(Secret::new), given.lane, token);
    let _ = share.add(given.payload.target, Secret::new(path[0]));
    share
}

#[cfg(feature = "tree")]
/// A change of the net key, and what is stored of it.
fn keys(station: &mut Station<128>, given: &Given) {
    let _ = black_box(&station.take_order(given.now, &given.bits));
    let (key, share) = station.keys();
    key.expose(|key| {
        black_box(key);
    });
    if let Some(share) = share {
        share.write(&mut |part: &[u8]| {
            black_box(part);
        });
    }
}

#[cfg(feature = "messages")]
/// A message out, and one in.
fn messages(station: &mut Station<128>, given: &Given) {
    let (source, target) = (given.address, given.payload.target);
    let Some(key) = station.message_key(source, target) else { return };
    let Ok(layout) = Layout::new(black_box(64), black_box(24), black_box(106)) else { return };
    let at = Origin { source, stream: given.word, slot: given.payload.slot };
    let mut outbox = Outbox::<2328>::new(layout);
    let _ = black_box(outbox.load(&key, at, &given.bits));
    let mut inbox = Inbox::<6208, 1>::new(layout);
    let mut payload = [0; 106];
    while let Some(length) = outbox.next(&mut payload) {
        let payload = payload.get(..length).unwrap_or_default();
        let _ = black_box(inbox.take(&key, at, payload));
        while let Progress::Working | Progress::Ready(_) = black_box(inbox.work()) {}
    }
}

/// A station from a plan, with lanes and exclusions.
#[inline(never)]
fn station(given: &Given) -> Option<Station<128>> {
    let key = NetKey::new(given.key);
    let [base, spacing, occupied, low, high, from, to, _] = given.hertz;
    let raster = Raster::new(base, spacing, occupied, given.channels).ok()?;
    let mut allowed = raster.centred_in(low, high);
    allowed.remove_all(&raster.excluded_by(Exclusion::Band { from, to }));
    let lanes = Lanes::new(given.kind, given.lanes).ok();
    let lane = Lane::new(given.lane)?;
    let [slot, settle, guard, bps] = given.timing;
    let config = Config {
        key: &key,
        hopset: Hopset::derive(&key, &raster, &allowed, given.pick, lanes.as_ref(), lane).ok()?,
        structure: given.structure,
        lane,
        draw_lane: lane,
        timing: Timing::new(slot, settle, guard, bps).ok()?,
        clock: given.clock,
        announce_slots: given.announce_slots,
        energy_threshold: given.level,
        fixed: given.fixed,
        address: given.address,
        role: given.role,
        #[cfg(feature = "tree")]
        share: Some(share(given)),
        #[cfg(not(feature = "tree"))]
        share: None,
        watermark: given.watermark,
        seed: given.seed,
    };
    Station::new(config).ok()
}
