//! A delta modulator with a step that follows the voice: CVSD at 16 kbit/s.
//!
//! J. A. Greefkes and K. Riemens, "Code modulation with digitally controlled companding for
//! speech transmission", Philips Technical Review 31 (1970); block diagrams of the same in IRIG
//! Standard 106, appendix F. One bit a sample says whether the sample is above the decoder's own
//! guess. With `y` the guess, `d` the step, `b = 1` for a sample at or above the leaked guess:
//!
//! ```text
//! b[n] = x[n] >= h y[n-1]                         h = 1 - 1/16: the integrator's leak, 1 ms
//! r[n] = b[n] = b[n-1] = b[n-2]                   three alike: the step is too small
//! d[n] = d[n-1] + ((r ? MAX : MIN) - d[n-1]) / 80     the syllabic filter, 5 ms
//! y[n] = h y[n-1] + (b ? d[n] : -d[n])
//! ```
//!
//! The decoder runs the same recurrences on the bits. Both leaks make errors die away: of a wrong
//! bit, and of having joined late. Everything is in integers of 1/256 of a sample's unit, divisions
//! towards zero, so that it is the same on every machine. Time constants, three bits and the
//! integrator are those usual for 16 kbit/s (from memory, after the sources above); the two steps
//! are ours, chosen on sines and on the built-in sample.

/// Samples, and bits, in a second.
pub const RATE: u32 = 16_000;
/// The largest step, in units of a 16-bit sample.
pub const LARGEST_STEP: i32 = 4_096;
/// The smallest step.
pub const SMALLEST_STEP: i32 = 128;
/// The integrator loses this part of its value with each sample: 1 ms.
const LEAK: i32 = 16;
/// The syllabic filter covers this part of its way with each sample: 5 ms.
const SYLLABLE: i32 = 80;
/// A muted output loses this part of its value with each sample: 4 ms. Ours: too slow to click,
/// and over within a slot.
const FADE: i32 = 64;
const UNIT: i32 = 256;

/// Encoder or decoder: they keep the same state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cvsd {
    /// The guess, in 1/256.
    guess: i32,
    /// The step, in 1/256.
    step: i32,
    /// The last bits, the newest lowest.
    last: u8,
}

impl Default for Cvsd {
    fn default() -> Self {
        Self { guess: 0, step: SMALLEST_STEP * UNIT, last: 0b01 }
    }
}

impl Cvsd {
    /// The bit of a sample.
    pub fn encode(&mut self, sample: i16) -> bool {
        let bit = i32::from(sample) * UNIT >= self.leaked();
        self.advance(bit);
        bit
    }

    /// The sample of a bit.
    pub fn decode(&mut self, bit: bool) -> i16 {
        self.advance(bit);
        self.sample()
    }

    /// The sample of a bit that is missing: the last one fades, and so does the step.
    pub const fn mute(&mut self) -> i16 {
        self.guess -= self.guess / FADE;
        self.follow(SMALLEST_STEP);
        self.sample()
    }

    /// The present step, in units of a sample.
    #[must_use]
    pub const fn step(&self) -> i32 {
        self.step / UNIT
    }

    const fn leaked(&self) -> i32 {
        self.guess - self.guess / LEAK
    }

    const fn follow(&mut self, step: i32) {
        self.step += (step * UNIT - self.step) / SYLLABLE;
    }

    fn advance(&mut self, bit: bool) {
        self.last = (self.last << 1 | u8::from(bit)) & 0b111;
        let run = self.last == 0 || self.last == 0b111;
        self.follow(if run { LARGEST_STEP } else { SMALLEST_STEP });
        let step = if bit { self.step } else { -self.step };
        let largest = i32::from(i16::MAX) * UNIT;
        self.guess = (self.leaked() + step).clamp(-largest, largest);
    }

