//! Nets and what connects them: the lanes of stations, `[[relay]]`, and `[audio]`.

use super::read::{printable, station_named, target};
use super::{RelayPlan, StationPlan};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::plan::{ANY_CHANNEL, Plan};
use hopwright_core::address::Target;
use hopwright_core::band::Lanes;
use hopwright_core::relay::{MOST_RELAYS, Port, Relay};
use hopwright_core::units::{Channel, Lane, MAX_LANES};
use std::collections::BTreeMap;

/// The lane of a station: one of the plan's.
pub(super) fn lane(section: &Section<'_>, plan: &Plan) -> Result<Lane, Diagnostic> {
    let number = section.integer_or("lane", 0..=MAX_LANES - 1, 0)?;
    let count = plan.lanes().map_or(1, Lanes::count);
    Lane::new(number).filter(|_| number < count).ok_or_else(|| {
        let (what, help) = match plan.lanes() {
            None => (
                "the plan has no lanes".to_owned(),
                "leave `lane` out, or add a [lanes] table to the plan".to_owned(),
            ),
            Some(_) => (
                format!("there is no lane {number}: the plan has {count}, counted from 0"),
                format!("use 0 to {}", count - 1),
            ),
        };
        section.error("lane", what, help)
    })
}

/// `[audio]`: the channel of the fixed-channel case.
pub(super) fn fixed_channel(
    root: &Section<'_>,
    plan: &Plan,
) -> Result<Option<Channel>, Diagnostic> {
    let audio = root.section("audio", &["fixed_channel"])?;
    audio.widest("fixed_channel", &ANY_CHANNEL);
    let Some(number) = audio.integer("fixed_channel", 0..=plan.raster().count() - 1)? else {
        return Ok(None);
    };
    let channel = Channel::new(number.value).filter(|channel| plan.allowed().contains(*channel));
    channel.map(Some).ok_or_else(|| {
        let what = format!("the plan does not allow channel {}", number.value);
        audio.error("fixed_channel", what, "`hopwright check` lists what the plan excludes")
    })
}

/// Every `[[relay]]`.
pub(super) fn read(
    root: &Section<'_>,
    plan: &Plan,
    stations: &[StationPlan],
) -> Result<Vec<RelayPlan>, Diagnostic> {
    let mut relays: Vec<RelayPlan> = Vec::new();
    // The nets that relays connect so far: each with one of its island.
    let mut island: BTreeMap<Lane, Lane> = BTreeMap::new();
    for section in &root.sections("relay", &["name", "a", "b", "target"])? {
        let relay = relay(section, plan, stations)?;
        if relays.iter().any(|other| other.name == relay.name) {
            let what = format!("two relays are called \"{}\"", relay.name);
            return Err(section.error("name", what, "give each relay a name of its own"));
        }
        for (key, node) in [("a", relay.a), ("b", relay.b)] {
            if let Some(other) = relays.iter().find(|r| r.a == node || r.b == node) {
                let name = &stations[node].name;
                let what = format!("{name} belongs to the relay \"{}\" already", other.name);
                return Err(section.error(key, what, "give each relay stations of its own"));
            }
        }
        let (a, b) = (stations[relay.a].lane, stations[relay.b].lane);
        let of = |island: &BTreeMap<Lane, Lane>, lane| island.get(&lane).copied().unwrap_or(lane);
        let (from, to) = (of(&island, a), of(&island, b));
        if from == to {
            let what = format!("lanes {a} and {b} are connected already: the relays form a loop");
            let help = "leave one of the relays out; what one has carried no other carries back";
            return Err(section.error("", what, help));
        }
        island.entry(a).or_insert(from);
        island.entry(b).or_insert(to);
        island.values_mut().filter(|name| **name == from).for_each(|name| *name = to);
        relays.push(relay);
    }
    Ok(relays)
}

fn relay(
    section: &Section<'_>,
    plan: &Plan,
    stations: &[StationPlan],
) -> Result<RelayPlan, Diagnostic> {
    let name = section.needed(section.text("name")?, "name", "\"ridge relay\"")?.value;
    printable(section, "name", name)?;
    let (a, b) = (station_named(section, "a", stations)?, station_named(section, "b", stations)?);
    let carried = match section.text("target")? {
        Some(text) => target(section, "target", text.value)?,
        None => Target::ALL,
    };
    let (left, right) = (&stations[a], &stations[b]);
    if a == b {
        let what = format!("{} cannot be both sides of a relay", left.name);
        return Err(section.error("b", what, "name two stations"));
    }
    if left.place != right.place {
        let what = format!("{} and {} are not at one place", left.name, right.name);
        return Err(section.error("b", what, "give both the same x_m, y_m and height_m"));
    }
    if let Some(deaf) = [left, right].iter().find(|s| !carried.covers(s.address)) {
        let what =
            format!("{} ({}) is given nothing to read of such overs", deaf.name, deaf.address);
        return Err(section.error("target", what, "name a target that covers both stations"));
    }
    let (left_set, right_set) = (plan.hopset(left.lane)?, plan.hopset(right.lane)?);
    let port = |net, channels| Port { net, channels };
    Relay::<1, 1>::new(
        port(left.lane, left_set.channels()),
        port(right.lane, right_set.channels()),
        carried,
        MOST_RELAYS,
    )
    .map_err(|error| {
        let help = "put the two stations on disjoint lanes of the plan";
        section.error("b", error.to_string(), help)
    })?;
    Ok(RelayPlan { name: name.to_owned(), a, b, target: carried })
}
