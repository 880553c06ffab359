//! Proves that independent draws use all channels equally, no better and no worse than chance,
//! and first that the chi-square harness can tell all three cases.
//!
//! Sources: critical values, NIST/SEMATECH e-Handbook section 1.3.6.7.4 (three decimals; the file
//! was recomputed independently); channel selection algorithm #2, Bluetooth Core, volume 6 part B
//! section 4.5.8.3, sample data in volume 6 part C section 3. That algorithm is in here to test
//! the harness: over its period it is a permutation, which a test of the upper tail alone calls
//! perfect.
//!
//! False alarms: [`LEVEL`] a tail, less than 200 tails, so less than one in a million had the
//! keys been drawn afresh.

use hopwright_core::keys::{Label, Words};
use hopwright_core::sequence::{Cursor, Sequence, SlotKind, Structure, Timeline};
use hopwright_core::units::Slot;
use hopwright_tests::chi_square::{Fit, Verdict, lower, upper};
use hopwright_tests::plans::{independent, key, sequence, traffic};

const LEVEL: f64 = 5e-9;

fn count(values: impl IntoIterator<Item = u16>, cells: usize) -> Vec<u64> {
    let mut counts = vec![0; cells];
    values.into_iter().for_each(|value| counts[usize::from(value)] += 1);
    counts
}

/// Each tabulated value, to its three decimals, against the distribution function in use.
#[test]
fn critical_values_are_the_published_ones() {
    let mut lines = include_str!("../../data/chi2-critical.csv").lines();
    let names: Vec<&str> = lines.next().expect("a head").split(',').skip(1).collect();
    let mut checked = 0;
    for line in lines {
        let mut fields = line.split(',');
        let freedom: u64 = fields.next().expect("df").parse().expect("df");
        for (name, field) in names.iter().zip(fields) {
            let (tail, level) = name.split_once('_').expect("tail and level");
            let level: f64 = level.parse().expect("a level");
            let value: f64 = field.parse().expect("a critical value");
            let (below, above) = (value - 0.00051, value + 0.00051);
            let hit = match tail {
                "upper" => upper(freedom, above) <= level && level <= upper(freedom, below),
                "lower" => lower(freedom, below) <= level && level <= lower(freedom, above),
                other => panic!("no tail {other}"),
            };
            assert!(hit, "df {freedom}, {name}: {value}");
            checked += 1;
        }
    }
    assert!(checked >= 1_000, "only {checked} values");
}

/// Two small examples with known P-values (computed with an independent library).
#[test]
fn small_examples() {
    let uneven = Fit::uniform(&[8, 9, 19, 6, 8, 10]);
    assert!((uneven.statistic - 10.6).abs() < 1e-9 && (uneven.upper - 0.0599136).abs() < 5e-8);
    let even = Fit::uniform(&[16, 18, 16, 14, 12, 12]);
    assert!((even.statistic - 2.0).abs() < 1e-9 && (even.upper - 0.8491450).abs() < 5e-8);
}

/// Channel selection algorithm #2 of the source named above: the number from which the channel
/// of event `counter` is made.
fn prn(counter: u16, identifier: u16) -> u16 {
    let mut u = counter ^ identifier;
    for _ in 0..3 {
        let [low, high] = u.to_le_bytes();
        u = u16::from_le_bytes([low.reverse_bits(), high.reverse_bits()]);
        u = u.wrapping_mul(17).wrapping_add(identifier);
    }
    u ^ identifier
}

/// 0x8E89 xor 0xBED6, from the access address of the sample data.
const IDENTIFIER: u16 = 0x305F;
const NINE: [u16; 9] = [9, 10, 21, 22, 23, 33, 34, 35, 36];

fn of_nine(number: u16) -> u16 {
    let unmapped = number % 37;
    let index = usize::try_from((9 * u32::from(number)) >> 16).expect("below 9");
    if NINE.contains(&unmapped) { unmapped } else { NINE[index] }
}

#[test]
fn the_published_selection_is_reproduced() {
    for line in include_str!("../../data/csa2-0x8e89bed6.csv").lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let field = |i: usize| fields[i].parse::<u16>().expect("a number");
        let number = prn(field(0), IDENTIFIER);
        assert_eq!(number, field(1), "{line}");
        assert_eq!(number % 37, field(3), "{line}");
        assert_eq!(of_nine(number), field(5), "{line}");
    }
    assert_eq!([0, 1, 2, 3].map(|e| prn(e, IDENTIFIER) % 37), [25, 20, 6, 21]);
    assert_eq!([6, 7, 8].map(|e| of_nine(prn(e, IDENTIFIER))), [23, 9, 34]);
}

