//! The hop interrupt against the main loop, under many schedules: every critical section is a point
//! at which the other side may come in.
//!
//! The controls do on purpose what [`Hops`] prevents, and the same search must find them out.

use hopwright_core::shared::{Hops, Prepared, Turn};
use hopwright_core::station::{Action, Radio};
use hopwright_core::units::{Channel, Tick};
use hopwright_tests::plans::{Make, key, timing};
use shuttle::sync::atomic::{AtomicU16, AtomicU32, AtomicU64, Ordering};
use shuttle::sync::{Arc, Mutex, MutexGuard};
use shuttle::thread;
use std::cell::RefCell;

struct Scheduled;
critical_section::set_impl!(Scheduled);

shuttle::lazy_static! {
    static ref LOCK: Mutex<()> = Mutex::new(());
}

shuttle::thread_local! {
    static HELD: RefCell<Vec<MutexGuard<'static, ()>>> = RefCell::new(Vec::new());
}

#[expect(unsafe_code, reason = "the crate asks for a promise")]
// SAFETY: a section holds the lock from its beginning to its end. Sections are not nested here: that
// would stand still, and the search would say so.
unsafe impl critical_section::Impl for Scheduled {
    unsafe fn acquire() {
        let guard = LOCK.lock().expect("nobody panics in a section");
        HELD.with(|held| held.borrow_mut().push(guard));
    }

    unsafe fn release(_: ()) {
        let guard = HELD.with(|held| held.borrow_mut().pop());
        drop(guard);
    }
}

const SLOT: u64 = 20_000;
const SLOTS: u16 = 3;

/// What a transmission on a foreign channel is told by.
const FOREIGN: &str = "a transmission on another slot's channel";

fn slot(number: u16) -> Prepared<u16> {
    let from = u64::from(number) * SLOT;
    let channel = Channel::new(number).unwrap();
    let radio = Radio::Transmit { channel, word: 7, at: Tick::new(from + 1_500) };
    let until = Tick::new(from + SLOT);
    let action = Action { radio, from: Tick::new(from), until, poll_by: until };
    thread_slot(&action)
}

fn thread_slot(action: &Action) -> Prepared<u16> {
    let station = Make::member(0x21).station(&key(1));
    Prepared::new(&station, &timing(), action, Channel::number).expect("a channel of the hopset")
}

/// A board: the synthesiser, the transmitter and the time, as the hardware has them.
#[derive(Default)]
struct Board {
    tuned: AtomicU16,
    time: AtomicU64,
    sent: AtomicU32,
}

impl Board {
    fn now(&self) -> Tick {
        Tick::new(self.time.load(Ordering::SeqCst))
    }

    fn transmits(&self, number: u16) {
        assert_eq!(self.tuned.load(Ordering::SeqCst), number, "{FOREIGN}");
        self.sent.fetch_add(1, Ordering::SeqCst);
    }
}

/// How the loop gets to a transmission.
#[derive(Clone, Copy)]
enum Way {
    /// As it should.
    Cleared,
    /// It looks what is in force, and starts outside of the critical section.
    LooksFirst,
    /// It asks for clearance, and starts outside of the critical section.
    StartsAfterwards,
}

fn schedule(prepared: &[Prepared<u16>], way: Way) -> u32 {
    let (hops, board) = (Arc::new(Hops::<u16, 2>::new()), Arc::new(Board::default()));
    let interrupt = {
        let (hops, board) = (hops.clone(), board.clone());
        thread::spawn(move || {
            for number in 1..=SLOTS {
                board.time.store(u64::from(number) * SLOT, Ordering::SeqCst);
                let _ = hops.hop(board.now(), |turn| {
                    if let Turn::Tune { setting, .. } = turn {
                        board.tuned.store(setting, Ordering::SeqCst);
                    }
                });
            }
        })
    };
    let prepare = |slot: &Prepared<u16>| hops.prepare(board.now(), *slot, true).ok();
    let mut slots = prepared.iter();
    // One slot ahead, as long as there is room.
    let mut ticket = slots.next().and_then(prepare);
    for number in 1..=SLOTS {
        let next = slots.next().and_then(prepare);
        let Some(ticket) = core::mem::replace(&mut ticket, next) else { continue };
        for _ in 0..2 {
            let (serial, now) = (ticket.serial, board.now());
            match way {
                Way::Cleared => {
                    let _ = hops.transmit(serial, now, || board.transmits(number));
                }
                Way::LooksFirst => {
                    if hops.entered().is_some_and(|entered| entered.serial == serial) {
                        board.transmits(number);
                    }
                }
                Way::StartsAfterwards => {
                    if hops.transmit(serial, now, || ()).is_some() {
                        board.transmits(number);
                    }
                }
            }
        }
    }
    interrupt.join().unwrap();
    let tally = hops.tally();
    let sent = board.sent.load(Ordering::SeqCst);
    if let Way::Cleared = way {
        // Each slot was taken or was over, or waits; and was sent once at most.
        assert!(tally.taken + tally.expired <= u32::from(SLOTS), "{tally:?}");
        assert!(sent <= tally.taken, "{sent} of {tally:?}");
    }
    sent
}

fn prepared() -> Vec<Prepared<u16>> {
    (1..=SLOTS).map(slot).collect()
}

#[test]
fn nothing_is_sent_on_another_slots_channel() {
    use std::sync::atomic::{AtomicU32 as Count, Ordering::Relaxed};
    let prepared = prepared();
    static MOST: Count = Count::new(0);
    static LEAST: Count = Count::new(u32::MAX);
    shuttle::check_random(
        move || {
            let sent = schedule(&prepared, Way::Cleared);
            MOST.fetch_max(sent, Relaxed);
            LEAST.fetch_min(sent, Relaxed);
        },
        20_000,
    );
    // Schedules in which everything was sent, and such in which nothing could be.
    assert_eq!((MOST.load(Relaxed), LEAST.load(Relaxed)), (u32::from(SLOTS), 0));
}

#[test]
fn nor_under_the_schedules_with_few_changes() {
    let prepared = prepared();
    shuttle::check_pct(
        move || {
            schedule(&prepared, Way::Cleared);
        },
        20_000,
        3,
    );
}

#[test]
#[should_panic(expected = "a transmission on another slot's channel")]
fn control_a_look_is_no_clearance() {
    let prepared = prepared();
    shuttle::check_random(
        move || {
            schedule(&prepared, Way::LooksFirst);
        },
        20_000,
    );
}

#[test]
#[should_panic(expected = "a transmission on another slot's channel")]
fn control_a_clearance_does_not_last() {
    let prepared = prepared();
    shuttle::check_random(
        move || {
            schedule(&prepared, Way::StartsAfterwards);
        },
        20_000,
    );
}
