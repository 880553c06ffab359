//! Two packet transceivers behind serial buses, as a [`Part`] describes them: registers, a memory of
//! 64 bytes that fills and empties at the bit rate, a synthesiser that takes time to settle. They hear each
//! other. What a driver does wrong with one of them is counted.
//!
//! Nobody makes this part: its addresses and times are made up.

use crate::time;
use core::cell::RefCell;
use core::convert::Infallible;
use core::future::poll_fn;
use core::task::Poll;
use critical_section::Mutex;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::spi::{self, Operation, SpiDevice};
use heapless::{Deque, Vec};
use hopwright_core::front_end::asynchronous::AwaitStamps;
use hopwright_core::front_end::{Modes, Part, Registers, Stamps, Status};
use hopwright_core::units::{Hertz, Micros, Tick};

/// What its data sheet would say.
pub const PART: Part = Part {
    crystal_hz: 32_000_000,
    resolution_bits: 19,
    write: WRITE,
    read: 0x00,
    registers: Registers {
        mode: MODE,
        frequency: (FREQUENCY, 3),
        divider: (DIVIDER, 2),
        word: WORD,
        second_word: Some(SECOND_WORD),
        length: (LENGTH, 1),
        memory: MEMORY,
        level: LEVEL,
    },
    modes: Modes {
        standby: STANDBY,
        synthesiser: SYNTHESISER,
        receive: RECEIVE,
        transmit: TRANSMIT,
    },
    status: Status {
        ready: (STATE, READY),
        settled: (STATE, SETTLED),
        whole: (FLAGS, WHOLE),
        sent: (FLAGS, SENT),
        above: (FLAGS, ABOVE),
        second: (FLAGS, SECOND),
    },
    memory_bytes: ROOM as u16,
    threshold: THRESHOLD as u16,
    preamble_bits: 24,
    ramp: RAMP,
    order: ORDER,
    recognition: RECOGNITION,
    level_offset_dbm: 0,
};

const WRITE: u8 = 0x80;
const MODE: u8 = 0x01;
const FREQUENCY: u8 = 0x08;
const DIVIDER: u8 = 0x0C;
const WORD: u8 = 0x18;
const SECOND_WORD: u8 = 0x1C;
const LENGTH: u8 = 0x20;
const LEVEL: u8 = 0x28;
const STATE: u8 = 0x30;
const FLAGS: u8 = 0x31;
const MEMORY: u8 = 0x7E;

const STANDBY: u8 = 0;
const SYNTHESISER: u8 = 1;
const RECEIVE: u8 = 2;
const TRANSMIT: u8 = 3;

const READY: u8 = 0x01;
const SETTLED: u8 = 0x02;
const WHOLE: u8 = 0x01;
const SENT: u8 = 0x02;
const ABOVE: u8 = 0x04;
const SECOND: u8 = 0x08;

const ROOM: usize = 64;
const THRESHOLD: usize = 31;
/// From the mode that runs the synthesiser, or another frequency in it, to the channel.
const SETTLE: Micros = Micros::new(150);
/// From the mode of reception to the first bit that can be received.
const RECEIVER: Micros = Micros::new(30);
const RAMP: Micros = Micros::new(60);
/// What the driver and the bus take from the end of its wait until the chip has its order, in the middle: 5 us, and up
/// to 8 more if the other board does something. A transmission would begin late by that.
const ORDER: Micros = Micros::new(8);
/// Of the preamble a receiver needs this much.
const PREAMBLE_NEEDED: Micros = Micros::new(320);
const RECOGNITION: Micros = Micros::new(15);
/// A byte on the bus, at 8 MHz.
const BUS_BYTE: Micros = Micros::new(1);
/// What level there is where nobody transmits: `- n / 2` dBm.
const QUIET: u8 = 240;

/// What drivers have done wrong, and what has become of transmissions.
#[derive(Debug, Clone, Copy, Default)]
pub struct Account {
    /// Transmissions that were begun.
    pub begun: u32,
    /// Of these, to their last bit.
    pub whole: u32,
    /// The memory was empty before the last bit.
    pub ran_empty: u32,
    /// More came in than the memory holds.
    pub ran_over: u32,
    /// Begun before the synthesiser had settled.
    pub unsettled: u32,
    /// Begun with the amplifier off, switched off on the way, or listened with it on.
    pub amplifier: u32,
}

/// A transmission that was begun.
#[derive(Debug, Clone, Copy)]
pub struct Begun {
    /// Where, to the step of the synthesiser.
    pub frequency: Hertz,
    /// When its unique word starts.
    pub at: Tick,
}

/// Transmissions that are kept.
const LOG: usize = 256;
/// Bytes behind a unique word.
const LONGEST: usize = 128;

