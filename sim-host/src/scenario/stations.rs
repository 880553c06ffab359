//! Who is in a scenario: single stations, and groups of stations that are alike.

use super::drawn::Disc;
use super::read::time;
use super::{StationPlan, air, clocks, keys, relays};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::plan::{Plan, parse_address};
use crate::world::Place;
use hopwright_core::address::Address;
use hopwright_core::station::Role;
use hopwright_core::units::{Lane, Slot};
use std::collections::{BTreeMap, BTreeSet};

const STATION_KEYS: &[&str] = &[
    "name",
    "address",
    "lane",
    "role",
    "x_m",
    "y_m",
    "height_m",
    "power_dbm",
    "on_s",
    "ppb",
    "oscillator",
    "stored_slot",
    "calls",
];

/// What the stations of a scenario have in common.
pub(super) struct Base<'a> {
    pub(super) plan: &'a Plan,
    pub(super) seed: u64,
    pub(super) limit_us: u64,
    pub(super) power_dbm: f64,
}

/// Reads `[[station]]` and `[[group]]`: the stations, and the discs over which groups are spread.
pub(super) fn read(
    root: &Section<'_>,
    base: &Base<'_>,
) -> Result<(Vec<StationPlan>, Vec<Disc>), Diagnostic> {
    let (mut known, mut discs) = (Known::default(), Vec::new());
    for section in root.sections("station", STATION_KEYS)? {
        let station = station(&section, base)?;
        known.add(station, &section, ("name", "address"))?;
    }
    for section in root.sections("group", GROUP_KEYS)? {
        let first = known.stations.len();
        let (members, centre, radius_m) = group(&section, base)?;
        for station in members {
            known.add(station, &section, ("name", "first_address"))?;
        }
        discs.push(Disc { members: first..known.stations.len(), centre, radius_m });
    }
    if known.stations.is_empty() {
        let what = "a scenario has at least one station";
        return Err(root.error("station", what, "write one [[station]] table for each"));
    }
    discs.iter().for_each(|disc| disc.place(base.seed, &mut known.stations));
    Ok((known.stations, discs))
}

/// The stations so far. (Addresses have eight bits, so there are at most 256 in each lane.)
#[derive(Default)]
struct Known {
    stations: Vec<StationPlan>,
    names: BTreeSet<String>,
    /// Whose an address on a lane is.
    addresses: BTreeMap<(Lane, Address), usize>,
}

impl Known {
    fn add(
        &mut self,
        station: StationPlan,
        section: &Section<'_>,
        (name, address): (&str, &str),
    ) -> Result<(), Diagnostic> {
        if !self.names.insert(station.name.clone()) {
            let what = format!("two stations are called \"{}\"", station.name);
            return Err(section.error(name, what, "give each station a name of its own"));
        }
        let own = (station.lane, station.address);
        if let Some(other) = self.addresses.insert(own, self.stations.len()) {
            let other = &self.stations[other];
            let what = format!("\"{}\" has address {} already", other.name, other.address);
            let help = "give each station of a net an address of its own";
            return Err(section.error(address, what, help));
        }
        self.stations.push(station);
        Ok(())
    }
}

const GROUP_KEYS: &[&str] = &[
    "name",
    "count",
    "first_address",
    "lane",
    "x_m",
    "y_m",
    "height_m",
    "radius_m",
    "power_dbm",
    "on_s",
];

