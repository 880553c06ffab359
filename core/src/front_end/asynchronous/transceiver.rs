//! A [`Part`] over the traits of `embedded-hal-async`.

use super::{AwaitStamps, FrontEnd};
use crate::band::Raster;
use crate::front_end::machine::{BETWEEN_TRIES_US, Machine, Progressing, TRIES, Write};
use crate::front_end::{Awaited, Board, Clock, Part, PartError, Progress, RadioError, Stamps};
use crate::timing::Timing;
use crate::units::{Channel, Dbm, Micros, Tick};
use core::future::{Future, poll_fn};
use core::pin::pin;
use core::task::Poll;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin, PinState};
use embedded_hal::spi::Operation;
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;
use embedded_hal_async::spi::SpiDevice;

/// A packet transceiver on a serial bus: [`front_end::Transceiver`](crate::front_end::Transceiver)
/// for executors.
#[derive(Debug)]
pub struct Transceiver<'a, S, P, D, C, T> {
    machine: Machine<'a>,
    spi: S,
    amplifier: P,
    delay: D,
    clock: C,
    stamps: T,
}

/// Waits for the line, and takes the time when it has gone high. A stamp is as good as the executor
/// is quick. If the line cannot be waited for, [`idle`](FrontEnd::idle) ends at once, and the next step of the
/// driver tells why.
#[derive(Debug)]
pub struct Edge<P: ErrorType, C> {
    line: P,
    clock: C,
    seen: Option<Tick>,
    /// Why the line could not be waited for, until that has been told.
    failed: Option<P::Error>,
}

impl<P: ErrorType, C> Edge<P, C> {
    /// A line that goes high when a unique word was recognised, and low afterwards.
    pub const fn new(line: P, clock: C) -> Self {
        Self { line, clock, seen: None, failed: None }
    }
}

impl<P: InputPin, C: Clock> Stamps for Edge<P, C> {
    type Error = P::Error;

    fn stamp(&mut self) -> Result<Option<Tick>, P::Error> {
        if let Some(failed) = self.failed.take() {
            return Err(failed);
        }
        if self.seen.is_none() && self.line.is_high()? {
            self.seen = Some(self.clock.now());
        }
        Ok(self.seen.take())
    }

    fn clear(&mut self) {
        self.seen = None;
    }
}

impl<P: InputPin + Wait, C: Clock> AwaitStamps for Edge<P, C> {
    async fn signalled(&mut self) {
        match self.line.wait_for_high().await {
            Ok(()) if self.seen.is_none() => self.seen = Some(self.clock.now()),
            Ok(()) => {}
            Err(failed) => self.failed = Some(failed),
        }
    }
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
    T: AwaitStamps,
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
    pub async fn start(&mut self, registers: &[(u8, u8)]) -> Result<(), Failed<S, P, T>> {
        self.amplifier(PinState::Low)?;
        self.write(self.machine.mode(self.machine.part().modes.standby)).await?;
        for (register, value) in registers {
            self.write(self.machine.one(*register, *value)).await?;
        }
        self.write(self.machine.bit_rate()).await
    }

    async fn write(&mut self, write: Write) -> Result<(), Failed<S, P, T>> {
        self.spi.write(&write).await.map_err(RadioError::Bus)
    }

    async fn read(&mut self, register: u8) -> Result<u8, Failed<S, P, T>> {
        let mut value = [0];
        let address = [register | self.machine.part().read];
        let mut operations = [Operation::Write(&address), Operation::Read(&mut value)];
        self.spi.transaction(&mut operations).await.map_err(RadioError::Bus)?;
        let [value] = value;
        Ok(value)
    }

    async fn flag(&mut self, (register, bits): (u8, u8)) -> Result<bool, Failed<S, P, T>> {
        Ok(self.read(register).await? & bits != 0)
    }

    /// Waits for a flag; `false` if it did not come.
    async fn wait_for(&mut self, flag: (u8, u8)) -> Result<bool, Failed<S, P, T>> {
        for _ in 0..TRIES {
            if self.flag(flag).await? {
                return Ok(true);
            }
            self.delay.delay_us(BETWEEN_TRIES_US).await;
        }
        Ok(false)
    }

