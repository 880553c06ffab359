//! The loader: both ends in one process. Whatever happens to plug, power, line or content, the
//! station has the old configuration or the new one, whole, and says which in one word.

use hopwright_core::address::Address;
use hopwright_core::loader::{
    Bank, CELL_BYTES, CHUNK_BYTES, CarrierEnd, Frame, FrameReader, Judge, MAX_CARRIED, MAX_PAYLOAD,
    MAX_WIRE, Outcome, Refusal, StationEnd, Storage, Store, Verdict, Wire, cells_needed,
    check_configuration, digest, write_frame,
};
use hopwright_core::units::Tick;
use hopwright_tests::provisioning::{Flash, Wear, configuration, encoded, share};
use proptest::prelude::*;

pub(super) const MINE: Address = Address::new(0x4B);

/// Judges as a station of 128 channels does.
pub(super) struct Core(pub(super) Option<Address>);

impl Judge for Core {
    fn address(&self) -> Option<Address> {
        self.0
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal> {
        check_configuration::<128>(content, address)
    }
}

/// What the line between two ends does to their bytes.
trait Line {
    /// A byte from the carrier as it arrives; `Err` if the plug is out from now on.
    fn to_station(&mut self, byte: u8) -> Result<Vec<u8>, Unplugged>;
    /// A byte from the station.
    fn to_carrier(&mut self, byte: u8) -> Result<Vec<u8>, Unplugged>;
}

#[derive(Debug, PartialEq, Eq)]
struct Unplugged;

/// A line that carries so many bytes each way, and then no more.
#[derive(Debug, Clone, Copy)]
struct Cut {
    station: usize,
    carrier: usize,
}

impl Cut {
    fn never() -> Self {
        Self { station: usize::MAX, carrier: usize::MAX }
    }
}

impl Line for Cut {
    fn to_station(&mut self, byte: u8) -> Result<Vec<u8>, Unplugged> {
        self.station = self.station.checked_sub(1).ok_or(Unplugged)?;
        Ok(vec![byte])
    }

