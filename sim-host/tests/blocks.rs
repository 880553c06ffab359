//! `blocks` and `[message]` on the binary: counted losses against the exact probability, files,
//! and what is refused.
//!
//! Sources: specification section 11 (a block of `n` slots survives `n - k` lost ones); the
//! binomial tail of RS(31, 15) at 0.5, 0.3600501 (elementary, computed independently); exact
//! rational arithmetic for the balanced draw (see `sim-host/src/blocks/closed_form`).

mod common;

use common::{hopwright, stderr, stdout};
use serde_json::Value;
use std::fs;
use std::path::Path;

/// A campaign that ends with this status; its JSON.
#[track_caller]
fn blocks(args: &[&str], status: i32) -> Value {
    let all: Vec<&str> = ["blocks"].iter().chain(args).chain(&["--json"]).copied().collect();
    let output = hopwright(Path::new("plans"), &all);
    assert_eq!((output.status.code(), stderr(&output)), (Some(status), String::new()), "{args:?}");
    serde_json::from_str(&stdout(&output)).expect("JSON")
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key}: {value:#}"))
}

#[test]
fn counted_and_exact_losses_agree() {
    let args = ["--code", "31,15", "--code", "64,24", "--jammed", "0.5,0.6", "--trials", "2000"];
    let report = blocks(&args, 0);
    let points = report["points"].as_array().expect("points");
    assert_eq!(points.len(), 8);
    for point in points {
        assert_eq!((&point["holds"], &point["surprises"]), (&true.into(), &0.into()), "{point:#}");
        assert_eq!(point["decoded"], 200);
        let (measured, exact) = (number(point, "measured"), number(point, "closed_form"));
        // Five standard deviations of 2000 blocks.
        let sd = (exact * (1.0 - exact) / 2_000.0).sqrt();
        assert!((measured - exact).abs() < 5.0 * sd + 1e-3, "{point:#}");
    }
    let at = |n: u64, draw: &str, jammed: u64| {
        let found = points.iter().find(|p| {
            (p["n"].as_u64(), p["draw"].as_str(), p["jammed_channels"].as_u64())
                == (Some(n), Some(draw), Some(jammed))
        });
        found.map(|p| number(p, "closed_form")).expect("the point")
    };
    // Traffic uses 112 of Larkfell's 128 channels; half of them is 56.
    assert!((at(31, "independent", 56) - 0.360_050_1).abs() < 1e-6);
    assert!(at(31, "balanced", 56) < at(31, "independent", 56));
}

/// The target: at 40 % jammed a (64, 24) block of a balanced net is lost less than once in ten
/// thousand. Exactly 45 of 112 channels: 1.037082e-6 (rational arithmetic).
#[test]
fn one_in_ten_thousand_at_forty_percent() {
    let args = ["--draw", "balanced", "--jammed", "0.4", "--trials", "2000", "--at-most", "1e-4"];
    let report = blocks(&args, 0);
    let exact = number(&report["points"][0], "closed_form");
    assert!((exact / 1.037_082_229e-6 - 1.0).abs() < 1e-6, "{exact}");
    let args = ["--draw", "balanced", "--jammed", "0.6", "--trials", "100", "--at-most", "1e-4"];
    assert_eq!(blocks(&args, 1)["pass"], false);
}

/// A damaged slot costs two.
#[test]
fn damaged_slots_cost_more() {
    let args = ["--jammed", "0.35", "--trials", "2000", "--damaged", "0.5", "--decode", "2000"];
    let report = blocks(&args, 0);
    for point in report["points"].as_array().expect("points") {
        assert_eq!(point["surprises"], 0);
        // 39 of 112: 22.3 hits of 64, half of them twice: 33.4 of 40.
        let lost = number(point, "measured");
        assert!((0.005..0.2).contains(&lost), "{point:#}");
    }
}

#[test]
fn the_same_seed_gives_the_same_counts() {
    let args = ["--jammed", "0.55", "--trials", "500", "--decode", "5"];
    assert_eq!(blocks(&args, 0), blocks(&args, 0));
    let other: Vec<&str> = args.iter().chain(&["--seed", "2"]).copied().collect();
    assert_ne!(blocks(&args, 0)["points"], blocks(&other, 0)["points"]);
}

#[test]
fn table_and_picture() {
    let dir = tempfile::tempdir().expect("a directory");
    let args = ["blocks", "--code", "31,15", "--trials", "300", "--out", "here"];
    let output = hopwright(dir.path(), &args);
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()));
    assert!(stdout(&output).contains("written to here"));
    let csv = fs::read_to_string(dir.path().join("here/blocks.csv")).expect("a table");
    assert_eq!(csv.lines().count(), 1 + 2 * 8);
    let columns = csv.lines().next().map(|line| line.split(',').count());
    assert!(csv.lines().all(|line| Some(line.split(',').count()) == columns));
    let svg = fs::read_to_string(dir.path().join("here/blocks.svg")).expect("a picture");
    let tree = roxmltree::Document::parse(&svg).expect("SVG");
    let texts: Vec<&str> = tree.descendants().filter_map(|n| n.text()).map(str::trim).collect();
    assert!(texts.contains(&"(31, 15)"), "{texts:?}");
    // A second time the folder is in the way, and nothing is touched.
    let output = hopwright(dir.path(), &args);
    assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()));
    assert!(stderr(&output).contains("not empty"));
}

#[test]
fn impossible_codes_and_shares_are_refused() {
    for (args, said) in [
        (["--code", "24,64"], "not all carry data"),
        (["--code", "1,1"], "2 to 255 symbols"),
        (["--code", "300,20"], "two numbers up to 255"),
        (["--jammed", "1.2"], "not within 0 to 1"),
        (["--damaged", "half"], "is no number"),
    ] {
        let output = hopwright(Path::new("plans"), &["blocks", args[0], args[1]]);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()));
        assert!(stderr(&output).contains(said), "{}", stderr(&output));
    }
}

/// `[message]` reaches `check` and `blocks`.
#[test]
fn the_plan_has_a_code() {
    let dir = tempfile::tempdir().expect("a directory");
    let plan = include_str!("../plans/larkfell.toml").to_owned() + "\n[message]\nn = 48\nk = 16\n";
    fs::write(dir.path().join("p.toml"), plan).expect("written");
    let output = hopwright(dir.path(), &["check", "p.toml"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    // 97 rows of 16 bytes; 48 traffic slots of 20 ms and a sync slot to each seven of them.
    let said = stdout(&output);
    assert!(said.contains("a block of 48 slots (1.097 s) carries up to 1552 bytes"), "{said}");
    assert!(said.contains("survives 32 of them lost") && said.contains("or 16 damaged"), "{said}");
    let output = hopwright(dir.path(), &["blocks", "p.toml", "--trials", "10", "--json"]);
    let report: Value = serde_json::from_str(&stdout(&output)).expect("JSON");
    assert_eq!((&report["points"][0]["n"], &report["points"][0]["k"]), (&48.into(), &16.into()));
}
