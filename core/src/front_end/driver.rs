//! The driver loop, for radios that are waited for.

use super::duty::{Duty, HEADER, Order, to_be_read};
use super::{Awaited, Delays, FrontEnd, Tally, TooSlow};
use crate::station::{Heard, Reception, Station};
use crate::timing::{MAX_SLOT_BYTES, Timing};
use crate::units::{Channel, Tick};
use core::fmt;

/// Drives one radio for one station.
///
/// The loop is the caller's, so that it can do other things, and sleep:
///
/// ```text
/// loop {
///     let step = driver.step(&mut station)?;
///     if let Some(Heard::Payload(payload)) = step.heard {
///         station.open_payload(&payload, driver.bits(), &mut text);
///     }
///     while let Some(event) = station.next_event() { .. }
///     sleep until step.wake, or until the radio signals a unique word
/// }
/// ```
///
/// `docs/on-your-board.md` leads from there to a board.
#[derive(Debug)]
pub struct Driver<F> {
    pub(super) front_end: F,
    pub(super) duty: Duty,
    bits: [u8; MAX_SLOT_BYTES],
    length: usize,
    /// What has been heard and not been told: the rest of that step failed. Until it has been told
    /// nothing else is done, so that its bits stay.
    pub(super) heard: Option<Heard>,
}

/// What one step has brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub struct Step {
    /// What became of a reception, if one came to its end. Its bits are [`Driver::bits`]. A payload is read
    /// before the next step: in that the station may go over to another key.
    pub heard: Option<Heard>,
    /// When to step again at the latest. Earlier is harmless, and needed when the radio signals
    /// something or the station has been given a command.
    pub wake: Tick,
}

/// Why a radio is not fit for a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum QualifyError<E> {
    /// It cannot be reached.
    Radio(E),
    /// It is too slow.
    TooSlow(TooSlow),
}

impl<E: fmt::Display> fmt::Display for QualifyError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Radio(error) => error.fmt(f),
            Self::TooSlow(error) => error.fmt(f),
        }
    }
}

impl<E: fmt::Debug + fmt::Display> core::error::Error for QualifyError<E> {}

impl<F: FrontEnd> Driver<F> {
    /// A driver for a radio, by the slots of a plan.
    ///
    /// # Errors
    /// [`TooSlow::Lead`] if the radio's ramp and preamble leave no time to settle.
    pub fn new(front_end: F, timing: Timing) -> Result<Self, TooSlow> {
        let duty = Duty::new(timing, front_end.lead())?;
        Ok(Self { front_end, duty, bits: [0; MAX_SLOT_BYTES], length: 0, heard: None })
    }

    /// Measures the radio before it goes on the air: over all pairs of these channels from the
    /// outer to the inner ones, so that the longest jumps are among them. Nothing is sent.
    ///
    /// # Errors
    /// [`QualifyError`] if the radio cannot be reached, or is slower than the plan promises.
    pub fn qualify(&mut self, channels: &[Channel]) -> Result<Delays, QualifyError<F::Error>> {
        let jumped = self.jump(channels);
        // It may have failed anywhere.
        self.duty.forget();
        jumped.map_err(QualifyError::Radio)?;
        self.duty.within().map_err(QualifyError::TooSlow)?;
        Ok(*self.delays())
    }

    fn jump(&mut self, channels: &[Channel]) -> Result<(), F::Error> {
        let pairs = channels.iter().zip(channels.iter().rev()).take(channels.len().div_ceil(2));
        let bytes = self.duty.timing().bytes();
        let awaited = Awaited { word: 0x5555_5555, bytes: HEADER, complement: None };
        for (low, high) in pairs {
            for (from, to) in [(low, high), (high, low)] {
                // From there, or the receiver's jump would be none.
                self.front_end.tune(*to)?;
                let began = self.front_end.now();
                self.front_end.tune(*from)?;
                self.front_end.listen(awaited)?;
                let ready = self.front_end.now();
                self.duty.listens(*from, began, began, ready);
                self.front_end.tune(*to)?;
                let bits = self.bits.get(..bytes).unwrap_or_default();
                self.front_end.load(awaited.word, bits)?;
                let now = self.front_end.now();
                let _ = self.duty.can_send(ready, now, Tick::MAX);
            }
        }
        self.front_end.off()
    }

