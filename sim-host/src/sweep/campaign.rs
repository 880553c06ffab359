//! The trials of a campaign, on all cores.

use super::cell::Plans;
use super::{Asked, Folder, Shard, Sweep, Trial};
use crate::diagnostic::Diagnostic;
use crate::run::Run;
use crate::scenario::Scenario;
use crate::world::Detail;
use hopwright_core::units::Lane;
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;

/// A sweep of which every cell has been read.
#[derive(Debug)]
pub struct Campaign {
    /// What is done.
    pub sweep: Sweep,
    plans: Plans,
    /// Whether trials have expectations to hold.
    pub(super) expects: bool,
    /// What results belong to: they are never mixed with those of another digest.
    pub(super) digest: [u8; 32],
}

/// What a trial came to.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Outcome {
    /// Whether every expectation of the scenario held.
    pub(super) held: bool,
    /// The metrics, in the sweep's order: infinite for what did not happen, not a number where
    /// there is nothing to measure.
    pub(super) values: Vec<f64>,
}

/// The outcomes of a campaign as far as they are there.
#[derive(Debug)]
pub struct Results(Vec<Option<Outcome>>);

impl Results {
    /// None yet.
    #[must_use]
    pub fn empty(campaign: &Campaign) -> Self {
        let mut all = Vec::new();
        all.resize_with(campaign.sweep.total(), || None);
        Self(all)
    }

    /// How many there are.
    #[must_use]
    pub fn done(&self) -> usize {
        self.0.iter().flatten().count()
    }

    /// The trials of a shard that are not there, in order.
    #[must_use]
    pub fn missing(&self, shard: Shard) -> Vec<usize> {
        let missing = |index: &usize| shard.has(*index) && self.of(*index).is_none();
        (0..self.0.len()).filter(missing).collect()
    }

    /// The outcome of a trial.
    pub(super) fn of(&self, index: usize) -> Option<&Outcome> {
        self.0.get(index)?.as_ref()
    }

    /// Keeps an outcome. The one that was there, if it is another.
    pub(super) fn keep(&mut self, index: usize, outcome: Outcome) -> Result<(), Outcome> {
        match self.0.get_mut(index) {
            Some(place @ None) => *place = Some(outcome),
            // Bits, so that what is not a number equals itself.
            Some(Some(old)) if old.bits() != outcome.bits() => return Err(old.clone()),
            Some(Some(_)) => {}
            None => return Err(outcome),
        }
        Ok(())
    }
}

impl Outcome {
    fn bits(&self) -> (bool, Vec<u64>) {
        let bit = |value: &f64| if value.is_nan() { u64::MAX } else { value.to_bits() };
        (self.held, self.values.iter().map(bit).collect())
    }
}

/// What a campaign tells while it runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    /// Trials done since it began.
    pub done: usize,
    /// Trials that there were to do.
    pub of: usize,
}

impl Campaign {
    /// Reads the scenario of every cell.
    pub(super) fn new(sweep: Sweep) -> Result<Self, Diagnostic> {
        let mut plans = Plans::default();
        for cell in 0..sweep.cells() {
            sweep.load_plan(cell, &mut plans)?;
        }
        // In order, so that of several errors the first cell's is told.
        let read: Vec<Result<(bool, Vec<u8>), Diagnostic>> = (0..sweep.cells())
            .into_par_iter()
            .map(|cell| {
                let scenario = sweep.scenario(cell, &plans, None)?;
                sweep.nets_exist(cell, &scenario)?;
                let lane = scenario.radio.lanes().into_iter().next().unwrap_or(Lane::ZERO);
                Ok((!scenario.expectations.is_empty(), scenario.plan.what_the_key_decides(lane)?))
            })
            .collect();
        let mut hash = Sha256::new();
        let mut part = |bytes: &[u8]| {
            hash.update((bytes.len() as u64).to_le_bytes());
            hash.update(bytes);
        };
        part(env!("CARGO_PKG_VERSION").as_bytes());
        part(sweep.source.text().as_bytes());
        part(&sweep.trials.to_le_bytes());
        part(&sweep.seed.to_le_bytes());
        part(sweep.scenario.text().as_bytes());
        plans.texts().for_each(|text| part(text.as_bytes()));
        let mut expects = false;
        for cell in read {
            let (any, hops) = cell?;
            expects |= any;
            part(&hops);
        }
        let digest = hash.finalize().into();
        Ok(Self { sweep, plans, expects, digest })
    }

