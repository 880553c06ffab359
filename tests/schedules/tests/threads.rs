//! Slots prepared by the loop and taken by an interrupt, with critical sections of the host: a lock
//! that its holder may take again.
//!
//! First the queue by itself, step by step; then a station, its driver and an interrupt in virtual
//! time, the loop idle or loaded; then two threads.

use hopwright_core::front_end::{Awaited, FrontEnd, Progress, SharedDriver};
use hopwright_core::keys::Label;
use hopwright_core::shared::{Ahead, Full, HopTally, Hops, Prepared, Serial, Ticket, Turn};
use hopwright_core::station::{self, Action, Command, Event, Heard, Station};
use hopwright_core::tree::{Node, Order, Secret, Share};
use hopwright_core::units::{Channel, Dbm, Micros, Slot, Tick};
use hopwright_tests::plans::{Make, key, timing};
use hopwright_tests::radio::{Air, Dead, Doing, Flight, Radio};
use std::cell::RefCell;
use std::rc::Rc;

#[path = "threads/chip.rs"]
mod chip;

mod host {
    //! Critical sections for threads.

    use std::cell::{Cell, RefCell};
    use std::sync::{Mutex, MutexGuard, PoisonError};

    static LOCK: Mutex<()> = Mutex::new(());

    thread_local! {
        static HELD: RefCell<Option<MutexGuard<'static, ()>>> = const { RefCell::new(None) };
        static DEPTH: Cell<u32> = const { Cell::new(0) };
    }

    struct Threads;
    critical_section::set_impl!(Threads);

    #[expect(unsafe_code, reason = "the crate asks for a promise")]
    // SAFETY: the first section of a thread takes the lock and the last gives it back, so that no two
    // threads are in one at a time.
    unsafe impl critical_section::Impl for Threads {
        unsafe fn acquire() {
            if DEPTH.get() == 0 {
                let guard = LOCK.lock().unwrap_or_else(PoisonError::into_inner);
                HELD.with(|held| held.replace(Some(guard)));
            }
            DEPTH.set(DEPTH.get() + 1);
        }

        unsafe fn release(_: ()) {
            DEPTH.set(DEPTH.get() - 1);
            if DEPTH.get() == 0 {
                HELD.with(RefCell::take);
            }
        }
    }
}

const SLOT: u64 = 20_000;

fn tick(us: u64) -> Tick {
    Tick::new(us)
}

fn channel(number: u16) -> Channel {
    Channel::new(number).unwrap()
}

/// A slot that begins at `from` on a channel.
fn slot(number: u16, from: u64, sends: bool) -> Prepared<u16> {
    slot_of(&Make::member(0x21).station(&key(1)), number, from, sends)
}

fn slot_of(station: &Station<128>, number: u16, from: u64, sends: bool) -> Prepared<u16> {
    let (channel, word, at) = (channel(number), 7, tick(from + 1_500));
    let radio = if sends {
        station::Radio::Transmit { channel, word, at }
    } else {
        station::Radio::Listen { channel, word, complement: false }
    };
    let until = tick(from + SLOT);
    let action = Action { radio, from: tick(from), until, poll_by: until };
    Prepared::new(station, &timing(), &action, Channel::number).expect("a channel of the hopset")
}

/// The interrupt at `now`: what it was told to do, and when it is needed next.
fn hop<const D: usize>(hops: &Hops<u16, D>, now: u64) -> (Turn<u16>, Option<u64>) {
    let mut told = None;
    let next = hops.hop(tick(now), |turn| told = Some(turn));
    (told.expect("it is told something"), next.map(Tick::us))
}

fn tune(number: u16) -> Turn<u16> {
    Turn::Tune { channel: channel(number), setting: number }
}

fn serial(ticket: Result<Ticket, Full>) -> Serial {
    ticket.expect("room").serial
}

#[test]
fn the_interrupt_takes_what_is_due_and_nothing_else() {
    let hops = Hops::<u16, 4>::new();
    assert_eq!(hop(&hops, 0), (Turn::Mute, None), "nothing has ever been prepared");
    let first = hops.prepare(tick(5_000), slot(3, 20_000, false), true);
    assert_eq!(first.map(|ticket| ticket.at_once), Ok(false));
    let _ = serial(hops.prepare(tick(5_000), slot(9, 40_000, false), true));
    assert_eq!(hop(&hops, 19_999), (Turn::Mute, Some(20_000)));
    assert_eq!(hop(&hops, 20_001), (tune(3), Some(40_000)));
    let entered = hops.entered().unwrap();
    assert_eq!((Ok(entered.serial), entered.at), (first.map(|t| t.serial), tick(20_001)));
    assert_eq!(hop(&hops, 39_999), (Turn::Stay, Some(40_000)), "early or again");
    assert_eq!(hop(&hops, 40_000), (tune(9), Some(60_000)));
    assert_eq!(hops.tally(), HopTally { taken: 2, ..HopTally::default() });
}

