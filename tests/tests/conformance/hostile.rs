//! Proves that no frame that a member did not make for this moment changes anything
//! (specification section 12, invariant 3).
//!
//! Two equal stations get the same inputs; one of them gets hostile receptions besides, on the
//! channel and with the unique word that it is waiting for: random bits, genuine headers with one
//! bit turned behind the code, headers of a key that differs in one bit, headers of other lanes,
//! headers of the cut-in timeline that begin no cut-in or come from the station itself, the traffic word at the wrong time, and headers recorded in earlier
//! slots. Everything that the two say afterwards, as recorded bytes, must be equal, and so must
//! their clocks.
//!
//! Not among them: genuine headers from ahead of the clock, which may belong to a timeline that
//! wins (section 8). Nor, because nothing can be done about it: a header recorded before a
//! set was new and replayed to it while it has neither time nor watermark, and a relay that is
//! faster than the guard.

use hopwright_core::record::{self, Input};
use hopwright_core::station::{Action, Heard, Station};
use hopwright_core::units::Tick;
use hopwright_tests::bench::{Bed, Bench, Plan, ROOM};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::collections::BTreeMap;

struct Twins {
    quiet: Station<ROOM>,
    harried: Station<ROOM>,
    action: Option<Action>,
    now: Tick,
}

fn applied(station: &mut Station<ROOM>, input: Input<'_>) -> Vec<u8> {
    let mut out = Vec::new();
    record::apply(station, input, &mut |bytes: &[u8]| out.extend_from_slice(bytes));
    out
}

impl Bed for Twins {
    fn feed(&mut self, input: Input<'_>) {
        let (quiet, harried) = (applied(&mut self.quiet, input), applied(&mut self.harried, input));
        assert_eq!(quiet, harried, "{input:?}");
        if let Input::Poll(now) = input {
            self.now = now;
            self.action = Some(self.quiet.poll(now));
        }
        self.compare();
    }

    fn action(&self) -> Option<Action> {
        self.action
    }

    fn station(&self) -> &Station<ROOM> {
        &self.harried
    }
}

impl Twins {
    fn new(plan: &Plan) -> Self {
        let (quiet, harried) = (plan.station(), plan.station());
        Self { quiet, harried, action: None, now: Tick::ZERO }
    }

    fn compare(&self) {
        let (quiet, harried) = (&self.quiet, &self.harried);
        assert_eq!(quiet.clock(), harried.clock());
        assert_eq!(quiet.in_step(), harried.in_step());
        assert_eq!(quiet.holds_floor(), harried.holds_floor());
        assert_eq!(quiet.slot(self.now), harried.slot(self.now));
        assert_eq!(quiet.burst(), harried.burst());
    }

    /// What became of a hostile reception; `None` if the station does not listen.
    fn attack(&mut self, bench: &Bench, seed: u64) -> Option<Heard> {
        let made_up = bench.hostile(seed, self)?;
        let heard = self.harried.heard(bench.now, made_up.reception());
        assert!(matches!(heard, Heard::Dropped(_)), "{heard:?} came of {made_up:?}");
        if let Some(why) = made_up.why {
            assert_eq!(heard, Heard::Dropped(why), "{made_up:?}");
        }
        assert_eq!(self.harried.next_event(), None, "{made_up:?}");
        self.compare();
        Some(heard)
    }
}

/// How often each outcome was met.
type Met = BTreeMap<String, u32>;

fn run(plan: u64, steps: &[(u64, u64)]) -> Met {
    let mut bench = Bench::new(Plan::random(plan), plan);
    let mut twins = Twins::new(bench.plan());
    let mut met = Met::new();
    for (step, attack) in steps {
        bench.drive(*step, &mut twins);
        let in_step = twins.harried.in_step();
        for seed in [*attack, attack.wrapping_add(1)] {
            if let Some(heard) = twins.attack(&bench, seed) {
                *met.entry(format!("{heard:?}, in step: {in_step}")).or_default() += 1;
            }
        }
    }
    met
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 1_000,
        rng_seed: RngSeed::Fixed(0x4057_11E5),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn hostile_receptions_change_nothing(
        plan: u64,
        steps in proptest::collection::vec(any::<(u64, u64)>(), 0..200),
    ) {
        run(plan, &steps);
    }
}

/// Every reason for dropping is met often, in step and searching.
#[test]
fn the_attacks_get_past_the_first_filter() {
    let mut all = Met::new();
    for plan in 0..200_u64 {
        let mixed = |i: u64| plan.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ i;
        let steps: Vec<_> = (0..100).map(|i| (mixed(i), mixed(i + 1_000))).collect();
        for (outcome, times) in run(plan, &steps) {
            *all.entry(outcome).or_default() += times;
        }
    }
    println!("{all:#?}");
    let wanted = [
        "NotGenuine), in step: true",
        "NotGenuine), in step: false",
        "Replayed), in step: true",
        "Replayed), in step: false",
        "OutOfPlace), in step: true",
        "NotAwaited), in step: true",
    ];
    for outcome in wanted {
        let times = all.get(&format!("Dropped({outcome}")).copied().unwrap_or_default();
        assert!(times >= 50, "{outcome}: {times} times");
    }
}
