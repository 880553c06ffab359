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
        (Sort::OtherTimeline, "not genuine"),
        (Sort::OtherTimeline, "not awaited"),
        (Sort::OtherTimeline, "replayed"),
        (Sort::Word, "out of place"),
    ] {
        assert!(met.get(&(sort, outcome)).is_some_and(|count| *count > 1_000), "{met:?}");
    }
}

/// Every sort of try comes to every state, but for those that a state leaves nothing of.
#[test]
fn every_sort_of_try_comes_to_every_state() {
    let tally = run(0, 100_000, (1, 1));
    let tried = tally.summed(|(state, sort, _)| (*state, *sort));
    for state in State::ALL {
        for sort in Sort::ALL {
            let nothing = match sort {
                // Without time and watermark nothing is known to be old.
                Sort::Replayed | Sort::ReplayedNoisy => state == State::Searching,
                // In a search no traffic word is waited for; a station that coasts, or has met one word
                // as it did, waits for it all through its spread.
                Sort::Word => matches!(
                    state,
                    State::Searching | State::SearchingStored | State::Coasting | State::Doubting
                ),
                Sort::Random
                | Sort::Mutated
                | Sort::Spliced
                | Sort::WrongKey
                | Sort::OtherLane
                | Sort::Elsewhere
                | Sort::OtherTimeline => false,
            };
            let count = tried.get(&(state, sort)).copied().unwrap_or_default();
            assert_eq!(count == 0, nothing, "{state:?}, {sort:?}: {count} tries");
            assert!(nothing || count > 100, "{state:?}, {sort:?}: {count} tries");
        }
    }
}

/// A header of the other timeline meets a state in each way that there is: in slots in which a traffic
/// word is waited for as well, and behind the sync word.
#[test]
fn headers_of_the_other_timeline_are_refused_in_every_way() {
    let tally = run(0, 100_000, (1, 1));
    for state in State::ALL {
        let (traffic, sync): (bool, &[&str]) = match state {
            State::Searching | State::SearchingStored => (false, &["replayed"]),
            State::Watching | State::Coasting => (true, &["replayed"]),
            State::CutInWithoutTime => (true, &["not awaited", "replayed"]),
            State::Verifying | State::Following | State::Doubting | State::CutIn => {
                (true, &["not awaited"])
            }
        };
        let wanted: Vec<_> =
            traffic.then_some("not genuine").into_iter().chain(sync.iter().copied()).collect();
        for outcome in ["not genuine", "not awaited", "replayed", "out of place", "ahead", "TAKEN"]
        {
            let met = tally.outcomes.get(&(state, Sort::OtherTimeline, outcome));
            let met = met.copied().unwrap_or_default();
            assert_eq!(met > 0, wanted.contains(&outcome), "{state:?}, {outcome}: {met}");
        }
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

/// Killed without warning at some moment, it goes on, and comes to the same.
#[test]
fn a_campaign_that_is_killed_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let args = ["hostile", "--tries", "1200000", "--seed", "4", "--json"];
    let whole = hopwright(folder.path(), &args);
    assert_eq!(whole.status.code(), Some(0), "{}", stderr(&whole));
    let keeping: Vec<&str> = args.into_iter().chain(["--keep", "tally.json"]).collect();
    let next = || {
        let text = std::fs::read_to_string(folder.path().join("tally.json")).ok()?;
        let tally: serde_json::Value = serde_json::from_str(&text).expect("whole at any moment");
        tally["next"].as_u64()
    };
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_hopwright"))
        .args(&keeping)
        .current_dir(folder.path())
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("it starts");
    while next().is_none_or(|next| next == 0) {
        let ended = child.try_wait().expect("a child");
        assert!(ended.is_none(), "it ended before it had kept anything");
        std::thread::yield_now();
    }
    child.kill().expect("killed");
    child.wait().expect("a child");
    let kept = next().expect("kept");
    assert!((1..1_200_000).contains(&kept), "{kept}");
    let rest = hopwright(folder.path(), &keeping);
    assert_eq!(stdout(&rest), stdout(&whole), "{}", stderr(&rest));
    assert_eq!(rest.status.code(), Some(0));
    // Once more there is nothing left to do, and the account says so; then there is more.
    let account = |tries| {
        let args = ["hostile", "--tries", tries, "--seed", "4", "--keep", "tally.json"];
        stdout(&hopwright(folder.path(), &args))
    };
    assert!(account("1200000").contains(": 0 of them now"));
    let more = account("1210000");
    assert!(more.contains("of them now") && more.contains("next: --from 1210000"), "{more}");
    assert!(!more.contains(": 0 of them now"), "{more}");
}

/// A tally has one keeper at a time: another run is refused, and what is kept stays as it was.
#[test]
fn two_runs_do_not_share_a_tally() {
    let folder = tempfile::tempdir().expect("a folder");
    let args = ["hostile", "--tries", "1000000000", "--keep", "t"];
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_hopwright"))
        .args(args)
        .current_dir(folder.path())
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("it starts");
    while !folder.path().join("t").exists() {
        assert!(child.try_wait().expect("a child").is_none(), "it ended");
        std::thread::yield_now();
    }
    // With fewer tries than the other run asks for, so that it would end soon.
    let fewer = ["hostile", "--tries", "1000", "--keep", "t"];
    let output = hopwright(folder.path(), &fewer);
    child.kill().expect("killed");
    child.wait().expect("a child");
    assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()));
    let said = stderr(&output);
    assert!(said.contains("another run keeps its tally here") && said.contains("help: "), "{said}");
    // With its keeper gone it is free.
    let _ = std::fs::remove_file(folder.path().join("t"));
    assert_eq!(hopwright(folder.path(), &fewer).status.code(), Some(0));
}

