//! The calling channel and the watch channel (specification section 9): what a flood of calls can
//! do to a station, and in which of its states traffic on the watch channel is noticed.
#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "outside the core a match on its enums needs a wildcard"
)]

use hopwright_core::address::{Address, Target};
use hopwright_core::header::{Header, Kind, Quality};
use hopwright_core::sequence::{Cursor, SlotKind, Timeline};
use hopwright_core::station::{
    Command, Event, FixedChannels, Radio, Reception, Role, SAMPLES, Station, Watermark,
};
use hopwright_core::units::{Channel, Dbm, Micros, Slot, Tick};
use hopwright_tests::plans::{Make, key, timing};

const SLOT: u64 = 20_000;
const SECOND: u64 = 1_000_000;
const LOUD: Dbm = Dbm::new(-60);

/// A station on channels 0 to 127 with the calling channel at 130 and the watch channel at 131.
fn make(role: Role) -> Station<128> {
    let fixed = FixedChannels {
        calling: Channel::new(130),
        watch: Channel::new(131),
        lockout: Micros::from_millis(40_000),
    };
    Make { role, watermark: Watermark::Fresh, fixed, ..Make::member(0x41) }.station(&key(7))
}

/// Where a station spends its slots, and what it tells.
#[derive(Debug, Default, PartialEq, Eq)]
struct Spent {
    home: u64,
    rendezvous: u64,
    calling: u64,
    watch: u64,
    sent: u64,
    calls_waiting: Vec<u64>,
    watch_traffic: Vec<u64>,
}

/// Drives a station, slot by slot, with power on some of the channels whenever it listens there.
fn spend(station: &mut Station<128>, from: u64, to: u64, loud: &[u16]) -> Spent {
    spend_at(station, from, to, loud, LOUD)
}

/// The same with power of another level.
fn spend_at(station: &mut Station<128>, from: u64, to: u64, loud: &[u16], level: Dbm) -> Spent {
    let mut spent = Spent::default();
    let mut now = from;
    while now < to {
        let tick = Tick::new(now);
        let action = station.poll(tick);
        match action.radio {
            Radio::Listen { channel, .. } => {
                let slot = station.slot(tick);
                match channel.number() {
                    130 => spent.calling += 1,
                    131 => spent.watch += 1,
                    // The first half of a frame of 8, sync slot or traffic, is the home half.
                    _ if slot.is_some_and(|slot| slot.number() % 8 < 4) => spent.home += 1,
                    _ => spent.rendezvous += 1,
                }
                // A report needs a slot's time on the channel.
                if loud.contains(&channel.number()) {
                    station.energy(Tick::new(now + SLOT - 1), channel, level);
                }
            }
            Radio::Transmit { .. } => spent.sent += 1,
            _ => {}
        }
        while let Some(event) = station.next_event() {
            match event {
                Event::CallWaiting => spent.calls_waiting.push(now),
                Event::WatchTraffic => spent.watch_traffic.push(now),
                _ => {}
            }
        }
        now += SLOT;
    }
    spent
}

/// A timekeeper that has announced and watches.
fn watching() -> (Station<128>, u64) {
    let mut station = make(Role::Timekeeper);
    station.command(Tick::new(SECOND), Command::Announce).unwrap();
    let announced = spend(&mut station, SECOND, 6 * SECOND, &[]);
    assert!(announced.sent > 100);
    (station, 6 * SECOND)
}

/// "Cannot raise more than one alert a lockout nor cost more than a stated share of listening":
/// one hour of power on both channels against one hour of silence.
#[test]
fn a_flood_of_calls_costs_nothing_and_alerts_once_in_a_lockout() {
    let hour = 3_600 * SECOND;
    let (mut flooded, start) = watching();
    let (mut quiet, _) = watching();
    let flood = spend(&mut flooded, start, start + hour, &[130, 131]);
    let silence = spend(&mut quiet, start, start + hour, &[]);
    // The same slots in the same places: a flood changes nothing.
    assert_eq!(
        (flood.home, flood.rendezvous, flood.calling, flood.watch),
        (silence.home, silence.rendezvous, silence.calling, silence.watch)
    );
    let slots = (hour / SLOT) as f64;
    // One slot of fifty for the watch channel, and half a frame of 48 slots (coasting: of 50) for
    // the calling channel.
    let share = |n: u64| n as f64 / slots;
    assert!((share(flood.watch) - 0.02).abs() < 0.001, "{}", share(flood.watch));
    assert!((share(flood.calling) - 4.0 / 48.0).abs() < 0.005, "{}", share(flood.calling));
    for alerts in [&flood.calls_waiting, &flood.watch_traffic] {
        assert!((85..=90).contains(&alerts.len()), "{}", alerts.len());
        assert!(alerts.windows(2).all(|pair| pair[1] - pair[0] >= 40 * SECOND));
    }
    assert_eq!((silence.calls_waiting.len(), silence.watch_traffic.len()), (0, 0));
}

