//! A net for a day with a fault every few minutes: specification section 12, invariants 1 to 4
//! and 6, counted by the world at every event.

use hopwright_sim::scenario::built_in_plan;
use hopwright_sim::soak::Soak;

#[test]
fn a_day_of_faults_breaks_no_invariant() {
    for seed in [1, 2] {
        let soak = Soak { stations: 12, hours: 12.0, seed };
        let outcome = soak.run(&built_in_plan().unwrap(), |_| {}).unwrap();
        assert!(outcome.holds(), "seed {seed}: {outcome:#?}");
        // It must have been a day on which something happened.
        assert!(outcome.overs > 100 && outcome.restarts > 30 && outcome.cut_ins > 5, "{outcome:?}");
        assert!(outcome.bound_checks > 10_000, "{outcome:?}");
    }
}

#[test]
fn one_seed_one_soak() {
    let run = || Soak { stations: 5, hours: 2.0, seed: 9 }.run(&built_in_plan().unwrap(), |_| {});
    assert_eq!(run().unwrap(), run().unwrap());
}
