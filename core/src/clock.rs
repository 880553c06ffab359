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
//! Both widen as time passes: the bound by what the own oscillator may be off, the spread by what
//! a speaker's may be off besides, because two oscillators part. What a clock has learnt of its own
//! rate ([`rate`](NetClock::rate)) takes its part of the drift out of the phase and narrows both.
//! All arithmetic is in whole microseconds, rounded away from certainty.

use crate::timing::Timing;
use crate::units::{Micros, Ppb, Slot, Tick, quotient};

/// What a plan says of clocks and distances.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ClockPlan {
    /// How far any oscillator of the net may be from its nominal frequency.
    pub tolerance: Ppb,
    /// How far this station's own may be: no more than `tolerance`, less if it has a better one.
    pub own_tolerance: Ppb,
    /// How far the rate of this station's oscillator may ever be from its average over a past
    /// stretch of the session. What is learnt of the rate is trusted no further than this.
    pub steadiness: Ppb,
    /// How far a clock may depart at once from what its rate makes of it, however short the time:
    /// |x(b) - x(a)| <= wander + tolerance * (b - a) for the error x of any clock of the net.
    /// Covers steps of the clock, and is added once, not at every observation. In microseconds of the clock itself:
    /// at 500 ppm and 10 ms of wander that is 5 us more than in true ones.
    pub wander: Micros,
    /// How far the stamp of a unique word may be from when it should have arrived, either way: what the sender starts
    /// it late or early by, and what the receiver stamps it off by, together. The drivers let each have a half.
    pub jitter: Micros,
    /// The propagation delay over the largest distance between two stations.
    pub longest_delay: Micros,
}

impl ClockPlan {
    /// A plan in which all oscillators are alike, none is any steadier than its tolerance says,
    /// and no clock wanders.
    #[must_use]
    pub const fn new(tolerance: Ppb, jitter: Micros, longest_delay: Micros) -> Self {
        Self {
            tolerance,
            own_tolerance: tolerance,
            steadiness: tolerance,
            wander: Micros::ZERO,
            jitter,
            longest_delay,
        }
    }
}

impl ClockPlan {
    /// The steadiness as it shows in what net time gains on the own clock. A rate of `r` makes net
    /// time gain `1 / (1 + r) - 1`, so a clock that is slow by `t` shows a change of its rate up to
    /// `1 / (1 - t)^2` times as large: a thousandth more at 500 ppm. To the nearest part in 10^9;
    /// [`slope`] leaves room for the rest.
    fn steadiness_to_net(self) -> i64 {
        let steadiness = u64::from(self.steadiness.ppb());
        let twice = u64::from(against_truth(self.own_tolerance)).wrapping_mul(2);
        let half = u64::from(BILLION / 2);
        let (more, _) = quotient(steadiness.wrapping_mul(twice).wrapping_add(half), BILLION);
        steadiness.wrapping_add(more).cast_signed()
    }
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

/// A bound for a sender that promises nothing: 2^36 us, 19 hours. A clock of 500 ppm is off by that after 4.3 years,
/// which is more than a timeline with slots of up to 32 ms lasts. No wider: who begins a new timeline begins
/// behind it.
const UNPROMISED: Micros = Micros::new(1 << 36);
/// Two observations closer together than this tell too little of a rate.
const LEARN_AFTER: Micros = Micros::from_millis(60_000);
/// A thousand million: rates are in parts of it.
const BILLION: u32 = 1_000_000_000;

/// A station's knowledge of net time. Offsets are net time less local time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NetClock {
    plan: ClockPlan,
    /// When `lo` and `hi` were last set. Neither has the wander in it, so that it is added once;
    /// `lo` may so exceed `hi` by what clocks have wandered.
    bound_at: Tick,
    lo: i64,
    hi: i64,
    /// The phase at `spread_at`; from there it moves by the middle of `rate`.
    phase: i64,
    /// When `phase` and `spread` were last set.
    spread_at: Tick,
    spread: Micros,
    rate: Rate,
    /// An early observation, from which the slope to later ones is taken.
    anchor: Option<Anchor>,
}

/// What net time gains on the own clock: between these parts in 10^9.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Rate {
    lo: i32,
    hi: i32,
}

/// An observation to learn from: true offset was in `lo..=hi` at local time `at`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Anchor {
    at: Tick,
    lo: i64,
    hi: i64,
}

