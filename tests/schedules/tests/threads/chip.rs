//! A part's registers and memory, with a loop and an interrupt that both write to them: the interrupt may
//! come between any two accesses of the loop.
//!
//! The part is nobody's. Standby empties its memory; what it sends it takes from the memory byte by byte,
//! and it breaks off when that has run empty.

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType as PinErrors, OutputPin};
use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use hopwright_core::address::Target;
use hopwright_core::front_end::{self, SharedDriver, Stamps, Transceiver};
use hopwright_core::shared::{Hops, Turn};
use hopwright_core::station::{Command, Event, FixedChannels, Mode, Station};
use hopwright_core::units::{Channel, Micros, Tick};
use hopwright_tests::plans::{Make, key, raster, timing};
use hopwright_tests::radio::PART;
use std::cell::RefCell;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::rc::Rc;

const MODE: u8 = PART.registers.mode;
const FREQUENCY: u8 = PART.registers.frequency.0;
const LENGTH: u8 = PART.registers.length.0;
const MEMORY: u8 = PART.registers.memory;
const STANDBY: u8 = PART.modes.standby;
const SYNTHESISER: u8 = PART.modes.synthesiser;
const RECEIVE: u8 = PART.modes.receive;
const TRANSMIT: u8 = PART.modes.transmit;

/// What was on the air.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Sent {
    from: u64,
    frequency: Vec<u8>,
    bytes: Vec<u8>,
    whole: bool,
}

type Slots = Hops<[u8; 3], 4>;

/// The part, the clock, the amplifier, and the interrupt.
struct Chip {
    now: u64,
    /// What an access takes.
    access: u64,
    hops: &'static Slots,
    timer: Option<u64>,
    mode: u8,
    /// Standby empties the memory when it is entered, and not when it is ordered again.
    empties_on_entry: bool,
    frequency: Vec<u8>,
    settled: u64,
    memory: VecDeque<u8>,
    length: usize,
    sending: Option<Sent>,
    sent: bool,
    /// Having sent is told until the next transmission begins, whatever the mode is.
    sent_lasts: bool,
    amplifier: bool,
    /// When a word is signalled, once; what follows it is in `arriving`, if anything.
    signal: Option<u64>,
    /// When a word has ended, and what is on the air behind it.
    arriving: Option<(u64, Vec<u8>)>,
    /// It is the second of the words that are waited for.
    second: bool,
    /// How much of that has come.
    came: usize,
    /// What the memory has no room for is counted as if it had come.
    counts_on: bool,
    /// One access fails, after so many.
    fails: Option<u32>,
    /// The next order to receive fails.
    refuses: bool,
    /// No order to receive is carried out.
    deaf: bool,
    /// How often it has begun to receive, and how often with the amplifier on.
    receptions: u32,
    loud: u32,
    log: Vec<Sent>,
}

impl Chip {
    /// Byte by byte out of the memory, until the length is reached.
    fn advance(&mut self) {
        self.arrive();
        let (now, length) = (self.now, self.length);
        let Some(sent) = &mut self.sending else { return };
        // 700 us of ramp and preamble, 640 of the word, 160 for a byte.
        let due = |byte: usize| sent.from + 1_340 + 160 * byte as u64;
        while sent.bytes.len() < length && due(sent.bytes.len()) <= now {
            let Some(byte) = self.memory.pop_front() else {
                self.log.extend(self.sending.take());
                return;
            };
            sent.bytes.push(byte);
            if sent.bytes.len() < length && sent.from + 1_340 + 160 * sent.bytes.len() as u64 > now
            {
                return;
            }
        }
        if sent.bytes.len() == length && sent.from + 1_340 + 160 * length as u64 <= now {
            sent.whole = true;
            self.sent = true;
            self.log.extend(self.sending.take());
        }
    }

    /// Byte by byte into the memory. What it has no room for is lost, and the reception with it.
    fn arrive(&mut self) {
        let (now, length) = (self.now, self.length);
        let Some((from, bytes)) = &self.arriving else { return };
        while self.mode == RECEIVE && self.came < length.min(bytes.len()) {
            if from + 160 * (self.came as u64 + 1) > now {
                return;
            }
            if self.memory.len() < 64 {
                self.memory.push_back(bytes[self.came]);
            } else if !self.counts_on {
                self.arriving = None;
                return;
            }
            self.came += 1;
        }
    }

