use super::*;
use crate::band::{ChannelSet, LaneKind, Lanes, Pick, Raster};
use crate::sparse;
use crate::units::Hertz;
use proptest::prelude::*;
use std::vec::Vec as StdVec;

fn sequence(key: [u8; 32], count: u16, structure: Structure) -> Sequence<4096> {
    let step = Hertz::new(25_000);
    let raster = Raster::new(Hertz::new(30_000_000), step, step, count).unwrap();
    let key = NetKey::new(key);
    let hopset = Hopset::derive(&key, &raster, &raster.all(), Pick::All, None, Lane::ZERO).unwrap();
    Sequence::new(&key, hopset, structure, Lane::ZERO, Lane::ZERO).unwrap()
}

fn any_structure() -> impl Strategy<Value = (u16, Structure)> {
    // Eight slots have a way of their own in bulk.
    let frame = prop_oneof![Just(8_u8), 2_u8..=16];
    let fits = (frame, 1_u8..=16, 1_u8..=4, any::<bool>(), any::<bool>(), 4_u16..=300);
    fits.prop_map(|(frame, window, times, balanced, equal_use, count)| {
        let rendezvous = window * times;
        let draw = if balanced { Draw::Balanced } else { Draw::Independent };
        let block = u16::from(rendezvous) * u16::from(frame);
        let equal_use = equal_use && block >= 4;
        let count = if equal_use { block } else { count.max(u16::from(rendezvous)) };
        (count, Structure { frame, rendezvous, window, draw, equal_use })
    })
}