    fn to_carrier(&mut self, byte: u8) -> Result<Vec<u8>, Unplugged> {
        self.carrier = self.carrier.checked_sub(1).ok_or(Unplugged)?;
        Ok(vec![byte])
    }
}

/// How a connection ended.
#[derive(Debug, PartialEq, Eq)]
enum End {
    Told(Outcome),
    Unplugged,
    Dark,
}

/// What went over a connection.
#[derive(Debug, Default)]
struct Traffic {
    /// The numbers of the chunks that the carrier sent.
    chunks: Vec<u16>,
    to_station: usize,
    to_carrier: usize,
}

/// Runs a connection to its end.
fn connect<J: Judge>(
    end: &mut StationEnd<'_, Flash, J>,
    address: Address,
    content: &[u8],
    line: &mut impl Line,
) -> (End, Traffic) {
    let mut carrier = CarrierEnd::new(address, content);
    let mut now = Tick::ZERO;
    let mut traffic = Traffic::default();
    let mut spy = FrameReader::new();
    for _ in 0..20_000 {
        let Some(sent) = carrier.poll(now).map(<[u8]>::to_vec) else {
            if let Some(outcome) = carrier.outcome() {
                return (End::Told(outcome), traffic);
            }
            now = carrier.wake();
            continue;
        };
        for byte in sent {
            if let Some(Ok(Frame { kind: 2, sequence, .. })) = spy.byte(byte) {
                traffic.chunks.push(sequence);
            }
            let Ok(arriving) = line.to_station(byte) else { return (End::Unplugged, traffic) };
            traffic.to_station += 1;
            for byte in arriving {
                let answer = end.byte(byte).map(<[u8]>::to_vec).unwrap_or_default();
                if end.store().storage().dark() {
                    return (End::Dark, traffic);
                }
                for byte in answer {
                    let Ok(arriving) = line.to_carrier(byte) else {
                        return (End::Unplugged, traffic);
                    };
                    traffic.to_carrier += 1;
                    arriving.into_iter().for_each(|byte| carrier.byte(byte));
                }
            }
        }
    }
    panic!("a connection without end");
}

pub(super) fn old() -> Vec<u8> {
    encoded(&configuration(1, 0x4B, None))
}

/// Longer than the old one, and full of bytes that are stuffed.
pub(super) fn new() -> Vec<u8> {
    encoded(&configuration(2, 0x4B, Some(share(0xC0, 0))))
}

const SPARE: usize = 2;

pub(super) fn flash() -> Flash {
    Flash::new((cells_needed(new().len()) + SPARE) * CELL_BYTES)
}

/// Storage with the old configuration in use.
pub(super) fn with_old() -> Flash {
    let (end, store) = load(Store::open(flash()).expect("blank"), &old(), &mut Cut::never());
    assert_eq!(end, End::Told(Outcome::Accepted { generation: 1 }));
    store.storage().clone()
}

fn load(store: Store<Flash>, content: &[u8], line: &mut impl Line) -> (End, Store<Flash>) {
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
    let (end, _) = connect(&mut station, MINE, content, line);
    (end, station.into_store())
}

/// Starts again with whatever is in the storage; what is in use.
pub(super) fn restart(mut flash: Flash) -> (Store<Flash>, Option<Vec<u8>>) {
    flash.power = None;
    let mut store = Store::open(flash).expect("readable");
    let mut into = vec![0; 1_024];
    let content =
        store.active().map(|_| store.load(&mut into).expect("what is in use is whole").to_vec());
    (store, content)
}

#[test]
fn a_new_configuration_takes_the_old_ones_place_and_its_keys_go() {
    let (_, content) = restart(with_old());
    assert_eq!(content, Some(old()));
    let (store, _) = restart(with_old());
    let (end, store) = load(store, &new(), &mut Cut::never());
    assert_eq!(end, End::Told(Outcome::Accepted { generation: 2 }));
    let flash = store.storage().clone();
    // Eight bytes of the old key are nowhere any more.
    let old_key = hopwright_tests::plans::key_bytes(1);
    assert!(!flash.bytes().windows(8).any(|part| part == &old_key[..8]));
    assert_eq!(restart(flash).1, Some(new()));
}

#[test]
fn the_same_again_is_accepted_without_being_carried() {
    let (store, _) = restart(with_old());
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(store, Core(Some(MINE)), &mut work);
    let (end, traffic) = connect(&mut station, MINE, &old(), &mut Cut::never());
    assert_eq!(end, End::Told(Outcome::Accepted { generation: 1 }));
    assert_eq!(traffic.chunks, [0_u16; 0]);
}

/// The plug is pulled after every byte, in either direction. The station keeps its power, or loses
/// it as well. The next connection goes on after the last chunk that was acknowledged.
#[test]
fn plug_pulled_after_every_byte_in_each_direction() {
    let mut work = vec![0; 1_024];
    let mut whole = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), work.as_mut_slice());
    let (_, all) = connect(&mut whole, MINE, &new(), &mut Cut::never());
    let cuts = (0..all.to_station)
        .map(|station| Cut { station, ..Cut::never() })
        .chain((0..all.to_carrier).map(|carrier| Cut { carrier, ..Cut::never() }));
    let chunks = u16::try_from(new().len().div_ceil(CHUNK_BYTES)).expect("few");
    for cut in cuts {
        for power_stays in [true, false] {
            let mut work = vec![0; 1_024];
            let mut station =
                StationEnd::new(restart(with_old()).0, Core(Some(MINE)), work.as_mut_slice());
            let (end, first) = connect(&mut station, MINE, &new(), &mut cut.clone());
            assert_eq!(end, End::Unplugged, "{cut:?}");
            let in_use = restart(station.store().storage().clone()).1;
            let committed = in_use == Some(new());
            assert!(committed || in_use == Some(old()), "{cut:?}: neither");
            let (end, second) = if power_stays {
                connect(&mut station, MINE, &new(), &mut Cut::never())
            } else {
                let store = restart(station.store().storage().clone()).0;
                let mut work = vec![0; 1_024];
                let mut again = StationEnd::new(store, Core(Some(MINE)), work.as_mut_slice());
                let out = connect(&mut again, MINE, &new(), &mut Cut::never());
                station = StationEnd::new(again.into_store(), Core(Some(MINE)), &mut []);
                out
            };
            assert_eq!(end, End::Told(Outcome::Accepted { generation: 2 }), "{cut:?}");
            assert_eq!(restart(station.into_store().storage().clone()).1, Some(new()));
            // Of the chunks that were sent, only the last may have to be sent again.
            let resumed = first.chunks.last().copied().unwrap_or(0);
            let expected = resumed..chunks;
            let sent_again = second.chunks.first().copied().unwrap_or(chunks);
            assert!(
                committed
                    || sent_again == resumed
                    || sent_again == resumed + 1
                    || expected.is_empty(),
                "{cut:?}: {:?} then {:?}",
                first.chunks,
                second.chunks
            );
            let known = first.chunks.len() > 1 && sent_again < first.chunks[first.chunks.len() - 1];
            assert!(!known, "{cut:?}: an acknowledged chunk was sent again");
        }
    }
}

