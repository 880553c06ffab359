//! Streams over traffic slots, and relays.

use core::hint::black_box;
use hopwright_core::address::Target;
use hopwright_core::relay::{Port, Relay, Side, Tag};
use hopwright_core::stream::{Receiver, Sender, Share};
use hopwright_core::units::{Channel, Lane, Micros};

pub(crate) fn all() {
    let (bps, slot, frame) = (black_box(0), Micros::new(black_box(0)), black_box(0));
    if let Ok(share) = Share::new(bps, slot, frame, black_box(0)) {
        black_box((
            share.before(black_box(0)),
            Share::bits(&share, black_box(0)),
            Share::longest(&share),
        ));
        stream(share);
    }
    let channels = black_box([Channel::default(); 8]);
    let channels = || channels.get(..black_box(0)).unwrap_or_default();
    let port = |channels| Port { net: black_box(Lane::ZERO), channels };
    let (a, b) = (port(channels()), port(channels()));
    if let Ok(mut relay) = Relay::<8, 128>::new(a, b, black_box(Target::ALL), black_box(0)) {
        carried(&mut relay);
    }
}

fn stream(share: Share) {
    let mut sender = Sender::<128>::new(share);
    let Some(mut receiver) = Receiver::<8, 512>::new(share, black_box(0)) else { return };
    let mut out = black_box([0_u8; 600]);
    while black_box(true) {
        let _ = black_box(Sender::push(&mut sender, black_box(0)));
        let out = out.get_mut(..black_box(0)).unwrap_or_default();
        black_box((Sender::slot(&mut sender, out), Sender::short(&sender)));
        let _ = black_box(Receiver::heard(&mut receiver, out));
        black_box(receiver.play());
    }
}

fn carried(relay: &mut Relay<8, 128>) {
    let payload = black_box([0_u8; 600]);
    while black_box(true) {
        let side = if black_box(true) { Side::A } else { Side::B };
        relay.called(side, black_box(Target::ALL));
        let payload = payload.get(..black_box(0)).unwrap_or_default();
        let _ = black_box(Relay::read(relay, side, payload));
        black_box((relay.wish(side), Relay::next(relay, side), relay.net(Side::other(side))));
        relay.pressed(side);
        relay.released(side);
        relay.ended(side);
        if let Some((tag, body)) = Tag::split(payload) {
            black_box((tag.relays(), tag.has_been_on(black_box(Lane::ZERO)), body));
        }
        black_box(Tag::to_bytes(Tag::of(black_box(Lane::ZERO))));
    }
}
