//! Overs that nobody has written down one by one: a net that is busy for a share of the time.

use super::read::{printable, target, time};
use super::{OverPlan, StationPlan, relays};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::plan::Plan;
use crate::world::physics::microseconds;
use crate::world::{child_seed, unit};

const KEYS: &[&str] = &["name", "lane", "from_s", "to_s", "busy", "talk_s", "to"];

/// Reads `[[traffic]]` and draws its overs from the seed: speakers evenly among the stations of
/// the net that are switched on by then, one after the other, pauses with an exponential
/// distribution (the calls of many, independent of one another).
pub(super) fn read(
    root: &Section<'_>,
    plan: &Plan,
    stations: &[StationPlan],
    (seed, limit_us): (u64, u64),
) -> Result<Vec<OverPlan>, Diagnostic> {
    let mut overs = Vec::new();
    for section in root.sections("traffic", KEYS)? {
        let name = section.needed(section.text("name")?, "name", "\"morning\"")?.value;
        printable(&section, "name", name)?;
        let lane = relays::lane(&section, plan)?;
        let from_us = if section.has("from_s") { time(&section, "from_s", limit_us)? } else { 0 };
        let to_us = if section.has("to_s") { time(&section, "to_s", limit_us)? } else { limit_us };
        let busy = section.needed(section.number_in("busy", 0.001, 0.95)?, "busy", "0.3")?;
        let talk = section.needed(section.number_in("talk_s", 0.1, 600.0)?, "talk_s", "5")?;
        let to = section.text("to")?.map_or("all", |to| to.value);
        let to = target(&section, "to", to)?;
        let speakers = |at_us: u64| -> Vec<usize> {
            let there = |i: &usize| stations[*i].lane == lane && stations[*i].on_us <= at_us;
            (0..stations.len()).filter(there).collect()
        };
        if speakers(to_us).is_empty() {
            let what = format!("nobody is on lane {} to speak", lane.number());
            return Err(section.error("lane", what, "name a lane that has stations"));
        }
        let mean_pause_s = talk * (1.0 - busy) / busy;
        let (mut at_us, mut turn) = (from_us, 0_u64);
        loop {
            let chance = |what: &str| child_seed(seed, &format!("traffic/{name}/{turn}/{what}"));
            let pause_s = -mean_pause_s * libm::log(1.0 - unit(chance("pause")));
            at_us += microseconds(pause_s);
            let talk_us = microseconds(talk);
            if at_us + talk_us > to_us {
                break;
            }
            let speakers = speakers(at_us);
            if let Some(among) = std::num::NonZero::new(speakers.len() as u64) {
                let speaker = chance("speaker") % among;
                let from = usize::try_from(speaker).ok().and_then(|i| speakers.get(i).copied());
                overs.extend(from.map(|from| OverPlan { at_us, from, to, talk_us }));
            }
            at_us += talk_us;
            turn += 1;
        }
    }
    Ok(overs)
}