/// Power is lost after every byte that is written or erased. After the restart the station has the
/// old or the new configuration, and the next load completes; also if power is lost once more.
#[test]
fn power_lost_after_every_byte_written_or_erased() {
    for wear in [Wear::Forwards, Wear::Backwards, Wear::Ragged, Wear::Unreadable] {
        let mut start = with_old();
        start.wear = wear;
        start.worn = 0;
        let (_, store) = load(restart(start.clone()).0, &new(), &mut Cut::never());
        let total = store.storage().worn;
        assert!(total > 2 * start.capacity(), "two erasures and the cells: {total}");
        let (mut olds, mut news) = (0, 0);
        for power in 1..total {
            let mut flash = start.clone();
            flash.power = Some(power);
            let (end, store) =
                load(Store::open(flash).expect("powered"), &new(), &mut Cut::never());
            assert_eq!(end, End::Dark, "{wear:?} {power}");
            let (mut store, in_use) = restart(store.storage().clone());
            if in_use == Some(new()) {
                news += 1;
            } else {
                assert_eq!(in_use, Some(old()), "{wear:?} {power}: neither");
                olds += 1;
            }
            // Once more, somewhere else.
            if power.is_multiple_of(3) {
                let mut flash = store.storage().clone();
                flash.power = Some(power * 7 % total + 1);
                let broken = Store::open(flash).map(|s| load(s, &new(), &mut Cut::never()).1);
                if let Ok(broken) = broken {
                    let (again, in_use) = restart(broken.storage().clone());
                    assert!(in_use == Some(old()) || in_use == Some(new()), "{wear:?} {power}");
                    store = again;
                }
            }
            let (end, store) = load(store, &new(), &mut Cut::never());
            assert_eq!(end, End::Told(Outcome::Accepted { generation: 2 }), "{wear:?} {power}");
            let (_, in_use) = restart(store.storage().clone());
            assert_eq!(in_use, Some(new()), "{wear:?} {power}");
        }
        // The new one is in use from the commit on, while the old one is being erased.
        assert!(olds > start.capacity() && news > start.capacity() / 2, "{olds} {news}");
    }
}

