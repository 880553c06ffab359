//! A net for days, with a fault every few minutes: what must never happen is counted.
//!
//! Everything follows from one seed. What happens is a list ([`Happening`]) that is drawn before
//! anything runs; what must not happen is looked at by the world after every call of every station
//! ([`Rule`]). A list that fails is shrunk ([`minimise`]) and kept as a
//! [`Case`] that `hopwright replay` runs. `docs/soak-and-model.md` says what happens, and what is
//! asserted while a net has more than one timeline.

mod carry;
mod case;
mod draw;
mod happening;
mod shrink;

pub use case::Case;
pub(crate) use case::may_write;
pub use happening::{Happening, Storage, What, Whom};
pub use shrink::minimise;

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::scenario::{Builder, Cover, InterfererPlan, RadioPlan, StationPlan, Timetable};
use crate::world::{Broken, Faults, Level, Place, Record, Rule, World, child_seed};
use carry::{Carrier, run_to};
use hopwright_core::address::Address;
use hopwright_core::station::Role;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

const SECOND: u64 = 1_000_000;
/// The station that starts timelines.
const TIMEKEEPER: usize = 0;
/// For so long a shortened list may take longer to fail than the whole one did.
const LATITUDE: u64 = 3_600 * SECOND;
/// Runs that shrinking may take.
const TRIALS: u32 = 400;

/// What to run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Soak {
    /// Stations, 3 to 250.
    pub stations: u8,
    /// How long, in microseconds of net time.
    pub length_us: u64,
    /// What everything follows from.
    pub seed: u64,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Outcome {
    /// Happenings by kind.
    pub happenings: BTreeMap<&'static str, u64>,
    /// Overs that stations took an operator's press for.
    pub overs: u64,
    /// Times that a station took the floor without time.
    pub cut_ins: u64,
    /// Timelines that were started.
    pub timelines: u64,
    /// The most announces and overs that it took to come together again.
    pub longest_reunion: u32,
    /// Events of the simulation.
    pub steps: u64,
    /// Transmissions.
    pub sent: u64,
    /// Second copies that stations were handed.
    pub duplicates: u64,
    /// Recordings played to stations.
    pub replays: u64,
    /// Calls after which a bound was compared with true time.
    pub bound_checks: u64,
    /// What must never happen, and did.
    pub broken: Record,
}

impl Outcome {
    /// What must never happen, and how often it did.
    pub fn violations(&self) -> impl Iterator<Item = (&'static str, u64)> {
        let count = |rule: &Rule| self.broken.counts.get(rule).copied().unwrap_or_default();
        Rule::ALL.iter().map(move |rule| (rule.text(), count(rule)))
    }

    /// Whether nothing happened that must never happen.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.broken.first.is_none()
    }
}

impl Soak {
    /// What happens: the same for the same seed.
    #[must_use]
    pub fn happenings(&self, plan: &Plan) -> Vec<Happening> {
        let seed = child_seed(self.seed, "happenings");
        draw::happenings(seed, self.stations, plan.clock(), self.length_us)
    }

    /// Runs the net to its end. `progress` is told the share done, now and then.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no stations.
    pub fn run(
        &self,
        plan: &Plan,
        happenings: &[Happening],
        progress: impl Fn(f64),
    ) -> Result<Outcome, Diagnostic> {
        self.carry_out(plan, happenings, None, progress)
    }

    /// Runs the net until true time `until` or until anything happens that must never happen.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no stations.
    pub fn first_broken(
        &self,
        plan: &Plan,
        happenings: &[Happening],
        until: u64,
    ) -> Result<Option<Broken>, Diagnostic> {
        Ok(self.carry_out(plan, happenings, Some(until), |_| {})?.broken.first)
    }

