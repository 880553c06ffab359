//! `sweep` on the binary: results that depend on neither threads, shards nor interruptions, that
//! are those of `run`, and that sum up to what is computed here from the table of trials.

mod common;

use common::{hopwright, stderr, stdout};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use tempfile::TempDir;

const SCENARIO: &str = include_str!("../scenarios/larkfell-morning.toml");
const PLAN: &str = include_str!("../plans/larkfell.toml");
const JAMMED: &str = include_str!("../sweeps/jammed-hopset.toml");
const RESULTS: [&str; 4] = ["trials.csv", "trials.parquet", "summary.csv", "summary.json"];

/// Three levels of one factor, the plan's key throughout.
const SMALL: &str = r#"
[sweep]
name = "small"
scenario = "scenarios/larkfell-morning.toml"
trials = 4
seed = 7
metrics = ["announce.median_s", "late_entry.worst_s", "stations.lost", "payload.heard_share"]
resamples = 200

[[factor]]
name = "jammed"
set = "interferer.0.share"
levels = [0.2, 0.6, 0.9]
"#;

/// A folder with the scenario, its plan, and a sweep.
fn workplace(sweep: &str) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for folder in ["scenarios", "plans"] {
        fs::create_dir(dir.path().join(folder)).unwrap();
    }
    fs::write(dir.path().join("scenarios/larkfell-morning.toml"), SCENARIO).unwrap();
    fs::write(dir.path().join("plans/larkfell.toml"), PLAN).unwrap();
    fs::write(dir.path().join("sweep.toml"), sweep).unwrap();
    dir
}

/// Runs `sweep` in a folder and asserts that it ends with this status.
#[track_caller]
fn swept(dir: &Path, args: &[&str], status: i32) -> (String, String) {
    let all: Vec<&str> = ["sweep", "sweep.toml"].iter().chain(args).copied().collect();
    let output = hopwright(dir, &all);
    assert_eq!(output.status.code(), Some(status), "{args:?}: {}", stderr(&output));
    if status == 0 {
        assert_eq!(stderr(&output), "", "{args:?}");
    }
    (stdout(&output), stderr(&output))
}

#[track_caller]
fn same_results(dir: &Path, one: &str, other: &str) {
    for name in RESULTS {
        let read = |folder: &str| fs::read(dir.join(folder).join(name)).unwrap();
        assert!(!read(one).is_empty() && read(one) == read(other), "{one} and {other}: {name}");
    }
}

/// The rows of a CSV file, by the names of their columns.
#[track_caller]
fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_path(path).unwrap().deserialize().map(Result::unwrap).collect()
}

#[track_caller]
fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {row:?}"))
}

#[test]
fn threads_decide_nothing() {
    let dir = workplace(SMALL);
    let (text, _) = swept(dir.path(), &["--out", "one", "--jobs", "1"], 0);
    let (other, _) = swept(dir.path(), &["--out", "many", "--jobs", "12"], 0);
    same_results(dir.path(), "one", "many");
    assert_eq!(text.replace("to one", ""), other.replace("to many", ""));
    // A seed does.
    swept(dir.path(), &["--out", "seed", "--seed", "8"], 0);
    let trials = |folder: &str| fs::read(dir.path().join(folder).join("trials.csv")).unwrap();
    assert_ne!(trials("one"), trials("seed"));
    // Without a folder it is told and nothing is written.
    let (json, _) = swept(dir.path(), &["--json"], 0);
    assert_eq!(json, fs::read_to_string(dir.path().join("one/summary.json")).unwrap());
}

/// What a trial measures is what `run` measures of a scenario in which the level has been written
/// by hand, with the trial's seed.
#[test]
fn a_trial_is_a_run() {
    let sweep = format!(
        "{SMALL}\n[[factor]]\nname = \"rendezvous\"\nset = \"plan:slots.rendezvous\"\n\
         levels = [16, 8]\n[[always]]\nset = \"plan:slots.equal_use\"\nvalue = false\n"
    );
    let dir = workplace(&sweep);
    swept(dir.path(), &["--out", "out", "--trials", "2"], 0);
    let rows = rows(&dir.path().join("out/trials.csv"));
    assert_eq!(rows.len(), 3 * 2 * 2);
    // Cell 3: the second level of both factors.
    let row = rows.iter().find(|row| row["cell"] == "3" && row["trial"] == "1").unwrap();
    assert_eq!((row["jammed"].as_str(), row["rendezvous"].as_str()), ("0.6", "8"));
    let plan = PLAN.replace("equal_use = true", "equal_use = false");
    let plan = plan.replace("rendezvous = 16", "rendezvous = 8");
    fs::write(dir.path().join("plans/larkfell.toml"), plan).unwrap();
    let mut scenario = SCENARIO.replace("share = 0.4", "share = 0.6");
    for metric in ["announce.median_s", "payload.heard_share"] {
        scenario += &format!("[[expect]]\nmetric = \"{metric}\"\nat_least = 0\nsource = \"\"\n");
    }
    fs::write(dir.path().join("by-hand.toml"), scenario.replace("../plans", "plans")).unwrap();
    let run = hopwright(dir.path(), &["run", "by-hand.toml", "--seed", &row["seed"], "--json"]);
    let run: Value = serde_json::from_str(&stdout(&run)).unwrap();
    let checks = run["checks"].as_array().unwrap();
    for metric in ["announce.median_s", "late_entry.worst_s", "payload.heard_share"] {
        let check = checks.iter().find(|check| check["id"] == metric).unwrap();
        assert_eq!(check["measured"].as_f64(), Some(number(row, metric)), "{metric}");
    }
    // The other seed of the cell is another trial.
    let other = rows.iter().find(|row| row["cell"] == "3" && row["trial"] == "0").unwrap();
    assert_ne!(other["payload.heard_share"], row["payload.heard_share"]);
}