/// Chi-square 0.003845 with 36 degrees of freedom, 0.003235 with 8: too uniform, and nothing that
/// the upper tail would notice.
#[test]
fn a_permutation_is_called_too_uniform() {
    let all = Fit::uniform(&count((0..=u16::MAX).map(|e| prn(e, IDENTIFIER) % 37), 37));
    assert!((all.statistic - 0.003845).abs() < 5e-7, "{all:?}");
    assert!(all.lower < 1e-64 && all.upper > 0.999_999, "{all:?}");
    assert_eq!(all.verdict(LEVEL), Verdict::TooUniform);

    let nine = count((0..=u16::MAX).map(|e| of_nine(prn(e, IDENTIFIER))), 37);
    let used: Vec<u64> = NINE.iter().map(|c| nine[usize::from(*c)]).collect();
    assert_eq!(used, [7284, 7281, 7282, 7282, 7279, 7284, 7280, 7283, 7281]);
    let nine = Fit::uniform(&used);
    assert!((nine.statistic - 0.003235).abs() < 5e-7 && nine.lower < 1e-12, "{nine:?}");
    assert_eq!(nine.verdict(LEVEL), Verdict::TooUniform);
}

/// The other case that must be noticed: a modulo draw from 16 bits, whose most likely channels
/// are 29/28 as likely as the least (elementary).
#[test]
fn a_modulo_draw_is_called_too_uneven() {
    let subkey = key(1).subkey(Label::Hop);
    let mut words = Words::new(0);
    let halves = (0..2_000_000).flat_map(|i| {
        let [a, b, c, d] = words.word(&subkey, i).to_le_bytes();
        [u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d])]
    });
    let fit = Fit::uniform(&count(halves.map(|half| half % 2320), 2320));
    assert_eq!(fit.verdict(LEVEL), Verdict::TooUneven, "{fit:?}");
}

const KEYS: u8 = 8;

fn fair_use<const N: usize>(channels: u16) {
    let draws = 400 * usize::from(channels);
    for number in 0..KEYS {
        let sequence: Sequence<N> = sequence(&key(number), channels, independent());
        // Far from the start, where a table of the first hops would be of no help.
        let from = 0x1000_0000 * u32::from(number);
        let used = count(traffic(&sequence, from, draws), usize::from(channels));
        let fit = Fit::uniform(&used);
        assert_eq!(fit.freedom, u64::from(channels) - 1);
        assert_eq!(fit.verdict(LEVEL), Verdict::Fair, "key {number}, {channels} channels: {fit:?}");
    }
}

#[test]
fn fifty_channels_are_used_equally() {
    fair_use::<50>(50);
}

#[test]
fn a_hundred_and_twenty_eight_channels_are_used_equally() {
    fair_use::<128>(128);
}

#[test]
fn two_hundred_and_fifty_six_channels_are_used_equally() {
    fair_use::<256>(256);
}

#[test]
fn all_2320_channels_of_a_vhf_raster_are_used_equally() {
    fair_use::<2320>(2320);
}

/// The promise of the balanced draw is another: each channel exactly once a cycle, which the
/// harness must call too uniform.
#[test]
fn balanced_draws_are_more_uniform_than_chance() {
    let sequence: Sequence<128> = sequence(&key(2), 128, Structure::default());
    let used = count(traffic(&sequence, 0, 128 * 400), 128);
    let fit = Fit::uniform(&used);
    assert_eq!((fit.statistic, fit.verdict(LEVEL)), (0.0, Verdict::TooUniform));
}

/// The place of the sync slot in its frame is drawn evenly.
#[test]
fn sync_slots_take_every_place_of_the_frame_equally() {
    for frame in [2, 7, 8, 64] {
        for number in 0..KEYS {
            let structure = Structure { frame, ..independent() };
            let sequence: Sequence<50> = sequence(&key(number), 50, structure);
            let mut cursor = Cursor::new(&sequence, Timeline::Home);
            let mut places = vec![0_u64; usize::from(frame)];
            for h in 0..20_000 * u32::from(frame) {
                if cursor.hop(&sequence, Slot::new(h)).kind == SlotKind::Sync {
                    places[usize::try_from(h % u32::from(frame)).expect("below 64")] += 1;
                }
            }
            assert_eq!(places.iter().sum::<u64>(), 20_000, "one a frame");
            let fit = Fit::uniform(&places);
            assert_eq!(fit.verdict(LEVEL), Verdict::Fair, "key {number}, frame {frame}: {fit:?}");
        }
    }
}
