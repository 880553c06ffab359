//! A net for a day with a fault every few minutes: specification section 12, invariants 1 to 4
//! and 6, looked at after every call of every station. And what becomes of a soak that fails: it
//! is shrunk (A. Zeller, R. Hildebrandt, IEEE TSE 28(2), 2002) and kept in a file.

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_sim::plan::Plan;
use hopwright_sim::scenario::built_in_plan;
use hopwright_sim::soak::{Case, Happening, Outcome, Soak, Storage, What, Whom};
use hopwright_sim::world::Rule;
use std::fs;
use std::path::Path;

const SECOND: u64 = 1_000_000;
const HOUR: u64 = 3_600 * SECOND;

fn run(soak: Soak, plan: &Plan) -> Outcome {
    soak.run(plan, &soak.happenings(plan), |_| {}).unwrap()
}

#[test]
fn a_day_of_faults_breaks_no_invariant() {
    let plan = built_in_plan().unwrap();
    let mut kinds = std::collections::BTreeSet::new();
    for seed in [1, 2] {
        let outcome = run(Soak { stations: 12, length_us: 24 * HOUR, seed }, &plan);
        assert!(outcome.holds(), "seed {seed}: {outcome:#?}");
        // It must have been a day on which something happened.
        assert!(outcome.overs > 200 && outcome.cut_ins > 50, "{outcome:?}");
        assert!(outcome.bound_checks > 1_000_000, "{outcome:?}");
        assert!(outcome.duplicates > 1_000 && outcome.replays > 100, "{outcome:?}");
        kinds.extend(outcome.happenings.into_keys());
    }
    // Of every kind that this plan has: its clocks do not step.
    assert_eq!(kinds.len(), 11, "{kinds:?}");
}

/// The same with clocks that step and a tolerance so large that stations coast between overs.
#[test]
fn clocks_that_step_break_no_invariant() {
    let text = include_str!("../plans/larkfell.toml");
    let text = text.replace("tolerance_ppb = 1_000", "tolerance_ppb = 10_000\nwander_us = 100");
    let plan = Plan::parse("unsteady.toml", &text, Path::new("")).unwrap();
    let outcome = run(Soak { stations: 10, length_us: 24 * HOUR, seed: 3 }, &plan);
    assert!(outcome.holds(), "{outcome:#?}");
    assert!(outcome.happenings["oscillator changes its rate, clock steps"] > 10, "{outcome:?}");
}

#[test]
fn one_seed_one_soak() {
    let plan = built_in_plan().unwrap();
    let soak = Soak { stations: 5, length_us: 4 * HOUR, seed: 9 };
    assert_eq!(run(soak, &plan), run(soak, &plan));
    assert_ne!(run(soak, &plan), run(Soak { seed: 10, ..soak }, &plan));
}

/// Specification section 8: a timekeeper that restarts from its watermark starts a later timeline,
/// and everyone ends up on it; one whose storage was lost starts none.
#[test]
fn a_lost_timekeeper_comes_back() {
    let plan = built_in_plan().unwrap();
    let soak = Soak { stations: 6, length_us: 2 * HOUR, seed: 5 };
    let at = |minutes: u64, what| Happening { at_us: minutes * 60 * SECOND, what };
    let back = |storage| {
        let list = [
            at(10, What::PowerFails { node: 0 }),
            at(11, What::Over { node: 3, to: Whom::All, talk_us: 4 * SECOND }),
            at(12, What::PowerCycle { node: 0, storage }),
            at(12, What::Announce),
            at(13, What::Reunion { seed: 1 }),
        ];
        soak.run(&plan, &list, |_| {}).unwrap()
    };
    let (kept, lost) = (back(Storage::Kept), back(Storage::Lost));
    assert!(kept.holds() && lost.holds(), "{kept:?} {lost:?}");
    assert_eq!((kept.timelines, lost.timelines), (2, 1));
}

