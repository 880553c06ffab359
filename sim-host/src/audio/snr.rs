//! How much of what was said was heard: segmental signal-to-noise ratio.

/// Samples of a segment: 16 ms at 8 kHz.
pub const SEGMENT: usize = 128;
/// What a segment counts at least and at most, dB. J. Hansen and B. Pellom, "An effective quality
/// evaluation protocol for speech enhancement algorithms" (1998), from memory: beyond these a
/// listener notices no difference.
pub const LIMITS_DB: (f64, f64) = (-10.0, 35.0);
/// Segments so far below the loudest are pauses and do not count. Ours.
pub const PAUSE_DB: f64 = 40.0;

/// The mean over segments of the ratio of signal to noise in dB, each within [`LIMITS_DB`]
/// (N. S. Jayant and P. Noll, Digital Coding of Waveforms, on the segmental SNR). What was heard
/// is not shifted or scaled to fit. `None` if nothing was said.
#[must_use]
pub fn segmental(said: &[i16], heard: &[i16]) -> Option<f64> {
    let segments = || said.chunks_exact(SEGMENT).zip(heard.chunks_exact(SEGMENT));
    let loudest = segments().map(|(said, _)| energy(said)).fold(0.0, f64::max);
    let least = loudest * libm::pow(10.0, -PAUSE_DB / 10.0);
    let (mut sum, mut count) = (0.0, 0.0);
    for (said, heard) in segments().filter(|(said, _)| energy(said) > least) {
        sum += whole(said, heard).clamp(LIMITS_DB.0, LIMITS_DB.1);
        count += 1.0;
    }
    (count > 0.0).then(|| sum / count)
}

/// The ratio of signal to noise over the whole, dB.
#[must_use]
pub fn whole(said: &[i16], heard: &[i16]) -> f64 {
    let noise = |(a, b): (&i16, &i16)| {
        let difference = f64::from(*a) - f64::from(*b);
        difference * difference
    };
    let noise: f64 = said.iter().zip(heard).map(noise).sum();
    10.0 * libm::log10(energy(said) / noise)
}

fn energy(samples: &[i16]) -> f64 {
    samples.iter().map(|sample| f64::from(*sample) * f64::from(*sample)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: a tenth of the amplitude as noise is 20 dB; nothing heard is 0 dB; the same heard
    /// is the upper limit.
    #[test]
    fn segments_are_averaged_in_decibels() {
        let said: Vec<i16> =
            (0..4 * SEGMENT).map(|n| if n % 2 == 0 { 1_000 } else { -1_000 }).collect();
        let with = |noise: &dyn Fn(usize) -> i16| -> Vec<i16> {
            said.iter().enumerate().map(|(n, s)| s + noise(n / SEGMENT)).collect()
        };
        let close = |heard: &[i16], db: f64| {
            let got = segmental(&said, heard).expect("something was said");
            assert!((got - db).abs() < 1e-9, "{got} is not {db}");
        };
        close(&with(&|_| 100), 20.0);
        close(&vec![0; said.len()], 0.0);
        close(&said, 35.0);
        close(&with(&|_| 30_000), -10.0);
        close(&with(&|segment| if segment == 0 { 100 } else { 10 }), (20.0 + 3.0 * 35.0) / 4.0);
    }

    #[test]
    fn pauses_do_not_count() {
        let mut said = vec![1_000_i16; 2 * SEGMENT];
        said[..SEGMENT].fill(9);
        let mut heard = said.clone();
        heard[..SEGMENT].fill(-5_000);
        assert_eq!(segmental(&said, &heard), Some(35.0));
        assert_eq!(segmental(&[0; 1_000], &[5; 1_000]), None);
        assert_eq!(segmental(&[], &[]), None);
    }
}
