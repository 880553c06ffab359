//! What the trials of each cell amount to.

use super::campaign::Results;
use super::statistic::{interval, mean, median};
use super::{Asked, Campaign, Level};
use crate::run::metrics::Metric;
use crate::trials::share_of;
use crate::world::child_seed;
use rayon::prelude::*;
use serde_json::{Map, Value, json};

/// One metric of one cell.
#[derive(Debug, Clone, PartialEq)]
pub struct MetricSummary {
    /// What was measured.
    pub asked: Asked,
    /// Trials with a value.
    pub n: usize,
    /// Trials in which there was nothing to measure.
    pub nothing: usize,
    /// Trials among `n` in which it never happened.
    pub never: usize,
    /// The mean of those in which it did.
    pub mean: Option<f64>,
    /// Its 95 % bootstrap interval.
    pub mean_interval: Option<(f64, f64)>,
    /// The median of all `n`; infinite if it never happened in most.
    pub median: Option<f64>,
    /// Its 95 % bootstrap interval.
    pub median_interval: Option<(f64, f64)>,
    /// The share of the `n` with a property that makes sense for the metric.
    pub share: Option<Share>,
}

/// A share with its Wilson interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// What is counted: `held` (every expectation), `zero`, or `happened`.
    pub what: &'static str,
    /// How many have it.
    pub hits: u64,
    /// Of how many.
    pub of: u64,
    /// The share.
    pub share: f64,
    /// Its 95 % interval (E. B. Wilson, 1927).
    pub interval: (f64, f64),
}

/// One cell.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Its number.
    pub cell: u32,
    /// The text of each factor's level.
    pub levels: Vec<String>,
    /// The share of trials in which every expectation of the scenario held, if it has any.
    pub held: Option<Share>,
    /// The metrics, in the sweep's order.
    pub metrics: Vec<MetricSummary>,
}

impl Share {
    fn of(what: &'static str, hits: usize, of: usize) -> Option<Self> {
        let (hits, of) = (hits as u64, of as u64);
        let (share, interval) = share_of(hits, of);
        (of > 0).then_some(Self { what, hits, of, share, interval })
    }
}

/// What is worth counting of a metric: of times, whether it happened; of counts, whether there were
/// none. A share measured in a trial is no count.
fn counted(metric: &Metric) -> Option<&'static str> {
    match metric.unit {
        "s" => Some("happened"),
        "" if !metric.id.ends_with("_share") => Some("zero"),
        _ => None,
    }
}

/// Sums all cells up.
#[must_use]
pub fn summarise(campaign: &Campaign, results: &Results) -> Vec<Summary> {
    (0..campaign.sweep.cells())
        .into_par_iter()
        .map(|cell| of_cell(campaign, results, cell))
        .collect()
}

fn of_cell(campaign: &Campaign, results: &Results, cell: u32) -> Summary {
    let sweep = &campaign.sweep;
    let first = cell as usize * sweep.trials as usize;
    let outcomes: Vec<_> =
        (first..first + sweep.trials as usize).filter_map(|index| results.of(index)).collect();
    let held = outcomes.iter().filter(|outcome| outcome.held).count();
    let levels = sweep.levels(cell).into_iter().map(|level: &Level| level.text.clone()).collect();
    let metrics = sweep.metrics.iter().enumerate().map(|(m, asked)| {
        let values = outcomes.iter().filter_map(|outcome| outcome.values.get(m).copied());
        let values: Vec<f64> = values.filter(|value| !value.is_nan()).collect();
        let seed = child_seed(sweep.seed, &format!("bootstrap/{cell}/{}", asked.name));
        of_metric(asked, &values, outcomes.len(), sweep.resamples, seed)
    });
    Summary {
        cell,
        levels,
        held: campaign.expects.then(|| Share::of("held", held, outcomes.len())).flatten(),
        metrics: metrics.collect(),
    }
}

fn of_metric(
    asked: &Asked,
    values: &[f64],
    trials: usize,
    resamples: u32,
    seed: u64,
) -> MetricSummary {
    let happened: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    let share = counted(asked.metric).and_then(|what| {
        let hits = match what {
            "happened" => happened.len(),
            _ => happened.iter().filter(|value| **value == 0.0).count(),
        };
        Share::of(what, hits, values.len())
    });
    let by_mean = |values: &mut [f64]| mean(values);
    MetricSummary {
        asked: asked.clone(),
        n: values.len(),
        nothing: trials - values.len(),
        never: values.len() - happened.len(),
        mean: mean(&happened),
        mean_interval: interval(&happened, resamples, child_seed(seed, "mean"), by_mean),
        median: median(&mut values.to_vec()),
        median_interval: interval(values, resamples, child_seed(seed, "median"), median),
        share,
    }
}

/// All of it as one object. What never happens is "never".
#[must_use]
pub fn to_json(campaign: &Campaign, cells: &[Summary]) -> Value {
    let sweep = &campaign.sweep;
    let factors: Vec<&str> = sweep.factors.iter().map(|factor| factor.name.as_str()).collect();
    let cells: Vec<Value> = cells.iter().map(|cell| cell_json(&factors, cell)).collect();
    json!({
        "sweep": sweep.name,
        "program": env!("CARGO_PKG_VERSION"),
        "digest": campaign.digest(),
        "seed": sweep.seed,
        "trials": sweep.trials,
        "resamples": sweep.resamples,
        "confidence": 0.95,
        "cells": cells,
    })
}

fn cell_json(factors: &[&str], cell: &Summary) -> Value {
    let levels: Map<String, Value> = factors
        .iter()
        .zip(&cell.levels)
        .map(|(f, level)| ((*f).to_owned(), json!(level)))
        .collect();
    let metrics: Map<String, Value> = cell
        .metrics
        .iter()
        .map(|m| {
            let object = json!({
                "unit": m.asked.metric.unit,
                "n": m.n,
                "nothing": m.nothing,
                "never": m.never,
                "mean": m.mean.map(number),
                "mean_interval": m.mean_interval.map(both),
                "median": m.median.map(number),
                "median_interval": m.median_interval.map(both),
                "share": m.share.map(share_json),
            });
            (m.asked.name.clone(), object)
        })
        .collect();
    json!({
        "cell": cell.cell,
        "levels": levels,
        "held": cell.held.map(share_json),
        "metrics": metrics,
    })
}

fn share_json(share: Share) -> Value {
    json!({
        "of_what": share.what,
        "hits": share.hits,
        "of": share.of,
        "share": share.share,
        "interval": both(share.interval),
    })
}

/// JSON has no infinity.
fn number(value: f64) -> Value {
    if value.is_finite() { json!(value) } else { json!("never") }
}

fn both((low, high): (f64, f64)) -> [Value; 2] {
    [number(low), number(high)]
}
