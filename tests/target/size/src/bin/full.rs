//! Everything that a station on the target needs of the link: deriving its hopset from a plan,
//! starting, and every call; with the features `tree` and `messages` also what stands beside it:
//! addressing by keys, and messages. Nothing here is known to the optimiser, and nothing is printed.

#![no_std]
#![no_main]

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
    Command, Config, FixedChannels, Mode, Payload, Reception, Role, Station, Watermark,
};
use hopwright_core::timing::Timing;
#[cfg(feature = "tree")]
use hopwright_core::tree::{Secret, Share};
use hopwright_core::units::{Channel, Dbm, Hertz, Lane, Micros, Ppb, Slot, Tick};

#[cortex_m_rt::entry]
fn main() -> ! {
    // Without a station there is nothing to do, and the image stays alive either way.
    if let Some(mut station) = station() {
        loop {
            call(&mut station);
            #[cfg(feature = "tree")]
            keys(&mut station);
            #[cfg(feature = "messages")]
            messages(&mut station);
        }
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
fn call(station: &mut Station<128>) {
    let now = black_box(Tick::ZERO);
    let _ = black_box(station.poll(now));
    black_box(station.burst());
    let reception = Reception {
        channel: black_box(Channel::default()),
        word: black_box(0),
        at: now,
        bits: black_box(&[0; 108]),
    };
    let _ = black_box(station.heard(now, reception));
    let payload = black_box(Payload {
        timeline: Timeline::Home,
        slot: Slot::ZERO,
        source: Address::new(0),
        target: Target::ALL,
        order: false,
    });
    let mut text = [0; 108];
    black_box(station.open_payload(&payload, reception.bits, &mut text));
    black_box(&text);
    station.energy(now, reception.channel, black_box(Dbm::new(0)));
    let command = match black_box(0) {
        0 => Command::Announce,
        1 => Command::Press(black_box(Target::ALL)),
        2 => Command::Mode(black_box(Mode::SinglePlain)),
        #[cfg(feature = "tree")]
        3 => Command::Order,
        _ => Command::Release,
    };
    let _ = black_box(station.command(now, command));
    let _ = black_box(station.queue_payload(reception.bits));
    black_box(station.next_event());
    black_box((station.slot(now), station.in_step(), station.holds_floor(), station.counters()));
}

#[cfg(feature = "tree")]
/// A station's share of the key tree, as its configuration gives it.
fn share() -> Share {
    let (path, co_path) = black_box(([[0; 16]; 9], [[0; 16]; 8]));
    let token = Secret::new(black_box([0; 16]));
    let mut share =
        Share::new(path.map(Secret::new), co_path.map(Secret::new), black_box(0), token);
    let _ = share.add(black_box(Target::ALL), Secret::new(black_box([0; 16])));
    share
}

#[cfg(feature = "tree")]
/// A change of the net key, and what is stored of it.
fn keys(station: &mut Station<128>) {
    let _ = black_box(station.take_order(black_box(Tick::ZERO), black_box(&[0; 108])));
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
fn messages(station: &mut Station<128>) {
    let (source, target) = (Address::new(black_box(0)), black_box(Target::ALL));
    let Some(key) = station.message_key(source, target) else { return };
    let Ok(layout) = Layout::new(black_box(64), black_box(24), black_box(106)) else { return };
    let at = black_box(Origin { source: Address::new(0), stream: 0, slot: Slot::ZERO });
    let mut outbox = Outbox::<2328>::new(layout);
    let _ = black_box(outbox.load(&key, at, black_box(&[0; 16])));
    let mut inbox = Inbox::<6208, 1>::new(layout);
    let mut payload = [0; 106];
    while let Some(length) = outbox.next(&mut payload) {
        let payload = payload.get(..length).unwrap_or_default();
        let _ = black_box(inbox.take(&key, at, payload));
        while let Progress::Working | Progress::Ready(_) = black_box(inbox.work()) {}
    }
}

/// A station from a plan, with lanes and exclusions.
fn station() -> Option<Station<128>> {
    let key = NetKey::new(black_box([0; 32]));
    let hertz = |hz: u64| Hertz::new(black_box(hz));
    let raster = Raster::new(hertz(902_100_000), hertz(1), hertz(1), black_box(130)).ok()?;
    let mut allowed = raster.centred_in(hertz(1), hertz(2));
    allowed.remove_all(&raster.excluded_by(Exclusion::Band { from: hertz(1), to: hertz(2) }));
    let kind = match black_box(0) {
        0 => LaneKind::Disjoint { width: black_box(9) },
        _ => LaneKind::Spaced,
    };
    let lanes = Lanes::new(kind, black_box(8)).ok();
    let pick = match black_box(0) {
        0 => Pick::All,
        1 => Pick::Keyed(black_box(100)),
        2 => Pick::Even(black_box(100)),
        _ => Pick::Listed(black_box(&[])),
    };
    let lane = Lane::new(black_box(0))?;
    let config = Config {
        key: &key,
        hopset: Hopset::derive(&key, &raster, &allowed, pick, lanes.as_ref(), lane).ok()?,
        structure: Structure {
            frame: black_box(8),
            rendezvous: black_box(16),
            window: black_box(4),
            draw: if black_box(true) { Draw::Balanced } else { Draw::Independent },
            equal_use: black_box(true),
        },
        lane,
        draw_lane: lane,
        timing: Timing::new(black_box(20_000), black_box(1_000), black_box(500), black_box(50_000))
            .ok()?,
        clock: ClockPlan {
            tolerance: Ppb::new(black_box(1_000))?,
            own_tolerance: Ppb::new(black_box(1_000))?,
            steadiness: Ppb::new(black_box(1_000))?,
            wander: Micros::new(black_box(10)),
            jitter: Micros::new(black_box(20)),
            longest_delay: Micros::new(black_box(100)),
        },
        announce_slots: black_box(176),
        energy_threshold: Dbm::new(black_box(-95)),
        fixed: FixedChannels {
            calling: Channel::new(black_box(1)),
            watch: Channel::new(black_box(2)),
            lockout: Micros::new(black_box(40_000_000)),
        },
        address: Address::new(black_box(0x10)),
        role: match black_box(0) {
            0 => Role::Timekeeper,
            1 => Role::Deputy { after: Micros::new(black_box(1)) },
            _ => Role::Member,
        },
        #[cfg(feature = "tree")]
        share: Some(share()),
        #[cfg(not(feature = "tree"))]
        share: None,
        watermark: match black_box(0) {
            0 => Watermark::Fresh,
            1 => Watermark::Stored(black_box(Slot::ZERO)),
            _ => Watermark::Lost,
        },
        seed: black_box(1),
    };
    Station::new(config).ok()
}
