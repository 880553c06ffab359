//! The drivers of a packet transceiver, over a serial bus, with the pin of an amplifier and a line that
//! signals unique words.
//!
//! The gauge has the blocking driver and a hop interrupt that writes the synthesiser's registers itself. The
//! post has the driver for executors and tunes in its loop: it is another board, and goes on while this one
//! waits. The post calls, and the gauge answers. What they say is longer than a transceiver's memory, which is
//! filled and emptied on the way.
//!
//! Exits with 1 if they have not heard each other, or done anything with a transceiver that they must not, or
//! were not on a frequency of the hopset, or not in time.

#![no_std]
#![no_main]

use core::cell::{Cell, RefCell};
use core::pin::pin;
use core::task::{Context, Waker};
use embedded_hal::spi::SpiDevice;
use hopwright_boards::chip::{self, Amplifier, Bus, Capture, Delay, Later, PART};
use hopwright_boards::net::{self, Member, TOO_LATE, WORDS};
use hopwright_boards::time;
use hopwright_core::address::Target;
use hopwright_core::front_end::{Board, SharedDriver, Transceiver, asynchronous};
use hopwright_core::shared::{Hops, Turn};
use hopwright_core::station::{Command, Event, Heard};
use hopwright_core::units::{Channel, Micros, Tick};
use semihosting::{println, process};

/// The chips.
const GAUGE: usize = 0;
const POST: usize = 1;
/// What the gauge answers.
const ANSWER: &[u8] =
    b"gauge ford here, the battery is at 3.9 V; the float was cleared of driftwood at noon";
/// How often something is said, a slot each time.
const TIMES: u8 = 3;
/// When the post announces, and when it calls.
const ANNOUNCES: Tick = Tick::new(100_000);
const CALLS: Tick = Tick::new(1_100_000);
/// What an over takes to close.
const CLOSES: Micros = Micros::new(200_000);
/// By how much a unique word may miss its place: the jitter that the net's plan allows the post, whose time
/// it is; and half the longest way besides that it allows the gauge.
const POST_MISSES: u64 = 20;
const GAUGE_MISSES: u64 = 20 + 50;

/// What the interrupt writes for a channel: the register's address, and the frequency word.
type Setting = [u8; 4];

/// From the loop to the hop interrupt.
static HOPS: Hops<Setting, 4> = Hops::new();

/// The hop interrupt: three registers, and the timer for the next slot.
#[cortex_m_rt::exception]
fn SysTick() {
    let write = |bytes: &[u8]| {
        let Ok(()) = Bus(GAUGE).write(bytes);
    };
    let mode = |mode: u8| write(&[PART.registers.mode | PART.write, mode]);
    let next = HOPS.hop(time::now(), |turn| match turn {
        Turn::Tune { setting, .. } => {
            mode(PART.modes.standby);
            write(&setting);
            mode(PART.modes.synthesiser);
        }
        Turn::Mute => mode(PART.modes.standby),
        Turn::Stay => {}
    });
    time::alarm(next);
}

/// A channel's frequency word for the interrupt. The driver has tried the raster's ends.
fn setting(channel: Channel) -> Setting {
    let frequency = net::raster().frequency(channel);
    let word = frequency.and_then(|frequency| PART.frequency_word(frequency).ok());
    let [_, high, middle, low] = word.unwrap_or_default().to_be_bytes();
    [PART.registers.frequency.0 | PART.write, high, middle, low]
}

/// Who speaks at a station, and hears what is said.
struct Person {
    says: &'static [u8],
    expects: &'static [u8],
    asks_at: Option<Tick>,
    left: u8,
    heard: u8,
}

impl Person {
    const fn new(says: &'static [u8], expects: &'static [u8]) -> Self {
        Self { says, expects, asks_at: None, left: TIMES, heard: 0 }
    }

    fn has_heard_all(&self) -> bool {
        self.heard == TIMES
    }

    /// Does what there is to do at `now`, the station's time.
    fn act(&mut self, station: &mut Member, now: Tick, heard: Option<Heard>, bits: &[u8]) {
        if self.asks_at.take_if(|at| *at <= now).is_some()
            && station.command(now, Command::Press(Target::ALL)).is_err()
        {
            process::exit(10);
        }
        while let Some(event) = station.next_event() {
            if let Event::InStep { slot } = event {
                println!("in step in slot {slot}");
            } else if let Event::Call { source, target, .. } = event {
                println!("{source} calls {target}");
            }
        }
        self.say(station, now);
        if let Some(Heard::Payload(payload)) = heard {
            let mut text = [0; 128];
            let length = station.open_payload(&payload, bits, &mut text).unwrap_or_default();
            if text.get(..length) == Some(self.expects) {
                self.heard += 1;
                let text = core::str::from_utf8(self.expects).unwrap_or_default();
                println!("{} says: {text}", payload.source);
            }
        }
    }

    /// Hands the next payload over once the last has been taken, and releases behind the last.
    fn say(&mut self, station: &mut Member, now: Tick) {
        // Refused to those who do not speak, and while the last one waits.
        let next = if self.left > 0 { self.says } else { &[] };
        if station.queue_payload(next).is_err() {
            return;
        }
        if self.left == 0 {
            // Refused where the over is closing already.
            let _ = station.command(now, Command::Release);
        }
        self.left = self.left.saturating_sub(1);
    }
}

/// What the post has to say when all is over.
#[derive(Debug, Clone, Copy)]
struct Ended {
    announced: Tick,
    heard_all: bool,
    kept_to_the_plan: bool,
}

