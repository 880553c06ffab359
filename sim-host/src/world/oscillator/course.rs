//! An oscillator whose frequency is not constant.
//!
//! The time error is a chain of straight pieces of ten seconds, made once from the behaviour and a
//! seed, in integer arithmetic: the same on every platform, and as quick to read at any time.
//!
//! ```text
//! error  ·             ·──·   one number (ps) for each whole ten seconds, straight between them;
//!         \·──·──·────·       a step of the clock (us) lies on top
//!        0   10   20 s  ...
//! ```

use super::super::digest::child_seed;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// The length of one piece, in microseconds.
pub const SEGMENT_US: u64 = 10_000_000;
/// The same in seconds.
const SEGMENT_S: i128 = 10;
/// No oscillator is worse: 500 ppm, as picoseconds in one piece.
const WORST_PS: i128 = 500_000 * 10_000;
/// Times beyond this do not occur; arithmetic below it cannot overflow.
const LAST_US: u64 = 1 << 60;

/// What an oscillator does. Everything adds up.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Behaviour {
    /// The frequency offset at the start and at the temperature of the adjustment, parts in 10^9.
    pub offset_ppb: f64,
    /// How much the frequency changes in a day, always the same way.
    pub ageing_ppb_per_day: f64,
    /// How much the frequency changes for each kelvin.
    pub temperature_ppb_per_k: f64,
    /// True times in microseconds, ascending, and kelvins above the temperature of the
    /// adjustment; straight in between, constant outside.
    pub ramp: Vec<(u64, f64)>,
    /// Random-walk frequency noise: the standard deviation of the change in one hour.
    pub random_walk_ppb: f64,
    /// White frequency noise: the standard deviation of the mean of one second.
    pub white_ppb: f64,
    /// True times in microseconds, ascending, and by how many microseconds the clock then steps.
    /// A step back is a time for which the clock stands: a counter that has lost counts.
    pub steps: Vec<(u64, i64)>,
    /// How long it is to last, in microseconds. Afterwards the frequency stays what it was last.
    pub until_us: u64,
}

impl Behaviour {
    /// Whether a part of it is drawn.
    #[must_use]
    pub const fn is_noisy(&self) -> bool {
        self.random_walk_ppb > 0.0 || self.white_ppb > 0.0
    }
}

/// The course of an oscillator's time error.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Course {
    /// The time error in picoseconds at every whole piece, without the steps.
    nodes_ps: Vec<i64>,
    steps: Vec<Step>,
}

/// A step of the clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Step {
    pub(super) at_us: u64,
    /// This step and all before it.
    pub(super) sum_us: i64,
    /// What the clock showed when it came; it shows no less afterwards.
    shown_us: u64,
}

impl Course {
    /// Makes the course of an oscillator that behaves so. Work and memory grow with its length:
    /// eight bytes and two dozen draws for each ten seconds.
    #[must_use]
    pub fn new(behaviour: &Behaviour, seed: u64) -> Self {
        let mut course = Self { nodes_ps: nodes(behaviour, seed), steps: Vec::new() };
        for (at_us, by_us) in &behaviour.steps {
            let before = course.steps.last().map_or(0, |step| step.sum_us);
            let (sum_us, shown_us) = (before + by_us, course.shown_us(*at_us));
            course.steps.push(Step { at_us: *at_us, sum_us, shown_us });
        }
        course
    }

    /// The time error at true time `us` in picoseconds, without the steps.
    #[must_use]
    pub fn error_ps(&self, us: u64) -> i64 {
        let us = us.min(LAST_US);
        let last = self.nodes_ps.len().saturating_sub(2);
        let index = usize::try_from(us / SEGMENT_US).unwrap_or(last).min(last);
        let (Some(from), Some(to)) = (self.nodes_ps.get(index), self.nodes_ps.get(index + 1))
        else {
            return 0;
        };
        let into = us - index as u64 * SEGMENT_US;
        if into <= SEGMENT_US {
            // At most 5 * 10^9 ps by 10^7 us.
            return from + ((to - from) * into.cast_signed()).div_euclid(SEGMENT_US.cast_signed());
        }
        let more = i128::from(to - from) * i128::from(into);
        let error = i128::from(*from) + more.div_euclid(i128::from(SEGMENT_US));
        i64::try_from(error).unwrap_or(if error < 0 { i64::MIN } else { i64::MAX })
    }

    /// What the clock has counted at true time `us`, steps included.
    pub(super) fn shown_us(&self, us: u64) -> u64 {
        let us = us.min(LAST_US);
        let steady = us.cast_signed() + self.error_ps(us).div_euclid(1_000_000);
        let done = self.steps.partition_point(|step| step.at_us <= us);
        match done.checked_sub(1).and_then(|last| self.steps.get(last)) {
            None => steady.max(0).cast_unsigned(),
            // Time stands until it has made up for a step back.
            Some(step) => (steady + step.sum_us).max(0).cast_unsigned().max(step.shown_us),
        }
    }

