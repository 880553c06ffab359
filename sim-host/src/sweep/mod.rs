//! Campaigns: a scenario run many times at all combinations of the levels of some factors.
//!
//! ```text
//! sweep.toml ──read──► Sweep ──cell──► Scenario ──trial──► Outcome ──journal──► Results ──► files
//!                        │               ▲                               ▲
//!                        └─ scenario, plan with the cell's levels put in  └─ shards, earlier runs
//! ```
//!
//! A combination of levels is a *cell*. Cells are numbered from 0, the last factor changing
//! fastest, and so are the trials of each. A trial's seed follows from the sweep's seed and these
//! two numbers: who runs it, when and beside what decides nothing, and the results of shards put
//! together are those of one run, to the byte.

mod campaign;
mod cell;
mod files;
mod journal;
mod parquet;
mod patch;
mod read;
mod statistic;
mod summary;

pub use campaign::{Campaign, Results, Told, run};
pub use files::write_files;
pub(crate) use journal::shards_in;
pub use journal::{Folder, Shard};
pub(crate) use read::from_source;
pub use summary::{MetricSummary, Share, Summary, summarise, to_json};

use crate::diagnostic::Diagnostic;
use crate::input::Source;
use crate::run::metrics::Metric;
use crate::world::child_seed;
use hopwright_core::units::Lane;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use toml_edit::Value;

/// What is kept of each trial.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// The name of its column: that of the metric, and `@` and the lane if it is asked of one net.
    pub name: String,
    /// What is measured.
    pub metric: &'static Metric,
    /// Of which net; of all of them if of none.
    pub lane: Option<Lane>,
    /// Where it is written.
    pub(crate) span: Range<usize>,
}

/// A campaign as its file describes it.
#[derive(Debug)]
pub struct Sweep {
    /// A short name.
    pub name: String,
    /// Trials of each cell.
    pub trials: u32,
    /// The seed from which every trial's is drawn.
    pub seed: u64,
    /// What is kept of each trial.
    pub metrics: Vec<Asked>,
    /// Draws of each bootstrap.
    pub resamples: u32,
    /// What is varied.
    pub factors: Vec<Factor>,
    /// Whose net key a trial has.
    keys: Keys,
    /// What is set in every cell.
    always: Vec<(patch::Path, Level)>,
    scenario: Source,
    /// The scenario's folder; none for the built-in one.
    base_dir: Option<PathBuf>,
    source: Arc<Source>,
}

/// Something that is varied.
#[derive(Debug)]
pub struct Factor {
    /// Its name: a column of the results.
    pub name: String,
    path: patch::Path,
    /// What it is set to.
    pub levels: Vec<Level>,
}

/// A value that a factor is set to.
#[derive(Debug)]
pub struct Level {
    value: Value,
    /// The value as it stands in results.
    pub text: String,
    span: Range<usize>,
}

/// Whose net key a trial has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Keys {
    /// The plan's.
    Plan,
    /// One of its own, drawn from its seed.
    Trial,
}

/// A trial of a campaign.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trial {
    /// The number of its cell, from 0.
    pub cell: u32,
    /// Its number in the cell, from 0.
    pub trial: u32,
    /// What everything left to chance in it comes from.
    pub seed: u64,
}

impl Sweep {
    /// Reads a sweep, its scenario, and the plan of every cell, so that nothing that can be refused
    /// is left to the middle of a campaign. `trials` and `seed` count instead of the sweep's own.
    ///
    /// # Errors
    /// [`Diagnostic`] if a file cannot be read, or a cell's values make no scenario.
    pub fn load(
        path: &Path,
        trials: Option<u32>,
        seed: Option<u64>,
    ) -> Result<Campaign, Diagnostic> {
        Campaign::new(read::sweep(path, trials, seed)?)
    }

    /// How many cells there are.
    #[must_use]
    pub fn cells(&self) -> u32 {
        let cells = self.factors.iter().map(|factor| factor.levels.len() as u64).product::<u64>();
        u32::try_from(cells).unwrap_or(u32::MAX)
    }

    /// How many trials there are in all cells.
    #[must_use]
    pub fn total(&self) -> usize {
        self.cells() as usize * self.trials as usize
    }

    /// The index of each factor's level in a cell.
    fn indices(&self, cell: u32) -> Vec<usize> {
        let mut rest = cell as usize;
        let mut indices: Vec<usize> = self
            .factors
            .iter()
            .rev()
            .map(|factor| {
                let index = rest % factor.levels.len();
                rest /= factor.levels.len();
                index
            })
            .collect();
        indices.reverse();
        indices
    }

    /// The levels of a cell, in the factors' order.
    #[must_use]
    pub fn levels(&self, cell: u32) -> Vec<&Level> {
        self.at(&self.indices(cell))
    }

    fn at(&self, indices: &[usize]) -> Vec<&Level> {
        let levels = self.factors.iter().zip(indices).map(|(f, i)| f.levels.get(*i));
        levels.flatten().collect()
    }

    /// The trial of that place in the campaign: cell by cell.
    #[must_use]
    pub fn trial(&self, index: usize) -> Trial {
        let number = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        let trials = self.trials as usize;
        let (cell, trial) = (number(index / trials), number(index % trials));
        // One bit less, so that the seed can stand in a scenario.
        let seed = child_seed(self.seed, &format!("cell/{cell}/trial/{trial}")) >> 1;
        Trial { cell, trial, seed }
    }
}
