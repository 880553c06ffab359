//! What a driver does next, without doing it: the part that blocking and asynchronous drivers share.

use super::{Awaited, Captured, Delays, Progress, TooSlow};
use crate::coding::interleave::HEADER_BYTES;
use crate::station::{Action, Heard, Radio};
use crate::timing::{Timing, WORD_BITS};
use crate::units::{Channel, Dbm, Micros, Tick};

/// The bytes of a header, as a radio counts them.
#[expect(clippy::cast_possible_truncation, reason = "33")]
pub(super) const HEADER: u16 = HEADER_BYTES as u16;

/// What a driver has counted since its start. No counter wraps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tally {
    /// Transmissions started.
    pub sent: u32,
    /// Transmissions for which the radio was ready too late, or whose start came too late: by more than half of the
    /// plan's jitter. They were not sent, or switched off at once.
    pub missed: u32,
    /// Transmissions that the hop interrupt did not clear: it had not tuned for them, or too late.
    pub withheld: u32,
    /// Receptions handed to the station.
    pub heard: u32,
    /// Receptions whose bits never became whole.
    pub broken_off: u32,
    /// Times that the receiver listened later than the plan allows, from when the radio was told to, or the hop interrupt
    /// had tuned. By how much a loop without the interrupt came late is not in it, but in [`Delays::response`].
    pub slow: u32,
    /// Transmissions whose end was not seen before the radio was set for something else: the loop came late. What
    /// the radio's memory did not hold of them was not sent.
    pub cut: u32,
}

/// What the radio has to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
    /// What it does already.
    Keep,
    /// Nothing.
    Off,
    /// Listen.
    Listen { channel: Channel, awaited: Awaited },
    /// Send the station's burst.
    Send { channel: Channel, word: u32, at: Tick },
}

#[derive(Debug)]
pub(super) struct Duty {
    timing: Timing,
    lead: Micros,
    margin: Micros,
    /// What the radio does, and until when.
    doing: Option<Action>,
    /// The slot's time that is being listened.
    span: Option<Span>,
    busy: Busy,
    delays: Delays,
    tally: Tally,
}

/// A slot's time of listening on one channel.
#[derive(Debug, Clone, Copy)]
struct Span {
    channel: Channel,
    from: Tick,
    level: Option<Dbm>,
    word: bool,
}

/// What keeps the radio busy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Busy {
    Nothing,
    /// It gets bits, until then at the latest.
    Receiving {
        until: Tick,
        look: Tick,
    },
    Sending {
        look: Tick,
    },
}

impl Duty {
    pub(super) fn new(timing: Timing, lead: Micros) -> Result<Self, TooSlow> {
        let delays = Delays::default();
        delays.within(&timing, lead)?;
        let (span, busy) = (None, Busy::Nothing);
        Ok(Self {
            timing,
            lead,
            margin: Micros::ZERO,
            doing: None,
            span,
            busy,
            delays,
            tally: Tally::default(),
        })
    }

    pub(super) const fn delays(&self) -> &Delays {
        &self.delays
    }

    pub(super) const fn tally(&self) -> &Tally {
        &self.tally
    }

    pub(super) fn within(&self) -> Result<(), TooSlow> {
        self.delays.within(&self.timing, self.lead)
    }

    #[inline(never)]
    pub(super) const fn timing(&self) -> &Timing {
        &self.timing
    }

    pub(super) const fn lead(&self) -> Micros {
        self.lead
    }

    /// Where the radio listens.
    pub(super) fn channel(&self) -> Option<Channel> {
        self.span.map(|span| span.channel)
    }

    /// Takes note of where the radio is; gives a reception that is whole.
    pub(super) fn progress(&mut self, now: Tick, progress: Progress) -> Option<Captured> {
        match (progress, self.busy) {
            (Progress::Idle, Busy::Receiving { .. }) => {
                count(&mut self.tally.broken_off);
                self.busy = Busy::Nothing;
            }
            (Progress::Idle, Busy::Nothing | Busy::Sending { .. }) => self.busy = Busy::Nothing,
            (Progress::UnderWay { look }, Busy::Nothing) => {
                // Whatever the word, there are no more bits than a slot's.
                let bits = self.timing.bits().saturating_add(WORD_BITS);
                let until = now.plus(self.timing.air_time(bits));
                self.busy = Busy::Receiving { until, look };
                self.note_word();
            }
            (Progress::UnderWay { .. }, Busy::Receiving { until, .. }) if now > until => {
                self.break_off();
            }
            (Progress::UnderWay { look }, Busy::Receiving { until, .. }) => {
                self.busy = Busy::Receiving { until, look };
            }
            (Progress::UnderWay { look }, Busy::Sending { .. }) => {
                self.busy = Busy::Sending { look };
            }
            (Progress::Whole(captured), _) => {
                self.busy = Busy::Nothing;
                self.note_word();
                count(&mut self.tally.heard);
                return Some(captured);
            }
        }
        None
    }