#[test]
fn a_slot_that_was_not_prepared_mutes_and_is_counted_once() {
    let hops = Hops::<u16, 4>::new();
    let _ = serial(hops.prepare(tick(0), slot(3, 20_000, true), true));
    assert_eq!(hop(&hops, 20_000), (tune(3), Some(40_000)));
    assert_eq!(hop(&hops, 40_000), (Turn::Mute, None));
    assert_eq!(hop(&hops, 60_000), (Turn::Mute, None));
    // The loop is back: the slot under way is late, and is taken at once.
    let late = hops.prepare(tick(67_000), slot(5, 60_000, false), true).unwrap();
    assert!(late.at_once);
    assert_eq!(hop(&hops, 67_001), (tune(5), Some(80_000)));
    let tally = HopTally { taken: 2, late: 1, lapses: 1, ..HopTally::default() };
    assert_eq!(hops.tally(), tally);
}

/// What the interrupt has found over does not go on: it has to be tuned for again.
#[test]
fn a_slot_is_amended_until_the_interrupt_has_found_it_over() {
    let hops = Hops::<u16, 4>::new();
    let first = serial(hops.prepare(tick(0), slot(3, 20_000, false), true));
    assert!(hops.amend(first, tick(45_000)), "it waits");
    assert_eq!(hop(&hops, 20_000), (tune(3), Some(45_000)));
    assert!(hops.amend(first, tick(50_000)), "it is in force");
    assert_eq!(hop(&hops, 45_000), (Turn::Stay, Some(50_000)));
    let second = serial(hops.prepare(tick(46_000), slot(5, 50_000, false), true));
    assert!(!hops.amend(first, tick(60_000)), "another one follows");
    // The interrupt is held off until the second is over too.
    assert_eq!(hop(&hops, 70_000), (Turn::Stay, None), "what has been received is not cleared");
    assert!(!hops.amend(second, tick(90_000)), "it has never been tuned for");
    assert!(!hops.amend(first, tick(90_000)), "it is over");
    assert_eq!(hop(&hops, 71_000), (Turn::Stay, None));
    assert!(!hops.is_in_force(first));
    let tally = hops.tally();
    assert_eq!((tally.taken, tally.expired, tally.lapses), (1, 1, 1), "{tally:?}");
}

/// The interrupt is held off, and there is no room: the station's answer is not lost.
#[test]
fn what_there_was_no_room_for_is_prepared_when_there_is() {
    let mut station = Make::timekeeper(0x10).station(&key(1));
    station.command(tick(0), Command::Announce).unwrap();
    let hops = Hops::<u16, 1>::new();
    let mut ahead = Ahead::new(timing(), Micros::new(5_000));
    let mut prepare = |now| ahead.prepare(&mut station, &hops, tick(now), Channel::number);
    assert!(prepare(100).unwrap().is_some(), "the first slot");
    assert_eq!(prepare(15_100), Err(Full));
    assert_eq!(hop(&hops, 15_200).1, Some(20_000));
    let second = prepare(15_300).unwrap().expect("the same slot again");
    assert_eq!(second.from, tick(20_000));
}

#[test]
fn slots_that_are_over_are_skipped() {
    let hops = Hops::<u16, 4>::new();
    for (number, from) in [(1, 20_000), (2, 40_000), (3, 60_000), (4, 80_000)] {
        let _ = serial(hops.prepare(tick(0), slot(number, from, true), true));
    }
    assert_eq!(hops.prepare(tick(0), slot(5, 100_000, true), true), Err(Full));
    // The interrupt was held off for three slots.
    assert_eq!(hop(&hops, 79_999), (tune(3), Some(80_000)));
    assert_eq!(hops.transmit(hops.entered().unwrap().serial, tick(79_999), || ()), None);
    assert_eq!(hop(&hops, 80_000), (tune(4), Some(100_000)));
    assert_eq!(hops.transmit(hops.entered().unwrap().serial, tick(80_400), || ()), Some(()));
    let tally = HopTally { taken: 2, expired: 2, silenced: 1, withheld: 1, ..HopTally::default() };
    assert_eq!(hops.tally(), tally);
}

