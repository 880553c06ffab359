//! Net time as the core keeps it against exact arithmetic.
//!
//! True net time and the interval that follows from what was heard are kept as whole numbers of
//! fractions so small that nothing is ever rounded. An oscillator takes any rates that the plan
//! allows, senders are off by anything that they admit, and the core's bound must then
//!
//! * contain true net time,
//! * contain the exact interval, unless something was learnt of the rate,
//! * be no wider than the exact interval and its roundings.

use arbitrary::{Result, Unstructured};
use hopwright_core::clock::{ClockPlan, Grip, NetClock};
use hopwright_core::header::Quality;
use hopwright_core::timing::Timing;
use hopwright_core::units::{Micros, Ppb, Slot, Tick};
use std::cmp::Ordering;

/// Parts of a microsecond in which true net time is whole.
const NANO: i128 = 1_000_000_000;
/// What a time stamp that is off by the jitter can hide of a drift, in the same parts: 500 ppm of
/// 40 us.
const HIDDEN: i128 = 20_000_000;

/// A clock that hears honest senders, until one lies.
///
/// # Panics
/// If the bound misses true time or the exact interval, is too wide, or a contradiction is taken.
pub fn differential_clock(data: &[u8]) {
    let _ = run(&mut Unstructured::new(data));
}

/// What is true, and what can be known of it.
struct Truth {
    plan: ClockPlan,
    /// Local time, in microseconds.
    local: i128,
    /// True net time but for the wander, and the wander's part, in parts of a microsecond.
    net: i128,
    wandered: i128,
    /// What net time gains on the own clock at the least and at the most, in parts in 10^9.
    rates: (i128, i128),
    /// Net time less local time at `bound_at`, in parts of a microsecond divided by `scale`.
    lo: i128,
    hi: i128,
    bound_at: i128,
    /// Observations, and the local time since the first.
    seen: i128,
    since: i128,
}

impl Truth {
    /// 10^9 less the own tolerance: with it, the tolerance against true time is a fraction.
    const fn scale(&self) -> i128 {
        NANO - self.plan.own_tolerance.ppb() as i128
    }

    const fn true_net(&self) -> i128 {
        self.net + self.wandered
    }

    /// The exact interval at a local time.
    fn interval(&self, at: i128) -> (i128, i128) {
        let drift = (at - self.bound_at).max(0) * i128::from(self.plan.own_tolerance.ppb()) * NANO;
        (self.lo - drift, self.hi + drift)
    }

    /// The interval that an observation gives.
    fn observation(&self, at: i128, sent: i128, half: Option<Micros>) -> (i128, i128) {
        let us = |span: Micros| i128::from(span.us());
        let (jitter, delay) = (us(self.plan.jitter), us(self.plan.longest_delay));
        // 2^36 us for one who promises nothing.
        let half = half.map_or(1 << 36, us);
        let unit = NANO * self.scale();
        ((sent - at - jitter - half) * unit, (sent - at + jitter + delay + half) * unit)
    }

    fn take(&mut self, at: i128, seen: (i128, i128)) {
        let (lo, hi) = self.interval(at);
        (self.lo, self.hi) = (lo.max(seen.0), hi.min(seen.1));
        self.bound_at = at;
        self.seen += 1;
    }

    fn check(&self, clock: &NetClock, learns: bool) {
        let at = tick(self.local);
        let (earliest, latest) = clock.bound(at);
        let (earliest, latest) = (i128::from(earliest), i128::from(latest));
        let net = self.true_net();
        assert!(
            earliest * NANO <= net && net <= latest * NANO,
            "true net time, {net} parts, is outside {earliest}..={latest} us: {:?}, rates {:?}, \
             believed {:?}, learnt {learns}",
            self.plan,
            self.rates,
            clock.rate(),
        );
        let off = (i128::from(clock.net_us(at)) * NANO - net).abs();
        assert!(off <= i128::from(clock.half_width(at).us()) * NANO, "half-width");
        let unit = NANO * self.scale();
        let wander = i128::from(self.plan.wander.us());
        let (lo, hi) = self.interval(self.local);
        let (lo, hi) = (lo - wander * unit, hi + wander * unit);
        let (core_lo, core_hi) = ((earliest - self.local) * unit, (latest - self.local) * unit);
        if !learns {
            assert!(core_lo <= lo && hi <= core_hi, "narrower than what follows");
        }
        // Each reading and each observation rounds by a microsecond, and the rate by a part in 10^9.
        let slack = (self.seen + 1 + (self.local - self.since) / NANO + 1) * unit;
        assert!(core_lo >= lo - slack && core_hi <= hi + slack, "wider than rounding explains");
    }
}

