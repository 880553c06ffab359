//! Configurations, typed groups, and both ends of the loader.

use core::hint::black_box;
use hopwright_core::address::Address;
use hopwright_core::loader::{
    Bank, CarrierEnd, Frame, FrameReader, Judge, KeyedJudge, Refusal, StationEnd, Storage,
    StorageFault, Store, Wire, check_configuration, digest, write_frame,
};
use hopwright_core::provision::cbor::Reader;
use hopwright_core::provision::{Configuration, Envelope, Header, Method, TransferKey, manual};
use hopwright_core::station::Watermark;
use hopwright_core::units::Tick;

fn sink(bytes: &[u8]) {
    black_box(bytes);
}

pub(crate) fn all() {
    let bytes = black_box([0_u8; 900]);
    let bytes = bytes.get(..black_box(0)).unwrap_or_default();
    if let Ok(configuration) = Configuration::<128>::decode(bytes) {
        configuration.encode(&mut sink);
        black_box(configuration.config(black_box(Watermark::Fresh), black_box(0)));
        black_box(configuration.entry().groups());
        black_box(configuration.key.fingerprint());
    }
    black_box(Reader::new(bytes).item().is_ok());
    if let Ok(envelope) = Envelope::decode(bytes) {
        envelope.header.encode(&mut sink);
        Envelope::encode(envelope.header_bytes, envelope.ciphertext, &mut sink);
    }
    let method = black_box(Method::TransferKey);
    Header { address: Address::new(black_box(0)), method, nonce: black_box([0; 12]) }
        .encode(&mut sink);
    groups(bytes);
    frames(bytes);
    keyed();
    loader(bytes);
}

fn keyed() {
    let mut bytes = black_box([0_u8; 900]);
    let key = || TransferKey::new(black_box([0; 32]));
    let address = || Address::new(black_box(0));
    // Every length, and every place of the text in its buffer.
    if let Some(sealed) = bytes.get_mut(..black_box(0)) {
        black_box(key().open(sealed)).ok();
    }
    let mut judge = KeyedJudge::<128>::new(key(), black_box(Some(address())));
    black_box(judge.address());
    if let Some(content) = bytes.get_mut(..black_box(0)) {
        black_box(judge.open(content)).ok();
    }
    if let Some(content) = bytes.get_mut(..black_box(0)) {
        black_box(judge.judge(content, address())).ok();
    }
    black_box(bytes);
}

fn groups(bytes: &[u8]) {
    let mut reader = manual::Reader::new();
    while black_box(true) {
        black_box(reader.group(bytes).is_ok());
        black_box(reader.awaited());
    }
    if let Ok(entry) = reader.finish() {
        black_box(entry.groups());
    }
}

fn frames(bytes: &[u8]) {
    let mut wire = Wire::new();
    write_frame(Frame { kind: black_box(0), sequence: black_box(0), payload: bytes }, &mut wire);
    let mut reader = FrameReader::new();
    for byte in bytes {
        black_box(reader.byte(*byte).is_some());
    }
    black_box(digest(bytes));
}

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

fn loader(bytes: &[u8]) {
    let mut work = black_box([0_u8; 900]);
    let Some(work) = work.get_mut(..black_box(0)) else { return };
    let Ok(mut store) = Store::open(Anything) else { return };
    black_box(store.load(work).is_ok());
    black_box((store.room(), store.active()));
    let mut station = StationEnd::new(store, Anything, work);
    let mut carrier = CarrierEnd::new(Address::new(black_box(0)), bytes);
    while black_box(true) {
        if let Some(answer) = station.byte(black_box(0)) {
            sink(answer);
        }
        if let Some(sent) = carrier.poll(Tick::new(black_box(0))) {
            sink(sent);
        }
        carrier.byte(black_box(0));
        black_box((carrier.outcome(), carrier.progress(), carrier.wake(), station.verdict()));
        black_box(station.told());
    }
    let mut store = station.into_store();
    let judge = KeyedJudge::<128>::new(TransferKey::new(black_box([0; 32])), None);
    let (mut sealed, nonce) = (black_box([0; 900]), black_box([0; 12]));
    let into = sealed.get_mut(..black_box(0)).unwrap_or_default();
    if let Some(sealed) = judge.seal(Address::new(black_box(0)), nonce, bytes, into) {
        black_box(store.replace(sealed).is_ok());
    }
    black_box(store.active());
}
