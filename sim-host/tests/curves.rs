//! `stability`, `curve silence`, `trials merge` and `rejoin` on the binary. Sources: NIST SP 1065
//! for the statistics (the values stand in the crate's own tests); specification sections 6, 8.

mod common;

use common::{hopwright, stderr, stdout};
use serde_json::Value;
use std::fs;
use std::path::Path;

#[track_caller]
fn json(args: &[&str]) -> Value {
    let output = hopwright(Path::new("plans"), &[args, &["--json"]].concat());
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()), "{args:?}");
    serde_json::from_str(&stdout(&output)).expect("JSON")
}

#[test]
fn stability_holds_and_says_so() {
    let report = json(&["stability", "--days", "2", "--seed", "4"]);
    assert_eq!(report["pass"], true);
    assert_eq!(report["reference"].as_array().map(Vec::len), Some(18));
    for row in report["oscillators"].as_array().expect("a list") {
        let number = |key: &str| row[key].as_f64().expect("a number");
        let band = (row["band"][0].as_f64().unwrap(), row["band"][1].as_f64().unwrap());
        assert!(band.0 <= number("measured") && number("measured") <= band.1, "{row:#}");
        assert!(number("tau_s") >= 10.0);
    }
    let text = stdout(&hopwright(Path::new("plans"), &["stability", "--days", "2"]));
    assert!(text.contains("random-walk FM") && !text.contains("FAILS"), "{text}");
    for args in [&["--days", "0"][..], &["--days", "367"], &["--seed", "-1"]] {
        let output = hopwright(Path::new("plans"), &[&["stability"], args].concat());
        assert_eq!(output.status.code(), Some(2), "{args:?}");
    }
}

#[test]
fn the_silence_curve_is_told_and_drawn() {
    let dir = tempfile::tempdir().expect("a directory");
    let args = ["curve", "silence", "--trials", "3", "--out", "curve"];
    let output = hopwright(dir.path(), &args);
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()));
    let table = stdout(&output);
    assert!(table.ends_with("written to curve\n"), "{table}");
    let csv = fs::read_to_string(dir.path().join("curve/silence.csv")).expect("written");
    let mut lines = csv.lines();
    assert!(lines.next().is_some_and(|head| head.starts_with("tolerance_ppb,silence_s,outcomes")));
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    assert_eq!(rows.len(), 36, "four tolerances, nine silences");
    for row in &rows {
        assert_eq!((row.len(), row[2]), (16, "12"), "three trials with four listeners: {row:?}");
        assert_eq!(row[3], "0", "everyone is found: {row:?}");
    }
    // A minute at 1 ppm parts two clocks by 120 us, within the guard of 500 us; ten minutes at 10
    // ppm by 12 ms, a slot of 20 ms, for which one waits three; a day by more than one coasts with,
    // and a run of sync slots comes round within r + w - 1 = 19 slots and confirms in the next.
    assert!(
        rows.iter().any(|r| r[..2] == ["1000", "60"] && r[13] == "0.000000" && r[14] == "locked")
    );
    assert!(rows.iter().any(|r| r[..2] == ["10000", "600"] && r[14..] == ["coast", "0.060000"]));
    let day = rows.iter().find(|r| r[..2] == ["10000", "86400"]).expect("a point");
    assert_eq!(day[14..], ["search", "0.400000"]);
    assert!(day[13].parse::<f64>().is_ok_and(|worst| worst < 2.0), "{day:?}");
    let svg = fs::read_to_string(dir.path().join("curve/silence.svg")).expect("written");
    let drawn = roxmltree::Document::parse(&svg).expect("XML");
    let texts: Vec<&str> = drawn.descendants().filter_map(|node| node.text()).collect();
    let says = |words: &str| texts.iter().any(|text| text.trim() == words);
    for words in ["oscillators within 0.5 ppm", "oscillators within 10 ppm", "7 d", "worst"] {
        assert!(says(words), "the picture lacks \"{words}\"");
    }
    let count = |name: &str| drawn.descendants().filter(|n| n.has_tag_name(name)).count();
    assert!(count("circle") >= 36, "a circle for each median");
    assert!(count("polygon") >= 36, "a triangle for each 99 % quantile");
    // Nothing is overwritten, and nothing half-written stays.
    let again = hopwright(dir.path(), &args);
    assert_eq!((again.status.code(), stdout(&again)), (Some(2), String::new()));
    assert!(stderr(&again).contains("exists and is not empty"), "{}", stderr(&again));
    assert_eq!(fs::read_dir(dir.path()).expect("a folder").count(), 1);
}

#[test]
fn curves_refuse_bad_arguments() {
    for args in [
        &["curve"][..],
        &["curve", "noise"],
        &["curve", "silence", "--trials", "0"],
        &["curve", "silence", "--jammed", "1"],
        &["curve", "silence", "none.toml"],
        &["trials", "merge", "--hours-apart", "0"],
        &["trials", "merge", "--hours-apart", "169"],
        &["trials", "merge", "--contact", "soon"],
    ] {
        let output = hopwright(Path::new("plans"), args);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()), "{args:?}");
        assert!(stderr(&output).starts_with("error: "), "{args:?}: {}", stderr(&output));
    }
}

/// With both halves in one place an announce of the winning half's timekeeper, one a minute,
/// reaches all at the latest; two or three if somebody speaks over them. With one station in
/// between it takes as many of its overs as the far half needs to hear a sync slot.
#[test]
fn halves_merge_and_rejoin() {
    for (situation, contact, most_s) in [
        ("merge", "whole", 200.0),
        ("merge", "bridge", 1_800.0),
        ("rejoin", "whole", 200.0),
        ("rejoin", "bridge", 1_800.0),
    ] {
        let args = ["trials", situation, "--contact", contact, "--trials", "12"];
        let report = json(&[&args[..], &["--hours-apart", "3"]].concat());
        assert_eq!((&report["outcomes"], &report["never"]), (&12.into(), &0.into()), "{report:#}");
        let worst = report["worst_s"].as_f64().expect("seconds");
        assert!((0.05..=most_s).contains(&worst), "{report:#}");
        if situation == "merge" {
            // Nobody can be on a timeline of which he has not heard two slots.
            assert!(report["median_s"].as_f64().is_some_and(|s| s > 0.1), "{report:#}");
        }
    }
}