proptest! {
    #[test]
    fn jumping_agrees_with_walking(
        key: [u8; 32],
        (count, structure) in any_structure(),
        start in 0_u32..u32::MAX - 700,
        cut_in: bool,
    ) {
        let sequence = sequence(key, count, structure);
        let timeline = if cut_in { Timeline::CutIn } else { Timeline::Home };
        let mut walker = Cursor::new(&sequence, timeline);
        for h in start..start + if cfg!(miri) { 75 } else { 600 } {
            let slot = Slot::new(h);
            let walked = walker.hop(&sequence, slot);
            if h % 37 == 0 {
                let jumped = Cursor::new(&sequence, timeline).hop(&sequence, slot);
                prop_assert_eq!(walked, jumped);
                // Reading back is as good as reading on.
                let back = slot.number().saturating_sub(11).max(start);
                let earlier = walker.hop(&sequence, Slot::new(back));
                let fresh = Cursor::new(&sequence, timeline).hop(&sequence, Slot::new(back));
                prop_assert_eq!(earlier, fresh);
            }
        }
    }

    /// Whatever has been worked ahead towards, and however far, a slot reads the same.
    #[test]
    fn working_ahead_changes_no_answer(
        key: [u8; 32],
        (count, structure) in any_structure(),
        start in 0_u32..u32::MAX - 2_000,
        steps in proptest::collection::vec((0_u32..2_000, 0_usize..9, 0_u32..2_000), 1..20 / sparse(5)),
    ) {
        let sequence = sequence(key, count, structure);
        let mut cursor = Cursor::new(&sequence, Timeline::Home);
        for (towards, times, read) in steps {
            for _ in 0..times {
                cursor.approach(&sequence, Slot::new(start + towards), Cursor::<4096>::STRIDE);
            }
            let slot = Slot::new(start + read);
            let fresh = Cursor::new(&sequence, Timeline::Home).hop(&sequence, slot);
            prop_assert_eq!(cursor.hop(&sequence, slot), fresh);
        }
    }

    /// Sixteen traffic slots of the cycle a step; then what is left to read is no draw.
    #[test]
    fn a_slot_that_has_been_approached_is_drawn(key: [u8; 32], start in 0_u32..u32::MAX - 9) {
        let sequence = sequence(key, 128, Structure::default());
        let mut cursor = Cursor::new(&sequence, Timeline::Home);
        for _ in 0..sequence.traffic_count().div_ceil(16) {
            cursor.approach(&sequence, Slot::new(start), Cursor::<4096>::STRIDE);
        }
        let drawn = cursor.drawn();
        let next = (start..start + 3)
            .map(|h| cursor.hop(&sequence, Slot::new(h)))
            .find(|hop| hop.kind == SlotKind::Traffic);
        prop_assert!(next.is_some());
        prop_assert_eq!(cursor.drawn(), drawn);
    }

    #[test]
    fn filling_agrees_with_walking(
        key: [u8; 32],
        (count, structure) in any_structure(),
        start in 0_u32..u32::MAX - 5_000,
        len in 0_usize..4_000 / sparse(100),
    ) {
        let sequence = sequence(key, count, structure);
        let mut filled = std::vec![Channel::default(); len];
        sequence.fill(Timeline::Home, Slot::new(start), &mut filled);
        let mut walker = Cursor::new(&sequence, Timeline::Home);
        let walked: StdVec<_> =
            (0..).take(len).map(|i| walker.hop(&sequence, Slot::new(start + i)).channel).collect();
        prop_assert_eq!(filled, walked);
    }

    #[test]
    fn equal_use_visits_every_channel_once_a_block(
        key: [u8; 32],
        (frame, window, times) in (2_u8..=12, 1_u8..=8, 1_u8..=4),
        block in 0_u32..1_000_000,
    ) {
        let rendezvous = window * times;
        let n = u16::from(rendezvous) * u16::from(frame);
        prop_assume!(n >= 4);
        let structure = Structure { frame, rendezvous, window, draw: Draw::Balanced, equal_use: true };
        let sequence = sequence(key, n, structure);
        let mut cursor = Cursor::new(&sequence, Timeline::Home);
        let first = block * u32::from(n);
        let used: ChannelSet = (first..first + u32::from(n))
            .map(|h| cursor.hop(&sequence, Slot::new(h)).channel)
            .collect();
        prop_assert_eq!(used.len(), n);
    }

    #[test]
    fn visits_to_a_rendezvous_channel_keep_their_gap(
        key: [u8; 32], window in 1_u8..=8, times in 1_u8..=4, start in 0_u32..1_000_000,
    ) {
        let rendezvous = window * times;
        let structure = Structure { rendezvous, window, ..Structure::default() };
        let sequence = sequence(key, 200, structure);
        let mut cursor = Cursor::new(&sequence, Timeline::Home);
        let (mut last, mut longest) = (std::collections::BTreeMap::new(), 0);
        for frame in start..start + if cfg!(miri) { 100 } else { 300 } {
            for h in frame * 8..frame * 8 + 8 {
                let hop = cursor.hop(&sequence, Slot::new(h));
                if hop.kind == SlotKind::Sync
                    && let Some(before) = last.insert(hop.channel, frame)
                {
                    longest = longest.max(frame - before);
                }
            }
        }
        prop_assert_eq!(last.len(), usize::from(rendezvous));
        prop_assert!(longest < sequence.longest_gap() + 1, "{longest}");
    }

    #[test]
    fn lanes_never_meet(
        key: [u8; 32], count in 64_u16..600, width in 2_u8..12, lanes in 2_u8..9,
        excluded in proptest::collection::vec(0_u16..600, 0..40),
    ) {
        let step = Hertz::new(25_000);
        let raster = Raster::new(Hertz::new(30_000_000), step, step, count).unwrap();
        let mut allowed = raster.all();
        allowed.remove_all(&excluded.iter().filter_map(|c| Channel::new(*c)).collect());
        let lanes = Lanes::new(LaneKind::Disjoint { width }, lanes).unwrap();
        let key = NetKey::new(key);
        let mut seen = ChannelSet::new();
        for l in 0..lanes.count() {
            let share = lanes.share(&key, &raster, &allowed, Lane::new(l).unwrap());
            for channel in share.iter() {
                prop_assert!(allowed.contains(channel));
                prop_assert!(!seen.contains(channel), "{channel} belongs to two lanes");
                seen.insert(channel);
            }
        }
    }

    #[test]
    fn spaced_lanes_keep_their_distance(key: [u8; 32], count in 40_u16..300, lanes in 2_u8..8, h: u32) {
        let step = Hertz::new(25_000);
        let raster = Raster::new(Hertz::new(30_000_000), step, step, count).unwrap();
        let plan = Lanes::new(LaneKind::Spaced, lanes).unwrap();
        let key = NetKey::new(key);
        let rank = |l: u8| {
            let lane = Lane::new(l).unwrap();
            let allowed = raster.all();
            let hopset =
                Hopset::<4096>::derive(&key, &raster, &allowed, Pick::All, Some(&plan), lane).unwrap();
            let structure = Structure::default();
            let sequence = Sequence::new(&key, hopset, structure, lane, Lane::ZERO).unwrap();
            i32::from(sequence.channel(Timeline::Home, Slot::new(h)).number())
        };
        let n = i32::from(count);
        let ranks: StdVec<i32> = (0..lanes).map(rank).collect();
        for (i, a) in ranks.iter().enumerate() {
            for b in &ranks[..i] {
                let apart = (a - b).rem_euclid(n).min((b - a).rem_euclid(n));
                prop_assert!(apart >= n / i32::from(lanes), "{a} and {b} of {n}");
            }
        }
    }
}

