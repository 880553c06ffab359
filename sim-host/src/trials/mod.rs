//! One situation, many times.
//!
//! Each trial is a small world of its own: its seed decides the net key (the plan's is not used),
//! oscillators, the order in which channels are searched, where the interference lies and when
//! things happen, so that no trial sees the sequence of another.

mod change;
mod parting;
mod situation;
mod summary;

pub use parting::Contact;
pub use situation::Situation;
pub use summary::{Summary, share_of, share_within, summarise, wilson};

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::world::child_seed;
use rayon::prelude::*;

/// A campaign of trials.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Campaign {
    /// What is tried.
    pub situation: Situation,
    /// How often.
    pub trials: u32,
    /// The seed from which each trial's is drawn.
    pub seed: u64,
    /// The share of the hopset under interference, 40 dB above the wanted signal.
    pub jammed: f64,
    /// The length of the silence, where one comes into it, in seconds.
    pub silence_s: f64,
    /// For how long two halves are out of range of each other, where that comes into it, in
    /// hours.
    pub apart_h: f64,
    /// How they meet.
    pub contact: Contact,
}

impl Campaign {
    /// One trial of a situation, in a clear band.
    #[must_use]
    pub const fn of(situation: Situation) -> Self {
        let (apart_h, contact) = (4.0, Contact::Bridge);
        Self { situation, trials: 1, seed: 1, jammed: 0.0, silence_s: 0.0, apart_h, contact }
    }

    /// Carries all trials out, on all cores, and gives the outcomes of each in order: seconds, or
    /// infinity for what did not happen in time. A trial with several stations has several.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no stations.
    pub fn run(&self, plan: &Plan) -> Result<Vec<Vec<f64>>, Diagnostic> {
        (0..self.trials)
            .into_par_iter()
            .map(|n| {
                let seed = child_seed(self.seed, &format!("trial/{n}"));
                self.situation.outcomes(plan, self, seed)
            })
            .collect()
    }
}