/// The largest spread, in slots, with which a station coasts; beyond it a cold search is quicker
/// (decision 0006).
pub const COAST_SLOTS: u32 = 3;
/// The largest spread, in slots, with which a station that searches may still speak on home time.
pub const SPEAK_SLOTS: u32 = 1_024;

/// How well a station keeps up with the net.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Grip {
    /// The spread is within the guard time: slots can be met one by one.
    Locked,
    /// The spread exceeds the guard time, but not this many slots, 1 to [`COAST_SLOTS`].
    Coasting(u32),
    /// The spread is larger than that, but not larger than [`SPEAK_SLOTS`]: finding the net is
    /// quicker without regard to time, but whoever speaks will be found.
    Adrift,
    /// The spread is larger than that.
    Lost,
}

impl Grip {
    /// The grip that a spread leaves.
    fn of(spread: Micros, timing: &Timing) -> Self {
        if spread <= timing.guard() {
            return Self::Locked;
        }
        let (whole, over) = timing.slots_in(spread);
        match u32::try_from(whole.saturating_add(u64::from(over != 0))) {
            Ok(slots) if slots <= COAST_SLOTS => Self::Coasting(slots),
            Ok(slots) if slots <= SPEAK_SLOTS => Self::Adrift,
            Ok(_) | Err(_) => Self::Lost,
        }
    }
}