/// One radio cannot be in two places: an answer begins where the last one ended or goes on with it, with
/// samples of both fixed channels in between.
#[test]
fn answers_follow_each_other_without_gap_or_overlap() {
    // In step, coasting after half an hour at 1 ppm, and searching after ten.
    for start in [0, 1_800 * SECOND, 36_000 * SECOND] {
        let (mut station, announced) = watching();
        let mut action = station.poll(Tick::new(announced + start));
        if station.in_step() {
            // And a driver may sleep through many of them.
            assert!(action.poll_by > action.until.plus(Micros::new(60 * SECOND)), "{action:?}");
        }
        let mut samples = 0;
        for _ in 0..2_000 {
            let next = station.poll(action.until);
            let goes_on = next.radio == action.radio && next.from == action.from;
            assert!(goes_on || next.from == action.until, "{action:?}, {next:?}");
            let Radio::Listen { channel, .. } = next.radio else { panic!("{next:?}") };
            samples += u32::from(channel.number() >= 130);
            action = next;
        }
        assert!(samples > 100, "{samples} samples");
    }
}

/// In step, nothing of the calling channel's time comes out of the home half of the frames.
#[test]
fn home_listening_loses_no_more_than_the_watch_sample() {
    let (mut station, start) = watching();
    let spent = spend(&mut station, start, start + 200 * SECOND, &[130, 131]);
    let slots = 200.0 * 50.0;
    assert!(spent.home as f64 >= slots * (0.5 - 0.02), "{spent:?}");
    assert!((spent.calling as f64 / slots - 4.0 / 48.0).abs() < 0.003, "{spent:?}");
    assert!(spent.rendezvous > 0);
}

#[test]
fn two_samples_are_no_call() {
    let (mut station, start) = watching();
    // The calling channel is visited every 48 slots: in this time no more than twice.
    let two = (u64::from(SAMPLES) - 1) * 900_000;
    let mut now = start;
    for _ in 0..100 {
        // Power for two samples, then two seconds of silence.
        let loud = spend(&mut station, now, now + two, &[130, 131]);
        let still = spend(&mut station, now + two, now + two + 2 * SECOND, &[]);
        now += two + 2 * SECOND;
        for spent in [loud, still] {
            assert_eq!((spent.calls_waiting.len(), spent.watch_traffic.len()), (0, 0));
        }
    }
}

/// What lies below the plan's threshold, -95 dBm here, is noise, on these channels as on others.
#[test]
fn noise_calls_nobody() {
    for (level, calls) in [(-96, 0), (-95, 1)] {
        let (mut station, start) = watching();
        let spent =
            spend_at(&mut station, start, start + 30 * SECOND, &[130, 131], Dbm::new(level));
        let told = (spent.calls_waiting.len(), spent.watch_traffic.len());
        assert_eq!(told, (calls, calls), "{level} dBm");
    }
}

/// Traffic on the watch channel is told within four seconds in every state that listens.
#[test]
fn the_watch_channel_is_heard_in_every_state() {
    // Searching: no time at all.
    let mut searching = make(Role::Member);
    let spent = spend(&mut searching, SECOND, 61 * SECOND, &[131]);
    assert!(!searching.in_step());
    assert!(spent.watch_traffic[0] <= 5 * SECOND, "{spent:?}");
    // Watching.
    let (mut station, start) = watching();
    let spent = spend(&mut station, start, start + 10 * SECOND, &[131]);
    assert!(spent.watch_traffic[0] <= start + 4 * SECOND, "{spent:?}");
    // Coasting, after two hours of silence at 1 ppm.
    let (mut station, start) = watching();
    let far = start + 2 * 3_600 * SECOND;
    let spent = spend(&mut station, far, far + 10 * SECOND, &[131]);
    assert!(spent.watch_traffic[0] <= far + 4 * SECOND, "{spent:?}");
    // Following an over, for it and not for it.
    for target in [Target::ALL, Target::all_but(Address::new(0x41))] {
        let (mut station, start) = watching();
        let spent = follow(&mut station, start, target);
        assert!(spent.watch_traffic[0] <= start + 5 * SECOND, "{spent:?}");
        // No more than a slot a second is given to it.
        assert!(spent.watch <= 10, "{spent:?}");
    }
}