    /// The digest as text.
    #[must_use]
    pub fn digest(&self) -> String {
        self.digest.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// Carries one trial out. `kept` is the scenario that the trial before had, if it is of the same
    /// cell and key, and is left there for the next.
    fn carry_out(
        &self,
        trial: Trial,
        kept: &mut Option<(u32, Scenario)>,
    ) -> Result<Outcome, Diagnostic> {
        let scenario = match kept.take() {
            Some((cell, scenario)) if cell == trial.cell && !self.sweep.keys_by_trial() => scenario,
            _ => self.sweep.scenario(trial.cell, &self.plans, Some(trial.seed))?,
        };
        let run = Run::new(scenario, Some(trial.seed), Detail::Totals, None).map_err(|error| {
            let Trial { cell, trial, seed } = trial;
            let what = format!("cell {cell}, trial {trial}, seed {seed}: {}", error.what());
            Diagnostic::new(what, error.help())
        })?;
        let value = |asked: &Asked| {
            // Where there is one net, it is all of them.
            let net = asked.lane.and_then(|lane| run.nets.get(&lane)).unwrap_or(&run.measured);
            net.get(asked.metric.id).map_or(f64::NAN, |measured| measured.value)
        };
        let values = self.sweep.metrics.iter().map(value).collect();
        let outcome = Outcome { held: run.passed(), values };
        *kept = Some((trial.cell, run.scenario));
        Ok(outcome)
    }
}

impl Sweep {
    /// Refuses a metric of a net that nobody is on.
    fn nets_exist(&self, cell: u32, scenario: &Scenario) -> Result<(), Diagnostic> {
        let lanes = scenario.radio.lanes();
        let asked = self.metrics.iter().find(|m| m.lane.is_some_and(|lane| !lanes.contains(&lane)));
        let Some(asked) = asked else { return Ok(()) };
        let what =
            format!("{} is asked for, and in cell {cell} no station is on that lane", asked.name);
        let help = "name a lane that has stations in every cell";
        Err(self.source.error(asked.span.clone(), what, help))
    }

    fn keys_by_trial(&self) -> bool {
        self.keys == super::Keys::Trial
    }
}

/// Carries trials out on `jobs` threads, and hands each outcome to `keep` as it comes, on the thread
/// of the caller. Ends early once `stop` says so: trials on the way are finished.
///
/// # Errors
/// [`Diagnostic`] of a trial or of `keep`; what has been kept stays kept.
pub(super) fn carry_out(
    campaign: &Campaign,
    todo: &[usize],
    jobs: usize,
    stop: &AtomicBool,
    mut keep: impl FnMut(&[(usize, Outcome)]) -> Result<(), Diagnostic>,
) -> Result<(), Diagnostic> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(jobs).build().map_err(|error| {
        Diagnostic::new(format!("{jobs} threads cannot be had: {error}"), "lower --jobs")
    })?;
    let next = AtomicUsize::new(0);
    let failed = AtomicBool::new(false);
    // The error of the earliest trial that has one.
    let error: Mutex<Option<(usize, Diagnostic)>> = Mutex::new(None);
    let (send, received) = mpsc::channel();
    let kept = pool.in_place_scope(|scope| {
        for _ in 0..pool.current_num_threads() {
            let send = send.clone();
            let (next, failed, error) = (&next, &failed, &error);
            scope.spawn(move |_| {
                let mut kept = None;
                while !stop.load(Ordering::Relaxed) && !failed.load(Ordering::Relaxed) {
                    let Some(index) = todo.get(next.fetch_add(1, Ordering::Relaxed)) else { break };
                    match campaign.carry_out(campaign.sweep.trial(*index), &mut kept) {
                        Ok(outcome) => {
                            if send.send((*index, outcome)).is_err() {
                                break;
                            }
                        }
                        Err(fault) => {
                            failed.store(true, Ordering::Relaxed);
                            if let Ok(mut first) = error.lock()
                                && first.as_ref().is_none_or(|(other, _)| index < other)
                            {
                                *first = Some((*index, fault));
                            }
                        }
                    }
                }
            });
        }
        drop(send);
        let mut batch = Vec::new();
        while let Ok(first) = received.recv() {
            batch.push(first);
            batch.extend(received.try_iter());
            if let Err(fault) = keep(&batch) {
                failed.store(true, Ordering::Relaxed);
                return Err(fault);
            }
            batch.clear();
        }
        Ok(())
    });
    kept?;
    match error.into_inner().ok().flatten() {
        Some((_, fault)) => Err(fault),
        None => Ok(()),
    }
}

/// Carries out what is missing of `todo`, without a folder: nothing is kept but the results.
///
/// # Errors
/// [`Diagnostic`] of a trial.
pub fn run(
    campaign: &Campaign,
    folder: Option<&mut Folder>,
    results: Results,
    todo: &[usize],
    jobs: usize,
    stop: &AtomicBool,
    mut told: impl FnMut(Told),
) -> Result<Results, Diagnostic> {
    let mut results = results;
    let mut folder = folder;
    let of = todo.len();
    let mut done = 0;
    carry_out(campaign, todo, jobs, stop, |batch| {
        if let Some(folder) = &mut folder {
            folder.append(batch)?;
        }
        for (index, outcome) in batch {
            // It was missing a moment ago.
            let _ = results.keep(*index, outcome.clone());
        }
        done += batch.len();
        told(Told { done, of });
        Ok(())
    })?;
    if let Some(folder) = folder {
        folder.sync()?;
    }
    Ok(results)
}