#[test]
fn a_transmission_starts_once_in_its_own_slot_or_not_at_all() {
    let hops = Hops::<u16, 4>::new();
    let mut started = Vec::new();
    let first = serial(hops.prepare(tick(0), slot(1, 20_000, true), true));
    let second = serial(hops.prepare(tick(0), slot(2, 40_000, true), true));
    let mut start = |serial, now: u64| {
        hops.transmit(serial, tick(now), || started.push(now));
    };
    start(first, 19_000);
    let _ = hop(&hops, 20_000);
    start(second, 20_800);
    start(first, 20_801);
    start(first, 20_802);
    let _ = hop(&hops, 40_000);
    start(first, 40_800);
    start(second, 60_000);
    assert_eq!(started, [20_801], "not early, not for the next, not twice, not when it is over");
    assert_eq!(hops.tally().withheld, 5);
    // A guard time of 500 us is how late the interrupt may be for a slot that transmits.
    for (late, sent) in [(500, Some(())), (501, None)] {
        let hops = Hops::<u16, 4>::new();
        let only = serial(hops.prepare(tick(0), slot(1, 20_000, true), true));
        let _ = hop(&hops, 20_000 + late);
        assert_eq!(hops.transmit(only, tick(20_800), || ()), sent);
        assert_eq!(hops.tally().silenced, u32::from(sent.is_none()));
    }
    // Listening is no transmission.
    let hops = Hops::<u16, 4>::new();
    let only = serial(hops.prepare(tick(0), slot(1, 20_000, false), true));
    let _ = hop(&hops, 20_000);
    assert_eq!(hops.transmit(only, tick(20_800), || ()), None);
}

#[test]
fn from_within_itself_nothing_happens() {
    let hops = Hops::<u16, 4>::new();
    let only = serial(hops.prepare(tick(0), slot(1, 20_000, true), true));
    let _ = hops.hop(tick(20_000), |turn| {
        assert_eq!(turn, tune(1));
        assert_eq!(hops.transmit(only, tick(20_000), || ()), None);
        assert_eq!(hops.entered(), None);
        assert_eq!(hops.hop(tick(20_000), |_| panic!("twice")), None);
    });
    assert_eq!(hops.transmit(only, tick(20_800), || ()), Some(()));
}

#[test]
fn only_the_stations_own_channels_are_prepared() {
    let station = Make::member(0x21).station(&key(1));
    let prepared = |number| {
        let radio = station::Radio::Listen { channel: channel(number), word: 7, complement: false };
        let until = tick(SLOT);
        let action = Action { radio, from: Tick::ZERO, until, poll_by: until };
        Prepared::new(&station, &timing(), &action, Channel::number).is_some()
    };
    // The hopset is channels 0 to 127.
    assert_eq!(
        (prepared(0), prepared(127), prepared(128), prepared(4_095)),
        (true, true, false, false)
    );
}

#[test]
fn what_a_station_goes_on_with_is_amended() {
    let mut station = Make::member(0x21).station(&key(1));
    let hops = Hops::<u16, 4>::new();
    let mut ahead = Ahead::new(timing(), Micros::new(5_000));
    let mut prepare = |ahead: &mut Ahead, now| {
        ahead.prepare(&mut station, &hops, tick(now), Channel::number).unwrap()
    };
    let first = prepare(&mut ahead, 100).expect("it parks");
    assert!(first.at_once);
    assert_eq!(prepare(&mut ahead, 200), None, "the same answer");
    let until = ahead.answer().unwrap().until.us();
    assert_eq!(ahead.wake(), tick(until - 5_000));
    let (_, next) = hop(&hops, 300);
    assert_eq!(next, Some(until));
    let second = prepare(&mut ahead, until - 5_000).expect("another channel");
    assert!(!second.at_once);
    assert_eq!(ahead.time(tick(until - 4_000)), tick(until), "the station's time runs ahead");
    assert_eq!(hops.tally(), HopTally { taken: 1, ..HopTally::default() });
}

#[test]
fn a_stay_that_is_cut_short_ends_for_the_interrupt_too() {
    let mut station = Make::member(0x21).station(&key(1));
    let hops = Hops::<u16, 4>::new();
    let mut ahead = Ahead::new(timing(), Micros::new(5_000));
    let _ = ahead.prepare(&mut station, &hops, tick(100), Channel::number).unwrap();
    // 19 frames of 8 slots, the longest gap, and one more.
    assert_eq!(hop(&hops, 100).1, Some(100 + 20 * 8 * SLOT));
    // Who presses without time listens for two seconds more, on the same channel.
    let press = Command::Press(hopwright_core::address::Target::ALL);
    station.command(ahead.time(tick(50_000)), press).unwrap();
    assert_eq!(ahead.prepare(&mut station, &hops, tick(50_000), Channel::number), Ok(None));
    assert_eq!(hop(&hops, 60_000), (Turn::Stay, Some(2_050_000)));
}