    fn enter(&mut self, mode: u8) {
        self.advance();
        if self.came > 0 {
            // What was being received has come to its end.
            (self.arriving, self.came) = (None, 0);
        }
        let before = std::mem::replace(&mut self.mode, mode);
        if before == TRANSMIT && mode != TRANSMIT {
            self.log.extend(self.sending.take());
            self.sent &= self.sent_lasts;
        }
        match mode {
            STANDBY if before == STANDBY && self.empties_on_entry => {}
            STANDBY => self.memory.clear(),
            SYNTHESISER if before == STANDBY => self.settled = self.now + 100,
            RECEIVE => {
                self.receptions += 1;
                self.loud += u32::from(self.amplifier);
            }
            TRANSMIT => {
                let (from, frequency) = (self.now, self.frequency.clone());
                self.sent = false;
                self.sending = Some(Sent { from, frequency, bytes: Vec::new(), whole: false });
            }
            _ => {}
        }
    }

    fn write(&mut self, address: u8, bytes: &[u8]) {
        match address {
            MODE => self.enter(bytes[0]),
            FREQUENCY => self.frequency = bytes.to_vec(),
            LENGTH => {
                assert_ne!(self.mode, RECEIVE, "set up while it receives, at {}", self.now);
                self.length = bytes[0].into();
            }
            MEMORY => {
                self.memory.extend(bytes);
                assert!(self.memory.len() <= 64, "the memory runs over at {}", self.now);
            }
            _ => {}
        }
    }

    fn read(&mut self, address: u8) -> u8 {
        self.advance();
        let settled = self.mode != STANDBY && self.settled <= self.now;
        match address {
            0x50 => 1 | u8::from(settled) << 1,
            0x51 => {
                let whole = self.came > 0 && self.came == self.length;
                let above = self.memory.len() > 31;
                u8::from(whole) << 4
                    | u8::from(self.sent) << 5
                    | u8::from(above) << 6
                    | u8::from(self.second) << 7
            }
            MEMORY => self.memory.pop_front().unwrap_or_default(),
            0x40 => 200,
            _ => 0,
        }
    }

    /// Time passes, and the interrupt comes when it is due, unless the loop holds it off.
    fn pass(&mut self, us: u64) {
        let end = self.now + us;
        while let Some(timer) = self.timer.filter(|timer| *timer <= end) {
            self.now = self.now.max(timer);
            let hops = self.hops;
            let mut came = false;
            let next = hops.hop(Tick::new(self.now), |turn| {
                came = true;
                match turn {
                    Turn::Tune { setting, .. } => {
                        self.enter(STANDBY);
                        self.write(FREQUENCY, &setting);
                        self.enter(SYNTHESISER);
                    }
                    Turn::Mute => self.enter(STANDBY),
                    Turn::Stay => {}
                }
            });
            if !came {
                break;
            }
            self.timer = next.map(Tick::us);
        }
        self.now = self.now.max(end);
        self.advance();
    }
}

#[derive(Clone)]
struct Bench(Rc<RefCell<Chip>>);

impl ErrorType for Bench {
    type Error = ErrorKind;
}

impl SpiDevice for Bench {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        let mut chip = self.0.borrow_mut();
        let access = chip.access;
        chip.pass(access);
        if chip.fails.take_if(|left| *left == 0).is_some() {
            // What is written has come, and the loop is told that it has not.
            if let [Operation::Write([address]), Operation::Write(bytes)] = operations {
                chip.write(address & 0x7F, bytes);
            }
            return Err(ErrorKind::Other);
        }
        chip.fails = chip.fails.map(|left| left - 1);
        if let [Operation::Write([address, RECEIVE])] = operations
            && address & 0x7F == MODE
            && (chip.deaf || std::mem::take(&mut chip.refuses))
        {
            return Err(ErrorKind::Other);
        }
        match operations {
            [Operation::Write([address, bytes @ ..])] => chip.write(address & 0x7F, bytes),
            [Operation::Write([address]), Operation::Write(bytes)] => {
                chip.write(address & 0x7F, bytes);
            }
            [Operation::Write([address]), Operation::Read(bytes)] => {
                bytes.iter_mut().for_each(|byte| *byte = chip.read(*address));
            }
            _ => panic!("not what a transceiver does"),
        }
        Ok(())
    }
}

impl PinErrors for Bench {
    type Error = Infallible;
}

