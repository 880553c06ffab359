//! Both ends of the loader over the blocking streams of `embedded-io`, each with the other one behind
//! its port. The ports do what a port may: they take a few bytes at a time, and pass nothing on before
//! they are flushed.

use super::loader::{Core, MINE, new, old, restart, with_old};
use embedded_io::{ErrorType, Read, ReadReady, Write};
use hopwright_core::loader::{
    CarrierEnd, Frame, IoError, Outcome, Refusal, StationEnd, Verdict, Wire, carry, serve,
    write_frame,
};
use hopwright_core::units::{Micros, Tick};
use hopwright_tests::provisioning::Flash;
use std::cell::Cell;
use std::collections::VecDeque;
use std::convert::Infallible;

/// What is behind a port.
trait Behind {
    /// Hears a byte; says something, or nothing.
    fn hear(&mut self, byte: u8) -> Vec<u8>;
    /// Says something of its own accord, when it is waited for.
    fn speak(&mut self) -> Vec<u8>;
}

impl Behind for StationEnd<'_, Flash, Core> {
    fn hear(&mut self, byte: u8) -> Vec<u8> {
        self.byte(byte).map(<[u8]>::to_vec).unwrap_or_default()
    }

    fn speak(&mut self) -> Vec<u8> {
        Vec::new()
    }
}

impl Behind for CarrierEnd<'_> {
    fn hear(&mut self, byte: u8) -> Vec<u8> {
        self.byte(byte);
        Vec::new()
    }

    fn speak(&mut self) -> Vec<u8> {
        let now = self.wake();
        self.poll(now).map(<[u8]>::to_vec).unwrap_or_default()
    }
}

struct Port<B> {
    behind: B,
    written: Vec<u8>,
    arriving: VecDeque<u8>,
    /// So many bytes are still taken.
    takes: usize,
}

impl<B> Port<B> {
    fn new(behind: B, arriving: &[u8]) -> Self {
        let arriving = arriving.iter().copied().collect();
        Self { behind, written: Vec::new(), arriving, takes: usize::MAX }
    }
}

impl<B> ErrorType for Port<B> {
    type Error = Infallible;
}

impl<B: Behind> Read for Port<B> {
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, Infallible> {
        if self.arriving.is_empty() {
            self.arriving.extend(self.behind.speak());
        }
        let count = buffer.len().min(self.arriving.len());
        self.arriving.drain(..count).zip(buffer).for_each(|(byte, place)| *place = byte);
        Ok(count)
    }
}

impl<B: Behind> ReadReady for Port<B> {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(!self.arriving.is_empty())
    }
}

impl<B: Behind> Write for Port<B> {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        let count = bytes.len().min(7).min(self.takes);
        self.takes -= count;
        self.written.extend_from_slice(&bytes[..count]);
        Ok(count)
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        for byte in core::mem::take(&mut self.written) {
            self.arriving.extend(self.behind.hear(byte));
        }
        Ok(())
    }
}

fn frame(kind: u8, sequence: u16, payload: &[u8]) -> Wire {
    let mut wire = Wire::new();
    write_frame(Frame { kind, sequence, payload }, &mut wire);
    wire
}

/// Carries a content through a port in which there is something already.
fn carried(work: &mut [u8], content: &[u8], left: &[u8]) -> Result<Outcome, IoError<Infallible>> {
    let station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), work);
    let mut port = Port::new(station, left);
    let mut carrier = CarrierEnd::new(MINE, content);
    let now = Cell::new(Tick::ZERO);
    let idle = |_: &CarrierEnd<'_>| now.set(now.get().plus(Micros::from_millis(10)));
    carry(&mut port, &mut carrier, || now.get(), idle)
}

#[test]
fn a_carrier_carries() {
    let mut work = vec![0; 1_024];
    assert_eq!(carried(&mut work, &new(), &[]), Ok(Outcome::Accepted { generation: 2 }));
    assert_eq!(carried(&mut work, &old(), &[]), Ok(Outcome::Accepted { generation: 1 }));
    let long = vec![1; 1_025];
    assert_eq!(carried(&mut work, &long, &[]), Ok(Outcome::Refused(Refusal::TooLong)));
}

/// A station took its time to commit what an earlier carrier brought, and answered the repetitions as
/// well. What is left of that in the port says nothing about this one's offer.
#[test]
fn late_answers_to_an_earlier_carrier_are_not_believed() {
    let accepted = frame(0x83, 0, &[7, 0, 0, 0]);
    let refused = frame(0x84, 1, &[5]);
    let mut work = vec![0; 1_024];
    for late in [&accepted, &refused] {
        for times in [1, 9] {
            let outcome = carried(&mut work, &new(), &late.repeat(times));
            assert_eq!(outcome, Ok(Outcome::Accepted { generation: 2 }));
        }
    }
}

/// A line that never stops.
struct Noise;

impl Behind for Noise {
    fn hear(&mut self, _: u8) -> Vec<u8> {
        Vec::new()
    }

    fn speak(&mut self) -> Vec<u8> {
        Vec::new()
    }
}

#[test]
fn a_port_that_is_closed_is_told() {
    let content = new();
    let mut carrier = CarrierEnd::new(MINE, &content);
    let mut closed = Port { takes: 5, ..Port::new(Noise, &[]) };
    let ended = carry(&mut closed, &mut carrier, || Tick::ZERO, |_| {});
    assert_eq!(ended, Err(IoError::Closed), "it takes no more");
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
    assert_eq!(serve(&mut Port::new(Noise, &[1, 2, 3]), &mut station), Err(IoError::Closed));
}

#[test]
fn a_station_serves_one_carrier_after_another() {
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
    let contents = [(old(), 1), (new(), 2), (old(), 3)];
    for (content, generation) in &contents {
        // The first thing that comes is spoilt. It is asked for again: the verdict on the carrier before
        // is none on this one.
        let mut port = Port::new(CarrierEnd::new(MINE, content), &[0xC0, 1, 1, 0xC0]);
        let verdict = serve(&mut port, &mut station);
        let Ok(Verdict::Accepted(active)) = verdict else { panic!("{verdict:?}") };
        assert_eq!(active.generation, *generation);
        assert_eq!(port.behind.outcome(), Some(Outcome::Accepted { generation: *generation }));
        assert_eq!(restart(station.store().storage().clone()).1, Some(content.clone()));
    }
    let long = vec![1; 1_025];
    let mut port = Port::new(CarrierEnd::new(MINE, &long), &[]);
    assert_eq!(serve(&mut port, &mut station), Ok(Verdict::Refused(Refusal::TooLong)));
}
