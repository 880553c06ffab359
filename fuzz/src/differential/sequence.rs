//! Hopsets and hops of a random plan against [`naive`](crate::naive).

use crate::naive;
use arbitrary::{Result, Unstructured};
use hopwright_core::band::{ChannelSet, Hopset, LaneKind, Lanes, Pick, Raster};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Cursor, Draw, Sequence, SlotKind, Structure, Timeline};
use hopwright_core::units::{Channel, Hertz, Lane, Slot};
use std::collections::BTreeSet;

/// Channels that a hopset has room for here.
const ROOM: usize = 192;
/// The most slots that are compared at a place.
const SLOTS: usize = 160;

/// A random plan: hopset, sequence and every way to read it must be those of the second reading.
///
/// # Panics
/// If a hopset, a channel, a word or a kind differs, or two lanes meet.
pub fn differential_sequence(data: &[u8]) {
    let _ = compare(&mut Unstructured::new(data));
}

fn compare(u: &mut Unstructured<'_>) -> Result<()> {
    let key: [u8; 32] = u.arbitrary()?;
    let count = u.int_in_range(4..=400_u16)?;
    let mut allowed: BTreeSet<u16> = (0..count).collect();
    for _ in 0..u.int_in_range(0..=3)? {
        let from = u.int_in_range(0..=count - 1)?;
        let to = from + u.int_in_range(0..=40)?;
        allowed.retain(|channel| !(from..=to).contains(channel));
    }
    let take = match u.int_in_range(0..=3_u8)? {
        0 => naive::Take::All,
        1 => naive::Take::Keyed(u.int_in_range(0..=ROOM + 2)?),
        2 => naive::Take::Even(u.int_in_range(0..=ROOM + 2)?),
        _ => {
            let number = u.int_in_range(0..=20)?;
            let one = |u: &mut Unstructured<'_>| u.int_in_range(0..=count - 1);
            naive::Take::Listed((0..number).map(|_| one(u)).collect::<Result<_>>()?)
        }
    };
    let share = match u.int_in_range(0..=2_u8)? {
        0 => naive::Share::Alone,
        1 => naive::Share::Groups(u.int_in_range(1..=64)?, u.int_in_range(1..=32)?),
        _ => naive::Share::Spaced(u.int_in_range(1..=32)?),
    };
    let lane = u.int_in_range(0..=31_u8)?;
    let lane = match share {
        naive::Share::Alone => 0,
        // Seldom one that does not exist.
        naive::Share::Groups(_, lanes) | naive::Share::Spaced(lanes) => {
            lane % (u8::try_from(lanes).expect("at most 32") + 1).min(32)
        }
    };
    let expected = naive::hopset(&key, count, &allowed, &take, share, lane.into())
        .filter(|(hopset, _)| hopset.len() <= ROOM);
    let derived = derive(&key, count, &allowed, &take, share, lane);
    assert_eq!(derived.is_some(), expected.is_some(), "{take:?} {share:?} lane {lane}");
    let (Some(derived), Some((hopset, turned))) = (derived, expected) else { return Ok(()) };
    let channels: Vec<u16> = derived.channels().iter().map(|c| c.number()).collect();
    assert_eq!((&channels, usize::from(derived.rotation())), (&hopset, turned));
    assert!(channels.iter().all(|channel| allowed.contains(channel)), "an excluded channel");
    if let naive::Share::Groups(_, lanes) = share {
        let other = u8::try_from((u16::from(lane) + 1) % lanes).expect("at most 31");
        let others = derive(&key, count, &allowed, &naive::Take::All, share, other);
        let meet = others.is_some_and(|o| channels.iter().any(|c| o.contains(channel(*c))));
        assert!(!meet || other == lane, "lanes {lane} and {other} meet");
    }
    let structure = structure(u, hopset.len())?;
    let draw_lane = if let naive::Share::Spaced(_) = share { 0 } else { lane };
    let net = naive::Net {
        key,
        hopset,
        turned,
        frame: structure.frame.into(),
        rendezvous: structure.rendezvous.into(),
        window: structure.window.into(),
        balanced: structure.draw == Draw::Balanced,
        equal_use: structure.equal_use,
        lane: lane.into(),
        draw_lane: draw_lane.into(),
    };
    let lane = |number| Lane::new(number).expect("at most 31");
    let (lane, draw_lane) = (lane(lane_of(&net)), lane(draw_lane));
    let sequence = Sequence::new(&NetKey::new(key), derived, structure, lane, draw_lane);
    let sequence = sequence.expect("a structure that was made to fit");
    let meeting: Vec<u16> = sequence.rendezvous().map(|c| c.number()).collect();
    assert_eq!(meeting, net.rendezvous_channels());
    assert_eq!(sequence.sync_word(), net.sync_word());
    assert_eq!(sequence.single_word(), net.single_word());
    // One reader for all places: what it keeps of one must not show at another.
    let timeline = *u.choose(&[Timeline::Home, Timeline::CutIn, Timeline::Single])?;
    let mut cursor = Cursor::new(&sequence, timeline);
    for _ in 0..3 {
        let slots = u.int_in_range(1..=SLOTS)?;
        let last = u32::MAX - u32::try_from(slots - 1).expect("few");
        let from = match u.int_in_range(0..=3_u8)? {
            0 => u.int_in_range(0..=600)?,
            1 => last - u.int_in_range(0..=600)?,
            _ => u.int_in_range(0..=last)?,
        };
        read(&sequence, &net, timeline, &mut cursor, from, slots);
        if u.is_empty() {
            break;
        }
    }
    Ok(())
}

