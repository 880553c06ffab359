//! The loader where something else fails than plug and power: a line that always spoils the same frame,
//! storage that does not do what it says, answers that come late, a station that is given a key.

use super::loader::{Core, MINE, flash, new, old, restart, with_old};
use hopwright_core::address::Address;
use hopwright_core::loader::{
    Bank, CELL_BYTES, CHUNK_BYTES, CarrierEnd, Frame, FrameReader, Judge, KeyedJudge, Offer,
    Outcome, RETRIES, Refusal, StationEnd, Storage, StorageFault, Store, Verdict, Wire,
    write_frame,
};
use hopwright_core::provision::TransferKey;
use hopwright_core::units::Tick;
use hopwright_tests::plans::key_bytes;
use hopwright_tests::provisioning::{Flash, Wear, configuration, encoded, share};
use std::cell::{Cell, RefCell};
use std::rc::Rc;

const OFFER: u8 = 1;
const CHUNK: u8 = 2;
const COMMIT: u8 = 3;
const READY: u8 = 0x81;
const AGAIN: u8 = 0x82;
const ACCEPTED: u8 = 0x83;
const REFUSED: u8 = 0x84;

fn frame(kind: u8, sequence: u16, payload: &[u8]) -> Wire {
    let mut wire = Wire::new();
    write_frame(Frame { kind, sequence, payload }, &mut wire);
    wire
}

/// Kind and number of a frame on the wire.
fn read(wire: &[u8]) -> Option<(u8, u16)> {
    let mut reader = FrameReader::new();
    wire.iter().find_map(|byte| match reader.byte(*byte) {
        Some(Ok(Frame { kind, sequence, .. })) => Some((kind, sequence)),
        Some(Err(_)) | None => None,
    })
}

fn chunks(content: &[u8]) -> u16 {
    Offer::of(MINE, content).chunks()
}

fn offer(content: &[u8]) -> Vec<u8> {
    let Offer { address, size, digest } = Offer::of(MINE, content);
    [&[address.number()][..], &size.to_le_bytes(), &digest.to_le_bytes()].concat()
}

/// What a station answers to a frame.
fn answer<S: Storage, J: Judge>(
    station: &mut StationEnd<'_, S, J>,
    kind: u8,
    sequence: u16,
    payload: &[u8],
) -> Option<(u8, u16)> {
    let wire = frame(kind, sequence, payload);
    wire.iter().find_map(|byte| station.byte(*byte).and_then(read))
}

/// A station with the old configuration that has been offered another, and waits for its first chunk.
fn offered<'w>(content: &[u8], work: &'w mut [u8]) -> StationEnd<'w, Flash, Core> {
    let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), work);
    assert_eq!(answer(&mut station, OFFER, 1, &offer(content)), Some((READY, 0)));
    station
}

/// A station hears a frame.
fn hear(carrier: &mut CarrierEnd<'_>, kind: u8, sequence: u16, payload: &[u8]) {
    frame(kind, sequence, payload).iter().for_each(|byte| carrier.byte(*byte));
}

/// Carries a content over a line that passes what it is given, or spoils it. What became of it, how
/// often the carrier spoke, and how much it says has been acknowledged.
fn carry<S: Storage, J: Judge>(
    station: &mut StationEnd<'_, S, J>,
    content: &[u8],
    mut line: impl FnMut(&mut Vec<u8>),
) -> (Outcome, usize, u16) {
    let mut carrier = CarrierEnd::new(MINE, content);
    let (mut now, mut sent, mut known) = (Tick::ZERO, 0, 0);
    loop {
        let said = carrier.poll(now).map(<[u8]>::to_vec);
        let (acknowledged, all) = carrier.progress();
        assert!(known <= acknowledged && all == chunks(content), "what is there stays there");
        known = acknowledged;
        let Some(mut said) = said else {
            match carrier.outcome() {
                Some(outcome) => return (outcome, sent, known),
                None => now = carrier.wake(),
            }
            continue;
        };
        sent += 1;
        assert!(sent < 500, "without end");
        line(&mut said);
        for byte in said {
            let answer = station.byte(byte).map(<[u8]>::to_vec).unwrap_or_default();
            answer.into_iter().for_each(|byte| carrier.byte(byte));
        }
    }
}

fn perfect(_: &mut Vec<u8>) {}

fn has_key(flash: &Flash, secret: u8) -> bool {
    flash.bytes().windows(8).any(|part| part == &key_bytes(secret)[..8])
}