impl OutputPin for Bench {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.borrow_mut().amplifier = false;
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.borrow_mut().amplifier = true;
        Ok(())
    }
}

impl DelayNs for Bench {
    fn delay_ns(&mut self, ns: u32) {
        self.0.borrow_mut().pass(u64::from(ns.div_ceil(1_000)));
    }
}

impl front_end::Clock for Bench {
    fn now(&mut self) -> Tick {
        Tick::new(self.0.borrow().now)
    }
}

impl Stamps for Bench {
    type Error = Infallible;

    fn stamp(&mut self) -> Result<Option<Tick>, Infallible> {
        let mut chip = self.0.borrow_mut();
        let now = chip.now;
        Ok(chip.signal.take_if(|signal| *signal <= now).map(Tick::new))
    }

    fn clear(&mut self) {}
}

type Radio = Transceiver<'static, Bench, Bench, Bench, Bench, Bench>;
type Setting = fn(Channel) -> [u8; 3];

/// A station on such a board.
struct Kit {
    station: Station<128>,
    driver: SharedDriver<'static, Radio, Setting, [u8; 3], 4>,
    chip: Rc<RefCell<Chip>>,
    wake: u64,
    /// The loop is busy with something else from each first to each second.
    busy: Vec<(u64, u64)>,
    /// The loop sleeps no longer than that.
    sleeps: u64,
    errors: u32,
    events: Vec<Event>,
}

impl Kit {
    fn new(make: Make, margin: u64) -> Self {
        let hops: &'static Slots = Box::leak(Box::new(Hops::new()));
        let chip = Rc::new(RefCell::new(Chip {
            now: 0,
            access: 8,
            hops,
            timer: None,
            mode: STANDBY,
            empties_on_entry: false,
            frequency: Vec::new(),
            settled: 0,
            memory: VecDeque::new(),
            length: 0,
            sending: None,
            sent: false,
            sent_lasts: false,
            amplifier: false,
            signal: None,
            arriving: None,
            second: false,
            came: 0,
            counts_on: false,
            fails: None,
            refuses: false,
            deaf: false,
            receptions: 0,
            loud: 0,
            log: Vec::new(),
        }));
        let bench = || Bench(chip.clone());
        let (spi, amplifier, delay) = (bench(), bench(), bench());
        let board = front_end::Board { spi, amplifier, delay, clock: bench(), stamps: bench() };
        let radio =
            Transceiver::new(&PART, raster(256), &timing(), board).expect("a part that fits");
        let setting: Setting = |channel| {
            let frequency = raster(256).frequency(channel).expect("a channel of the raster");
            let [_, word @ ..] = PART.frequency_word(frequency).expect("reached").to_be_bytes();
            word
        };
        let driver = SharedDriver::new(radio, timing(), Micros::new(margin), hops, setting);
        Self {
            station: make.station(&key(1)),
            driver: driver.expect("a quick radio"),
            chip,
            wake: 0,
            busy: Vec::new(),
            sleeps: u64::MAX,
            errors: 0,
            events: Vec::new(),
        }
    }

    fn now(&self) -> u64 {
        self.chip.borrow().now
    }

    fn run(&mut self, until: u64) {
        for _ in 0..1_000_000 {
            let now = self.now();
            let due = self.wake.min(now.saturating_add(self.sleeps)).max(now);
            let busy = self.busy.iter().find(|(from, to)| (*from..*to).contains(&due));
            let due = busy.map_or(due, |(_, to)| *to);
            let timer = self.chip.borrow().timer.filter(|timer| *timer < due);
            let next = timer.unwrap_or(due).max(now);
            if next >= until {
                self.chip.borrow_mut().pass(until.saturating_sub(now));
                return;
            }
            self.chip.borrow_mut().pass(next - now);
            if timer.is_some() {
                // An interrupt wakes the loop.
                self.wake = 0;
                continue;
            }
            self.step();
        }
        panic!("a loop that does not sleep");
    }

    fn step(&mut self) {
        let Ok(step) = self.driver.step(&mut self.station) else {
            self.errors += 1;
            self.wake = 0;
            return;
        };
        self.wake = step.wake.us();
        if let Some(at) = step.hop {
            let mut chip = self.chip.borrow_mut();
            chip.timer = Some(chip.timer.map_or(at.us(), |timer| timer.min(at.us())));
        }
        while let Some(event) = self.station.next_event() {
            if let Event::GoAhead { .. } = event {
                self.station.queue_payload(b"water 41 cm and rising").expect("an over");
            }
            self.events.push(event);
        }
    }

