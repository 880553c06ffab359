//! A sweep's TOML.

use super::patch::Path as ValuePath;
use super::{Asked, Factor, Keys, Level, Sweep};
use crate::diagnostic::Diagnostic;
use crate::input::{Located, Section, Source, nearest, read_text, shown};
use crate::run::metrics::{METRICS, Metric};
use crate::scenario::BUILT_IN;
use hopwright_core::units::Lane;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use toml_edit::Value;

/// The scenario that stands for the built-in one.
const BUILT_IN_NAME: &str = "built-in";
/// The most trials of a whole campaign: all of them are held in memory.
const MOST_TRIALS: u64 = 10_000_000;
/// The most cells: the scenario of each is read before anything is run.
const MOST_CELLS: u64 = 100_000;
/// The columns of results that are no factor's.
const COLUMNS: [&str; 18] = [
    "cell",
    "trial",
    "seed",
    "held",
    "metric",
    "unit",
    "n",
    "nothing",
    "never",
    "mean",
    "mean_low",
    "mean_high",
    "median",
    "median_low",
    "median_high",
    "share_of",
    "hits",
    "of",
];
/// The longest name of a factor or text of a level, in characters.
const LONGEST: usize = 200;

/// Reads a sweep and the scenario that it names. `trials` and `seed` count instead of the sweep's
/// own, if they are given.
pub(super) fn sweep(
    path: &Path,
    trials: Option<u32>,
    seed: Option<u64>,
) -> Result<Sweep, Diagnostic> {
    from_source(&Arc::new(read_text(path)?), path, (trials, seed))
}

/// The same from a text; `path` is where it stands.
pub(crate) fn from_source(
    source: &Arc<Source>,
    path: &Path,
    (trials, seed): (Option<u32>, Option<u64>),
) -> Result<Sweep, Diagnostic> {
    let table = source.table()?;
    let root = Section::root(source, &table, &["sweep", "factor", "always"])?;
    let keys = ["name", "scenario", "trials", "seed", "metrics", "keys", "resamples"];
    let head = root.needed_section("sweep", &keys)?;
    let name = head.needed(head.text("name")?, "name", "\"jammed-share\"")?;
    word(&head, "name", &name)?;
    let (scenario, base_dir) = scenario(&head, path)?;
    let own_trials = head.integer("trials", 1..=1_000_000_u32)?;
    let own_trials = head.needed(own_trials, "trials", "100")?.value;
    let own_seed = head.integer_or("seed", 0..=u64::MAX >> 1, 1)?;
    let metrics = metrics(&head)?;
    let keys = head.choice("keys", ("plan", Keys::Plan), &[("trial", Keys::Trial)])?;
    let resamples = head.integer_or("resamples", 100..=100_000_u32, 2_000)?;
    let always = root
        .sections("always", &["set", "value"])?
        .iter()
        .map(|section| {
            let path = place(section)?;
            let value = section.needed(section.as_written("value"), "value", "false")?;
            Ok((path, level(section, &value)?))
        })
        .collect::<Result<_, Diagnostic>>()?;
    let mut factors: Vec<Factor> = Vec::new();
    for section in root.sections("factor", &["name", "set", "levels"])? {
        let factor = factor(&section)?;
        if factors.iter().any(|other| other.name == factor.name) {
            let what = format!("two factors are called \"{}\"", factor.name);
            return Err(section.error("name", what, "give each factor a name of its own"));
        }
        if factors.iter().any(|other| other.path.same(&factor.path)) {
            let what = format!("another factor sets `{}` already", factor.path.written());
            return Err(section.error("set", what, "let each factor set a value of its own"));
        }
        factors.push(factor);
    }
    let cells = factors.iter().map(|factor| factor.levels.len() as u64);
    let cells = cells.fold(1_u64, u64::saturating_mul);
    let trials = trials.unwrap_or(own_trials);
    let all = cells.saturating_mul(u64::from(trials));
    if cells > MOST_CELLS || all > MOST_TRIALS {
        let what = format!("{cells} combinations of levels, {trials} trials each, are too many");
        let help =
            format!("at most {MOST_CELLS} combinations and {MOST_TRIALS} trials in all: split it");
        return Err(head.error("trials", what, help));
    }
    Ok(Sweep {
        name: name.value.to_owned(),
        trials,
        seed: seed.unwrap_or(own_seed),
        metrics,
        keys,
        resamples,
        always,
        factors,
        scenario,
        base_dir,
        source: Arc::clone(source),
    })
}

/// The scenario's text, and the folder from which its plan's path counts; none for the built-in
/// one.
fn scenario(head: &Section<'_>, sweep: &Path) -> Result<(Source, Option<PathBuf>), Diagnostic> {
    let name = head.needed(head.text("scenario")?, "scenario", "\"built-in\"")?;
    if name.value == BUILT_IN_NAME {
        return Ok((Source::new("larkfell.toml (built in)", BUILT_IN), None));
    }
    let path = sweep.parent().unwrap_or(Path::new("")).join(name.value);
    let source = read_text(&path).map_err(|error| {
        let help = "the path counts from the sweep's folder; \"built-in\" is the built-in scenario";
        head.error("scenario", format!("the scenario: {}", error.what()), help)
    })?;
    let base_dir = path.parent().unwrap_or(Path::new("")).to_owned();
    Ok((source, Some(base_dir)))
}

