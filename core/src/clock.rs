//! Net time as an interval, and the phase by which a station cuts its slots
//! (specification section 6, decision 0001).
//!
//! ```text
//!  net time ─────┤lo        phase                     hi├─────►
//!                └─ bound: true net time is in here ────┘
//!                        ├──┼──┤
//!                        spread: a speaker's phase is in here
//! ```
//!
//! Both widen as time passes: the bound by the oscillator's tolerance on each side, the spread by
//! twice that, because two oscillators part. All arithmetic is in whole microseconds, rounded
//! away from certainty; nothing here can overflow before half a million years have passed.

use crate::timing::Timing;
use crate::units::{Micros, Ppb, Slot, Tick, quotient};

/// What a plan says of clocks and distances.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ClockPlan {
    /// How far any oscillator of the net may be from its nominal frequency.
    pub tolerance: Ppb,
    /// How far a time stamp of a reception may be from the truth, either way.
    pub jitter: Micros,
    /// The propagation delay over the largest distance between two stations.
    pub longest_delay: Micros,
}

/// A sender's net time as it was heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Observation {
    /// The local time of the reception.
    pub(crate) at: Tick,
    /// The net time, by the sender's phase, at which it sent what was heard then.
    pub(crate) sent_us: i64,
    /// The sender's half-width; `None` if it promises nothing.
    pub(crate) half_width: Option<Micros>,
}

/// An observation that contradicts the bound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Conflict {
    /// The sender's time lies before everything that the bound allows.
    Behind,
    /// The sender's time lies after everything that the bound allows.
    Ahead,
}

/// A bound for a sender that promises nothing: 2^40 us, 12 days.
const UNPROMISED: Micros = Micros::new(1 << 40);

/// A station's knowledge of net time. Offsets are net time less local time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NetClock {
    plan: ClockPlan,
    /// When `lo` and `hi` were last set.
    bound_at: Tick,
    lo: i64,
    hi: i64,
    phase: i64,
    /// When `spread` was last set.
    spread_at: Tick,
    spread: Micros,
}

/// The largest spread, in slots, with which a station coasts; beyond it a cold search is quicker.
pub const COAST_SLOTS: u32 = 64;

/// How well a station keeps up with the net.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Grip {
    /// The spread is within the guard time: slots can be met one by one.
    Locked,
    /// The spread exceeds the guard time, but not this many slots, 1 to [`COAST_SLOTS`].
    Coasting(u32),
    /// The spread is larger than that.
    Lost,
}

impl NetClock {
    /// The clock of a timekeeper that starts a timeline: at local time `now` it is `net_us`, by
    /// definition.
    pub(crate) const fn start(plan: ClockPlan, now: Tick, net_us: i64) -> Self {
        let offset = net_us.wrapping_sub(local(now));
        Self {
            plan,
            bound_at: now,
            lo: offset,
            hi: offset,
            phase: offset,
            spread_at: now,
            spread: Micros::ZERO,
        }
    }

    /// The clock of a station that had no time and heard `seen`.
    pub(crate) fn acquire(plan: ClockPlan, seen: Observation) -> Self {
        let (lo, hi) = truth(plan, seen);
        let (early, late) = senders_phase(plan, seen);
        let width = span(late.wrapping_sub(early));
        Self {
            plan,
            bound_at: seen.at,
            lo,
            hi,
            phase: midpoint(early, late),
            spread_at: seen.at,
            spread: Micros::new(width.us().div_ceil(2)),
        }
    }

    /// Takes an authenticated observation in: the bound becomes the intersection, and the phase
    /// moves to where the sender's can be, no further than it must.
    ///
    /// The phase may leave the bound: after a long silence a speaker's phase can be off by more
    /// than we could be ourselves, and is followed all the same as long as its interval and ours
    /// have true time in common.
    ///
    /// # Errors
    /// [`Conflict`] if the intersection is empty; the clock is then unchanged.
    pub(crate) fn observe(&mut self, seen: Observation) -> Result<(), Conflict> {
        let (mine_lo, mine_hi) = self.offsets(seen.at);
        let (lo, hi) = truth(self.plan, seen);
        if hi < mine_lo {
            return Err(Conflict::Behind);
        }
        if lo > mine_hi {
            return Err(Conflict::Ahead);
        }
        self.lo = lo.max(mine_lo);
        self.hi = hi.min(mine_hi);
        self.bound_at = seen.at;
        let (early, late) = senders_phase(self.plan, seen);
        // Staying put while the sender's phase may equal ours keeps propagation delays, which are
        // all of one sign, from pushing the net's phase along.
        // (`clamp` would panic if early exceeded late; it never does.)
        self.phase = self.phase.max(early).min(late);
        // The sender's phase is somewhere in early..=late.
        let farthest = self.phase.abs_diff(early).max(self.phase.abs_diff(late));
        self.spread = Micros::new(farthest);
        self.spread_at = seen.at;
        Ok(())
    }

    /// The net time, by the phase, at local time `at`.
    #[must_use]
    pub const fn net_us(&self, at: Tick) -> i64 {
        local(at).wrapping_add(self.phase)
    }

    /// The bound at local time `at`: the earliest and the latest net time that it may be.
    #[must_use]
    pub fn bound(&self, at: Tick) -> (i64, i64) {
        let (lo, hi) = self.offsets(at);
        (local(at).wrapping_add(lo), local(at).wrapping_add(hi))
    }

    /// How far, at most, true net time is from the phase at local time `at`.
    #[must_use]
    pub fn half_width(&self, at: Tick) -> Micros {
        let (lo, hi) = self.offsets(at);
        Micros::new(self.phase.abs_diff(lo).max(self.phase.abs_diff(hi)))
    }

