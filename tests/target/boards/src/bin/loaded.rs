//! The hop interrupt while the main loop is loaded: it announces for 8 s, and between two steps it
//! computes for up to 40 ms, two slots.
//!
//! Prints counts as `name value` lines, and exits with 1 if the radio has left the hopset, or anything
//! was sent that does not belong to its slot.

#![no_std]
#![no_main]

use core::sync::atomic::{AtomicU32, Ordering};
use hopwright_boards::net;
use hopwright_boards::radio::{self, Radio};
use hopwright_boards::time;
use hopwright_core::front_end::SharedDriver;
use hopwright_core::sequence::{Cursor, Timeline};
use hopwright_core::shared::{Hops, Turn};
use hopwright_core::station::{Command, Role};
use hopwright_core::units::{Channel, Micros, Slot, Tick};
use semihosting::{println, process};

const RADIO: usize = 0;
const SLOTS: u16 = 400;
const SLOT_US: u64 = 20_000;
/// Where in its slot a word starts, and by how much it may miss that: half of the plan's jitter.
const WORD_US: u64 = 1_500;
const MISSES_US: u64 = 10;
/// When the announce begins.
const BEGINS: Tick = Tick::new(60_000);

static HOPS: Hops<Channel, 4> = Hops::new();
/// The channels that the interrupt has set, as bits.
static TUNED: AtomicU32 = AtomicU32::new(0);
static INTERRUPTS: AtomicU32 = AtomicU32::new(0);
static RETUNED: AtomicU32 = AtomicU32::new(0);

#[cortex_m_rt::exception]
fn SysTick() {
    let next = HOPS.hop(time::now(), |turn| match turn {
        Turn::Tune { setting, .. } => {
            radio::set_synthesiser(RADIO, setting);
            let bit = 1_u32.checked_shl(setting.number().into()).unwrap_or_default();
            TUNED.fetch_or(bit, Ordering::Relaxed);
            RETUNED.fetch_add(1, Ordering::Relaxed);
        }
        Turn::Mute => radio::mute(RADIO),
        Turn::Stay => {}
    });
    time::alarm(next);
    INTERRUPTS.fetch_add(1, Ordering::Relaxed);
}

/// What the loop is busy with: mostly less than the margin, one time in 32 up to two slots.
struct Load(u32);

impl Load {
    fn carry(&mut self) {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let long = (self.0 >> 8) & 31 == 0;
        let most = if long { 40_000 } else { 1_500 };
        let us = u64::from(self.0 >> 12) % most;
        time::busy_until(time::now().plus(Micros::new(us)));
    }
}

#[cortex_m_rt::entry]
fn main() -> ! {
    time::start();
    let mut station = net::station(0x10, Role::Timekeeper, SLOTS);
    let margin = Micros::new(8_000);
    let radio = Radio::new(RADIO);
    let Ok(mut driver) = SharedDriver::new(radio, net::timing(), margin, &HOPS, |channel| channel)
    else {
        process::exit(2)
    };
    time::busy_until(BEGINS);
    let begins = driver.time();
    if station.command(begins, Command::Announce).is_err() {
        process::exit(3);
    }
    let end = begins.plus(Micros::new(SLOT_US * u64::from(SLOTS)));
    let mut load = Load(7);
    while time::now() < end {
        let Ok(step) = driver.step(&mut station) else { process::exit(4) };
        if step.hop.is_some() {
            time::interrupt();
        }
        load.carry();
    }
    time::alarm(None);
    report(&station, begins, driver.tally().missed)
}

fn report(station: &net::Member, begins: Tick, missed: u32) -> ! {
    let (sent, cut) = radio::sent();
    // What should have been sent is worked out by a reader of its own.
    let sequence = station.sequence();
    let mut cursor = Cursor::new(sequence, Timeline::Home);
    let mut wrong = 0;
    for flight in &sent {
        let since = flight.at.since(begins).unwrap_or_default().us();
        let slot = Slot::new((since / SLOT_US) as u32);
        let hop = cursor.run_hop(sequence, slot);
        let in_place = (since % SLOT_US).abs_diff(WORD_US) <= MISSES_US;
        let right = in_place && flight.channel == hop.channel && flight.word == hop.word;
        wrong += u32::from(!right);
    }
    let tuned = TUNED.load(Ordering::Relaxed);
    let hopset = sequence.hopset().channels().iter();
    let allowed = hopset.fold(0_u32, |bits, channel| bits | 1 << channel.number());
    let outside = (tuned & !allowed).count_ones();
    let tally = HOPS.tally();
    println!("interrupts {}", INTERRUPTS.load(Ordering::Relaxed));
    println!("slots {SLOTS}");
    println!("tuned {}", RETUNED.load(Ordering::Relaxed));
    println!("sent {}", sent.len());
    println!("late {}", tally.late);
    println!("lapses {}", tally.lapses);
    println!("silenced {}", tally.silenced);
    println!("withheld {}", tally.withheld);
    println!("missed {missed}");
    println!("sent_in_another_slot {wrong}");
    println!("cut_off {cut}");
    println!("outside_of_the_hopset {outside}");
    let loaded = tally.lapses > 0 && tally.late > 0;
    let alive = sent.len() > usize::from(SLOTS) / 4;
    process::exit(i32::from(wrong + cut + outside > 0 || !loaded || !alive))
}
