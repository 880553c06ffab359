//! The longest polls there are: a station that has not been asked for a long time.

use crate::net;
use crate::stats::Stats;
use core::hint::black_box;
use hopwright_core::address::Target;
use hopwright_core::station::{Command, Radio, Station};
use hopwright_core::units::{Micros, Tick};
use hopwright_firmware::counter::Counter;
use hopwright_firmware::random::Random;
use hopwright_firmware::recordings::CHANNELS;

const JUMPS: u32 = 256;

pub(crate) fn measure(counter: &Counter) {
    let mut station = net::timekeeper();
    let mut now = Tick::new(1_000_000);
    station.command(now, Command::Announce).expect("a fresh timekeeper may announce");
    let mut random = Random::new(0xFA2);
    let (mut watch, mut speak) = (Stats::new(), Stats::new());
    for _ in 0..JUMPS {
        // The end of an announce or of an over, and then a silence of up to five hours.
        now = later(now, &mut random);
        watch.add(poll(counter, &mut station, now));
        // An over starts far from where the watch looked last: the poll in its first slot jumps
        // and makes a header or a payload.
        let pressed = station.command(now, Command::Press(Target::ALL));
        pressed.expect("an idle station may speak");
        let _ = poll(counter, &mut station, now);
        now = later(now, &mut random);
        let cost = poll(counter, &mut station, now);
        let transmits = matches!(station.poll(now).radio, Radio::Transmit { .. } | Radio::Off);
        assert!(transmits, "it speaks");
        speak.add(cost);
        station.command(now, Command::Release).expect("it speaks");
        while station.next_event().is_some() {}
    }
    watch.print("poll_far_watching");
    speak.print("poll_far_speaking");
}

fn poll(counter: &Counter, station: &mut Station<CHANNELS>, now: Tick) -> u32 {
    let now = black_box(now);
    counter.count(|| station.poll(now)).1
}

/// At least a minute, at most about five hours.
fn later(now: Tick, random: &mut Random) -> Tick {
    now.plus(Micros::from_millis(60_000 + u64::from(random.word() >> 8)))
}
