//! What everything else is made of: one cipher block, one Golay word.

use crate::net;
use crate::stats::Stats;
use core::hint::black_box;
use hopwright_core::coding::{golay, interleave};
use hopwright_core::keys::{Label, Words};
use hopwright_firmware::counter::Counter;
use hopwright_firmware::random::Random;
use semihosting::println;

pub(crate) fn measure(counter: &Counter) {
    let key = net::key();
    let (hop, derived) = counter.count(|| key.subkey(black_box(Label::Hop)));
    println!("subkey {derived}");
    let mut words = Words::new(0);
    println!("word_new_block {}", counter.count(|| words.word(&hop, black_box(33))).1);
    println!("word_same_block {}", counter.count(|| words.word(&hop, black_box(34))).1);
    golay(counter);
}

/// Words without and with errors, few and too many: the cost must not tell which.
fn golay(counter: &Counter) {
    let mut random = Random::new(0x601A);
    let (mut words, mut tables) = (Stats::new(), Stats::new());
    for _ in 0..256 {
        let valid = golay::encode((random.word() >> 20) as u16);
        let few = valid ^ (1 << (random.word() >> 28)) ^ (1 << 23);
        for word in [valid, few, random.word() >> 8] {
            let word = black_box(word);
            words.add(counter.count(|| golay::decode(word)).1);
        }
        let bits = black_box(random.bytes());
        tables.add(counter.count(|| interleave::decode(&bits)).1);
    }
    words.print("golay_decode");
    tables.print("header_bits_decode");
}