/// Halves out of range of each other live on and come together again. The power of a station that
/// is left out must not count against that.
#[test]
fn parted_halves_meet_again() {
    let plan = built_in_plan().unwrap();
    let soak = Soak { stations: 8, length_us: 3 * HOUR, seed: 6 };
    let at = |seconds: u64, what| Happening { at_us: seconds * SECOND, what };
    let over = |node| What::Over { node, to: Whom::All, talk_us: 3 * SECOND };
    let part = What::Part { groups: 2, seed: 4, length_us: 3_000 * SECOND };
    let mut list = vec![at(100, part)];
    list.extend((0..20).map(|i| at(200 + 140 * i, over(usize::try_from(i % 8).unwrap()))));
    list.push(at(3_000, What::PowerFails { node: 7 }));
    list.push(at(3_200, What::Reunion { seed: 2 }));
    let outcome = soak.run(&plan, &list, |_| {}).unwrap();
    assert!(outcome.holds(), "{outcome:#?}");
    // Their overs do reach their own half only.
    let whole = soak.run(&plan, &list[1..], |_| {}).unwrap();
    assert!(outcome.bound_checks != whole.bound_checks && whole.holds());
}

/// An oscillator far beyond its tolerance must be noticed, and 200 happenings shrink to it.
#[test]
fn a_planted_fault_shrinks_to_a_handful() {
    let dir = tempfile::tempdir().unwrap();
    let arguments = ["soak", "--stations", "8", "--hours", "9", "--seed", "4"];
    let planted = [&arguments[..], &["--plant-rate-ppb", "60000", "--out", "f.soak"]].concat();
    let output = hopwright(dir.path(), &planted);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let said = stderr(&output);
    let words: Vec<&str> = said.split(' ').collect();
    let (left, before): (usize, usize) = (words[0].parse().unwrap(), words[2].parse().unwrap());
    assert!(before >= 200 && left <= 5, "{said}");
    let bytes = fs::read(dir.path().join("f.soak")).unwrap();
    let case = Case::parse("f.soak", &bytes).unwrap();
    assert_eq!(case.happenings.len(), left);
    assert_eq!((case.broken.rule, case.broken.node), (Rule::BoundMiss, 2));
    let planted = What::Clock { node: 2, ppb: 60_000, step_us: 0 };
    assert!(case.happenings.iter().any(|happening| happening.what == planted));
    // It replays, in the same way, for ever.
    let replay = hopwright(dir.path(), &["replay", "f.soak"]);
    assert_eq!(replay.status.code(), Some(1), "{}", stderr(&replay));
    let told = stdout(&replay);
    assert!(told.contains("invariant 4") && told.contains("in the same way"), "{told}");
    let json = stdout(&hopwright(dir.path(), &["replay", "f.soak", "--json"]));
    assert!(json.contains("\"same\":true") && json.contains("\"bound-miss\""), "{json}");
    // Mended, it no longer fails.
    let mended: Vec<_> = case.happenings.iter().filter(|h| h.what != planted).copied().collect();
    Case { happenings: mended, ..case }.write(&dir.path().join("mended.soak")).unwrap();
    let replay = hopwright(dir.path(), &["replay", "mended.soak"]);
    assert_eq!(replay.status.code(), Some(0), "{}", stdout(&replay));
    assert!(stdout(&replay).contains("it no longer fails"));
    // Without the plant there is nothing to keep.
    let sound = hopwright(dir.path(), &[&arguments[..], &["--out", "sound.soak"]].concat());
    assert_eq!(sound.status.code(), Some(0), "{}", stdout(&sound));
    assert!(!dir.path().join("sound.soak").exists());
    // Nothing is overwritten, and that is said before anything runs.
    let again = hopwright(dir.path(), &planted_again());
    assert_eq!(again.status.code(), Some(2));
    assert!(stderr(&again).contains("exists already") && stdout(&again).is_empty());
}

fn planted_again() -> [&'static str; 5] {
    ["soak", "--hours", "744", "--out", "f.soak"]
}

/// Neither is the name overwritten under which a file is written until it is whole; and a folder that
/// is not there is missed before anything runs.
#[test]
fn nothing_beside_the_file_is_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let mine = dir.path().join("f.soak.partial");
    fs::write(&mine, "mine").unwrap();
    let error = a_case().write(&dir.path().join("f.soak")).unwrap_err();
    assert!(error.what().contains("exists already"), "{error}");
    for (out, words) in
        [("f.soak", "f.soak.partial\n"), ("none/f.soak", "no folder to write this file in")]
    {
        let output = hopwright(dir.path(), &["soak", "--hours", "744", "--out", out]);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()));
        assert!(stderr(&output).contains(words), "{}", stderr(&output));
    }
    assert_eq!(fs::read_to_string(&mine).unwrap(), "mine");
}