/// A station that has never had one has none, or the new one.
#[test]
fn the_first_configuration_and_every_loss_of_power() {
    let (_, store) = load(Store::open(flash()).expect("blank"), &new(), &mut Cut::never());
    let total = store.storage().worn;
    for power in 1..total {
        let mut flash = flash();
        flash.power = Some(power);
        let (_, store) = load(Store::open(flash).expect("blank"), &new(), &mut Cut::never());
        let (store, in_use) = restart(store.storage().clone());
        assert!(in_use.is_none() || in_use == Some(new()), "{power}");
        let (end, _) = load(store, &new(), &mut Cut::never());
        assert_eq!(end, End::Told(Outcome::Accepted { generation: 1 }), "{power}");
    }
}

#[track_caller]
fn refused(content: &[u8], address: Address, why: Refusal) {
    let mut work = vec![0; 1_024];
    let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
    let (end, _) = connect(&mut station, address, content, &mut Cut::never());
    assert_eq!(end, End::Told(Outcome::Refused(why)));
    assert_eq!(station.verdict(), Some(Verdict::Refused(why)));
    let flash = station.into_store().storage().clone();
    let (store, in_use) = restart(flash);
    assert_eq!(in_use, Some(old()), "the old one is kept");
    // And a good one is taken afterwards.
    let (end, _) = load(store, &new(), &mut Cut::never());
    assert_eq!(end, End::Told(Outcome::Accepted { generation: 2 }));
}

#[test]
fn swapped_oversized_damaged_and_later_ones_are_refused_and_the_old_one_kept() {
    let other = encoded(&configuration(2, 0x4C, None));
    refused(&other, Address::new(0x4C), Refusal::OtherStation);
    // Offered for this station, and another's all the same.
    refused(&other, MINE, Refusal::OtherStation);
    refused(&vec![0xA0; 1_025], MINE, Refusal::TooLong);
    refused(&vec![0xA0; MAX_CARRIED + 1], MINE, Refusal::TooLong);
    refused(&[], MINE, Refusal::TooLong);
    refused(&new()[..200], MINE, Refusal::Damaged);
    let mut flipped = new();
    flipped[50] ^= 4;
    refused(&flipped, MINE, Refusal::Damaged);
    let mut later = new();
    later[2] = 2;
    refused(&later, MINE, Refusal::Version);
    refused(&[0x82; 64], MINE, Refusal::Damaged);
    let mut odd = configuration(2, 0x4B, None);
    odd.structure.window = 5;
    refused(&encoded(&odd), MINE, Refusal::NoStation);
}

/// What is refused after it was carried does not stay in the storage.
#[test]
fn a_refused_configuration_leaves_no_keys() {
    let other = encoded(&configuration(2, 0x4C, None));
    let (_, store) = load(restart(with_old()).0, &other, &mut Cut::never());
    let key = hopwright_tests::plans::key_bytes(2);
    assert!(!store.storage().bytes().windows(8).any(|part| part == &key[..8]));
}

#[test]
fn a_blank_station_takes_any_address() {
    let mut work = vec![0; 1_024];
    let store = Store::open(flash()).expect("blank");
    let mut station = StationEnd::new(store, Core(None), &mut work);
    let (end, _) = connect(&mut station, MINE, &new(), &mut Cut::never());
    assert_eq!(end, End::Told(Outcome::Accepted { generation: 1 }));
}

#[test]
fn another_version_of_the_protocol_is_refused() {
    let mut work = vec![0; 64];
    let store = Store::open(flash()).expect("blank");
    let mut station = StationEnd::new(store, Core(None), &mut work);
    let mut wire = Wire::new();
    write_frame(Frame { kind: 1, sequence: 2, payload: &[0; 20] }, &mut wire);
    for byte in &wire {
        station.byte(*byte);
    }
    assert_eq!(station.verdict(), Some(Verdict::Refused(Refusal::Protocol)));
}

