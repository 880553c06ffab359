//! The driver of a radio, and the hop interrupt.

use crate::band::any_raster;
use crate::fields::any_timing;
use crate::station::any_station;
use core::convert::Infallible;
use core::hint::black_box;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType as PinErrors, InputPin, OutputPin};
use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use hopwright_core::front_end::{
    Awaited, Board, Clock, Delays, Driver, FrontEnd, Modes, NoPin, Part, Polled, Registers,
    SharedDriver, Stamps, Status, Transceiver,
};
use hopwright_core::keys::NetKey;
use hopwright_core::shared::{Ahead, Hops, Prepared, Turn};
use hopwright_core::station::Station;
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Hertz, Micros, Tick};

/// Critical sections that do nothing: the image is never run.
struct Never;
critical_section::set_impl!(Never);

#[expect(unsafe_code, reason = "the crate asks for a promise")]
// SAFETY: the image is never run.
unsafe impl critical_section::Impl for Never {
    unsafe fn acquire() {
        black_box(());
    }

    unsafe fn release((): ()) {
        black_box(());
    }
}

/// Hardware that answers whatever it likes.
pub(crate) struct Any;

impl ErrorType for Any {
    type Error = ErrorKind;
}

impl SpiDevice for Any {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        for operation in operations {
            match operation {
                Operation::Read(bytes) => bytes.iter_mut().for_each(|byte| *byte = black_box(0)),
                Operation::Write(bytes) => {
                    black_box(bytes);
                }
                Operation::Transfer(..) | Operation::TransferInPlace(_) | Operation::DelayNs(_) => {
                }
            }
        }
        black_box(Ok(()))
    }
}

impl PinErrors for Any {
    type Error = Infallible;
}

impl InputPin for Any {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(black_box(false))
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(black_box(false))
    }
}

