//! Keys and keyed words.

use crate::text::show;
use core::hint::black_box;
use hopwright_core::keys::{Label, NetKey, Subkey, Words, shuffle, uniform};

pub(crate) fn all() -> NetKey {
    let key = NetKey::new(black_box([0; 32]));
    black_box(NetKey::same(&key, &black_box(NetKey::of_the_clear())));
    NetKey::expose(&key, |bytes| {
        black_box(*bytes);
    });
    show::<NetKey>(&key);
    let subkey = NetKey::subkey(&key, black_box(Label::Hop));
    black_box(Subkey::word(&subkey, black_box(0), black_box(0)));
    black_box(Subkey::subkey(&subkey, black_box(Label::Hop)));
    black_box(Subkey::new(black_box([0; 32])));
    black_box(subkey.clone());
    show::<Subkey>(&subkey);
    let mut words = Words::new(black_box(0));
    black_box(Words::word(&mut words, &subkey, black_box(0)));
    show::<Words>(&words);
    black_box(uniform(black_box(0), black_box(0)));
    let mut list = black_box([0_u16; 300]);
    // Every length, the empty list too.
    if let Some(list) = list.get_mut(..black_box(0)) {
        shuffle(&subkey, black_box(0), black_box(0), list);
    }
    black_box(list);
    key
}