/// After a change of the net key everything is drawn as by one who was loaded with the new one.
#[test]
fn a_changed_key_is_changed_in_everything() {
    let new = NetKey::new([9; 32]);
    for draw in [Draw::Balanced, Draw::Independent] {
        let structure = Structure { draw, ..Structure::default() };
        let mut changed = sequence([7; 32], 128, structure);
        changed.rekey(&new);
        let hopset = changed.hopset().clone();
        let fresh = Sequence::<4096>::new(&new, hopset, structure, Lane::ZERO, Lane::ZERO).unwrap();
        assert_eq!(changed.sync_word(), fresh.sync_word());
        assert_eq!(changed.single_word(), fresh.single_word());
        assert!(changed.rendezvous().eq(fresh.rendezvous()));
        for timeline in [Timeline::Home, Timeline::CutIn] {
            let mut cursors = (Cursor::new(&changed, timeline), Cursor::new(&fresh, timeline));
            for slot in (0..if cfg!(miri) { 40 } else { 600 }).map(Slot::new) {
                let (a, b) = (&mut cursors.0, &mut cursors.1);
                assert_eq!(a.hop(&changed, slot), b.hop(&fresh, slot));
                assert_eq!(a.run_hop(&changed, slot), b.run_hop(&fresh, slot));
            }
        }
    }
}

#[test]
fn misfits_are_refused() {
    let base = Structure::default();
    let refused = |structure| check(structure, 128).unwrap_err();
    assert_eq!(refused(Structure { frame: 1, ..base }), StructureError::Frame(1));
    assert_eq!(refused(Structure { rendezvous: 65, ..base }), StructureError::Rendezvous(65));
    assert_eq!(
        refused(Structure { window: 5, ..base }),
        StructureError::Window { window: 5, rendezvous: 16 }
    );
    assert_eq!(
        refused(Structure { window: 0, ..base }),
        StructureError::Window { window: 0, rendezvous: 16 }
    );
    assert_eq!(
        check(base, 15).unwrap_err(),
        StructureError::RendezvousExceedHopset { rendezvous: 16, hopset: 15 }
    );
    assert_eq!(
        check(Structure { equal_use: true, ..base }, 127).unwrap_err(),
        StructureError::EqualUse { hopset: 127, needed: 128 }
    );
    assert_eq!(check(Structure { equal_use: true, ..base }, 128), Ok(()));
}
