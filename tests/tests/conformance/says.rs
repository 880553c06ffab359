//! What the core says about itself: every error tells what is wrong, and with which value.

use hopwright_core::address::{Address, Target};
use hopwright_core::band::{HopsetError, LaneError, RasterError};
use hopwright_core::coding::reed_solomon::{CodeError, Uncorrectable};
use hopwright_core::front_end::{PartError, QualifyError, RadioError, TooSlow};
use hopwright_core::loader::{Refusal, StorageFault};
use hopwright_core::message::LoadError;
use hopwright_core::provision::manual::{EntryError, GroupError};
use hopwright_core::provision::{DecodeError, Fault, OpenError};
use hopwright_core::relay::RelayError;
use hopwright_core::seal::Forged;
use hopwright_core::sequence::StructureError;
use hopwright_core::station::{ConfigError, Refused};
use hopwright_core::stream::ShareError;
use hopwright_core::timing::TimingError;
use hopwright_core::tree::{DirectoryFull, OrderError};
use hopwright_core::units::{Channel, Hertz, Lane, Micros, Slot, Tick};
use std::collections::BTreeSet;
use std::fmt::{Debug, Display};

/// A text for a person: one line without a full stop, to stand behind `error: `.
fn said(what: &(impl Display + Debug)) -> String {
    let text = what.to_string();
    let fits = text.starts_with(|c: char| c.is_ascii_lowercase() || c.is_ascii_digit())
        && text.ends_with(|c: char| c.is_ascii_alphanumeric() || c == ')' || c == '?')
        && text.len() > 10
        && !text.contains(['\n', '\t']);
    assert!(fits, "{what:?} says `{text}`");
    text
}

/// Errors with the values that their texts must hold. No two say the same.
#[derive(Default)]
struct Texts(BTreeSet<String>);

impl Texts {
    fn of(&mut self, what: impl Display + Debug, values: &[&str]) {
        let text = said(&what);
        for value in values {
            let whole = |part: &str| part == *value;
            let found = text.split(|c: char| !c.is_ascii_alphanumeric()).any(whole);
            assert!(found, "{what:?} says `{text}`, without {value}");
        }
        assert!(self.0.insert(text.clone()), "two errors say `{text}`");
    }
}

fn channel(number: u16) -> Channel {
    Channel::new(number).unwrap()
}

#[test]
fn units_and_addresses() {
    assert_eq!(Hertz::new(902_000_000).to_string(), "902000000 Hz");
    assert_eq!(Micros::new(1_500).to_string(), "1500 us");
    assert_eq!(Slot::new(77).to_string(), "77");
    assert_eq!(channel(4095).to_string(), "4095");
    assert_eq!(Lane::new(31).unwrap().to_string(), "31");
    let address = Address::new(0x4F);
    assert_eq!(address.to_string(), "4F");
    assert_eq!(Address::new(0).to_string(), "00");
    assert_eq!(Target::ALL.to_string(), "all");
    assert_eq!(Target::one(address).to_string(), "4F");
    assert_eq!(Target::all_but(address).to_string(), "all but 4F");
    assert_eq!(Target::prefix(Address::new(0x40), 4).unwrap().to_string(), "40/4");
}

#[test]
fn of_the_band_and_the_sequence() {
    let mut texts = Texts::default();
    texts.of(RasterError::Count(4097), &["4096", "4097"]);
    texts.of(RasterError::Zero, &["zero"]);
    texts.of(RasterError::TooHigh, &["highest"]);
    texts.of(LaneError::Count(33), &["32", "33"]);
    texts.of(LaneError::Width(65), &["64", "65"]);
    texts.of(HopsetError::Lane { lane: Lane::new(7).unwrap(), count: 5 }, &["7", "5"]);
    texts.of(HopsetError::TooFew { found: 3, needed: 4 }, &["3", "4"]);
    texts.of(HopsetError::TooMany { found: 129, room: 128 }, &["129", "128"]);
    texts.of(HopsetError::NotAllowed(channel(17)), &["17"]);
    texts.of(HopsetError::Twice(channel(18)), &["18", "twice"]);
    texts.of(StructureError::Frame(65), &["64", "65"]);
    texts.of(StructureError::Rendezvous(66), &["64", "66"]);
    let exceed = StructureError::RendezvousExceedHopset { rendezvous: 16, hopset: 12 };
    texts.of(exceed, &["16", "12"]);
    texts.of(StructureError::Window { window: 5, rendezvous: 16 }, &["5", "16"]);
    texts.of(StructureError::EqualUse { hopset: 100, needed: 128 }, &["100", "128"]);
    texts.of(TimingError::Slot(999), &["1000", "1000000", "999"]);
    texts.of(TimingError::Nothing { lost_us: 1_200, slot_us: 1_100 }, &["1200", "1100"]);
    texts.of(TimingError::Guard, &["zero"]);
    texts.of(TimingError::HeaderTooLong { room: 100, needed: 224 }, &["100", "224"]);
    texts.of(TimingError::TooManyBits(4_097), &["4096", "4097"]);
}