fn lane_of(net: &naive::Net) -> u8 {
    u8::try_from(net.lane).expect("at most 31")
}

fn channel(number: u16) -> Channel {
    Channel::new(number).expect("a channel of the raster")
}

fn derive(
    key: &[u8; 32],
    count: u16,
    allowed: &BTreeSet<u16>,
    take: &naive::Take,
    share: naive::Share,
    lane: u8,
) -> Option<Hopset<ROOM>> {
    let step = Hertz::new(25_000);
    let raster = Raster::new(Hertz::new(30_000_000), step, step, count).expect("a raster");
    let allowed: ChannelSet = allowed.iter().map(|number| channel(*number)).collect();
    let list: Vec<Channel>;
    let number = |n: &usize| u16::try_from(*n).expect("small");
    let pick = match take {
        naive::Take::All => Pick::All,
        naive::Take::Keyed(n) => Pick::Keyed(number(n)),
        naive::Take::Even(n) => Pick::Even(number(n)),
        naive::Take::Listed(numbers) => {
            list = numbers.iter().map(|number| channel(*number)).collect();
            Pick::Listed(&list)
        }
    };
    let small = |n: u16| u8::try_from(n).expect("at most 64");
    let lanes = match share {
        naive::Share::Alone => None,
        naive::Share::Groups(width, lanes) => {
            Some(Lanes::new(LaneKind::Disjoint { width: small(width) }, small(lanes)))
        }
        naive::Share::Spaced(lanes) => Some(Lanes::new(LaneKind::Spaced, small(lanes))),
    };
    let lanes = lanes.map(|lanes| lanes.expect("in range"));
    let lane = Lane::new(lane).expect("at most 31");
    Hopset::derive(&NetKey::new(*key), &raster, &allowed, pick, lanes.as_ref(), lane).ok()
}

/// A structure that fits a hopset.
fn structure(u: &mut Unstructured<'_>, hopset: usize) -> Result<Structure> {
    let most = u8::try_from(hopset.min(64)).expect("at most 64");
    let mut rendezvous = u.int_in_range(1..=most)?;
    let mut frame = u.int_in_range(2..=64_u8)?;
    let mut equal_use = u.arbitrary()?;
    if equal_use {
        let fits = |r: &u8| {
            let frame = hopset / usize::from(*r);
            hopset.is_multiple_of((*r).into()) && (2..=64).contains(&frame)
        };
        let fitting: Vec<u8> = (1..=most).filter(fits).collect();
        match fitting.get(usize::from(rendezvous) % fitting.len().max(1)) {
            Some(fitting) => {
                rendezvous = *fitting;
                frame = u8::try_from(hopset / usize::from(rendezvous)).expect("at most 64");
            }
            None => equal_use = false,
        }
    }
    let divisors: Vec<u8> = (1..=rendezvous).filter(|w| rendezvous.is_multiple_of(*w)).collect();
    let window = *u.choose(&divisors)?;
    let draw = if u.arbitrary()? { Draw::Balanced } else { Draw::Independent };
    Ok(Structure { frame, rendezvous, window, draw, equal_use })
}

/// Compares all ways to read some slots.
fn read(
    sequence: &Sequence<ROOM>,
    net: &naive::Net,
    timeline: Timeline,
    cursor: &mut Cursor<ROOM>,
    from: u32,
    count: usize,
) {
    let expected = net.slots(timeline.bit(), from, count);
    let run = net.run(timeline.bit(), from, count);
    let slots: Vec<Slot> = (from..=u32::MAX).take(count).map(Slot::new).collect();
    let mut seen = |at: usize| {
        let hop = cursor.hop(sequence, slots[at]);
        assert_eq!(hop.slot, slots[at]);
        assert_eq!(cursor.kind(sequence, slots[at]), hop.kind);
        let sync = hop.kind == SlotKind::Sync;
        let slot = naive::Slot { sync, channel: hop.channel.number(), word: hop.word };
        assert_eq!(slot, expected[at], "slot {}", slots[at]);
        let hop = cursor.run_hop(sequence, slots[at]);
        let slot = naive::Slot { sync: true, channel: hop.channel.number(), word: hop.word };
        assert_eq!((hop.kind, slot), (SlotKind::Sync, run[at]), "slot {} of a run", slots[at]);
    };
    for at in 0..count {
        seen(at);
    }
    // Backwards in strides.
    for at in (0..count).rev().step_by(7) {
        seen(at);
    }
    let mut bulk = vec![Channel::default(); count];
    sequence.fill(timeline, slots[0], &mut bulk);
    let channels: Vec<u16> = bulk.iter().map(|channel| channel.number()).collect();
    let expected: Vec<u16> = expected.iter().map(|slot| slot.channel).collect();
    assert_eq!(channels, expected, "in bulk from {from}");
    assert_eq!(sequence.channel(timeline, slots[0]).number(), expected[0]);
}
