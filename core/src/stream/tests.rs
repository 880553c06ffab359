//! The stream against its definition: what is due, when, and which mark.

use super::*;
use crate::units::Micros;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::vec::Vec as List;

const SLOT: Micros = Micros::new(20_000);

fn share() -> Share {
    Share::new(16_000, SLOT, 8, 106).unwrap()
}

type Buffer = Receiver<8, 46>;

/// The payload of a slot whose bits tell its number.
fn payload(number: u16) -> List<u8> {
    let bytes = share().bits(number).div_ceil(8) as usize;
    let mut out = std::vec![0; NUMBER_BYTES + bytes];
    out[..2].copy_from_slice(&number.to_le_bytes());
    out[2..6].copy_from_slice(&u32::from(number).wrapping_mul(0x9E37_79B9).to_be_bytes());
    out
}

fn heard(receiver: &mut Buffer, number: u16) -> Result<(), Ignored> {
    receiver.heard(&payload(number))
}

/// Number and mark of the next slot: `h`eard, `l`ost, `L`ate.
fn play(receiver: &mut Buffer) -> Option<(u16, char)> {
    receiver.play().map(|played| match played.mark {
        Mark::Heard(bits) => {
            assert_eq!(bits, &payload(played.number)[2..]);
            (played.number, 'h')
        }
        Mark::Lost => (played.number, 'l'),
        Mark::Late => (played.number, 'L'),
    })
}

#[test]
fn streams_that_do_not_fit_are_refused() {
    let new = |bps, us, frame, capacity| Share::new(bps, Micros::new(us), frame, capacity);
    assert_eq!(new(16_000, 20_000, 1, 106), Err(ShareError::Frame(1)));
    assert_eq!(new(16_000, 20_000, 65, 106), Err(ShareError::Frame(65)));
    assert_eq!(new(0, 20_000, 8, 106), Err(ShareError::TooSlow));
    assert_eq!(new(43, 20_000, 8, 106), Err(ShareError::TooSlow), "0.98 bits a slot");
    assert!(new(44, 20_000, 8, 106).is_ok());
    // 106 bytes less the number are 832 bits; 32 kbit/s need 731 3/7, 36 400 bit/s exactly 832.
    assert!(new(36_400, 20_000, 8, 106).is_ok());
    let too_fast = Err(ShareError::TooFast { needed: 833, room: 832 });
    assert_eq!(new(36_401, 20_000, 8, 106), too_fast);
    let most = ShareError::TooFast { needed: u32::MAX, room: 4_096 };
    assert_eq!(new(u32::MAX, u64::MAX, 64, usize::MAX), Err(most));
    assert!(Buffer::new(share(), 8).is_none(), "a delay beyond what is held");
    assert!(Receiver::<8, 45>::new(share(), 2).is_none(), "366 bits are 46 bytes");
}

#[test]
fn the_sender_gives_every_bit_once_and_makes_up_for_a_slow_source() {
    let mut sender = Sender::<64>::new(share());
    for byte in 0..64 {
        sender.push(byte).unwrap();
    }
    assert_eq!(sender.push(64), Err(64));
    let mut out = [0; 64];
    assert_eq!(sender.slot(&mut out[..47]), None, "too short, and nothing has changed");
    assert_eq!(sender.slot(&mut out), Some(2 + 46));
    // 365 bits: 45 bytes and 5 bits of byte 45, 0b00101_101.
    assert_eq!((out[0], out[2], out[2 + 44], out[2 + 45]), (0, 0, 44, 0b0010_1000));
    assert_eq!(sender.short(), 0);
    assert_eq!(sender.slot(&mut out), Some(2 + 46));
    // It begins with the last 3 bits of byte 45, 0b101, and the first 5 of byte 46.
    assert_eq!((out[0], out[2]), (1, 0b1010_0101));
    // 512 bits were pushed, 365 + 366 have gone: 219 were made up, ones and zeros in turn.
    assert_eq!(sender.short(), 365 + 366 - 512);
    // Bit 240 of this slot is the 94th of those.
    assert_eq!(out[2 + 30], 0b0101_0101);
}

#[test]
fn slots_are_played_a_constant_delay_after_their_time() {
    let mut receiver = Buffer::new(share(), 3).unwrap();
    let mut out = List::new();
    for number in 100..120 {
        assert_eq!(heard(&mut receiver, number), Ok(()));
        out.push(play(&mut receiver));
    }
    assert_eq!(out[..3], [None; 3]);
    let wanted: List<_> = (100..117).map(|number| Some((number, 'h'))).collect();
    assert_eq!(out[3..], wanted);
}

