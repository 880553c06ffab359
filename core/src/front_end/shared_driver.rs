//! The driver loop beside a hop interrupt.

use super::duty::{Order, to_be_read};
use super::{Delays, Driver, FrontEnd, QualifyError, Tally, TooSlow};
use crate::shared::{Ahead, Hops, Serial, Ticket};
use crate::station::{Action, Heard, Radio, Station};
use crate::timing::Timing;
use crate::units::{Channel, Micros, Tick};

/// Drives one radio for one station, but leaves the tuning to an interrupt: [`Driver`] with
/// [`Hops`].
///
/// The loop calls [`step`](Self::step) as it would the driver's. The interrupt, at the time that it
/// gave last, does this and no more:
///
/// ```text
/// let next = HOPS.hop(now, |turn| match turn {
///     Turn::Tune { setting, .. } => { transmitter off; write the setting; synthesiser on }
///     Turn::Mute => transmitter off,
///     Turn::Stay => {}
/// });
/// set the timer for next, or stop it
/// ```
///
/// With a [`Transceiver`](super::Transceiver) the setting is
/// [`Part::frequency_word`](super::Part::frequency_word), and the interrupt writes three registers: the mode
/// of standby, which ends a transmission, the frequency word, and the mode of the synthesiser.
///
/// Where both use one bus, the loop's accesses are critical sections too, and the interrupt waits for
/// the longest of them. [`FrontEnd::tune`] is called by [`qualify`](Self::qualify) alone.
#[derive(Debug)]
pub struct SharedDriver<'h, F, G, S, const D: usize> {
    driver: Driver<F>,
    hops: &'h Hops<S, D>,
    ahead: Ahead,
    setting: G,
    /// A slot that was prepared, of which the radio has not been told yet.
    pending: Option<(Ticket, Action)>,
    /// The slot that the radio was told of last, and what.
    told: Option<(Serial, Action)>,
    /// The radio may not be as the interrupt has left it.
    unsure: bool,
}

/// What one step has brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub struct SharedStep {
    /// What became of a reception, if one came to its end. A payload is read before the next step: in that
    /// the station may go over to another key.
    pub heard: Option<Heard>,
    /// When to step again at the latest; earlier when the radio or the interrupt signals something. If it is overslept at
    /// the start of a slot that was prepared, the radio is told late: to listen by more than the settling time less the
    /// lead counts as [`Tally::slow`], to send by more than a guard time beside that as [`Tally::missed`]. The margin does
    /// not help there. So begin something long only while this is as far off.
    pub wake: Tick,
    /// A slot was prepared that begins at this time. Set the interrupt's timer, unless it is set for
    /// an earlier time; if the time has come, make the interrupt come at once.
    pub hop: Option<Tick>,
}