#[test]
fn keys_of_their_own_give_trials_other_sequences() {
    let keyed = SMALL.replace("seed = 7", "seed = 7\nkeys = \"trial\"");
    let (plan, trial) = (workplace(SMALL), workplace(&keyed));
    let results = [&plan, &trial].map(|dir| {
        swept(dir.path(), &["--out", "out"], 0);
        rows(&dir.path().join("out/trials.csv"))
    });
    let seeds = |rows: &[BTreeMap<String, String>]| -> Vec<String> {
        rows.iter().map(|row| row["seed"].clone()).collect()
    };
    assert_eq!(seeds(&results[0]), seeds(&results[1]));
    let differ = results[0].iter().zip(&results[1]).filter(|(a, b)| a != b).count();
    assert!(differ >= 10, "{differ} of 12");
}

/// A published key brings a key tree along, and trials with keys of their own keep it: stations are
/// withdrawn in them as in the scenario (its own expectations: four follow, one is picked up). Where
/// the sender of an order has no net time yet there is no change to measure, and the sweep goes on.
#[test]
fn trials_with_keys_of_their_own_have_the_key_tree() {
    let sweep = "[sweep]\nname = \"w\"\nscenario = \"scenarios/w.toml\"\ntrials = 2\n\
                 keys = \"trial\"\nmetrics = [\"change.followed\", \"change.picked_up\"]\n\
                 [[factor]]\nname = \"at\"\nset = \"withdraw.0.at_s\"\nlevels = [30, 1]\n";
    let dir = workplace(sweep);
    let scenario = include_str!("../scenarios/larkfell-withdrawal.toml");
    fs::write(dir.path().join("scenarios/w.toml"), scenario).unwrap();
    let (json, _) = swept(dir.path(), &["--json"], 0);
    let json: Value = serde_json::from_str(&json).unwrap();
    let of = |cell: usize, metric: &str| &json["cells"][cell]["metrics"][metric];
    assert_eq!(of(0, "change.followed")["median"], 4.0);
    assert_eq!(of(0, "change.picked_up")["median"], 1.0);
    assert_eq!(json["cells"][0]["held"]["hits"], 2);
    assert_eq!(
        (&of(1, "change.followed")["n"], &of(1, "change.followed")["nothing"]),
        (&0.into(), &2.into())
    );
    let built_in = "[sweep]\nname = \"b\"\nscenario = \"built-in\"\ntrials = 1\n\
                    keys = \"trial\"\nmetrics = [\"change.followed\", \"withdrawn.opened\"]\n";
    let dir = workplace(built_in);
    let (json, _) = swept(dir.path(), &["--json"], 0);
    let json: Value = serde_json::from_str(&json).unwrap();
    let metrics = &json["cells"][0]["metrics"];
    assert_eq!(metrics["withdrawn.opened"]["median"], 0.0);
    assert!(metrics["change.followed"]["median"].as_f64().unwrap() >= 20.0, "{metrics}");
}

#[test]
fn shards_put_together_are_one_run() {
    let dir = workplace(SMALL);
    swept(dir.path(), &["--out", "whole"], 0);
    for n in [1, 2, 3, 5] {
        let mut folders = Vec::new();
        for i in 1..=n {
            let (shard, apart) = (format!("{i}/{n}"), format!("apart-{n}-{i}"));
            swept(dir.path(), &["--shard", &shard, "--out", &apart], 0);
            swept(dir.path(), &["--shard", &shard, "--out", &format!("together-{n}")], 0);
            folders.push(apart);
        }
        let merged = format!("merged-{n}");
        let mut args = vec!["--out", &merged, "--merge"];
        args.extend(folders.iter().rev().map(String::as_str));
        swept(dir.path(), &args, 0);
        same_results(dir.path(), "whole", &merged);
        let together = format!("together-{n}");
        if n > 1 {
            // A shard leaves no results that could be mistaken for those of all.
            assert!(!dir.path().join(&together).join("trials.csv").exists());
            let count = |i: usize| {
                let name = format!("{together}/trials.{i}-of-{n}.part");
                fs::read_to_string(dir.path().join(name)).unwrap().lines().count() - 1
            };
            let counts: Vec<usize> = (1..=n).map(count).collect();
            assert_eq!(counts.iter().sum::<usize>(), 12);
            assert!(counts.iter().all(|count| count.abs_diff(12 / n) <= 1), "{counts:?}");
        }
        swept(dir.path(), &["--out", &together], 0);
        same_results(dir.path(), "whole", &together);
    }
}