#[test]
fn a_line_that_always_spoils_one_frame_is_given_up() {
    let all = chunks(&new());
    let swallow: fn(&mut Vec<u8>) = Vec::clear;
    let garble: fn(&mut Vec<u8>) = |wire| wire[5] ^= 2;
    for (spoilt, acknowledged) in
        [((CHUNK, 0), 0), ((CHUNK, 1), 1), ((CHUNK, all - 1), all - 1), ((COMMIT, all), all)]
    {
        for spoil in [swallow, garble] {
            let mut work = vec![0; 1_024];
            let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
            let (outcome, sent, known) = carry(&mut station, &new(), |wire| {
                if read(wire) == Some(spoilt) {
                    spoil(wire);
                }
            });
            assert_eq!((outcome, known), (Outcome::NoAnswer, acknowledged), "{spoilt:?}");
            let offers = usize::from(RETRIES) + 1;
            let patience = usize::from(acknowledged) + offers * (usize::from(RETRIES) + 1);
            assert!(sent <= patience, "{spoilt:?}: {sent}");
            assert_eq!(restart(station.into_store().storage().clone()).1, Some(old()));
        }
    }
}

/// A station that loses its place at every turn is no reason to go on for ever either.
#[test]
fn a_station_that_begins_anew_again_and_again_is_given_up() {
    let content = new();
    let mut carrier = CarrierEnd::new(MINE, &content);
    let mut sent = 0;
    while carrier.outcome().is_none() {
        let said = carrier.poll(carrier.wake()).map(|wire| read(wire).expect("a frame"));
        sent += 1;
        assert!(sent < 500, "without end");
        match said {
            Some((OFFER, _)) => hear(&mut carrier, READY, 0, &[]),
            Some((CHUNK, 0)) => hear(&mut carrier, READY, 1, &[]),
            Some(_) => hear(&mut carrier, AGAIN, u16::MAX, &[]),
            None => {}
        }
    }
    assert_eq!((carrier.outcome(), carrier.progress().0), (Some(Outcome::NoAnswer), 1));
}

/// From the fifth repetition on it is offered anew: a station that answers nothing else goes on.
#[test]
fn a_station_that_answers_only_an_offer_gets_one() {
    let content = new();
    let mut carrier = CarrierEnd::new(MINE, &content);
    let mut said = Vec::new();
    let mut now = Tick::ZERO;
    while said.len() < 8 {
        let Some(frame) = carrier.poll(now).map(|wire| read(wire).expect("a frame")) else {
            now = carrier.wake();
            continue;
        };
        said.push(frame);
        if said.len() == 1 {
            hear(&mut carrier, READY, 2, &[]);
        }
    }
    let (offer, chunk) = ((OFFER, 1), (CHUNK, 2));
    assert_eq!(said, [offer, chunk, chunk, chunk, chunk, chunk, offer, offer]);
}

#[test]
fn a_late_answer_moves_nothing() {
    let content = new();
    let mut carrier = CarrierEnd::new(MINE, &content);
    assert_eq!(carrier.poll(Tick::ZERO).and_then(read), Some((OFFER, 1)));
    hear(&mut carrier, READY, 2, &[]);
    assert_eq!(carrier.poll(Tick::ZERO).and_then(read), Some((CHUNK, 2)));
    // To an offer that was repeated, to an earlier chunk, to one that is still to come.
    for late in [0, 1, 2, 4, 5] {
        hear(&mut carrier, READY, late, &[]);
        assert_eq!(carrier.poll(Tick::ZERO), None, "{late}");
    }
    // To the commit of an earlier carrier: no chunk is accepted.
    hear(&mut carrier, ACCEPTED, 0, &[7, 0, 0, 0]);
    assert_eq!(carrier.poll(Tick::ZERO), None);
    assert_eq!(carrier.outcome(), None);
    hear(&mut carrier, READY, 3, &[]);
    assert_eq!(carrier.poll(Tick::ZERO).and_then(read), Some((CHUNK, 3)));
}

/// Flash memory that does not do everything that it is asked to.
#[derive(Debug)]
struct Faulty {
    flash: Flash,
    /// The write that fails half done, counted from 0.
    fails: Option<usize>,
    /// The write that is half done and told as done.
    forgets: Option<usize>,
    writes: usize,
    /// Behind this write it does nothing any more.
    last: Rc<Cell<Option<usize>>>,
    /// It is not erased.
    stuck: Rc<Cell<bool>>,
}

impl Faulty {
    fn new(flash: Flash) -> Self {
        Self {
            flash,
            fails: None,
            forgets: None,
            writes: 0,
            last: Rc::default(),
            stuck: Rc::default(),
        }
    }
}

impl Storage for Faulty {
    fn capacity(&self) -> usize {
        self.flash.capacity()
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        let dead = self.last.get().is_some_and(|last| self.writes > last);
        if dead { Err(StorageFault) } else { self.flash.read(bank, at, into) }
    }

    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        let number = Some(self.writes);
        self.writes += 1;
        if number == self.fails || number == self.forgets {
            self.flash.write(bank, at, &bytes[..bytes.len() / 3])?;
            return if number == self.fails { Err(StorageFault) } else { Ok(()) };
        }
        self.flash.write(bank, at, bytes)
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        let dead = self.last.get().is_some_and(|last| self.writes > last);
        if dead || self.stuck.get() { Err(StorageFault) } else { self.flash.erase(bank) }
    }
}

