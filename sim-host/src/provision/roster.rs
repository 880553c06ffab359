//! Who is to get a configuration, and whom each may call.

use crate::diagnostic::Diagnostic;
use crate::input::{Section, read_text, shown};
use crate::plan::Plan;
use crate::scenario::{Scenario, name_and_address, parse_target};
use hopwright_core::address::{Address, Target};
use hopwright_core::provision::manual::Rank;
use hopwright_core::tree::DIRECTORY;
use hopwright_core::units::Lane;
use std::collections::BTreeSet;
use std::path::Path;

/// The most stations: addresses have eight bits.
const MOST_STATIONS: usize = 256;

/// The stations of a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Roster {
    /// The stations, in the roster's order.
    pub stations: Vec<RosterStation>,
}

/// One of them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RosterStation {
    /// Its name: for people, it is in no configuration.
    pub name: String,
    /// Its address.
    pub address: Address,
    /// What it may do.
    pub rank: Rank,
    /// Its lane.
    pub lane: Lane,
    /// The targets that it may call without belonging to them; `None` if the roster does not say.
    pub calls: Option<Vec<Target>>,
}

impl Roster {
    /// Reads a roster of a plan: `[[station]]` tables with `name`, `address`, `role`, `lane` and
    /// `calls`. A scenario is one too, with all stations on lane 0.
    ///
    /// # Errors
    /// [`Diagnostic`] if the file cannot be read, is neither, has a station that the plan has
    /// withdrawn, or says who calls whom where there is no key tree.
    pub fn load(path: &Path, plan: &Plan) -> Result<Self, Diagnostic> {
        let source = read_text(path)?;
        let table = source.table()?;
        if table.get_ref().contains_key("scenario") {
            let roster = Self::of_scenario(&Scenario::load(path)?);
            return match roster.withdrawn(plan) {
                None => Ok(roster),
                Some(station) => Err(Diagnostic::in_file(
                    path.display().to_string(),
                    withdrawn_text(station),
                    WITHDRAWN_HELP,
                )),
            };
        }
        let root = Section::root(&source, &table, &["station"])?;
        let sections = root.sections("station", &["name", "address", "role", "lane", "calls"])?;
        if sections.is_empty() || sections.len() > MOST_STATIONS {
            let what =
                format!("a roster has 1 to {MOST_STATIONS} stations, not {}", sections.len());
            return Err(root.error("station", what, "write one [[station]] table for each"));
        }
        let mut stations: Vec<RosterStation> = Vec::with_capacity(sections.len());
        for section in &sections {
            let station = station(section, plan)?;
            if let Some(other) = stations.iter().find(|other| other.address == station.address) {
                let what = format!("\"{}\" has address {} already", other.name, other.address);
                return Err(section.error(
                    "address",
                    what,
                    "give each station an address of its own",
                ));
            }
            if plan.withdrawn().contains(&station.address) {
                return Err(section.error("address", withdrawn_text(&station), WITHDRAWN_HELP));
            }
            stations.push(station);
        }
        Ok(Self { stations })
    }

    /// The stations of a scenario, on lane 0.
    #[must_use]
    pub fn of_scenario(scenario: &Scenario) -> Self {
        let stations = scenario.radio.stations.iter().map(|station| RosterStation {
            name: station.name.clone(),
            address: station.address,
            rank: Rank::of(station.role),
            lane: Lane::ZERO,
            calls: None,
        });
        Self { stations: stations.collect() }
    }

    /// The first station that the plan has withdrawn, if there is one.
    pub(super) fn withdrawn(&self, plan: &Plan) -> Option<&RosterStation> {
        self.stations.iter().find(|station| plan.withdrawn().contains(&station.address))
    }

    /// The directory of one of its stations: the targets that it may call without belonging to
    /// them. (Everyone, everyone but another, and the prefixes of its own address are open to it in
    /// any case.)
    ///
    /// Where the roster does not say, every other station of the roster by its address. If there are
    /// more than a directory holds: the other groups of sixteen addresses that have a station, such
    /// as `40/4`, and the other stations of its own group by their addresses, if all of them fit.
    /// So each is in an entry, or in the group that the station belongs to.
    #[must_use]
    pub fn directory(&self, station: &RosterStation) -> Vec<Target> {
        let own = station.address;
        if let Some(calls) = &station.calls {
            return calls.iter().filter(|target| !target.covers(own)).copied().collect();
        }
        let others = self.stations.iter().map(|other| other.address).filter(|a| *a != own);
        let others: BTreeSet<Address> = others.collect();
        if others.len() <= DIRECTORY {
            return others.into_iter().map(Target::one).collect();
        }
        let groups = (0..16).filter_map(|group| Target::prefix(Address::new(group << 4), 4));
        let (mine, theirs): (Vec<Target>, Vec<Target>) =
            groups.partition(|group| group.covers(own));
        let has_one = |group: &Target| others.iter().any(|other| group.covers(*other));
        let mut directory: Vec<Target> = theirs.into_iter().filter(has_one).collect();
        let neighbours = others.iter().filter(|a| mine.iter().any(|group| group.covers(**a)));
        let neighbours: Vec<Target> = neighbours.copied().map(Target::one).collect();
        if directory.len() + neighbours.len() <= DIRECTORY {
            directory.extend(neighbours);
        }
        directory
    }
}