fn a_case() -> Case {
    let soak = Soak { stations: 3, length_us: HOUR, seed: 1 };
    let what = What::Over { node: 1, to: Whom::All, talk_us: SECOND };
    let broken = hopwright_sim::world::Broken { rule: Rule::Deceived, node: 1, at_us: SECOND };
    let plan = include_str!("../plans/larkfell.toml").to_owned();
    Case { soak, plan, broken, happenings: vec![Happening { at_us: 100 * SECOND, what }] }
}

#[test]
fn a_damaged_file_is_refused_with_its_reason() {
    let dir = tempfile::tempdir().unwrap();
    a_case().write(&dir.path().join("whole.soak")).unwrap();
    let whole = fs::read(dir.path().join("whole.soak")).unwrap();
    let refused = |bytes: &[u8], words: &str| {
        fs::write(dir.path().join("r.soak"), bytes).unwrap();
        let output = hopwright(dir.path(), &["replay", "r.soak"]);
        assert_eq!(output.status.code(), Some(2), "{words}: {}", stdout(&output));
        let said = stderr(&output);
        assert!(said.contains(words) && said.contains("r.soak"), "{words}: {said}");
        assert!(said.contains("help: ") && stdout(&output).is_empty());
    };
    let body = whole.iter().position(|byte| *byte == b'\n').unwrap() + 1;
    for end in [8, 9, 10, 30, body - 1, body, body + 1, whole.len() / 2, whole.len() - 1] {
        let words = if end < 10 { "replay file" } else { "was cut short or changed" };
        refused(&whole[..end], words);
    }
    for at in [12, body, body + 40, whole.len() / 2, whole.len() - 2] {
        let mut flipped = whole.clone();
        flipped[at] ^= 1;
        refused(&flipped, "was cut short or changed");
    }
    let mut later = whole.clone();
    later[8] = b'3';
    refused(&later, "of version 3, and this program reads 2");
    refused(b"hopsoak", "ends in its first line");
    refused(b"hopsoaked in water\n", "no replay file");
    assert_eq!(hopwright(dir.path(), &["replay", "whole.soak"]).status.code(), Some(0));
}

/// What no program has written is refused too, although its digest fits.
#[test]
fn numbers_out_of_range_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let refused = |case: Case, words: &str| {
        let path = dir.path().join("r.soak");
        let _ = fs::remove_file(&path);
        case.write(&path).unwrap();
        let error = Case::parse("r.soak", &fs::read(&path).unwrap()).unwrap_err();
        assert!(error.what().contains(words), "{error}");
    };
    let with = |what| Case { happenings: vec![Happening { at_us: 1, what }], ..a_case() };
    refused(with(What::PowerFails { node: 3 }), "happening 0 has a number out of range");
    let talk_us = u64::MAX;
    refused(with(What::Over { node: 0, to: Whom::All, talk_us }), "out of range");
    let soak = Soak { stations: 2, ..a_case().soak };
    refused(Case { soak, ..a_case() }, "2 stations are not 3 to 250");
    let soak = Soak { length_us: u64::MAX, ..a_case().soak };
    refused(Case { soak, ..a_case() }, "longer than a year");
}

#[test]
fn a_secret_key_goes_into_no_replay_file() {
    let dir = tempfile::tempdir().unwrap();
    let text = include_str!("../plans/larkfell.toml").replace("1c1d1e1f\"", "1c1d1e1e\"");
    fs::write(dir.path().join("plan.toml"), &text).unwrap();
    let arguments = ["soak", "plan.toml", "--hours", "744", "--out", "f.soak"];
    let output = hopwright(dir.path(), &arguments);
    assert_eq!(output.status.code(), Some(2));
    let said = stderr(&output);
    assert!(said.contains("hold the plan's key in the clear") && !said.contains("1c1d"), "{said}");
    assert!(!dir.path().join("f.soak").exists());
    // Nor is one replayed that has come into a file by other means.
    Case { plan: text, ..a_case() }.write(&dir.path().join("f.soak")).unwrap();
    let output = hopwright(dir.path(), &["replay", "f.soak"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(!stderr(&output).contains("1c1d"));
}
