//! A scenario's TOML, table by table.

use super::drawn::{Drawn, Traffic};
use super::{
    Cover, Expectation, InterfererPlan, OverPlan, RadioPlan, Scenario, StationPlan, adversary, air,
    keys, moves, power, relays, stations, traffic,
};
use crate::diagnostic::Diagnostic;
use crate::input::{Section, Source, nearest, shown};
use crate::plan::{Plan, parse_address};
use crate::world::Level;
use crate::world::physics::microseconds;
use hopwright_core::address::Target;
use hopwright_core::station::Role;

/// The longest scenario: a month.
const LONGEST_S: f64 = 31.0 * 86_400.0;

/// Reads a scenario; `plan` reads the plan that it names.
pub(super) fn scenario(
    source: &Source,
    plan: impl FnOnce(&Section<'_>, &str) -> Result<Plan, Diagnostic>,
) -> Result<Scenario, Diagnostic> {
    let table = source.table()?;
    let tables = [
        "scenario",
        "radio",
        "propagation",
        "audio",
        "station",
        "group",
        "relay",
        "power",
        "interferer",
        "move",
        "adversary",
        "announce",
        "over",
        "traffic",
        "message",
        "mode",
        "withdraw",
        "expect",
    ];
    let root = Section::root(source, &table, &tables)?;
    let head = root.needed_section("scenario", &["name", "title", "seed", "duration_s", "plan"])?;
    let name = head.needed(head.text("name")?, "name", "\"larkfell\"")?.value.to_owned();
    printable(&head, "name", &name)?;
    let title = head.text("title")?.map_or_else(|| name.clone(), |t| t.value.to_owned());
    printable(&head, "title", &title)?;
    let seed = head.integer_or("seed", 0..=u64::MAX >> 1, 1)?;
    let duration = head.needed(head.number("duration_s")?, "duration_s", "120")?;
    if !(duration.value > 0.0 && duration.value <= LONGEST_S) {
        let what = format!("a scenario lasts more than 0 s and at most {LONGEST_S} s");
        return Err(head.error("duration_s", what, "give its length in seconds"));
    }
    let plan_name = head.needed(head.text("plan")?, "plan", "\"plan.toml\"")?;
    let plan = plan(&head, plan_name.value)?;
    let radio = root.section("radio", &["power_dbm", "noise_figure_db", "environment"])?;
    let power_dbm = radio.number_in("power_dbm", -100.0, 100.0)?.unwrap_or(30.0);
    let noise_figure_db = radio.number_in("noise_figure_db", 0.0, 60.0)?.unwrap_or(8.0);
    let environment = air::environment(&radio, &plan)?;
    let limit_us = microseconds(duration.value);
    let base = stations::Base { plan: &plan, seed, limit_us, power_dbm };
    let (mut stations, discs) = stations::read(&root, &base)?;
    let relays = relays::read(&root, &plan, &stations)?;
    let fixed_channel = relays::fixed_channel(&root, &plan)?;
    let moves = moves::read(&root, &stations, limit_us)?;
    let air::Air { propagation, fading, horizon_m } = air::read(&root)?;
    let interferers = root
        .sections("interferer", INTERFERER_KEYS)?
        .iter()
        .map(|section| interferer(section, limit_us))
        .collect::<Result<_, _>>()?;
    let adversaries = root
        .sections("adversary", adversary::KEYS)?
        .iter()
        .map(|section| adversary::adversary(section, limit_us))
        .collect::<Result<_, _>>()?;
    let announces = root
        .sections("announce", &["at_s", "by"])?
        .iter()
        .map(|section| {
            let by = station_named(section, "by", &stations)?;
            if stations[by].role == Role::Member {
                let what = format!("{} is a member and cannot announce", stations[by].name);
                let help = "give that station role = \"timekeeper\" or \"deputy\", or name another";
                return Err(section.error("by", what, help));
            }
            Ok((told_at(section, limit_us, &stations[by])?, by))
        })
        .collect::<Result<_, _>>()?;
    let powers = power::read(&root, &stations, limit_us)?;
    let mut overs = root
        .sections("over", &["at_s", "from", "to", "talk_s"])?
        .iter()
        .map(|section| over(section, &stations, limit_us))
        .collect::<Result<Vec<_>, _>>()?;
    let traffic = traffic::read(&root, &plan, &stations, limit_us)?;
    let drawn = Drawn { discs, traffic, written: overs.len() };
    let within = (limit_us, !relays.is_empty());
    let messages = keys::messages(&root, &plan, &stations, within)?;
    let modes = keys::modes(&root, &plan, &stations, limit_us)?;
    let withdrawals = keys::withdrawals(&root, &plan, &stations, within)?;
    let said = overs.iter().map(|over: &OverPlan| (over.from, over.to));
    // Whoever the seed may let speak, so that directories do not depend on it.
    let speakers = |t: &Traffic| -> Vec<_> {
        t.speakers(&stations, t.to_us).into_iter().map(|from| (from, t.to)).collect()
    };
    let may_say: Vec<_> = drawn.traffic.iter().flat_map(speakers).collect();
    let sent = messages.iter().map(|message| (message.from, message.to));
    // Either side of a relay says what the other has read.
    let relayed = relays.iter().flat_map(|r| [(r.a, r.target), (r.b, r.target)]);
    keys::directories(&root, &mut stations, said.chain(may_say).chain(sent).chain(relayed))?;
    drawn.draw(seed, &mut stations, &mut overs);
    let expectations = root
        .sections("expect", Expectation::KEYS)?
        .iter()
        .map(|section| Expectation::read(section, &stations))
        .collect::<Result<_, _>>()?;
    Ok(Scenario {
        name,
        title,
        seed,
        drawn,
        duration_us: limit_us,
        plan,
        radio: RadioPlan {
            propagation,
            fading,
            noise_figure_db,
            environment,
            stations,
            horizon_m,
            interferers,
            moves,
            adversaries,
        },
        announces,
        powers,
        overs,
        messages,
        modes,
        withdrawals,
        relays,
        fixed_channel,
        expectations,
    })
}

const INTERFERER_KEYS: &[&str] = &[
    "name",
    "share",
    "layout",
    "from_hz",
    "to_hz",
    "above_wanted_db",
    "x_m",
    "y_m",
    "height_m",
    "power_dbm",
    "from_s",
    "to_s",
];

fn interferer(section: &Section<'_>, limit_us: u64) -> Result<InterfererPlan, Diagnostic> {
    let name = section.needed(section.text("name")?, "name", "\"faulty emitter\"")?;
    printable(section, "name", name.value)?;
    let share = section.number_in("share", 0.0, 1.0)?;
    let hertz = 0..=u64::MAX >> 2;
    let from_hz = section.integer("from_hz", hertz.clone())?;
    let to_hz = section.integer("to_hz", hertz)?;
    let scattered = section.choice("layout", ("contiguous", false), &[("scattered", true)])?;
    let cover = match (share, &from_hz, &to_hz) {
        (Some(share), None, None) if scattered => Cover::Scattered(share),
        (Some(share), None, None) => Cover::Contiguous(share),
        (None, Some(from), Some(to)) if from.value <= to.value && !section.has("layout") => {
            Cover::Band { from_hz: from.value, to_hz: to.value }
        }
        (None, Some(from), Some(to)) if from.value > to.value => {
            return Err(section.error("to_hz", "the interval is reversed", "swap its ends"));
        }
        (None, Some(_), Some(_)) => {
            let what =
                "`layout` says how a share lies, and this interferer covers from_hz to to_hz";
            return Err(section.error("layout", what, "leave `layout` out"));
        }
        (Some(_), ..) => {
            let what = "an interferer covers a share of the hopset, or from_hz to to_hz";
            let key = if from_hz.is_some() { "from_hz" } else { "to_hz" };
            return Err(section.error(key, what, "keep `share`, or `from_hz` and `to_hz`"));
        }
        (None, ..) => {
            let what = "an interferer covers a share of the hopset, or from_hz to to_hz";
            // The one end that is there, or the table.
            let key = if from_hz.is_some() { "from_hz" } else { "to_hz" };
            return Err(section.error(key, what, "give `share`, or `from_hz` and `to_hz`"));
        }
    };
    let above = section.number_in("above_wanted_db", -200.0, 200.0)?;
    let power = section.number_in("power_dbm", -200.0, 200.0)?;
    let level = match (above, power) {
        (Some(db), None) if air::placed(section).is_none() => Level::AboveWanted { db },
        (None, Some(power_dbm)) => Level::At { place: air::place(section)?, power_dbm },
        _ => {
            let what = "an interferer has either above_wanted_db, or power_dbm and a place";
            let (key, help) = match above {
                None => ("", "give `above_wanted_db`, or `power_dbm`, `x_m` and `y_m`"),
                Some(_) if power.is_some() => ("power_dbm", "keep one of the two"),
                Some(_) => (air::placed(section).unwrap_or(""), "leave the place out"),
            };
            return Err(section.error(key, what, help));
        }
    };
    let from_us = if section.has("from_s") { time(section, "from_s", limit_us)? } else { 0 };
    let to_us = if section.has("to_s") { time(section, "to_s", limit_us)? } else { limit_us + 1 };
    if to_us <= from_us {
        let what = "an interferer must stop after it has started";
        return Err(section.error("to_s", what, "make to_s larger than from_s"));
    }
    Ok(InterfererPlan { name: name.value.to_owned(), cover, level, from_us, to_us })
}

fn over(
    section: &Section<'_>,
    stations: &[StationPlan],
    limit_us: u64,
) -> Result<OverPlan, Diagnostic> {
    let from = station_named(section, "from", stations)?;
    let to = section.needed(section.text("to")?, "to", "\"all\"")?;
    let to = target(section, "to", to.value)?;
    let talk_us = time(section, "talk_s", limit_us)?;
    Ok(OverPlan { at_us: told_at(section, limit_us, &stations[from])?, from, to, talk_us })
}

pub(super) fn target(section: &Section<'_>, key: &str, text: &str) -> Result<Target, Diagnostic> {
    parse_target(text).ok_or_else(|| {
        let what = format!("\"{}\" is no call target", shown(text));
        let help = "write \"all\", an address \"4B\", a prefix \"40/4\", or \"all but 4B\"";
        section.error(key, what, help)
    })
}

pub(super) fn station_named(
    section: &Section<'_>,
    key: &str,
    stations: &[StationPlan],
) -> Result<usize, Diagnostic> {
    let name = section.needed(section.text(key)?, key, "\"control post\"")?;
    stations.iter().position(|station| station.name == name.value).ok_or_else(|| {
        let names: Vec<&str> = stations.iter().map(|station| station.name.as_str()).collect();
        let help = match nearest(name.value, &names) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => "name a station of this scenario".to_owned(),
        };
        section.error(key, format!("there is no station \"{}\"", shown(name.value)), help)
    })
}