/// The commit is written, and then the storage does nothing any more: it cannot be read back, nor erased. The
/// new one is in use after the next start, so nobody is told that the old one is kept.
#[test]
fn a_storage_that_dies_behind_the_commit_is_not_told_to_keep_what_it_had() {
    let commit = usize::from(chunks(&new())) + 1;
    for (last, told, in_use) in [
        (commit, Outcome::NoAnswer, new()),
        (commit - 1, Outcome::Refused(Refusal::Storage), old()),
    ] {
        let faulty = Faulty::new(with_old());
        faulty.last.set(Some(last));
        let dies = Rc::clone(&faulty.last);
        let mut work = vec![0; 1_024];
        let store = Store::open(faulty).expect("readable");
        let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
        let (outcome, ..) = carry(&mut station, &new(), perfect);
        assert_eq!(outcome, told, "{last}");
        let verdict = matches!(told, Outcome::Refused(_));
        assert_eq!(station.verdict().is_some(), verdict, "{last}");
        assert_eq!(station.store().is_in_doubt(), !verdict, "{last}");
        // Nor is anything else said of what is in use: not of what it had, nor of another station's.
        for content in [old(), encoded(&configuration(2, 0x4C, None))] {
            let said = answer(&mut station, OFFER, 1, &offer(&content));
            assert_eq!(
                (said.is_some(), station.is_silent()),
                (verdict, !verdict),
                "{last}: {said:?}"
            );
        }
        assert_eq!(restart(station.store().storage().flash.clone()).1, Some(in_use), "{last}");
        // The storage works again: the next offer erases what is in doubt, and is answered.
        dies.set(None);
        let (outcome, ..) = carry(&mut station, &new(), perfect);
        assert_eq!(outcome, Outcome::Accepted { generation: 2 }, "{last}");
        assert!(!station.is_silent() && !station.store().is_in_doubt());
    }
}

/// Whichever write fails, or does not hold: the load is refused, the old one is in use, and nothing of
/// the new one's keys stays. The next load is taken.
#[test]
fn a_write_that_fails_leaves_no_keys() {
    for number in 0..usize::from(chunks(&new())) + 2 {
        for told in [true, false] {
            let mut faulty = Faulty::new(with_old());
            (faulty.fails, faulty.forgets) =
                if told { (Some(number), None) } else { (None, Some(number)) };
            let mut work = vec![0; 1_024];
            let store = Store::open(faulty).expect("readable");
            let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
            let (outcome, ..) = carry(&mut station, &new(), perfect);
            assert_eq!(outcome, Outcome::Refused(Refusal::Storage), "{number} {told}");
            let flash = &station.store().storage().flash;
            assert!(!has_key(flash, 2), "{number} {told}");
            assert_eq!(restart(flash.clone()).1, Some(old()), "{number} {told}");
            let (outcome, ..) = carry(&mut station, &new(), perfect);
            assert_eq!(outcome, Outcome::Accepted { generation: 2 }, "{number} {told}");
        }
    }
}

/// The old bank could not be erased when the new one had been committed. Any offer tries again, also one
/// of what is in use, or one that is refused.
#[test]
fn an_erasure_that_failed_is_done_at_the_next_offer() {
    for (kind, version) in [(ACCEPTED, 1), (REFUSED, 2)] {
        let faulty = Faulty::new(with_old());
        let stuck = Rc::clone(&faulty.stuck);
        let mut work = vec![0; 1_024];
        let store = Store::open(faulty).expect("readable");
        let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
        assert_eq!(answer(&mut station, OFFER, 1, &offer(&new())), Some((READY, 0)));
        stuck.set(true);
        let (outcome, ..) = carry(&mut station, &new(), perfect);
        assert_eq!(outcome, Outcome::Accepted { generation: 2 });
        assert_eq!(answer(&mut station, OFFER, 1, &offer(&new())), Some((ACCEPTED, 0)));
        assert!(has_key(&station.store().storage().flash, 1), "it has failed");
        stuck.set(false);
        let said = answer(&mut station, OFFER, version, &offer(&new()));
        assert_eq!(said.map(|(kind, _)| kind), Some(kind));
        let flash = &station.store().storage().flash;
        assert!(!has_key(flash, 1) && has_key(flash, 2));
    }
}

/// It came open, and then the station was given a transfer key: today it would be refused.
#[test]
fn what_is_in_use_is_judged_when_it_is_offered_again() {
    let mut work = vec![0; 1_024];
    let judge = KeyedJudge::<128>::new(TransferKey::new([9; 32]), Some(MINE));
    let mut station = StationEnd::new(restart(with_old()).0, judge, &mut work);
    let (outcome, ..) = carry(&mut station, &old(), perfect);
    assert_eq!(outcome, Outcome::Refused(Refusal::Unsealed));
    assert_eq!(station.verdict(), Some(Verdict::Refused(Refusal::Unsealed)));
    assert_eq!(restart(station.into_store().storage().clone()).1, Some(old()), "it is kept");
    assert!(work.iter().all(|byte| *byte == 0), "the copy is wiped");
}