impl<'h, F, G, S, const D: usize> SharedDriver<'h, F, G, S, D>
where
    F: FrontEnd,
    G: Fn(Channel) -> S,
    S: Copy,
{
    /// A driver for a radio, by the slots of a plan. It asks the station `margin` ahead, see
    /// [`Ahead::new`]. `setting` gives what the synthesiser needs for a channel.
    ///
    /// # Errors
    /// [`TooSlow::Lead`] if the radio's ramp and preamble leave no time to settle.
    pub fn new(
        front_end: F,
        timing: Timing,
        margin: Micros,
        hops: &'h Hops<S, D>,
        setting: G,
    ) -> Result<Self, TooSlow> {
        let ahead = Ahead::new(timing, margin);
        let mut driver = Driver::new(front_end, timing)?;
        driver.duty.set_margin(ahead.margin());
        Ok(Self { driver, hops, ahead, setting, pending: None, told: None, unsure: false })
    }

    /// Measures the radio before it goes on the air, and before the interrupt is switched on.
    ///
    /// # Errors
    /// [`QualifyError`] if the radio cannot be reached, or is slower than the plan promises.
    pub fn qualify(&mut self, channels: &[Channel]) -> Result<Delays, QualifyError<F::Error>> {
        self.driver.qualify(channels)
    }

    /// The station's time, for commands: it runs ahead of the clock by the margin at most.
    pub fn time(&mut self) -> Tick {
        let now = self.driver.front_end.now();
        self.ahead.time(now)
    }

    /// Does what is due: takes a reception to the station, measures the power on the channel, tells
    /// the radio of the slot that the interrupt has tuned for, and asks the station for the next.
    /// Waits for the start of a transmission.
    ///
    /// # Errors
    /// If the radio cannot be reached. What was to be sent in this slot is lost then; to listen it is told
    /// anew. The station is asked all the same, and a slot that was prepared is told before an error: that is told in
    /// the next step, if it lasts.
    #[inline(never)]
    pub fn step<const N: usize>(
        &mut self,
        station: &mut Station<N>,
    ) -> Result<SharedStep, F::Error> {
        if let Some(heard) = self.driver.heard.take() {
            let wake = self.driver.front_end.now();
            return Ok(SharedStep { heard: Some(heard), wake, hop: None });
        }
        let done = self.attend(station).and_then(|()| self.tell(station));
        let waits = self.driver.duty.receives() || to_be_read(self.driver.heard);
        let hop = if waits { None } else { self.prepare(station) };
        if hop.is_none() {
            done?;
        }
        let now = self.driver.front_end.now();
        // A slot that was prepared has priority: the interrupt takes it when it begins, and what is under
        // way must have been looked after until then.
        let begins = self.pending.map(|(ticket, _)| ticket.from);
        let wake = self.driver.duty.wake_to_ask(now, begins.unwrap_or_else(|| self.ahead.wake()));
        let wake = begins.filter(|begins| *begins > now).map_or(wake, |begins| wake.min(begins));
        Ok(SharedStep { heard: self.driver.heard.take(), wake, hop })
    }

    /// For which slot the interrupt has set the radio.
    fn entered(&self) -> Option<Serial> {
        self.hops.entered().map(|entered| entered.serial)
    }

    /// Receptions and power in the slot that the radio was told of. Once the interrupt has tuned for
    /// another, all that has ended: what is left of it would get in the way of the next.
    #[inline(never)]
    fn attend<const N: usize>(&mut self, station: &mut Station<N>) -> Result<(), F::Error> {
        let before = self.entered();
        if before != self.told.map(|(serial, _)| serial) {
            return Ok(());
        }
        let asked_for = self.ahead.time(Tick::ZERO);
        let attended = self.driver.attend(station, asked_for);
        let over = !before.is_some_and(|serial| self.hops.is_in_force(serial));
        // Any look may have written something, also one that was to make up for an earlier one: where the interrupt
        // has come, for another slot or because there was none, the radio is not as it has left it.
        self.unsure |= over;
        if self.entered() == before && over && self.driver.duty.receives() {
            // The slot is over, and what is not whole by now will not be.
            self.driver.duty.break_off();
        }
        attended
    }

    /// Asks the station, and leaves the answer for the interrupt.
    fn prepare<const N: usize>(&mut self, station: &mut Station<N>) -> Option<Tick> {
        let now = self.driver.front_end.now();
        // If the interrupt does not come, the station is asked again in the next step.
        let prepared = self.ahead.prepare(station, self.hops, now, &self.setting).ok()?;
        let answer = *self.ahead.answer()?;
        let Some(ticket) = prepared else {
            if self.pending.is_none() {
                self.driver.duty.prolong(&answer);
                if let Some((_, told)) = &mut self.told
                    && told.radio == answer.radio
                {
                    *told = answer;
                }
            }
            return None;
        };
        let replaced = self.pending.replace((ticket, answer));
        if let Some((_, Action { radio: Radio::Transmit { .. }, .. })) = replaced {
            self.driver.duty.missed();
        }
        Some(ticket.from)
    }

    /// Tells the radio of a slot, once the interrupt has tuned for it; and again, if it has got lost on
    /// the way, as long as the slot is in force. What was to be sent is not sent late.
    #[inline(never)]
    fn tell<const N: usize>(&mut self, station: &Station<N>) -> Result<(), F::Error> {
        let Some(entered) = self.hops.entered() else { return Ok(()) };
        let of_it = |serial: Serial| serial == entered.serial;
        let duty = &mut self.driver.duty;
        let now = self.driver.front_end.now();
        let (order, began) =
            if let Some((_, action)) = self.pending.take_if(|(ticket, _)| of_it(ticket.serial)) {
                self.told = Some((entered.serial, action));
                (duty.anew(action, now), entered.at)
            } else if let Some((_, action)) = self.told.filter(|(serial, _)| of_it(*serial)) {
                let sends = matches!(action.radio, Radio::Transmit { .. });
                // In a slot that is over the station is asked, and the radio not told anew.
                if sends || !duty.has_forgotten() || !self.hops.is_in_force(entered.serial) {
                    return Ok(());
                }
                self.unsure = true;
                (duty.anew(action, now), now)
            } else {
                // The interrupt has tuned for what the station has taken back since.
                duty.forget();
                return Ok(());
            };
        let sends = matches!(order, Order::Send { .. });
        let not_sent = |tally: &Tally| tally.missed.wrapping_add(tally.withheld);
        let before = not_sent(self.tally());
        let done = self.carry_out(order, entered.serial, began, station);
        // The interrupt may have come in the middle of that, too. A radio that does not settle then is not at
        // fault: it has been put into standby.
        let interrupted = !self.hops.is_in_force(entered.serial);
        self.unsure |= interrupted;
        match done.inspect_err(|_| self.driver.duty.forget()) {
            Err(_) if interrupted => {
                if sends && not_sent(self.tally()) == before {
                    self.driver.duty.missed();
                }
                Ok(())
            }
            done => done,
        }
    }

    /// What is ordered for a slot that the interrupt has set the radio for at `began`. How long the radio takes
    /// is measured from here: what the loop was late by is none of its.
    fn carry_out<const N: usize>(
        &mut self,
        order: Order,
        serial: Serial,
        began: Tick,
        station: &Station<N>,
    ) -> Result<(), F::Error> {
        let Driver { front_end, duty, .. } = &mut self.driver;
        let told = front_end.now();
        // To switch off what the interrupt has put into standby empties no memory.
        if order != Order::Off && core::mem::take(&mut self.unsure) {
            front_end.renew()?;
        }
        match order {
            Order::Keep => Ok(()),
            Order::Off => front_end.off(),
            Order::Listen { channel, awaited } => {
                front_end.listen(awaited)?;
                let now = front_end.now();
                duty.listens(channel, began, told, now);
                Ok(())
            }
            Order::Send { word, at, .. } => {
                front_end.load(word, station.burst())?;
                let now = front_end.now();
                if !duty.can_send(told, now, at) {
                    return front_end.off();
                }
                front_end.wait(at.minus(duty.lead()));
                let now = front_end.now();
                let jitter = station.jitter();
                // The time is looked at where no interrupt comes in between any more.
                let started = self.hops.transmit(serial, now, || {
                    let now = front_end.now();
                    duty.is_punctual(now, at, jitter).then(|| front_end.send(at))
                });
                match started {
                    None => {
                        duty.withheld();
                        front_end.off()
                    }
                    Some(None) => front_end.off(),
                    Some(Some(sent)) => {
                        sent?;
                        duty.sent(now);
                        Ok(())
                    }
                }
            }
        }
    }
}

impl<F, G, S, const D: usize> SharedDriver<'_, F, G, S, D> {
    /// The bits of the last reception.
    #[must_use]
    pub fn bits(&self) -> &[u8] {
        self.driver.bits()
    }

    /// The longest times since the start.
    #[must_use]
    pub const fn delays(&self) -> &Delays {
        self.driver.delays()
    }

    /// What has been counted since the start.
    #[must_use]
    pub const fn tally(&self) -> &Tally {
        self.driver.tally()
    }

    /// Whether the radio has so far kept to what the plan promises the rest of the net.
    ///
    /// # Errors
    /// [`TooSlow`] if it has not.
    pub fn keeps_to_the_plan(&self) -> Result<(), TooSlow> {
        self.driver.keeps_to_the_plan()
    }

    /// The radio.
    pub const fn front_end(&mut self) -> &mut F {
        self.driver.front_end()
    }
}