#[test]
fn a_missing_shard_is_missed() {
    let dir = workplace(SMALL);
    swept(dir.path(), &["--shard", "1/3", "--out", "a"], 0);
    swept(dir.path(), &["--shard", "3/3", "--out", "c"], 0);
    let (out, error) = swept(dir.path(), &["--out", "all", "--merge", "a", "c"], 2);
    assert_eq!(out, "");
    assert!(error.contains("4 of 12 trials are missing: trial 1 of cell 0,"), "{error}");
    assert!(!dir.path().join("all/trials.csv").exists());
    let (_, error) = swept(dir.path(), &["--out", "all", "--merge", "a", "scenarios"], 2);
    assert!(error.contains("this folder holds no shard of a campaign"), "{error}");
    // Nor is a folder made for what is put together of none.
    let (_, error) = swept(dir.path(), &["--out", "none", "--merge", "nosuch"], 2);
    assert!(error.contains("this folder holds no shard of a campaign"), "{error}");
    assert!(!dir.path().join("none").exists());
    // What is missing can simply be run.
    swept(dir.path(), &["--out", "all"], 0);
    swept(dir.path(), &["--out", "whole"], 0);
    same_results(dir.path(), "all", "whole");
}

/// A campaign that takes seconds, so that it can be interrupted.
const LONG: [&str; 3] = ["--trials", "150", "--out"];