/// Refuses characters that would do something to a terminal.
pub(super) fn printable(section: &Section<'_>, key: &str, text: &str) -> Result<(), Diagnostic> {
    if text.chars().any(char::is_control) {
        let what = format!("`{key}` has characters that cannot be printed");
        return Err(section.error(key, what, "use printable characters on one line"));
    }
    Ok(())
}

/// A time in seconds, 0 to `limit_us`, as microseconds.
pub(super) fn time(section: &Section<'_>, key: &str, limit_us: u64) -> Result<u64, Diagnostic> {
    section.range(key, 0.0, LONGEST_S);
    let seconds = section.needed(section.number(key)?, key, "10.5")?.value;
    let limit_s = limit_us as f64 / 1e6;
    if !(0.0..=limit_s).contains(&seconds) {
        let what = format!("`{key}` = {seconds} s is outside the scenario");
        let help = format!("use 0 to {limit_s} s, or make `duration_s` larger");
        return Err(section.error(key, what, help));
    }
    Ok(microseconds(seconds))
}

/// The `at_s` at which a station is told something: it cannot be told before it is switched on.
pub(super) fn told_at(
    section: &Section<'_>,
    limit_us: u64,
    station: &StationPlan,
) -> Result<u64, Diagnostic> {
    let at_us = time(section, "at_s", limit_us)?;
    if at_us < station.on_us {
        let what = format!("\"{}\" has not been switched on by then", station.name);
        return Err(section.error("at_s", what, "use a time from its `on_s` on"));
    }
    Ok(at_us)
}

/// The reverse of a target's `Display`.
pub(crate) fn parse_target(text: &str) -> Option<Target> {
    if text == "all" {
        return Some(Target::ALL);
    }
    if let Some(address) = text.strip_prefix("all but ") {
        return parse_address(address).map(Target::all_but);
    }
    if let Some((address, length)) = text.split_once('/') {
        return Target::prefix(parse_address(address)?, length.parse().ok()?);
    }
    parse_address(text).map(Target::one)
}
