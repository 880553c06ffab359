//! Every call of recorded stations, by kind and by what came of it.

use crate::stats::Stats;
use core::hint::black_box;
use hopwright_core::coding::interleave::HEADER_BYTES;
use hopwright_core::record::{Input, apply};
use hopwright_core::station::{Action, Dropped, Heard, Radio, Reception, Station};
use hopwright_core::units::Tick;
use hopwright_firmware::counter::Counter;
use hopwright_firmware::recordings::{self, CHANNELS};
use semihosting::println;

/// What `poll` answered, as far as it can be seen from outside.
const POLLS: [&str; 7] = [
    "poll_unchanged",
    "poll_search",
    "poll_verify_or_follow",
    "poll_watch",
    "poll_silent",
    "poll_send_header",
    "poll_send_payload",
];

/// What `heard` answered.
const HEARD: [&str; 5] =
    ["heard_header", "heard_payload", "heard_busy", "heard_not_genuine", "heard_dropped"];

/// All that is counted.
struct Counts {
    poll: Stats,
    polls: [Stats; POLLS.len()],
    heard: Stats,
    heards: [Stats; HEARD.len()],
    open_payload: Stats,
    others: Stats,
    worst: Worst,
}

/// The worst poll.
#[derive(Clone, Copy)]
struct Worst {
    station: &'static str,
    class: usize,
    input: u32,
    now: Tick,
}

/// Gives the number of recordings.
pub(crate) fn measure(counter: &Counter) -> u32 {
    let mut counts = Counts {
        poll: Stats::new(),
        polls: [Stats::new(); POLLS.len()],
        heard: Stats::new(),
        heards: [Stats::new(); HEARD.len()],
        open_payload: Stats::new(),
        others: Stats::new(),
        worst: Worst { station: "", class: 0, input: 0, now: Tick::ZERO },
    };
    let mut recordings = 0;
    for (address, bytes) in recordings::all() {
        counts.replay(counter, address, bytes);
        recordings += 1;
    }
    counts.print();
    recordings
}

impl Counts {
    fn replay(&mut self, counter: &Counter, address: &'static str, bytes: &[u8]) {
        let mut rest = bytes;
        let key = recordings::key(bytes);
        let (mut station, started) = counter.count(|| recordings::station(&mut rest, &key));
        println!("station_{address}_new {started}");
        let mut input = 0;
        while let Some(next) = recordings::next(&mut rest) {
            let next = black_box(next);
            match next {
                Input::Poll(now) => self.poll(counter, &mut station, address, input, now),
                Input::Heard(now, reception) => self.heard(counter, &mut station, now, reception),
                Input::Energy(..) | Input::Command(..) | Input::Payload(_) | _ => {
                    let work = || apply(&mut station, next, &mut |_: &[u8]| ());
                    let (_, cost) = counter.count(work);
                    self.others.add(cost);
                }
            }
            while station.next_event().is_some() {}
            input += 1;
        }
    }

    fn poll(
        &mut self,
        counter: &Counter,
        station: &mut Station<CHANNELS>,
        address: &'static str,
        input: u32,
        now: Tick,
    ) {
        let (action, cost) = counter.count(|| station.poll(now));
        let class = class(&action, station, cost);
        if let Some(stats) = self.polls.get_mut(class) {
            stats.add(cost);
        }
        if self.poll.add(cost) {
            self.worst = Worst { station: address, class, input, now };
        }
    }

    fn heard(
        &mut self,
        counter: &Counter,
        station: &mut Station<CHANNELS>,
        now: Tick,
        reception: Reception<'_>,
    ) {
        let (heard, cost) = counter.count(|| station.heard(now, reception));
        let class = match heard {
            Heard::Header { .. } => 0,
            Heard::Payload(payload) => {
                let mut text = [0; 512];
                let work = || station.open_payload(&payload, reception.bits, &mut text);
                self.open_payload.add(counter.count(work).1);
                1
            }
            Heard::Busy => 2,
            Heard::Dropped(Dropped::NotGenuine) => 3,
            Heard::Dropped(_) | _ => 4,
        };
        if let Some(stats) = self.heards.get_mut(class) {
            stats.add(cost);
        }
        self.heard.add(cost);
    }

    fn print(&self) {
        self.poll.print("poll");
        println!("poll_worst_station {}", self.worst.station);
        println!("poll_worst_input {}", self.worst.input);
        println!("poll_worst_us {}", self.worst.now.us());
        println!("poll_worst_class {}", POLLS.get(self.worst.class).unwrap_or(&"none"));
        for (stats, name) in self.polls.iter().zip(POLLS) {
            stats.print(name);
        }
        self.heard.print("heard");
        for (stats, name) in self.heards.iter().zip(HEARD) {
            stats.print(name);
        }
        self.open_payload.print("open_payload");
        self.others.print("energy_and_commands");
    }
}

/// Fewer instructions than any poll that does more than repeat its last answer.
const UNCHANGED: u32 = 200;

fn class(action: &Action, station: &Station<CHANNELS>, cost: u32) -> usize {
    match action.radio {
        _ if cost < UNCHANGED => 0,
        Radio::Listen { .. } if action.poll_by > action.until => 3,
        Radio::Listen { .. } if !station.in_step() && station.clock().is_none() => 1,
        Radio::Listen { .. } => 2,
        Radio::Transmit { .. } if station.burst().len() == HEADER_BYTES => 5,
        Radio::Transmit { .. } => 6,
        Radio::Off | _ => 4,
    }
}