fn begun(dir: &Path) -> Child {
    Command::new(env!("CARGO_BIN_EXE_hopwright"))
        .args(["sweep", "sweep.toml"])
        .args(LONG)
        .arg("cut")
        .current_dir(dir)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Waits until the journal has more lines than that. They are counted as `lines` are elsewhere.
#[expect(clippy::disallowed_methods, reason = "another process works meanwhile")]
#[track_caller]
fn wait_for_lines(journal: &Path, more_than: usize) -> usize {
    for _ in 0..6_000 {
        let lines = fs::read_to_string(journal).map_or(0, |text| text.lines().count());
        if lines > more_than {
            return lines;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("no more than {more_than} lines within a minute");
}

#[test]
fn killed_torn_and_interrupted_it_goes_on() {
    let dir = workplace(SMALL);
    let journal = dir.path().join("cut/trials.part");
    // Killed at once.
    let mut child = begun(dir.path());
    let lines = wait_for_lines(&journal, 30);
    child.kill().unwrap();
    child.wait().unwrap();
    for name in RESULTS {
        assert!(!dir.path().join("cut").join(name).exists(), "{name}");
    }
    // The last line is cut off in the middle.
    let text = fs::read_to_string(&journal).unwrap();
    assert!(text.lines().count() >= lines && text.lines().count() < 450, "killed too late");
    fs::write(&journal, &text[..text.len() - 9]).unwrap();
    // Interrupted: it finishes what it has begun, and says how to go on.
    let child = begun(dir.path());
    wait_for_lines(&journal, text.lines().count() + 30);
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", stderr(&output));
    assert!(stderr(&output).starts_with("interrupted: "), "{}", stderr(&output));
    assert!(stderr(&output).contains("the same command goes on"), "{}", stderr(&output));
    let text = fs::read_to_string(&journal).unwrap();
    assert!(text.ends_with('\n') && text.lines().count() < 451, "interrupted too late");
    for name in RESULTS {
        assert!(!dir.path().join("cut").join(name).exists(), "{name}");
    }
    let kept = text.lines().count();
    // And it goes on: what is there is not run again, and stays as it was.
    let args: Vec<&str> = LONG.iter().chain(&["cut"]).copied().collect();
    swept(dir.path(), &args, 0);
    let whole = fs::read_to_string(&journal).unwrap();
    assert!(whole.starts_with(&text) && whole.lines().count() == 451, "{kept} lines were kept");
    let args: Vec<&str> = LONG.iter().chain(&["undisturbed"]).copied().collect();
    swept(dir.path(), &args, 0);
    same_results(dir.path(), "cut", "undisturbed");
    // Once more: everything is there, nothing is run, the results are the same.
    let args: Vec<&str> = LONG.iter().chain(&["cut"]).copied().collect();
    swept(dir.path(), &args, 0);
    assert_eq!(fs::read_to_string(&journal).unwrap(), whole);
    same_results(dir.path(), "cut", "undisturbed");
}

#[test]
fn two_runs_do_not_share_a_journal() {
    let dir = workplace(SMALL);
    let mut child = begun(dir.path());
    wait_for_lines(&dir.path().join("cut/trials.part"), 1);
    let args: Vec<&str> = LONG.iter().chain(&["cut"]).copied().collect();
    let (_, error) = swept(dir.path(), &args, 2);
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(error.contains("another run is writing this journal"), "{error}");
}

#[test]
fn journals_of_other_campaigns_and_damaged_ones_are_refused() {
    let dir = workplace(SMALL);
    swept(dir.path(), &["--out", "out"], 0);
    let results = || RESULTS.map(|name| fs::read(dir.path().join("out").join(name)).unwrap());
    let before = results();
    let refused = |args: &[&str], why: &str| {
        let (out, error) = swept(dir.path(), args, 2);
        assert!(out.is_empty() && error.contains(why), "{why}: {error}");
        assert!(results() == before, "{why}: the results were touched");
    };
    let other = "line 1: this journal is of another campaign";
    refused(&["--out", "out", "--trials", "5"], other);
    refused(&["--out", "out", "--seed", "1"], other);
    refused(&["--out", "out", "--shard", "1/2", "--trials", "5"], other);
    for (file, text) in [
        ("sweep.toml", SMALL),
        ("scenarios/larkfell-morning.toml", SCENARIO),
        ("plans/larkfell.toml", PLAN),
    ] {
        fs::write(dir.path().join(file), format!("{text}# changed\n")).unwrap();
        refused(&["--out", "out"], other);
        fs::write(dir.path().join(file), text).unwrap();
    }
    // A key in a file of its own belongs to the campaign too.
    let key = "000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f";
    let by_file = PLAN.replace(&format!("key = \"{key}\""), "key_file = \"net.key\"");
    fs::write(dir.path().join("plans/larkfell.toml"), by_file).unwrap();
    fs::write(dir.path().join("plans/net.key"), key).unwrap();
    swept(dir.path(), &["--out", "keyed"], 0);
    fs::write(dir.path().join("plans/net.key"), key.replace("00", "ff")).unwrap();
    refused(&["--out", "keyed"], other);
    fs::write(dir.path().join("plans/larkfell.toml"), PLAN).unwrap();
    // Damage.
    let journal = dir.path().join("out/trials.part");
    let text = fs::read_to_string(&journal).unwrap();
    let third = text.lines().nth(2).unwrap();
    let damaged = text.replace(third, &third.replacen(" 1 ", " 0 ", 1).replacen("0.", "1.", 1));
    assert_ne!(damaged, text);
    fs::write(&journal, damaged).unwrap();
    refused(&["--out", "out"], "line 3 is damaged");
    fs::write(&journal, "something else\n").unwrap();
    refused(&["--out", "out"], "line 1: this is no journal of a campaign");
    // Folders that hold something else.
    refused(&["--out", "plans"], "plans is not empty, and holds no campaign");
    assert_eq!(fs::read_dir(dir.path().join("plans")).unwrap().count(), 2);
}

/// The summary, computed again from the table of trials.
#[test]
fn the_summary_is_that_of_the_trials() {
    let dir = workplace(SMALL);
    swept(dir.path(), &["--out", "out", "--trials", "21"], 0);
    let trials = rows(&dir.path().join("out/trials.csv"));
    let summary = rows(&dir.path().join("out/summary.csv"));
    assert_eq!((trials.len(), summary.len()), (3 * 21, 3 * 5));
    let json = fs::read_to_string(dir.path().join("out/summary.json")).unwrap();
    let json: Value = serde_json::from_str(&json).unwrap();
    let mut widths = 0;
    for row in &summary {
        let cell: Vec<_> = trials.iter().filter(|trial| trial["cell"] == row["cell"]).collect();
        let values = |column: &str| -> Vec<f64> {
            let mut values: Vec<f64> = cell.iter().map(|trial| number(trial, column)).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let level = ["0.2", "0.6", "0.9"][row["cell"].parse::<usize>().unwrap()];
        assert_eq!((row["jammed"].as_str(), row["n"].as_str()), (level, "21"));
        let of = &json["cells"][row["cell"].parse::<usize>().unwrap()];
        assert_eq!(of["levels"]["jammed"], level);
        let metric = row["metric"].as_str();
        let values = values(metric);
        if metric == "held" {
            let held = values.iter().filter(|held| **held == 1.0).count();
            assert_eq!((row["share_of"].as_str(), number(row, "hits")), ("held", held as f64));
            assert_eq!(of["held"]["hits"], held);
        } else {
            let finite: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
            let mean = finite.iter().sum::<f64>() / finite.len() as f64;
            assert!((number(row, "mean") - mean).abs() < 1e-9, "{row:?}");
            assert_eq!(number(row, "median"), values[10], "{row:?}");
            assert_eq!(number(row, "never"), (values.len() - finite.len()) as f64);
            assert_eq!(
                of["metrics"][metric]["median"].as_f64(),
                Some(values[10]).filter(|v| v.is_finite())
            );
            assert!(number(row, "mean_low") <= mean && mean <= number(row, "mean_high"), "{row:?}");
            let (low, high) = (number(row, "median_low"), number(row, "median_high"));
            assert!(low <= values[10] && values[10] <= high, "{row:?}");
            widths += usize::from(high > low);
            let zeros = values.iter().filter(|value| **value == 0.0).count();
            match metric {
                "stations.lost" => assert_eq!(number(row, "hits"), zeros as f64, "{row:?}"),
                "payload.heard_share" => assert_eq!(row["share_of"], "", "{row:?}"),
                _ => assert_eq!(number(row, "hits"), finite.len() as f64, "{row:?}"),
            }
        }
        if !row["share"].is_empty() {
            // The ends of Wilson's interval are where the score test just holds.
            let (share, n) = (number(row, "share"), number(row, "of"));
            for end in ["share_low", "share_high"].map(|end| number(row, end)) {
                let score = 1.959_964 * ((end * (1.0 - end)).max(0.0) / n).sqrt();
                assert!(((share - end).abs() - score).abs() < 1e-9, "{row:?}");
            }
        }
    }
    assert!(widths >= 6, "intervals have a width: {widths}");
}

#[expect(clippy::wildcard_enum_match_arm, reason = "any other type is wrong")]
#[test]
fn parquet_holds_what_the_csv_holds() {
    let sweep = format!(
        "{SMALL}\n[[factor]]\nname = \"layout\"\nset = \"interferer.0.layout\"\n\
         levels = [\"contiguous\", \"scattered\"]\n[[factor]]\nname = \"over, s\"\n\
         set = \"over.0.talk_s\"\nlevels = [20]\n"
    )
    // Nothing to measure without relays: an empty field, and null.
    .replace("\"stations.lost\"", "\"relay.delay_s\"");
    let dir = workplace(&sweep);
    swept(dir.path(), &["--out", "out", "--trials", "2"], 0);
    let trials = rows(&dir.path().join("out/trials.csv"));
    let file = fs::File::open(dir.path().join("out/trials.parquet")).unwrap();
    let file = SerializedFileReader::new(file).unwrap();
    assert_eq!(file.metadata().file_metadata().num_rows(), 12);
    for (row, parquet) in trials.iter().zip(file.get_row_iter(None).unwrap()) {
        let parquet = parquet.unwrap();
        assert_eq!(parquet.len(), row.len());
        for (name, field) in parquet.get_column_iter() {
            let text = &row[name];
            let same = match field {
                Field::Null => name == "relay.delay_s" && text.is_empty(),
                Field::Bool(value) => name == "held" && *text == u8::from(*value).to_string(),
                Field::Int(value) => *text == value.to_string(),
                Field::Long(value) => *text == value.to_string(),
                Field::Double(value) => text.parse() == Ok(*value),
                Field::Str(value) => name == "layout" && text == value,
                other => panic!("{name}: {other:?}"),
            };
            assert!(same, "{name}: {text} {field:?}");
        }
    }
    assert!(trials.iter().all(|row| row["over, s"] == "20"));
}

/// Each shipped sweep, with few trials: enough that the order of cells comes out.
#[test]
fn shipped_sweeps() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("rendezvous").display().to_string();
    let ran = |args: &[&str]| -> Value {
        let all: Vec<&str> = ["sweep"].iter().chain(args).chain(&["--json"]).copied().collect();
        let output = hopwright(Path::new("sweeps"), &all);
        assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()), "{args:?}");
        serde_json::from_str(&stdout(&output)).unwrap()
    };
    let json = ran(&["rendezvous.toml", "--trials", "10", "--out", &out]);
    let cells = json["cells"].as_array().unwrap();
    assert_eq!(cells.len(), 8);
    // A run visits one rendezvous channel a slot of 20 ms: r of them take r slots, so who waits for
    // one of 4 waits less than who waits for one of 32, and half of r slots on average.
    let worst = |cell: usize| cells[cell]["metrics"]["announce.worst_s"]["mean"].as_f64().unwrap();
    assert!(worst(0) < 0.16 && worst(0) > 0.02, "{}", worst(0));
    assert!(worst(6) > 2.0 * worst(0) && worst(6) < 1.28, "{}", worst(6));
    let json = ran(&["jammed-hopset.toml", "--trials", "2"]);
    assert_eq!(json["cells"].as_array().unwrap().len(), 9);
    let last = &json["cells"][8];
    assert_eq!(last["levels"], serde_json::json!({"jammed": "0.8", "channels": "128"}));
    assert_eq!(last["metrics"]["late_entry.worst_s"]["n"], 2);
}

/// "What happens at 60 % jammed with 64 channels?": one edited line.
#[test]
fn one_line_asks_another_question() {
    let sweep = JAMMED.replace("levels = [0.0, 0.4, 0.8]", "levels = [0.6]");
    assert_eq!(JAMMED.lines().zip(sweep.lines()).filter(|(a, b)| a != b).count(), 1);
    let dir = workplace(&sweep.replace("../scenarios", "scenarios"));
    let (json, _) = swept(dir.path(), &["--trials", "20", "--json"], 0);
    let json: Value = serde_json::from_str(&json).unwrap();
    let cells = json["cells"].as_array().unwrap();
    let cell = cells.iter().find(|cell| cell["levels"]["channels"] == "64").unwrap();
    assert_eq!(cell["levels"]["jammed"], "0.6");
    assert_eq!(cell["metrics"]["late_entry.worst_s"]["n"], 20);
    assert_eq!(cell["held"]["of"], 20);
    // The closed form: 38 of 64 channels are jammed (0.6 of them, rounded), the draw is even.
    let heard = cell["metrics"]["payload.heard_share"]["mean"].as_f64().unwrap();
    assert!((heard - 26.0 / 64.0).abs() < 0.02, "{heard}");
}

/// A metric of one net is that of its stations alone: `@` and the lane behind its name.
#[test]
fn metrics_of_one_net() {
    let dir = workplace(
        "[sweep]\nname = \"nets\"\nscenario = \"scenarios/lanes.toml\"\ntrials = 2\n\
         metrics = [\"announce.in_step\", \"announce.in_step@0\", \"announce.in_step@1\"]\n",
    );
    let scenario = include_str!("../scenarios/larkfell-lanes.toml");
    fs::write(dir.path().join("scenarios/lanes.toml"), scenario).unwrap();
    let plan = include_str!("../plans/larkfell-lanes.toml");
    fs::write(dir.path().join("plans/larkfell-lanes.toml"), plan).unwrap();
    // Whoever is switched on later is not brought into step by an announce.
    let stations = scenario.split("[[").filter(|table| table.starts_with("station]]"));
    let (ridge, valley): (Vec<&str>, Vec<&str>) =
        stations.filter(|table| !table.contains("on_s")).partition(|t| t.contains("lane = 1\n"));
    assert!(ridge.len() > 2 && valley.len() > 2 && ridge.len() != valley.len());
    swept(dir.path(), &["--out", "out"], 0);
    for row in rows(&dir.path().join("out/trials.csv")) {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        assert_eq!(number("announce.in_step"), (ridge.len() + valley.len()) as f64);
        assert_eq!(number("announce.in_step@0"), valley.len() as f64);
        assert_eq!(number("announce.in_step@1"), ridge.len() as f64);
    }
    let summary = rows(&dir.path().join("out/summary.csv"));
    assert!(summary.iter().any(|row| row["metric"] == "announce.in_step@1"));
    let sweep = fs::read_to_string(dir.path().join("sweep.toml")).unwrap();
    let sweep = sweep.replace("in_step@1", "in_step@2");
    fs::write(dir.path().join("sweep.toml"), sweep).unwrap();
    let (_, error) = swept(dir.path(), &[], 2);
    assert!(error.contains("announce.in_step@2 is asked for, and in cell 0 no station"), "{error}");
    assert!(error.contains("--> sweep.toml:5:54"), "{error}");
}

#[test]
fn bad_sweeps_are_told_where_and_how() {
    let level = "levels = [0.2, 0.6, 0.9]";
    for (from, to, line, said) in [
        (
            level,
            "levels = [0.2, 1.5]",
            13,
            "with jammed = 1.5: `share` must be 0 to 1, not 1.5 (at scenarios/larkfell-morning.toml (as the sweep sets it):",
        ),
        (level, "levels = [0.2, \"much\"]", 13, "with jammed = much: `share` must be a number"),
        ("\"stations.lost\"", "\"stations.lost@x\"", 7, "\"x\" is no lane"),
        ("\"stations.lost\"", "\"stations.lst@0\"", 7, "there is no metric \"stations.lst\""),
        ("\"stations.lost\"", "\"lanes.collisions@0\"", 7, "is one of the whole scenario"),
        (
            "\"stations.lost\"",
            "\"stations.lost@0\", \"stations.lost@0\"",
            7,
            "stations.lost@0 is listed twice",
        ),
        (level, "levels = []", 13, "a factor has at least one level"),
        (level, "levels = [0.2, 0.2]", 13, "the level 0.2 is listed twice"),
        (level, "levels = 0.2", 13, "`levels` must be a list"),
        (
            "interferer.0.share",
            "interferer.1.share",
            12,
            "`interferer` has 1 entries, and none is `1`",
        ),
        ("interferer.0.share", "interferer.0.shar", 12, "has no key `shar`"),
        ("interferer.0.share", "plan:hopset.chanels", 12, "[hopset] has no key `chanels`"),
        ("interferer.0.share", "plan:net.key", 12, "a key is not a factor"),
        ("interferer.0.share", "scenario", 12, "`scenario` is a whole table"),
        ("interferer.0.share", "a..b", 12, "this is no path to a value"),
        ("name = \"jammed\"", "name = \"seed\"", 11, "is a column of the results already"),
        ("name = \"jammed\"", "nam = \"jammed\"", 11, "[[factor]] has no key `nam`"),
        ("\"stations.lost\"", "\"stations.lots\"", 7, "there is no metric \"stations.lots\""),
        (
            level,
            "levels = [0.2]\n[[factor]]\nname = \"x\"\nset = \"interferer.00.share\"\nlevels = [0.4]",
            16,
            "`interferer.00.share` in the scenario is set twice: it is what `interferer.0.share` leads to",
        ),
        (
            level,
            "levels = [0.2]\n[[always]]\nvalue = 1\n\
             set = 'interferer.\"faulty emitter at the pumping station\".share'",
            12,
            "`interferer.0.share` in the scenario is set twice: it is what `interferer.\"faulty",
        ),
        ("trials = 4", "trials = 0", 5, "`trials` must be 1 to 1000000, not 0"),
        ("trials = 4", "", 2, "[sweep] lacks `trials`"),
        ("trials = 4", "trials = 4\nkeys = \"mine\"", 6, "`keys` cannot be \"mine\""),
        ("larkfell-morning", "larkfell-evening", 4, "the scenario: there is no such file"),
        ("resamples = 200", "resamples = ", 8, "this is not TOML"),
    ] {
        let sweep = SMALL.replace(from, to);
        assert_ne!(sweep, SMALL);
        let dir = workplace(&sweep);
        let (out, error) = swept(dir.path(), &["--out", "out"], 2);
        assert_eq!(out, "");
        assert!(error.contains(said), "{to}: {error}");
        assert!(error.contains(&format!("--> sweep.toml:{line}:")), "{to}: {error}");
        assert!(error.contains("\nhelp: "), "{error}");
        assert_eq!(error.matches("error").count(), 1, "one error: {error}");
        assert!(!dir.path().join("out").exists(), "{to}");
    }
}

#[test]
fn of_several_factors_the_one_to_blame_is_shown() {
    let sweep = format!(
        "{SMALL}\n[[factor]]\nname = \"rendezvous\"\nset = \"plan:slots.rendezvous\"\n\
         levels = [16, 10]\n"
    );
    let dir = workplace(&sweep);
    let (_, error) = swept(dir.path(), &[], 2);
    assert!(error.contains("with jammed = 0.2, rendezvous = 10: "), "{error}");
    assert!(error.contains("plans/larkfell.toml (as the sweep sets it):"), "{error}");
    assert!(error.contains("--> sweep.toml:18:15"), "{error}");
    // A path that leads to no key is told from one that leads to a key of that name in another table, or in
    // the other text.
    for (good, levels, wrong, said) in [
        ("plan:hopset.channels", "112", "plan:raster.channels", "[raster] has no key `channels`"),
        ("scenario.plan", "'../plans/larkfell.toml'", "plan:scenario.plan", "no key `scenario`"),
    ] {
        let sweep = format!(
            "{SMALL}\n[[factor]]\nname = \"good\"\nset = \"{good}\"\nlevels = [{levels}]\n\n\
             [[factor]]\nname = \"wrong\"\nset = \"{wrong}\"\nlevels = [1]\n"
        );
        let (_, error) = swept(workplace(&sweep).path(), &[], 2);
        assert!(error.contains(said) && error.contains("--> sweep.toml:22:7"), "{error}");
    }
    // What is wrong without the sweep is told as without it.
    let broken = SCENARIO.replace("duration_s = 32", "duration_s = -1");
    fs::write(dir.path().join("scenarios/larkfell-morning.toml"), broken).unwrap();
    let (_, error) = swept(dir.path(), &[], 2);
    assert!(error.contains("--> scenarios/larkfell-morning.toml:9:14"), "{error}");
}

#[test]
fn arguments_that_make_no_sense() {
    let dir = workplace(SMALL);
    for args in [
        &["--shard", "1/2"] as &[&str],
        &["--shard", "0/2", "--out", "out"],
        &["--shard", "3/2", "--out", "out"],
        &["--merge", "a"],
        &["--merge", "a", "--shard", "1/2", "--out", "out"],
        &["--jobs", "0"],
        &["--trials", "0"],
    ] {
        swept(dir.path(), args, 2);
        assert!(!dir.path().join("out").exists(), "{args:?}");
    }
    let nobody = hopwright(dir.path(), &["sweep", "nothing.toml"]);
    assert_eq!(nobody.status.code(), Some(2));
    assert!(stderr(&nobody).contains("there is no such file"), "{}", stderr(&nobody));
}

/// The built-in scenario by its name, and one plan or another as the levels of a factor.
#[test]
fn the_built_in_scenario_and_other_plans() {
    let built_in = "[sweep]\nname = \"b\"\nscenario = \"built-in\"\ntrials = 1\n\
                    metrics = [\"announce.in_step\"]\n";
    let dir = workplace(built_in);
    let (json, _) = swept(dir.path(), &["--json"], 0);
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["cells"][0]["metrics"]["announce.in_step"]["median"], 24.0);
    let sweep = SMALL.replace("interferer.0.share", "scenario.plan");
    let sweep =
        sweep.replace("[0.2, 0.6, 0.9]", "[\"../plans/larkfell.toml\", \"../plans/few.toml\"]");
    let dir = workplace(&sweep);
    let (_, error) = swept(dir.path(), &[], 2);
    assert!(error.contains("few.toml: there is no such file"), "{error}");
    assert!(error.contains("--> sweep.toml:13:37"), "{error}");
    let few = PLAN.replace("equal_use = true", "equal_use = false");
    fs::write(dir.path().join("plans/few.toml"), few.replace("rendezvous = 16", "rendezvous = 4"))
        .unwrap();
    swept(dir.path(), &["--out", "out"], 0);
    let summary = rows(&dir.path().join("out/summary.csv"));
    let median = |cell: &str| {
        let row = summary.iter().find(|r| r["cell"] == cell && r["metric"] == "announce.median_s");
        number(row.unwrap(), "median")
    };
    assert!(median("1") < median("0"), "4 channels are met sooner than 16");
}