/// Interrupted, it says how to go on; without a file, what came of it until then.
#[cfg(unix)]
#[test]
fn an_interrupted_campaign_says_what_it_has_done() {
    let folder = tempfile::tempdir().expect("a folder");
    for keep in [true, false] {
        let mut args = vec!["hostile", "--tries", "1000000000"];
        if keep {
            args.extend(["--keep", "tally.json"]);
        }
        let child = std::process::Command::new(env!("CARGO_BIN_EXE_hopwright"))
            .args(args)
            .current_dir(folder.path())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("it starts");
        let pid = rustix::process::Pid::from_raw(child.id().cast_signed()).expect("a process");
        #[expect(clippy::disallowed_methods, reason = "another process has to get as far as that")]
        std::thread::sleep(std::time::Duration::from_millis(1_500));
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).expect("told");
        let output = child.wait_with_output().expect("it ends");
        assert_eq!(output.status.code(), Some(130), "{}", stderr(&output));
        assert!(stderr(&output).contains("interrupted: "), "{}", stderr(&output));
        let goes_on = stderr(&output).contains("tally.json keeps the others");
        assert_eq!((goes_on, stdout(&output).is_empty()), (keep, keep));
    }
}

#[test]
fn tallies_that_do_not_fit() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |args: &[&str]| {
        let args: Vec<&str> =
            ["hostile", "--tries", "2048", "--keep", "t"].iter().chain(args).copied().collect();
        hopwright(folder.path(), &args)
    };
    let file = folder.path().join("t");
    assert_eq!(at(&[]).status.code(), Some(0));
    let good = std::fs::read_to_string(&file).expect("kept");
    let plan = concat!(env!("CARGO_MANIFEST_DIR"), "/plans/larkfell-863.toml");
    let refused = |output: std::process::Output, why: &str, holds: &str| {
        assert_eq!(output.status.code(), Some(2), "{why}");
        assert!(stdout(&output).is_empty(), "{why}");
        let said = stderr(&output);
        assert!(said.contains(why) && said.contains("help: "), "{why}: {said}");
        assert_eq!(std::fs::read_to_string(&file).expect("kept"), holds, "{why}");
    };
    refused(at(&["--seed", "2"]), "its --seed is another", &good);
    refused(at(&["--from", "1"]), "its --from is another", &good);
    refused(at(&["--shard", "1/2"]), "its --shard is another", &good);
    refused(at(&[plan]), "its plan is another", &good);
    let fewer = ["hostile", "--tries", "2000", "--keep", "t"];
    refused(hopwright(folder.path(), &fewer), "2048 tries are kept here, and 2000", &good);
    for (from, to, why) in [
        ("\"0.1.0\"", "\"0.0.9\"", "its version of the program is another"),
        ("\"hostile_tally\": 2", "\"hostile_tally\": 3", "its version of the file is another"),
        // Another build of the same version.
        (
            "\"executable\": \"",
            "\"executable\": \"0",
            "its program, of the same version, is another",
        ),
        ("not genuine", "most genuine", "an outcome that there is not: `most genuine`"),
        ("\"next\": 2048", "\"next\": 20", "its counts do not fit"),
        ("\"next\": 2048", "\"nxt\": 2048", "unknown field `nxt`, expected one of `campaign`"),
        ("}\n", "", "EOF while parsing"),
    ] {
        assert!(good.contains(from), "{from}: {good}");
        let bad = good.replace(from, to);
        let bad =
            if to.is_empty() { good.trim_end().trim_end_matches('}').to_owned() } else { bad };
        std::fs::write(&file, &bad).expect("a file");
        refused(at(&[]), why, &bad);
    }
    std::fs::write(&file, &good).expect("a file");
    let nowhere = ["hostile", "--tries", "2048", "--keep", "no/such/folder/t"];
    let output = hopwright(folder.path(), &nowhere);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("cannot be written"), "{}", stderr(&output));
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