/// A commit before all is there is no verdict, and no end of the load: it is asked for what is missing.
#[test]
fn an_early_commit_is_answered_by_what_is_missing() {
    let content = new();
    let (mut work, all) = (vec![0; 1_024], chunks(&content));
    let mut station = offered(&content, &mut work);
    for (number, chunk) in (0..).zip(content.chunks(CHUNK_BYTES)) {
        assert_eq!(answer(&mut station, COMMIT, all, &[]), Some((AGAIN, number)));
        assert_eq!(station.verdict(), None);
        assert_eq!(answer(&mut station, CHUNK, number, chunk), Some((READY, number + 1)));
    }
    assert_eq!(answer(&mut station, COMMIT, all, &[]).map(|(kind, _)| kind), Some(ACCEPTED));
    assert_eq!(restart(station.into_store().storage().clone()).1, Some(content));
}

/// An answer is lost, and the chunk comes once more: it is there already. One that is none of those to come, or too
/// short or long, changes nothing.
#[test]
fn a_chunk_is_taken_once_and_in_its_turn() {
    let content = new();
    let (mut work, all) = (vec![0; 1_024], chunks(&content));
    let mut station = offered(&content, &mut work);
    let parts: Vec<&[u8]> = content.chunks(CHUNK_BYTES).collect();
    for (number, chunk) in (0..).zip(&parts) {
        let short = &chunk[..chunk.len() - 1];
        for bad in [&[][..], short] {
            assert_eq!(answer(&mut station, CHUNK, number, bad), Some((AGAIN, number)));
        }
        assert_eq!(answer(&mut station, CHUNK, number + 1, chunk), Some((AGAIN, number)));
        assert_eq!(answer(&mut station, CHUNK, number, chunk), Some((READY, number + 1)));
        for before in 0..=number {
            let again = answer(&mut station, CHUNK, before, parts[usize::from(before)]);
            assert_eq!(again, Some((READY, number + 1)), "{before} once more");
        }
    }
    assert_eq!(answer(&mut station, COMMIT, all, &[]).map(|(kind, _)| kind), Some(ACCEPTED));
    assert_eq!(restart(station.into_store().storage().clone()).1, Some(content));
}

/// Every chunk arrives whole, and one is another's: what is there is not what was offered.
#[test]
fn what_is_not_what_was_offered_is_damaged() {
    let content = new();
    let (mut work, all) = (vec![0; 1_024], chunks(&content));
    let mut station = offered(&content, &mut work);
    for (number, chunk) in (0..).zip(content.chunks(CHUNK_BYTES)) {
        let mut chunk = chunk.to_vec();
        chunk[0] ^= u8::from(number == 1);
        assert_eq!(answer(&mut station, CHUNK, number, &chunk), Some((READY, number + 1)));
    }
    assert_eq!(answer(&mut station, COMMIT, all, &[]).map(|(kind, _)| kind), Some(REFUSED));
    assert_eq!(station.verdict(), Some(Verdict::Refused(Refusal::Damaged)));
    assert_eq!(restart(station.into_store().storage().clone()).1, Some(old()));
}

/// Judged, accepted, refused, or not even begun: nothing stays where configurations are opened.
#[test]
fn the_work_is_wiped_whatever_the_verdict() {
    let other = encoded(&configuration(2, 0x4C, None));
    for (content, refusal) in [(other, Some(Refusal::OtherStation)), (new(), None)] {
        let mut work = vec![0xA5; 1_024];
        let store = restart(with_old()).0;
        drop(StationEnd::new(store, Core(Some(MINE)), &mut work));
        assert!(work.iter().all(|byte| *byte == 0), "what was opened there at the start");
        let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
        let (outcome, ..) = carry(&mut station, &content, perfect);
        assert_eq!(outcome, refusal.map_or(Outcome::Accepted { generation: 2 }, Outcome::Refused));
        drop(station);
        assert!(work.iter().all(|byte| *byte == 0), "{refusal:?}");
    }
}