    const fn sample(&self) -> i16 {
        #[expect(clippy::cast_possible_truncation, reason = "clamped to 16 bits")]
        let sample = (self.guess / UNIT) as i16;
        sample
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{filter, snr};
    use core::f64::consts::TAU;

    fn sine(hz: f64, level: f64, ms: usize) -> Vec<i16> {
        let value = |n: usize| level * libm::sin(TAU * hz * n as f64 / f64::from(RATE));
        (0..16 * ms).map(|n| filter::rounded(value(n))).collect()
    }

    fn through(samples: &[i16], mut wrong: impl FnMut(usize) -> bool) -> Vec<i16> {
        let (mut encoder, mut decoder) = (Cvsd::default(), Cvsd::default());
        let bits = samples.iter().map(|sample| encoder.encode(*sample));
        bits.enumerate().map(|(n, bit)| decoder.decode(bit ^ wrong(n))).collect()
    }

    /// Signal to noise of a sine after the output filter, without the first tenth of a second.
    fn sine_snr(hz: f64, level: f64) -> f64 {
        let said = sine(hz, level, 1_000);
        let heard = filter::output(&through(&said, |_| false));
        let said = filter::output(&said);
        snr::whole(&said[800..7_600], &heard[800..7_600])
    }

    /// The recurrences, written down once more in exact fractions of real numbers: the integers
    /// stay within their rounding of them.
    #[test]
    fn the_recurrences_are_those_of_the_definition() {
        let said = sine(440.0, 7_000.0, 200);
        let mut codec = Cvsd::default();
        let (mut y, mut d, mut bits) = (0.0_f64, 128.0_f64, [true, false, true]);
        for sample in said {
            let bit = codec.encode(sample);
            bits = [bits[1], bits[2], bit];
            let run = bits == [true; 3] || bits == [false; 3];
            d += (if run { 4_096.0 } else { 128.0 } - d) / 80.0;
            y = y * 15.0 / 16.0 + if bit { d } else { -d };
            let guess = f64::from(codec.guess) / 256.0;
            // Each division is off by less than one 256th: 80 of them in the step, and 16 of
            // those in the guess.
            assert!((f64::from(codec.step) / 256.0 - d).abs() <= 80.0 / 256.0, "{d}");
            assert!((guess - y).abs() <= 16.0 * 81.0 / 256.0, "{guess} is not {y}");
        }
    }

    /// Silence is ones and zeros in turn, and ones and zeros in turn are silence.
    #[test]
    fn silence_is_the_idle_pattern() {
        let mut encoder = Cvsd::default();
        let bits: Vec<bool> = (0..1_000).map(|_| encoder.encode(0)).collect();
        assert!(bits.windows(2).all(|pair| pair[0] != pair[1]), "{:?}", &bits[..8]);
        let mut decoder = Cvsd::default();
        let loudest = bits.iter().map(|bit| decoder.decode(*bit).abs()).max().expect("bits");
        assert!(i32::from(loudest) <= SMALLEST_STEP, "{loudest}");
        let quiet = filter::output(&through(&[0; 1_600], |_| false));
        assert!(quiet[100..700].iter().all(|sample| sample.abs() <= 4), "{:?}", &quiet[100..110]);
    }

    /// A run of one bit drives the step to its largest value with the syllabic time constant of
    /// 5 ms, 63 % after 80 samples, and a broken run back (exponential approach; elementary).
    #[test]
    fn the_step_follows_runs_and_decays() {
        let mut codec = Cvsd::default();
        for _ in 0..82 {
            codec.decode(true);
        }
        let part = f64::from(codec.step() - 128) / f64::from(4_096 - 128);
        assert!((part - 0.632).abs() < 0.01, "{part}");
        for _ in 0..1_000 {
            codec.decode(true);
        }
        assert!((4_090..=4_096).contains(&codec.step()), "{}", codec.step());
        for n in 0..80 {
            codec.decode(n % 2 == 0);
        }
        let left = f64::from(codec.step() - 128) / f64::from(4_096 - 128);
        assert!((left - 0.368).abs() < 0.01, "{left}");
    }

    /// Signal to quantising noise of 16 kbit/s delta modulation with companding lies between 10
    /// and 20 dB at 800 Hz over a wide range of levels (order of magnitude of published curves;
    /// from memory), and is higher for lower frequencies: the slope is what costs.
    #[test]
    fn a_sine_comes_back_with_the_usual_noise() {
        for level in [300.0, 1_000.0, 3_000.0, 10_000.0] {
            let (low, high) = (sine_snr(400.0, level), sine_snr(800.0, level));
            assert!((10.0..=20.0).contains(&high), "{level}: {high} dB");
            assert!((14.0..=26.0).contains(&low) && low > high, "{level}: {low} and {high} dB");
        }
    }

    /// One bit in a hundred wrong leaves the voice; one in ten nearly drowns it (common practice:
    /// delta modulation has no bit that matters more than others).
    #[test]
    fn wrong_bits_cost_little_by_little() {
        let said = sine(500.0, 5_000.0, 1_000);
        let snr_at = |every: usize| {
            let heard = filter::output(&through(&said, |n| n % every == every - 1));
            snr::whole(&filter::output(&said)[800..7_600], &heard[800..7_600])
        };
        let (clean, hundredth, tenth) = (snr_at(usize::MAX), snr_at(101), snr_at(11));
        assert!(clean > 14.0 && hundredth > 6.0 && tenth > -3.0, "{clean} {hundredth} {tenth}");
        assert!(clean > hundredth && hundredth > tenth, "{clean} {hundredth} {tenth}");
    }

    /// After a burst of wrong bits, or when joined late, the decoder is where the encoder is
    /// within a few syllabic time constants.
    #[test]
    fn errors_die_away() {
        let said = sine(600.0, 6_000.0, 500);
        let clean = through(&said, |_| false);
        let upset = through(&said, |n| (1_000..1_050).contains(&n));
        let apart = |from: usize| {
            let pairs = clean[from..from + 200].iter().zip(&upset[from..from + 200]);
            pairs.map(|(a, b)| (i32::from(*a) - i32::from(*b)).abs()).max().expect("samples")
        };
        assert!(apart(1_000) > 1_000, "{}", apart(1_000));
        assert!(apart(1_050 + 10 * 80) <= 2, "{}", apart(1_050 + 800));
    }

    /// A muted output falls to nothing within a slot, without a jump.
    #[test]
    fn what_is_lost_fades() {
        let mut codec = Cvsd::default();
        let mut before = 0;
        for _ in 0..200 {
            before = codec.decode(true);
        }
        assert!(before > 10_000);
        for _ in 0..366 {
            let now = codec.mute();
            assert!(now <= before && before - now <= before / 32 + 1, "{before} to {now}");
            before = now;
        }
        assert!(before < i16::MAX / 256, "{before}");
    }
}