    /// The first true time at which the clock has counted `target` or more.
    pub(super) fn first_showing(&self, target: u64) -> u64 {
        let mut guess = target;
        for _ in 0..2 {
            let off = self.shown_us(guess).cast_signed() - guess.min(LAST_US).cast_signed();
            guess = target.saturating_add_signed(-off);
        }
        // From a guess that is off by a microsecond or, near a step, by the step: wider and wider
        // to a bracket, and in halves from there.
        let (mut below, mut enough) = (guess, guess);
        let mut stride = 1_u64;
        if self.shown_us(guess) >= target {
            loop {
                if enough == 0 {
                    return 0;
                }
                below = enough.saturating_sub(stride);
                if self.shown_us(below) < target {
                    break;
                }
                enough = below;
                stride = stride.saturating_mul(4);
            }
        } else {
            loop {
                if below == u64::MAX {
                    return u64::MAX;
                }
                enough = below.saturating_add(stride);
                if self.shown_us(enough) >= target {
                    break;
                }
                below = enough;
                stride = stride.saturating_mul(4);
            }
        }
        while enough - below > 1 {
            let middle = below + (enough - below) / 2;
            if self.shown_us(middle) >= target { enough = middle } else { below = middle }
        }
        enough
    }

    /// The time errors at whole pieces.
    pub(super) fn nodes_ps(&self) -> &[i64] {
        &self.nodes_ps
    }

    pub(super) fn steps(&self) -> &[Step] {
        &self.steps
    }
}

/// The time error in picoseconds at every whole piece. Offsets are in units of 10^-15 inside,
/// time errors in femtoseconds: an offset of 1 makes 1 fs in a second.
fn nodes(behaviour: &Behaviour, seed: u64) -> Vec<i64> {
    let pieces = behaviour.until_us.min(LAST_US).div_ceil(SEGMENT_US).max(1);
    let rng = |name: &str| ChaCha8Rng::seed_from_u64(child_seed(seed, name));
    let (mut white, mut walk) = (rng("white"), rng("random walk"));
    // A mean over n seconds of white noise is narrower by the root of n, and the error is n
    // seconds of it; a random walk of n steps is wider by the root of n.
    let pieces_an_hour = 360.0;
    let white_fs = finest(behaviour.white_ppb * libm::sqrt(SEGMENT_S as f64));
    let step = finest(behaviour.random_walk_ppb / libm::sqrt(pieces_an_hour)) * SEGMENT_S;
    let (mut noise_fs, mut walk_fs) = (0_i128, 0_i128);
    let mut out = Vec::with_capacity(usize::try_from(pieces).unwrap_or(0) + 1);
    let (mut at_ps, mut before_fs) = (0_i128, 0_i128);
    out.push(0);
    for piece in 1..=i128::from(pieces) {
        if white_fs != 0 {
            noise_fs += normal(&mut white, white_fs);
        }
        if step != 0 {
            noise_fs += walk_fs;
            walk_fs += normal(&mut walk, step);
        }
        let now_fs = steady_fs(behaviour, piece) + noise_fs;
        let moved_ps = now_fs.div_euclid(1_000) - before_fs.div_euclid(1_000);
        at_ps += moved_ps.clamp(-WORST_PS, WORST_PS);
        before_fs = now_fs;
        out.push(i64::try_from(at_ps).unwrap_or(i64::MAX));
    }
    out
}

/// Offset, ageing and temperature: the time error after so many pieces, from its closed form.
fn steady_fs(behaviour: &Behaviour, piece: i128) -> i128 {
    let seconds = piece * SEGMENT_S;
    let offset = finest(behaviour.offset_ppb) * seconds;
    // Ageing: D t^2 / 2.
    let ageing = finest(behaviour.ageing_ppb_per_day) * seconds * seconds / (2 * 86_400);
    let heat = finest(behaviour.temperature_ppb_per_k) * heat(&behaviour.ramp, seconds * 1_000_000);
    // The heat is in mK us.
    offset + ageing + heat.div_euclid(1_000_000_000)
}

/// The integral of the temperature from 0 to `until` microseconds, in mK us.
fn heat(ramp: &[(u64, f64)], until: i128) -> i128 {
    let (mut sum, mut at, mut kelvin) = (0, 0, ramp.first().map_or(0, |(_, k)| milli(*k)));
    for (next, to) in ramp {
        let (next, to) = (i128::from(*next), milli(*to));
        let (span, whole) = (next.min(until) - at, next - at);
        if span > 0 {
            sum += kelvin * span + (to - kelvin) * span * span / (2 * whole);
        }
        if next >= until {
            return sum;
        }
        (at, kelvin) = (next, to);
    }
    sum + kelvin * (until - at)
}

/// Parts in 10^9 as whole parts in 10^15.
fn finest(ppb: f64) -> i128 {
    #[expect(clippy::cast_possible_truncation, reason = "a cast from a float saturates")]
    let whole = libm::round(ppb * 1e6) as i64;
    i128::from(whole)
}

fn milli(kelvin: f64) -> i128 {
    #[expect(clippy::cast_possible_truncation, reason = "a cast from a float saturates")]
    let whole = libm::round(kelvin * 1e3) as i64;
    i128::from(whole)
}

/// A number of mean 0 and standard deviation `deviation`: the sum of twelve uniform ones, which
/// has variance 1 and goes to six standard deviations (textbook; in integers, so that every
/// platform draws the same).
fn normal(rng: &mut ChaCha8Rng, deviation: i128) -> i128 {
    let sum: i128 = (0..12).map(|_| i128::from(rng.next_u32())).sum();
    let centred = sum - 6 * i128::from(u32::MAX);
    (centred * deviation) >> 32
}
