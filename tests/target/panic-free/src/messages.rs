//! Reed–Solomon codes, authenticated encryption, messages.

use crate::text::show;
use core::hint::black_box;
use hopwright_core::address::Address;
use hopwright_core::coding::reed_solomon::{Link, Positions, ReedSolomon};
use hopwright_core::keys::{Label, NetKey, Subkey};
use hopwright_core::message::{Inbox, Layout, Origin, Outbox};
use hopwright_core::units::Slot;

pub(crate) fn all(key: &NetKey) {
    codes();
    let key = key.subkey(black_box(Label::Text));
    sealing(&key);
    if let Ok(layout) = Layout::new(black_box(0), black_box(0), black_box(0)) {
        black_box((layout.code(), layout.most_rows(), Layout::longest(&layout)));
        let length = black_box(0);
        black_box((layout.shape(length), layout.outbox_bytes(length), layout.inbox_bytes(length)));
        messages(layout, &key);
    }
}

fn codes() {
    let mut set = Positions::first(black_box(0));
    Positions::insert(&mut set, black_box(0));
    Positions::remove(&mut set, black_box(0));
    black_box((Positions::contains(&set, black_box(0)), set.missing(black_box(0))));
    black_box((Positions::len(&set), Positions::is_empty(&set)));
    let Ok(code) = ReedSolomon::<Link>::new(black_box(0), black_box(0)) else { return };
    black_box((code.n(), code.k(), code.parity()));
    let (data, mut out) = (black_box([0; 600]), black_box([0; 600]));
    // Any lengths, fitting or not.
    let data = data.get(..black_box(0)).unwrap_or_default();
    if let Some(out) = out.get_mut(..black_box(0)) {
        code.column(data, black_box(0), out);
        black_box(code.decode(out, &set)).ok();
        black_box(code.holds(out));
    }
    black_box(out);
}

fn sealing(key: &Subkey) {
    let (nonce, mut text) = (black_box([0; 12]), black_box([0; 600]));
    let associated = black_box([0; 600]);
    let associated = associated.get(..black_box(0)).unwrap_or_default();
    if let Some(text) = text.get_mut(..black_box(0)) {
        let tag = Subkey::seal(key, &nonce, associated, text);
        black_box(Subkey::open(key, &nonce, associated, text, &black_box(tag))).ok();
    }
    black_box(text);
}

fn messages(layout: Layout, key: &Subkey) {
    let origin = || {
        let source = black_box(Address::new(0));
        Origin { source, stream: black_box(0), slot: Slot::new(black_box(0)) }
    };
    let mut payload = black_box([0; 600]);
    let mut outbox = Outbox::<3000>::new(layout);
    black_box((Outbox::longest(&outbox), Outbox::layout(&outbox).longest_in(black_box(0))));
    let text = payload.get(..black_box(0)).unwrap_or_default();
    black_box(Outbox::load(&mut outbox, key, origin(), text)).ok();
    if let Some(out) = payload.get_mut(..black_box(0)) {
        black_box((Outbox::next(&mut outbox, out), Outbox::left(&outbox)));
    }
    Outbox::repeat(&mut outbox);
    Outbox::clear(&mut outbox);
    show::<Outbox<3000>>(&outbox);
    let mut inbox = Inbox::<3000, 2>::new(layout);
    while black_box(true) {
        let payload = payload.get(..black_box(0)).unwrap_or_default();
        let _ = black_box(Inbox::take(&mut inbox, key, origin(), payload));
        let _ = black_box(inbox.work());
    }
    black_box((inbox.abandoned(), Inbox::longest(&inbox)));
    show::<Inbox<3000, 2>>(&inbox);
}