#[test]
fn a_silent_station_is_given_up() {
    let content = new();
    let mut carrier = CarrierEnd::new(MINE, &content);
    let mut now = Tick::ZERO;
    let mut sent = 0;
    while carrier.outcome().is_none() {
        sent += usize::from(carrier.poll(now).is_some());
        now = carrier.wake();
    }
    assert_eq!((carrier.outcome(), sent), (Some(Outcome::NoAnswer), 9));
    assert!(now <= Tick::new(5_000_000), "{now:?}");
    let chunks = u16::try_from(content.len().div_ceil(CHUNK_BYTES)).expect("few");
    assert_eq!(carrier.progress(), (0, chunks), "nothing has been acknowledged");
}

/// Both check values, by the catalogue of parametrised CRC algorithms (RevEng).
#[test]
fn check_values_are_the_catalogues() {
    assert_eq!(digest(b"123456789"), 0x995D_C9BB_DF19_39FA, "CRC-64/XZ");
    // A frame's CRC-32/ISO-HDLC is over kind, sequence, length and payload: "123456789" as such.
    let payload: [u8; 0x34] = core::array::from_fn(|i| *b"56789".get(i).unwrap_or(&0));
    let mut wire = Wire::new();
    write_frame(Frame { kind: b'1', sequence: 0x3332, payload: &payload }, &mut wire);
    // Length 34 hex is the character 4; so the frame starts with the nine characters.
    assert_eq!(&wire[1..10], b"123456789");
    let body = &wire[1..wire.len() - 5];
    let crc = body.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            crc >> 1 ^ if crc & 1 == 1 { 0xEDB8_8320 } else { 0 }
        })
    });
    assert_eq!(wire[wire.len() - 5..wire.len() - 1], (!crc).to_le_bytes());
}

/// Stuffing of RFC 1055 (SLIP): END C0 becomes DB DC, ESC DB becomes DB DD.
#[test]
fn frames_are_stuffed_as_slip() {
    let mut wire = Wire::new();
    write_frame(Frame { kind: 0xC0, sequence: 0xDB00, payload: &[0xC0, 0xDB, 0xDC] }, &mut wire);
    let expected = [0xC0, 0xDB, 0xDC, 0, 0xDB, 0xDD, 3, 0xDB, 0xDC, 0xDB, 0xDD, 0xDC];
    assert_eq!(wire[..expected.len()], expected);
    assert_eq!(wire.last(), Some(&0xC0));
    let worst = [0xC0; MAX_PAYLOAD];
    write_frame(Frame { kind: 0xC0, sequence: 0xC0C0, payload: &worst }, &mut wire);
    assert!(wire.len() <= MAX_WIRE && wire.len() >= 2 * MAX_PAYLOAD + 2 + 7);
}

#[test]
fn generations_decide_and_a_rotten_bank_is_not_used() {
    let (store, _) = restart(with_old());
    let (_, store) = load(store, &new(), &mut Cut::never());
    let active = store.active().expect("in use");
    assert_eq!((active.generation, active.bank), (2, Bank::B));
    let mut flash = store.storage().clone();
    // A byte of a chunk rots: the configuration is not whole, and there is no other.
    rot(&mut flash, Bank::B);
    assert_eq!(restart(flash).1, None);
}

/// Rots a byte of the first chunk in a bank.
fn rot(flash: &mut Flash, bank: Bank) {
    let mut bytes = vec![0; flash.capacity()];
    flash.read(bank, 0, &mut bytes).expect("read");
    bytes[CELL_BYTES + 40] ^= 1;
    flash.erase(bank).expect("erased");
    flash.write(bank, 0, &bytes).expect("written");
}

/// What has been written and erased before the old configuration's bank begins to be erased.
fn worn_at_the_commit(start: &Flash) -> usize {
    let (_, store) = load(restart(start.clone()).0, &new(), &mut Cut::never());
    store.storage().worn - start.worn - start.capacity()
}

