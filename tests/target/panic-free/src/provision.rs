//! Configurations, typed groups, and both ends of the loader.

use crate::band::any_raster;
use crate::kit::{Any, tick};
use crate::text::show;
use core::hint::black_box;
use hopwright_core::address::Address;
use hopwright_core::band::{LaneKind, Lanes, Pick};
use hopwright_core::keys::NetKey;
use hopwright_core::loader::{
    Bank, CarrierEnd, Frame, FrameReader, Judge, KeyedJudge, Offer, Refusal, StationEnd, Storage,
    StorageFault, Store, Wire, carry, cells_needed, check_configuration, digest, serve,
    write_frame,
};
use hopwright_core::provision::cbor::{Fields, Reader, Writer};
use hopwright_core::provision::manual::{self, Rank};
use hopwright_core::provision::{
    Configuration, Envelope, Header, MessageCode, Method, PlanDigest, PublicPlan, TransferKey,
};
use hopwright_core::station::{Role, Watermark};
use hopwright_core::units::{Channel, Dbm, Lane, Micros, Ppb};

fn sink(bytes: &[u8]) {
    black_box(bytes);
}

pub(crate) fn all() {
    let bytes = black_box([0_u8; 900]);
    let bytes = bytes.get(..black_box(0)).unwrap_or_default();
    if let Ok(configuration) = Configuration::<128>::decode(bytes) {
        Configuration::encode(&configuration, &mut sink);
        black_box(configuration.config(black_box(Watermark::Fresh), black_box(0)));
        let entry = configuration.entry();
        black_box((entry.groups(), entry.belongs_to(&configuration.plan)));
        black_box(configuration.key.fingerprint());
        black_box(Configuration::layout(&configuration).is_ok());
        black_box(configuration.renews(black_box(&configuration)));
        plan(&configuration);
    }
    items(bytes);
    black_box(Envelope::begins(bytes));
    if let Ok(envelope) = Envelope::decode(bytes) {
        Header::encode(&envelope.header, &mut sink);
        Envelope::encode(envelope.header_bytes, envelope.ciphertext, &mut sink);
    }
    black_box(Header::decode(bytes).is_ok());
    let method = black_box(Method::TransferKey);
    let header = Header { address: Address::new(black_box(0)), method, nonce: black_box([0; 12]) };
    Header::encode(&header, &mut sink);
    groups(bytes);
    frames(bytes);
    keyed();
    loader(bytes);
}

/// The public part of any plan: whatever a configuration has, and any band.
fn plan<const N: usize>(configuration: &Configuration<'_, N>) {
    let Ok(raster) = any_raster() else { return };
    let allowed = (0..black_box(9)).filter_map(Channel::new).collect();
    let list = black_box([Channel::default(); 4_200]);
    let list = list.get(..black_box(0)).unwrap_or_default();
    let kind = black_box(LaneKind::Spaced);
    let plan = PublicPlan {
        name: configuration.name,
        raster,
        allowed: &allowed,
        pick: match black_box(0) {
            0 => Pick::All,
            1 => Pick::Keyed(black_box(0)),
            2 => Pick::Even(black_box(0)),
            _ => Pick::Listed(list),
        },
        lanes: Lanes::new(kind, black_box(0)).ok(),
        structure: configuration.structure,
        timing: configuration.timing,
        clock: configuration.clock,
        timekeeper_tolerance: black_box(Ppb::MAX),
        deputies_after: Micros::new(black_box(0)),
        announce_slots: black_box(0),
        energy_threshold: Dbm::new(black_box(0)),
        fixed: configuration.fixed,
        code: black_box(MessageCode { n: 0, k: 0 }),
    };
    PublicPlan::encode(&plan, &mut sink);
    let digest = PlanDigest::new(black_box([0; 16]));
    black_box((*PlanDigest::bytes(&digest), PlanDigest::short(&digest)));
    let rank = Rank::of(black_box(Role::Member));
    black_box(Rank::role(rank, Micros::new(black_box(0))));
    let key = || NetKey::new(black_box([0; 32]));
    let (address, lane) = (Address::new(black_box(0)), black_box(Lane::ZERO));
    for band_key in [None, Some(&key())] {
        let made = plan.configuration::<37>(digest, key(), band_key, address, rank, lane);
        if let Ok(made) = made {
            Configuration::encode(&made, &mut sink);
        }
    }
}

