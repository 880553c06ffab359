//! The hop interrupt: what it costs to take a slot from the queue, at best and at worst.

use crate::net;
use core::hint::black_box;
use hopwright_core::shared::{Hops, Prepared, Turn};
use hopwright_core::station::{Action, Radio};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Tick};
use hopwright_firmware::counter::Counter;
use semihosting::println;

const SLOT: u64 = 20_000;
/// Slots that wait at most.
const DEPTH: usize = 4;

pub(crate) fn measure(counter: &Counter) {
    let station = net::timekeeper();
    let timing = Timing::new(20_000, 1_000, 500, 50_000).expect("a slot that works");
    let slot = |from: u64| {
        let channel = Channel::default();
        let radio = Radio::Transmit { channel, word: 7, at: Tick::new(from + 1_500) };
        let until = Tick::new(from + SLOT);
        let action = Action { radio, from: Tick::new(from), until, poll_by: until };
        Prepared::new(&station, &timing, &action, |channel| u32::from(channel.number()))
    };
    let hops = Hops::<u32, DEPTH>::new();
    let prepare = |from: u64| {
        if let Some(slot) = slot(from) {
            let _ = black_box(hops.prepare(Tick::ZERO, slot, false));
        }
    };
    // What the board does to its synthesiser is not counted: only that it is told.
    let hop = |now: u64| {
        let now = black_box(Tick::new(now));
        let work = || {
            hops.hop(now, |turn: Turn<u32>| {
                let _ = black_box(turn);
            })
        };
        counter.count(work).1
    };
    prepare(SLOT);
    println!("interrupt_early {}", hop(SLOT - 1));
    println!("interrupt_taken {}", hop(SLOT));
    println!("interrupt_again {}", hop(SLOT + 1));
    println!("interrupt_lapse {}", hop(2 * SLOT));
    for h in 3..7 {
        prepare(h * SLOT);
    }
    // All but the last are over.
    println!("interrupt_worst {}", hop(6 * SLOT));
    prepare(8 * SLOT);
    let _ = hop(8 * SLOT);
    let serial = hops.entered().map(|entered| entered.serial).unwrap_or_default();
    let now = black_box(Tick::new(8 * SLOT + 800));
    let (started, cost) = counter.count(|| hops.transmit(serial, now, || black_box(())));
    println!("interrupt_transmit {}", if started.is_some() { cost } else { 0 });
    println!("hops_bytes {}", size_of::<Hops<u32, DEPTH>>());
}
