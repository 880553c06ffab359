//! A [`Part`] over the blocking traits of `embedded-hal`.

use super::machine::{Machine, Progressing, Write};
use super::{Awaited, Clock, FrontEnd, Part, PartError, Progress};
use crate::band::Raster;
use crate::timing::Timing;
use crate::units::{Channel, Dbm, Micros, Tick};
use core::fmt;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin, PinState};
use embedded_hal::spi::{Operation, SpiDevice};

/// A packet transceiver on a serial bus.
///
/// `P` switches the power amplifier, or antenna: high while transmitting ([`NoPin`] if there is no
/// such pin). `T` tells when a unique word was recognised. Other lines, such as a reset, are the
/// board's; so are the registers of modulation, filters and packet format, which
/// [`start`](Self::start) writes as they are given.
#[derive(Debug)]
pub struct Transceiver<'a, S, P, D, C, T> {
    pub(super) machine: Machine<'a>,
    pub(super) spi: S,
    pub(super) amplifier: P,
    pub(super) delay: D,
    pub(super) clock: C,
    pub(super) stamps: T,
}

/// Tells when the radio signalled that it recognised a unique word.
pub trait Stamps {
    /// Why it cannot be told.
    type Error;

    /// The time of the last signal, once; `None` if there has been none since the last call.
    ///
    /// # Errors
    /// If the line cannot be read.
    fn stamp(&mut self) -> Result<Option<Tick>, Self::Error>;

    /// Forgets a signal that has not been asked for.
    fn clear(&mut self);
}

/// Looks at the line itself. A stamp is as good as the loop is quick: late by the time between two
/// steps of the driver. A capturing timer or an interrupt is better, and then [`Stamps`] is a few
/// lines over a shared cell.
#[derive(Debug)]
pub struct Polled<P, C> {
    line: P,
    clock: C,
    high: bool,
}

impl<P, C> Polled<P, C> {
    /// A line that goes high when a unique word was recognised, and low afterwards.
    pub const fn new(line: P, clock: C) -> Self {
        Self { line, clock, high: false }
    }
}

impl<P: InputPin, C: Clock> Stamps for Polled<P, C> {
    type Error = P::Error;

    fn stamp(&mut self) -> Result<Option<Tick>, P::Error> {
        let before = core::mem::replace(&mut self.high, self.line.is_high()?);
        Ok((self.high && !before).then(|| self.clock.now()))
    }

    /// No look may fall between two receptions. So the line is looked at here, while the radio stands
    /// by: if it was high before, it has gone low, and the next word is an edge again.
    fn clear(&mut self) {
        self.high = self.line.is_high().unwrap_or(self.high);
    }
}

/// In place of a pin that a board does not have.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NoPin;

impl ErrorType for NoPin {
    type Error = core::convert::Infallible;
}

impl OutputPin for NoPin {
    fn set_low(&mut self) -> Result<(), Self::Error> {
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Self::Error> {
        Ok(())
    }
}

/// Why a call of a radio failed. `S`, `P` and `T` are the errors of the bus, of the amplifier's pin
/// and of the time stamps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum RadioError<S, P, T> {
    /// The bus failed.
    Bus(S),
    /// The amplifier's pin failed.
    Amplifier(P),
    /// The line of the time stamps failed.
    Stamps(T),
    /// The raster does not reach the channel.
    OffRaster(Channel),
    /// The synthesiser did not settle in time.
    NotSettled,
    /// The mode did not come into force in time.
    NotReady,
    /// More bits than the radio sends at once, in bytes.
    TooLong(usize),
}

impl<S: fmt::Debug, P: fmt::Debug, T: fmt::Debug> fmt::Display for RadioError<S, P, T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bus(error) => write!(f, "the bus failed: {error:?}"),
            Self::Amplifier(error) => write!(f, "the amplifier's pin failed: {error:?}"),
            Self::Stamps(error) => write!(f, "the line of the time stamps failed: {error:?}"),
            Self::OffRaster(channel) => write!(f, "the raster does not reach channel {channel}"),
            Self::NotSettled => f.write_str("the synthesiser did not settle"),
            Self::NotReady => f.write_str("the radio did not change its mode"),
            Self::TooLong(bytes) => write!(f, "{bytes} bytes are more than the radio sends"),
        }
    }
}

impl<S: fmt::Debug, P: fmt::Debug, T: fmt::Debug> core::error::Error for RadioError<S, P, T> {}

/// What the parts of a board are called here.
#[derive(Debug)]
pub struct Board<S, P, D, C, T> {
    /// The serial bus to the radio, its chip select included.
    pub spi: S,
    /// The pin of the amplifier.
    pub amplifier: P,
    /// Short waits.
    pub delay: D,
    /// The station's clock.
    pub clock: C,
    /// When unique words were recognised.
    pub stamps: T,
}

/// The errors of a transceiver's parts.
type Failed<S, P, T> = RadioError<
    <S as embedded_hal::spi::ErrorType>::Error,
    <P as ErrorType>::Error,
    <T as Stamps>::Error,