/// Items one by one, in any order, of whatever there is.
fn items(bytes: &[u8]) {
    let mut into = sink;
    let mut writer = Writer::new(&mut into);
    let mut reader = Reader::new(bytes);
    while black_box(true) {
        Writer::unsigned(&mut writer, black_box(0));
        Writer::signed(&mut writer, black_box(0));
        Writer::bytes(&mut writer, bytes);
        Writer::bytes_head(&mut writer, black_box(0));
        Writer::text(&mut writer, black_box(""));
        Writer::array(&mut writer, black_box(0));
        Writer::map(&mut writer, black_box(0));
        Writer::flag(&mut writer, black_box(false));
        Writer::raw(&mut writer, bytes);
        black_box((Reader::at(&reader), Reader::end(&reader).is_ok()));
        black_box(Reader::unsigned(&mut reader).is_ok());
        black_box(Reader::signed(&mut reader).is_ok());
        black_box(Reader::bytes(&mut reader)).ok();
        black_box(Reader::text(&mut reader)).ok();
        black_box(Reader::array(&mut reader).is_ok());
        black_box(Reader::array_of(&mut reader, black_box(0)).is_ok());
        black_box(Reader::map(&mut reader).is_ok());
        black_box(Reader::flag(&mut reader).is_ok());
        black_box(Reader::item(&mut reader).is_ok());
    }
    let Ok(mut fields) = Fields::open(bytes) else { return };
    while black_box(true) {
        if let Ok(Some(reader)) = Fields::optional(&mut fields, black_box(0)) {
            black_box(Reader::item(reader).is_ok());
        }
        if let Ok(reader) = Fields::needed(&mut fields, black_box(0)) {
            black_box(Reader::item(reader).is_ok());
        }
        black_box(Fields::number::<u8>(&mut fields, black_box(0)).is_ok());
        black_box(Fields::number::<u64>(&mut fields, black_box(0)).is_ok());
    }
    black_box(Fields::end(fields).is_ok());
}

fn keyed() {
    let mut bytes = black_box([0_u8; 900]);
    let key = || TransferKey::new(black_box([0; 32]));
    let address = || Address::new(black_box(0));
    // Every length, and every place of the text in its buffer.
    if let Some(sealed) = bytes.get_mut(..black_box(0)) {
        black_box(TransferKey::open(&key(), sealed)).ok();
    }
    show::<TransferKey>(&key());
    let (mut into, nonce) = (black_box([0_u8; 900]), black_box([0; 12]));
    let into = into.get_mut(..black_box(0)).unwrap_or_default();
    black_box(TransferKey::seal(&key(), address(), nonce, &bytes, into).is_some());
    let mut judge = KeyedJudge::<128>::new(key(), black_box(Some(address())));
    black_box(Judge::address(&judge));
    if let Some(content) = bytes.get_mut(..black_box(0)) {
        black_box(KeyedJudge::open(&judge, content)).ok();
    }
    if let Some(content) = bytes.get_mut(..black_box(0)) {
        black_box(Judge::judge(&mut judge, content, address())).ok();
    }
    black_box(bytes);
}

fn groups(bytes: &[u8]) {
    black_box(manual::Reader::default());
    let mut reader = manual::Reader::new();
    while black_box(true) {
        black_box(reader.group(bytes).is_ok());
        black_box(reader.awaited());
    }
    show::<manual::Reader>(&reader);
    if let Ok(entry) = reader.finish() {
        black_box((entry.groups(), entry.rank.role(Micros::new(black_box(0)))));
    }
}

fn frames(bytes: &[u8]) {
    let mut wire = Wire::new();
    write_frame(Frame { kind: black_box(0), sequence: black_box(0), payload: bytes }, &mut wire);
    black_box(FrameReader::default());
    let mut reader = FrameReader::new();
    for byte in bytes {
        if let Some(Ok(frame)) = FrameReader::byte(&mut reader, *byte) {
            show::<Frame<'_>>(&frame);
        }
    }
    show::<FrameReader>(&reader);
    black_box(digest(bytes));
    let size = black_box(0);
    let offer = Offer { size, ..Offer::of(Address::new(black_box(0)), bytes) };
    black_box((Offer::chunks(&offer), cells_needed(black_box(0))));
    black_box(Bank::other(black_box(Bank::A)));
}

