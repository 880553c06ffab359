//! Sequences and their readers.

use core::hint::black_box;
use hopwright_core::band::Hopset;
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Cursor, Draw, Sequence, Structure, Timeline};
use hopwright_core::units::{Channel, Lane, Slot};

pub(crate) fn any_structure() -> Structure {
    Structure {
        frame: black_box(0),
        rendezvous: black_box(0),
        window: black_box(0),
        draw: black_box(Draw::Balanced),
        equal_use: black_box(false),
    }
}

pub(crate) fn any_hopset<const N: usize>() -> Option<Hopset<N>> {
    Hopset::from_derived((0..black_box(9)).filter_map(Channel::new), black_box(0)).ok()
}

pub(crate) fn all(key: &NetKey) {
    black_box(Structure::default());
    one::<128>(key);
    // A capacity that is no power of two, smaller than the rendezvous set may be.
    one::<37>(key);
}

fn one<const N: usize>(key: &NetKey) {
    let Some(hopset) = any_hopset() else { return };
    let lane = || black_box(Lane::ZERO);
    let sequence = Sequence::<N>::new(key, hopset, any_structure(), lane(), lane());
    let Ok(sequence) = sequence else { return };
    let timeline = || black_box(Timeline::Home);
    black_box((sequence.hopset(), sequence.structure(), sequence.lane(), sequence.draw_lane()));
    black_box((sequence.sync_word(), sequence.single_word(), timeline().bit()));
    black_box(sequence.rendezvous().last());
    black_box(sequence.rendezvous_channel(black_box(0)));
    black_box((sequence.longest_gap(), sequence.traffic_count()));
    let slot = || Slot::new(black_box(0));
    let mut cursor = Cursor::new(&sequence, timeline());
    black_box(Cursor::hop(&mut cursor, &sequence, slot()));
    black_box(Cursor::kind(&mut cursor, &sequence, slot()));
    cursor.approach(&sequence, slot(), black_box(0));
    black_box(cursor.run_hop(&sequence, slot()));
    black_box(sequence.channel(timeline(), slot()));
    let mut channels = black_box([Channel::default(); 99]);
    if let Some(channels) = channels.get_mut(..black_box(0)) {
        Sequence::fill(&sequence, timeline(), slot(), channels);
    }
    black_box(channels);
    // A reader of another sequence gives wrong channels, nothing worse.
    if let Some(hopset) = any_hopset()
        && let Ok(other) = Sequence::<N>::new(key, hopset, any_structure(), lane(), lane())
    {
        black_box(Cursor::hop(&mut cursor, &other, slot()));
        cursor.approach(&other, slot(), black_box(0));
    }
}