/// Members that differ by number, address and place only, at the middle of the disc over which the
/// seed spreads them evenly; that middle, and its radius.
fn group(
    section: &Section<'_>,
    base: &Base<'_>,
) -> Result<(Vec<StationPlan>, Place, f64), Diagnostic> {
    let name = name(section, "\"gauge\"")?;
    let count = section.needed(section.integer("count", 1_u16..=256)?, "count", "100")?.value;
    let first = address(section, "first_address")?;
    if u16::from(first.number()) + count > 256 {
        let what = format!("{count} addresses from {first} on go beyond FF");
        let help = "begin lower, or put the rest on another lane: each has addresses of its own";
        return Err(section.error("count", what, help));
    }
    let lane = relays::lane(section, base.plan)?;
    let place = air::place(section)?;
    let radius_m = section.number_in("radius_m", 0.0, 1e6)?.unwrap_or(0.0);
    let power_dbm = section.number_in("power_dbm", -100.0, 100.0)?.unwrap_or(base.power_dbm);
    let on_us = on(section, base.limit_us)?;
    let member = |i: u16| {
        let name = format!("{name} {}", i + 1);
        let address = Address::new(first.number().wrapping_add(i.to_le_bytes()[0]));
        StationPlan { lane, place, power_dbm, on_us, ..StationPlan::member(name, address) }
    };
    Ok(((0..count).map(member).collect(), place, radius_m))
}

/// When a station is switched on, in microseconds.
fn on(section: &Section<'_>, limit_us: u64) -> Result<u64, Diagnostic> {
    if section.has("on_s") { time(section, "on_s", limit_us) } else { Ok(0) }
}

/// The name and the address of a `[[station]]` table, in a scenario or a roster.
pub(crate) fn name_and_address(section: &Section<'_>) -> Result<(String, Address), Diagnostic> {
    Ok((name(section, "\"control post\"")?, address(section, "address")?))
}

fn name(section: &Section<'_>, example: &str) -> Result<String, Diagnostic> {
    let name = section.needed(section.text("name")?, "name", example)?;
    // Names stand in CSV files without quotes (RFC 4180, section 2).
    if name.value.is_empty() || name.value.chars().any(|c| c.is_control() || ",\"".contains(c)) {
        let what = "a station's name has printable characters, no comma and no double quote";
        return Err(section.error("name", what, "give it a short plain name"));
    }
    Ok(name.value.to_owned())
}

fn address(section: &Section<'_>, key: &str) -> Result<Address, Diagnostic> {
    section.form(key, "^[0-9A-Fa-f]{2}$");
    let address = section.needed(section.text(key)?, key, "\"4B\"")?;
    parse_address(address.value).ok_or_else(|| {
        let what = "an address is two hexadecimal digits";
        section.error(key, what, "write it like \"4B\", in quotes")
    })
}

fn station(section: &Section<'_>, base: &Base<'_>) -> Result<StationPlan, Diagnostic> {
    let Base { plan, limit_us, power_dbm, .. } = *base;
    let (name, address) = name_and_address(section)?;
    let deputy = Role::Deputy { after: plan.deputies_after() };
    let others = [("timekeeper", Role::Timekeeper), ("deputy", deputy)];
    let role = section.choice("role", ("member", Role::Member), &others)?;
    let ppb = section.integer("ppb", -500_000_i64..=500_000)?;
    let oscillator = clocks::read(section, limit_us)?;
    if let Some(oscillator) = &oscillator {
        if ppb.is_some() {
            let what = "a station has either `ppb` or an `oscillator`";
            let help = "leave `ppb` out, and write it as `offset_ppb` of the oscillator";
            return Err(section.error("ppb", what, help));
        }
        clocks::judge(plan, oscillator, (&name, role))
            .map_err(|(what, help)| section.error("oscillator", what, help))?;
    }
    let stored_slot = section.integer("stored_slot", 0..=u32::MAX)?;
    let (calls, own_calls) = keys::calls(section, address)?;
    Ok(StationPlan {
        name,
        address,
        lane: relays::lane(section, plan)?,
        role,
        place: air::place(section)?,
        power_dbm: section.number_in("power_dbm", -100.0, 100.0)?.unwrap_or(power_dbm),
        on_us: on(section, limit_us)?,
        ppb: ppb.map(|located| located.value),
        oscillator,
        stored_slot: stored_slot.map(|located| Slot::new(located.value)),
        calls,
        own_calls,
    })
}