#[derive(Debug)]
struct Anything;

impl Storage for Anything {
    fn capacity(&self) -> usize {
        black_box(0)
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        black_box((bank, at));
        into.fill(black_box(0));
        if black_box(true) { Ok(()) } else { Err(StorageFault) }
    }

    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        black_box((bank, at, bytes));
        if black_box(true) { Ok(()) } else { Err(StorageFault) }
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        black_box(bank);
        if black_box(true) { Ok(()) } else { Err(StorageFault) }
    }
}

impl Judge for Anything {
    fn address(&self) -> Option<Address> {
        black_box(None)
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal> {
        check_configuration::<128>(content, address)
    }
}

/// A port that does whatever it likes, as far as its traits let it.
impl embedded_io::ErrorType for Any {
    type Error = embedded_io::ErrorKind;
}

impl embedded_io::Read for Any {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, embedded_io::ErrorKind> {
        into.fill(black_box(0));
        black_box(Ok(0))
    }
}

impl embedded_io::ReadReady for Any {
    fn read_ready(&mut self) -> Result<bool, embedded_io::ErrorKind> {
        black_box(Ok(false))
    }
}

impl embedded_io::Write for Any {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, embedded_io::ErrorKind> {
        black_box(bytes);
        black_box(Ok(0))
    }

    fn flush(&mut self) -> Result<(), embedded_io::ErrorKind> {
        black_box(Ok(()))
    }
}

/// What a store asks of its storage.
fn storage<S: Storage>(storage: &mut S, bytes: &mut [u8]) {
    let bank = || black_box(Bank::A);
    black_box(Storage::read(storage, bank(), black_box(0), bytes).is_ok());
    black_box(Storage::write(storage, bank(), black_box(0), bytes).is_ok());
    black_box(Storage::erase(storage, bank()).is_ok());
}

fn loader(bytes: &[u8]) {
    let mut work = black_box([0_u8; 900]);
    let Some(work) = work.get_mut(..black_box(0)) else { return };
    let Ok(mut store) = Store::open(Anything) else { return };
    black_box(Store::load(&mut store, work).is_ok());
    black_box((
        store.room(),
        store.active(),
        store.is_in_doubt(),
        Storage::capacity(store.storage()),
    ));
    storage(&mut Anything, work);
    let mut station = StationEnd::new(store, Anything, work);
    let mut carrier = CarrierEnd::new(Address::new(black_box(0)), bytes);
    while black_box(true) {
        if let Some(answer) = StationEnd::byte(&mut station, black_box(0)) {
            sink(answer);
        }
        if let Some(sent) = CarrierEnd::poll(&mut carrier, tick()) {
            sink(sent);
        }
        CarrierEnd::byte(&mut carrier, black_box(0));
        black_box((carrier.outcome(), carrier.progress(), CarrierEnd::wake(&carrier)));
        black_box((
            station.verdict(),
            station.told(),
            station.is_silent(),
            StationEnd::store(&station).active(),
        ));
        black_box(serve(&mut Any, &mut station).is_ok());
        black_box(carry(&mut Any, &mut carrier, tick, |end| show::<CarrierEnd<'_>>(end)).is_ok());
    }
    show::<StationEnd<'_, Anything, Anything>>(&station);
    show::<Store<Anything>>(StationEnd::store(&station));
    let mut store = station.into_store();
    let judge = KeyedJudge::<128>::new(TransferKey::new(black_box([0; 32])), None);
    let (mut sealed, nonce) = (black_box([0; 900]), black_box([0; 12]));
    let into = sealed.get_mut(..black_box(0)).unwrap_or_default();
    if let Some(sealed) = KeyedJudge::seal(&judge, Address::new(black_box(0)), nonce, bytes, into) {
        black_box(Store::replace(&mut store, sealed).is_ok());
    }
    black_box(store.active());
}
