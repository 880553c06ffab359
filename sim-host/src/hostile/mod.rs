//! A campaign of made-up receptions against single stations: whatever is forged, replayed or
//! altered must move nothing but counters (specification section 12, invariant 3). Simulated only.
//!
//! Tries are numbered. Batches of [`BATCH`] share a station of one [`State`], which is attacked on
//! the channel and with the words that it waits for. Everything about a try follows from the
//! seed and its number, so a campaign may be cut into shards, jobs and pieces at will.
//!
//! What is looked at:
//!
//! * **after each try**: the outcome, the clock with its bound, step, floor, slot, events, burst,
//!   and the action that the radio is to carry on with;
//! * **after each [`STRETCH`]**: all that the station's `Debug` text shows, counters excepted:
//!   activity, watermark, addresses, interferer memory, queues;
//! * **after each batch**: a twin that was never attacked is given the same genuine header as the
//!   attacked station. Both must take it, and be the same afterwards: so keys are as they were.
//!
//! A stretch in which something moved is repeated try by try, to name the one that did it.

mod kept;
mod subject;
mod tries;

pub use kept::Kept;
pub use subject::State;
pub use tries::Sort;

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::world::child_seed;
use hopwright_core::station::{Dropped, Heard};
use rayon::prelude::*;
use std::collections::BTreeMap;
use subject::Pair;
use tries::{MadeUp, make};

/// Tries against one station.
pub const BATCH: u64 = 1_024;
/// Tries in one slot of that station.
pub const STRETCH: u64 = 128;

/// What to try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Campaign {
    /// What everything follows from.
    pub seed: u64,
    /// The number of the first try.
    pub from: u64,
    /// How many tries, over all shards.
    pub tries: u64,
    /// Which shard this is, from 1, and of how many; batches go round.
    pub shard: (u64, u64),
}

/// A try that moved something.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Violation {
    /// The number of the try.
    pub number: u64,
    /// In which state the station was.
    pub state: State,
    /// What was tried.
    pub sort: Sort,
    /// What moved.
    pub what: String,
}

/// What came of a campaign, or of a part of one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tally {
    /// Tries.
    pub tries: u64,
    /// How often each outcome was met, by what was tried and in which state.
    pub outcomes: BTreeMap<(State, Sort, &'static str), u64>,
    /// Tries that moved something.
    pub violations: Vec<Violation>,
}

impl Tally {
    /// This and another part, in any order.
    #[must_use]
    pub fn with(mut self, other: Self) -> Self {
        self.tries += other.tries;
        for (what, count) in other.outcomes {
            *self.outcomes.entry(what).or_default() += count;
        }
        self.violations.extend(other.violations);
        self.violations.sort();
        self
    }