#[test]
fn a_verdict_stands_until_the_next_offer_and_is_told_once() {
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
    assert_eq!((station.verdict(), station.told()), (None, None));
    let accepted = answer(&mut station, OFFER, 1, &offer(&old()));
    assert_eq!(accepted, Some((ACCEPTED, 0)));
    assert!(matches!(station.verdict(), Some(Verdict::Accepted(active)) if active.generation == 1));
    assert_eq!(station.told(), station.verdict());
    // Another carrier's first frame is spoilt: that is no verdict on what it offers.
    let asked = [0xC0, 1, 1, 0xC0].into_iter().find_map(|byte| station.byte(byte).and_then(read));
    assert_eq!((asked, station.told()), (Some((AGAIN, u16::MAX)), None));
    assert!(station.verdict().is_some());
    // A commit is answered once more, if the answer was lost.
    assert_eq!(answer(&mut station, COMMIT, 1, &[]), Some((ACCEPTED, 0)));
    assert_eq!(station.told(), station.verdict());
    assert_eq!(answer(&mut station, OFFER, 1, &offer(&new())), Some((READY, 0)));
    assert_eq!((station.verdict(), station.told()), (None, None));
}

/// All of it is there, and power goes. On the next connection somebody sends a chunk, or the commit,
/// without having said what it is: address and room have not been asked.
#[test]
fn nothing_is_taken_that_was_not_offered_on_this_connection() {
    let content = new();
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
    let (outcome, ..) = carry(&mut station, &content, |wire| {
        if read(wire).is_some_and(|(kind, _)| kind == COMMIT) {
            wire.clear();
        }
    });
    assert_eq!(outcome, Outcome::NoAnswer);
    let store = restart(station.into_store().storage().clone()).0;
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(store, Core(Some(Address::new(0x4C))), &mut work);
    let (all, nothing) = (chunks(&content), Some((AGAIN, u16::MAX)));
    assert_eq!(answer(&mut station, CHUNK, all - 1, &[0; CHUNK_BYTES]), nothing);
    assert_eq!(answer(&mut station, COMMIT, all, &[]), nothing);
    assert_eq!(station.verdict(), None);
    assert_eq!(restart(station.into_store().storage().clone()).1, Some(old()));
}

/// What a station puts there itself, after a change of its keys: the old one or the new one, whenever
/// power goes, and of the old one nothing is left.
#[test]
fn a_replacement_survives_every_loss_of_power() {
    for wear in [Wear::Forwards, Wear::Backwards, Wear::Ragged, Wear::Unreadable] {
        let mut start = with_old();
        (start.wear, start.worn) = (wear, 0);
        let mut store = Store::open(start.clone()).expect("readable");
        let active = store.replace(&new()).expect("room");
        assert_eq!((active.generation, Some(active)), (2, store.active()));
        assert!(!has_key(store.storage(), 1));
        let total = store.storage().worn;
        let (mut olds, mut news) = (0, 0);
        for power in (1..total).step_by(7) {
            let mut flash = start.clone();
            flash.power = Some(power);
            let mut store = Store::open(flash).expect("powered");
            let _ = store.replace(&new());
            let (mut store, in_use) = restart(store.storage().clone());
            if in_use == Some(new()) {
                news += 1;
            } else {
                assert_eq!(in_use, Some(old()), "{wear:?} {power}: neither");
                olds += 1;
            }
            // Done once more it is done, and no more than once.
            for _ in 0..2 {
                let generation = store.replace(&new()).map(|active| active.generation);
                assert_eq!(generation, Ok(2), "{wear:?} {power}");
            }
            let (store, in_use) = restart(store.storage().clone());
            assert_eq!(in_use, Some(new()), "{wear:?} {power}");
            let erased = !has_key(store.storage(), 1);
            assert!(erased || wear == Wear::Backwards, "{wear:?} {power}");
        }
        assert!(olds > 100 && news > 50, "{olds} {news}");
    }
}

/// A first load, on memory that corrects errors. Whatever power leaves of it, the next one completes: as a rule at once. If it was
/// interrupted in the erasure before, or in the commit, a configuration might be there that cannot be read, and the
/// banks have to be erased first.
#[test]
fn a_first_load_survives_every_loss_of_power() {
    let start = flash();
    let content = new();
    let load = |store: Store<Flash>| {
        let mut work = vec![0; 1_024];
        let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
        let (outcome, ..) = carry(&mut station, &content, perfect);
        (outcome, station.into_store().storage().clone())
    };
    let total = load(Store::open(start.clone()).expect("blank")).1.worn;
    let (mut opened, mut erased, mut twice) = (0, 0, 0);
    for power in (1..total).step_by(5) {
        let mut dark = start.clone();
        (dark.wear, dark.power) = (Wear::Unreadable, Some(power));
        let (_, mut left) = load(Store::open(dark).expect("powered"));
        left.power = None;
        let store = match Store::open(left.clone()) {
            Ok(store) => store,
            Err(StorageFault) => {
                let commits = start.capacity() + (usize::from(chunks(&content)) + 1) * CELL_BYTES;
                let unsure =
                    power < start.capacity() || (commits..commits + CELL_BYTES).contains(&power);
                assert!(unsure, "{power} of {total}");
                erased += 1;
                left.erase(Bank::A).and_then(|()| left.erase(Bank::B)).expect("powered");
                Store::open(left).expect("blank")
            }
        };
        // Power goes once more, between the last chunk and the commit record. Whatever cannot be read is the first
        // stop's, and before that chunk: nothing whole is missed.
        let flash = store.storage().clone();
        let resumed = load(Store::open(flash.clone()).expect("opened above")).1.worn - flash.worn;
        let mut again = flash.clone();
        again.power = resumed.checked_sub(flash.capacity() + CELL_BYTES);
        if again.power > Some(0) {
            twice += 1;
            let mut left = load(Store::open(again).expect("powered")).1;
            assert!(left.dark() && has_key(&left, 2), "{power}");
            left.power = None;
            let store = Store::open(left).expect("no commit record, and none that cannot be read");
            assert_eq!(store.active(), None, "{power}");
            let (outcome, after) = load(store);
            assert!(matches!(outcome, Outcome::Accepted { .. }), "{power}: {outcome:?}");
            assert_eq!(restart(after).1, Some(new()), "{power}");
        }
        opened += 1;
        let (outcome, after) = load(store);
        assert!(matches!(outcome, Outcome::Accepted { .. }), "{power}: {outcome:?}");
        assert_eq!(restart(after).1, Some(new()), "{power}");
    }
    assert!(erased > 0 && opened - erased > 50, "{erased} of {opened}");
    assert!(twice > 50, "{twice} of {opened}");
}