#[test]
fn of_a_station() {
    let mut texts = Texts::default();
    texts.of(ConfigError::Structure(StructureError::Frame(1)), &["1"]);
    texts.of(ConfigError::Announce(2_001), &["2000", "2001"]);
    texts.of(ConfigError::Guard { guard_us: 500, needed_us: 650 }, &["500", "650"]);
    texts.of(ConfigError::OwnTolerance, &["tolerance"]);
    texts.of(ConfigError::FixedInHopset(channel(40)), &["40"]);
    texts.of(Refused::NotTimekeeper, &["timekeeper"]);
    texts.of(Refused::TooEarly(Tick::new(5)), &["long"]);
    texts.of(Refused::WatermarkLost, &["watermark"]);
    texts.of(Refused::TimelineEnded, &["slots"]);
    texts.of(Refused::Speaking, &["already"]);
    texts.of(Refused::NotSpeaking, &["not"]);
    texts.of(Refused::Busy, &["busy"]);
    texts.of(Refused::TooLong(106), &["106"]);
    texts.of(Refused::Full, &["payload"]);
    texts.of(Refused::NoKey(Target::one(Address::new(9))), &["directory"]);
    texts.of(Refused::NoOrder, &["order"]);
    texts.of(Refused::NotForUs, &["order"]);
    texts.of(Refused::NoChannel, &["channel"]);
    assert!(Refused::NoKey(Target::one(Address::new(9))).to_string().contains("09"));
}

#[test]
fn of_keys_payloads_and_relays() {
    let mut texts = Texts::default();
    texts.of(OrderError::Entries(70), &["70"]);
    texts.of(OrderError::Generation, &["255"]);
    texts.of(DirectoryFull, &["targets"]);
    texts.of(Forged, &["tag"]);
    texts.of(CodeError::Length { n: 64, most: 63 }, &["64", "63"]);
    texts.of(CodeError::Data { k: 33, n: 31 }, &["33", "31"]);
    texts.of(Uncorrectable, &["symbols"]);
    texts.of(LoadError::Busy { left: 31 }, &["31"]);
    texts.of(LoadError::TooLong { limit: 224 }, &["224"]);
    texts.of(LoadError::SlotUsed { last: Slot::new(100) }, &["100"]);
    texts.of(ShareError::Frame(65), &["64", "65"]);
    texts.of(ShareError::TooSlow, &["bit"]);
    texts.of(ShareError::TooFast { needed: 900, room: 832 }, &["900", "832"]);
    texts.of(RelayError::SameNet(Lane::new(3).unwrap()), &["3"]);
    texts.of(RelayError::SharedChannel(channel(12)), &["12"]);
    texts.of(RelayError::NoRelays, &["limit"]);
}

#[test]
fn of_the_loader_and_its_formats() {
    let mut texts = Texts::default();
    for refusal in Refusal::ALL {
        texts.of(refusal, &[]);
    }
    texts.of(StorageFault, &["storage"]);
    texts.of(Fault::Version(9), &["9"]);
    texts.of(Fault::CutShort, &["end"]);
    texts.of(Fault::Trailing, &["end"]);
    texts.of(Fault::TooLong { bytes: 5_000, limit: 4_096 }, &["5000", "4096"]);
    for fault in [
        Fault::Damaged,
        Fault::NotShortest,
        Fault::Indefinite,
        Fault::Malformed,
        Fault::Type,
        Fault::Depth,
        Fault::KeyOrder,
        Fault::KeyTwice,
    ] {
        texts.of(fault, &[]);
    }
    texts.of(Fault::UnknownKey(19), &["19"]);
    texts.of(Fault::MissingKey(19), &["19"]);
    texts.of(Fault::Value(19), &["19"]);
    texts.of(Fault::Timing(TimingError::Guard), &["guard"]);
    texts.of(Fault::Hopset(HopsetError::Twice(channel(7))), &["7"]);
    texts.of(DecodeError { at: 41, fault: Fault::Damaged }, &["41", "damaged"]);
    texts.of(OpenError::Envelope(DecodeError { at: 3, fault: Fault::Type }), &["3"]);
    texts.of(OpenError::Passphrase, &["passphrase"]);
    texts.of(OpenError::Forged, &["key"]);
    texts.of(GroupError::Length(4), &["5", "4"]);
    texts.of(GroupError::Character(2), &["2"]);
    texts.of(GroupError::Check, &["character"]);
    texts.of(GroupError::Place(11), &["11"]);
    texts.of(GroupError::TooMany, &["groups"]);
    texts.of(EntryError::Missing(6), &["6"]);
    texts.of(EntryError::Version(2), &["2"]);
    texts.of(EntryError::Check, &["whole"]);
    texts.of(EntryError::Value, &["first"]);
}

#[test]
fn of_a_board() {
    let mut texts = Texts::default();
    let (short, long) = (Micros::new(300), Micros::new(400));
    texts.of(TooSlow::Lead { lead: long, settle: short }, &["300", "400"]);
    texts.of(TooSlow::Settle { measured: long, allowed: short }, &["300", "400"]);
    let turnaround = TooSlow::Turnaround { measured: long, allowed: short };
    texts.of(turnaround, &["300", "400"]);
    let qualify = QualifyError::<PartError>::TooSlow(turnaround);
    assert_eq!(qualify.to_string(), turnaround.to_string());
    let qualify = QualifyError::Radio(PartError::Length(600));
    assert_eq!(qualify.to_string(), PartError::Length(600).to_string());
    texts.of(PartError::Frequency(Hertz::new(5)), &["5"]);
    texts.of(PartError::BitRate(9_600), &["9600"]);
    texts.of(PartError::Field(5), &["5"]);
    texts.of(PartError::Resolution(25), &["24", "25"]);
    texts.of(PartError::Threshold { threshold: 70, memory: 66 }, &["70", "66"]);
    texts.of(PartError::Length(600), &["600"]);
    type Radio = RadioError<u8, u8, u8>;
    texts.of(Radio::Bus(5), &["bus", "5"]);
    texts.of(Radio::Amplifier(6), &["amplifier", "6"]);
    texts.of(Radio::Stamps(7), &["stamps", "7"]);
    texts.of(Radio::OffRaster(channel(900)), &["900"]);
    texts.of(Radio::NotSettled, &["synthesiser"]);
    texts.of(Radio::NotReady, &["mode"]);
    texts.of(Radio::TooLong(513), &["513"]);
}