    fn command(&mut self, command: Command) {
        let time = self.driver.time();
        self.station.command(time, command).expect("a command that can be carried out");
        self.wake = 0;
    }

    /// Announces, and says something to all; what was sent from the call on.
    fn speak(&mut self) -> Vec<Sent> {
        self.run(50_000);
        self.command(Command::Announce);
        self.run(4_200_000);
        self.chip.borrow_mut().log.clear();
        self.command(Command::Press(Target::ALL));
        self.run(5_500_000);
        self.command(Command::Release);
        self.run(6_500_000);
        self.chip.borrow().log.clone()
    }
}

fn keeper(margin: u64) -> Kit {
    Kit::new(Make::timekeeper(0x10), margin)
}

/// A timekeeper in a slot in which it waits for a payload, and when that began.
fn awaits_a_payload(margin: u64) -> (Kit, u64) {
    let mut kit = keeper(margin);
    kit.run(50_000);
    kit.command(Command::Announce);
    kit.run(4_200_000);
    let awaits = |chip: &Chip| chip.mode == RECEIVE && chip.length == 108;
    while !awaits(&kit.chip.borrow()) {
        kit.run(kit.now() + 250);
    }
    let ends = kit.chip.borrow().timer.expect("the end of the slot");
    assert!((ends - 20_000..ends - 18_000).contains(&kit.now()));
    (kit, ends - 20_000)
}

impl Chip {
    /// A word that begins then, and what follows it.
    fn hears(&mut self, word: u64, bytes: &[u8]) {
        self.signal = Some(word + 640 + 15);
        self.arriving = Some((word + 640, bytes.to_vec()));
    }
}

/// Settling time and guard before a word of 640 us, and 108 bytes behind it: all of it has come after 19.42 ms.
/// The loop is busy from before that until the slot is over.
#[test]
fn a_payload_that_has_arrived_when_its_slot_lapses_is_read() {
    let (mut kit, begins) = awaits_a_payload(4_000);
    let payload: Vec<u8> = (0..108).collect();
    kit.chip.borrow_mut().hears(begins + 1_500, &payload);
    kit.busy = vec![(begins + 17_500, begins + 20_100)];
    let lapses = kit.chip.borrow().hops.tally().lapses;
    kit.run(begins + 20_300);
    assert_eq!(kit.chip.borrow().hops.tally().lapses, lapses + 1);
    assert_eq!((kit.driver.tally().heard, kit.driver.tally().broken_off), (1, 0));
    assert_eq!(kit.driver.bits(), payload);
    // And the slot that has begun meanwhile is used.
    kit.run(begins + 24_000);
    assert_eq!(kit.chip.borrow().hops.tally().late, 1);
    assert_eq!(kit.chip.borrow().mode, RECEIVE);
    assert_eq!(kit.errors, 0);
}

/// What is not whole when its slot is over will not be: the next slot does not wait for it.
#[test]
fn a_reception_that_is_not_whole_when_its_slot_is_over_is_given_up() {
    let (mut kit, begins) = awaits_a_payload(4_000);
    kit.chip.borrow_mut().hears(begins + 8_000, &[7; 108]);
    kit.run(begins + 22_000);
    assert_eq!((kit.driver.tally().heard, kit.driver.tally().broken_off), (0, 1));
    assert_eq!((kit.chip.borrow().hops.tally().late, kit.errors), (1, 0));
    assert_eq!(kit.chip.borrow().mode, RECEIVE, "in the next slot");
}

/// The loop comes to a word when the memory of 64 bytes is nearly full.
#[test]
fn a_first_look_reads_what_has_come() {
    let (mut kit, begins) = awaits_a_payload(4_000);
    let payload: Vec<u8> = (0..108).collect();
    kit.chip.borrow_mut().hears(begins + 1_500, &payload);
    kit.busy = vec![(begins + 2_000, begins + 2_140 + 60 * 160)];
    kit.run(begins + 20_300);
    assert_eq!((kit.driver.tally().heard, kit.driver.tally().broken_off), (1, 0));
    assert_eq!(kit.driver.bits(), payload);
}

