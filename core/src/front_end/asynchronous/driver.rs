//! The driver loop, for executors.

use super::FrontEnd;
use crate::front_end::duty::{Duty, HEADER, Order, to_be_read};
use crate::front_end::{Awaited, Delays, Progress, QualifyError, Step, Tally, TooSlow};
use crate::station::{Heard, Reception, Station};
use crate::timing::{MAX_SLOT_BYTES, Timing};
use crate::units::{Channel, Tick};

/// Drives one radio for one station: [`front_end::Driver`](crate::front_end::Driver) for executors.
#[derive(Debug)]
pub struct Driver<F> {
    front_end: F,
    duty: Duty,
    bits: [u8; MAX_SLOT_BYTES],
    length: usize,
    /// What has been heard and not been told: the rest of that step failed, or was dropped.
    heard: Option<Heard>,
    /// A step has begun and not ended: if another one finds this, it was dropped on its way.
    unfinished: bool,
}

impl<F: FrontEnd> Driver<F> {
    /// A driver for a radio, by the slots of a plan.
    ///
    /// # Errors
    /// [`TooSlow::Lead`] if the radio's ramp and preamble leave no time to settle.
    pub fn new(front_end: F, timing: Timing) -> Result<Self, TooSlow> {
        let duty = Duty::new(timing, front_end.lead())?;
        let (bits, length) = ([0; MAX_SLOT_BYTES], 0);
        Ok(Self { front_end, duty, bits, length, heard: None, unfinished: false })
    }

    /// Measures the radio before it goes on the air. Nothing is sent. May be dropped unfinished, as
    /// [`step`](Self::step) may.
    ///
    /// # Errors
    /// [`QualifyError`] if the radio cannot be reached, or is slower than the plan promises.
    pub async fn qualify(
        &mut self,
        channels: &[Channel],
    ) -> Result<Delays, QualifyError<F::Error>> {
        // Whatever the radio did is over, and this may be dropped anywhere.
        self.duty.forget();
        let jumped = self.jump(channels).await;
        // It may have failed anywhere.
        self.duty.forget();
        jumped.map_err(QualifyError::Radio)?;
        self.duty.within().map_err(QualifyError::TooSlow)?;
        Ok(*self.delays())
    }

    async fn jump(&mut self, channels: &[Channel]) -> Result<(), F::Error> {
        let pairs = channels.iter().zip(channels.iter().rev()).take(channels.len().div_ceil(2));
        let bytes = self.duty.timing().bytes();
        let awaited = Awaited { word: 0x5555_5555, bytes: HEADER, complement: None };
        for (low, high) in pairs {
            for (from, to) in [(low, high), (high, low)] {
                // From there, or the receiver's jump would be none.
                self.front_end.tune(*to).await?;
                let began = self.front_end.now();
                self.front_end.tune(*from).await?;
                self.front_end.listen(awaited).await?;
                let ready = self.front_end.now();
                self.duty.listens(*from, began, began, ready);
                self.front_end.tune(*to).await?;
                let bits = self.bits.get(..bytes).unwrap_or_default();
                self.front_end.load(awaited.word, bits).await?;
                let now = self.front_end.now();
                let _ = self.duty.can_send(ready, now, Tick::MAX);
            }
        }
        self.front_end.off().await
    }

    /// Does what is due, as the blocking driver's
    /// [`step`](crate::front_end::Driver::step) does.
    ///
    /// # Dropped unfinished
    /// It may be, at any `await`, for example by a `select`: the next step tells the radio anew
    /// what to do. What the radio was receiving is lost then, and what was to be sent is sent only if
    /// there is still time. Nothing is sent twice: a transmission that was under way goes on, and one
    /// that was just being started is not started again: begun or not, its slot passes as it is. Until
    /// the next step the radio may be in any state, so step again soon; and better drop
    /// [`idle`](Self::idle), which costs nothing. The parts of the radio have to bear it, too: a bus
    /// must be usable after a transfer that was dropped.
    ///
    /// # Errors
    /// If the radio cannot be reached. The next step tells what had been heard until then, and the
    /// one after it tells the radio anew what to do.
    pub async fn step<const N: usize>(
        &mut self,
        station: &mut Station<N>,
    ) -> Result<Step, F::Error> {
        // As after an error: a transmission goes on by itself.
        if core::mem::take(&mut self.unfinished) && !self.duty.sends() {
            self.duty.forget();
        }
        if let Some(heard) = self.heard.take() {
            return Ok(Step { heard: Some(heard), wake: self.front_end.now() });
        }
        self.unfinished = true;
        let done = self.work(station).await;
        self.unfinished = false;
        done?;
        let now = self.front_end.now();
        Ok(Step { heard: self.heard.take(), wake: self.duty.wake(now) })
    }