/// The post's loop. It ends when the answer has been heard and its end, or it is too late for that.
async fn post(ended: &Cell<Option<Ended>>) {
    let (mut station, mut operator) = (net::post(), Person::new(WORDS, ANSWER));
    let board = Board {
        spi: Bus(POST),
        amplifier: Amplifier(POST),
        delay: Later,
        clock: time::now,
        stamps: Capture(POST),
    };
    let radio = asynchronous::Transceiver::new(&PART, net::raster(), &net::timing(), board);
    let Ok(mut radio) = radio else { process::exit(2) };
    if radio.start(&[]).await.is_err() {
        process::exit(2);
    }
    let Ok(mut driver) = asynchronous::Driver::new(radio, net::timing()) else { process::exit(3) };
    let (mut announced, mut ends) = (None, TOO_LATE);
    operator.asks_at = Some(CALLS);
    while time::now() < ends {
        let Ok(step) = driver.step(&mut station).await else { process::exit(4) };
        let now = time::now();
        if announced.is_none() && now >= ANNOUNCES {
            announced = Some(now);
            if station.command(now, Command::Announce).is_err() {
                process::exit(5);
            }
        }
        operator.act(&mut station, now, step.heard, driver.bits());
        if operator.has_heard_all() {
            ends = ends.min(now.plus(CLOSES));
        }
        // Until the station or the radio needs it, or there is something to do for the operator.
        let asks_at = if announced.is_none() { Some(ANNOUNCES) } else { operator.asks_at };
        driver.idle(step.wake.min(asks_at.unwrap_or(ends))).await;
    }
    ended.set(Some(Ended {
        announced: announced.unwrap_or_default(),
        heard_all: operator.has_heard_all(),
        kept_to_the_plan: driver.keeps_to_the_plan().is_ok(),
    }));
}

#[cortex_m_rt::entry]
fn main() -> ! {
    time::start();
    let ended = Cell::new(None);
    let task = pin!(post(&ended));
    let task = RefCell::new(task);
    let another_board = || {
        if let Ok(mut task) = task.try_borrow_mut()
            && ended.get().is_none()
        {
            let _ = task.as_mut().poll(&mut Context::from_waker(Waker::noop()));
        }
    };

    let (mut station, mut keeper) = (net::gauge(), Person::new(ANSWER, WORDS));
    let board = Board {
        spi: Bus(GAUGE),
        amplifier: Amplifier(GAUGE),
        delay: Delay(&another_board),
        clock: time::now,
        stamps: Capture(GAUGE),
    };
    let radio = Transceiver::new(&PART, net::raster(), &net::timing(), board);
    let Ok(mut radio) = radio else { process::exit(6) };
    if radio.start(&[]).is_err() {
        process::exit(6);
    }
    let margin = Micros::new(4_000);
    let driver = SharedDriver::new(radio, net::timing(), margin, &HOPS, setting);
    let Ok(mut driver) = driver else { process::exit(7) };
    match driver.qualify(station.sequence().hopset().channels()) {
        Ok(delays) => println!("settles in {}", delays.settle),
        Err(_) => process::exit(8),
    }
    let ended = loop {
        if let Some(ended) = ended.get() {
            break ended;
        }
        let Ok(step) = driver.step(&mut station) else { process::exit(9) };
        if step.hop.is_some() {
            time::interrupt();
        }
        // The station is asked ahead, so its time is ahead of the clock.
        let now = driver.time();
        let before = keeper.has_heard_all();
        keeper.act(&mut station, now, step.heard, driver.bits());
        if keeper.has_heard_all() && !before {
            keeper.asks_at = Some(now.plus(Micros::new(100_000)));
        }
        another_board();
    };
    time::alarm(None);
    report(&station, ended)
}

/// Where and when each transmission began, and what the transceivers have to say.
fn report(station: &Member, ended: Ended) -> ! {
    // The gauge was asked before: here its loop stands still while the post's does something.
    let mut good = ended.heard_all && ended.kept_to_the_plan;
    let slot = net::timing().slot().us();
    // The timeline began when it was announced.
    let first = ended.announced.plus(net::timing().word_offset());
    let frequencies = || {
        let channels = station.sequence().hopset().channels().iter();
        channels.filter_map(|channel| net::raster().frequency(*channel))
    };
    let half_a_step = u64::from(PART.crystal_hz >> PART.resolution_bits) / 2 + 1;
    for (name, number, misses) in [("post", POST, POST_MISSES), ("gauge", GAUGE, GAUGE_MISSES)] {
        let account = chip::account(number);
        let (mut elsewhere, mut missed) = (0, 0);
        for begun in &chip::begun(number) {
            let off = |hz: u64| begun.frequency.hz().abs_diff(hz) > half_a_step;
            elsewhere += u32::from(frequencies().all(|frequency| off(frequency.hz())));
            let behind = begun.at.plus(net::timing().slot()).since(first);
            let behind = behind.unwrap_or_default().us() % slot;
            missed = missed.max(behind.min(slot - behind));
        }
        println!("{name}: {} sent, {} to their end", account.begun, account.whole);
        println!("  on no channel of the hopset: {elsewhere}");
        println!("  farthest from its place: {missed} us");
        println!("  memory run empty: {}, over: {}", account.ran_empty, account.ran_over);
        println!("  before it had settled: {}", account.unsettled);
        println!("  amplifier not as it must be: {}", account.amplifier);
        let wrong = account.ran_empty + account.ran_over + account.unsettled + account.amplifier;
        good &= wrong + elsewhere == 0 && account.begun > 0 && account.begun == account.whole;
        good &= missed <= misses;
    }
    let tally = HOPS.tally();
    println!("hop interrupt: {} slots, {} late, {} lapses", tally.taken, tally.late, tally.lapses);
    process::exit(i32::from(!good))
}