/// Power goes right behind the commit record, so that both are there. The new one is in use as long
/// as it is whole; if it is not, the old one is, and nothing of it has been erased.
#[test]
fn the_old_configuration_serves_while_the_new_one_is_not_whole() {
    let start = with_old();
    let mut flash = start.clone();
    flash.power = Some(worn_at_the_commit(&start));
    let (end, store) = load(Store::open(flash).expect("powered"), &new(), &mut Cut::never());
    assert_eq!(end, End::Dark);
    let both = store.storage().clone();
    assert_eq!(restart(both.clone()).1, Some(new()));
    let mut rotten = both;
    rotten.power = None;
    rot(&mut rotten, Bank::B);
    let (store, in_use) = restart(rotten);
    assert_eq!(in_use, Some(old()));
    let (end, store) = load(store, &new(), &mut Cut::never());
    assert_eq!(end, End::Told(Outcome::Accepted { generation: 3 }), "one more than the rotten one");
    assert_eq!(restart(store.storage().clone()).1, Some(new()));
}

/// Power goes while the old configuration is being erased: the next start makes up for it. If the
/// storage erases the offer last, what is left looks like an offer under way, and the next one does.
#[test]
fn an_interrupted_erasure_is_made_up_for() {
    let start = with_old();
    let commit = worn_at_the_commit(&start);
    let old_key = hopwright_tests::plans::key_bytes(1);
    let has_old_key = |flash: &Flash| flash.bytes().windows(8).any(|part| part == &old_key[..8]);
    let mut interrupted = 0;
    for wear in [Wear::Forwards, Wear::Ragged, Wear::Backwards, Wear::Unreadable] {
        for erased in (1..start.capacity()).step_by(16) {
            let mut flash = start.clone();
            (flash.wear, flash.power) = (wear, Some(commit + erased));
            let (end, store) =
                load(Store::open(flash).expect("powered"), &new(), &mut Cut::never());
            assert_eq!(end, End::Dark, "{wear:?} {erased}");
            interrupted += usize::from(has_old_key(store.storage()));
            let (store, in_use) = restart(store.storage().clone());
            assert_eq!(in_use, Some(new()), "{wear:?} {erased}");
            // What cannot be read might be readable the next time, and in use: it waits for an offer.
            if !matches!(wear, Wear::Backwards | Wear::Unreadable) {
                assert!(!has_old_key(store.storage()), "{wear:?} {erased}: the old key stays");
            }
            let third = encoded(&configuration(3, 0x4B, None));
            let (end, store) = load(store, &third, &mut Cut::never());
            assert_eq!(end, End::Told(Outcome::Accepted { generation: 3 }), "{wear:?} {erased}");
            assert!(!has_old_key(store.storage()), "{wear:?} {erased}: the old key stays");
        }
    }
    assert!(interrupted > 10, "only {interrupted} left anything of the key");
}

/// A line that changes, loses and invents bytes.
struct Noisy {
    errors: Vec<(usize, u8)>,
    at: usize,
}

impl Noisy {
    fn pass(&mut self, byte: u8) -> Vec<u8> {
        self.at += 1;
        let at = self.at;
        match self.errors.iter().find(|(place, _)| *place == at) {
            None => vec![byte],
            Some((_, 0)) => vec![],
            Some((_, 1)) => vec![byte, byte],
            Some((_, 2)) => vec![0xC0],
            Some((_, with)) => vec![byte ^ with],
        }
    }
}

impl Line for Noisy {
    fn to_station(&mut self, byte: u8) -> Result<Vec<u8>, Unplugged> {
        Ok(self.pass(byte))
    }