#[test]
fn a_stream_that_falls_behind_is_late_and_then_followed() {
    for garbled in [false, true] {
        assert_eq!(fallen_behind(garbled), "hhhhhhhhhhllLLlhhh");
    }
}

/// A stream that falls behind by three slots; before that one number may be garbled into another, far
/// ahead, which moves nothing.
fn fallen_behind(garbled: bool) -> std::string::String {
    let mut receiver = Buffer::new(share(), 1).unwrap();
    let mut out = std::string::String::new();
    // From slot 10 on the sender is three slots behind: slots 7, 8, 9 are sent again late.
    let mut step = |number: Option<u16>| {
        let taken = number.map(|number| heard(&mut receiver, number));
        out.extend(play(&mut receiver).map(|(_, mark)| mark));
        taken
    };
    for number in 0..10 {
        step(Some(number));
    }
    for number in [garbled.then_some(9_000), None, None] {
        let taken = step(number);
        assert_eq!(taken, number.map(|_| Err(Ignored::Stray)));
    }
    let taken: List<_> = (10..16).map(|number| step(Some(number)).unwrap()).collect();
    assert_eq!(taken[..2], [Err(Ignored::TooLate); 2]);
    assert_eq!(taken[2..], [Ok(()); 4], "the third in a row is believed");
    // Nine were heard at the delay of one, and the tenth in the first silent slot. Two are lost
    // for all that is known; then the stream is known to be behind; then it is followed.
    out
}

/// If the first slot that was heard was not the first to be played, each has its mark from there on.
#[test]
fn from_the_first_slot_played_each_has_its_mark() {
    let mut receiver = Buffer::new(share(), 3).unwrap();
    heard(&mut receiver, 10).unwrap();
    heard(&mut receiver, 8).unwrap();
    let played: List<_> = (0..4).map(|_| play(&mut receiver)).collect();
    assert_eq!(played, [None, Some((8, 'h')), Some((9, 'l')), Some((10, 'h'))]);
}

/// A longer delay would not have helped where the lag is within it.
#[test]
fn what_is_behind_by_less_than_the_delay_is_lost_and_not_late() {
    let mut receiver = Buffer::new(share(), 3).unwrap();
    let mut out = std::string::String::new();
    // The speaker misses slot 1; from 5 on nothing is heard.
    for number in [Some(0), None, Some(1), Some(2), Some(3)].into_iter().chain([None; 5]) {
        if let Some(number) = number {
            heard(&mut receiver, number).unwrap();
        }
        out.extend(play(&mut receiver).map(|(_, mark)| mark));
    }
    assert_eq!(out, "hhhhlll");
}

#[test]
fn one_garbled_number_moves_nothing() {
    let mut receiver = Buffer::new(share(), 2).unwrap();
    for number in 0..4 {
        assert_eq!(heard(&mut receiver, number), Ok(()));
        play(&mut receiver);
    }
    for garbled in [9_000, 40_000, 9_001] {
        assert_eq!(heard(&mut receiver, garbled), Err(Ignored::Stray));
        assert_eq!(heard(&mut receiver, garbled), Err(Ignored::Duplicate));
    }
    assert_eq!(receiver.heard(&payload(4)[..40]), Err(Ignored::Garbled));
    assert_eq!(receiver.heard(&[]), Err(Ignored::Garbled));
    assert_eq!(heard(&mut receiver, 4), Ok(()));
    assert_eq!(heard(&mut receiver, 4), Err(Ignored::Duplicate));
    assert_eq!(play(&mut receiver), Some((2, 'h')));
}

/// The first number is believed for want of others. The next ones are ahead of what it would be now; three of
/// them put it right, and everything is played with its delay and no other.
#[test]
fn a_garbled_first_number_delays_nothing() {
    for delay in [0, 1, 3] {
        let mut receiver = Buffer::new(share(), delay).unwrap();
        assert_eq!(heard(&mut receiver, 100), Ok(()));
        let _ = play(&mut receiver);
        let taken = (105..108).map(|number| {
            let taken = heard(&mut receiver, number);
            let _ = play(&mut receiver);
            taken
        });
        let stray = Err(Ignored::Stray);
        assert_eq!(taken.collect::<List<_>>(), [stray, stray, Ok(())], "{delay}");
        for number in 108..130 {
            assert_eq!(heard(&mut receiver, number), Ok(()));
            let played = play(&mut receiver);
            let mark = if number - delay < 107 { 'l' } else { 'h' };
            assert_eq!(played, Some((number - delay, mark)), "{delay}");
        }
    }
}

