//! The hop interrupt and the main loop: the loop prepares slots, the interrupt takes them.
//!
//! A radio has to change its channel when a slot begins, whatever the main loop is busy with. So the
//! loop asks the station a little ahead ([`Ahead`]) and leaves in a bounded queue ([`Hops`]) what the
//! synthesiser will need. A timer's interrupt takes the next entry and sets the synthesiser; it
//! does nothing else.
//!
//! ```text
//!  main loop                                 Hops                   interrupt, at the slot's start
//!  ─────────                                 ────                   ──────────────────────────────
//!  Ahead::prepare ── slot h+1 ──► [ h+1 ][     ][     ]
//!                                 [ h+1 ] ───────────────────────►  hop: transmitter off, tuned
//!  Hops::entered  ◄────────────── h+1 is in force
//!  loads the bits
//!  Hops::transmit ── if h+1 is still in force, the transmission starts in one critical section
//! ```
//!
//! # When the loop is late
//!
//! The interrupt finds nothing prepared, or only slots that are over. Then it mutes a transmitter, leaves a
//! receiver as it is, so that what has arrived can still be read, and counts it. When the loop is back, it reads that,
//! prepares the slot that is then under way, also if the radio does the same as before, and everything goes on. Nothing in between is transmitted: the
//! only way to a transmission is [`Hops::transmit`], and it refuses unless the interrupt has tuned for
//! that very slot, and in time. A slot is prepared only for a channel of the station's hopset, or
//! one of its fixed channels ([`Prepared::new`]).
//!
//! # Bounds
//!
//! All critical sections are short: [`Hops::hop`] looks at no more entries than the queue holds, and
//! what the caller does within it and within [`Hops::transmit`] comes on top. Nothing allocates,
//! waits or panics. Instructions on a Cortex-M4 are in `docs/measurements.md`.

mod ahead;

pub use ahead::Ahead;

use crate::station::{Action, Radio, Station};
use crate::timing::Timing;
use crate::units::{Channel, Tick};
use core::cell::RefCell;
use core::fmt;
use critical_section::{CriticalSection, Mutex};
use heapless::Deque;

/// Slots from the loop to the interrupt: `D` wait at most. `S` is what the synthesiser needs for a
/// channel, as a rule the frequency word.
///
/// One station's, in a `static`; the loop and the interrupt both hold `&Hops`.
#[derive(Debug)]
pub struct Hops<S, const D: usize> {
    inner: Mutex<RefCell<Inner<S, D>>>,
}

#[derive(Debug)]
struct Inner<S, const D: usize> {
    waiting: Deque<Entry<S>, D>,
    serial: Serial,
    now: Option<InForce>,
    tally: HopTally,
}

#[derive(Debug, Clone, Copy)]
struct Entry<S> {
    serial: Serial,
    slot: Prepared<S>,
}

/// The number of a prepared slot. They are counted round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Serial(u32);

/// A slot as the interrupt needs it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Prepared<S> {
    from: Tick,
    until: Tick,
    tuned: Option<(Channel, S)>,
    /// If it transmits: when the interrupt must have tuned at the latest.
    sends: Option<Tick>,
}

/// The slot for which the interrupt has set the radio.
#[derive(Debug, Clone, Copy)]
struct InForce {
    entered: Entered,
    until: Tick,
    /// It is one that transmits.
    sends: bool,
    /// A transmission may start.
    cleared: bool,
    /// The interrupt has found it over, and nothing behind it.
    lapsed: bool,
}

/// A slot that has begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Entered {
    /// Its number.
    pub serial: Serial,
    /// When the interrupt set the radio for it.
    pub at: Tick,
}

/// What the interrupt does to the radio.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum Turn<S> {
    /// Switches the transmitter off and sets the synthesiser.
    Tune {
        /// The channel.
        channel: Channel,
        /// What the synthesiser needs for it.
        setting: S,
    },
    /// Leaves the radio as it is: the slot in force is not over; or nothing is prepared behind it, and it transmits
    /// nothing. What has arrived in it is then still to be read.
    Stay,
    /// Switches the transmitter off and leaves the synthesiser where it is.
    Mute,
}

/// What has been counted since the start. No counter wraps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct HopTally {
    /// Slots that the interrupt set the radio for.
    pub taken: u32,
    /// Slots that the loop prepared after they had begun.
    pub late: u32,
    /// Times that a slot was over and the next was not prepared: a transmitter was muted, a receiver left where it was.
    pub lapses: u32,
    /// Prepared slots that were over before the interrupt came to them.
    pub expired: u32,
    /// Slots that the interrupt came to so late that nothing was transmitted in them.
    pub silenced: u32,
    /// Transmissions that were refused.
    pub withheld: u32,
}