    fn note_word(&mut self) {
        if let Some(span) = &mut self.span {
            span.word = true;
        }
    }

    /// The bits should have been whole by now: the radio is told anew what to do.
    #[inline(never)]
    pub(super) fn break_off(&mut self) {
        count(&mut self.tally.broken_off);
        self.forget();
    }

    /// What the radio does is not known any more.
    #[inline(never)]
    pub(super) fn forget(&mut self) {
        self.doing = None;
        self.span = None;
        self.busy = Busy::Nothing;
    }

    /// Whether the radio has to be told anew, and there is nothing to look after until then.
    pub(super) const fn has_forgotten(&self) -> bool {
        self.doing.is_none()
    }

    /// Whether bits go out.
    pub(super) const fn sends(&self) -> bool {
        matches!(self.busy, Busy::Sending { .. })
    }

    /// Whether bits come in that the station must have before it is asked again.
    pub(super) const fn receives(&self) -> bool {
        matches!(self.busy, Busy::Receiving { .. })
    }

    /// Whether the power on the channel is to be measured now: once in each slot's time of
    /// listening, in its middle.
    pub(super) fn wants_level(&self, now: Tick) -> bool {
        self.span.is_some_and(|span| span.level.is_none() && self.middle(&span) <= now)
    }

    pub(super) fn level(&mut self, level: Dbm) {
        if let Some(span) = &mut self.span {
            span.level = Some(level);
        }
    }

    /// Ends the slot's time of listening if it is over; gives the power if there was no word.
    pub(super) fn span_over(&mut self, now: Tick) -> Option<(Channel, Dbm)> {
        let span = self.span?;
        let level = span.level?;
        if now < self.end(&span).min(self.asked()) {
            return None;
        }
        self.span = Some(Span { from: now, level: None, word: false, ..span });
        (!span.word).then_some((span.channel, level))
    }

    /// When the station is asked for what follows. It drops what it is told of this slot after that.
    fn asked(&self) -> Tick {
        self.doing.map_or(Tick::MAX, |doing| doing.until.minus(self.margin))
    }

    /// The middle of what there is of a slot before the station is asked for the next.
    fn middle(&self, span: &Span) -> Tick {
        if span.from >= self.asked() {
            return Tick::MAX;
        }
        let left = self.timing.slot().us().saturating_sub(self.margin.us());
        span.from.plus(Micros::new(left / 2))
    }

    fn end(&self, span: &Span) -> Tick {
        span.from.plus(self.timing.slot())
    }

    /// What an answer of the station at `now` asks of the radio.
    pub(super) fn order(&mut self, action: Action, now: Tick) -> Order {
        if self.doing.is_some_and(|before| before.radio == action.radio) {
            self.answered(action, now);
            return Order::Keep;
        }
        self.anew(action, now)
    }

    /// The same of a radio that has been set since: it does not go on with anything.
    pub(super) fn anew(&mut self, action: Action, now: Tick) -> Order {
        self.answered(action, now);
        if self.sends() {
            count(&mut self.tally.cut);
        }
        self.span = None;
        self.busy = Busy::Nothing;
        self.plain(action.radio)
    }

    fn answered(&mut self, action: Action, now: Tick) {
        let before = self.doing.replace(action);
        if let Some(late) = before.and_then(|before| now.since(before.until)) {
            self.delays.response = self.delays.response.max(late);
        }
    }