>;

impl<'a, S, P, D, C, T> Transceiver<'a, S, P, D, C, T>
where
    S: SpiDevice,
    P: OutputPin,
    D: DelayNs,
    C: Clock,
    T: Stamps,
{
    /// A transceiver for the channels of a raster and the slots of a plan. Nothing is written yet.
    ///
    /// # Errors
    /// [`PartError`] if the part does not reach a channel or the bit rate, or its description
    /// contradicts itself.
    pub fn new(
        part: &'a Part,
        raster: Raster,
        timing: &Timing,
        board: Board<S, P, D, C, T>,
    ) -> Result<Self, PartError> {
        let machine = Machine::new(part, raster, timing)?;
        let Board { spi, amplifier, delay, clock, stamps } = board;
        Ok(Self { machine, spi, amplifier, delay, clock, stamps })
    }

    /// Writes what does not change: these registers, in this order, and then the bit rate.
    ///
    /// # Errors
    /// If the radio cannot be reached.
    #[inline(never)]
    pub fn start(&mut self, registers: &[(u8, u8)]) -> Result<(), Failed<S, P, T>> {
        self.amplifier(PinState::Low)?;
        self.write(self.machine.mode(self.machine.part().modes.standby))?;
        for (register, value) in registers {
            self.write(self.machine.one(*register, *value))?;
        }
        self.write(self.machine.bit_rate())
    }

    fn write(&mut self, write: Write) -> Result<(), Failed<S, P, T>> {
        self.spi.write(&write).map_err(RadioError::Bus)
    }

    fn read(&mut self, register: u8) -> Result<u8, Failed<S, P, T>> {
        let mut value = [0];
        let address = [register | self.machine.part().read];
        let mut operations = [Operation::Write(&address), Operation::Read(&mut value)];
        self.spi.transaction(&mut operations).map_err(RadioError::Bus)?;
        let [value] = value;
        Ok(value)
    }

    fn flag(&mut self, (register, bits): (u8, u8)) -> Result<bool, Failed<S, P, T>> {
        Ok(self.read(register)? & bits != 0)
    }

    /// Waits for a flag; `false` if it did not come.
    fn wait_for(&mut self, flag: (u8, u8)) -> Result<bool, Failed<S, P, T>> {
        for _ in 0..super::machine::TRIES {
            if self.flag(flag)? {
                return Ok(true);
            }
            self.delay.delay_us(super::machine::BETWEEN_TRIES_US);
        }
        Ok(false)
    }

    fn enter(&mut self, mode: u8) -> Result<(), Failed<S, P, T>> {
        self.write(self.machine.mode(mode))?;
        let ready = self.machine.part().status.ready;
        if self.wait_for(ready)? { Ok(()) } else { Err(RadioError::NotReady) }
    }

    fn settle(&mut self) -> Result<(), Failed<S, P, T>> {
        let settled = self.machine.part().status.settled;
        if self.wait_for(settled)? { Ok(()) } else { Err(RadioError::NotSettled) }
    }

    fn amplifier(&mut self, state: PinState) -> Result<(), Failed<S, P, T>> {
        self.amplifier.set_state(state).map_err(RadioError::Amplifier)
    }

    /// Reads from the memory into `bits`, where the reception goes on; `false` if nothing was to be
    /// read.
    fn drain(&mut self, bits: &mut [u8], count: usize) -> Result<bool, Failed<S, P, T>> {
        let address = [self.machine.part().registers.memory | self.machine.part().read];
        let room = self.machine.room(bits, count);
        if room.is_empty() {
            return Ok(false);
        }
        let read = room.len();
        let mut operations = [Operation::Write(&address), Operation::Read(room)];
        self.spi.transaction(&mut operations).map_err(RadioError::Bus)?;
        self.machine.drained(read);
        Ok(true)
    }

    /// Reads what has come of a reception, all that is there: the loop may have come late.
    fn gather(&mut self, bits: &mut [u8]) -> Result<Progress, Failed<S, P, T>> {
        let (status, chunk) = (self.machine.part().status, self.machine.part().threshold.into());
        let now = self.clock.now();
        if self.machine.has_run_over(now) {
            // It was a reception, and is none any more: the next look makes the receiver listen again.
            self.machine.stops();
            return Ok(Progress::UnderWay { look: now });
        }
        if self.flag(status.whole)? {
            self.drain(bits, usize::MAX)?;
        } else {
            // No more often than there is room for a chunk.
            while self.flag(status.above)? && self.drain(bits, chunk)? {}
        }
        let Some(captured) = self.machine.captured(bits.len()) else {
            return Ok(self.machine.under_way(self.clock.now()));
        };
        self.machine.stops();
        // What has come is told even if this fails: the next look makes up for it.
        let _ = self.again();
        Ok(Progress::Whole(captured))
    }

    /// Writes to the memory what there is room for.
    fn fill(&mut self, room: usize) -> Result<(), Failed<S, P, T>> {
        let address = [self.machine.part().registers.memory | self.machine.part().write];
        self.machine.fills();
        let bits = self.machine.next_bits(room);
        let written = bits.len();
        if written > 0 {
            let mut operations = [Operation::Write(&address), Operation::Write(bits)];
            self.spi.transaction(&mut operations).map_err(RadioError::Bus)?;
        }
        self.machine.filled(written);
        Ok(())
    }

    fn receive(&mut self) -> Result<(), Failed<S, P, T>> {
        self.stamps.clear();
        self.enter(self.machine.part().modes.receive)
    }

    #[inline(never)]
    fn transmit(&mut self) -> Result<(), Failed<S, P, T>> {
        self.amplifier(PinState::High)?;
        self.write(self.machine.mode(self.machine.part().modes.transmit))
    }

    /// The receiver goes on with the same words.
    fn again(&mut self) -> Result<(), Failed<S, P, T>> {
        self.enter(self.machine.part().modes.standby)?;
        self.enter(self.machine.part().modes.synthesiser)?;
        self.receive()?;
        self.machine.again();
        Ok(())
    }
}