impl NetClock {
    /// The clock of a timekeeper that starts a timeline: at local time `now` it is `net_us`, by
    /// definition.
    #[inline(never)]
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
            rate: Rate::unknown(plan),
            anchor: None,
        }
    }

    /// The clock of a station that had no time, or has left an earlier timeline (`before`), and
    /// heard `seen`. What an oscillator is known to do, it does on any timeline.
    pub(crate) fn acquire(plan: ClockPlan, seen: Observation, before: Option<&Self>) -> Self {
        let (lo, hi) = truth(plan, seen);
        let anchor = seen.half_width.map(|_| Anchor { at: seen.at, lo, hi });
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
            rate: before.map_or_else(|| Rate::unknown(plan), |before| before.rate),
            anchor,
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
    #[inline(never)]
    pub(crate) fn observe(&mut self, seen: Observation) -> Result<(), Conflict> {
        let (mine_lo, mine_hi) = self.offsets(seen.at);
        let (lo, hi) = truth(self.plan, seen);
        let wander = signed(self.plan.wander);
        if hi < less(mine_lo, wander) {
            return Err(Conflict::Behind);
        }
        if lo > sum(mine_hi, wander) {
            return Err(Conflict::Ahead);
        }
        if seen.half_width.is_some_and(|theirs| theirs < self.half_width(seen.at)) {
            self.learn(Anchor { at: seen.at, lo, hi });
        }
        self.lo = lo.max(mine_lo);
        self.hi = hi.min(mine_hi);
        self.bound_at = seen.at;
        let (early, late) = senders_phase(self.plan, seen);
        // Staying put while the sender's phase may equal ours keeps propagation delays, which are
        // all of one sign, from pushing the net's phase along.
        // (`clamp` would panic if early exceeded late; it never does.)
        self.phase = self.phase_at(seen.at).max(early).min(late);
        // The sender's phase is somewhere in early..=late.
        let farthest = self.phase.abs_diff(early).max(self.phase.abs_diff(late));
        self.spread = Micros::new(farthest);
        self.spread_at = seen.at;
        Ok(())
    }

    /// Takes in an authenticated observation that must be in its place, as [`expect`](Self::expect) says.
    ///
    /// What contradicts a rate that was learnt, by its place or by its bound, is taken for the end of that: the
    /// oscillator has done what it was not known for, and may by its tolerance.
    ///
    /// # Errors
    /// [`Conflict`], also for an oscillator of which nothing was learnt; the clock is then unchanged.
    pub(crate) fn meet(&mut self, timing: &Timing, seen: Observation) -> Result<(), Conflict> {
        if self.meet_at_rate(timing, seen).is_ok() {
            return Ok(());
        }
        let known = core::mem::replace(&mut self.rate, Rate::unknown(self.plan));
        let met = self.meet_at_rate(timing, seen);
        match met {
            Ok(()) => self.distrust(),
            Err(_) => self.rate = known,
        }
        met
    }

    /// The same by what is believed of the rate now.
    #[inline(never)]
    fn meet_at_rate(&mut self, timing: &Timing, seen: Observation) -> Result<(), Conflict> {
        self.expect(timing, seen)?;
        self.observe(seen)
    }

    /// Whether `seen` can have arrived when it did, on the time that the phase gives.
    ///
    /// # Errors
    /// [`Conflict`] if it is early or late by more than clocks and distances explain.
    #[inline(never)]
    pub(crate) fn expect(&self, timing: &Timing, seen: Observation) -> Result<(), Conflict> {
        let play = self.spread(seen.at).max(timing.guard()).plus(self.plan.jitter);
        let late = play.plus(self.plan.longest_delay);
        let difference = less(seen.sent_us, self.net_us(seen.at));
        let size = Micros::new(difference.unsigned_abs());
        if difference < 0 && size > late {
            Err(Conflict::Behind)
        } else if difference > 0 && size > play {
            Err(Conflict::Ahead)
        } else {
            Ok(())
        }
    }

    /// Takes the slope from an early observation to this one, by a sender who knows the time
    /// better than we do, into what is known of the rate.
    fn learn(&mut self, seen: Anchor) {
        let Some(anchor) = self.anchor else {
            self.anchor = Some(seen);
            return;
        };
        let span = elapsed(anchor.at, seen.at);
        if LEARN_AFTER <= span {
            let wander = signed(self.plan.wander);
            let least = less(less(seen.lo, anchor.hi), wander);
            let most = sum(less(seen.hi, anchor.lo), wander);
            let steadiness = self.plan.steadiness_to_net();
            // An average over the span, which the rate never leaves by more than the steadiness.
            let lo = slope(least, span).map(|(ppb, _)| less(ppb, steadiness));
            let hi = slope(most, span).map(|(_, ppb)| sum(ppb, steadiness));
            self.rate = self.rate.narrowed(lo, hi).unwrap_or_else(|| Rate::unknown(self.plan));
        }
        // A narrower observation is a better one to start from.
        if less(seen.hi, seen.lo) < less(anchor.hi, anchor.lo) {
            self.anchor = Some(seen);
        }
    }

    /// Forgets what was learnt of the rate: the station has lost step, and it may be why.
    pub(crate) const fn distrust(&mut self) {
        self.rate = Rate::unknown(self.plan);
        self.anchor = None;
    }

    /// The net time, by the phase, at local time `at`.
    #[must_use]
    #[inline(never)]
    pub const fn net_us(&self, at: Tick) -> i64 {
        local(at).wrapping_add(self.phase_at(at))
    }

    /// For a clock that has been started and has observed nothing: others meet its slots by
    /// definition, and what has passed until `at` makes that no worse. What it promises of true time
    /// does get wider: its oscillator is no better for being followed.
    pub(crate) const fn define(&mut self, at: Tick) {
        self.spread_at = at;
    }

    /// The phase at local time `at`.
    const fn phase_at(&self, at: Tick) -> i64 {
        let rate = self.rate.middle();
        if rate == 0 {
            return self.phase;
        }
        self.phase.wrapping_add(gain(rate, local(at).wrapping_sub(local(self.spread_at))))
    }

    /// The bound at local time `at`: the earliest and the latest net time that it may be.
    #[must_use]
    pub fn bound(&self, at: Tick) -> (i64, i64) {
        let (lo, hi) = self.offsets(at);
        let wander = signed(self.plan.wander);
        let earliest = less(local(at).wrapping_add(lo), wander);
        (earliest, sum(local(at).wrapping_add(hi), wander))
    }

    /// How far, at most, true net time is from the phase at local time `at`.
    #[must_use]
    pub fn half_width(&self, at: Tick) -> Micros {
        let (lo, hi) = self.offsets(at);
        let phase = self.phase_at(at);
        Micros::new(phase.abs_diff(lo).max(phase.abs_diff(hi))).plus(self.plan.wander)
    }

    /// What net time gains on the own clock, as far as it is known: the least and the most, in
    /// parts in 10^9.
    #[must_use]
    pub const fn rate(&self) -> (i32, i32) {
        (self.rate.lo, self.rate.hi)
    }

    /// How far the phase of a speaker may be from ours at local time `at`.
    #[must_use]
    pub fn spread(&self, at: Tick) -> Micros {
        self.spread_at_rate(self.parting(), at)
    }

    /// The spread at local time `at` between clocks that part with so many parts in 10^9.
    #[inline(never)]
    fn spread_at_rate(&self, rate: u32, at: Tick) -> Micros {
        let parted = Ppb::beyond(rate).of(elapsed(self.spread_at, at));
        self.least_spread().plus(parted)
    }

    /// The spread when it was last set, with what both clocks may have wandered since.
    fn least_spread(&self) -> Micros {
        self.spread.plus(self.plan.wander).plus(self.plan.wander)
    }

    /// How well slots can be met at local time `at`.
    #[must_use]
    pub fn grip(&self, timing: &Timing, at: Tick) -> Grip {
        Grip::of(self.spread(at), timing)
    }

    /// How well, at worst, others of the net can meet slots at local time `at`, if they have heard
    /// nothing for as long: their oscillators may be worse than ours, and have learnt nothing.
    #[must_use]
    pub fn grip_of_others(&self, timing: &Timing, at: Tick) -> Grip {
        let rate = against_truth(self.plan.tolerance).saturating_mul(2);
        Grip::of(self.spread_at_rate(rate, at), timing)
    }

    /// The first local time at which the grip is worse than `grip` if nothing more is heard;
    /// `None` if it never is.
    #[must_use]
    pub fn loosens_at(&self, timing: &Timing, grip: Grip) -> Option<Tick> {
        let limit = match grip {
            Grip::Locked => timing.guard(),
            Grip::Coasting(slots) => timing.span_of(slots),
            Grip::Adrift => timing.span_of(SPEAK_SLOTS),
            Grip::Lost => return None,
        };
        let Some(room) = limit.us().checked_sub(self.least_spread().us()) else {
            return Some(self.spread_at);
        };
        let rate = self.parting();
        if rate == 0 {
            return None;
        }
        // The growth is rounded up, so it exceeds `room` once the exact one does.
        let (whole, _) = quotient(room.saturating_mul(1_000_000_000), rate);
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
    #[inline(never)]
    pub const fn slot_at(&self, timing: &Timing, at: Tick) -> Option<Slot> {
        timing.slot_at(self.net_us(at))
    }

    /// The first local time at which a slot has started by the phase; the epoch if that is in its
    /// past.
    #[must_use]
    #[inline(never)]
    pub const fn start_of(&self, timing: &Timing, slot: Slot) -> Tick {
        let at = timing.start_of(slot).wrapping_sub(self.phase);
        let rate = self.rate.middle();
        if rate == 0 {
            return tick(at);
        }
        let set = local(self.spread_at);
        tick(set.wrapping_add(without_gain(rate, at.wrapping_sub(set))))
    }

    /// Lower and upper offset at local time `at`, without the wander.
    fn offsets(&self, at: Tick) -> (i64, i64) {
        let span = local(at).wrapping_sub(local(self.bound_at)).max(0);
        let lo = sum(self.lo, gain(self.rate.lo, span));
        // Rounded up: a floor, and one.
        let hi = sum(self.hi, gain(self.rate.hi, span));
        (lo, if span == 0 { hi } else { sum(hi, 1) })
    }

    /// How fast, at most, a speaker's phase parts from ours, in parts in 10^9: what is not known
    /// of our own rate, and all of his.
    const fn parting(&self) -> u32 {
        let unknown = self.rate.hi.wrapping_sub(self.rate.lo).unsigned_abs();
        unknown.div_ceil(2).saturating_add(against_truth(self.plan.tolerance))
    }
}

impl Rate {
    /// What is known of an oscillator that nothing was learnt of.
    const fn unknown(plan: ClockPlan) -> Self {
        let most = against_truth(plan.own_tolerance).cast_signed();
        Self { lo: most.wrapping_neg(), hi: most }
    }

    /// The middle: what the phase is corrected by.
    const fn middle(self) -> i32 {
        self.lo.wrapping_add(self.hi) / 2
    }

    /// The intersection with what a slope says; `None` if it is empty, because the oscillator is
    /// not as steady as was promised.
    fn narrowed(self, lo: Option<i64>, hi: Option<i64>) -> Option<Self> {
        let within = |ppb: i64| i32::try_from(ppb).ok();
        let lo = lo.and_then(within).map_or(self.lo, |lo| lo.max(self.lo));
        let hi = hi.and_then(within).map_or(self.hi, |hi| hi.min(self.hi));
        (lo <= hi).then_some(Self { lo, hi })
    }
}

/// The tolerance against true time of a span that a clock within `t` of it has measured:
/// `t / (1 - t)`, rounded up, in parts in 10^9; at most 500 251.
#[inline(never)]
const fn against_truth(tolerance: Ppb) -> u32 {
    let t = tolerance.ppb();
    let rest = 1_000_000_000_u32.wrapping_sub(t);
    // 10^9 t / rest is t + t^2 / rest: a shorter division.
    let (more, _) = quotient((t as u64).wrapping_mul(t as u64), rest);
    #[expect(clippy::cast_possible_truncation, reason = "at most 250")]
    let more = more as u32;
    t.wrapping_add(more).wrapping_add((t != 0) as u32)
}

/// What a rate makes of a span, rounded down. Split, so that no product exceeds 64 bits.
const fn gain(ppb: i32, span: i64) -> i64 {
    let (size, rate) = (span.unsigned_abs(), ppb.unsigned_abs() as u64);
    let (whole, rest) = quotient(size, BILLION);
    let (more, over) = quotient((rest as u64).wrapping_mul(rate), BILLION);
    let gain = whole.wrapping_mul(rate).wrapping_add(more).cast_signed();
    if (ppb < 0) == (span < 0) {
        gain
    } else {
        gain.wrapping_add((over != 0) as i64).wrapping_neg()
    }
}

/// The least span that a rate makes into this one or a longer one. The reverse of `span + gain(span)`,
/// which is `span (10^9 + ppb) / 10^9` rounded down: so this is the exact quotient rounded up.
const fn without_gain(ppb: i32, span: i64) -> i64 {
    let scale = BILLION.wrapping_add_signed(ppb);
    let (whole, rest) = quotient(span.unsigned_abs(), scale);
    let (more, over) = quotient((rest as u64).wrapping_mul(BILLION as u64), scale);
    let size = whole.wrapping_mul(BILLION as u64).wrapping_add(more).cast_signed();
    if span < 0 { size.wrapping_neg() } else { size.wrapping_add((over != 0) as i64) }
}

/// An offset that has come up over a span of a minute to a month, in parts in 10^9: no more and
/// no less than these, with 0.99 of a part to spare on either side. `None` if it is out of all
/// proportion.
fn slope(offset: i64, span: Micros) -> Option<(i64, i64)> {
    let (ms, _) = quotient(span.us(), 1_000);
    let ms = u32::try_from(ms).ok()?;
    let (size, _) = quotient(offset.unsigned_abs().checked_mul(1_000_000)?, ms);
    let size = i64::try_from(size).ok()?;
    let ppb = if offset < 0 { size.saturating_neg() } else { size };
    // A minute has 60 000 ms: leaving out a part of one makes less than a part in 2^15.
    let play = (size >> 15).saturating_add(2);
    Some((less(ppb, play), sum(ppb, play)))
}

/// The offsets that true net time may have, by an observation: while the signal travelled, net
/// time moved on.
#[inline(never)]
fn truth(plan: ClockPlan, seen: Observation) -> (i64, i64) {
    let half = signed(seen.half_width.unwrap_or(UNPROMISED));
    let (early, late) = senders_phase(plan, seen);
    (less(early, half), sum(late, half))
}

/// The offsets that the sender's phase may have.
#[inline(never)]
fn senders_phase(plan: ClockPlan, seen: Observation) -> (i64, i64) {
    let offset = seen.sent_us.wrapping_sub(local(seen.at));
    let (jitter, delay) = (signed(plan.jitter), signed(plan.longest_delay));
    (less(offset, jitter), sum(sum(offset, jitter), delay))
}

/// The sum, within the range of its type. (Apart: inlined, each would be six instructions on a processor of 32 bits.)
#[inline(never)]
const fn sum(a: i64, b: i64) -> i64 {
    a.saturating_add(b)
}

/// The difference, within the range of its type.
#[inline(never)]
const fn less(a: i64, b: i64) -> i64 {
    a.saturating_sub(b)
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

/// A local time as a tick; the epoch if it lies before that.
const fn tick(at: i64) -> Tick {
    #[expect(clippy::cast_sign_loss, reason = "not negative")]
    let tick = Tick::new(if at < 0 { 0 } else { at as u64 });
    tick
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

#[cfg(feature = "_fuzz")]
mod fuzzing;
#[cfg(test)]
mod tests;