// ---- a station, its driver and an interrupt ----

/// A radio that the interrupt and the loop share.
#[derive(Debug, Clone)]
struct Common(Rc<RefCell<Radio>>);

impl FrontEnd for Common {
    type Error = Dead;

    fn now(&mut self) -> Tick {
        self.0.borrow_mut().now()
    }

    fn lead(&self) -> Micros {
        self.0.borrow().lead()
    }

    fn off(&mut self) -> Result<(), Dead> {
        self.0.borrow_mut().off()
    }

    fn tune(&mut self, _: Channel) -> Result<(), Dead> {
        panic!("the interrupt tunes")
    }

    fn listen(&mut self, awaited: Awaited) -> Result<(), Dead> {
        self.0.borrow_mut().listen(awaited)
    }

    fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), Dead> {
        self.0.borrow_mut().load(word, bits)
    }

    fn wait(&mut self, until: Tick) {
        self.0.borrow_mut().wait(until);
    }

    fn send(&mut self, at: Tick) -> Result<(), Dead> {
        self.0.borrow_mut().send(at)
    }

    fn attend(&mut self, bits: &mut [u8]) -> Result<Progress, Dead> {
        self.0.borrow_mut().attend(bits)
    }

    fn level(&mut self) -> Result<Dbm, Dead> {
        self.0.borrow_mut().level()
    }
}

type Setting = fn(Channel) -> Channel;
type Shared = SharedDriver<'static, Common, Setting, Channel, 4>;

/// A board: a station, a loop and an interrupt.
struct Board {
    station: Station<128>,
    driver: Shared,
    hops: &'static Hops<Channel, 4>,
    radio: Rc<RefCell<Radio>>,
    timer: Option<u64>,
    wake: u64,
    /// The loop is busy with something else from each first to each second.
    busy: Vec<(u64, u64)>,
    /// The loop steps again and again.
    restless: bool,
    events: Vec<Event>,
    heard: u32,
    /// What the loop says whenever it may, if it says anything.
    says: Option<&'static [u8]>,
    /// Payloads that were read, and of these what was not what the other one says.
    read: u32,
    misread: Vec<Vec<u8>>,
}

/// What is said.
const WORDS: &[u8] = b"the ford is open";

impl Board {
    fn new(make: Make, air: &Rc<RefCell<Air>>) -> Self {
        Self::of(make.station(&key(1)), air)
    }

    fn of(station: Station<128>, air: &Rc<RefCell<Air>>) -> Self {
        Self::with_margin(station, air, 4_000)
    }

    fn with_margin(station: Station<128>, air: &Rc<RefCell<Air>>, margin: u64) -> Self {
        let hops: &'static Hops<Channel, 4> = Box::leak(Box::new(Hops::new()));
        let radio = Rc::new(RefCell::new(Radio::new(air)));
        let common = Common(radio.clone());
        let setting: Setting = |channel| channel;
        let driver = SharedDriver::new(common, timing(), Micros::new(margin), hops, setting);
        let (events, busy) = (Vec::new(), Vec::new());
        Self {
            station,
            driver: driver.expect("a quick radio"),
            hops,
            radio,
            timer: None,
            wake: 0,
            busy,
            restless: false,
            events,
            heard: 0,
            says: None,
            read: 0,
            misread: Vec::new(),
        }
    }

    /// When the loop runs next: when it has something to do and is not busy with something else.
    fn loop_due(&self) -> u64 {
        let now = self.radio.borrow().now;
        let signal = self.radio.borrow().signal().filter(|signal| *signal > now);
        let due = self.wake.min(signal.unwrap_or(u64::MAX)).max(now);
        self.busy.iter().find(|(from, to)| (*from..*to).contains(&due)).map_or(due, |(_, to)| *to)
    }

    /// The interrupt comes first. It does not wait for a loop that is in the middle of a call.
    fn due(&self) -> u64 {
        self.timer.map_or(u64::MAX, |timer| timer).min(self.loop_due())
    }