/// The first load that a station is ever offered is refused, and power goes while its remains are erased: the next
/// start ends that, though nothing is in use.
#[test]
fn of_a_refused_first_load_no_key_is_left_after_the_next_start() {
    let refused = encoded(&configuration(2, 0x4C, None));
    let load = |flash: Flash| {
        let mut work = vec![0; 1_024];
        let store = Store::open(flash).expect("blank");
        let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
        let (outcome, ..) = carry(&mut station, &refused, perfect);
        (outcome, station.into_store().storage().clone())
    };
    let (outcome, whole) = load(flash());
    assert_eq!(outcome, Outcome::Refused(Refusal::OtherStation));
    assert!(!has_key(&whole, 2));
    let mut left_keys = 0;
    for power in (whole.worn - flash().capacity()..whole.worn).step_by(7) {
        let mut dark = flash();
        dark.power = Some(power);
        let left = load(dark).1;
        // (As long as the offer is there, it is a load that may be gone on with.)
        let mut offer = [0; CELL_BYTES];
        let mut look = left.clone();
        look.power = None;
        look.read(Bank::A, 0, &mut offer).expect("readable");
        if offer != [0xFF; CELL_BYTES] {
            continue;
        }
        left_keys += u32::from(has_key(&left, 2));
        let (store, in_use) = restart(left);
        assert_eq!(in_use, None);
        assert!(!has_key(store.storage(), 2), "{power}");
    }
    assert!(left_keys > 0, "never between the offer and the key");
}

/// A storage that cannot be read at the moment is no empty one: nothing is taken from it, and nothing erased.
#[test]
fn a_storage_that_cannot_be_read_is_left_as_it_is() {
    struct Deaf {
        flash: Flash,
        bank: Option<Bank>,
    }
    impl Storage for Deaf {
        fn capacity(&self) -> usize {
            self.flash.capacity()
        }
        fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
            if self.bank.is_none_or(|deaf| deaf == bank) {
                return Err(StorageFault);
            }
            self.flash.read(bank, at, into)
        }
        fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
            self.flash.write(bank, at, bytes)
        }
        fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
            panic!("{bank:?} is erased")
        }
    }
    for bank in [None, Some(Bank::A)] {
        let opened = Store::open(Deaf { flash: with_old(), bank });
        assert_eq!(opened.map(|_| ()), Err(StorageFault), "{bank:?}");
    }
    // Power went before the old one had been erased, and the new one is what cannot be read.
    let mut store = Store::open(with_old()).expect("readable");
    let worn = store.storage().worn;
    let _ = store.replace(&new()).expect("room");
    let mut flash = with_old();
    flash.power = Some(store.storage().worn - worn - flash.capacity());
    let mut store = Store::open(flash).expect("powered");
    let _ = store.replace(&new());
    let mut flash = store.storage().clone();
    flash.power = None;
    assert!(has_key(&flash, 1) && has_key(&flash, 2), "both are there");
    let store = Store::open(Deaf { flash, bank: Some(Bank::B) }).expect("the old one is whole");
    assert_eq!(store.active().map(|active| active.generation), Some(1));
    assert_eq!(restart(store.storage().flash.clone()).1, Some(new()));
}

