//! The loop of a board with a hop interrupt, and the driver of its packet transceiver.

use core::convert::Infallible;
use core::hint::black_box;
// Brings in the critical sections of a single core.
use cortex_m as _;
use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use hopwright_core::band::Raster;
use hopwright_core::front_end::{
    Board, Modes, NoPin, Part, Registers, SharedDriver, Stamps, Status, Transceiver,
};
use hopwright_core::shared::{Hops, Turn};
use hopwright_core::station::Station;
use hopwright_core::timing::Timing;
use hopwright_core::units::{Hertz, Micros, Tick};

const PART: Part = Part {
    crystal_hz: 32_000_000,
    resolution_bits: 19,
    write: 0x80,
    read: 0,
    registers: Registers {
        mode: 1,
        frequency: (8, 3),
        divider: (12, 2),
        word: 16,
        second_word: Some(20),
        length: (24, 1),
        memory: 30,
        level: 31,
    },
    modes: Modes { standby: 0, synthesiser: 1, receive: 2, transmit: 3 },
    status: Status {
        settled: (32, 1),
        ready: (32, 2),
        whole: (33, 1),
        sent: (33, 2),
        above: (33, 4),
        second: (33, 8),
    },
    memory_bytes: 64,
    threshold: 31,
    preamble_bits: 24,
    ramp: Micros::new(60),
    order: Micros::new(5),
    recognition: Micros::new(15),
    level_offset_dbm: 0,
};

static HOPS: Hops<[u8; 4], 4> = Hops::new();

#[cortex_m_rt::exception]
fn SysTick() {
    let next = HOPS.hop(black_box(Tick::ZERO), |turn| match turn {
        Turn::Tune { setting, .. } => {
            black_box(setting);
        }
        Turn::Mute | Turn::Stay => {}
    });
    black_box(next);
}

/// Steps for as long as the outside world asks for.
pub(crate) fn drivers(station: &mut Station<128>) {
    let (base, step) = black_box((Hertz::new(902_300_000), Hertz::new(200_000)));
    let Ok(raster) = Raster::new(base, step, step, black_box(128)) else { return };
    let Ok(timing) = Timing::new(black_box(20_000), 1_000, 500, 50_000) else { return };
    let (spi, delay, clock) = (Anything, Anything, || black_box(Tick::ZERO));
    let board = Board { spi, amplifier: NoPin, delay, clock, stamps: Anything };
    let part = black_box(&PART);
    let Ok(mut radio) = Transceiver::new(part, raster, &timing, board) else { return };
    let _ = black_box(radio.start(black_box(&[(0, 0)])).is_ok());
    let setting = |channel| {
        let word = raster.frequency(channel).and_then(|hz| part.frequency_word(hz).ok());
        word.unwrap_or_default().to_be_bytes()
    };
    let driver = SharedDriver::new(radio, timing, Micros::new(4_000), &HOPS, setting);
    let Ok(mut driver) = driver else { return };
    let _ = black_box(driver.qualify(station.sequence().hopset().channels()).is_ok());
    while black_box(true) {
        let Ok(step) = driver.step(station) else { return };
        black_box((step.hop, step.heard, driver.bits().len(), driver.time()));
    }
}

struct Anything;

impl ErrorType for Anything {
    type Error = Infallible;
}

impl SpiDevice for Anything {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        black_box(operations);
        Ok(())
    }
}

impl DelayNs for Anything {
    fn delay_ns(&mut self, ns: u32) {
        black_box(ns);
    }
}

impl Stamps for Anything {
    type Error = Infallible;

    fn stamp(&mut self) -> Result<Option<Tick>, Infallible> {
        Ok(black_box(None))
    }

    fn clear(&mut self) {
        black_box(());
    }
}
