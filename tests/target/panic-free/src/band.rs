//! Rasters, exclusions, lanes, hopsets.

use crate::text::show;
use core::hint::black_box;
use hopwright_core::band::{
    ChannelSet, Exclusion, Hopset, LaneKind, Lanes, Pick, Raster, RasterError,
};
use hopwright_core::keys::NetKey;
use hopwright_core::units::{Channel, Hertz, Lane};

pub(crate) fn any_raster() -> Result<Raster, RasterError> {
    let hertz = || Hertz::new(black_box(0));
    Raster::new(hertz(), hertz(), hertz(), black_box(0))
}

pub(crate) fn all(key: &NetKey) -> Result<(), RasterError> {
    let raster = any_raster()?;
    black_box((Raster::count(&raster), raster.spacing(), raster.occupied()));
    black_box(raster.frequency(black_box(Channel::default())));
    black_box(raster.channel_at(Hertz::new(black_box(0))));
    let mut allowed = Raster::all(&raster);
    allowed.extend_with(&raster.centred_in(Hertz::new(black_box(0)), Hertz::new(black_box(0))));
    allowed.remove_all(&raster.excluded_by(black_box(Exclusion::Channels {
        from: Channel::default(),
        to: Channel::default(),
    })));
    set(&mut allowed);
    set(&mut black_box(ChannelSet::new()));
    set(&mut black_box(ChannelSet::default()));
    let lanes = lanes(black_box(0), black_box(0), black_box(0));
    for lanes in [None, lanes.as_ref()] {
        let lane = Lane::new(black_box(0)).unwrap_or_default();
        black_box(lanes.map(|lanes| lanes.share(key, &raster, &allowed, lane)));
        let list = black_box([Channel::default(); 4_200]);
        let list = list.get(..black_box(0)).unwrap_or_default();
        let pick = match black_box(0) {
            0 => Pick::All,
            1 => Pick::Keyed(black_box(0)),
            2 => Pick::Even(black_box(0)),
            _ => Pick::Listed(list),
        };
        hopset::<128>(Hopset::derive(key, &raster, &allowed, pick, lanes, lane).ok());
        let channels = (0..black_box(9)).filter_map(Channel::new);
        hopset::<4>(Hopset::from_derived(channels, black_box(0)).ok());
    }
    Ok(())
}

fn set(set: &mut ChannelSet) {
    ChannelSet::insert(set, black_box(Channel::default()));
    black_box(ChannelSet::contains(set, black_box(Channel::default())));
    black_box((ChannelSet::len(set), ChannelSet::is_empty(set)));
    black_box(ChannelSet::iter(set).last());
    let copy: ChannelSet = set.iter().collect();
    black_box(copy == *set);
    show::<ChannelSet>(set);
}

fn lanes(kind: u8, width: u8, count: u8) -> Option<Lanes> {
    let kind = if kind == 0 { LaneKind::Disjoint { width } } else { LaneKind::Spaced };
    let lanes = Lanes::new(kind, count).ok()?;
    black_box((Lanes::kind(&lanes), Lanes::count(&lanes), lanes.spaced()));
    Some(lanes)
}

fn hopset<const N: usize>(hopset: Option<Hopset<N>>) {
    let Some(hopset) = hopset else { return };
    black_box((hopset.rotation(), hopset.channels()));
    black_box((Hopset::len(&hopset), Hopset::is_empty(&hopset)));
    black_box(Hopset::contains(&hopset, black_box(Channel::default())));
    black_box(hopset.clone() == hopset);
}
