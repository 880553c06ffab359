//! Embassy: two tasks that drive a station each, and SysTick for the hops and for the executor's time.
//!
//! The gauge's task leaves the tuning to the hop interrupt; between its steps it sleeps until the next
//! is due. The post's task uses the asynchronous driver, which tunes by itself. On a real board
//! the time driver is the HAL's, and the hop interrupt has a timer of its own.

#![no_std]
#![no_main]

use core::cell::RefCell;
use core::future::pending;
use core::task::Waker;
use critical_section::Mutex;
use embassy_executor::Spawner;
use embassy_futures::select::{Either, select};
use embassy_time::{Instant, Timer};
use embassy_time_queue_utils::Queue;
use hopwright_boards::net::{self, WORDS};
use hopwright_boards::radio::{self, Radio, TooLong};
use hopwright_boards::time;
use hopwright_core::address::Target;
use hopwright_core::front_end::{Awaited, FrontEnd, Progress, SharedDriver, asynchronous};
use hopwright_core::shared::{Hops, Turn};
use hopwright_core::station::{Command, Event};
use hopwright_core::units::{Channel, Dbm, Micros, Tick};
use semihosting::{println, process};

const GAUGE: usize = 0;
const POST: usize = 1;

static HOPS: Hops<Channel, 4> = Hops::new();

/// The executor's time: sleepers, and what the hop interrupt asked for.
struct Alarms {
    queue: Mutex<RefCell<Queue>>,
    hop: Mutex<core::cell::Cell<Option<Tick>>>,
}

embassy_time_driver::time_driver_impl!(static ALARMS: Alarms = Alarms {
    queue: Mutex::new(RefCell::new(Queue::new())),
    hop: Mutex::new(core::cell::Cell::new(None)),
});

impl embassy_time_driver::Driver for Alarms {
    fn now(&self) -> u64 {
        time::now().us()
    }

    fn schedule_wake(&self, at: u64, waker: &Waker) {
        critical_section::with(|section| {
            if self.queue.borrow_ref_mut(section).schedule_wake(at, waker) {
                // The interrupt finds out when it is needed.
                time::interrupt();
            }
        });
    }
}

/// One timer for both: the hop first, then the sleepers.
#[cortex_m_rt::exception]
fn SysTick() {
    let now = time::now();
    let hop = HOPS.hop(now, |turn| match turn {
        Turn::Tune { setting, .. } => radio::set_synthesiser(GAUGE, setting),
        Turn::Mute => radio::mute(GAUGE),
        Turn::Stay => {}
    });
    let sleeper = critical_section::with(|section| {
        ALARMS.hop.borrow(section).set(hop);
        ALARMS.queue.borrow_ref_mut(section).next_expiration(now.us())
    });
    let sleeper = Some(Tick::new(sleeper)).filter(|at| *at < Tick::MAX);
    time::alarm([hop, sleeper].into_iter().flatten().min());
}

/// Sleeps until then. Other tasks run meanwhile.
async fn sleep_until(at: Tick) {
    Timer::at(Instant::from_micros(at.us())).await;
}

/// The driver loop of the gauge.
#[embassy_executor::task]
async fn gauge() {
    let mut station = net::gauge();
    let margin = Micros::new(4_000);
    let driver = SharedDriver::new(Radio::new(GAUGE), net::timing(), margin, &HOPS, |c| c);
    let Ok(mut driver) = driver else { process::exit(2) };
    loop {
        let Ok(step) = driver.step(&mut station) else { process::exit(5) };
        if step.hop.is_some() {
            time::interrupt();
        }
        if net::tell(&mut station, step.heard, driver.bits(), time::now()) {
            println!("two tasks, one hop interrupt");
            process::exit(0);
        }
        // A real radio's signal wakes as well; this one tells when it would. And the interrupt does:
        // here by a look every millisecond.
        let soon = time::now().plus(Micros::new(1_000));
        let signal = driver.front_end().signal().filter(|signal| *signal > time::now());
        sleep_until(step.wake.min(soon).min(signal.unwrap_or(Tick::MAX))).await;
    }
}

/// The driver loop of the post: on a real board, another board.
#[embassy_executor::task]
async fn post() {
    let (mut station, mut button) = (net::post(), Button::default());
    let driver = asynchronous::Driver::new(Patient(Radio::new(POST)), net::timing());
    let Ok(mut driver) = driver else { process::exit(3) };
    loop {
        let Ok(step) = driver.step(&mut station).await else { process::exit(6) };
        while let Some(event) = station.next_event() {
            if let Event::GoAhead { .. } = event {
                let _ = station.queue_payload(WORDS);
            }
        }
        if let Either::Second(asked) = select(driver.idle(step.wake), button.pressed()).await {
            // What cannot be now is refused, and nothing has changed: that is for the operator.
            if let Err(refused) = station.command(time::now(), asked) {
                println!("{refused}");
            }
        }
    }
}

/// The operator's button: he announces first, and calls a second later.
#[derive(Default)]
struct Button {
    pressed: usize,
}

const PRESSES: [(Tick, Command); 2] =
    [(Tick::new(50_000), Command::Announce), (Tick::new(1_000_000), Command::Press(Target::ALL))];

impl Button {
    /// What he asks for with the next press. It may be dropped: no press is lost.
    async fn pressed(&mut self) -> Command {
        let Some((at, command)) = PRESSES.get(self.pressed) else { return pending().await };
        sleep_until(*at).await;
        self.pressed += 1;
        *command
    }
}

/// A radio whose longer waits are awaited.
struct Patient(Radio);

impl asynchronous::FrontEnd for Patient {
    type Error = TooLong;

    fn now(&mut self) -> Tick {
        self.0.now()
    }

    fn lead(&self) -> Micros {
        self.0.lead()
    }

    fn starts_within(&self) -> Micros {
        self.0.starts_within()
    }

    async fn off(&mut self) -> Result<(), TooLong> {
        self.0.off()
    }

    async fn tune(&mut self, channel: Channel) -> Result<(), TooLong> {
        self.0.tune(channel)
    }

    async fn listen(&mut self, awaited: Awaited) -> Result<(), TooLong> {
        self.0.listen(awaited)
    }

    async fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), TooLong> {
        self.0.load(word, bits)
    }

    async fn wait(&mut self, until: Tick) {
        sleep_until(until).await;
    }

    async fn send(&mut self, at: Tick) -> Result<(), TooLong> {
        self.0.send(at)
    }

    async fn attend(&mut self, bits: &mut [u8]) -> Result<Progress, TooLong> {
        self.0.attend(bits)
    }

    async fn level(&mut self) -> Result<Dbm, TooLong> {
        self.0.level()
    }

    async fn idle(&mut self, until: Tick) {
        sleep_until(until).await;
    }
}

#[embassy_executor::main]
async fn main(spawner: Spawner) {
    time::start();
    let (Ok(gauge), Ok(post)) = (gauge(), post()) else { process::exit(4) };
    spawner.spawn(gauge);
    spawner.spawn(post);
}