#[test]
fn a_jump_is_followed_when_three_agree() {
    let mut receiver = Buffer::new(share(), 2).unwrap();
    heard(&mut receiver, 5).unwrap();
    play(&mut receiver);
    for (number, taken) in [(50_000, false), (50_001, false), (50_002, true), (50_003, true)] {
        assert_eq!(heard(&mut receiver, number).is_ok(), taken);
        play(&mut receiver);
    }
    assert_eq!(play(&mut receiver), Some((50_002, 'h')));
    assert_eq!(play(&mut receiver), Some((50_003, 'h')));
    assert_eq!(play(&mut receiver), Some((50_004, 'l')));
}

/// What was held when the stream has gone elsewhere is of another place, also where its numbers come again: those
/// that are sent now are played, and no others.
#[test]
fn what_was_held_before_a_jump_is_not_played_after_it() {
    let mut receiver = Buffer::new(share(), 4).unwrap();
    for number in 10..21 {
        assert_eq!(heard(&mut receiver, number), Ok(()));
        play(&mut receiver);
    }
    // The stream goes back by nine. By the third number that says so 19 and 20 have not had their turn.
    for (number, taken) in [(12, false), (13, false), (14, true)] {
        assert_eq!(heard(&mut receiver, number).is_ok(), taken);
        play(&mut receiver);
    }
    let mut marks = List::new();
    for number in 15..29 {
        // 19 is lost this time, and 20 is another one.
        if number != 19 {
            assert_eq!(heard(&mut receiver, number), Ok(()), "{number}");
        }
        marks.extend(play(&mut receiver));
    }
    let lost = |number| number < 14 || number == 19;
    let wanted: List<_> = (11..25).map(|n| (n, if lost(n) { 'l' } else { 'h' })).collect();
    assert_eq!(marks, wanted);
}