fn tick(us: i128) -> Tick {
    Tick::new(u64::try_from(us).expect("local time is positive"))
}

fn ppb(u: &mut Unstructured<'_>, most: u32) -> Result<Ppb> {
    let ppb = match u.int_in_range(0..=3_u8)? {
        0 => most.min(1_000),
        1 => most,
        _ => u.int_in_range(0..=most)?,
    };
    Ok(Ppb::new(ppb).expect("at most 500 ppm"))
}

fn run(u: &mut Unstructured<'_>) -> Result<()> {
    let tolerance = ppb(u, 500_000)?;
    let own_tolerance = ppb(u, tolerance.ppb())?;
    let plan = ClockPlan {
        tolerance,
        own_tolerance,
        steadiness: ppb(u, tolerance.ppb())?,
        wander: Micros::new(u.int_in_range(0..=60)?),
        jitter: Micros::new(u.int_in_range(0..=40)?),
        longest_delay: Micros::new(u.int_in_range(0..=300)?),
    };
    let local = 1_000_000 + i128::from(u.arbitrary::<u32>()?) * 1_000;
    let mut truth = Truth {
        plan,
        local,
        net: i128::from(u.arbitrary::<u32>()?) * 20_000 * NANO,
        wandered: 0,
        rates: rates(u, plan)?,
        lo: 0,
        hi: 0,
        bound_at: local,
        seen: 0,
        since: local,
    };
    let mut clock = if u.arbitrary()? {
        let net = truth.true_net() / NANO;
        (truth.lo, truth.hi) = ((net - local) * NANO * truth.scale(), 0);
        truth.hi = truth.lo;
        NetClock::started(plan, tick(local), i64::try_from(net).expect("in range"))
    } else {
        let (at, sent, half) = honest(u, &truth)?;
        (truth.lo, truth.hi) = truth.observation(at, sent, half);
        (truth.bound_at, truth.seen) = (at, 1);
        let rest = (at - truth.local).max(0);
        pass(u, &mut truth, rest)?;
        let sent = i64::try_from(sent).expect("in range");
        NetClock::acquired(plan, (tick(at), sent), half, None)
    };
    let unlearnt = clock.rate();
    let mut learns = false;
    for _ in 0..80 {
        truth.check(&clock, learns);
        if u.is_empty() {
            break;
        }
        match u.int_in_range(0..=7_u8)? {
            0..=3 => {
                let us = match u.int_in_range(0..=3_u8)? {
                    0 => u.int_in_range(1..=1_000_000_u64)?,
                    1 => u.int_in_range(1..=120_000_000)?,
                    2 => u.int_in_range(1..=86_400_000_000)?,
                    // Where what was learnt of the rate begins to count.
                    _ => 59_999_000 + u.int_in_range(0..=2_000_u64)?,
                };
                pass(u, &mut truth, us.into())?;
            }
            4 | 5 => {
                // Time stamps do not go back beyond the last one.
                let rest = i128::from(plan.jitter.us()) * 2 + 1;
                pass(u, &mut truth, rest)?;
                let (at, sent, half) = honest(u, &truth)?;
                let seen = truth.observation(at, sent, half);
                let sent = i64::try_from(sent).expect("in range");
                let taken = clock.observed((tick(at), sent), half);
                assert_eq!(taken, Ok(()), "an honest sender was refused");
                truth.take(at, seen);
                let rest = (at - truth.local).max(0);
                pass(u, &mut truth, rest)?;
                learns |= clock.rate() != unlearnt;
                narrower_rate(&truth, &clock);
            }
            6 => {
                let half = i128::from(plan.wander.us()) * NANO / 2;
                truth.wandered = *u.choose(&[-half, 0, half])?;
            }
            _ => {
                lie(u, &truth, clock, learns)?;
                grips(&clock, truth.local);
            }
        }
    }
    Ok(())
}

/// Rates of the oscillator that are no further apart than its steadiness. A clock that is fast by
/// `r` makes net time gain `s = 1 / (1 + r) - 1` on it; both ways of speaking keep the tolerance.
fn rates(u: &mut Unstructured<'_>, plan: ClockPlan) -> Result<(i128, i128)> {
    let (own, steadiness) =
        (i128::from(plan.own_tolerance.ppb()), i128::from(plan.steadiness.ppb()));
    let (least, most) = (-(own * NANO / (NANO + own)), own * NANO / (NANO - own));
    let lo = match u.int_in_range(0..=2_u8)? {
        0 => least,
        1 => (most - steadiness).max(least),
        _ => u.int_in_range(least..=most)?,
    };
    let span = steadiness * (NANO + lo) * (NANO + lo) / (NANO * NANO);
    Ok((lo, most.min(lo + span)))
}

