//! What must come of a scenario.

use super::read::printable;
use crate::diagnostic::Diagnostic;
use crate::input::{Section, nearest, shown};
use crate::run::metrics::{METRICS, Metric};
use crate::scenario::StationPlan;
use hopwright_core::units::{Lane, MAX_LANES};

/// One expectation.
#[derive(Debug, Clone, PartialEq)]
pub struct Expectation {
    /// What is measured.
    pub metric: &'static Metric,
    /// Of which net; of the whole if `None`.
    pub lane: Option<Lane>,
    /// What it must be.
    pub bound: Bound,
    /// Where the requirement comes from.
    pub source: String,
}

/// What a measured value must be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bound {
    /// No more than this.
    AtMost(f64),
    /// No less than this.
    AtLeast(f64),
    /// Exactly this.
    Equals(f64),
    /// Within the band that the metric's closed form gives.
    Model,
}

impl Expectation {
    /// The keys of an expectation.
    pub(super) const KEYS: &[&str] =
        &["metric", "lane", "at_most", "at_least", "equals", "from_model", "source"];

    /// Reads one expectation.
    pub(super) fn read(
        section: &Section<'_>,
        stations: &[StationPlan],
    ) -> Result<Self, Diagnostic> {
        let name = section.needed(section.text("metric")?, "metric", "\"announce.worst_s\"")?;
        let Some(metric) = METRICS.iter().find(|metric| metric.id == name.value) else {
            let ids: Vec<&str> = METRICS.iter().map(|metric| metric.id).collect();
            let help = match nearest(name.value, &ids) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("use one of {}", ids.join(", ")),
            };
            let what = format!("there is no metric \"{}\"", shown(name.value));
            return Err(section.error("metric", what, help));
        };
        let lane = lane(section, metric, stations)?;
        let model = section.text("from_model")?;
        let bounds = [
            section.number("at_most")?.map(|n| ("at_most", Bound::AtMost(n.value))),
            section.number("at_least")?.map(|n| ("at_least", Bound::AtLeast(n.value))),
            section.number("equals")?.map(|n| ("equals", Bound::Equals(n.value))),
            model.as_ref().map(|_| ("from_model", Bound::Model)),
        ];
        let mut given = bounds.into_iter().flatten();
        let what = "an expectation has exactly one of at_most, at_least, equals, from_model";
        let Some((_, bound)) = given.next() else {
            return Err(section.error("", what, "add one of them, such as `at_most = 0.5`"));
        };
        if let Some((second, _)) = given.next() {
            return Err(section.error(second, what, "keep one of them"));
        }
        if let Some(wanted) = model
            && metric.model != Some(wanted.value)
        {
            let help = match metric.model {
                Some(model) => format!("write from_model = \"{model}\""),
                None => "give a number with at_most, at_least or equals".to_owned(),
            };
            let what = format!("the metric {} has no such closed form", metric.id);
            return Err(section.error("from_model", what, help));
        }
        let source = section.needed(section.text("source")?, "source", "\"where it is from\"")?;
        printable(section, "source", source.value)?;
        Ok(Self { metric, lane, bound, source: source.value.to_owned() })
    }
}

/// The net that an expectation is about.
fn lane(
    section: &Section<'_>,
    metric: &Metric,
    stations: &[StationPlan],
) -> Result<Option<Lane>, Diagnostic> {
    let Some(number) = section.integer("lane", 0..=MAX_LANES - 1)? else { return Ok(None) };
    if !metric.by_net() {
        let what = format!("the metric {} is one of the whole scenario", metric.id);
        return Err(section.error("lane", what, "leave `lane` out"));
    }
    let lane = Lane::new(number.value).filter(|l| stations.iter().any(|s| s.lane == *l));
    lane.map(Some).ok_or_else(|| {
        let what = format!("no station is on lane {}", number.value);
        section.error("lane", what, "name the lane of a station, or leave `lane` out")
    })
}
