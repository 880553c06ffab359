//! A finished campaign as files, each whole or not there.

use super::campaign::Results;
use super::summary::{MetricSummary, Share, Summary, to_json};
use super::{Campaign, Folder, parquet};
use crate::diagnostic::Diagnostic;
use crate::whole;
use std::io::{self, Write};

/// Writes `trials.csv`, `trials.parquet`, `summary.csv` and `summary.json`.
///
/// # Errors
/// [`Diagnostic`] if one of them cannot be written.
pub fn write_files(
    campaign: &Campaign,
    results: &Results,
    cells: &[Summary],
    folder: &Folder,
) -> Result<(), Diagnostic> {
    let path = folder.path();
    whole::write(path, "trials.csv", |out| trials_csv(campaign, results, out))?;
    whole::write(path, "trials.parquet", |out| parquet::write(campaign, results, out))?;
    whole::write(path, "summary.csv", |out| summary_csv(campaign, cells, out))?;
    whole::write(path, "summary.json", |out| writeln!(out, "{:#}", to_json(campaign, cells)))
}

fn writer<W: Write>(out: W) -> csv::Writer<W> {
    csv::WriterBuilder::new().from_writer(out)
}

/// A number with as many digits as read back to the same; nothing for what is none.
fn number(value: f64) -> String {
    if value.is_nan() { String::new() } else { value.to_string() }
}

fn trials_csv(campaign: &Campaign, results: &Results, out: impl Write) -> io::Result<()> {
    let sweep = &campaign.sweep;
    let mut out = writer(out);
    let mut head = vec!["cell"];
    head.extend(sweep.factors.iter().map(|factor| factor.name.as_str()));
    head.extend(["trial", "seed"]);
    head.extend(campaign.expects.then_some("held"));
    head.extend(sweep.metrics.iter().map(|asked| asked.name.as_str()));
    out.write_record(&head)?;
    for index in 0..sweep.total() {
        let Some(outcome) = results.of(index) else { continue };
        let trial = sweep.trial(index);
        out.write_field(trial.cell.to_string())?;
        for level in sweep.levels(trial.cell) {
            out.write_field(&level.text)?;
        }
        out.write_field(trial.trial.to_string())?;
        out.write_field(trial.seed.to_string())?;
        if campaign.expects {
            out.write_field(if outcome.held { "1" } else { "0" })?;
        }
        for value in &outcome.values {
            out.write_field(number(*value))?;
        }
        out.write_record(None::<&[u8]>)?;
    }
    out.flush()
}

fn summary_csv(campaign: &Campaign, cells: &[Summary], out: impl Write) -> io::Result<()> {
    let mut out = writer(out);
    let mut head = vec!["cell"];
    head.extend(campaign.sweep.factors.iter().map(|factor| factor.name.as_str()));
    head.extend(["metric", "unit", "n", "nothing", "never", "mean", "mean_low", "mean_high"]);
    head.extend(["median", "median_low", "median_high"]);
    head.extend(["share_of", "hits", "of", "share", "share_low", "share_high"]);
    out.write_record(&head)?;
    for cell in cells {
        let mut row = |metric: &str, numbers: &[String], share: Option<Share>| {
            out.write_field(cell.cell.to_string())?;
            for level in &cell.levels {
                out.write_field(level)?;
            }
            out.write_field(metric)?;
            for number in numbers {
                out.write_field(number)?;
            }
            for field in share_fields(share) {
                out.write_field(field)?;
            }
            out.write_record(None::<&[u8]>)
        };
        if let Some(held) = cell.held {
            let mut none = vec![String::new(); 10];
            none[1] = held.of.to_string();
            row("held", &none, Some(held))?;
        }
        for m in &cell.metrics {
            row(&m.asked.name, &metric_fields(m), m.share)?;
        }
    }
    out.flush()
}

fn metric_fields(m: &MetricSummary) -> [String; 10] {
    let some = |value: Option<f64>| value.map(number).unwrap_or_default();
    let low = |interval: Option<(f64, f64)>| some(interval.map(|(low, _)| low));
    let high = |interval: Option<(f64, f64)>| some(interval.map(|(_, high)| high));
    [
        m.asked.metric.unit.to_owned(),
        m.n.to_string(),
        m.nothing.to_string(),
        m.never.to_string(),
        some(m.mean),
        low(m.mean_interval),
        high(m.mean_interval),
        some(m.median),
        low(m.median_interval),
        high(m.median_interval),
    ]
}

fn share_fields(share: Option<Share>) -> [String; 6] {
    let Some(share) = share else { return Default::default() };
    [
        share.what.to_owned(),
        share.hits.to_string(),
        share.of.to_string(),
        number(share.share),
        number(share.interval.0),
        number(share.interval.1),
    ]
}
