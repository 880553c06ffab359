//! Who goes where in a scenario.

use super::air::height;
use super::read::{station_named, time};
use super::{MovePlan, StationPlan};
use crate::diagnostic::Diagnostic;
use crate::input::Section;

/// Reads the moves; those of one station must not overlap.
pub(super) fn read(
    root: &Section<'_>,
    stations: &[StationPlan],
    limit_us: u64,
) -> Result<Vec<MovePlan>, Diagnostic> {
    let mut moves: Vec<MovePlan> = Vec::new();
    for section in
        root.sections("move", &["station", "at_s", "to_x_m", "to_y_m", "to_height_m", "over_s"])?
    {
        let station = station_named(&section, "station", stations)?;
        let at_us = time(&section, "at_s", limit_us)?;
        let over_us = if section.has("over_s") { time(&section, "over_s", limit_us)? } else { 0 };
        if at_us + over_us > limit_us {
            let what = "the move ends after the scenario";
            let help = "shorten `over_s`, or make `duration_s` larger";
            return Err(section.error("over_s", what, help));
        }
        let place = |key: &str| {
            let place = section.number_in(key, -1e7, 1e7)?;
            section.needed(place, key, "1_500")
        };
        let to_m = (place("to_x_m")?, place("to_y_m")?);
        let to_height_m = height(&section, "to_height_m")?;
        let name = &stations[station].name;
        if moves.iter().any(|other| {
            other.station == station
                && at_us < (other.at_us + other.over_us).max(other.at_us + 1)
                && other.at_us < (at_us + over_us).max(at_us + 1)
        }) {
            let what = format!("\"{name}\" is still on another move at that time");
            let help = "let one move of a station end before the next one starts";
            return Err(section.error("at_s", what, help));
        }
        moves.push(MovePlan { station, at_us, to_m, to_height_m, over_us });
    }
    Ok(moves)
}