    fn run_next(&mut self) {
        let due = self.due();
        {
            let mut radio = self.radio.borrow_mut();
            radio.now = radio.now.max(due);
        }
        if self.timer.is_some_and(|timer| timer <= due) {
            self.interrupt();
            return;
        }
        let before = self.driver.time();
        let step = self.driver.step(&mut self.station).expect("a radio that answers");
        let now = tick(self.radio.borrow().now);
        // What is loaded into the radio is the slot that the station was asked for last.
        assert!(
            before <= now || self.driver.time() == before,
            "asked for two slots ahead at {now:?}"
        );
        self.wake = step.wake.us();
        if self.restless {
            self.wake = self.wake.min(self.radio.borrow().now + 333);
        }
        self.heard += u32::from(step.heard.is_some());
        if let Some(Heard::Payload(payload)) = step.heard {
            let mut text = [0; 128];
            let length = self.station.open_payload(&payload, self.driver.bits(), &mut text);
            let text = length.and_then(|length| text.get(..length)).unwrap_or(b"unreadable");
            self.read += 1;
            if text != WORDS && !text.is_empty() {
                self.misread.push(text.to_vec());
            }
        }
        if let Some(words) = self.says {
            let _ = self.station.queue_payload(words);
        }
        if let Some(at) = step.hop {
            self.timer = Some(self.timer.map_or(at.us(), |timer| timer.min(at.us())));
        }
        self.events.extend(std::iter::from_fn(|| self.station.next_event()));
    }

    fn interrupt(&mut self) {
        let now = self.radio.borrow().now;
        let asked_for = self.driver.time().us();
        let next = self.hops.hop(tick(now), |turn| {
            let mut radio = self.radio.borrow_mut();
            match turn {
                Turn::Tune { channel, .. } => {
                    assert!(asked_for <= now, "{asked_for} is tuned for at {now}");
                    (radio.channel, radio.doing) = (Some(channel), Doing::Tuned);
                    // What the synthesiser takes; the loop sees it settle.
                    radio.now += radio.settle;
                }
                Turn::Mute => {
                    if let Doing::Sending { .. } | Doing::Loaded { .. } = radio.doing {
                        radio.doing = Doing::Off;
                    }
                }
                Turn::Stay => {}
            }
        });
        self.timer = next.map(Tick::us);
        // An interrupt wakes the loop.
        self.wake = 0;
    }

    fn command(&mut self, command: Command) {
        let time = self.driver.time();
        self.station.command(time, command).expect("a command that can be carried out");
        self.wake = 0;
    }
}

/// Runs all boards until a time of their clock.
fn run(boards: &mut [Board], until: u64) {
    for _ in 0..1_000_000 {
        let Some((due, next)) = (0..boards.len()).map(|i| (boards[i].due(), i)).min() else {
            return;
        };
        if due >= until {
            for board in boards {
                let mut radio = board.radio.borrow_mut();
                radio.now = radio.now.max(until);
            }
            return;
        }
        boards[next].run_next();
    }
    panic!("a loop that does not sleep");
}

/// What a timekeeper announces on a board whose loop is busy at these times.
fn announce(busy: &[(u64, u64)]) -> (Vec<Flight>, Board) {
    announce_with(busy, false)
}

fn announce_with(busy: &[(u64, u64)], restless: bool) -> (Vec<Flight>, Board) {
    announce_ahead(busy, restless, 4_000)
}

fn announce_ahead(busy: &[(u64, u64)], restless: bool, margin: u64) -> (Vec<Flight>, Board) {
    let air = Rc::new(RefCell::new(Air::default()));
    let keeper = Make::timekeeper(0x10).station(&key(1));
    let mut boards = [Board::with_margin(keeper, &air, margin)];
    run(&mut boards, 50_000);
    boards[0].busy = busy.to_vec();
    boards[0].restless = restless;
    boards[0].command(Command::Announce);
    run(&mut boards, 3_050_000);
    let [board] = boards;
    let flights = air.borrow().flights.clone();
    (flights, board)
}

#[test]
fn an_idle_loop_sends_every_slot() {
    let (flights, board) = announce(&[]);
    // The first slot begins with the command, and is tuned for at once.
    assert_eq!(flights.len(), 150);
    assert!(flights.windows(2).all(|pair| pair[1].at - pair[0].at == SLOT));
    let tally = board.hops.tally();
    assert_eq!((tally.late, tally.lapses, tally.expired), (0, 0, 0), "{tally:?}");
    assert_eq!(board.driver.tally().sent, 150);
    assert_eq!(board.station.counters().late, 0);
    assert_eq!(board.driver.keeps_to_the_plan(), Ok(()));
}

#[test]
fn stepping_early_and_often_changes_nothing() {
    let (flights, board) = announce_with(&[], true);
    assert_eq!(flights, announce(&[]).0);
    let tally = board.hops.tally();
    assert_eq!((tally.late, tally.lapses, tally.expired), (0, 0, 0), "{tally:?}");
}

