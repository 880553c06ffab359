//! Proves that independent draws resemble neither themselves later nor another key's, and first
//! that the correlation harness gives the values of families for which they are known exactly.
//!
//! Sources: A. Lempel and H. Greenberger, IEEE Trans. IT-20, 1974, 90-94 (bound and family);
//! D. Peng and P. Fan, IEEE Trans. IT-50, 2004, 2149-2154 (bounds). Both formulas are from
//! memory; they are supported here by exhaustive search over small cases and by a family that
//! meets them. Coincidences of independent sequences are binomial (elementary).
//!
//! False alarms: each band is left by chance once in 10^9; about 500 are tried.

use hopwright_core::sequence::Sequence;
use hopwright_tests::binomial;
use hopwright_tests::correlation::{
    hamming, hit_chance, lempel_greenberger, off_peak, peng_fan, serial,
};
use hopwright_tests::plans::{independent, key, sequence, traffic};
use hopwright_tests::real_len;

const BOTH_TAILS: f64 = 1e-9;
/// Standard deviations of a normal variable that 10^-9 of its values exceed, both tails.
const SIGMAS: f64 = 6.11;

/// Windows of two symbols of the m-sequence of x^4 + x + 1; the others are its translates.
fn lempel_greenberger_family() -> [Vec<u16>; 4] {
    let mut bits = vec![0_u16, 0, 0, 1];
    for i in 0..15 {
        bits.push(bits[i] ^ bits[i + 1]);
    }
    let first: Vec<u16> = (0..15).map(|i| 2 * bits[i] + bits[i + 1]).collect();
    [0, 1, 2, 3].map(|k| first.iter().map(|x| x ^ k).collect())
}

#[test]
fn the_published_family_is_measured_exactly() {
    let family = lempel_greenberger_family();
    assert_eq!(family[0], [0, 0, 1, 2, 0, 1, 3, 2, 1, 2, 1, 3, 3, 3, 2]);
    for (i, a) in family.iter().enumerate() {
        for (j, b) in family.iter().enumerate() {
            for shift in 0..15 {
                let expected = match (i == j, shift == 0) {
                    (true, true) => 15,
                    (true, false) => 3,
                    (false, true) => 0,
                    (false, false) => 4,
                };
                assert_eq!(hamming(a, b, shift), expected, "{i}, {j}, shift {shift}");
            }
        }
        // It meets both bounds.
        assert_eq!(off_peak(a), 3);
    }
    let (numerator, denominator) = lempel_greenberger(15, 4);
    assert_eq!(numerator.div_ceil(denominator), 3);
    assert_eq!(peng_fan(15, 4, 4), (4, 4));
}

/// s_a(i) = a i mod 7 (elementary).
#[test]
fn the_linear_family_is_measured_exactly() {
    let member = |a: u16| (0..7).map(|i| a * i % 7).collect::<Vec<_>>();
    for a in 1..7 {
        assert_eq!(off_peak(&member(a)), 0);
        for b in (1..7).filter(|b| *b != a) {
            for shift in 0..7 {
                assert_eq!(hamming(&member(a), &member(b), shift), 1, "{a}, {b}, shift {shift}");
            }
        }
    }
}

#[test]
fn bounds_of_the_published_table() {
    let table = [
        ((15, 4), (168, 56), 3),
        ((24, 5), (460, 115), 4),
        ((31, 8), (720, 240), 3),
        ((63, 8), (3472, 496), 7),
        ((100, 10), (9000, 990), 10),
        ((255, 16), (60960, 4064), 15),
        ((256, 50), (53000, 12750), 5),
        ((1000, 50), (950000, 49950), 20),
        ((1023, 32), (1013824, 32704), 31),
        ((4095, 64), (16507008, 262016), 63),
    ];
    for ((n, q), fraction, bound) in table {
        assert_eq!(lempel_greenberger(n, q), fraction, "N = {n}, q = {q}");
        assert_eq!(fraction.0.div_ceil(fraction.1), bound, "N = {n}, q = {q}");
    }
    let pairs = [
        ((15, 4, 4), (4, 4)),
        ((24, 5, 5), (5, 5)),
        ((31, 8, 4), (4, 4)),
        ((63, 8, 8), (8, 8)),
        ((255, 16, 16), (16, 16)),
        ((255, 50, 8), (5, 5)),
        ((1000, 50, 8), (20, 20)),
    ];
    for ((n, q, m), bounds) in pairs {
        assert_eq!(peng_fan(n, q, m), bounds, "N = {n}, q = {q}, M = {m}");
    }
}

/// The true minimum over all sequences: the bound, but for N = 6, q = 2, where it is one more.
#[test]
fn no_sequence_beats_the_bound() {
    let cases = [
        ((4_u32, 2_u16), 2),
        ((6, 2), 4),
        ((7, 2), 3),
        ((6, 3), 2),
        ((7, 3), 2),
        ((9, 3), 3),
        ((7, 4), 1),
        ((8, 4), 2),
    ];
    for ((n, q), minimum) in cases {
        let all = u32::from(q).pow(n);
        let least = (0..all).map(|code| {
            let digits = (0..n).map(|i| code / u32::from(q).pow(i) % u32::from(q));
            off_peak(&digits.collect::<Vec<_>>())
        });
        let least = least.min().expect("sequences");
        assert_eq!(least, minimum, "N = {n}, q = {q}");
        let (numerator, denominator) = lempel_greenberger(u64::from(n), u64::from(q));
        assert!(least >= numerator.div_ceil(denominator));
    }
}