/// A slot has been prepared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ticket {
    /// Its number.
    pub serial: Serial,
    /// When the interrupt is to tune for it.
    pub from: Tick,
    /// That has passed already: make the interrupt come at once.
    pub at_once: bool,
}

/// The queue is full; nothing has changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Full;

impl fmt::Display for Full {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the interrupt has not taken the slots that are prepared")
    }
}

impl core::error::Error for Full {}

impl<S> Prepared<S> {
    /// What an answer of a station asks of the interrupt; `None` if it names a channel that is
    /// neither of the hopset nor one of the fixed channels. `setting` gives what the synthesiser needs.
    ///
    /// A slot that transmits may be tuned for up to a guard time late: as much as the plan leaves a
    /// sender beside its settling time.
    pub fn new<const N: usize>(
        station: &Station<N>,
        timing: &Timing,
        action: &Action,
        setting: impl FnOnce(Channel) -> S,
    ) -> Option<Self> {
        let Action { radio, from, until, .. } = *action;
        let (channel, sends) = match radio {
            Radio::Off => return Some(Self { from, until, tuned: None, sends: None }),
            Radio::Listen { channel, .. } => (channel, None),
            Radio::Transmit { channel, .. } => (channel, Some(from.plus(timing.guard()))),
        };
        let fixed = [station.fixed().calling, station.fixed().watch];
        let known = station.sequence().hopset().contains(channel) || fixed.contains(&Some(channel));
        known.then(|| Self { from, until, tuned: Some((channel, setting(channel))), sends })
    }

    /// When the interrupt is to tune for it.
    #[must_use]
    pub const fn from(&self) -> Tick {
        self.from
    }

    /// The same, entered at `at` if it begins earlier. Until when it must have been tuned for to
    /// transmit stays as it is.
    #[must_use]
    pub fn not_before(self, at: Tick) -> Self {
        Self { from: self.from.max(at), ..self }
    }
}

impl<S: Copy, const D: usize> Hops<S, D> {
    /// Nothing prepared, and the radio muted.
    #[must_use]
    pub const fn new() -> Self {
        let inner = Inner {
            waiting: Deque::new(),
            serial: Serial(0),
            now: None,
            tally: HopTally { taken: 0, late: 0, lapses: 0, expired: 0, silenced: 0, withheld: 0 },
        };
        Self { inner: Mutex::new(RefCell::new(inner)) }
    }

    // ---- the interrupt ----

    /// The hop interrupt: finds the slot under way at `now`, and lets `set` do to the radio what has
    /// to be done, within the critical section. Gives the time at which the interrupt is needed
    /// next, if that is known.
    ///
    /// Coming early or again changes nothing. At most `D` entries are looked at.
    pub fn hop(&self, now: Tick, set: impl FnOnce(Turn<S>)) -> Option<Tick> {
        self.with(|inner| {
            set(inner.turn(now));
            inner.next()
        })?
    }

    // ---- the loop ----

    /// Leaves a slot for the interrupt. `now` decides whether it comes too late to be taken when it
    /// begins; `late` whether that counts as the loop's fault.
    ///
    /// # Errors
    /// [`Full`] if `D` slots wait already.
    pub fn prepare(&self, now: Tick, slot: Prepared<S>, late: bool) -> Result<Ticket, Full> {
        self.with(|inner| {
            let serial = Serial(inner.serial.0.wrapping_add(1));
            inner.waiting.push_back(Entry { serial, slot }).map_err(|_| Full)?;
            inner.serial = serial;
            let at_once = slot.from <= now;
            if at_once && late {
                count(&mut inner.tally.late);
            }
            Ok(Ticket { serial, from: slot.from, at_once })
        })
        .unwrap_or(Err(Full))
    }

    /// Takes back what waits: the station has changed its mind.
    pub fn take_back(&self) {
        let _ = self.with(|inner| inner.waiting.clear());
    }