struct Chip {
    registers: [u8; 128],
    mode_since: Tick,
    /// When the synthesiser was told of its frequency last.
    tuned_since: Tick,
    memory: Deque<u8, ROOM>,
    sending: Option<Sending>,
    receiving: Option<Receiving>,
    flags: u8,
    /// When a unique word was signalled: the line's edge, until it has been read.
    edge: Option<Tick>,
    amplifier: bool,
    account: Account,
    log: Vec<Begun, LOG>,
}

#[derive(Debug)]
struct Sending {
    frequency: Hertz,
    divider: u16,
    word: u32,
    at: Tick,
    length: usize,
    bytes: Vec<u8, LONGEST>,
    /// Bits have stopped: at the end, or because there were no more.
    ended: bool,
}

#[derive(Debug)]
struct Receiving {
    /// When the word that was recognised started.
    at: Tick,
    divider: u16,
    length: usize,
    taken: usize,
}

static CHIPS: Mutex<RefCell<[Chip; 2]>> = Mutex::new(RefCell::new([Chip::NEW, Chip::NEW]));

/// Works with chip `number` at `now`, when everything has happened that has happened by then.
fn chip<R>(number: usize, work: impl FnOnce(&mut Chip, Tick) -> R) -> R {
    critical_section::with(|section| {
        let mut chips = CHIPS.borrow_ref_mut(section);
        let now = time::now();
        let [first, second] = &mut *chips;
        first.send_on(now);
        second.send_on(now);
        first.receive_on(second.sending.as_ref(), now);
        second.receive_on(first.sending.as_ref(), now);
        work(if number == 0 { first } else { second }, now)
    })
}

/// What has become of a chip's transmissions, and what was done wrong with it.
#[must_use]
pub fn account(number: usize) -> Account {
    chip(number, |chip, _| chip.account)
}

/// The transmissions that a chip has begun, as long as there is room for them.
#[must_use]
pub fn begun(number: usize) -> Vec<Begun, LOG> {
    chip(number, |chip, _| chip.log.clone())
}

impl Chip {
    const NEW: Self = Self {
        registers: [0; 128],
        mode_since: Tick::ZERO,
        tuned_since: Tick::ZERO,
        memory: Deque::new(),
        sending: None,
        receiving: None,
        flags: 0,
        edge: None,
        amplifier: false,
        account: Account {
            begun: 0,
            whole: 0,
            ran_empty: 0,
            ran_over: 0,
            unsettled: 0,
            amplifier: 0,
        },
        log: Vec::new(),
    };

    fn mode(&self) -> u8 {
        self.registers[usize::from(MODE)]
    }

    fn field<const N: usize>(&self, first: u8) -> u32 {
        let first = usize::from(first);
        let bytes = &self.registers[first..first + N];
        bytes.iter().fold(0, |number, byte| number << 8 | u32::from(*byte))
    }

    fn frequency(&self) -> Hertz {
        let word = u64::from(self.field::<3>(FREQUENCY));
        Hertz::new((word * u64::from(PART.crystal_hz)) >> PART.resolution_bits)
    }

    fn divider(&self) -> u16 {
        self.field::<2>(DIVIDER) as u16
    }

    fn settled_at(&self) -> Tick {
        self.tuned_since.plus(SETTLE)
    }

    // ---- time ----

    /// The bits that have gone out by `now`.
    fn send_on(&mut self, now: Tick) {
        let Some(sending) = &mut self.sending else { return };
        while !sending.ended {
            let next = sending.ends_of(sending.bytes.len());
            if sending.bytes.len() == sending.length {
                if now >= next {
                    sending.ended = true;
                    self.flags |= SENT;
                    self.account.whole += 1;
                }
                return;
            }
            // The next byte is taken when its first bit goes out.
            if now < next {
                return;
            }
            match self.memory.pop_front() {
                Some(byte) => {
                    let _ = sending.bytes.push(byte);
                }
                None => {
                    sending.ended = true;
                    self.account.ran_empty += 1;
                }
            }
        }
    }

    /// What has come in by `now` of a transmission of the other chip.
    fn receive_on(&mut self, other: Option<&Sending>, now: Tick) {
        if self.mode() != RECEIVE {
            return;
        }
        let Some(sending) = other else { return };
        if self.receiving.is_none() {
            self.recognise(sending, now);
        }
        let Some(receiving) = &mut self.receiving else { return };
        let same = receiving.at == sending.at;
        while receiving.taken < receiving.length {
            if now < ends_of(receiving.at, receiving.divider, receiving.taken + 1) {
                return;
            }
            // Behind the end of a transmission there is noise.
            let sent = sending.bytes.get(receiving.taken).filter(|_| same);
            let byte = sent.copied().unwrap_or(0xA5);
            receiving.taken += 1;
            if self.memory.push_back(byte).is_err() {
                self.account.ran_over += 1;
            }
        }
        if receiving.taken == receiving.length {
            self.flags |= WHOLE;
        }
    }

