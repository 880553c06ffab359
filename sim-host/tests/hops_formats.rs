//! `hops` in all its formats, on the binary.

mod common;

use common::{hopwright, stderr, stdout};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

#[track_caller]
fn hops(args: &[&str]) -> String {
    let all: Vec<&str> = ["hops", "larkfell.toml"].iter().chain(args).copied().collect();
    let output = hopwright(Path::new("plans"), &all);
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()));
    stdout(&output)
}

#[test]
fn csv_has_exactly_the_columns_that_are_promised() {
    let csv = hops(&["--format", "csv"]);
    assert!(csv.ends_with('\n') && !csv.contains('\r'));
    let mut lines = csv.lines();
    assert_eq!(lines.next(), Some("slot,kind,channel,frequency_hz,unique_word"));
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    assert_eq!(rows.len(), 32);
    for (slot, row) in rows.iter().enumerate() {
        let [number, kind, channel, hz, word] = row.as_slice() else { panic!("{row:?}") };
        assert_eq!(number.parse(), Ok(slot));
        assert!(["sync", "traffic"].contains(kind));
        let channel: u64 = channel.parse().expect("a number");
        assert!(channel != 65 && channel != 66, "an excluded channel");
        assert_eq!(hz.parse(), Ok(902_100_000 + 200_000 * channel));
        assert_eq!(word.len(), 8);
        assert!(word.chars().all(|c| c.is_ascii_digit() || ('a'..='f').contains(&c)));
    }
    // One sync slot a frame of eight.
    assert_eq!(rows.iter().filter(|row| row[1] == "sync").count(), 4);
}

#[test]
fn every_format_and_every_entry_tells_the_same() {
    let csv = hops(&["--format", "csv", "--from", "1000", "--count", "40"]);
    let json: Value =
        serde_json::from_str(&hops(&["--format", "json", "--from", "1000", "--count", "40"]))
            .expect("JSON");
    let from_json: Vec<String> = json
        .as_array()
        .expect("a list")
        .iter()
        .map(|row| {
            let text = |key: &str| row[key].as_str().map_or(row[key].to_string(), str::to_owned);
            ["slot", "kind", "channel", "frequency_hz", "unique_word"].map(text).join(",")
        })
        .collect();
    assert_eq!(csv.lines().skip(1).map(str::to_owned).collect::<Vec<_>>(), from_json);
    let late = hops(&["--format", "csv", "--from", "1020", "--count", "20"]);
    assert_eq!(csv.lines().skip(21).collect::<Vec<_>>(), late.lines().skip(1).collect::<Vec<_>>());
    assert_eq!(hops(&["--from", "1000", "--count", "40"]).lines().count(), 41);
}

#[test]
fn the_two_timelines_differ_and_share_the_sync_word() {
    let words = |timeline: &str| -> Vec<String> {
        let csv = hops(&["--format", "csv", "--timeline", timeline, "--count", "80"]);
        let sync = csv.lines().filter(|line| line.contains(",sync,"));
        sync.filter_map(|line| line.rsplit(',').next().map(str::to_owned)).collect()
    };
    assert_ne!(hops(&["--timeline", "home"]), hops(&["--timeline", "cut-in"]));
    assert_eq!(words("home"), words("cut-in"));
}

#[test]
fn nothing_asked_nothing_listed() {
    assert_eq!(hops(&["--count", "0", "--format", "json"]), "[]\n");
    assert_eq!(hops(&["--count", "0", "--format", "csv"]).lines().count(), 1);
}

#[test]
fn slots_end_at_the_last_one() {
    let csv = hops(&["--from", "4294967295", "--count", "1", "--format", "csv"]);
    assert!(csv.lines().last().is_some_and(|line| line.starts_with("4294967295,")), "{csv}");
    let past = [
        ["4294967295", "2"],
        ["4294967296", "0"],
        ["0", "4294967297"],
        ["18446744073709551615", "18446744073709551615"],
    ];
    for [from, count] in past {
        let args = ["hops", "larkfell.toml", "--from", from, "--count", count];
        let output = hopwright(Path::new("plans"), &args);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()));
        let said = stderr(&output);
        assert!(said.contains("numbered 0 to 4294967295") && said.contains("help: "), "{said}");
    }
}

#[test]
fn lanes_that_do_not_exist_are_refused() {
    for lane in ["2", "31", "32", "255"] {
        let output =
            hopwright(Path::new("plans"), &["hops", "larkfell-lanes.toml", "--lane", lane]);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()));
        assert!(stderr(&output).contains("use --lane 0 to 1"), "{}", stderr(&output));
    }
}

#[test]
fn a_reader_that_has_seen_enough_is_no_error() {
    for format in ["table", "csv", "json"] {
        let mut child = Command::new(env!("CARGO_BIN_EXE_hopwright"))
            .args(["hops", "plans/larkfell.toml", "--count", "4294967296", "--format", format])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the binary runs");
        let mut first = String::new();
        let out = child.stdout.take().expect("piped");
        BufReader::new(out).read_line(&mut first).expect("a line");
        let output = child.wait_with_output().expect("it ends");
        assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()), "{format}");
    }
}