/// The loop is busy while the memory runs empty, and until the next slot has begun.
#[test]
fn a_transmission_that_ran_empty_is_counted() {
    let calm = keeper(8_000).speak();
    let slot = calm.iter().filter(|sent| sent.bytes.len() == 108).nth(9).expect("payloads").from;
    let mut kit = keeper(8_000);
    kit.busy = vec![(slot + 1_000, slot + 22_000)];
    let sent = kit.speak();
    let broken: Vec<_> = sent.iter().filter(|sent| !sent.whole).collect();
    assert!(matches!(broken[..], [only] if only.bytes.len() == 64), "{broken:?}");
    assert_eq!((kit.driver.tally().cut, kit.errors), (1, 0));
    let mut kit = keeper(8_000);
    let _ = kit.speak();
    assert_eq!(kit.driver.tally().cut, 0);
}

/// The receiver cannot be set up. The station is asked all the same, and speaks.
#[test]
fn a_station_whose_receiver_fails_is_asked_all_the_same() {
    let mut kit = keeper(4_000);
    kit.chip.borrow_mut().deaf = true;
    let sent = kit.speak();
    assert!(sent.iter().filter(|sent| sent.bytes.len() == 108).count() > 40, "{sent:?}");
    assert!(sent.iter().all(|sent| sent.whole), "{sent:?}");
    assert!(kit.errors > 0, "and it is told");
    let tally = kit.chip.borrow().hops.tally();
    assert_eq!((tally.lapses, tally.expired), (0, 0), "in time");
}

/// A header has been read, and the receiver could not go on. The next look makes up for that, and in the
/// middle of it the interrupt tunes for the next slot.
#[test]
fn an_interrupt_while_a_receiver_goes_on_leaves_it_to_be_renewed() {
    for before in (0..80).step_by(4) {
        let (mut kit, begins) = awaits_a_payload(10_000);
        {
            let mut chip = kit.chip.borrow_mut();
            // Noise follows a header: it is read with what comes behind it.
            chip.hears(begins + 4_000, &[7; 108]);
            (chip.second, chip.refuses) = (true, true);
        }
        while kit.driver.tally().heard == 0 {
            kit.run(kit.now() + 4);
        }
        let next = begins + 20_000;
        assert!(!kit.chip.borrow().refuses && kit.now() < next - 100, "{}", kit.now() - begins);
        // The next slot is prepared. Something wakes the loop just before it begins.
        let taken = kit.chip.borrow().hops.tally().taken;
        (kit.wake, kit.busy) = (0, vec![(kit.now(), next - before)]);
        kit.run(next + 5_000);
        assert_eq!(kit.chip.borrow().hops.tally().taken, taken + 1);
        assert_eq!((kit.errors, kit.chip.borrow().mode), (0, RECEIVE), "{before} us before");
    }
}

/// The memory of 64 bytes runs over, and the part says at the end that all has come. A byte of 160 us is allowed for
/// the time stamp; until the 65th has come nothing is lost.
#[test]
fn a_reception_that_ran_over_is_broken_off_whatever_the_part_says() {
    let payload: Vec<u8> = (0..108).collect();
    for (bytes, whole) in [(64, true), (66, false), (69, false), (107, false)] {
        let (mut kit, begins) = awaits_a_payload(4_000);
        kit.chip.borrow_mut().counts_on = true;
        kit.chip.borrow_mut().hears(begins + 1_500, &payload);
        kit.busy = vec![(begins + 2_100, begins + 2_140 + bytes * 160 + 15)];
        kit.run(begins + 19_900);
        let told = (kit.driver.tally().heard, kit.driver.tally().broken_off);
        assert_eq!(told, (u32::from(whole), u32::from(!whole)), "{bytes} bytes");
        assert!(!whole || kit.driver.bits() == payload);
        assert_eq!((kit.errors, kit.chip.borrow().mode), (0, RECEIVE), "{bytes} bytes");
    }
}

/// 108 bytes go through a memory of 64; the last are due when the next slot has long been prepared.
#[test]
fn a_long_transmission_is_written_to_its_end_whatever_the_margin() {
    for margin in [2_000, 4_000, 8_000, 10_000] {
        let mut kit = keeper(margin);
        let sent = kit.speak();
        assert!(sent.iter().filter(|sent| sent.bytes.len() == 108).count() > 40, "{sent:?}");
        assert!(sent.iter().all(|sent| sent.whole), "{margin}: {sent:?}");
        assert_eq!((kit.errors, kit.chip.borrow().loud), (0, 0));
    }
}

