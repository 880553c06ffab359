//! The driver of a radio for executors, and the least of an executor.

use crate::band::any_raster;
use crate::fields::any_timing;
use crate::kit::{Any, any_part, tick};
use crate::station::any_station;
use core::convert::Infallible;
use core::future::{Future, poll_fn};
use core::hint::black_box;
use core::pin::pin;
use core::task::{Context, Poll, Waker};
use embedded_hal::spi::{ErrorKind, Operation};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;
use embedded_hal_async::spi::SpiDevice;
use hopwright_core::front_end::asynchronous::{AwaitStamps, Driver, Edge, FrontEnd, Transceiver};
use hopwright_core::front_end::{Awaited, Board, NoPin};
use hopwright_core::keys::NetKey;
use hopwright_core::station::Station;
use hopwright_core::units::Channel;

/// As long as hardware takes.
async fn a_while() {
    poll_fn(|_| if black_box(true) { Poll::Ready(()) } else { Poll::Pending }).await;
}

impl SpiDevice for Any {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        a_while().await;
        embedded_hal::spi::SpiDevice::transaction(self, operations)
    }
}

impl Wait for Any {
    async fn wait_for_high(&mut self) -> Result<(), Infallible> {
        a_while().await;
        Ok(())
    }

    async fn wait_for_low(&mut self) -> Result<(), Infallible> {
        a_while().await;
        Ok(())
    }

    async fn wait_for_rising_edge(&mut self) -> Result<(), Infallible> {
        a_while().await;
        Ok(())
    }

    async fn wait_for_falling_edge(&mut self) -> Result<(), Infallible> {
        a_while().await;
        Ok(())
    }

    async fn wait_for_any_edge(&mut self) -> Result<(), Infallible> {
        a_while().await;
        Ok(())
    }
}

impl DelayNs for Any {
    async fn delay_ns(&mut self, ns: u32) {
        black_box(ns);
        a_while().await;
    }
}

/// Polls to the end, and not again.
fn run<F: Future>(future: F) -> F::Output {
    let mut future = pin!(future);
    let mut context = Context::from_waker(Waker::noop());
    loop {
        if let Poll::Ready(output) = future.as_mut().poll(&mut context) {
            return output;
        }
    }
}

pub(crate) fn all(key: &NetKey) {
    let Some(mut station) = any_station::<128>(key) else { return };
    let Ok(timing) = any_timing() else { return };
    let Ok(raster) = any_raster() else { return };
    let part = any_part();
    let stamps = Edge::new(Any, tick);
    let board = Board { spi: Any, amplifier: NoPin, delay: Any, clock: tick, stamps };
    let Ok(mut radio) = Transceiver::new(&part, raster, &timing, board) else { return };
    let registers = black_box([(0, 0); 300]);
    let registers = registers.get(..black_box(0)).unwrap_or_default();
    black_box(run(Transceiver::start(&mut radio, registers)).is_ok());
    black_box(run(FrontEnd::level(&mut radio)).is_ok());
    run(calls(&mut radio));
    run(AwaitStamps::signalled(&mut Edge::new(Any, tick)));
    if let Ok(mut driver) = Driver::new(radio, timing) {
        run(drive(&mut driver, &mut station));
    }
}

/// Every call that a driver makes, in any order.
async fn calls<F: FrontEnd>(radio: &mut F) {
    black_box((FrontEnd::now(radio), FrontEnd::lead(radio), FrontEnd::starts_within(radio)));
    black_box(radio.tune(black_box(Channel::default())).await.is_ok());
    let complement = black_box(Some(0));
    let awaited = Awaited { word: black_box(0), bytes: black_box(0), complement };
    black_box(radio.listen(awaited).await.is_ok());
    let mut bits = black_box([0_u8; 600]);
    let bits = bits.get_mut(..black_box(0)).unwrap_or_default();
    black_box(FrontEnd::load(radio, black_box(0), bits).await.is_ok());
    FrontEnd::wait(radio, tick()).await;
    black_box(FrontEnd::send(radio, tick()).await.is_ok());
    black_box(radio.attend(bits).await.is_ok());
    FrontEnd::idle(radio, tick()).await;
    black_box(radio.off().await.is_ok());
}

async fn drive<F: FrontEnd>(driver: &mut Driver<F>, station: &mut Station<128>) {
    let channels = black_box([Channel::default(); 4_200]);
    let channels = channels.get(..black_box(0)).unwrap_or_default();
    black_box(Driver::qualify(driver, channels).await.is_ok());
    while black_box(true) {
        black_box(Driver::step(driver, station).await.is_ok());
        black_box((Driver::bits(driver), Driver::delays(driver), Driver::tally(driver)));
        black_box(Driver::keeps_to_the_plan(driver).is_ok());
        Driver::idle(driver, tick()).await;
    }
    calls(Driver::front_end(driver)).await;
}