    /// What an answer asks of a radio of which nothing is known.
    fn plain(&self, radio: Radio) -> Order {
        match radio {
            Radio::Off => Order::Off,
            Radio::Listen { channel, word, complement } => {
                let slot = u16::try_from(self.timing.bytes()).unwrap_or(u16::MAX);
                let awaited = match complement {
                    // A traffic word opens a slot of payload, its complement a header.
                    true => Awaited { word, bytes: slot, complement: Some(HEADER) },
                    false => Awaited { word, bytes: HEADER, complement: None },
                };
                Order::Listen { channel, awaited }
            }
            Radio::Transmit { channel, word, at } => Order::Send { channel, word, at },
        }
    }

    /// The receiver listens, as was ordered at `told`, for a slot that it was set for at `began`.
    #[inline(never)]
    pub(super) fn listens(&mut self, channel: Channel, began: Tick, told: Tick, now: Tick) {
        let took = |since: Tick| now.since(since).unwrap_or_default();
        self.delays.settle = self.delays.settle.max(took(told));
        let limit = self.timing.settle();
        if took(began).plus(self.lead) > limit {
            count(&mut self.tally.slow);
        }
        self.span = Some(Span { channel, from: now, level: None, word: false });
    }

    /// The transmitter is ready, as was ordered at `told`: whether it can still meet `at`.
    pub(super) fn can_send(&mut self, told: Tick, now: Tick, at: Tick) -> bool {
        let took = now.since(told).unwrap_or_default();
        self.delays.turnaround = self.delays.turnaround.max(took);
        let in_time = now.plus(self.lead) <= at;
        if !in_time {
            count(&mut self.tally.missed);
        }
        in_time
    }

    /// The wait for the start of a transmission has ended: whether it is still in time, that is within half of the
    /// `jitter` by which the plan lets a stamp differ from its word. The other half is the receiver's.
    #[inline(never)]
    pub(super) fn is_punctual(&mut self, now: Tick, at: Tick, jitter: Micros) -> bool {
        let punctual = now <= at.minus(self.lead).plus(Micros::new(jitter.us() / 2));
        if !punctual {
            count(&mut self.tally.missed);
        }
        punctual
    }

    /// A transmission was started.
    pub(super) fn sent(&mut self, now: Tick) {
        count(&mut self.tally.sent);
        self.begins(now);
    }

    /// Bits go out from now on.
    pub(super) fn begins(&mut self, now: Tick) {
        // The radio is asked at once when to look after it.
        self.busy = Busy::Sending { look: now };
    }

    #[cfg(feature = "critical-section")]
    pub(super) const fn withheld(&mut self) {
        count(&mut self.tally.withheld);
    }

    /// A transmission that could not be loaded before the next slot was prepared.
    #[cfg(feature = "critical-section")]
    pub(super) const fn missed(&mut self) {
        count(&mut self.tally.missed);
    }

    /// The station is asked for a slot so long before the last one ends.
    #[cfg(feature = "critical-section")]
    pub(super) const fn set_margin(&mut self, margin: Micros) {
        self.margin = margin;
    }

    /// What the radio does goes on.
    #[cfg(feature = "critical-section")]
    pub(super) fn prolong(&mut self, answer: &Action) {
        if let Some(doing) = self.doing.as_mut().filter(|doing| doing.radio == answer.radio) {
            *doing = *answer;
        }
    }

    /// When the driver has to be called again at the latest.
    pub(super) fn wake(&self, now: Tick) -> Tick {
        self.wake_to_ask(now, self.doing.map_or(now, |doing| doing.until))
    }

    /// The same, if the station is to be asked next at `until`.
    pub(super) fn wake_to_ask(&self, now: Tick, until: Tick) -> Tick {
        let span = self.span.map_or(Tick::MAX, |span| match span.level {
            None => self.middle(&span),
            Some(_) => self.end(&span),
        });
        let wake = match self.busy {
            // The station is not asked before the bits are there.
            Busy::Receiving { look, .. } => look,
            Busy::Sending { look } => look.min(until),
            Busy::Nothing => until.min(span),
        };
        wake.max(now)
    }
}

/// Whether what was heard is read with the keys of now: the station is asked in the next step, and may
/// then go over to others.
pub(super) const fn to_be_read(heard: Option<Heard>) -> bool {
    matches!(heard, Some(Heard::Payload(_)))
}

/// Counts one more, up to the counter's end.
const fn count(counter: &mut u32) {
    *counter = counter.saturating_add(1);
}

#[cfg(test)]
mod tests;