/// The loop is busy from `from` of one slot in four to `to`, both from the slot's beginning: whatever is
/// sent is what is sent in that slot anyhow, or the beginning of it.
fn disturbed(all: &[Sent], margin: u64, from: u64, to: u64, kind: fn(&mut Chip)) {
    let mut kit = keeper(margin);
    kit.busy =
        (0..60).map(|slot| 4_250_000 + slot * 4 * 20_000).map(|at| (at + from, at + to)).collect();
    kind(&mut kit.chip.borrow_mut());
    let sent = kit.speak();
    let what = format!("margin {margin}, busy from {from} to {to}");
    for sent in &sent {
        let Some(all) = all.iter().find(|all| all.from.abs_diff(sent.from) < 10) else {
            panic!("{what}: {sent:?} belongs nowhere");
        };
        assert_eq!(sent.frequency, all.frequency, "{what}");
        assert!(all.bytes.starts_with(&sent.bytes), "{what}: {sent:?} instead of {all:?}");
    }
    // Three in four at least are as always.
    let whole = sent.iter().filter(|sent| sent.whole).count();
    assert!(whole * 2 > all.len(), "{what}: {whole} of {}", all.len());
    assert_eq!((kit.errors, kit.chip.borrow().loud), (0, 0), "{what}");
}

#[test]
fn what_is_left_of_a_slot_does_not_get_into_the_next() {
    let all = keeper(8_000).speak();
    for from in (3_000..19_500).step_by(1_500) {
        for to in [20_050, 20_400, 21_500, 30_000] {
            disturbed(&all, 8_000, from, to, |_| {});
            disturbed(&all, 8_000, from, to, |chip| chip.sent_lasts = true);
            disturbed(&all, 8_000, from, to, |chip| chip.empties_on_entry = true);
        }
    }
}

/// An access takes 8 us; the interrupt comes between any two of those that look after a transmission.
#[test]
fn an_interrupt_in_the_middle_of_a_look_leaves_nothing_behind() {
    let all = keeper(10_000).speak();
    for from in [11_000, 19_000] {
        for to in (19_900..20_004).step_by(4) {
            disturbed(&all, 10_000, from, to, |_| {});
        }
    }
    // In the middle of what is told too late.
    for to in (39_800..40_004).step_by(4) {
        disturbed(&all, 10_000, 19_000, to, |_| {});
    }
}

/// Each access fails once, on the way to the receiver and afterwards. Then a word comes behind which
/// nothing follows; and another.
#[test]
fn a_receiver_that_an_error_has_stopped_is_told_anew() {
    let mut errors = 0;
    for access in 0..20 {
        let mut kit = Kit::new(Make::member(0x21), 4_000);
        kit.chip.borrow_mut().fails = Some(access);
        for (round, signal) in [200_000, 250_000].into_iter().enumerate() {
            kit.chip.borrow_mut().signal = Some(signal);
            kit.run(signal - 1);
            assert_eq!(kit.chip.borrow().mode, RECEIVE, "access {access}");
            let before = kit.chip.borrow().receptions;
            kit.run(signal + 40_000);
            assert_eq!(kit.driver.tally().broken_off, round as u32 + 1, "access {access}");
            assert_eq!(kit.chip.borrow().receptions, before + 1, "access {access}");
        }
        errors += kit.errors;
    }
    assert_eq!(errors, 20);
}

/// A receiver is told anew just before the interrupt tunes for the next slot, and in the middle of that it comes.
#[test]
fn an_interrupt_while_a_receiver_is_told_anew_leaves_it_to_be_renewed() {
    let mut interrupted = 0;
    for before in (0..240).step_by(4) {
        let mut kit = keeper(8_000);
        kit.run(50_000);
        kit.command(Command::Announce);
        kit.run(4_200_000);
        // A slot that is listened to, with another one behind it: some of each frame are.
        while kit.chip.borrow().mode != RECEIVE {
            kit.run(kit.now() + 1_000);
        }
        kit.run(kit.now() + 11_000);
        let Some(next) = kit.chip.borrow().timer else { panic!("the next slot is prepared") };
        kit.run(next - before);
        // A word is signalled, and to ask which fails.
        kit.chip.borrow_mut().signal = Some(next - before);
        kit.chip.borrow_mut().fails = Some(0);
        kit.wake = 0;
        kit.run(next + 5_000);
        assert_eq!(kit.errors, 1, "{before} us before");
        interrupted += u32::from(kit.chip.borrow().mode == RECEIVE);
        kit.run(next + 400_000);
        assert_eq!(kit.errors, 1, "{before} us before");
    }
    assert_eq!(interrupted, 60, "the next slot is listened to, too");
}

