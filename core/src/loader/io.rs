//! Both ends over the blocking byte streams of `embedded-io`.

use super::{CarrierEnd, Judge, Outcome, StationEnd, Storage, Verdict};
use crate::units::Tick;
use embedded_io::{Read, ReadReady, Write};

/// Why a stream came to its end before a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IoError<E> {
    /// The stream failed.
    Port(E),
    /// The other side closed it.
    Closed,
    /// The storage failed so that only the next start tells which configuration is in use
    /// ([`Store::is_in_doubt`](super::Store::is_in_doubt)); the carrier was given no answer.
    InDoubt,
}

/// The most reads of what an earlier carrier has left in a port. A line that never stops is no reason
/// not to begin.
const LEFT_OVER: usize = 64;

/// Serves one carrier at a station's port until there is a verdict. Blocks in `read`.
///
/// After a refusal or a lost answer the carrier may come again: call it again.
///
/// # Errors
/// [`IoError`] if the stream fails or ends: the station keeps the configuration that it has; or if the storage
/// fails so that only the next start tells.
pub fn serve<P: Read + Write, S: Storage, J: Judge>(
    port: &mut P,
    end: &mut StationEnd<'_, S, J>,
) -> Result<Verdict, IoError<P::Error>> {
    let mut buffer = [0; 64];
    loop {
        let count = port.read(&mut buffer).map_err(IoError::Port)?;
        let received = buffer.get(..count).filter(|bytes| !bytes.is_empty());
        for byte in received.ok_or(IoError::Closed)? {
            let Some(answer) = end.byte(*byte) else {
                if end.is_silent() {
                    return Err(IoError::InDoubt);
                }
                continue;
            };
            send(port, answer)?;
            // Not the one on an earlier carrier's offer, which stands until the next.
            if let Some(verdict) = end.told() {
                return Ok(verdict);
            }
        }
    }
}

/// Carries a configuration to a station until there is an outcome. `clock` gives the time; between
/// two looks at the port, `idle` waits a little or does something else.
///
/// What is in the port before is dropped: an answer does not say which offer it answers, and a late one
/// to an earlier carrier would end this one's work. (One that is still on its way does.)
///
/// # Errors
/// [`IoError`] if the stream fails or ends. Try again: the station goes on where it was.
pub fn carry<P: Read + Write + ReadReady>(
    port: &mut P,
    end: &mut CarrierEnd<'_>,
    mut clock: impl FnMut() -> Tick,
    mut idle: impl FnMut(&CarrierEnd<'_>),
) -> Result<Outcome, IoError<P::Error>> {
    let mut buffer = [0; 64];
    for _ in 0..LEFT_OVER {
        if !port.read_ready().map_err(IoError::Port)? {
            break;
        }
        if port.read(&mut buffer).map_err(IoError::Port)? == 0 {
            return Err(IoError::Closed);
        }
    }
    loop {
        if let Some(bytes) = end.poll(clock()) {
            send(port, bytes)?;
        }
        if let Some(outcome) = end.outcome() {
            return Ok(outcome);
        }
        if !port.read_ready().map_err(IoError::Port)? {
            idle(end);
            continue;
        }
        let count = port.read(&mut buffer).map_err(IoError::Port)?;
        let received = buffer.get(..count).filter(|bytes| !bytes.is_empty());
        for byte in received.ok_or(IoError::Closed)? {
            end.byte(*byte);
        }
    }
}

/// Writes everything. (`Write::write_all` panics when a stream takes no byte.)
fn send<P: Write>(port: &mut P, mut bytes: &[u8]) -> Result<(), IoError<P::Error>> {
    while !bytes.is_empty() {
        match port.write(bytes).map_err(IoError::Port)? {
            0 => return Err(IoError::Closed),
            count => bytes = bytes.get(count..).unwrap_or_default(),
        }
    }
    port.flush().map_err(IoError::Port)
}