#[test]
fn a_loaded_loop_loses_slots_and_sends_nothing_else() {
    let (all, _) = announce(&[]);
    // Slots begin every 20 ms from 50 000 on. In the middle of one, twice as long as the margin; from before the
    // station is to be asked until just before the next one begins; and across a start, as long as there is time.
    let short = [(516_200, 525_900), (645_900, 649_900), (749_900, 750_760)];
    let (flights, board) = announce(&short);
    assert_eq!(flights, all, "{:?}", board.hops.tally());
    assert_eq!(board.hops.tally().late, 0);
    // Across a boundary and the start of the word; three slots long; in the middle of a slot until just before its
    // end.
    let long = [(309_000, 313_000), (505_000, 512_000), (740_000, 800_500), (1_001_000, 1_069_800)];
    let (flights, board) = announce(&long);
    let tally = board.hops.tally();
    assert!(tally.late >= 3 && tally.lapses >= 3, "{tally:?}");
    assert!(flights.len() < all.len() - 5, "{} of {}", flights.len(), all.len());
    assert!(flights.iter().all(|flight| all.contains(flight)), "nothing that was not due");
    let calm = |flights: &[Flight]| -> Vec<Flight> {
        flights.iter().filter(|flight| flight.at > 1_100_000).cloned().collect()
    };
    assert_eq!(calm(&flights), calm(&all), "and afterwards all is as before");
    assert_eq!(board.driver.tally().sent as usize, flights.len());
    assert_eq!(
        board.driver.keeps_to_the_plan(),
        Ok(()),
        "that the loop is late is not the radio's fault"
    );
    // A wait that ends later than half of the plan's jitter of 20 us.
    for (oversleeps, sent) in [(10, 50), (11, 0)] {
        let air = Rc::new(RefCell::new(Air::default()));
        let mut boards = [Board::new(Make::timekeeper(0x10), &air)];
        boards[0].radio.borrow_mut().oversleeps = oversleeps;
        run(&mut boards, 50_000);
        boards[0].command(Command::Announce);
        run(&mut boards, 1_050_000);
        let tally = *boards[0].driver.tally();
        assert_eq!((tally.sent, air.borrow().flights.len()), (sent, sent as usize));
        assert_eq!(tally.missed, 50 - sent, "{tally:?}");
    }
}

/// Across the start of a slot a loop may be busy for what the plan leaves, whatever the margin: to send, settling
/// time and guard less the lead and the loading, 1000 + 500 - 640 - 100 us; to listen, settling time less the lead and
/// the call, 1000 - 640 - 20 us.
#[test]
fn the_margin_does_not_help_across_the_start_of_a_slot() {
    for margin in [2_000, 4_000, 10_000] {
        for (until, missed) in [(760, 0), (761, 1)] {
            let (flights, board) = announce_ahead(&[(749_900, 750_000 + until)], false, margin);
            assert_eq!(board.driver.tally().missed, missed, "{margin} {until}");
            assert_eq!(flights.len(), 150 - missed as usize, "{margin} {until}");
        }
        for (until, slow) in [(340, 0), (341, 1)] {
            let air = Rc::new(RefCell::new(Air::default()));
            let member = Make::member(0x21).station(&key(1));
            let mut boards = [
                Board::new(Make::timekeeper(0x10), &air),
                Board::with_margin(member, &air, margin),
            ];
            run(&mut boards, 50_000);
            boards[0].command(Command::Announce);
            run(&mut boards, 4_218_000);
            assert!(boards[1].station.in_step());
            let before = boards[1].driver.tally().slow;
            // In step it goes to another channel in each slot.
            let begins = boards[1].timer.expect("the end of the slot in force");
            boards[1].busy = vec![(begins - 100, begins + until)];
            run(&mut boards, 4_260_000);
            assert_eq!(boards[1].driver.tally().slow, before + slow, "{margin} {until}");
        }
    }
}

#[test]
fn a_member_hears_through_its_interrupt_what_a_timekeeper_sends_through_its_own() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut boards =
        [Board::new(Make::timekeeper(0x10), &air), Board::new(Make::member(0x21), &air)];
    run(&mut boards, 50_000);
    boards[1].restless = true;
    boards[0].command(Command::Announce);
    run(&mut boards, 4_200_000);
    boards[0].command(Command::Press(hopwright_core::address::Target::ALL));
    run(&mut boards, 6_000_000);
    let [first, second] = &boards;
    assert!(second.station.in_step(), "{:?}", second.events);
    assert!(second.events.iter().any(|event| matches!(event, Event::Call { .. })));
    let sent = first.driver.tally().sent;
    // In step after a few slots, and nothing missed from then on.
    assert!(second.heard + 12 >= sent && sent > 280, "{} of {sent}", second.heard);
    assert_eq!(second.driver.tally().broken_off, 0);
    assert_eq!(second.hops.tally().lapses, 0, "{:?}", second.hops.tally());
    assert_eq!(second.station.counters().not_awaited, 0, "asked for the next slot too soon");
}