    /// How far the phase of a speaker may be from ours at local time `at`.
    #[must_use]
    pub fn spread(&self, at: Tick) -> Micros {
        self.spread.plus(self.parted(elapsed(self.spread_at, at)))
    }

    /// How well slots can be met at local time `at`.
    #[must_use]
    pub fn grip(&self, timing: &Timing, at: Tick) -> Grip {
        let spread = self.spread(at);
        if spread <= timing.guard() {
            return Grip::Locked;
        }
        let (whole, over) = timing.slots_in(spread);
        match u32::try_from(whole.saturating_add(u64::from(over != 0))) {
            Ok(slots) if slots <= COAST_SLOTS => Grip::Coasting(slots),
            Ok(_) | Err(_) => Grip::Lost,
        }
    }

    /// The first local time at which the grip is worse than `grip` if nothing more is heard;
    /// `None` if it never is.
    #[must_use]
    pub fn loosens_at(&self, timing: &Timing, grip: Grip) -> Option<Tick> {
        let limit = match grip {
            Grip::Locked => timing.guard(),
            Grip::Coasting(slots) => timing.slot().times(u64::from(slots)),
            Grip::Lost => return None,
        };
        let Some(room) = limit.us().checked_sub(self.spread.us()) else {
            return Some(self.spread_at);
        };
        let twice = self.growth().ppb().saturating_mul(2);
        if twice == 0 {
            return None;
        }
        // `parted` rounds up, so it exceeds `room` once the exact growth does.
        let (whole, _) = quotient(room.saturating_mul(1_000_000_000), twice);
        Some(self.spread_at.plus(Micros::new(whole.saturating_add(1))))
    }

    /// This clock with its phase where `seen`, which nothing has authenticated, would put it: to
    /// listen by, until a header decides.
    pub(crate) fn supposing(&self, seen: Observation) -> Self {
        let (early, late) = senders_phase(self.plan, seen);
        let width = span(late.wrapping_sub(early));
        Self {
            phase: midpoint(early, late),
            spread_at: seen.at,
            spread: Micros::new(width.us().div_ceil(2)),
            ..*self
        }
    }

    /// The slot under way by the phase; `None` outside the timeline.
    #[must_use]
    pub const fn slot_at(&self, timing: &Timing, at: Tick) -> Option<Slot> {
        timing.slot_at(self.net_us(at))
    }

    /// The local time at which a slot starts by the phase; the epoch if that is in its past.
    #[must_use]
    #[inline(never)]
    pub const fn start_of(&self, timing: &Timing, slot: Slot) -> Tick {
        let at = timing.start_of(slot).wrapping_sub(self.phase);
        #[expect(clippy::cast_sign_loss, reason = "not negative")]
        let tick = Tick::new(if at < 0 { 0 } else { at as u64 });
        tick
    }

    /// Lower and upper offset at local time `at`.
    fn offsets(&self, at: Tick) -> (i64, i64) {
        let drift = signed(self.growth().of(elapsed(self.bound_at, at)));
        (self.lo.saturating_sub(drift), self.hi.saturating_add(drift))
    }

    /// How far two clocks of the net part in `span`.
    fn parted(&self, span: Micros) -> Micros {
        let twice = span.times(2);
        self.growth().of(twice)
    }

    /// The tolerance against true time of a span that this very clock has measured:
    /// `t / (1 - t)`, rounded up.
    const fn growth(&self) -> Ppb {
        let t = self.plan.tolerance.ppb();
        let rest = 1_000_000_000_u32.wrapping_sub(t);
        // 10^9 t / rest is t + t^2 / rest: a shorter division.
        let (more, _) = quotient((t as u64).wrapping_mul(t as u64), rest);
        // At most 500 251: beyond what a plan may ask for, but harmless here.
        Ppb::saturating((t as u64).wrapping_add(more).saturating_add((t != 0) as u64))
    }
}

/// The offsets that true net time may have, by an observation: while the signal travelled, net
/// time moved on.
#[inline(never)]
fn truth(plan: ClockPlan, seen: Observation) -> (i64, i64) {
    let half = signed(seen.half_width.unwrap_or(UNPROMISED));
    let (early, late) = senders_phase(plan, seen);
    (early.saturating_sub(half), late.saturating_add(half))
}

/// The offsets that the sender's phase may have.
#[inline(never)]
fn senders_phase(plan: ClockPlan, seen: Observation) -> (i64, i64) {
    let offset = seen.sent_us.wrapping_sub(local(seen.at));
    let (jitter, delay) = (signed(plan.jitter), signed(plan.longest_delay));
    (offset.saturating_sub(jitter), offset.saturating_add(jitter).saturating_add(delay))
}

const fn midpoint(a: i64, b: i64) -> i64 {
    a.wrapping_add(b.wrapping_sub(a) / 2)
}

/// Local time as a signed number; ticks beyond 2^63 us do not occur.
const fn local(at: Tick) -> i64 {
    at.us().cast_signed()
}

const fn signed(span: Micros) -> i64 {
    let us = span.us().cast_signed();
    if us < 0 { i64::MAX } else { us }
}

const fn span(us: i64) -> Micros {
    Micros::new(us.unsigned_abs())
}

/// The span from one local time to another; zero if the clock ran backwards.
const fn elapsed(from: Tick, to: Tick) -> Micros {
    match to.since(from) {
        Some(span) => span,
        None => Micros::ZERO,
    }
}

#[cfg(test)]
mod tests;