    async fn enter(&mut self, mode: u8) -> Result<(), Failed<S, P, T>> {
        self.write(self.machine.mode(mode)).await?;
        let ready = self.machine.part().status.ready;
        if self.wait_for(ready).await? { Ok(()) } else { Err(RadioError::NotReady) }
    }

    async fn settle(&mut self) -> Result<(), Failed<S, P, T>> {
        let settled = self.machine.part().status.settled;
        if self.wait_for(settled).await? { Ok(()) } else { Err(RadioError::NotSettled) }
    }

    fn amplifier(&mut self, state: PinState) -> Result<(), Failed<S, P, T>> {
        self.amplifier.set_state(state).map_err(RadioError::Amplifier)
    }

    /// Reads from the memory into `bits`, where the reception goes on; `false` if nothing was to be
    /// read.
    async fn drain(&mut self, bits: &mut [u8], count: usize) -> Result<bool, Failed<S, P, T>> {
        let address = [self.machine.part().registers.memory | self.machine.part().read];
        let room = self.machine.room(bits, count);
        if room.is_empty() {
            return Ok(false);
        }
        let read = room.len();
        let mut operations = [Operation::Write(&address), Operation::Read(room)];
        self.spi.transaction(&mut operations).await.map_err(RadioError::Bus)?;
        self.machine.drained(read);
        Ok(true)
    }

    /// Reads what has come of a reception, all that is there: the loop may have come late.
    async fn gather(&mut self, bits: &mut [u8]) -> Result<Progress, Failed<S, P, T>> {
        let (status, chunk) = (self.machine.part().status, self.machine.part().threshold.into());
        let now = self.clock.now();
        if self.machine.has_run_over(now) {
            // It was a reception, and is none any more: the next look makes the receiver listen again.
            self.machine.stops();
            return Ok(Progress::UnderWay { look: now });
        }
        if self.flag(status.whole).await? {
            self.drain(bits, usize::MAX).await?;
        } else {
            // No more often than there is room for a chunk.
            while self.flag(status.above).await? && self.drain(bits, chunk).await? {}
        }
        let Some(captured) = self.machine.captured(bits.len()) else {
            return Ok(self.machine.under_way(self.clock.now()));
        };
        self.machine.stops();
        // What has come is told even if this fails: the next look makes up for it.
        let _ = self.again().await;
        Ok(Progress::Whole(captured))
    }

    /// Writes to the memory what there is room for.
    async fn fill(&mut self, room: usize) -> Result<(), Failed<S, P, T>> {
        let address = [self.machine.part().registers.memory | self.machine.part().write];
        self.machine.fills();
        let bits = self.machine.next_bits(room);
        let written = bits.len();
        if written > 0 {
            let mut operations = [Operation::Write(&address), Operation::Write(bits)];
            self.spi.transaction(&mut operations).await.map_err(RadioError::Bus)?;
        }
        self.machine.filled(written);
        Ok(())
    }

    async fn receive(&mut self) -> Result<(), Failed<S, P, T>> {
        self.stamps.clear();
        self.enter(self.machine.part().modes.receive).await
    }

    async fn transmit(&mut self) -> Result<(), Failed<S, P, T>> {
        self.amplifier(PinState::High)?;
        self.write(self.machine.mode(self.machine.part().modes.transmit)).await
    }