/// Time passes.
fn pass(u: &mut Unstructured<'_>, truth: &mut Truth, us: i128) -> Result<()> {
    let (lo, hi) = truth.rates;
    let rate = *u.choose(&[lo, hi, lo.midpoint(hi)])?;
    truth.local += us;
    truth.net += us * (NANO + rate);
    Ok(())
}

/// A sender whose phase is off by no more than he says.
fn honest(u: &mut Unstructured<'_>, truth: &Truth) -> Result<(i128, i128, Option<Micros>)> {
    let half = Quality::of(Micros::new(16 << u.int_in_range(0..=15_u8)?)).half_width();
    let us = |span: Micros| i128::from(span.us());
    let delay = us(truth.plan.longest_delay) * u.int_in_range(0..=4)? / 4;
    let jitter = us(truth.plan.jitter) * u.int_in_range(-2..=2)? / 2;
    let most = half.map_or(1 << 20, us) * NANO - HIDDEN;
    let error = most * u.int_in_range(-8..=8)? / 8;
    // Towards the truth.
    let sent = truth.true_net() - delay * NANO + error;
    let whole = sent.div_euclid(NANO) + i128::from(error < 0 && sent.rem_euclid(NANO) > 0);
    Ok((truth.local + jitter, whole, half))
}

/// A sender who says anything: the core takes him if and only if his interval and the exact one
/// have something in common.
fn lie(u: &mut Unstructured<'_>, truth: &Truth, clock: NetClock, learns: bool) -> Result<()> {
    let half = Quality::of(Micros::new(16 << u.int_in_range(0..=15_u8)?)).half_width();
    let sent =
        truth.true_net() / NANO + i128::from(u.arbitrary::<i32>()? >> u.int_in_range(0..=31)?);
    let at = truth.local;
    let unit = NANO * truth.scale();
    let wander = i128::from(truth.plan.wander.us()) * unit;
    let (lo, hi) = truth.interval(at);
    let (seen_lo, seen_hi) = truth.observation(at, sent, half);
    let slack = (truth.seen + 2 + (at - truth.since) / NANO + 1) * unit;
    let sent = i64::try_from(sent).expect("in range");
    let mut told = clock;
    let taken = told.observed((tick(at), sent), half);
    if seen_hi < lo - wander - slack {
        assert_eq!(taken, Err(Ordering::Less), "a sender from the past was taken");
    } else if seen_lo > hi + wander + slack {
        assert_eq!(taken, Err(Ordering::Greater), "a sender from the future was taken");
    } else if !learns && seen_hi >= lo - wander && seen_lo <= hi + wander {
        assert_eq!(taken, Ok(()), "a sender who may be right was refused");
    }
    assert!(taken.is_ok() || told == clock, "a contradiction left its mark");
    Ok(())
}

/// The rate that is believed in contains all that the oscillator does.
fn narrower_rate(truth: &Truth, clock: &NetClock) {
    let (lo, hi) = clock.rate();
    let (lo, hi) = (i128::from(lo), i128::from(hi));
    let rates = truth.rates;
    assert!(lo <= rates.0 && rates.1 <= hi, "{lo}..={hi} for {rates:?}, {:?}", truth.plan);
}

/// Slots and deadlines of a clock agree with what it says at the instants that it names.
fn grips(clock: &NetClock, local: i128) {
    let timing = Timing::new(20_000, 1_000, 500, 50_000).expect("a slot");
    let now = tick(local);
    if let Some(slot) = clock.slot_at(&timing, now).filter(|slot| *slot < Slot::MAX) {
        let next = slot.plus(1);
        let start = clock.start_of(&timing, next);
        assert!(start > now, "slot {next} is yet to come");
        assert_eq!(clock.slot_at(&timing, start), Some(next));
        assert_eq!(clock.slot_at(&timing, Tick::new(start.us() - 1)), Some(slot));
    }
    let rank = |grip: Grip| match grip {
        Grip::Locked => 0,
        Grip::Coasting(slots) => slots,
        Grip::Adrift => 1_000,
        _ => 2_000,
    };
    let grip = clock.grip(&timing, now);
    if let Some(at) = clock.loosens_at(&timing, grip) {
        assert!(at > now, "{grip:?} has loosened already");
        assert!(rank(clock.grip(&timing, at)) > rank(grip), "{grip:?} lasts");
        let before = clock.grip(&timing, Tick::new(at.us() - 1));
        assert_eq!(rank(before), rank(grip), "{grip:?} is lost early");
    }
}
