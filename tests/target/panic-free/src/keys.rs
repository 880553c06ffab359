//! Keys and keyed words.

use core::hint::black_box;
use hopwright_core::keys::{Label, NetKey, Words, shuffle, uniform};

pub(crate) fn all() -> NetKey {
    let key = NetKey::new(black_box([0; 32]));
    black_box(key.same(&NetKey::new(black_box([0; 32]))));
    let subkey = key.subkey(black_box(Label::Hop));
    black_box(subkey.word(black_box(0), black_box(0)));
    black_box(subkey.clone());
    black_box(Words::new(black_box(0)).word(&subkey, black_box(0)));
    black_box(uniform(black_box(0), black_box(0)));
    let mut list = black_box([0_u16; 300]);
    // Every length, the empty list too.
    if let Some(list) = list.get_mut(..black_box(0)) {
        shuffle(&subkey, black_box(0), black_box(0), list);
    }
    black_box(list);
    key
}