/// A newcomer cuts in, whose slots begin in the middle of theirs; so the way back leads through pieces of a
/// slot, the shorter the later it comes.
#[test]
fn across_a_cut_in_and_back_one_slot_is_prepared_at_a_time() {
    // A piece that is shorter than tuning takes is over before the radio is there: 500 us at least.
    for phase in (500..20_000).step_by(4_000) {
        let air = Rc::new(RefCell::new(Air::default()));
        let [keeper, member] = [Make::timekeeper(0x10), Make::member(0x21)];
        let mut boards = vec![Board::new(keeper, &air), Board::new(member, &air)];
        run(&mut boards, 50_000);
        boards[1].restless = true;
        boards[0].command(Command::Announce);
        run(&mut boards, 4_200_000 + phase);
        boards.push(Board::new(Make::member(0x22), &air));
        boards[2].radio.borrow_mut().now = 4_200_000 + phase;
        run(&mut boards, 4_250_000 + phase);
        boards[2].command(Command::Press(hopwright_core::address::Target::ALL));
        run(&mut boards, 8_000_000);
        boards[2].command(Command::Release);
        run(&mut boards, 14_000_000);
        boards[0].command(Command::Press(hopwright_core::address::Target::ALL));
        run(&mut boards, 15_000_000);
        let calls = boards[1].events.iter().filter_map(|event| match event {
            Event::Call { source, .. } => Some(source.number()),
            _ => None,
        });
        assert_eq!(calls.collect::<Vec<_>>(), [0x22, 0x10], "phase {phase}");
        for board in &boards[..2] {
            let tally = board.hops.tally();
            assert_eq!(
                (tally.late, tally.lapses, tally.expired),
                (0, 0, 0),
                "phase {phase}: {tally:?}"
            );
        }
    }
}

/// A share of a tree whose secrets are told by their depth, and an order of a change of keys to its root.
fn share_and_order(slot: u32) -> (Share, Vec<u8>) {
    let secret = |depth: u8| Secret::new([0x30 | depth; 16]);
    // The last token is given, each gives the one before.
    let token = |generation: u8| {
        (generation..u8::MAX).fold(Secret::new([0x55; 16]), |token, _| token.child(false))
    };
    let mut depths = 0..;
    let path = std::array::from_fn(|_| secret(depths.next().unwrap()));
    let aside = std::array::from_fn(|_| Secret::new([0x77; 16]));
    let order = Order {
        generation: 1,
        slot: Slot::new(slot),
        token: &token(1),
        key: &key(2),
        salt: [9; 16],
        inner: &Secret::new([0x11; 16]),
    };
    let root = (Node::new(1).unwrap(), secret(0));
    let bytes = order.to_bytes(&key(1).subkey(Label::Tree), &[root]).unwrap().to_vec();
    (Share::new(path, aside, 0, token(0)), bytes)
}

#[test]
fn a_change_of_keys_loses_no_slot() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut boards = [Make::timekeeper(0x10), Make::member(0x21)]
        .map(|make| Board::of(make.station_with(&key(1), Some(share_and_order(0).0)), &air));
    run(&mut boards, 50_000);
    boards[0].command(Command::Announce);
    run(&mut boards, 4_200_000);
    // Slot 300 is about 6 s after the first: while the timekeeper speaks.
    let (_, order) = share_and_order(300);
    for board in &mut boards {
        let time = board.driver.time();
        board.station.take_order(time, &order).unwrap();
        board.wake = 0;
    }
    boards[0].says = Some(WORDS);
    boards[0].command(Command::Press(hopwright_core::address::Target::ALL));
    run(&mut boards, 8_000_000);
    // A payload is read before the station is asked what comes next: that may be another key.
    let Board { read, misread, .. } = &boards[1];
    assert!(*read > 100 && misread.is_empty(), "{read}: {misread:?}");
    for board in &boards {
        assert_eq!(board.station.keys().0.fingerprint(), key(2).fingerprint());
        let tally = board.hops.tally();
        assert_eq!((tally.late, tally.lapses, tally.expired), (0, 0, 0), "{tally:?}");
    }
    let (sent, heard) = (boards[0].driver.tally().sent, boards[1].heard);
    assert!(heard + 12 >= sent && sent > 350, "{heard} of {sent}");
}