/// A scenario of one station and a group, with traffic that the seed draws.
const DRAWN: &str = r#"
[scenario]
name = "drawn"
duration_s = 60
plan = "../plans/larkfell.toml"
[[station]]
name = "post"
address = "00"
role = "timekeeper"
[[group]]
name = "gauge"
count = 3
first_address = "10"
radius_m = 5_000
[[announce]]
at_s = 3
by = "post"
[[traffic]]
name = "morning"
from_s = 12
busy = 0.3
talk_s = 3
"#;

fn sweep_of(metrics: &str, trials: u32) -> String {
    format!(
        "[sweep]\nname = \"s\"\nscenario = \"scenarios/s.toml\"\ntrials = {trials}\nseed = 7\n\
         metrics = [{metrics}]\nresamples = 200\n"
    )
}

/// Every trial has overs and places of its own: those of `run` with its seed, given or written.
#[test]
fn each_trial_draws_traffic_and_places_anew() {
    let dir = workplace(&sweep_of("\"silence.longest_s\", \"holdoff.longest_s\"", 4));
    fs::write(dir.path().join("scenarios/s.toml"), DRAWN).unwrap();
    swept(dir.path(), &["--out", "out", "--jobs", "1"], 0);
    let rows = rows(&dir.path().join("out/trials.csv"));
    let silences: std::collections::BTreeSet<&str> =
        rows.iter().map(|row| row["silence.longest_s"].as_str()).collect();
    assert_eq!(silences.len(), 4, "four draws of pauses: {silences:?}");
    for row in &rows {
        let written = DRAWN.replace("duration_s", &format!("seed = {}\nduration_s", row["seed"]));
        fs::write(dir.path().join("scenarios/written.toml"), written).unwrap();
        let printed = |args: &[&str]| stdout(&hopwright(dir.path(), &[&["run"], args].concat()));
        let given = printed(&["scenarios/s.toml", "--seed", &row["seed"], "--json"]);
        assert_eq!(given, printed(&["scenarios/written.toml", "--json"]));
        let given: Value = serde_json::from_str(&given).unwrap();
        let measured = given["measured"]["silence.longest_s"].as_f64();
        assert_eq!(measured, Some(number(row, "silence.longest_s")));
    }
}