    /// Outcomes summed over whatever `by` does not tell apart.
    #[must_use]
    pub fn summed<K: Ord>(
        &self,
        by: impl Fn(&(State, Sort, &'static str)) -> K,
    ) -> BTreeMap<K, u64> {
        let mut sums = BTreeMap::new();
        for (what, count) in &self.outcomes {
            *sums.entry(by(what)).or_default() += count;
        }
        sums
    }
}

/// Makes the reception of a try: [`make`], or what a test puts in its place.
type Maker = fn(&Pair, u64) -> Option<MadeUp>;

impl Campaign {
    /// Carries the campaign out on the cores of the current thread pool. `progress` is told how
    /// many tries have just been made.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no stations.
    pub fn run(&self, plan: &Plan, progress: impl Fn(u64) + Sync) -> Result<Tally, Diagnostic> {
        let end = self.from.saturating_add(self.tries);
        let (first, last) = (self.from / BATCH, end.div_ceil(BATCH));
        let (index, shards) = self.shard;
        (first..last)
            .into_par_iter()
            .filter(|batch| batch % shards.max(1) == index.saturating_sub(1))
            .map(|batch| {
                let tally = self.batch(plan, batch, make)?;
                progress(tally.tries);
                Ok(tally)
            })
            .try_reduce(Tally::default, |a, b| Ok(a.with(b)))
    }

    /// The tries of one batch that belong to the campaign.
    fn batch(&self, plan: &Plan, batch: u64, maker: Maker) -> Result<Tally, Diagnostic> {
        let end = self.from.saturating_add(self.tries);
        let (first, last) = (batch * BATCH, (batch + 1) * BATCH);
        let wanted = self.from.max(first)..end.min(last);
        let fresh = || Pair::new(plan, State::of(batch), child_seed(self.seed, &batch.to_string()));
        let mut pair = fresh()?;
        let mut tally = Tally::default();
        for stretch in (0..BATCH / STRETCH).map(|n| first + n * STRETCH) {
            let numbers = stretch.max(wanted.start)..(stretch + STRETCH).min(wanted.end);
            let mut moved = false;
            let before = pair.text();
            for number in numbers.clone() {
                let Some(made_up) = maker(&pair, self.chance(number)) else { continue };
                let (outcome, what) = pair.try_out(&made_up);
                moved |= what.is_some();
                tally.tries += 1;
                *tally.outcomes.entry((pair.state, made_up.sort, name(outcome))).or_default() += 1;
            }
            if moved || pair.text() != before {
                self.find(fresh()?, first..stretch, numbers, maker, &mut tally);
                return Ok(tally);
            }
            pair.next_slot();
        }
        if let Some(what) = pair.aftermath() {
            let (number, sort) = (wanted.end.saturating_sub(1), Sort::Random);
            tally.violations.push(Violation { number, state: pair.state, sort, what });
        }
        Ok(tally)
    }

    /// Repeats a stretch try by try with everything compared each time.
    fn find(
        &self,
        mut pair: Pair,
        quiet: std::ops::Range<u64>,
        numbers: std::ops::Range<u64>,
        maker: Maker,
        tally: &mut Tally,
    ) {
        for _ in 0..(quiet.end - quiet.start) / STRETCH {
            pair.next_slot();
        }
        let state = pair.state;
        for number in numbers.clone() {
            let Some(made_up) = maker(&pair, self.chance(number)) else { continue };
            let before = pair.text();
            let (outcome, seen) = pair.try_out(&made_up);
            let what = match seen {
                Some(what) => format!("{what} ({outcome:?})"),
                None if pair.text() != before => format!("inner state ({outcome:?})"),
                None => continue,
            };
            tally.violations.push(Violation { number, state, sort: made_up.sort, what });
            // From here on the station is not the one that the others were meant for.
            return;
        }
        let (number, sort) = (numbers.start, Sort::Random);
        let what = "something, and not when repeated".to_owned();
        tally.violations.push(Violation { number, state, sort, what });
    }

    /// What a try is made from.
    const fn chance(&self, number: u64) -> u64 {
        number.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ self.seed.rotate_left(32)
    }
}

/// The names of outcomes.
const OUTCOMES: [&str; 6] =
    ["not awaited", "not genuine", "out of place", "replayed", "ahead", "TAKEN"];

/// The name of an outcome.
const fn name(outcome: Heard) -> &'static str {
    let [not_awaited, not_genuine, out_of_place, replayed, ahead, taken] = OUTCOMES;
    match outcome {
        Heard::Dropped(Dropped::NotAwaited) => not_awaited,
        Heard::Dropped(Dropped::NotGenuine) => not_genuine,
        Heard::Dropped(Dropped::OutOfPlace) => out_of_place,
        Heard::Dropped(Dropped::Replayed) => replayed,
        Heard::Dropped(Dropped::Ahead) => ahead,
        _ => taken,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::built_in_plan;

    fn campaign() -> Campaign {
        Campaign { seed: 5, from: 0, tries: 16 * BATCH, shard: (1, 1) }
    }

    /// As [`make`], but one try in 997 is what a member sends now: the campaign must notice.
    fn sometimes_genuine(pair: &Pair, chance: u64) -> Option<MadeUp> {
        if chance.is_multiple_of(997) { pair.genuine() } else { make(pair, chance) }
    }

    #[test]
    fn a_header_that_is_taken_is_found_and_named() {
        let plan = built_in_plan().unwrap();
        let mut found = 0;
        for batch in 0..16 {
            let campaign = campaign();
            let tally = campaign.batch(&plan, batch, sometimes_genuine).unwrap();
            let genuine = |number: &u64| campaign.chance(*number).is_multiple_of(997);
            let first = (batch * BATCH..(batch + 1) * BATCH).find(genuine);
            assert_eq!(tally.violations.len(), usize::from(first.is_some()), "{tally:?}");
            for violation in &tally.violations {
                assert_eq!(Some(violation.number), first, "{violation:?}");
                found += 1;
            }
        }
        assert!(found >= 4, "{found}");
    }

    /// Stations are in the state that the account names, and still are after all the stretches.
    #[test]
    fn each_state_is_what_it_says() {
        let plan = built_in_plan().unwrap();
        let activities = [
            (State::Searching, "Search(Search"),
            (State::SearchingStored, "Search(Search"),
            (State::Verifying, "Verify(Verify"),
            (State::Watching, "Watch(Watch { coasting: false"),
            (State::Following, "Follow(Follow { timeline: Home, resume: true, call: Some"),
            (State::Coasting, "Watch(Watch { coasting: true"),
            (State::Doubting, "Verify(Verify"),
            (State::CutIn, "Follow(Follow { timeline: CutIn, resume: true"),
            (State::CutInWithoutTime, "Follow(Follow { timeline: CutIn, resume: false"),
        ];
        assert_eq!(activities.map(|(state, _)| state), State::ALL);
        for (state, activity) in activities {
            for seed in 0..20 {
                let mut pair = Pair::new(&plan, state, seed).unwrap();
                for _ in 0..BATCH / STRETCH {
                    let text = pair.text();
                    assert!(text.contains(&format!("activity: {activity}")), "{state:?} {text}");
                    let doubting = text.contains("basis: Word");
                    assert_eq!(doubting, state == State::Doubting, "{text}");
                    pair.next_slot();
                }
                assert_eq!(pair.aftermath(), None, "{state:?} {seed}");
            }
        }
    }

    /// A genuine header that neither takes compares nothing.
    #[test]
    fn the_twin_must_take_the_genuine_header_as_well() {
        let plan = built_in_plan().unwrap();
        for state in State::ALL {
            let mut pair = Pair::new(&plan, state, 7).unwrap();
            // What is called genuine is another net's.
            std::mem::swap(&mut pair.keys, &mut pair.strangers);
            let what = pair.aftermath();
            assert!(what.as_ref().is_some_and(|what| what.contains("neither")), "{what:?}");
        }
    }

    /// Energy notes an interferer in a memory that no accessor shows: the text does.
    #[test]
    fn the_text_shows_what_accessors_do_not() {
        let plan = built_in_plan().unwrap();
        let mut pair = Pair::new(&plan, State::Searching, 3).unwrap();
        let before = pair.text();
        pair.sense();
        assert_ne!(pair.text(), before);
        assert!(before.contains("interferers") && !before.contains("not_genuine"), "{before}");
    }
}