    /// The receiver goes on with the same words.
    async fn again(&mut self) -> Result<(), Failed<S, P, T>> {
        self.enter(self.machine.part().modes.standby).await?;
        self.enter(self.machine.part().modes.synthesiser).await?;
        self.receive().await?;
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
    T: AwaitStamps,
{
    type Error = Failed<S, P, T>;

    fn now(&mut self) -> Tick {
        self.clock.now()
    }

    fn lead(&self) -> Micros {
        self.machine.lead()
    }

    fn starts_within(&self) -> Micros {
        self.machine.part().order
    }

    async fn off(&mut self) -> Result<(), Self::Error> {
        // The one is tried even if the other fails, and until both have been done the transmission is one.
        let silent = self.amplifier(PinState::Low);
        self.enter(self.machine.part().modes.standby).await?;
        silent?;
        self.machine.rest();
        Ok(())
    }

    async fn tune(&mut self, channel: Channel) -> Result<(), Self::Error> {
        let frequency = self.machine.frequency(channel).ok_or(RadioError::OffRaster(channel))?;
        self.off().await?;
        self.write(frequency).await?;
        self.enter(self.machine.part().modes.synthesiser).await?;
        self.settle().await
    }

    async fn listen(&mut self, awaited: Awaited) -> Result<(), Self::Error> {
        // Where an interrupt has ended a transmission nobody else has switched it off.
        self.amplifier(PinState::Low)?;
        for write in self.machine.listen(awaited) {
            self.write(write).await?;
        }
        self.settle().await?;
        self.receive().await
    }

    async fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), Self::Error> {
        let writes = self.machine.load(word, bits).ok_or(RadioError::TooLong(bits.len()))?;
        self.amplifier(PinState::Low)?;
        for write in writes {
            self.write(write).await?;
        }
        self.settle().await?;
        self.fill(self.machine.part().memory_bytes.into()).await
    }

    async fn wait(&mut self, until: Tick) {
        if let Some(left) = until.since(self.clock.now()) {
            self.delay.delay_us(u32::try_from(left.us()).unwrap_or_default()).await;
        }
    }

    async fn send(&mut self, at: Tick) -> Result<(), Self::Error> {
        if !self.machine.sends(at) {
            return Ok(());
        }
        let started = self.transmit().await;
        if started.is_err() {
            // What was not started is not looked after as if it were, and the amplifier not left on.
            self.machine.rest();
            let _ = self.amplifier(PinState::Low);
        }
        started
    }

    async fn attend(&mut self, bits: &mut [u8]) -> Result<Progress, Self::Error> {
        let status = self.machine.part().status;
        match self.machine.progressing() {
            Progressing::Nothing => Ok(Progress::Idle),
            Progressing::Sending => {
                if self.machine.is_torn() || self.flag(status.sent).await? {
                    self.machine.ends();
                    self.off().await?;
                    return Ok(Progress::Idle);
                }
                if self.machine.has_bits() && !self.flag(status.above).await? {
                    self.fill(self.machine.room_above_threshold()).await?;
                }
                Ok(self.machine.under_way(self.clock.now()))
            }
            Progressing::Waiting => {
                let Some(stamp) = self.stamps.stamp().map_err(RadioError::Stamps)? else {
                    return Ok(Progress::Idle);
                };
                let second = self.machine.matches_two() && self.flag(status.second).await?;
                self.machine.recognised(stamp, second);
                self.gather(bits).await
            }
            Progressing::Receiving => self.gather(bits).await,
            Progressing::Ending => {
                self.off().await?;
                Ok(Progress::Idle)
            }
            Progressing::Stopped => {
                self.again().await?;
                Ok(Progress::Idle)
            }
        }
    }

    async fn level(&mut self) -> Result<Dbm, Self::Error> {
        let raw = self.read(self.machine.part().registers.level).await?;
        Ok(self.machine.level(raw))
    }

    async fn idle(&mut self, until: Tick) {
        let Some(left) = until.since(self.clock.now()) else { return };
        let delay = self.delay.delay_us(u32::try_from(left.us()).unwrap_or(u32::MAX));
        match self.machine.progressing() {
            Progressing::Waiting => race(self.stamps.signalled(), delay).await,
            Progressing::Nothing
            | Progressing::Receiving
            | Progressing::Stopped
            | Progressing::Ending
            | Progressing::Sending => delay.await,
        }
    }
}

/// Waits for either.
async fn race(one: impl Future<Output = ()>, other: impl Future<Output = ()>) {
    let (mut one, mut other) = (pin!(one), pin!(other));
    poll_fn(|context| {
        let done = one.as_mut().poll(context).is_ready() || other.as_mut().poll(context).is_ready();
        if done { Poll::Ready(()) } else { Poll::Pending }
    })
    .await;
}