/// An oscillator with noise is judged once, by courses that no trial's seed decides. (Of the first
/// draws of these trials some break the promise.)
#[test]
fn noise_ends_no_sweep_in_the_middle() {
    let noisy = |white_ppb: u32| {
        format!(
            "[scenario]\nname = \"noisy\"\nduration_s = 600\nplan = \"../plans/larkfell.toml\"\n\
             [[station]]\nname = \"post\"\naddress = \"00\"\nrole = \"timekeeper\"\n\
             [[station]]\nname = \"a\"\naddress = \"01\"\noscillator = {{ white_ppb = {white_ppb} }}\n\
             [[announce]]\nat_s = 5\nby = \"post\"\n"
        )
    };
    let dir = workplace(&sweep_of("\"clock.bound_misses\", \"stations.in_step\"", 40));
    fs::write(dir.path().join("scenarios/s.toml"), noisy(680)).unwrap();
    swept(dir.path(), &["--out", "out"], 0);
    let rows = rows(&dir.path().join("out/trials.csv"));
    assert_eq!(rows.len(), 40);
    assert!(rows.iter().all(|row| number(row, "clock.bound_misses") == 0.0), "honest ones");
    // With more noise most courses break it: refused before the first trial, whatever the seed.
    fs::write(dir.path().join("scenarios/s.toml"), noisy(1_500)).unwrap();
    let (_, said) = swept(dir.path(), &["--out", "more"], 2);
    assert!(said.contains("breaks the plan's promise") && said.contains("of 8 courses"), "{said}");
    assert!(!dir.path().join("more/trials.csv").exists());
}

/// Where nobody comes late there is no late entry, and no time that it took.
#[test]
fn what_did_not_occur_is_nothing() {
    let sweep = "[sweep]\nname = \"s\"\nscenario = \"scenarios/larkfell-morning.toml\"\ntrials = 3\n\
        metrics = [\"late_entry.worst_s\"]\n[[factor]]\nname = \"spoken at\"\nset = \"over.0.at_s\"\n\
        levels = [8, 30]\n";
    let dir = workplace(sweep);
    swept(dir.path(), &["--out", "out"], 0);
    let rows = rows(&dir.path().join("out/trials.csv"));
    for row in &rows {
        let nobody = row["spoken at"] == "30";
        assert_eq!(row["late_entry.worst_s"].is_empty(), nobody, "{row:?}");
    }
}