    /// Does what is due: takes a reception to the station, measures the power on the channel, asks
    /// the station, and does what it says. Waits for the radio to settle, and for the start of a
    /// transmission: no longer than settling time and guard, if the radio keeps to the plan.
    ///
    /// # Errors
    /// If the radio cannot be reached. The next step tells what had been heard until then, and the
    /// one after it tells the radio anew what to do.
    pub fn step<const N: usize>(&mut self, station: &mut Station<N>) -> Result<Step, F::Error> {
        if let Some(heard) = self.heard.take() {
            return Ok(Step { heard: Some(heard), wake: self.front_end.now() });
        }
        self.attend(station, Tick::ZERO)?;
        let now = self.front_end.now();
        if !self.duty.receives() && !to_be_read(self.heard) {
            let order = self.duty.order(station.poll(now), now);
            self.carry_out(order, station).inspect_err(|_| self.duty.forget())?;
        }
        let now = self.front_end.now();
        Ok(Step { heard: self.heard.take(), wake: self.duty.wake(now) })
    }

    /// Receptions and power. The station is told no time before `asked_for`: it has been asked for
    /// that already.
    #[inline(never)]
    pub(super) fn attend<const N: usize>(
        &mut self,
        station: &mut Station<N>,
        asked_for: Tick,
    ) -> Result<(), F::Error> {
        if self.duty.has_forgotten() {
            return Ok(());
        }
        let attended = self.look_after(station, asked_for);
        // A transmission goes on by itself, and may still be looked after in time: to tune would cut it.
        if attended.is_err() && !self.duty.sends() {
            self.duty.forget();
        }
        attended
    }

    #[inline(never)]
    fn look_after<const N: usize>(
        &mut self,
        station: &mut Station<N>,
        asked_for: Tick,
    ) -> Result<(), F::Error> {
        let progress = self.front_end.attend(&mut self.bits)?;
        let now = self.front_end.now();
        let channel = self.duty.channel();
        let captured = self.duty.progress(now, progress);
        self.heard = captured.zip(channel).map(|(captured, channel)| {
            self.length = captured.length.min(self.bits.len());
            let bits = self.bits.get(..self.length).unwrap_or_default();
            let (word, at) = (captured.word, captured.at);
            station.heard(now.max(asked_for), Reception { channel, word, at, bits })
        });
        if self.duty.wants_level(now) {
            let level = self.front_end.level()?;
            self.duty.level(level);
        }
        if let Some((channel, level)) = self.duty.span_over(now) {
            station.energy(now.max(asked_for), channel, level);
        }
        Ok(())
    }

    fn carry_out<const N: usize>(
        &mut self,
        order: Order,
        station: &Station<N>,
    ) -> Result<(), F::Error> {
        let began = self.front_end.now();
        match order {
            Order::Keep => Ok(()),
            Order::Off => self.front_end.off(),
            Order::Listen { channel, awaited } => {
                self.front_end.tune(channel)?;
                self.front_end.listen(awaited)?;
                let now = self.front_end.now();
                self.duty.listens(channel, began, began, now);
                Ok(())
            }
            Order::Send { channel, word, at } => {
                self.front_end.tune(channel)?;
                self.front_end.load(word, station.burst())?;
                let now = self.front_end.now();
                if !self.duty.can_send(began, now, at) {
                    return self.front_end.off();
                }
                self.front_end.wait(at.minus(self.duty.lead()));
                let now = self.front_end.now();
                if !self.duty.is_punctual(now, at, station.jitter()) {
                    return self.front_end.off();
                }
                self.front_end.send(at)?;
                // Something may have come in between.
                let (now, within) = (self.front_end.now(), self.front_end.starts_within());
                if !self.duty.is_punctual(now, at.plus(within), station.jitter()) {
                    return self.front_end.off();
                }
                self.duty.sent(at.minus(self.duty.lead()));
                Ok(())
            }
        }
    }
}

impl<F> Driver<F> {
    /// The bits of the last reception.
    #[must_use]
    #[inline(never)]
    pub fn bits(&self) -> &[u8] {
        self.bits.get(..self.length).unwrap_or_default()
    }

    /// The longest times since the start.
    #[must_use]
    pub const fn delays(&self) -> &Delays {
        self.duty.delays()
    }

    /// What has been counted since the start.
    #[must_use]
    pub const fn tally(&self) -> &Tally {
        self.duty.tally()
    }

    /// Whether the radio has so far kept to what the plan promises the rest of the net.
    ///
    /// # Errors
    /// [`TooSlow`] if it has not.
    pub fn keeps_to_the_plan(&self) -> Result<(), TooSlow> {
        self.duty.within()
    }

    /// The radio.
    pub const fn front_end(&mut self) -> &mut F {
        &mut self.front_end
    }
}
