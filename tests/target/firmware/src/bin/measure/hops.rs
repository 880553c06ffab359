//! Hop generation: slot after slot, and from one far slot to another.

use crate::net;
use crate::stats::Stats;
use core::hint::black_box;
use hopwright_core::sequence::{Cursor, Draw, Timeline};
use hopwright_core::units::Slot;
use hopwright_firmware::counter::Counter;
use hopwright_firmware::random::Random;
use semihosting::println;

/// Consecutive slots: 32 cycles of 128 channels.
const SLOTS: u32 = 4096;
/// Far slots, one after the other.
const JUMPS: u32 = 512;

pub(crate) fn measure(counter: &Counter) {
    draw(counter, Draw::Balanced, "hop_balanced", "jump_balanced");
    draw(counter, Draw::Independent, "hop_independent", "jump_independent");
    runs(counter);
}

fn draw(counter: &Counter, draw: Draw, walk: &str, jump: &str) {
    let sequence = net::sequence(draw);
    let (mut cursor, made) = counter.count(|| Cursor::new(&sequence, Timeline::Home));
    println!("{walk}_cursor_new {made}");
    let mut stats = Stats::new();
    let mut worst_at = 0;
    for h in 0..SLOTS {
        let slot = black_box(Slot::new(h));
        if stats.add(counter.count(|| cursor.hop(&sequence, slot)).1) {
            worst_at = h;
        }
    }
    stats.print(walk);
    println!("{walk}_worst_at {worst_at}");
    let mut random = Random::new(0xFA1);
    let mut stats = Stats::new();
    for _ in 0..JUMPS {
        let slot = black_box(Slot::new(random.word()));
        stats.add(counter.count(|| cursor.hop(&sequence, slot)).1);
    }
    stats.print(jump);
}

/// Runs of consecutive sync slots, as in an announce.
fn runs(counter: &Counter) {
    let sequence = net::sequence(Draw::Balanced);
    let mut cursor = Cursor::new(&sequence, Timeline::Home);
    let mut stats = Stats::new();
    for h in 0..SLOTS {
        let slot = black_box(Slot::new(h));
        stats.add(counter.count(|| cursor.run_hop(&sequence, slot)).1);
    }
    stats.print("hop_run");
}
