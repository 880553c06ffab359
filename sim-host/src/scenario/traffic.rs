//! `[[traffic]]`: overs that nobody has written down one by one.

use super::drawn::Traffic;
use super::read::{printable, target, time};
use super::{StationPlan, relays};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::plan::Plan;

const KEYS: &[&str] = &["name", "lane", "from_s", "to_s", "busy", "talk_s", "to"];

/// Reads `[[traffic]]`.
pub(super) fn read(
    root: &Section<'_>,
    plan: &Plan,
    stations: &[StationPlan],
    limit_us: u64,
) -> Result<Vec<Traffic>, Diagnostic> {
    let one = |section: &Section<'_>| -> Result<Traffic, Diagnostic> {
        let name = section.needed(section.text("name")?, "name", "\"morning\"")?.value;
        printable(section, "name", name)?;
        let lane = relays::lane(section, plan)?;
        let from_us = if section.has("from_s") { time(section, "from_s", limit_us)? } else { 0 };
        let to_us = if section.has("to_s") { time(section, "to_s", limit_us)? } else { limit_us };
        let busy = section.needed(section.number_in("busy", 0.001, 0.95)?, "busy", "0.3")?;
        let talk_s = section.needed(section.number_in("talk_s", 0.1, 600.0)?, "talk_s", "5")?;
        let to = section.text("to")?.map_or("all", |to| to.value);
        let to = target(section, "to", to)?;
        let traffic = Traffic { name: name.to_owned(), lane, from_us, to_us, busy, talk_s, to };
        if traffic.speakers(stations, to_us).is_empty() {
            let what = format!("nobody is on lane {} to speak", lane.number());
            return Err(section.error("lane", what, "name a lane that has stations"));
        }
        Ok(traffic)
    };
    root.sections("traffic", KEYS)?.iter().map(one).collect()
}
