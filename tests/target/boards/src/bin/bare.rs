//! A bare loop and one interrupt.
//!
//! The gauge is a board as you would build it: [`SysTick`] is its hop interrupt, the loop in [`main`]
//! does everything else. The control post is there so that there is something to hear; its driver
//! tunes by itself and needs no interrupt.

#![no_std]
#![no_main]

use hopwright_boards::net::{self, Operator};
use hopwright_boards::radio::{self, Radio};
use hopwright_boards::time;
use hopwright_core::front_end::{Driver, FrontEnd, SharedDriver};
use hopwright_core::shared::{Hops, Turn};
use hopwright_core::units::{Channel, Micros};
use semihosting::{println, process};

/// The radios.
const GAUGE: usize = 0;
const POST: usize = 1;

/// From the loop to the hop interrupt. The synthesiser of these radios takes a channel's number; a real
/// one takes its frequency word.
static HOPS: Hops<Channel, 4> = Hops::new();

/// The hop interrupt: sets the synthesiser for the slot that begins, and the timer for the next.
#[cortex_m_rt::exception]
fn SysTick() {
    let next = HOPS.hop(time::now(), |turn| match turn {
        Turn::Tune { setting, .. } => radio::set_synthesiser(GAUGE, setting),
        Turn::Mute => radio::mute(GAUGE),
        Turn::Stay => {}
    });
    time::alarm(next);
}

#[cortex_m_rt::entry]
fn main() -> ! {
    time::start();
    let mut gauge = net::gauge();
    // The station is asked 4 ms before a slot begins: so long may the loop be busy with something else.
    let margin = Micros::new(4_000);
    let setting = |channel| channel;
    let driver = SharedDriver::new(Radio::new(GAUGE), net::timing(), margin, &HOPS, setting);
    let Ok(mut driver) = driver else { process::exit(2) };
    match driver.qualify(gauge.sequence().hopset().channels()) {
        Ok(delays) => {
            let lead = driver.front_end().lead().us();
            let left = Micros::new(net::timing().settle().us().saturating_sub(lead));
            println!("settles in {}, the plan leaves {left}", delays.settle);
        }
        Err(_) => process::exit(3),
    }
    let (mut post, mut operator) = (net::post(), Operator::default());
    let Ok(mut post_driver) = Driver::new(Radio::new(POST), net::timing()) else {
        process::exit(4)
    };
    loop {
        // The loop of a board: step, see what came of it, sleep.
        let Ok(step) = driver.step(&mut gauge) else { process::exit(5) };
        if step.hop.is_some() {
            // The interrupt finds out itself whether it is needed already, and sets its timer.
            time::interrupt();
        }
        if net::tell(&mut gauge, step.heard, driver.bits(), time::now()) {
            let tally = HOPS.tally();
            println!("hop interrupt: {} late, {} lapses", tally.late, tally.lapses);
            process::exit(0);
        }
        // On a real board this is another board.
        operator.act(&mut post, time::now());
        if post_driver.step(&mut post).is_err() {
            process::exit(6);
        }
    }
}
