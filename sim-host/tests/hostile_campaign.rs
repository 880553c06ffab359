//! A hundred thousand made-up receptions move nothing (specification section 12, invariant 3;
//! the requirement of 10^8 has its campaign in `docs/measurements.md`), and a campaign is the same
//! to the count however it is cut.

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_sim::hostile::{BATCH, Campaign, Sort, State, Tally};
use hopwright_sim::scenario::built_in_plan;
use std::path::Path;

fn run(from: u64, tries: u64, shard: (u64, u64)) -> Tally {
    let plan = built_in_plan().expect("built in");
    Campaign { seed: 11, from, tries, shard }.run(&plan, |_| {}).expect("stations")
}

#[test]
fn a_hundred_thousand_tries_move_nothing() {
    let tally = run(0, 100_000, (1, 1));
    assert_eq!(tally.violations, []);
    // A station in search of a slot may be between two stays: hardly any try is left out.
    assert!(tally.tries > 99_000, "{}", tally.tries);
    let by_state = tally.summed(|(state, ..)| *state);
    for state in State::ALL {
        assert!(by_state.get(&state).is_some_and(|count| *count > 9_000), "{by_state:?}");
    }
    // Every sort of try got as far as it can.
    let met = tally.summed(|(_, sort, outcome)| (*sort, *outcome));
    for (sort, outcome) in [
        (Sort::Random, "not genuine"),
        (Sort::Mutated, "not genuine"),
        (Sort::Spliced, "not genuine"),
        (Sort::WrongKey, "not genuine"),
        (Sort::OtherLane, "not genuine"),
        (Sort::Replayed, "replayed"),
        (Sort::ReplayedNoisy, "replayed"),
        (Sort::ReplayedNoisy, "not genuine"),
        (Sort::Elsewhere, "not awaited"),
        (Sort::Word, "out of place"),
    ] {
        assert!(met.get(&(sort, outcome)).is_some_and(|count| *count > 1_000), "{met:?}");
    }
}

/// Two thirds of a batch here, the rest there: the sum is the same.
#[test]
fn shards_and_pieces_add_up_to_the_whole() {
    let whole = run(300, 9 * BATCH + 77, (1, 1));
    let shards = (1..=4).map(|i| run(300, 9 * BATCH + 77, (i, 4)));
    assert_eq!(shards.fold(Tally::default(), Tally::with), whole);
    let first = run(300, 5 * BATCH + 1, (1, 1));
    let rest = run(300 + 5 * BATCH + 1, 4 * BATCH + 76, (1, 1));
    assert_eq!(rest.with(first), whole);
}

#[test]
fn the_command_says_the_same_with_one_job_and_two() {
    let say = |args: &[&str]| {
        let output = hopwright(Path::new("."), args);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        assert_eq!(stderr(&output), "");
        stdout(&output)
    };
    let one = say(&["hostile", "--tries", "20000", "--jobs", "1", "--json"]);
    let two = say(&["hostile", "--tries", "20000", "--jobs", "2", "--json"]);
    assert_eq!(one, two);
    let object: serde_json::Value = serde_json::from_str(&one).expect("JSON");
    assert_eq!((&object["holds"], &object["simulated"]), (&true.into(), &true.into()));
    let account = say(&["hostile", "--tries", "20000"]);
    for part in ["simulated", "tries/s", "coasting", "0 tries moved anything", "--from 20000"] {
        assert!(account.contains(part), "{part}: {account}");
    }
}

#[test]
fn arguments_that_cannot_be() {
    for args in [
        ["--tries", "0"],
        ["--shard", "0/4"],
        ["--shard", "5/4"],
        ["--shard", "1"],
        ["--jobs", "0"],
        ["--from", "-1"],
    ] {
        let output = hopwright(Path::new("."), &["hostile", args[0], args[1]]);
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(stdout(&output).is_empty() && stderr(&output).contains("error"), "{args:?}");
    }
}