const WITHDRAWN_HELP: &str =
    "leave it out; if the station is to come back, make a new plan with new keys";

pub(super) fn withdrawn_text(station: &RosterStation) -> String {
    format!("\"{}\" ({}) has been withdrawn from the plan", station.name, station.address)
}

fn station(section: &Section<'_>, plan: &Plan) -> Result<RosterStation, Diagnostic> {
    let (name, address) = name_and_address(section)?;
    let others = [("timekeeper", Rank::Timekeeper), ("deputy", Rank::Deputy)];
    let rank = section.choice("role", ("member", Rank::Member), &others)?;
    let lane = Lane::new(section.integer_or("lane", 0..=31, 0)?).unwrap_or(Lane::ZERO);
    let count = plan.lane_numbers().count();
    if usize::from(lane.number()) >= count {
        let what = format!("the plan has no lane {lane}: its lanes are 0 to {}", count - 1);
        return Err(section.error("lane", what, "change it, or `count` in [lanes] of the plan"));
    }
    let calls = calls(section, address, plan)?;
    Ok(RosterStation { name, address, rank, lane, calls })
}

fn calls(
    section: &Section<'_>,
    own: Address,
    plan: &Plan,
) -> Result<Option<Vec<Target>>, Diagnostic> {
    let Some(texts) = section.texts("calls")? else { return Ok(None) };
    if !plan.has_key_tree() {
        let what = "the plan has no root for its key tree, and nothing else says who may call whom";
        let help = "leave `calls` out, or name a root in the plan: `tree_key_file = \"tree.key\"`";
        return Err(section.error("calls", what, help));
    }
    let mut calls: Vec<Target> = Vec::with_capacity(texts.len());
    for text in texts {
        let refused =
            |what: String, help: &str| section.source().error(text.span.clone(), what, help);
        let target = parse_target(text.value).ok_or_else(|| {
            let help = "write an address \"4B\", a prefix \"40/4\", \"all but 4B\" or \"all\"";
            refused(format!("\"{}\" is no call target", shown(text.value)), help)
        })?;
        if calls.contains(&target) {
            return Err(refused(
                format!("\"{target}\" stands here twice"),
                "leave one of them out",
            ));
        }
        calls.push(target);
        if calls.iter().filter(|target| !target.covers(own)).count() > DIRECTORY {
            return Err(refused(
                format!("a station may call {DIRECTORY} targets to which it does not belong"),
                "put neighbouring addresses together as a prefix, such as \"40/4\"",
            ));
        }
    }
    Ok(Some(calls))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn roster(addresses: impl Iterator<Item = u8>) -> Roster {
        let stations = addresses.map(|address| RosterStation {
            name: format!("station {address}"),
            address: Address::new(address),
            rank: Rank::Member,
            lane: Lane::ZERO,
            calls: None,
        });
        Roster { stations: stations.collect() }
    }

    #[test]
    fn small_nets_call_each_other_by_address() {
        let small = roster((0..17).map(|i| i * 15));
        for station in &small.stations {
            let directory = small.directory(station);
            assert_eq!(directory.len(), 16);
            assert!(directory.iter().all(|t| t.prefix_length() == Some(8)));
            assert!(directory.iter().all(|target| !target.covers(station.address)));
        }
    }

    /// Every other station is in one entry, or in the station's own group; whatever the roster, the
    /// directory has room for it.
    #[test]
    fn large_nets_call_each_other_by_groups() {
        for large in [roster(0..=255), roster((0..18).map(|i| i * 14)), roster(0x38..0x60)] {
            for station in &large.stations {
                let directory = large.directory(station);
                assert!(directory.len() <= DIRECTORY);
                let own = Target::prefix(Address::new(station.address.number() & 0xF0), 4).unwrap();
                for other in large.stations.iter().map(|other| other.address) {
                    let entries = directory.iter().filter(|t| t.covers(other)).count();
                    let needed = other != station.address;
                    assert!(entries == usize::from(needed) || own.covers(other) && entries == 0);
                }
            }
        }
        let text = |roster: &Roster, at: usize| -> Vec<String> {
            roster.directory(&roster.stations[at]).iter().map(Target::to_string).collect()
        };
        // Seven neighbours fit, sixteen do not.
        let boats = roster(0x38..0x60);
        let neighbours = ["38", "39", "3B", "3C", "3D", "3E", "3F"];
        assert_eq!(text(&boats, 2), [&["40/4", "50/4"][..], &neighbours].concat());
        assert_eq!(text(&boats, 12), ["30/4", "50/4"]);
    }
}