    /// A part of `happenings` that breaks the rule that `broken` says they break, and of which
    /// nothing can be left out, with what it breaks. `progress` is told the number that is left.
    /// After 400 trials the shortest part found so far must do.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no stations.
    pub fn shrink(
        &self,
        plan: &Plan,
        happenings: &[Happening],
        broken: Broken,
        mut progress: impl FnMut(usize),
    ) -> Result<(Vec<Happening>, Broken), Diagnostic> {
        let until = broken.at_us.saturating_add(LATITUDE).min(self.length_us);
        let mut refused = None;
        let mut shortest = (happenings.to_vec(), broken);
        let mut trials = 0;
        let mut fails = |list: &[Happening]| {
            trials += 1;
            if trials > TRIALS || refused.is_some() {
                return false;
            }
            match self.first_broken(plan, list, until) {
                Ok(Some(found)) if found.rule == broken.rule => {
                    progress(list.len());
                    shortest = (list.to_vec(), found);
                    true
                }
                Ok(_) => false,
                Err(error) => {
                    refused = Some(error);
                    false
                }
            }
        };
        // What comes later has no part in it, and what came long before seldom has: silence takes
        // no time to simulate.
        let end = happenings.partition_point(|happening| happening.at_us <= broken.at_us);
        let before = &happenings[..end];
        let lengths = (0..usize::BITS).map(|bits| 1 << bits).take_while(|n| *n < end);
        let last = lengths.map(|n| &before[end - n..]).find(|last| fails(last));
        minimise(last.unwrap_or(before), fails);
        refused.map_or(Ok(shortest), Err)
    }

    fn carry_out(
        &self,
        plan: &Plan,
        happenings: &[Happening],
        stop: Option<u64>,
        progress: impl Fn(f64),
    ) -> Result<Outcome, Diagnostic> {
        let end = self.length_us.min(stop.unwrap_or(u64::MAX));
        let radio = self.radio(plan);
        let builder = Builder::new(plan, &radio, self.seed)?.without_tree();
        let mut world = builder.world(Timetable::totals(&[(5 * SECOND, TIMEKEEPER)], &[]))?;
        world.set_faults(Faults { loss: 0.02, duplicates: 0.02, replays: 0.01 });
        let mut outcome = Outcome::default();
        let mut carrier = Carrier { soak: *self, plan, radio: &radio, longest_reunion: 0 };
        let goes_on = |world: &World| stop.is_none() || world.trace().broken.first.is_none();
        for happening in happenings {
            if happening.at_us >= end || !goes_on(&world) {
                break;
            }
            carrier.carry_out(&mut world, *happening)?;
            *outcome.happenings.entry(happening.what.kind()).or_default() += 1;
            progress(world.now() as f64 / end as f64);
        }
        if stop.is_some() {
            world.run_while(end.max(world.now()), goes_on);
        } else {
            run_to(&mut world, end);
        }
        let trace = world.trace();
        Ok(Outcome {
            overs: trace.overs.len() as u64,
            cut_ins: trace.totals.cut_ins,
            timelines: world.timelines().len() as u64,
            longest_reunion: carrier.longest_reunion,
            steps: trace.totals.steps,
            sent: trace.totals.sent,
            duplicates: trace.totals.duplicates,
            replays: trace.totals.replays,
            bound_checks: trace.totals.bound_checks,
            broken: trace.broken.clone(),
            ..outcome
        })
    }

    /// Stations within a few kilometres, and interference half of the time. The oscillators of
    /// every other one will change their rates.
    fn radio(&self, plan: &Plan) -> RadioPlan {
        let mut rng = ChaCha8Rng::seed_from_u64(child_seed(self.seed, "radio"));
        let place = |rng: &mut ChaCha8Rng| f64::from(rng.next_u32() % 8_000) - 4_000.0;
        let stations = (0..self.stations)
            .map(|i| StationPlan {
                role: if i == 0 { Role::Timekeeper } else { Role::Member },
                place: Place::at(place(&mut rng), place(&mut rng)),
                ppb: i.is_multiple_of(2).then(|| {
                    let most = draw::restless_ppb(plan.clock(), usize::from(i));
                    let draw = child_seed(self.seed, &format!("rate/{i}")) % (2 * most + 1);
                    draw.cast_signed() - most.cast_signed()
                }),
                ..StationPlan::member(format!("station {i}"), Address::new(i))
            })
            .collect();
        let mut interferers = Vec::new();
        let mut from_us = 600 * SECOND;
        while from_us < self.length_us {
            let share = f64::from(rng.next_u32() % 60) / 100.0;
            let length = (600 + u64::from(rng.next_u32() % 6_000)) * SECOND;
            let name = format!("interferer {}", interferers.len());
            let cover =
                if share < 0.3 { Cover::Scattered(share) } else { Cover::Contiguous(share) };
            let level = Level::AboveWanted { db: 40.0 };
            let to_us = from_us + length;
            interferers.push(InterfererPlan { name, cover, level, from_us, to_us });
            from_us += length + u64::from(rng.next_u32() % 12_000) * SECOND;
        }
        RadioPlan { interferers, ..RadioPlan::of(stations) }
    }
}
