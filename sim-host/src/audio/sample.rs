//! A sample of a voice that nobody has: pulses and noise through resonators.
//!
//! The classical model of speech (D. Klatt, "Software for a cascade/parallel formant
//! synthesizer", JASA 67, 1980): a source, voiced or breathed, goes through three second-order
//! resonators whose frequencies glide from sound to sound. The frequencies of the vowels are
//! those of G. Peterson and H. Barney, "Control methods used in a study of the vowels", JASA 24
//! (1952), rounded. It says nothing in particular.

use super::cvsd::RATE;
use super::filter::rounded;
use core::f64::consts::PI;

/// A sound: length in ms, formants in Hz, level of the voice and of the breath.
struct Sound(u32, [f64; 3], f64, f64);

const AH: [f64; 3] = [730.0, 1_090.0, 2_440.0];
const EE: [f64; 3] = [270.0, 2_290.0, 3_010.0];
const OO: [f64; 3] = [300.0, 870.0, 2_240.0];
const EH: [f64; 3] = [530.0, 1_840.0, 2_480.0];
const AW: [f64; 3] = [570.0, 840.0, 2_410.0];
const ER: [f64; 3] = [490.0, 1_350.0, 1_690.0];

const SOUNDS: &[Sound] = &[
    Sound(120, EH, 0.0, 0.0),
    Sound(170, AH, 1.0, 0.0),
    Sound(150, EE, 0.9, 0.0),
    Sound(70, EE, 0.0, 0.5),
    Sound(190, AW, 1.0, 0.0),
    Sound(60, OO, 0.0, 0.0),
    Sound(160, OO, 0.9, 0.0),
    Sound(180, ER, 0.8, 0.05),
    Sound(220, EH, 0.0, 0.0),
    Sound(80, EH, 0.0, 0.6),
    Sound(200, EH, 1.0, 0.0),
    Sound(170, AH, 1.0, 0.0),
    Sound(60, AH, 0.0, 0.0),
    Sound(150, AW, 0.9, 0.0),
    Sound(210, EE, 1.0, 0.0),
    Sound(300, EE, 0.0, 0.0),
    Sound(160, OO, 0.9, 0.0),
    Sound(150, AH, 1.0, 0.0),
    Sound(90, ER, 0.2, 0.5),
    Sound(180, ER, 1.0, 0.0),
    Sound(190, EE, 0.9, 0.0),
    Sound(70, AW, 0.0, 0.0),
    Sound(240, AW, 1.0, 0.0),
    Sound(200, AW, 0.0, 0.0),
];

/// Nearly four seconds of it, at 16 kHz.
#[must_use]
pub fn built_in() -> Vec<i16> {
    let rate = f64::from(RATE);
    let mut tract = [[0.0_f64; 2]; 3];
    let (mut phase, mut noise) = (0.0_f64, 1_u32);
    let (mut formants, mut voice, mut breath) = (EH, 0.0, 0.0);
    let mut out = Vec::new();
    for Sound(ms, wanted, wanted_voice, wanted_breath) in SOUNDS {
        for _ in 0..RATE * ms / 1_000 {
            // Everything glides: formants within 25 ms, levels within 8 ms.
            for (formant, wanted) in formants.iter_mut().zip(wanted) {
                *formant += (wanted - *formant) / (0.025 * rate);
            }
            voice += (wanted_voice - voice) / (0.008 * rate);
            breath += (wanted_breath - breath) / (0.008 * rate);
            // The pitch falls through the utterance and sways a little.
            let at = out.len() as f64 / rate;
            let pitch = 128.0 - 7.0 * at + 5.0 * libm::sin(2.0 * PI * 2.3 * at);
            phase += pitch / rate;
            phase -= libm::floor(phase);
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let hiss = f64::from(noise >> 16) / 32_768.0 - 1.0;
            // The cords open slowly and close quickly.
            let pulse = if phase < 0.6 { libm::sin(PI * phase / 0.6) } else { 0.0 };
            let mut sample = voice * (pulse - 0.38) + breath * 0.35 * hiss;
            for ((state, hz), width) in tract.iter_mut().zip(formants).zip([70.0, 100.0, 140.0]) {
                sample = resonate(state, hz, width, rate, sample);
            }
            out.push(rounded(sample * LEVEL));
        }
    }
    out
}

/// Brings the loudest vowel to about a third of full scale.
const LEVEL: f64 = 12_000.0;

/// A second-order resonator of gain 1 at 0 Hz (Klatt 1980, equations 1 and 2).
fn resonate(state: &mut [f64; 2], hz: f64, width_hz: f64, rate: f64, input: f64) -> f64 {
    let c = -libm::exp(-2.0 * PI * width_hz / rate);
    let b = 2.0 * libm::exp(-PI * width_hz / rate) * libm::cos(2.0 * PI * hz / rate);
    let out = (1.0 - b - c) * input + b * state[0] + c * state[1];
    *state = [out, state[0]];
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_loud_enough_never_clips_and_has_pauses() {
        let sample = built_in();
        assert_eq!(sample.len(), SOUNDS.iter().map(|s| s.0 as usize).sum::<usize>() * 16);
        let loudest = sample.iter().map(|s| s.unsigned_abs()).max().expect("samples");
        assert!((8_000..24_000).contains(&loudest), "{loudest}");
        let quiet = sample.chunks(320).filter(|c| c.iter().all(|s| s.abs() < 100)).count();
        assert!((10..60).contains(&quiet), "{quiet} of {}", sample.len() / 320);
        assert_eq!(sample, built_in());
    }

    /// The first vowel rings where Peterson and Barney's "ah" does: there is more at its first
    /// formant than between and beyond its formants.
    #[test]
    fn the_first_vowel_has_its_formants() {
        let sample = built_in();
        let vowel = &sample[16 * 200..16 * 280];
        let at = |hz: f64| {
            let turn = |n: usize| 2.0 * PI * hz * n as f64 / f64::from(RATE);
            let part = |f: fn(f64) -> f64| {
                let sum = vowel.iter().enumerate().map(|(n, s)| f64::from(*s) * f(turn(n)));
                sum.sum::<f64>()
            };
            libm::hypot(part(libm::cos), part(libm::sin))
        };
        // The strongest harmonic within a band: they lie some 125 Hz apart.
        let band = |from: u32, to: u32| {
            (from..to).step_by(10).map(|hz| at(f64::from(hz))).fold(0.0, f64::max)
        };
        let (first, second, beyond) = (band(650, 810), band(1_010, 1_170), band(1_600, 1_900));
        assert!(first > 3.0 * beyond && second > 2.0 * beyond, "{first} {second} {beyond}");
    }
}
