//! The key tree: shares, traffic keys, changes of the net key.

use crate::text::show;
use core::hint::black_box;
use hopwright_core::address::{Address, Target};
use hopwright_core::keys::{Label, NetKey};
use hopwright_core::tree::{MAX_ORDER_BYTES, MAX_SHARE_BYTES, Node, Order, Rekey, Secret, Share};
use hopwright_core::units::Slot;

pub(crate) fn all(key: &NetKey) {
    let tree = key.subkey(black_box(Label::Tree));
    let secret = || Secret::new(black_box([0; 16]));
    let address = || Address::new(black_box(0));
    let target = || black_box(Target::ALL);
    let path = core::array::from_fn(|_| secret());
    let co_path = core::array::from_fn(|_| secret());
    let mut share = Share::new(path, co_path, black_box(0), secret());
    black_box(share.add(target(), secret())).ok();
    show::<Share>(&share);
    black_box(share.directory().count());
    black_box((share.written_bytes(), share.reaches(address(), target())));
    Share::write(&share, &mut |part: &[u8]| {
        black_box(part);
    });
    let bytes = black_box([0; MAX_SHARE_BYTES + 1]);
    // Every length.
    let bytes = bytes.get(..black_box(0)).unwrap_or_default();
    black_box(Share::read(bytes).is_some());
    black_box(Share::generation(&share));
    black_box(Share::traffic_key(&share, &tree, address(), address(), target()).is_some());
    let order = black_box([0; MAX_ORDER_BYTES]);
    // Every length.
    let order = order.get(..black_box(0)).unwrap_or_default();
    if let Some(rekey) = Rekey::open(&share, &tree, address(), order) {
        black_box((rekey.key().same(key), Rekey::slot(&rekey), Rekey::generation(&rekey)));
        show::<Rekey>(&rekey);
        share.accept(&rekey);
    }
    black_box(Secret::same(&secret().child(black_box(true)), &secret().sender(address())));
    black_box(Secret::traffic_key(&secret(), &tree));
    show::<Secret>(&secret());
    Secret::expose(&secret(), |bytes| {
        black_box(*bytes);
    });
    black_box((Node::of(target()), Node::leaf(address())));
    if let Some(node) = Node::new(black_box(0)) {
        let known =
            (Node::number(node), node.depth(), Node::at(node, black_box(0)), node.sibling());
        black_box((known, node.is_right(), Node::covers(node, address())));
        let made = Order {
            generation: black_box(0),
            slot: Slot::new(black_box(0)),
            token: &secret(),
            key,
            salt: black_box([0; 16]),
            inner: &secret(),
        };
        let cover: [_; 300] = core::array::from_fn(|_| (node, secret()));
        // Every length, and more than an order holds.
        let cover = cover.get(..black_box(0)).unwrap_or_default();
        black_box(Order::to_bytes(&made, &tree, cover)).ok();
    }
    black_box((target().address(), target().prefix_length()));
}