/// Every chunk is good by itself, and all are there: but of another configuration, which would be a good one.
#[test]
fn what_was_not_offered_is_not_committed() {
    let content = new();
    let other = encoded(&configuration(3, 0x4B, Some(share(0xC0, 0))));
    assert_eq!(other.len(), content.len());
    let (all, differing) = (chunks(&content), |(a, b): &(&[u8], &[u8])| a != b);
    let pairs = || content.chunks(CHUNK_BYTES).zip(other.chunks(CHUNK_BYTES));
    assert!(pairs().filter(differing).count() > 1);
    // All of them, and the first of those that differ alone.
    for swapped in [usize::MAX, 1] {
        let (mut work, mut left) = (vec![0; 1_024], swapped);
        let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
        assert_eq!(answer(&mut station, OFFER, 1, &offer(&content)), Some((READY, 0)));
        for (number, pair) in (0..).zip(pairs()) {
            let swap = differing(&pair) && left > 0;
            left -= usize::from(swap);
            let chunk = if swap { pair.1 } else { pair.0 };
            assert_eq!(answer(&mut station, CHUNK, number, chunk), Some((READY, number + 1)));
        }
        assert!(has_key(station.store().storage(), 3), "it has been stored");
        assert_eq!(answer(&mut station, COMMIT, all, &[]).map(|(kind, _)| kind), Some(REFUSED));
        assert_eq!(station.verdict(), Some(Verdict::Refused(Refusal::Damaged)));
        let flash = station.into_store().storage().clone();
        assert!(!has_key(&flash, 2) && !has_key(&flash, 3), "{swapped}: a key stays");
        assert_eq!(restart(flash).1, Some(old()), "{swapped}");
        assert!(work.iter().all(|byte| *byte == 0), "the copy is wiped");
    }
}

/// Storage that outlives a store that does not open, and one read of which fails, counted from 0.
struct Once {
    flash: Rc<RefCell<Flash>>,
    fails: Option<usize>,
    reads: Rc<Cell<usize>>,
}

impl Storage for Once {
    fn capacity(&self) -> usize {
        self.flash.borrow().capacity()
    }
    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        let number = self.reads.replace(self.reads.get() + 1);
        if Some(number) == self.fails {
            return Err(StorageFault);
        }
        self.flash.borrow_mut().read(bank, at, into)
    }
    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        self.flash.borrow_mut().write(bank, at, bytes)
    }
    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        self.flash.borrow_mut().erase(bank)
    }
}

/// The new one, in bank B alone, and both, where power went right behind the commit record.
fn in_b_and_in_both() -> (Flash, Flash) {
    let mut store = Store::open(with_old()).expect("readable");
    let worn = store.storage().worn;
    let _ = store.replace(&new()).expect("room");
    let b = store.storage().clone();
    let mut both = with_old();
    both.power = Some(b.worn - worn - both.capacity());
    let mut store = Store::open(both).expect("powered");
    let _ = store.replace(&new());
    let mut both = store.storage().clone();
    both.power = None;
    assert!(has_key(&both, 1) && has_key(&both, 2));
    (b, both)
}

/// One read fails once: in the first look at a bank, or in the second, which tells whether its content is whole.
#[test]
fn a_read_that_fails_once_costs_nothing() {
    let (b, both) = in_b_and_in_both();
    for (start, content) in [(with_old(), old()), (b, new()), (both, new())] {
        let (mut reads, mut faults, mut fails) = (usize::MAX, 0, 0);
        while fails < reads {
            let flash = Rc::new(RefCell::new(start.clone()));
            let counted = Rc::default();
            let once = |fails| Once { flash: flash.clone(), fails, reads: Rc::clone(&counted) };
            let opened = Store::open(once(Some(fails)));
            reads = counted.get();
            faults += usize::from(opened.is_err());
            let active = opened.as_ref().ok().map(|store| store.active());
            assert_ne!(active, Some(None), "{fails}: what cannot be read is told");
            drop(opened);
            let mut store = Store::open(once(None)).expect("readable");
            let mut work = [0; 1_024];
            assert_eq!(
                store.load(&mut work).map(|found| found.to_vec()),
                Ok(content.clone()),
                "{fails}"
            );
            fails += 1;
        }
        let cells = start.capacity() / CELL_BYTES;
        assert!(fails >= 3 * cells, "{fails}");
        assert!(faults > 0 || has_key(&start, 1) && has_key(&start, 2), "{faults}");
    }
}

/// One cell of the only configuration cannot be read, whichever, and stays so: that is told, and nothing is erased;
/// the chunks behind it count for what is there.
#[test]
fn a_cell_that_stays_unreadable_is_told_whichever_it_is() {
    struct Hole {
        flash: Flash,
        bank: Bank,
        at: usize,
    }
    impl Storage for Hole {
        fn capacity(&self) -> usize {
            self.flash.capacity()
        }
        fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
            let hole = (self.bank, self.at);
            if (bank, at) == hole { Err(StorageFault) } else { self.flash.read(bank, at, into) }
        }
        fn write(&mut self, _: Bank, _: usize, _: &[u8]) -> Result<(), StorageFault> {
            panic!("nothing is written")
        }
        fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
            panic!("{bank:?} is erased")
        }
    }
    for (start, bank, content) in
        [(with_old(), Bank::A, old()), (in_b_and_in_both().0, Bank::B, new())]
    {
        // An offer, the chunks, a commit record.
        let cells = content.len().div_ceil(CHUNK_BYTES) + 2;
        assert!(cells >= 4);
        for cell in 0..cells {
            let hole = Hole { flash: start.clone(), bank, at: cell * CELL_BYTES };
            let opened = Store::open(hole).map(|store| store.active());
            assert_eq!(opened, Err(StorageFault), "{bank:?} {cell} of {cells}");
        }
    }
}