/// A timekeeper that has announced, and whose operator has pressed, at that time.
fn pressed(until: u64) -> Kit {
    let mut kit = keeper(8_000);
    kit.run(50_000);
    kit.command(Command::Announce);
    kit.run(4_200_000);
    kit.chip.borrow_mut().log.clear();
    kit.command(Command::Press(Target::ALL));
    kit.run(until);
    kit
}

/// Each access of a slot of our own fails once. What has not been started leaves the amplifier off, and the
/// next slots are as always.
#[test]
fn a_transmission_that_the_bus_did_not_start_leaves_the_amplifier_off() {
    let all = keeper(8_000).speak();
    // (The seventh header of the call: whatever comes before it has an effect on it.)
    let slot = all[6].from;
    let mut silent = 0;
    for access in 0.. {
        let mut kit = pressed(slot - 1_000);
        kit.chip.borrow_mut().fails = Some(access);
        kit.run(slot + 12_000);
        if kit.errors == 0 {
            // No slot has so many.
            assert!(access > 6 && silent > 3, "{silent} of {access}");
            return;
        }
        let started = kit.chip.borrow().log.iter().any(|sent| sent.from >= slot - 100);
        silent += u32::from(!started);
        assert!(started || !kit.chip.borrow().amplifier, "access {access}");
        kit.run(slot + 62_000);
        let log = kit.chip.borrow().log.clone();
        let after: Vec<_> = log.iter().filter(|sent| sent.from > slot + 10_000).collect();
        let always: Vec<_> =
            all.iter().filter(|sent| (slot + 10_000..slot + 45_000).contains(&sent.from)).collect();
        assert_eq!(after[..always.len()], always[..], "access {access}");
        assert_eq!(kit.errors, 1, "access {access}");
    }
}

/// Each access of those that look after a payload fails once, and what was written has come all the same.
#[test]
fn a_write_that_failed_is_not_repeated() {
    let all = keeper(8_000).speak();
    let slot = all.iter().filter(|sent| sent.bytes.len() == 108).nth(9).expect("payloads");
    let mut cut = 0;
    for access in 0..24 {
        let mut kit = pressed(slot.from + 3_000);
        kit.chip.borrow_mut().fails = Some(access);
        kit.run(slot.from + 60_000);
        let log = kit.chip.borrow().log.clone();
        let sent = log.iter().find(|sent| sent.from == slot.from).expect("it was begun");
        assert!(slot.bytes.starts_with(&sent.bytes), "access {access}: {sent:?}");
        cut += u32::from(!sent.whole);
        let next = log.iter().find(|sent| sent.from > slot.from + 10_000).expect("the next");
        assert!(next.whole && all.contains(next), "access {access}: {next:?}");
    }
    assert!(cut > 0, "one of them writes");
}

/// A loop is busy when a stay of a minute ends. The stay goes on; so does the receiver, on the same channel.
#[test]
fn a_stay_that_goes_on_behind_a_lapse_is_tuned_for_again() {
    let fixed = FixedChannels { calling: Channel::new(200), ..FixedChannels::NONE };
    let mut kit = Kit::new(Make { fixed, ..Make::member(0x21) }, 4_000);
    kit.run(50_000);
    kit.command(Command::Mode(Mode::SinglePlain));
    kit.run(1_000_000);
    let listens = |kit: &Kit| (kit.chip.borrow().mode, kit.chip.borrow().frequency.clone());
    let before = listens(&kit);
    assert_eq!(before.0, RECEIVE);
    let ends = kit.chip.borrow().timer.expect("the end of the stay");
    assert!(ends > 50_000_000, "{ends}");
    kit.busy = vec![(ends - 5_000, ends + 9_000)];
    kit.run(ends + 8_000);
    assert_eq!((listens(&kit), kit.driver.tally().slow), (before.clone(), 0));
    assert_eq!(kit.chip.borrow().hops.tally().lapses, 1);
    kit.run(ends + 12_000);
    assert_eq!(listens(&kit), before);
    assert_eq!((kit.errors, kit.driver.keeps_to_the_plan()), (0, Ok(())));
}
