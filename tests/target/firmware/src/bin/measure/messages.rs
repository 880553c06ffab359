//! Messages: a column to send, a row to restore, a text to open.

use crate::net;
use crate::stats::Stats;
use core::hint::black_box;
use hopwright_core::address::Address;
use hopwright_core::coding::reed_solomon::{Link, Positions, ReedSolomon};
use hopwright_core::keys::Label;
use hopwright_core::message::{Inbox, Layout, Origin, Outbox, Progress};
use hopwright_core::units::Slot;
use hopwright_firmware::counter::Counter;
use hopwright_firmware::random::Random;
use semihosting::println;

/// One full block of (64, 24) in slots of 106 bytes.
const TEXT: usize = 2_312;
const OUT: usize = 97 * 24;
const IN: usize = 97 * 64;

pub(crate) fn measure(counter: &Counter) {
    println!("outbox_bytes {}", size_of::<Outbox<OUT>>());
    println!("inbox_one_source_bytes {}", size_of::<Inbox<IN, 1>>());
    rows(counter);
    message(counter);
}

/// One row of (64, 24): nothing lost, all that may be lost, as many wrong as may be.
fn rows(counter: &Counter) {
    let code = ReedSolomon::<Link>::new(64, 24).expect("a code");
    let mut random = Random::new(0x0DEC);
    let mut stats = [Stats::new(); 3];
    for _ in 0..32 {
        let data: [u8; 24] = random.bytes();
        let mut word = [0; 64];
        for (symbol, position) in word.iter_mut().zip(0..) {
            code.column(&data, position, core::slice::from_mut(symbol));
        }
        for (stats, (lost, wrong)) in stats.iter_mut().zip([(0, 0), (40, 0), (0, 20)]) {
            let (mut damaged, mut erased) = (word, Positions::NONE);
            for (symbol, i) in damaged.iter_mut().step_by(3).zip(0..wrong) {
                *symbol ^= 0x55 + i;
            }
            (0..lost).for_each(|i| erased.insert(i + 7));
            let word = black_box(&mut damaged);
            stats.add(counter.count(|| code.decode(word, &erased).is_ok()).1);
        }
    }
    stats[0].print("row_untouched");
    stats[1].print("row_40_lost");
    stats[2].print("row_20_wrong");
}

/// A message of one full block, of which every second and third column is lost.
fn message(counter: &Counter) {
    let key = net::key().subkey(Label::Text);
    let layout = Layout::new(64, 24, 106).expect("a code");
    let (mut outbox, mut inbox) = (Outbox::<OUT>::new(layout), Inbox::<IN, 1>::new(layout));
    let text = black_box([0x61; TEXT]);
    let mut at = Origin { source: Address::new(0x10), stream: 0, slot: Slot::new(1_000) };
    let (loaded, cost) = counter.count(|| outbox.load(&key, at, &text).is_ok());
    assert!(loaded, "it fits");
    println!("message_seal {cost}");
    let (mut data, mut parity, mut take, mut work) =
        (Stats::new(), Stats::new(), Stats::new(), Stats::new());
    let (mut all, mut delivered) = (0_u64, false);
    for column in 0..64 {
        let mut payload = [0; 106];
        let (_, cost) = counter.count(|| outbox.next(&mut payload));
        if column < 24 {
            data.add(cost)
        } else {
            parity.add(cost)
        };
        if column % 8 < 3 {
            let payload = black_box(&payload);
            let (_, cost) = counter.count(|| inbox.take(&key, at, payload));
            take.add(cost);
        }
        at.slot = at.slot.plus(1);
        loop {
            let (progress, cost) = counter.count(|| match inbox.work() {
                Progress::Working => 1,
                Progress::Ready(message) => 2 + u8::from(message.text == text),
                Progress::Waiting => 0,
            });
            if progress == 0 {
                break;
            }
            work.add(cost);
            all += u64::from(cost);
            delivered |= progress == 3;
        }
    }
    assert!(delivered, "24 columns suffice");
    data.print("column_data");
    parity.print("column_parity");
    take.print("inbox_take");
    work.print("inbox_work");
    println!("message_open_all {all}");
}