/// A bit of the only configuration flips, wherever: none is in use, and nothing is erased before the next offer. That one's
/// generation is higher than the rotten one's, which may be read again.
#[test]
fn the_only_configuration_is_not_erased_because_it_is_rotten() {
    for (start, bank, generation) in [(with_old(), Bank::A, 1), (in_b_and_in_both().0, Bank::B, 2)]
    {
        let mut bytes = vec![0; start.capacity()];
        start.clone().read(bank, 0, &mut bytes).expect("readable");
        // The offer, a chunk.
        for (at, seen) in [(20, false), (CELL_BYTES + 40, true)] {
            let mut flash = start.clone();
            let mut rotten = bytes.clone();
            rotten[at] ^= 1;
            flash.erase(bank).and_then(|()| flash.write(bank, 0, &rotten)).expect("powered");
            let store = Store::open(flash.clone()).expect("readable");
            assert_eq!(store.active(), None);
            assert_eq!(store.storage().bytes(), flash.bytes(), "{bank:?} {at}");
            let third = encoded(&configuration(3, 0x4B, None));
            let mut work = vec![0; 1_024];
            let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
            let (outcome, ..) = carry(&mut station, &third, perfect);
            let generation = if seen { generation + 1 } else { 1 };
            assert_eq!(outcome, Outcome::Accepted { generation }, "{bank:?} {at}");
            let (store, in_use) = restart(station.into_store().storage().clone());
            assert_eq!(in_use, Some(third));
            let flash = store.storage();
            assert!(!has_key(flash, 1) && !has_key(flash, 2), "{bank:?} {at}: a key stays");
        }
    }
}

#[test]
fn a_replacement_that_cannot_be_leaves_the_old_one() {
    assert_eq!(Store::open(flash()).expect("blank").replace(&new()), Err(StorageFault));
    let mut store = restart(with_old()).0;
    assert_eq!(store.replace(&[]), Err(StorageFault));
    assert_eq!(store.replace(&vec![1; store.room() + 1]), Err(StorageFault));
    assert_eq!(restart(store.storage().clone()).1, Some(old()));
    for number in 0..usize::from(chunks(&new())) + 2 {
        for told in [true, false] {
            let mut faulty = Faulty::new(with_old());
            (faulty.fails, faulty.forgets) =
                if told { (Some(number), None) } else { (None, Some(number)) };
            let mut store = Store::open(faulty).expect("readable");
            assert_eq!(store.replace(&new()), Err(StorageFault), "{number} {told}");
            assert!(!has_key(&store.storage().flash, 2), "{number} {told}");
            assert_eq!(restart(store.storage().flash.clone()).1, Some(old()), "{number} {told}");
        }
    }
    // What a carrier had begun of the same content is not gone on with: nobody knows who wrote it.
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
    assert_eq!(answer(&mut station, OFFER, 1, &offer(&new())), Some((READY, 0)));
    assert_eq!(answer(&mut station, CHUNK, 0, &[7; CHUNK_BYTES]), Some((READY, 1)));
    let mut store = station.into_store();
    assert!(store.replace(&new()).is_ok());
    assert_eq!(restart(store.storage().clone()).1, Some(new()));
}

/// A station with a transfer key seals what it stores, and opens it at the next start.
#[test]
fn a_station_with_a_transfer_key_seals_its_replacement() {
    let judge = KeyedJudge::<128>::new(TransferKey::new([9; 32]), Some(MINE));
    let mut sealed = vec![0xEE; new().len() + 64];
    let nonce = *b"twelve bytes";
    let length = judge.seal(MINE, nonce, &new(), &mut sealed).expect("room").len();
    for room in 0..length {
        assert!(judge.seal(MINE, nonce, &new(), &mut vec![0; room]).is_none(), "{room}");
    }
    sealed.truncate(length);
    let mut store = restart(with_old()).0;
    store.replace(&sealed).expect("room");
    assert!(!has_key(store.storage(), 1) && !has_key(store.storage(), 2));
    let mut work = vec![0; 1_024];
    let content = store.load(&mut work).expect("in use");
    assert_eq!(judge.open(content), Ok(&new()[..]));
    let mut judge = judge;
    assert_eq!(judge.judge(&mut sealed.clone(), MINE), Ok(()));
    assert_eq!(judge.judge(&mut sealed, Address::new(0x4C)), Err(Refusal::OtherStation));
}
