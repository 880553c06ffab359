//! Proves the arithmetic between channels and frequencies on two rasters that are in real use,
//! and what an exclusion removes there.
//!
//! Sources: the 25 kHz raster of the 30 to 88 MHz band is common practice, no source; the hopping
//! sub-band 863 to 870 MHz is EN 300 220-2 V3.2.1 table C.1 and ERC/REC 70-03 annex 1, read in
//! the Swiss radio interface regulation RIR 1008/20. Numbers only: not legal advice.

use hopwright_core::band::{Exclusion, Hopset, Pick, Raster};
use hopwright_core::sequence::Sequence;
use hopwright_core::units::{Channel, Hertz, Lane};
use hopwright_tests::binomial;
use hopwright_tests::plans::{independent, key, sequence, traffic};

fn at(raster: &Raster, c: u16) -> u64 {
    raster.frequency(Channel::new(c).expect("a channel")).expect("on the raster").hz()
}

/// f(n) = 30.000 MHz + 25 kHz n, n = 0..2319 (common practice, no source).
#[test]
fn vhf_raster_of_25_khz() {
    let step = Hertz::new(25_000);
    let raster = Raster::new(Hertz::new(30_000_000), step, step, 2320).expect("a raster");
    assert_eq!(at(&raster, 0), 30_000_000);
    assert_eq!(at(&raster, 1160), 59_000_000);
    assert_eq!(at(&raster, 2319), 87_975_000);
    assert_eq!(raster.all().len(), 2320);
    assert_eq!(raster.channel_at(Hertz::new(45_125_000)), Channel::new(605));
    assert_eq!(raster.channel_at(Hertz::new(45_130_000)), None, "off the raster");
    assert_eq!(raster.channel_at(Hertz::new(88_000_000)), None, "beyond its end");
    for c in (0..2320).filter_map(Channel::new) {
        let frequency = raster.frequency(c).expect("on the raster");
        assert_eq!(raster.channel_at(frequency), Some(c));
    }
}

/// 70 slots of 100 kHz from 863.0 MHz, slot i upward from 863.0 + 0.1 i; hopping is excluded from
/// 868.6-868.7, 869.2-869.4 and 869.65-869.7 MHz; at least 47 channels are needed.
const EXCLUDED: [(u64, u64); 3] =
    [(868_600_000, 868_700_000), (869_200_000, 869_400_000), (869_650_000, 869_700_000)];

fn srd_band(occupied: u64) -> (Vec<u16>, u16) {
    let base = Hertz::new(863_050_000);
    let raster =
        Raster::new(base, Hertz::new(100_000), Hertz::new(occupied), 70).expect("a raster");
    let mut allowed = raster.all();
    for (from, to) in EXCLUDED {
        let exclusion = Exclusion::Band { from: Hertz::new(from), to: Hertz::new(to) };
        allowed.remove_all(&raster.excluded_by(exclusion));
    }
    let hopset: Hopset<70> =
        Hopset::derive(&key(1), &raster, &allowed, Pick::All, None, Lane::ZERO).expect("channels");
    let gone = (0..70).filter(|c| !hopset.contains(Channel::new(*c).expect("a channel")));
    (gone.collect(), hopset.len())
}

/// The published plan: 66 usable. It takes neighbours that share no more than an edge as usable;
/// so does the core once a channel occupies a hertz or two less than its spacing.
#[test]
fn hopping_plan_863_to_870_mhz() {
    assert_eq!(srd_band(99_998), (vec![56, 62, 63, 66], 66));
}

/// With channels that occupy their whole spacing, specification section 2 lets a shared edge
/// count as a touch: five more go, and 61 are still more than 47.
#[test]
fn a_shared_edge_excludes_the_neighbour() {
    assert_eq!(srd_band(100_000), (vec![55, 56, 57, 61, 62, 63, 64, 66, 67], 61));
}

/// With a tenth of the band jammed, all of 8 hops miss the jammer with 0.9^8 = 0.4304672 (common
/// practice, no source). Band: binomial, once in 10^9 outside.
#[test]
fn eight_hops_miss_a_jammer_on_a_tenth_of_the_band() {
    let chance = 0.9_f64.powi(8);
    assert!((chance - 0.4304672).abs() < 5e-8);
    let sequence: Sequence<250> = sequence(&key(11), 250, independent());
    let hops = traffic(&sequence, 0, 8 * 20_000);
    // A block of 25 neighbours, as a jammer of that bandwidth covers them.
    let missed = hops.chunks_exact(8).filter(|eight| eight.iter().all(|c| !(100..125).contains(c)));
    let missed = missed.count() as u64;
    let (few, many) = binomial::band(20_000, chance, 1e-9);
    assert!((few..=many).contains(&missed), "{missed} of 20 000, key 11");
}
