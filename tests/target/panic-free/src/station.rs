//! The station and its recordings.

use crate::fields::any_timing;
use crate::sequence::{any_hopset, any_structure};
use core::hint::black_box;
use hopwright_core::address::{Address, Target};
use hopwright_core::clock::{ClockPlan, Grip, NetClock};
use hopwright_core::keys::NetKey;
use hopwright_core::record::{self, Input, Sink, Trailer};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{
    Command, Config, FixedChannels, Mode, Payload, Reception, Role, Station, Watermark,
};
use hopwright_core::timing::Timing;
use hopwright_core::tree::Share;
use hopwright_core::units::{Channel, Dbm, Lane, Micros, Ppb, Slot, Tick};

fn tick() -> Tick {
    Tick::new(black_box(0))
}

pub(crate) fn all(key: &NetKey) {
    if let Some(config) = config::<128>(key) {
        record::write_config(&config, &mut sink);
        if let Ok(mut station) = Station::new(config) {
            calls(&mut station);
        }
    }
    let recording = black_box([0_u8; 200]);
    let recording = recording.get(..black_box(0)).unwrap_or_default();
    if let Some((body, trailer)) = Trailer::split(recording) {
        black_box(body);
        Trailer::write(&trailer, &mut sink);
    }
    Sink::write(&mut sink, recording);
    let Some(key) = record::read_key(recording) else { return };
    let mut rest = recording;
    let Some(config) = record::read_config::<64>(&mut rest, &key) else { return };
    let Ok(mut station) = Station::new(config) else { return };
    while let Some(input) = Input::decode(&mut rest) {
        Input::encode(&input, &mut sink);
        black_box(record::apply(&mut station, input, &mut sink));
    }
}

/// A station of which nothing is known.
pub(crate) fn any_station<const N: usize>(key: &NetKey) -> Option<Station<N>> {
    Station::new(config(key)?).ok()
}

fn sink(bytes: &[u8]) {
    black_box(bytes);
}

fn config<const N: usize>(key: &NetKey) -> Option<Config<'_, N>> {
    Some(Config {
        key,
        hopset: any_hopset()?,
        structure: any_structure(),
        lane: black_box(Lane::ZERO),
        draw_lane: black_box(Lane::ZERO),
        timing: any_timing().ok()?,
        clock: black_box(ClockPlan::new(Ppb::MAX, Micros::ZERO, Micros::ZERO)),
        announce_slots: black_box(0),
        energy_threshold: Dbm::new(black_box(0)),
        fixed: FixedChannels {
            calling: black_box(None),
            watch: black_box(None),
            lockout: Micros::new(black_box(0)),
        },
        address: Address::new(black_box(0)),
        role: black_box(Role::Deputy { after: Micros::new(0) }),
        share: Share::read(black_box(&[0; 290])),
        watermark: black_box(Watermark::Fresh),
        seed: black_box(0),
    })
}

/// Every call twice over in any order: the loop ends when nobody knows.
fn calls<const N: usize>(station: &mut Station<N>) {
    let bits = black_box([0_u8; 600]);
    let bits = bits.get(..black_box(0)).unwrap_or_default();
    while black_box(true) {
        record::write_action(&Station::poll(station, tick()), station.burst(), &mut sink);
        let channel = black_box(Channel::default());
        let reception = Reception { channel, word: black_box(0), at: tick(), bits };
        record::write_heard(Station::heard(station, tick(), reception), &mut sink);
        station.energy(tick(), channel, Dbm::new(black_box(0)));
        let command = match black_box(0) {
            0 => Command::Announce,
            1 => Command::Press(black_box(Target::ALL)),
            2 => Command::Order,
            3 => Command::Mode(black_box(Mode::SinglePlain)),
            _ => Command::Release,
        };
        record::write_answer(station.command(tick(), command), &mut sink);
        record::write_answer(station.queue_payload(bits), &mut sink);
        let mut out = black_box([0_u8; 600]);
        let out = out.get_mut(..black_box(0)).unwrap_or_default();
        let (slot, source) = (Slot::new(black_box(0)), Address::new(black_box(0)));
        let (timeline, target) = (black_box(Timeline::Home), black_box(Target::ALL));
        let payload = Payload { timeline, slot, source, target, order: black_box(false) };
        black_box(station.open_payload(&payload, bits, out));
        keys(station, &payload, bits);
        if let Some(event) = station.next_event() {
            record::write_event(event, &mut sink);
        }
        black_box((Station::address(station), station.fixed(), station.sequence()));
        black_box((station.in_step(), station.holds_floor(), station.cuts_in()));
        black_box((Station::slot(station, tick()), station.counters()));
        black_box(station.payload_capacity());
        if let (Some(clock), Ok(timing)) = (station.clock(), any_timing()) {
            clock_of(clock, &timing);
        }
    }
}

fn keys<const N: usize>(station: &mut Station<N>, payload: &Payload, bits: &[u8]) {
    record::write_answer(station.take_order(tick(), bits), &mut sink);
    let Payload { slot, source, target, .. } = *payload;
    black_box(station.message_key(source, target).is_some());
    black_box((station.origin(payload), station.own_origin(slot), station.mode()));
    black_box(station.uses_net_key());
    let (key, share) = station.keys();
    NetKey::expose(key, |key| {
        black_box(key);
    });
    if let Some(share) = share {
        Share::write(share, &mut sink);
        black_box(share.reaches(source, target));
    }
}

fn clock_of(clock: &NetClock, timing: &Timing) {
    black_box((clock.net_us(tick()), clock.bound(tick()), NetClock::half_width(clock, tick())));
    black_box((clock.rate(), clock.spread(tick()), clock.grip(timing, tick())));
    black_box(clock.grip_of_others(timing, tick()));
    black_box(clock.loosens_at(timing, black_box(Grip::Locked)));
    black_box(NetClock::slot_at(clock, timing, tick()));
    black_box(NetClock::start_of(clock, timing, Slot::new(black_box(0))));
}
