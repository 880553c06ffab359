//! Numbers by chance that do not depend on the order in which they are asked for.

/// The finaliser of SplitMix64: spreads numbers that are alike (G. Steele, D. Lea, C. Flood, Fast
/// Splittable Pseudorandom Number Generators, 2014; citation from memory).
pub(super) const fn mix(z: u64) -> u64 {
    let z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A number in `0.0..1.0` from the upper bits.
pub(crate) fn unit(z: u64) -> f64 {
    (z >> 11) as f64 / (1_u64 << 53) as f64
}

/// Two independent standard normal deviates (G. Box and M. Muller, 1958).
pub(super) fn normals(z: u64) -> (f64, f64) {
    // 1 - u is never 0.
    let length = libm::sqrt(-2.0 * libm::log(1.0 - unit(mix(z))));
    let angle = 2.0 * core::f64::consts::PI * unit(mix(z ^ 0xA5A5_A5A5_A5A5_A5A5));
    (length * libm::cos(angle), length * libm::sin(angle))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First four moments of 200 000 deviates, each within four standard errors: `1 / n`, `2 / n`,
    /// `15 / n` and `96 / n` are the variances of the first four sample moments (elementary).
    #[test]
    fn moments_of_the_normal_distribution() {
        let n = 100_000_u64;
        let all: Vec<f64> = (0..n).flat_map(|i| <[f64; 2]>::from(normals(i))).collect();
        let moment = |power| all.iter().map(|x| x.powi(power)).sum::<f64>() / all.len() as f64;
        for (power, value, variance) in
            [(1, 0.0, 1.0), (2, 1.0, 2.0), (3, 0.0, 15.0), (4, 3.0, 96.0)]
        {
            let error = 4.0 * f64::sqrt(variance / all.len() as f64);
            assert!((moment(power) - value).abs() < error, "moment {power}: {}", moment(power));
        }
    }
}
