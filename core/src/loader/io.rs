//! Both ends over the blocking byte streams of `embedded-io`.

use super::{CarrierEnd, Judge, Outcome, StationEnd, Storage, Verdict};
use crate::units::Tick;
use embedded_io::{Read, ReadReady, Write};
use zeroize::Zeroize;

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
    serve_through(&mut [0; 64], port, end)
}

/// The same through a buffer, which is wiped: what comes in the clear passes through it.
fn serve_through<P: Read + Write, S: Storage, J: Judge>(
    buffer: &mut [u8],
    port: &mut P,
    end: &mut StationEnd<'_, S, J>,
) -> Result<Verdict, IoError<P::Error>> {
    let outcome = attend(buffer, port, end);
    buffer.zeroize();
    outcome
}

fn attend<P: Read + Write, S: Storage, J: Judge>(
    buffer: &mut [u8],
    port: &mut P,
    end: &mut StationEnd<'_, S, J>,
) -> Result<Verdict, IoError<P::Error>> {
    loop {
        let count = port.read(buffer).map_err(IoError::Port)?;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::address::Address;
    use crate::loader::{Bank, Refusal, StorageFault, Store};
    use embedded_io::{ErrorKind, ErrorType};

    /// Memory that nothing was ever written to.
    struct Erased;

    impl Storage for Erased {
        fn capacity(&self) -> usize {
            1_024
        }

        fn read(&mut self, _: Bank, _: usize, into: &mut [u8]) -> Result<(), StorageFault> {
            into.fill(0xFF);
            Ok(())
        }

        fn write(&mut self, _: Bank, _: usize, _: &[u8]) -> Result<(), StorageFault> {
            Ok(())
        }

        fn erase(&mut self, _: Bank) -> Result<(), StorageFault> {
            Ok(())
        }
    }

    struct Nobody;

    impl Judge for Nobody {
        fn address(&self) -> Option<Address> {
            None
        }

        fn judge(&mut self, _: &mut [u8], _: Address) -> Result<(), Refusal> {
            Err(Refusal::Content)
        }
    }

    /// Gives something once, and then what it is told to.
    struct Port {
        given: bool,
        then: Result<usize, ErrorKind>,
    }

    impl ErrorType for Port {
        type Error = ErrorKind;
    }

    impl Read for Port {
        fn read(&mut self, into: &mut [u8]) -> Result<usize, ErrorKind> {
            if core::mem::replace(&mut self.given, true) {
                return self.then;
            }
            into.fill(0x5E);
            Ok(into.len())
        }
    }

    impl Write for Port {
        fn write(&mut self, bytes: &[u8]) -> Result<usize, ErrorKind> {
            Ok(bytes.len())
        }

        fn flush(&mut self) -> Result<(), ErrorKind> {
            Ok(())
        }
    }

    /// The end of a configuration in the clear may lie where nothing was read into afterwards.
    #[test]
    fn what_has_passed_through_the_buffer_is_wiped() {
        for (then, why) in
            [(Ok(0), IoError::Closed), (Err(ErrorKind::Other), IoError::Port(ErrorKind::Other))]
        {
            let mut work = [0; 64];
            let store = Store::open(Erased).unwrap();
            let mut end = StationEnd::new(store, Nobody, &mut work);
            let (mut buffer, mut port) = ([0; 64], Port { given: false, then });
            assert_eq!(serve_through(&mut buffer, &mut port, &mut end), Err(why));
            assert!(port.given && buffer == [0; 64]);
        }
    }
}