    /// All of a step that waits.
    async fn work<const N: usize>(&mut self, station: &mut Station<N>) -> Result<(), F::Error> {
        self.attend(station).await?;
        let now = self.front_end.now();
        if self.duty.receives() || to_be_read(self.heard) {
            return Ok(());
        }
        let order = self.duty.order(station.poll(now), now);
        let done = self.carry_out(order, station).await;
        done.inspect_err(|_| self.duty.forget())
    }

    /// Waits until `wake`, or until the radio signals something. To be given a command in between,
    /// drop this unfinished, and step again after the command.
    pub async fn idle(&mut self, wake: Tick) {
        self.front_end.idle(wake).await;
    }

    async fn attend<const N: usize>(&mut self, station: &mut Station<N>) -> Result<(), F::Error> {
        if self.duty.has_forgotten() {
            return Ok(());
        }
        let attended = self.look_after(station).await;
        // A transmission goes on by itself, and may still be looked after in time: to tune would cut it.
        if attended.is_err() && !self.duty.sends() {
            self.duty.forget();
        }
        attended
    }

    async fn look_after<const N: usize>(
        &mut self,
        station: &mut Station<N>,
    ) -> Result<(), F::Error> {
        let progress = self.front_end.attend(&mut self.bits).await?;
        let now = self.front_end.now();
        let channel = self.duty.channel();
        let captured = self.duty.progress(now, progress);
        self.heard = captured.zip(channel).map(|(captured, channel)| {
            self.length = captured.length.min(self.bits.len());
            let bits = self.bits.get(..self.length).unwrap_or_default();
            let (word, at) = (captured.word, captured.at);
            station.heard(now, Reception { channel, word, at, bits })
        });
        if self.duty.wants_level(now) {
            let level = self.front_end.level().await?;
            self.duty.level(level);
        }
        if let Some((channel, level)) = self.duty.span_over(now) {
            station.energy(now, channel, level);
        }
        Ok(())
    }

    async fn carry_out<const N: usize>(
        &mut self,
        order: Order,
        station: &Station<N>,
    ) -> Result<(), F::Error> {
        let began = self.front_end.now();
        match order {
            Order::Keep => Ok(()),
            Order::Off => self.front_end.off().await,
            Order::Listen { channel, awaited } => {
                self.front_end.tune(channel).await?;
                self.front_end.listen(awaited).await?;
                let now = self.front_end.now();
                self.duty.listens(channel, began, began, now);
                Ok(())
            }
            Order::Send { channel, word, at } => {
                self.front_end.tune(channel).await?;
                self.front_end.load(word, station.burst()).await?;
                let now = self.front_end.now();
                if !self.duty.can_send(began, now, at) {
                    return self.front_end.off().await;
                }
                let begins = at.minus(self.duty.lead());
                self.front_end.wait(begins).await;
                let now = self.front_end.now();
                if !self.duty.is_punctual(now, at, station.jitter()) {
                    return self.front_end.off().await;
                }
                // If this is dropped while it starts, nobody knows whether it has.
                self.duty.begins(begins);
                self.front_end.send(at).await?;
                // Something may have come in between: another task, or somebody else on the bus.
                let (now, within) = (self.front_end.now(), self.front_end.starts_within());
                if !self.duty.is_punctual(now, at.plus(within), station.jitter()) {
                    // If this is dropped, the next step must not look after it: it has to end.
                    let _ = self.duty.progress(now, Progress::Idle);
                    return self.front_end.off().await;
                }
                self.duty.sent(begins);
                Ok(())
            }
        }
    }
}

impl<F> Driver<F> {
    /// The bits of the last reception.
    #[must_use]
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