    fn to_carrier(&mut self, byte: u8) -> Result<Vec<u8>, Unplugged> {
        Ok(self.pass(byte))
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(if cfg!(miri) { 4 } else { 512 }))]

    /// A noisy line: what is accepted is what was sent; a few errors are only a delay.
    #[test]
    fn noise_delays_and_never_falsifies(
        errors in proptest::collection::vec((1_usize..1_800, any::<u8>()), 0..40),
    ) {
        let few = errors.len() <= 4;
        let mut line = Noisy { errors, at: 0 };
        let (end, store) = load(restart(with_old()).0, &new(), &mut line);
        let in_use = restart(store.storage().clone()).1;
        match end {
            End::Told(Outcome::Accepted { generation: 2 }) => prop_assert_eq!(in_use, Some(new())),
            End::Told(Outcome::NoAnswer) => {
                prop_assert!(!few);
                prop_assert!(in_use == Some(old()) || in_use == Some(new()));
            }
            other @ (End::Told(_) | End::Unplugged | End::Dark) => {
                prop_assert!(false, "{:?}", other);
            }
        }
    }

    /// Plug and power go at random, several times in a row, with another wear each time.
    #[test]
    fn any_sequence_of_mishaps_ends_with_the_new_one(
        mishaps in proptest::collection::vec((0_usize..2_000, 0_usize..400, 1_usize..6_000, 0_u8..4), 1..8),
    ) {
        let mut flash = with_old();
        let mut before = old();
        for (station, carrier, power, wear) in mishaps {
            flash.wear = [Wear::Forwards, Wear::Backwards, Wear::Ragged, Wear::Unreadable][usize::from(wear)];
            flash.power = Some(power);
            let opened = Store::open(flash.clone());
            let Ok(store) = opened else { continue };
            let (_, store) = load(store, &new(), &mut Cut { station, carrier });
            let (store, in_use) = restart(store.storage().clone());
            let in_use = in_use.expect("one or the other");
            // Once the new one is in use, the old one does not come back.
            prop_assert!(in_use == before || in_use == new());
            before = in_use;
            flash = store.storage().clone();
            flash.power = None;
        }
        let (end, store) = load(restart(flash).0, &new(), &mut Cut::never());
        prop_assert_eq!(end, End::Told(Outcome::Accepted { generation: 2 }));
        prop_assert_eq!(restart(store.storage().clone()).1, Some(new()));
    }

    /// A carrier that sends anything at all moves nothing.
    #[test]
    fn arbitrary_bytes_and_frames_change_nothing(
        bytes in proptest::collection::vec(any::<u8>(), 0..400),
        frames in proptest::collection::vec(
            (0_u8..5, any::<u16>(), proptest::collection::vec(any::<u8>(), 0..150)), 0..20),
    ) {
        let mut work = vec![0; 1_024];
        let mut station = StationEnd::new(restart(with_old()).0, Core(Some(MINE)), &mut work);
        let mut wire = Wire::new();
        for byte in bytes {
            station.byte(byte);
        }
        for (kind, sequence, payload) in &frames {
            write_frame(Frame { kind: *kind, sequence: sequence % 4, payload }, &mut wire);
            for byte in &wire {
                station.byte(*byte);
            }
        }
        let flash = station.into_store().storage().clone();
        prop_assert_eq!(restart(flash).1, Some(old()));
    }

    /// And a station that sends anything at all makes the carrier say something, and end.
    #[test]
    fn a_mad_station_does_not_hold_the_carrier(
        answers in proptest::collection::vec(
            (0x7F_u8..0x87, 0_u16..8, proptest::collection::vec(any::<u8>(), 0..6)), 0..40),
    ) {
        let content = new();
        let mut carrier = CarrierEnd::new(MINE, &content);
        let mut now = Tick::ZERO;
        let mut answers = answers.into_iter();
        let mut wire = Wire::new();
        for _ in 0..2_000 {
            let _ = carrier.poll(now);
            if carrier.outcome().is_some() {
                return Ok(());
            }
            if let Some((kind, sequence, payload)) = answers.next() {
                write_frame(Frame { kind, sequence, payload: &payload }, &mut wire);
                wire.iter().for_each(|byte| carrier.byte(*byte));
            } else {
                now = carrier.wake();
            }
        }
        prop_assert!(false, "no end");
    }
}