proptest! {
    /// The definition: after `n` slots the source is `floor(n B)` bits further, never a bit more
    /// or less, for any rate and frame.
    #[test]
    fn no_bit_is_gained_or_lost(
        bps in 100_u32..60_000, slot in 1_000_u64..40_000, frame in 2_u8..=64, n in 0_u16..u16::MAX,
    ) {
        let Ok(share) = Share::new(bps, Micros::new(slot), frame, 510) else { return Ok(()) };
        let exact = |n: u128| {
            n * u128::from(bps) * u128::from(frame) * u128::from(slot)
                / (1_000_000 * (u128::from(frame) - 1))
        };
        prop_assert_eq!(u128::from(share.before(n.into())), exact(n.into()));
        let bits = exact(u128::from(n) + 1) - exact(n.into());
        prop_assert_eq!(u128::from(share.bits(n)), bits);
        prop_assert!(share.bits(n) <= share.longest() && share.longest() <= share.bits(n) + 1);
    }

    /// What goes in comes out, bit for bit, through sender and receiver.
    #[test]
    fn a_stream_arrives_as_it_was_sent(source: [u8; 400], frame in 2_u8..12) {
        let share = Share::new(8_000, SLOT, frame, 106).unwrap();
        let mut sender = Sender::<400>::new(share);
        for byte in source {
            sender.push(byte).unwrap();
        }
        let mut receiver = Receiver::<4, 64>::new(share, 0).unwrap();
        let bit = |bytes: &[u8], i: u64| {
            let byte = bytes[usize::try_from(i / 8).unwrap()];
            byte >> (7 - i % 8) & 1
        };
        let mut n = 0_u16;
        while share.before(u32::from(n) + 1) <= 3_200 {
            let mut out = [0; 106];
            let length = sender.slot(&mut out).unwrap();
            receiver.heard(&out[..length]).unwrap();
            let Some(Played { number, mark: Mark::Heard(bits) }) = receiver.play() else {
                panic!("slot {n} is there")
            };
            prop_assert_eq!(number, n);
            for i in 0..u64::from(share.bits(n)) {
                prop_assert_eq!(bit(bits, i), bit(&source, share.before(n.into()) + i));
            }
            n += 1;
        }
        prop_assert_eq!(sender.short(), 0);
    }

    /// Losses, duplicates and disorder within the delay: each slot from the first heard on has
    /// exactly one mark, in order, at the constant delay; heard if and only if it came in time.
    #[test]
    fn every_slot_has_its_mark(
        first: u16,
        fate in proptest::collection::vec((0_u8..10, any::<u16>(), any::<bool>()), 30..200),
        delay in 0_u16..7,
    ) {
        let mut receiver = Buffer::new(share(), delay).unwrap();
        // In which slot each number arrives: lost for three in ten, late by up to a slot more than the delay.
        // Late ones that agree are a stream that is behind, and another test's matter: so one that is too late
        // is followed by none that is, and behind it comes the next in its time.
        let delay = usize::from(delay);
        let mut arrivals: BTreeMap<usize, List<u16>> = BTreeMap::new();
        let mut came = BTreeMap::new();
        let (mut too_late, mut in_time) = (None, BTreeSet::from([0]));
        for (sent, (luck, late, twice)) in fate.iter().enumerate() {
            let prompt = in_time.contains(&sent);
            if *luck >= 3 || prompt {
                let behind_one = too_late.is_some_and(|last| last + 1 == sent);
                let most = if behind_one { delay } else { delay + 1 };
                let late = if prompt { 0 } else { usize::from(*late) % (most + 1) };
                let number = first.wrapping_add(u16::try_from(sent).unwrap());
                arrivals.entry(sent + late).or_default().push(number);
                if *twice && late < delay {
                    arrivals.entry(sent + late + 1).or_default().push(number);
                }
                if late > delay {
                    too_late = Some(sent);
                    in_time.insert(sent + delay + 2);
                }
                came.insert(sent, late <= delay);
            }
        }
        let mut strays = 0;
        for step in 0..fate.len() {
            for number in arrivals.remove(&step).unwrap_or_default() {
                let taken = heard(&mut receiver, number);
                strays = match taken {
                    Ok(()) => 0,
                    Err(Ignored::Duplicate) => strays,
                    Err(_) => strays + 1,
                };
                prop_assert!(strays < 2, "two that are too late, and none between them");
            }
            let played = play(&mut receiver);
            let Some(turn) = step.checked_sub(delay) else {
                prop_assert_eq!(played, None);
                continue;
            };
            let number = first.wrapping_add(u16::try_from(turn).unwrap());
            let (played, mark) = played.unwrap();
            prop_assert_eq!((played, mark == 'h'), (number, came.get(&turn) == Some(&true)));
        }
    }

    /// Whatever arrives and whenever: from the first mark on, every turn has one; the numbers
    /// ascend by one unless the receiver goes elsewhere, which it does behind two at least that it has not
    /// taken, to where what it takes is sent now; and nothing panics.
    #[test]
    fn nothing_upsets_it(
        // One after another, as a rule: three that agree are rare otherwise.
        numbers in proptest::collection::vec(
            (
                any::<u16>(),
                prop_oneof![6 => Just(1_u16), 1 => 0_u16..20],
                proptest::bool::weighted(0.1),
            ),
            0..300,
        ),
        delay in 0_u16..8,
    ) {
        let mut receiver = Buffer::new(share(), delay).unwrap();
        let mut started = false;
        let mut base = 0_u16;
        // The number whose turn is next, and how many were not taken in a row.
        let (mut next, mut refused) = (None, 0);
        for (number, step, jump) in numbers {
            base = if jump { number } else { base.wrapping_add(step) };
            match heard(&mut receiver, base) {
                Ok(()) => {
                    let ahead = next.map(|next| base.wrapping_sub(next));
                    if ahead.is_none_or(|ahead| ahead > delay) {
                        prop_assert!(next.is_none() || refused + 1 >= u16::from(AGREE), "{refused} refused");
                        next = Some(base.wrapping_sub(delay));
                    }
                    refused = 0;
                }
                Err(_) => refused += 1,
            }
            let played = play(&mut receiver);
            prop_assert!(played.is_some() || !started);
            started |= played.is_some();
            let turn = next.unwrap();
            if let Some((number, _)) = played {
                prop_assert_eq!(number, turn);
            }
            next = Some(turn.wrapping_add(1));
        }
    }
}