/// The station changes its mind twice before the interrupt comes: it is tuned for what the radio listened to
/// before, which does not listen any more.
#[test]
fn what_the_interrupt_has_tuned_for_is_listened_to_even_if_it_was_before() {
    use hopwright_core::station::{FixedChannels, Mode};
    let air = Rc::new(RefCell::new(Air::default()));
    let fixed = FixedChannels { calling: Some(channel(200)), ..FixedChannels::NONE };
    let mut boards = [Board::new(Make { fixed, ..Make::member(0x21) }, &air)];
    run(&mut boards, 50_000);
    let before = boards[0].radio.borrow().channel;
    assert!(matches!(boards[0].radio.borrow().doing, Doing::Listening { .. }));
    for mode in [Mode::SinglePlain, Mode::Hopping] {
        boards[0].command(Command::Mode(mode));
        // The loop is quicker than the interrupt, and the station may have something to work out first.
        let Board { station, driver, .. } = &mut boards[0];
        assert!((0..100).any(|_| driver.step(station).unwrap().hop.is_some()), "{mode:?}");
    }
    boards[0].timer = Some(50_000);
    run(&mut boards, 60_000);
    let radio = boards[0].radio.borrow();
    assert_eq!(radio.channel, before);
    assert!(matches!(radio.doing, Doing::Listening { .. }), "{:?}", radio.doing);
}

/// Stays on the watch channel take one slot. The station has to hear of the power before it is asked for
/// the next one, however long before that is.
#[test]
fn power_on_the_watch_channel_is_told_in_time_whatever_the_margin() {
    use hopwright_core::station::FixedChannels;
    for margin in [2_000, 4_000, 8_000, 10_000] {
        let air = Rc::new(RefCell::new(Air::default()));
        let fixed = FixedChannels { watch: Some(channel(200)), ..FixedChannels::NONE };
        let member = Make { fixed, ..Make::member(0x21) }.station(&key(1));
        let mut boards =
            [Board::new(Make::timekeeper(0x10), &air), Board::with_margin(member, &air, margin)];
        run(&mut boards, 50_000);
        boards[0].command(Command::Announce);
        run(&mut boards, 5_000_000);
        let watched =
            |board: &Board| board.events.iter().any(|event| matches!(event, Event::WatchTraffic));
        assert!(boards[1].station.in_step() && !watched(&boards[1]));
        air.borrow_mut().disturbed.insert(channel(200));
        run(&mut boards, 12_000_000);
        assert!(watched(&boards[1]), "margin {margin}: {:?}", boards[1].events);
    }
}

// ---- threads ----

/// An interrupt and a loop on two threads that race each other: every transmission happens on the
/// channel of its own slot.
#[test]
fn threads_never_transmit_on_another_slots_channel() {
    use std::sync::Mutex;
    use std::sync::atomic::{AtomicU64, Ordering};
    static HOPS: Hops<u16, 4> = Hops::new();
    static TIME: AtomicU64 = AtomicU64::new(0);
    static TUNED: Mutex<Option<u16>> = Mutex::new(None);
    const SLOTS: u64 = 4_000;
    let interrupt = std::thread::spawn(|| {
        let mut pause = 1_u32;
        for step in 0..SLOTS * 2 {
            TIME.store(step * SLOT / 2, Ordering::SeqCst);
            let _ = HOPS.hop(tick(step * SLOT / 2), |turn| {
                if let Turn::Tune { setting, .. } = turn {
                    *TUNED.lock().unwrap() = Some(setting);
                }
            });
            // Pauses of all lengths, so that the loop is caught at all of its steps.
            pause = pause.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            for _ in 0..pause >> 20 {
                std::hint::spin_loop();
            }
            std::thread::yield_now();
        }
    });
    let station = Make::member(0x21).station(&key(1));
    let slot = |h: u64| slot_of(&station, u16::try_from(h % 128).unwrap(), h * SLOT, true);
    let slots: Vec<Prepared<u16>> = (1..=SLOTS).map(slot).collect();
    let (mut sent, mut waiting) = (0_u32, Vec::new());
    while !interrupt.is_finished() {
        let now = TIME.load(Ordering::SeqCst);
        let next = now / SLOT + 1;
        let known = waiting.last().is_some_and(|(h, _)| *h >= next);
        if let Some(slot) = slots.get(usize::try_from(next).unwrap() - 1).filter(|_| !known)
            && let Ok(ticket) = HOPS.prepare(tick(now), *slot, true)
        {
            waiting.push((next, ticket.serial));
        }
        waiting.retain(|(h, serial)| {
            let now = TIME.load(Ordering::SeqCst);
            let started = HOPS.transmit(*serial, tick(now), || *TUNED.lock().unwrap());
            if let Some(tuned) = started {
                assert_eq!(tuned.map(u64::from), Some(h % 128));
                sent += 1;
            }
            started.is_none() && now < (h + 1) * SLOT
        });
    }
    interrupt.join().unwrap();
    assert!(sent > 100, "{sent} only: {:?}", HOPS.tally());
}