/// Sync slots are not given away: a sample waits for the next slot if a second begins with one, and is left out if that
/// is another. (With frames of 3 slots the last slot of one and the first of the next can be: slot 50 is the last.)
#[test]
fn no_sync_slot_of_an_over_is_given_to_the_watch_channel() {
    let fixed = FixedChannels { watch: Channel::new(131), ..FixedChannels::NONE };
    let make = Make { fixed, frame: 3, announce_slots: 20, ..Make::timekeeper(0x41) };
    let keys = hopwright_core::header::HeaderKeys::new(&key(7));
    let (mut late, mut none) = (0, 0);
    let mut station = make.station(&key(7));
    station.command(Tick::ZERO, Command::Announce).unwrap();
    let mut samples = 0;
    for slot in 0..60 * 300 {
        let now = Tick::new(slot * SLOT);
        let action = station.poll(now);
        while station.next_event().is_some() {}
        let slot = station.slot(now).unwrap();
        if slot.number() < 30 {
            continue;
        }
        let hop = |slot| {
            let sequence = station.sequence();
            Cursor::new(sequence, Timeline::Home).kind(sequence, slot)
        };
        let Radio::Listen { channel, word, complement } = action.radio else {
            panic!("{action:?}")
        };
        let position = slot.number() % 50;
        let sampled = channel.number() == 131;
        if position < 2 {
            let before = Slot::new(slot.number().wrapping_sub(1));
            let expected =
                hop(slot) != SlotKind::Sync && (position == 0 || hop(before) == SlotKind::Sync);
            assert_eq!(sampled, expected, "slot {slot}");
            late += u32::from(position == 1 && expected);
            none += u32::from(
                position == 1 && hop(slot) == SlotKind::Sync && hop(before) == SlotKind::Sync,
            );
        } else {
            assert!(!sampled, "slot {slot}");
        }
        samples += u32::from(sampled);
        if !sampled {
            let at = action.from.plus(timing().word_offset());
            let target = Target::ALL;
            let (kind, quality) = (Kind::Over, Quality::of(Micros::new(100)));
            let source = Address::new(0x50);
            let header = Header { slot, source, target, kind, quality, countdown: 0 };
            let word = if complement { !word } else { word };
            let bits = keys.to_bits(header, 0);
            let reception = Reception { channel, word, at, bits: &bits };
            let _ = station.heard(now.plus(Micros::new(SLOT - 1_000)), reception);
        }
    }
    assert!(samples > 300 && late > 50 && none > 10, "{samples}, {late}, {none}");
}

/// Ten seconds of an over with a header in each sync slot, and power on the watch channel.
fn follow(station: &mut Station<128>, start: u64, target: Target) -> Spent {
    let keys = hopwright_core::header::HeaderKeys::new(&key(7));
    let mut spent = Spent::default();
    let mut now = start;
    while now < start + 10 * SECOND {
        let part = spend(station, now, now + SLOT, &[131]);
        spent.watch += part.watch;
        spent.watch_traffic.extend(part.watch_traffic);
        let tick = Tick::new(now);
        let slot: Slot = station.slot(tick).unwrap();
        let action = station.poll(tick);
        if let Radio::Listen { channel, word, complement } = action.radio
            && !matches!(channel.number(), 130 | 131)
        {
            let at = action.from.plus(timing().word_offset());
            let header = Header {
                slot,
                source: Address::new(0x50),
                target,
                kind: Kind::Over,
                quality: Quality::of(Micros::new(100)),
                countdown: 0,
            };
            // A header in the sync slot, payload in the others.
            let bits = keys.to_bits(header, 0);
            let payload = [0x5A; 108];
            let bits = if complement { &payload[..] } else { &bits[..] };
            let reception = Reception { channel, word, at, bits };
            let _ = station.heard(Tick::new(now + SLOT - 1_000), reception);
        }
        now += SLOT;
    }
    spent
}

/// Speaking, a station hears nothing; what goes on is told within four seconds of its last slot.
#[test]
fn a_speaker_is_told_when_it_has_finished() {
    let (mut station, start) = watching();
    station.command(Tick::new(start), Command::Press(Target::ALL)).unwrap();
    let over = spend(&mut station, start, start + 10 * SECOND, &[131]);
    assert!(over.sent > 400 && over.watch_traffic.is_empty(), "{over:?}");
    station.command(Tick::new(start + 10 * SECOND), Command::Release).unwrap();
    let after = spend(&mut station, start + 10 * SECOND, start + 20 * SECOND, &[131]);
    assert!(after.watch_traffic[0] <= start + 14 * SECOND + 200_000, "{after:?}");
}