impl<S, P, D, C, T> FrontEnd for Transceiver<'_, S, P, D, C, T>
where
    S: SpiDevice,
    P: OutputPin,
    D: DelayNs,
    C: Clock,
    T: Stamps,
{
    type Error = Failed<S, P, T>;

    #[inline(never)]
    fn now(&mut self) -> Tick {
        self.clock.now()
    }

    #[inline(never)]
    fn lead(&self) -> Micros {
        self.machine.lead()
    }

    fn starts_within(&self) -> Micros {
        self.machine.part().order
    }

    #[inline(never)]
    fn off(&mut self) -> Result<(), Self::Error> {
        // The one is tried even if the other fails, and until both have been done the transmission is one.
        let silent = self.amplifier(PinState::Low);
        self.enter(self.machine.part().modes.standby)?;
        silent?;
        self.machine.rest();
        Ok(())
    }

    fn tune(&mut self, channel: Channel) -> Result<(), Self::Error> {
        let frequency = self.machine.frequency(channel).ok_or(RadioError::OffRaster(channel))?;
        self.off()?;
        self.write(frequency)?;
        self.enter(self.machine.part().modes.synthesiser)?;
        self.settle()
    }

    fn listen(&mut self, awaited: Awaited) -> Result<(), Self::Error> {
        // Where an interrupt has ended a transmission nobody else has switched it off.
        self.amplifier(PinState::Low)?;
        for write in self.machine.listen(awaited) {
            self.write(write)?;
        }
        self.settle()?;
        self.receive()
    }

    fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), Self::Error> {
        let writes = self.machine.load(word, bits).ok_or(RadioError::TooLong(bits.len()))?;
        self.amplifier(PinState::Low)?;
        for write in writes {
            self.write(write)?;
        }
        self.settle()?;
        self.fill(self.machine.part().memory_bytes.into())
    }

    fn wait(&mut self, until: Tick) {
        if let Some(left) = until.since(self.clock.now()) {
            self.delay.delay_us(u32::try_from(left.us()).unwrap_or_default());
        }
    }

    fn send(&mut self, at: Tick) -> Result<(), Self::Error> {
        if !self.machine.sends(at) {
            return Ok(());
        }
        let started = self.transmit();
        if started.is_err() {
            // What was not started is not looked after as if it were, and the amplifier not left on.
            self.machine.rest();
            let _ = self.amplifier(PinState::Low);
        }
        started
    }

    fn attend(&mut self, bits: &mut [u8]) -> Result<Progress, Self::Error> {
        let status = self.machine.part().status;
        match self.machine.progressing() {
            Progressing::Nothing => Ok(Progress::Idle),
            Progressing::Sending => {
                if self.machine.is_torn() || self.flag(status.sent)? {
                    self.machine.ends();
                    self.off()?;
                    return Ok(Progress::Idle);
                }
                if self.machine.has_bits() && !self.flag(status.above)? {
                    self.fill(self.machine.room_above_threshold())?;
                }
                Ok(self.machine.under_way(self.clock.now()))
            }
            Progressing::Waiting => {
                let Some(stamp) = self.stamps.stamp().map_err(RadioError::Stamps)? else {
                    return Ok(Progress::Idle);
                };
                let second = self.machine.matches_two() && self.flag(status.second)?;
                self.machine.recognised(stamp, second);
                self.gather(bits)
            }
            Progressing::Receiving => self.gather(bits),
            Progressing::Ending => {
                self.off()?;
                Ok(Progress::Idle)
            }
            Progressing::Stopped => {
                self.again()?;
                Ok(Progress::Idle)
            }
        }
    }

    #[inline(never)]
    fn level(&mut self) -> Result<Dbm, Self::Error> {
        let raw = self.read(self.machine.part().registers.level)?;
        Ok(self.machine.level(raw))
    }

    fn renew(&mut self) -> Result<(), Self::Error> {
        // Standby empties the memory. The frequency word stays as the interrupt has written it.
        self.off()?;
        self.enter(self.machine.part().modes.synthesiser)
    }
}