fn metrics(head: &Section<'_>) -> Result<Vec<Asked>, Diagnostic> {
    let names = head.needed(head.texts("metrics")?, "metrics", "[\"announce.median_s\"]")?;
    let mut metrics: Vec<Asked> = Vec::new();
    for name in names {
        let refused =
            |what: String, help: String| head.source().error(name.span.clone(), what, help);
        let span = &name.span;
        let (id, lane) = match name.value.split_once('@') {
            Some((id, lane)) => (id, Some(lane)),
            None => (name.value, None),
        };
        let Some(metric) = METRICS.iter().find(|metric| metric.id == id) else {
            let ids: Vec<&str> = METRICS.iter().map(|metric| metric.id).collect();
            let help = match nearest(id, &ids) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("use some of {}", ids.join(", ")),
            };
            return Err(refused(format!("there is no metric \"{}\"", shown(id)), help));
        };
        let lane = lane.map(|text| net(metric, text).map_err(|(what, help)| refused(what, help)));
        let lane = lane.transpose()?;
        let name = match lane {
            Some(lane) => format!("{}@{}", metric.id, lane.number()),
            None => metric.id.to_owned(),
        };
        let asked = Asked { name, metric, lane, span: span.clone() };
        if metrics.iter().any(|other| other.name == asked.name) {
            let what = format!("the metric {} is listed twice", asked.name);
            return Err(refused(what, "list each metric once".to_owned()));
        }
        metrics.push(asked);
    }
    if metrics.is_empty() {
        let what = "a sweep measures something";
        return Err(head.error("metrics", what, "list at least one metric"));
    }
    Ok(metrics)
}

/// The net of which a metric is asked: what stands behind its `@`.
fn net(metric: &Metric, text: &str) -> Result<Lane, (String, String)> {
    if !metric.by_net() {
        let what = format!("the metric {} is one of the whole scenario", metric.id);
        return Err((what, "leave `@` and the lane out".to_owned()));
    }
    text.parse().ok().and_then(Lane::new).ok_or_else(|| {
        let what = format!("\"{}\" is no lane", shown(text));
        (what, format!("write {}@ and a lane of the plan, counted from 0", metric.id))
    })
}

fn place(section: &Section<'_>) -> Result<ValuePath, Diagnostic> {
    let written = section.needed(section.text("set")?, "set", "\"interferer.0.share\"")?;
    word(section, "set", &written)?;
    ValuePath::parse(written.value, written.span)
        .map_err(|(what, help)| section.error("set", what, help))
}

fn factor(section: &Section<'_>) -> Result<Factor, Diagnostic> {
    let name = section.needed(section.text("name")?, "name", "\"jammed\"")?;
    word(section, "name", &name)?;
    let metric = METRICS.iter().any(|metric| metric.id == name.value);
    if metric || COLUMNS.contains(&name.value) || name.value.starts_with("share") {
        let what = format!("\"{}\" is a column of the results already", name.value);
        return Err(section.error("name", what, "call the factor something else"));
    }
    let path = place(section)?;
    let written = section.list_as_written("levels")?;
    let written = section.needed(written, "levels", "[0.0, 0.2, 0.4]")?;
    if written.is_empty() {
        let what = "a factor has at least one level";
        return Err(section.error(
            "levels",
            what,
            "list its levels, such as `levels = [0.2, 0.4]`",
        ));
    }
    let mut levels: Vec<Level> = Vec::new();
    for value in &written {
        let level = level(section, value)?;
        if levels.iter().any(|other| other.text == level.text) {
            let what = format!("the level {} is listed twice", shown(&level.text));
            return Err(section.source().error(level.span, what, "list each level once"));
        }
        levels.push(level);
    }
    Ok(Factor { name: name.value.to_owned(), path, levels })
}

/// A value that will be put into a text.
fn level(section: &Section<'_>, written: &Located<&str>) -> Result<Level, Diagnostic> {
    let refused = |what: &str, help: &str| section.source().error(written.span.clone(), what, help);
    let value: Value = written.value.trim().parse().map_err(|_| {
        refused("this value cannot be read by itself", "write it on one line, without a comment")
    })?;
    let text = match &value {
        Value::String(text) => text.value().clone(),
        Value::Integer(number) => number.value().to_string(),
        Value::Float(number) => number.value().to_string(),
        Value::Boolean(flag) => flag.value().to_string(),
        Value::Datetime(_) | Value::Array(_) | Value::InlineTable(_) => written.value.to_owned(),
    };
    let located = Located { value: text.as_str(), span: written.span.clone() };
    word(section, "", &located).map_err(|error| refused(error.what(), error.help()))?;
    Ok(Level { value, text, span: written.span.clone() })
}

/// Refuses what would not fit a column's head or a line of a terminal.
fn word(section: &Section<'_>, key: &str, text: &Located<&str>) -> Result<(), Diagnostic> {
    let count = text.value.chars().count();
    if !(1..=LONGEST).contains(&count) || text.value.chars().any(char::is_control) {
        let what =
            format!("a name or value here has 1 to {LONGEST} printable characters, on one line");
        return Err(section.error(key, what, "write something short"));
    }
    Ok(())
}