    fn recognise(&mut self, sending: &Sending, now: Tick) {
        let listens = self.settled_at().max(self.mode_since).plus(RECEIVER);
        let signal = sending.ends_of(0).plus(RECOGNITION);
        let near = self.frequency().hz().abs_diff(sending.frequency.hz()) < 1_000;
        let in_time = listens.plus(PREAMBLE_NEEDED) <= sending.at && signal <= now;
        let first = self.field::<4>(WORD) == sending.word;
        let second = self.field::<4>(SECOND_WORD) == sending.word;
        let ours = near && self.divider() == sending.divider && (first || second);
        if !(in_time && ours) {
            return;
        }
        if !first {
            self.flags |= SECOND;
        }
        self.edge = Some(signal);
        let length = self.field::<1>(LENGTH) as usize;
        let (at, divider) = (sending.at, sending.divider);
        self.receiving = Some(Receiving { at, divider, length, taken: 0 });
    }

    // ---- the bus ----

    fn write(&mut self, register: u8, value: u8, now: Tick) {
        if register == MEMORY {
            if self.memory.push_back(value).is_err() {
                self.account.ran_over += 1;
            }
            return;
        }
        let before = self.registers[usize::from(register)];
        self.registers[usize::from(register)] = value;
        let tunes = (FREQUENCY..FREQUENCY + 3).contains(&register);
        if register == MODE {
            self.enter(before, value, now);
        } else if tunes {
            self.tuned_since = now;
        }
    }

    fn enter(&mut self, before: u8, mode: u8, now: Tick) {
        self.mode_since = now;
        if before == STANDBY {
            self.tuned_since = now;
        }
        self.receiving = None;
        self.edge = None;
        if mode != TRANSMIT {
            if let Some(sending) = &mut self.sending {
                sending.ended = true;
            }
            self.flags = 0;
        }
        match mode {
            STANDBY => self.memory.clear(),
            RECEIVE => self.account.amplifier += u32::from(self.amplifier),
            TRANSMIT => self.transmit(now),
            _ => {}
        }
    }

    fn transmit(&mut self, now: Tick) {
        self.account.begun += 1;
        self.account.amplifier += u32::from(!self.amplifier);
        self.account.unsettled += u32::from(now < self.settled_at());
        let frequency = self.frequency();
        let preamble = air_time(self.divider(), PART.preamble_bits.into());
        let at = now.plus(RAMP).plus(preamble);
        let _ = self.log.push(Begun { frequency, at });
        self.sending = Some(Sending {
            frequency,
            divider: self.divider(),
            word: self.field::<4>(WORD),
            at,
            length: self.field::<1>(LENGTH) as usize,
            bytes: Vec::new(),
            ended: false,
        });
    }

    fn read(&mut self, register: u8, now: Tick) -> u8 {
        match register {
            MEMORY => self.memory.pop_front().unwrap_or_default(),
            STATE => {
                let runs = self.mode() != STANDBY;
                let settled = runs && now >= self.settled_at();
                let receives = self.mode_since.max(self.settled_at()).plus(RECEIVER) <= now;
                let ready = match self.mode() {
                    STANDBY => true,
                    RECEIVE => receives,
                    _ => settled,
                };
                flag(ready, READY) | flag(settled, SETTLED)
            }
            FLAGS => self.flags | flag(self.memory.len() > THRESHOLD, ABOVE),
            LEVEL => QUIET,
            _ => self.registers[usize::from(register)],
        }
    }
}

const fn flag(set: bool, flag: u8) -> u8 {
    if set { flag } else { 0 }
}

impl Sending {
    fn ends_of(&self, bytes: usize) -> Tick {
        ends_of(self.at, self.divider, bytes)
    }
}

/// When the first `bytes` behind a unique word have gone out that starts at `at`.
fn ends_of(at: Tick, divider: u16, bytes: usize) -> Tick {
    at.plus(air_time(divider, 32 + 8 * bytes as u64))
}

/// So many bits.
fn air_time(divider: u16, bits: u64) -> Micros {
    Micros::new(bits * u64::from(divider) * 1_000_000 / u64::from(PART.crystal_hz))
}

/// The serial bus to a chip. Each transaction is a critical section: the hop interrupt uses it, too.
#[derive(Debug)]
pub struct Bus(pub usize);

impl spi::ErrorType for Bus {
    type Error = Infallible;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        critical_section::with(|_| {
            let taken = operations.iter().fold(Micros::ZERO, |all, one| all.plus(takes(one)));
            time::busy_until(time::now().plus(taken));
            chip(self.0, |chip, now| {
                let mut address = None;
                for operation in operations {
                    exchange(chip, &mut address, operation, now);
                }
            });
        });
        Ok(())
    }
}