/// The table of 99.9 % bands (computed independently).
#[test]
fn bands_of_the_published_table() {
    let table = [
        ((1_000, 50), (7, 36)),
        ((4_096, 79), (30, 77)),
        ((10_000, 256), (20, 61)),
        ((100_000, 2320), (23, 66)),
        ((1_000_000, 256), (3703, 4113)),
    ];
    for ((length, q), band) in table {
        assert_eq!(
            binomial::band(length, 1.0 / f64::from(q), 0.001),
            band,
            "L = {length}, q = {q}"
        );
    }
}

#[test]
fn a_repeating_sequence_has_serial_correlation() {
    let ramp: Vec<u16> = (0..10_000).map(|i| i % 50).collect();
    assert!(serial(&ramp, 1) > 0.8);
    assert!((serial(&ramp, 50) - 1.0).abs() < 1e-9);
    let swing: Vec<u16> = (0..10_000).map(|i| i % 2).collect();
    assert!((serial(&swing, 1) + 1.0).abs() < 1e-9);
}

#[test]
fn independent_draws_do_not_depend_on_earlier_ones() {
    let draws = 100_000;
    for number in 0..6 {
        let sequence: Sequence<256> = sequence(&key(number), 256, independent());
        let x = traffic(&sequence, 1_000_003 * u32::from(number), draws);
        // Lags of a block, a frame and a window besides the next ones.
        for lag in [1, 2, 3, 4, 5, 7, 8, 15, 16, 17, 28, 32, 64, 256] {
            let n = real_len(draws);
            let off = (serial(&x, lag) + 1.0 / (n - 1.0)) * n.sqrt();
            assert!(off.abs() < SIGMAS, "key {number}, lag {lag}: {off} standard deviations");
        }
    }
}

/// Coincidences under two keys, at several shifts: in the band of independent sequences, and at
/// the published 99.9 % no more often outside than chance allows.
fn keys_are_unrelated<const N: usize>(channels: u16, length: usize, published: (u64, u64)) {
    let keys = 6;
    let hops = |number| traffic(&sequence::<N>(&key(number), channels, independent()), 0, length);
    let all: Vec<Vec<u16>> = (0..keys).map(hops).collect();
    let chance = 1.0 / f64::from(channels);
    let (few, many) = binomial::band(length as u64, chance, BOTH_TAILS);
    let (mut tried, mut outside) = (0, 0);
    for (i, a) in all.iter().enumerate() {
        for (j, b) in all.iter().enumerate().skip(i + 1) {
            for shift in [0, 1, 7, 128, length / 2] {
                let hits = hamming(a, b, shift);
                assert!((few..=many).contains(&hits), "keys {i}, {j}, shift {shift}: {hits} hits");
                tried += 1;
                outside += u64::from(!(published.0..=published.1).contains(&hits));
            }
        }
    }
    let limit = binomial::quantile(tried, 0.001, 1.0 - BOTH_TAILS);
    assert!(outside <= limit, "{outside} of {tried} outside {published:?}, {channels} channels");
}

#[test]
fn different_keys_meet_as_often_as_chance_on_50_channels() {
    keys_are_unrelated::<50>(50, 1_000, (7, 36));
}

#[test]
fn different_keys_meet_as_often_as_chance_on_79_channels() {
    keys_are_unrelated::<79>(79, 4_096, (30, 77));
}

#[test]
fn different_keys_meet_as_often_as_chance_on_256_channels() {
    keys_are_unrelated::<256>(256, 10_000, (20, 61));
}

#[test]
fn different_keys_meet_as_often_as_chance_on_2320_channels() {
    keys_are_unrelated::<2320>(2320, 100_000, (23, 66));
}

/// A key against itself, later: the same rule. (A shift of nothing would coincide always.)
#[test]
fn a_key_meets_itself_later_as_often_as_chance() {
    let x = traffic(&sequence::<50>(&key(7), 50, independent()), 0, 10_000);
    let (few, many) = binomial::band(10_000, 1.0 / 50.0, BOTH_TAILS);
    assert_eq!(hamming(&x, &x, 0), 10_000);
    for shift in (1..60).chain([127, 128, 1_000, 4_096, 5_000]) {
        let hits = hamming(&x, &x, shift);
        assert!((few..=many).contains(&hits), "shift {shift}: {hits} hits");
    }
}

/// Several independent nets on one hopset, slots aligned: 1 - (1 - 1/q)^(K - 1) (elementary).
#[test]
fn several_nets_hit_each_other_as_often_as_published() {
    let table = [
        ((50, 5), 0.0776318),
        ((256, 5), 0.0155337),
        ((256, 20), 0.0716664),
        ((2320, 20), 0.0081580),
    ];
    for ((q, nets), chance) in table {
        assert!((hit_chance(q, nets) - chance).abs() < 5e-8, "{nets} nets on {q} channels");
    }
    let length = 20_000;
    let hops = |number| traffic(&sequence::<50>(&key(number), 50, independent()), 0, length);
    let nets: Vec<Vec<u16>> = (20..25).map(hops).collect();
    let hit = |i: &usize| nets[1..].iter().any(|other| other[*i] == nets[0][*i]);
    let hits = (0..length).filter(hit).count() as u64;
    let (few, many) = binomial::band(length as u64, hit_chance(50, 5), BOTH_TAILS);
    assert!((few..=many).contains(&hits), "{hits} of {length}");
}
