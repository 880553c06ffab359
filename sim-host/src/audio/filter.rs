//! Between 8 and 16 kHz: one low-pass filter, before the coder and after it.
//!
//! A linear-phase filter of 63 taps at 16 kHz, a windowed sinc (Hamming) with its edge at
//! 3.4 kHz, the telephone band's (A. Oppenheim and R. Schafer, Discrete-Time Signal Processing,
//! on design by windowing). It delays nothing: each output lies in the middle of its inputs, and
//! beyond both ends there is silence.

use super::cvsd::RATE;

/// The edge of the pass band.
const EDGE_HZ: f64 = 3_400.0;
const TAPS: usize = 63;

/// Samples in a second of what is written.
pub const OUTPUT_RATE: u32 = 8_000;

/// The coder's input from samples at 8 or 16 kHz: samples at 16 kHz, band-limited.
#[must_use]
pub fn input(samples: &[i16], rate: u32) -> Vec<i16> {
    if rate == RATE {
        return low_pass(samples, 1.0);
    }
    // Each sample and a zero: twice the rate, half the level.
    let spread: Vec<i16> = samples.iter().flat_map(|sample| [*sample, 0]).collect();
    low_pass(&spread, 2.0)
}

/// What is written of samples at 16 kHz: band-limited, every other one.
#[must_use]
pub fn output(samples: &[i16]) -> Vec<i16> {
    low_pass(samples, 1.0).into_iter().step_by(2).collect()
}

fn low_pass(samples: &[i16], gain: f64) -> Vec<i16> {
    let taps = taps();
    let middle = TAPS / 2;
    let sum = |n: usize| {
        let mut sum = 0.0;
        for (k, tap) in taps.iter().enumerate() {
            if let Some(sample) = (n + middle).checked_sub(k).and_then(|i| samples.get(i)) {
                sum += tap * f64::from(*sample);
            }
        }
        rounded(gain * sum)
    };
    (0..samples.len()).map(sum).collect()
}

fn taps() -> [f64; TAPS] {
    use core::f64::consts::{PI, TAU};
    let edge = EDGE_HZ / f64::from(RATE);
    let mut taps = [0.0; TAPS];
    for (n, tap) in taps.iter_mut().enumerate() {
        let at = n as f64 - (TAPS / 2) as f64;
        let sinc = if at == 0.0 { 2.0 * edge } else { libm::sin(TAU * edge * at) / (PI * at) };
        *tap = sinc * (0.54 - 0.46 * libm::cos(TAU * n as f64 / (TAPS - 1) as f64));
    }
    let whole: f64 = taps.iter().sum();
    taps.map(|tap| tap / whole)
}

/// The nearest 16-bit sample.
pub(super) fn rounded(value: f64) -> i16 {
    let value = libm::round(value).clamp(f64::from(i16::MIN), f64::from(i16::MAX));
    #[expect(clippy::cast_possible_truncation, reason = "whole and within 16 bits")]
    let sample = value as i16;
    sample
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;

    fn sine(hz: f64, rate: f64) -> Vec<i16> {
        let value = |n: usize| 10_000.0 * libm::sin(TAU * hz * n as f64 / rate);
        (0..4_000).map(|n| rounded(value(n))).collect()
    }

    fn level(samples: &[i16]) -> f64 {
        let sum: f64 = samples[500..1_500].iter().map(|s| f64::from(*s) * f64::from(*s)).sum();
        libm::sqrt(sum / 1_000.0) / (10_000.0 / libm::sqrt(2.0))
    }

    /// The voice band passes, and what would fold back at 8 kHz does not (a Hamming window's side
    /// lobes lie 53 dB down; Oppenheim and Schafer, table of windows).
    #[test]
    fn the_voice_band_passes_and_nothing_else() {
        for hz in [300.0, 1_000.0, 3_000.0] {
            let part = level(&output(&sine(hz, 16_000.0)));
            assert!((part - 1.0).abs() < 0.02, "{hz} Hz: {part}");
        }
        for hz in [4_000.0, 5_000.0, 7_500.0] {
            let part = level(&output(&sine(hz, 16_000.0)));
            assert!(part < 0.01, "{hz} Hz: {part}");
        }
    }

    /// Up and down again is the same signal at the same time.
    #[test]
    fn up_and_down_is_where_it_was() {
        let said = sine(1_000.0, 8_000.0);
        let back = output(&input(&said, 8_000));
        assert_eq!(back.len(), said.len());
        for (a, b) in said[100..3_900].iter().zip(&back[100..3_900]) {
            assert!((i32::from(*a) - i32::from(*b)).abs() <= 60, "{a} and {b}");
        }
        assert_eq!(input(&said, 16_000).len(), said.len());
    }
}