impl OutputPin for Any {
    fn set_low(&mut self) -> Result<(), Infallible> {
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

impl DelayNs for Any {
    fn delay_ns(&mut self, ns: u32) {
        black_box(ns);
    }
}

pub(crate) fn tick() -> Tick {
    Tick::new(black_box(0))
}

pub(crate) fn any_part() -> Part {
    black_box(Part {
        crystal_hz: 0,
        resolution_bits: 0,
        write: 0,
        read: 0,
        registers: Registers {
            mode: 0,
            frequency: (0, 0),
            divider: (0, 0),
            word: 0,
            second_word: Some(0),
            length: (0, 0),
            memory: 0,
            level: 0,
        },
        modes: Modes { standby: 0, synthesiser: 0, receive: 0, transmit: 0 },
        status: Status {
            settled: (0, 0),
            ready: (0, 0),
            whole: (0, 0),
            sent: (0, 0),
            above: (0, 0),
            second: (0, 0),
        },
        memory_bytes: 0,
        threshold: 0,
        preamble_bits: 0,
        ramp: Micros::ZERO,
        order: Micros::ZERO,
        recognition: Micros::ZERO,
        level_offset_dbm: 0,
    })
}

/// What is judged of any radio and of any line.
fn parts(timing: &Timing) {
    let micros = || Micros::new(black_box(0));
    let delays = Delays { settle: micros(), turnaround: micros(), ..Delays::default() };
    black_box(delays.within(timing, micros()).is_ok());
    let mut stamps = Polled::new(Any, tick);
    Stamps::clear(&mut stamps);
    black_box(Stamps::stamp(&mut stamps).is_ok());
    black_box(Clock::now(&mut tick));
}

pub(crate) fn all(key: &NetKey) {
    let Some(mut station) = any_station::<128>(key) else { return };
    let Ok(timing) = any_timing() else { return };
    let hertz = |hz: u64| Hertz::new(black_box(hz));
    let Ok(raster) = any_raster() else { return };
    let part = any_part();
    parts(&timing);
    black_box(part.frequency_word(hertz(0)).is_ok());
    black_box(part.divider(black_box(0), black_box(0)).is_ok());
    let board = || Board {
        spi: Any,
        amplifier: Any,
        delay: Any,
        clock: tick,
        stamps: Polled::new(Any, tick),
    };
    let Ok(mut radio) = Transceiver::new(&part, raster, &timing, board()) else { return };
    let registers = black_box([(0, 0); 300]);
    let registers = registers.get(..black_box(0)).unwrap_or_default();
    let _ = black_box(Transceiver::start(&mut radio, registers));
    black_box(radio.level().is_ok());
    if let Ok(mut driver) = Driver::new(radio, timing) {
        drive(&mut driver, &mut station);
    }
    let Board { spi, delay, clock, stamps, .. } = board();
    let board = Board { spi, amplifier: NoPin, delay, clock, stamps };
    let Ok(radio) = Transceiver::new(&part, raster, &timing, board) else { return };
    interrupt(radio, timing, &mut station);
}

fn drive<F: FrontEnd>(driver: &mut Driver<F>, station: &mut Station<128>) {
    let channels = black_box([Channel::default(); 4_200]);
    let channels = channels.get(..black_box(0)).unwrap_or_default();
    black_box(Driver::qualify(driver, channels).is_ok());
    while black_box(true) {
        black_box(Driver::step(driver, station).is_ok());
        black_box((Driver::bits(driver), Driver::delays(driver), Driver::tally(driver)));
        black_box(Driver::keeps_to_the_plan(driver).is_ok());
    }
    calls(Driver::front_end(driver));
}

/// Every call that a driver makes, in any order.
fn calls<F: FrontEnd>(radio: &mut F) {
    black_box((FrontEnd::now(radio), FrontEnd::lead(radio), FrontEnd::starts_within(radio)));
    black_box((FrontEnd::off(radio).is_ok(), FrontEnd::renew(radio).is_ok()));
    let complement = black_box(Some(0));
    let awaited = Awaited { word: black_box(0), bytes: black_box(0), complement };
    black_box((radio.tune(black_box(Channel::default())).is_ok(), radio.listen(awaited).is_ok()));
    let bits = black_box([0_u8; 600]);
    let bits = bits.get(..black_box(0)).unwrap_or_default();
    black_box(FrontEnd::load(radio, black_box(0), bits).is_ok());
    black_box(FrontEnd::send(radio, tick()).is_ok());
    let mut into = black_box([0_u8; 600]);
    black_box(radio.attend(into.get_mut(..black_box(0)).unwrap_or_default()).is_ok());
    FrontEnd::wait(radio, tick());
}

fn interrupt<F: FrontEnd>(radio: F, timing: Timing, station: &mut Station<128>) {
    black_box(Hops::<u32, 4>::default());
    let hops = Hops::<u32, 4>::new();
    let margin = Micros::new(black_box(0));
    let setting = |channel: Channel| u32::from(channel.number());
    let mut ahead = Ahead::new(timing, margin);
    while black_box(true) {
        black_box(Ahead::prepare(&mut ahead, station, &hops, tick(), setting).is_ok());
        black_box((Ahead::wake(&ahead), Ahead::time(&ahead, tick())));
        black_box((ahead.answer(), ahead.margin()));
        let action = Station::poll(station, tick());
        if let Some(slot) = Prepared::new(station, &timing, &action, setting) {
            let slot = slot.not_before(tick());
            black_box(Prepared::from(&slot));
            let ticket = Hops::prepare(&hops, tick(), slot, black_box(true));
            if let Ok(ticket) = ticket {
                black_box(hops.transmit(ticket.serial, tick(), || black_box(())));
                black_box((hops.amend(ticket.serial, tick()), hops.is_in_force(ticket.serial)));
            }
        }
        black_box(Hops::hop(&hops, tick(), |turn: Turn<u32>| {
            let _ = black_box(turn);
        }));
        black_box((hops.entered(), Hops::tally(&hops), station.jitter()));
        if black_box(false) {
            hops.take_back();
        }
    }
    let driver = SharedDriver::new(radio, timing, margin, &hops, setting);
    let Ok(mut driver) = driver else { return };
    let driver = &mut driver;
    let channels = black_box([Channel::default(); 4_200]);
    let channels = channels.get(..black_box(0)).unwrap_or_default();
    black_box(SharedDriver::qualify(driver, channels).is_ok());
    while black_box(true) {
        black_box(SharedDriver::step(driver, station).is_ok());
        black_box((SharedDriver::time(driver), SharedDriver::tally(driver)));
        black_box((SharedDriver::bits(driver), SharedDriver::delays(driver)));
        black_box(SharedDriver::keeps_to_the_plan(driver).is_ok());
    }
    calls(SharedDriver::front_end(driver));
}
