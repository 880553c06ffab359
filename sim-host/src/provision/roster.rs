//! Who is to get a configuration.

use crate::diagnostic::Diagnostic;
use crate::input::{Section, read_text};
use crate::scenario::{Scenario, name_and_address};
use hopwright_core::address::Address;
use hopwright_core::provision::manual::Rank;
use hopwright_core::units::Lane;
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
}

impl Roster {
    /// Reads a roster: `[[station]]` tables with `name`, `address`, `role` and `lane`. A scenario
    /// is one too, with all stations on lane 0.
    ///
    /// # Errors
    /// [`Diagnostic`] if the file cannot be read, or is neither.
    pub fn load(path: &Path) -> Result<Self, Diagnostic> {
        let source = read_text(path)?;
        let table = source.table()?;
        if table.get_ref().contains_key("scenario") {
            return Ok(Self::of_scenario(&Scenario::load(path)?));
        }
        let root = Section::root(&source, &table, &["station"])?;
        let sections = root.sections("station", &["name", "address", "role", "lane"])?;
        if sections.is_empty() || sections.len() > MOST_STATIONS {
            let what =
                format!("a roster has 1 to {MOST_STATIONS} stations, not {}", sections.len());
            return Err(root.error("station", what, "write one [[station]] table for each"));
        }
        let mut stations: Vec<RosterStation> = Vec::with_capacity(sections.len());
        for section in &sections {
            let station = station(section)?;
            if let Some(other) = stations.iter().find(|other| other.address == station.address) {
                let what = format!("\"{}\" has address {} already", other.name, other.address);
                return Err(section.error(
                    "address",
                    what,
                    "give each station an address of its own",
                ));
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
        });
        Self { stations: stations.collect() }
    }
}

fn station(section: &Section<'_>) -> Result<RosterStation, Diagnostic> {
    let (name, address) = name_and_address(section)?;
    let others = [("timekeeper", Rank::Timekeeper), ("deputy", Rank::Deputy)];
    let rank = section.choice("role", ("member", Rank::Member), &others)?;
    let lane = Lane::new(section.integer_or("lane", 0..=31, 0)?).unwrap_or(Lane::ZERO);
    Ok(RosterStation { name, address, rank, lane })
}