impl embedded_hal_async::spi::SpiDevice for Bus {
    /// As quick as the other: what a bus takes is less than to go elsewhere and come back.
    async fn transaction(
        &mut self,
        operations: &mut [Operation<'_, u8>],
    ) -> Result<(), Infallible> {
        SpiDevice::transaction(self, operations)
    }
}

fn takes(operation: &Operation<'_, u8>) -> Micros {
    let bytes = match operation {
        Operation::Write(bytes) => bytes.len(),
        Operation::Read(bytes) => bytes.len(),
        Operation::Transfer(read, write) => read.len().max(write.len()),
        Operation::TransferInPlace(bytes) => bytes.len(),
        Operation::DelayNs(ns) => return Micros::new(u64::from(*ns).div_ceil(1_000)),
    };
    BUS_BYTE.times(bytes as u64)
}

fn exchange(chip: &mut Chip, at: &mut Option<u8>, operation: &mut Operation<'_, u8>, now: Tick) {
    let mut byte = |out: u8| exchange_byte(chip, at, out, now);
    match operation {
        Operation::Write(bytes) => bytes.iter().for_each(|out| {
            byte(*out);
        }),
        Operation::Read(bytes) => bytes.iter_mut().for_each(|into| *into = byte(0)),
        Operation::TransferInPlace(bytes) => bytes.iter_mut().for_each(|both| *both = byte(*both)),
        Operation::Transfer(read, write) => {
            for i in 0..read.len().max(write.len()) {
                let came = byte(write.get(i).copied().unwrap_or_default());
                if let Some(into) = read.get_mut(i) {
                    *into = came;
                }
            }
        }
        Operation::DelayNs(_) => {}
    }
}

/// One byte there and one back. The first of a transaction is the address, which goes on by itself but for the
/// memory's.
fn exchange_byte(chip: &mut Chip, address: &mut Option<u8>, out: u8, now: Tick) -> u8 {
    let Some(at) = *address else {
        *address = Some(out);
        return 0;
    };
    let register = at & !WRITE;
    if register != MEMORY {
        *address = Some(at & WRITE | register.wrapping_add(1) & !WRITE);
    }
    if at & WRITE == 0 {
        return chip.read(register, now);
    }
    chip.write(register, out, now);
    0
}

/// The pin of a chip's power amplifier.
#[derive(Debug)]
pub struct Amplifier(pub usize);

impl digital::ErrorType for Amplifier {
    type Error = Infallible;
}

impl OutputPin for Amplifier {
    fn set_low(&mut self) -> Result<(), Infallible> {
        chip(self.0, |chip, _| {
            chip.amplifier = false;
            let sends = chip.sending.as_ref().is_some_and(|sending| !sending.ended);
            chip.account.amplifier += u32::from(sends);
        });
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        chip(self.0, |chip, _| {
            chip.amplifier = true;
            chip.account.amplifier += u32::from(chip.mode() == RECEIVE);
        });
        Ok(())
    }
}

/// A timer's capture input at the line that goes high at a unique word: it keeps the time of the edge, however
/// late the loop comes.
#[derive(Debug)]
pub struct Capture(pub usize);

impl Stamps for Capture {
    type Error = Infallible;

    fn stamp(&mut self) -> Result<Option<Tick>, Infallible> {
        Ok(chip(self.0, |chip, _| chip.edge.take()))
    }

    fn clear(&mut self) {
        chip(self.0, |chip, _| chip.edge = None);
    }
}

impl AwaitStamps for Capture {
    async fn signalled(&mut self) {
        poll_fn(|_| done(chip(self.0, |chip, _| chip.edge.is_some()))).await;
    }
}

/// What is done while a [`Delay`] lasts that is longer than this, again and again.
const LONG: Micros = Micros::new(150);

/// Waits by looking at the clock, and does something short in the meantime.
pub struct Delay<'a>(pub &'a dyn Fn());

impl DelayNs for Delay<'_> {
    fn delay_ns(&mut self, ns: u32) {
        let until = after(ns);
        while until.since(time::now()).is_some_and(|left| left > LONG) {
            (self.0)();
        }
        time::busy_until(until);
    }
}

/// Waits while others go on. Nothing wakes it: it is for those who poll again and again.
#[derive(Debug)]
pub struct Later;

impl embedded_hal_async::delay::DelayNs for Later {
    async fn delay_ns(&mut self, ns: u32) {
        let until = after(ns);
        poll_fn(|_| done(time::now() >= until)).await;
    }
}

fn after(ns: u32) -> Tick {
    time::now().plus(Micros::new(u64::from(ns).div_ceil(1_000)))
}

fn done(done: bool) -> Poll<()> {
    if done { Poll::Ready(()) } else { Poll::Pending }
}