    /// The last slot that was prepared ends at another time, if it still waits or is in force. `false`, and
    /// nothing has changed, if the interrupt has found it over, or never tuned for it: the slot has to be prepared
    /// again.
    #[must_use]
    pub fn amend(&self, serial: Serial, until: Tick) -> bool {
        self.with(|inner| match (inner.waiting.back_mut(), &mut inner.now) {
            (Some(last), _) if last.serial == serial => {
                last.slot.until = until;
                true
            }
            (None, Some(now)) if now.entered.serial == serial && !now.lapsed => {
                now.until = until;
                true
            }
            (Some(_) | None, Some(_) | None) => false,
        })
        .unwrap_or(false)
    }

    /// The slot for which the interrupt has last set the radio.
    #[must_use]
    pub fn entered(&self) -> Option<Entered> {
        self.with(|inner| inner.now.map(|now| now.entered))?
    }

    /// Whether the interrupt has set the radio for this slot, and has neither gone on to another nor found it
    /// over.
    #[must_use]
    pub fn is_in_force(&self, serial: Serial) -> bool {
        let in_force = |now: InForce| now.entered.serial == serial && !now.lapsed;
        self.with(|inner| inner.now.is_some_and(in_force)).unwrap_or(false)
    }

    /// Starts the transmission of a slot, if the interrupt has tuned for it, in time, and has not gone
    /// on: `start` runs within the critical section, so that the interrupt cannot tune in between.
    /// Once for each slot. `None` if it is refused.
    pub fn transmit<R>(&self, serial: Serial, now: Tick, start: impl FnOnce() -> R) -> Option<R> {
        self.with(|inner| {
            let in_force = inner.now.as_mut().filter(|in_force| {
                in_force.entered.serial == serial && in_force.cleared && now < in_force.until
            });
            match in_force {
                Some(in_force) => {
                    in_force.cleared = false;
                    Some(start())
                }
                None => {
                    count(&mut inner.tally.withheld);
                    None
                }
            }
        })?
    }

    /// What has been counted.
    #[must_use]
    pub fn tally(&self) -> HopTally {
        self.with(|inner| inner.tally).unwrap_or_default()
    }

    /// `None` only if called from within itself: from `set` or `start`.
    fn with<R>(&self, work: impl FnOnce(&mut Inner<S, D>) -> R) -> Option<R> {
        critical_section::with(|section: CriticalSection<'_>| {
            let mut inner = self.inner.borrow(section).try_borrow_mut().ok()?;
            Some(work(&mut inner))
        })
    }
}

impl<S: Copy, const D: usize> Default for Hops<S, D> {
    fn default() -> Self {
        Self::new()
    }
}

impl<S: Copy, const D: usize> Inner<S, D> {
    fn turn(&mut self, now: Tick) -> Turn<S> {
        while let Some(entry) = self.waiting.front().copied().filter(|e| e.slot.from <= now) {
            let _ = self.waiting.pop_front();
            if now < entry.slot.until {
                return self.enter(entry, now);
            }
            count(&mut self.tally.expired);
        }
        match &mut self.now {
            Some(in_force) if now < in_force.until => Turn::Stay,
            Some(in_force) => {
                if !in_force.lapsed {
                    count(&mut self.tally.lapses);
                }
                in_force.lapsed = true;
                in_force.cleared = false;
                // Standby would empty the memory of a receiver, and the loop may be just about to read it.
                if in_force.sends { Turn::Mute } else { Turn::Stay }
            }
            None => Turn::Mute,
        }
    }

    fn enter(&mut self, entry: Entry<S>, now: Tick) -> Turn<S> {
        let Entry { serial, slot } = entry;
        count(&mut self.tally.taken);
        let cleared = slot.sends.is_some_and(|latest| now <= latest);
        if slot.sends.is_some() && !cleared {
            count(&mut self.tally.silenced);
        }
        let entered = Entered { serial, at: now };
        let sends = slot.sends.is_some();
        self.now = Some(InForce { entered, until: slot.until, sends, cleared, lapsed: false });
        match slot.tuned {
            Some((channel, setting)) => Turn::Tune { channel, setting },
            None => Turn::Mute,
        }
    }

    /// When the interrupt is needed next.
    fn next(&self) -> Option<Tick> {
        let waiting = self.waiting.front().map(|entry| entry.slot.from);
        let over = self.now.filter(|in_force| !in_force.lapsed).map(|in_force| in_force.until);
        match (waiting, over) {
            (Some(waiting), Some(over)) => Some(waiting.min(over)),
            (waiting, over) => waiting.or(over),
        }
    }
}

/// Counts one more, up to the counter's end.
const fn count(counter: &mut u32) {
    *counter = counter.saturating_add(1);
}
