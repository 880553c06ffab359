//! Bad oscillators, moves and horizons in scenarios: one error each, at its place, with its mend;
//! status 2. What is asked for is common practice, no source; the keys and limits are those of
//! `docs/scenarios.md`.

mod common;

use common::{hopwright, stderr, stdout};
use std::fs;

const PLAN: &str = include_str!("../plans/larkfell.toml");

/// A scenario that works. Line 11 is the oscillator, 12 `[[move]]`, 18 `[propagation]`.
const GOOD: &str = "[scenario]
name = \"bad\"
duration_s = 600
plan = \"plan.toml\"
[[station]]
name = \"post\"
address = \"10\"
[[station]]
name = \"boat\"
address = \"11\"
oscillator = { offset_ppb = 300 }
[[move]]
station = \"boat\"
at_s = 10
to_x_m = 1_000
to_y_m = 0
over_s = 100
[propagation]
horizon_m = 9_000
";

fn said(text: &str) -> (Option<i32>, String) {
    let dir = tempfile::tempdir().expect("a directory");
    fs::write(dir.path().join("plan.toml"), PLAN).expect("written");
    fs::write(dir.path().join("s.toml"), text).expect("written");
    let output = hopwright(dir.path(), &["run", "s.toml", "--seed", "1"]);
    assert!(output.status.success() || stdout(&output).is_empty());
    (output.status.code(), stderr(&output))
}

#[track_caller]
fn bad(from: &str, to: &str, place: &str, words: &[&str]) {
    assert!(GOOD.contains(from), "the test replaces nothing: {from}");
    let (status, said) = said(&GOOD.replacen(from, to, 1));
    assert_eq!(status, Some(2), "{to}: {said}");
    assert!(said.contains(&format!("--> s.toml:{place}\n")), "not at {place}:\n{said}");
    assert!(said.lines().last().is_some_and(|line| line.starts_with("help: ")), "{said}");
    for word in words {
        assert!(said.contains(word), "no \"{word}\":\n{said}");
    }
}

#[track_caller]
fn bad_oscillator(keys: &str, place: &str, words: &[&str]) {
    bad("offset_ppb = 300", keys, place, words);
}

#[test]
fn the_good_scenario_is_good() {
    assert_eq!(said(GOOD), (Some(0), String::new()));
}

#[test]
fn oscillators() {
    bad_oscillator("ofset_ppb = 3", "11:16", &["no key `ofset_ppb`", "did you mean `offset_ppb`?"]);
    bad_oscillator("offset_ppb = 500_001", "11:29", &["-500000 to 500000"]);
    bad_oscillator("white_ppb = -1", "11:28", &["`white_ppb` must be 0 to 500000, not -1"]);
    bad_oscillator("random_walk_ppb = -0.5", "11:34", &["must be 0 to 500000"]);
    bad_oscillator("offset_ppb = \"3\"", "11:29", &["a number"]);
    bad_oscillator("honest = 1", "11:25", &["true or false"]);
    bad_oscillator("temperature_ppb_per_k = 20", "11:40", &["without a temperature", "ramp"]);
    let ramp = |points: &str| format!("temperature_ppb_per_k = 1, ramp = [{points}]");
    bad_oscillator("ramp = [{ at_s = 1, kelvin = 1 }]", "11:23", &["temperature without"]);
    bad_oscillator(&ramp("{ at_s = 601, kelvin = 1 }"), "11:60", &["outside the scenario"]);
    bad_oscillator(&ramp("{ at_s = 5 }"), "11:51", &["lacks `kelvin`"]);
    let falling = ramp("{ at_s = 9, kelvin = 1 }, { at_s = 9, kelvin = 2 }");
    bad_oscillator(&falling, "11:86", &["does not come after", "in order of time"]);
    bad_oscillator("steps = [{ at_s = -1, us = 1 }]", "11:34", &["outside the scenario"]);
    bad_oscillator("steps = [{ at_s = 1, us = 1_000_001 }]", "11:42", &["-1000000 to 1000000"]);
    bad("oscillator", "ppb = 3\noscillator", "11:7", &["either `ppb` or an `oscillator`"]);
    bad("{ offset_ppb = 300 }", "3", "11:14", &["must be a table"]);
}

#[test]
fn broken_promises() {
    let words = ["\"boat\" breaks the plan's promise", "1300 ppb", "180 us", "honest = false"];
    bad_oscillator("offset_ppb = 1_300", "11:14", &words);
    bad_oscillator(
        "steps = [{ at_s = 5, us = 80 }]",
        "11:14",
        &["80 us beyond", "`wander_us` is 0"],
    );
    let swing = "temperature_ppb_per_k = 50, offset_ppb = 0, ramp = [{ at_s = 0, kelvin = -19 }, { at_s = 600, kelvin = 19 }]";
    bad_oscillator(swing, "11:14", &["its rate changes by up to", "`steadiness_ppb` is 1000"]);
    let honest = GOOD.replace("offset_ppb = 300", "offset_ppb = 1_300, honest = false");
    assert_eq!(said(&honest), (Some(0), String::new()));
}

#[test]
fn moves() {
    bad("station = \"boat\"", "station = \"bout\"", "13:11", &["did you mean \"boat\"?"]);
    bad("to_x_m = 1_000", "to_x_m = 1e9", "15:10", &["-10000000 to 10000000"]);
    bad("to_y_m = 0\n", "", "12:1", &["lacks `to_y_m`"]);
    bad("at_s = 10", "at_s = 601", "14:8", &["outside the scenario"]);
    bad("at_s = 10", "at_s = 550", "17:10", &["ends after the scenario"]);
    bad("over_s = 100", "over_s = -1", "17:10", &["outside the scenario"]);
    bad("over_s", "within_s", "17:1", &["no key `within_s`"]);
    let second = "[[move]]\nstation = \"boat\"\nat_s = 109\nto_x_m = 1\nto_y_m = 1\n[propagation]";
    bad("[propagation]", second, "20:8", &["\"boat\" is still on another move"]);
    let later = second.replace("109", "110");
    assert_eq!(said(&GOOD.replace("[propagation]", &later)), (Some(0), String::new()));
}

#[test]
fn horizons() {
    bad("horizon_m = 9_000", "horizon_m = 0", "19:13", &["1 to 10000000"]);
    bad("horizon_m", "horizon", "19:1", &["did you mean `horizon_m`?"]);
}
