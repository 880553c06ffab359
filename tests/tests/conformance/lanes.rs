//! Proves that lanes share no channel and that no excluded channel is in any hopset, for every
//! plan tried (specification section 2; section 12, invariants 1 and 5). Common practice, no
//! further source.

use hopwright_core::band::{Hopset, HopsetError, LaneKind, Lanes, Pick};
use hopwright_core::keys::NetKey;
use hopwright_core::units::{Channel, Lane};
use hopwright_tests::bench::{Band, below};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

const PLANS: u32 = 10_000;
const SEED: u64 = 0x1A4E5;

/// Channels are looked up by halving: a list that does not ascend would hide some.
#[test]
fn a_derived_hopset_that_repeats_or_does_not_ascend_is_refused() {
    let channel = |number| Channel::new(number).expect("a channel");
    let derived =
        |list: [u16; 4]| Hopset::<8>::from_derived(list.into_iter().map(channel), 0).map(|_| ());
    assert_eq!(derived([5, 6, 7, 8]), Ok(()));
    assert_eq!(derived([5, 5, 6, 7]), Err(HopsetError::Twice(channel(5))));
    assert_eq!(derived([7, 5, 6, 8]), Err(HopsetError::Twice(channel(5))));
}

/// A hopset of `N` channels at most, and of four at least, however it comes about.
#[test]
fn a_hopset_has_four_channels_and_no_more_than_there_is_room_for() {
    let channel = |number| Channel::new(number).expect("a channel");
    let derived = |count: u16| Hopset::<8>::from_derived((0..count).map(channel), 0).map(|_| ());
    assert_eq!(derived(3), Err(HopsetError::TooFew { found: 3, needed: 4 }));
    assert_eq!((derived(4), derived(8)), (Ok(()), Ok(())));
    assert_eq!(derived(9), Err(HopsetError::TooMany { found: 9, room: 8 }));

    let (raster, key) = (hopwright_tests::plans::raster(9), hopwright_tests::plans::key(1));
    let pick = |pick| {
        let hopset = Hopset::<8>::derive(&key, &raster, &raster.all(), pick, None, Lane::ZERO);
        hopset.map(|hopset| hopset.len())
    };
    assert_eq!(pick(Pick::All), Err(HopsetError::TooMany { found: 9, room: 8 }));
    assert_eq!(pick(Pick::Keyed(8)), Ok(8));
    assert_eq!(pick(Pick::Keyed(10)), Err(HopsetError::TooFew { found: 9, needed: 10 }));
    let list = [1, 2, 3, 4, 2].map(channel);
    assert_eq!(pick(Pick::Listed(&list[..4])), Ok(4));
    assert_eq!(pick(Pick::Listed(&list)), Err(HopsetError::Twice(channel(2))));
    assert_eq!(pick(Pick::Listed(&list[..3])), Err(HopsetError::TooFew { found: 3, needed: 4 }));
}

#[test]
fn lanes_are_disjoint_and_exclusions_hold() {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let (mut plans, mut hopsets, mut refused) = (0, 0, 0);
    while plans < PLANS {
        let most = if below(&mut rng, 50) == 0 { 4_096 } else { 300 };
        let band = Band::random(&mut rng, most);
        let mut key = [0; 32];
        rng.fill_bytes(&mut key);
        let key = NetKey::new(key);
        let Some(lanes) = band.lanes.filter(|lanes| !lanes.spaced()) else { continue };
        plans += 1;
        let mut owner = vec![None; usize::from(band.raster.count())];
        for lane in (0..lanes.count()).filter_map(Lane::new) {
            for channel in lanes.share(&key, &band.raster, &band.allowed, lane).iter() {
                let before = owner[channel.index()].replace(lane);
                let what = format!("seed {SEED:#x}, plan {plans}, channel {channel}");
                assert_eq!(before, None, "{what}: two lanes");
                assert!(!band.excluded.contains(channel), "{what}: excluded");
                assert!(band.raster.frequency(channel).is_some(), "{what}: off the raster");
            }
            // Few picks fit a lane exactly; what matters is that none goes beyond it.
            let pick = Band::pick(&mut rng, 12);
            let hopset =
                Hopset::<4096>::derive(&key, &band.raster, &band.allowed, pick, Some(&lanes), lane);
            match hopset {
                Ok(hopset) => {
                    hopsets += 1;
                    assert_eq!(hopset.rotation(), 0, "only spaced lanes are turned");
                    for channel in hopset.channels() {
                        assert_eq!(owner[channel.index()], Some(lane), "plan {plans}: {channel}");
                    }
                }
                Err(HopsetError::TooFew { .. }) => refused += 1,
                Err(other) => panic!("seed {SEED:#x}, plan {plans}, lane {lane}: {other}"),
            }
        }
    }
    println!("{plans} plans, {hopsets} hopsets, {refused} lanes with too few channels");
    assert!(hopsets >= PLANS, "too few hopsets to mean anything: {hopsets}");
}

/// Without lanes, and with spaced ones, exclusions hold just the same.
#[test]
fn exclusions_hold_without_lanes() {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED + 1);
    let (mut hopsets, mut excluded) = (0, 0);
    for plan in 0..PLANS {
        let band = Band::random(&mut rng, 300);
        let mut key = [0; 32];
        rng.fill_bytes(&mut key);
        let key = NetKey::new(key);
        let lanes = band.lanes.filter(Lanes::spaced);
        let lane = Lane::new(lanes.map_or(1, |l| l.count()) - 1).expect("a lane");
        let pick = Band::pick(&mut rng, band.allowed.len().max(4));
        let hopset =
            Hopset::<300>::derive(&key, &band.raster, &band.allowed, pick, lanes.as_ref(), lane);
        let Ok(hopset) = hopset else { continue };
        hopsets += 1;
        excluded += u32::from(band.excluded.len());
        for channel in hopset.channels() {
            assert!(
                !band.excluded.contains(*channel),
                "seed {SEED:#x} + 1, plan {plan}: {channel}"
            );
        }
    }
    assert!(hopsets > PLANS / 2 && excluded > PLANS, "{hopsets} hopsets, {excluded} exclusions");
}

/// Section 2: in a group with fewer allowed channels than lanes, the last lanes in turn have
/// none, and a lane beyond the plan's is refused.
#[test]
fn a_thin_group_leaves_lanes_out() {
    let lanes = Lanes::new(LaneKind::Disjoint { width: 2 }, 3).expect("lanes");
    let raster = hopwright_tests::plans::raster(30);
    let key = hopwright_tests::plans::key(1);
    let shares: Vec<u16> = (0..3)
        .filter_map(Lane::new)
        .map(|lane| lanes.share(&key, &raster, &raster.all(), lane).len())
        .collect();
    // 15 groups of 2; each lane goes without in every third.
    assert_eq!(shares, [10, 10, 10]);
    let pick = Pick::All;
    let beyond = Lane::new(3).expect("a lane number");
    assert_eq!(
        Hopset::<30>::derive(&key, &raster, &raster.all(), pick, Some(&lanes), beyond),
        Err(HopsetError::Lane { lane: beyond, count: 3 })
    );
}
