//! `run` and `replay` on the binary: what a first run says, what it writes, and what it refuses.
//! What is promised is common practice, no source, unless a test names one.

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_core::record;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

const FILES: [&str; 7] = [
    "account.txt",
    "band.svg",
    "events.csv",
    "report.html",
    "results.json",
    "stations.csv",
    "transmissions.csv",
];

/// A short scenario with two stations.
const SHORT: &str = "[scenario]\nname = \"short\"\nduration_s = 12\nplan = \"plan.toml\"\n\
    [[station]]\nname = \"control post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
    [[station]]\nname = \"upper bridge\"\naddress = \"11\"\nx_m = 900\n\
    [[announce]]\nat_s = 2\nby = \"control post\"\n\
    [[over]]\nat_s = 7\nfrom = \"upper bridge\"\nto = \"all\"\ntalk_s = 2\n";

/// A folder with the short scenario, changed, and the plan of the built-in one.
fn folder(change: impl FnOnce(String) -> String) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    fs::write(dir.path().join("s.toml"), change(SHORT.to_owned())).expect("written");
    fs::copy("plans/larkfell.toml", dir.path().join("plan.toml")).expect("copied");
    dir
}

/// Runs with this outcome and returns what was printed.
#[track_caller]
fn ran(dir: &Path, args: &[&str], status: i32) -> String {
    let all: Vec<&str> = ["run"].iter().chain(args).copied().collect();
    let output = hopwright(dir, &all);
    let printed = stdout(&output);
    assert_eq!((output.status.code(), stderr(&output)), (Some(status), String::new()), "{printed}");
    printed
}

/// Refused, with status 2 and one explained error, which is returned.
#[track_caller]
fn refused(dir: &Path, args: &[&str]) -> String {
    let output = hopwright(dir, args);
    let said = stderr(&output);
    assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()), "{said}");
    assert!(said.starts_with("error: ") && said.contains("\nhelp: "), "{said}");
    said
}

#[track_caller]
fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

fn names(dir: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(dir).expect("a folder");
    entries.map(|e| e.expect("an entry").file_name().into_string().expect("UTF-8")).collect()
}

fn keys(value: &Value) -> Vec<&str> {
    value.as_object().expect("an object").keys().map(String::as_str).collect()
}

/// The digest in the last lines of an account.
#[track_caller]
fn digest(account: &str) -> &str {
    let (_, rest) = account.split_once("trace digest ").expect("a digest");
    rest.lines().next().expect("a line")
}

#[test]
fn the_built_in_scenario_tells_its_story_and_all_checks_hold() {
    let dir = tempfile::tempdir().expect("a directory");
    let account = ran(dir.path(), &[], 0);
    assert_eq!(
        stdout(&hopwright(dir.path(), &[])),
        account,
        "`hopwright` alone is `hopwright run`"
    );
    assert_eq!(names(dir.path()), BTreeSet::new());
    let expected = fs::read_to_string("scenarios/larkfell.toml").expect("the scenario");
    let checks = expected.matches("[[expect]]").count();
    assert!(checks >= 10 && account.contains(&format!("\n{checks} of {checks} checks hold. ")));
    let verdicts = |word: &str| account.lines().filter(|l| l.starts_with(word)).count();
    assert_eq!((verdicts("  holds "), verdicts("  FAILS ")), (checks, 0), "{account}");
    // Each requirement with its source.
    assert_eq!(account.matches("    after: ").count(), checks);
    for line in [
        "Larkfell valley flood exercise\n26 stations, 14770 s; 128 channels",
        "(simulated): faulty emitter at the pumping station, 40 % of the hopset in one piece",
        "    3.000 s  control post announces\n",
        "  23 stations that had no time are in step, ",
        "  boat teal to gauge ford (22): 1 of 1 called, 22 told busy; go-ahead after ",
        "  ground team 2 to 40/4: 6 of 6 called, 17 told busy; ",
        "   44.500 s  ground team 4 presses to speak and is held off\n",
        "   62.370 s  boat plover is switched on and knows no time\n",
        "  boat plover is in step, ",
        "  upper bridge to all stations: 23 of 23 called and 1 late, 0 told busy; ",
        "  control post to all but 60: 23 of 23 called, 1 told busy; ",
        "  nobody has spoken for 4 h 0 min\n",
        "  somebody with a recorder plays what was recorded (simulated): heard ",
        " times, taken 0 times\n",
        "  ground team 8, on a provisional timeline, to all stations: 25 of 25 called, ",
        "  boat heron to boat curlew (43): 1 of 1 called, 24 told busy; ",
        "  control post sends 83 bytes to 50/4 in 64 slots: 9 of 9 have it whole, ",
        "  control post to all but 58: 24 of 24 called, 1 told busy; ",
        " a new net key from slot 734350 on for everyone but lost handset (8 nodes",
        "  the new net key comes into use: 24 stations change; 1 that had missed it later, ",
        " 0 headers, 0 payloads and 0 orders opened, ",
        "\n  lost handset     58 ",
        " none of the net's\n",
        "\nseed 1   trace digest ",
        "The plan's key is a published example: for simulation only.\n",
    ] {
        assert!(account.contains(line), "no \"{line}\":\n{account}");
    }
    // What happened is told in order.
    let times = account.lines().filter_map(|line| line.get(..11)?.strip_suffix(" s"));
    let times: Vec<f64> = times.filter_map(|time| time.trim().parse().ok()).collect();
    assert!(times.len() >= 15 && times.is_sorted(), "{times:?}");
}

/// What the shipped scenarios of the watch and of the lost timekeeper tell; those of several nets
/// have tests of their own.
#[test]
fn the_shipped_scenarios_hold() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
    for (name, lines) in [
        ("larkfell-watch.toml", &["7 of 7 checks hold."][..]),
        (
            "larkfell-calling.toml",
            &[
                "warden's set goes over to the calling channel, in the clear",
                "warden's set on the calling channel to all stations: 6.0 s of talk, nobody",
                "control post on the calling channel to warden's set (70): 4.0 s of talk, 1 station",
                "boat heron to upper bridge (11): 1 of 1 called",
                "boat heron goes over to the calling channel, sealed",
                "ground team 1 goes back to hopping",
                "12 of 12 checks hold.",
            ],
        ),
        (
            "larkfell-orphans.toml",
            &[
                "control post loses its power",
                "upper bridge is told to announce and refuses: announces have not been missing",
                "control post is switched on, with what it had stored",
                "control post is told to announce and refuses: the stored watermark is lost",
                "6 of 6 checks hold.",
            ],
        ),
        (
            "larkfell-vhf.toml",
            &[
                "between them two rays over flat ground, Rician fading from hop to hop, K 6 dB, \
                 man-made noise of the category rural (ITU-R P.372); noise figure 10 dB",
                "2282 channels of the raster allowed, slots of 25 ms",
                "7 of 7 checks hold.",
            ],
        ),
        (
            "larkfell-863.toml",
            &[
                "66 channels of the raster allowed",
                "log-distance loss with exponent 2.7, 4 dB of shadowing, Rayleigh fading",
                "gauge mill sends 18 bytes to control post (10) in 64 slots: 1 of 1 have it whole",
                "5 of 5 checks hold.",
            ],
        ),
        ("larkfell-drift.toml", &["nobody has spoken for 8 h 0 min", "6 of 6 checks hold."]),
        (
            "larkfell-partition.toml",
            &[
                "boat heron to all stations: 2 of 5 called",
                "upper bridge announces",
                "ground team 2 to all stations: 5 of 5 called",
                "4 of 4 checks hold.",
            ],
        ),
        (
            "larkfell-withdrawal.toml",
            &[
                "on for everyone but handset 1, handset 2 (7 nodes",
                "boat teal loses its power",
                "4 stations change; 1 that had missed it later",
                "7 of 7 checks hold.",
            ],
        ),
    ] {
        for seed in ["1", "2", "3"] {
            let output = hopwright(&dir, &["run", name, "--seed", seed]);
            let account = stdout(&output);
            assert_eq!(output.status.code(), Some(0), "{name} {seed}:\n{account}");
            for line in lines {
                assert!(account.contains(line), "no \"{line}\":\n{account}");
            }
        }
    }
}

#[test]
fn json_is_one_object_with_what_is_promised() {
    let dir = tempfile::tempdir().expect("a directory");
    let object = json(&ran(dir.path(), &["--json"], 0));
    let promised =
        ["checks", "measured", "passed", "scenario", "seed", "stations", "totals", "trace_digest"];
    assert_eq!(keys(&object), promised);
    assert_eq!((&object["scenario"], &object["seed"]), (&"larkfell".into(), &1.into()));
    assert_eq!(object["passed"], true);
    let digest = object["trace_digest"].as_str().expect("text");
    assert!(digest.len() == 32 && digest.chars().all(|c| c.is_ascii_hexdigit()), "{digest}");
    let checks = object["checks"].as_array().expect("a list");
    assert!(checks.len() >= 10);
    for check in checks {
        let promised = ["id", "measured", "pass", "required", "source", "unit", "what"];
        assert_eq!(keys(check), promised);
        assert!(check["pass"] == true && check["measured"].is_number(), "{check}");
        assert!(check["source"].as_str().is_some_and(|source| source.len() > 10), "{check}");
    }
    let stations = object["stations"].as_array().expect("a list");
    assert_eq!(stations.len(), 26);
    // Who starts the net's time has it from then on.
    let first = stations.iter().find(|s| s["name"] == "control post").expect("the timekeeper");
    assert_eq!(first["in_step_s"], 3.0);
    let late = stations.iter().find(|s| s["name"] == "boat plover").expect("the late boat");
    assert_eq!((&late["address"], &late["on_s"]), (&"46".into(), &62.37.into()));
    assert!(late["in_step_s"].as_f64().is_some_and(|at| at > 62.37) && late["in_step"] == true);
    for total in ["transmissions", "waited_for", "heard", "polls", "steps", "bound_checks"] {
        assert!(object["totals"][total].as_u64().is_some_and(|n| n > 0), "{total}");
    }
}

#[test]
fn the_same_file_gives_the_same_digest_and_another_seed_another() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let built_in = ran(here, &[], 0);
    let from_file = ran(here, &["scenarios/larkfell.toml"], 0);
    assert_eq!(built_in, from_file);
    let other = ran(here, &["--seed", "2"], 0);
    assert_ne!(digest(&built_in), digest(&other));
    assert!(other.contains("\nseed 2   trace digest "));
}

#[test]
fn what_does_not_hold_is_said_and_has_status_1() {
    let dir = folder(|text| {
        text + "[[expect]]\nmetric = \"announce.worst_s\"\nat_most = 0.001\nsource = \"nobody\"\n\
                [[expect]]\nmetric = \"calls.missed\"\nequals = 0\nsource = \"somebody\"\n"
    });
    let account = ran(dir.path(), &["s.toml"], 1);
    assert!(
        account.contains("\n  FAILS ") && account.contains("\n1 of 2 checks hold. "),
        "{account}"
    );
    let object = json(&ran(dir.path(), &["s.toml", "--json", "--out", "out"], 1));
    assert_eq!(object["passed"], false);
    let passes: Vec<&Value> =
        object["checks"].as_array().expect("a list").iter().map(|check| &check["pass"]).collect();
    assert_eq!(passes, [false, true]);
    // A failed run is written like any other: it is the one that is looked into.
    assert_eq!(names(&dir.path().join("out")), FILES.map(str::to_owned).into());
}

#[test]
fn without_expectations_nothing_fails_and_that_is_said() {
    let dir = folder(|text| text);
    assert!(ran(dir.path(), &["s.toml"], 0).contains("The scenario expects nothing"));
}

#[test]
fn a_net_that_is_never_heard_is_told_as_such() {
    // No metric has a value that could pass: what never happened is null and fails.
    let dir = folder(|text| {
        text.replace("x_m = 900", "x_m = 9_000_000")
            + "[[expect]]\nmetric = \"announce.worst_s\"\nat_most = 5\nsource = \"nobody\"\n\
               [[expect]]\nmetric = \"payload.heard_share\"\nfrom_model = \"clear_share\"\n\
               source = \"nothing was sent\"\n"
    });
    let account = ran(dir.path(), &["s.toml"], 1);
    assert!(account.contains("never") && account.contains("\n0 of 2 checks hold. "), "{account}");
    let object = json(&ran(dir.path(), &["s.toml", "--json"], 1));
    assert_eq!(object["checks"][0]["measured"], Value::Null);
}

/// Rows of a CSV file without quotes (RFC 4180, section 2), which must have this header.
#[track_caller]
fn rows(folder: &Path, file: &str, header: &str) -> Vec<Vec<String>> {
    let text = fs::read_to_string(folder.join(file)).expect("a file");
    assert!(text.ends_with('\n') && !text.contains('\r') && !text.contains('"'), "{file}");
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some(header), "{file}");
    let columns = header.split(',').count();
    let rows: Vec<Vec<String>> =
        lines.map(|line| line.split(',').map(str::to_owned).collect()).collect();
    assert!(rows.iter().all(|row| row.len() == columns), "{file}");
    rows
}

#[track_caller]
fn number(text: &str) -> u64 {
    text.parse().unwrap_or_else(|_| panic!("{text} is no number"))
}

#[test]
fn out_writes_every_file_and_they_agree() {
    let dir = tempfile::tempdir().expect("a directory");
    let printed = ran(dir.path(), &["--out", "a/b"], 0);
    assert_eq!(names(&dir.path().join("a")), BTreeSet::from(["b".to_owned()]));
    let out = dir.path().join("a/b");
    assert_eq!(names(&out), FILES.map(str::to_owned).into());
    let account = fs::read_to_string(out.join("account.txt")).expect("a file");
    assert_eq!(printed, format!("{account}written to a/b\n"));
    let results = json(&fs::read_to_string(out.join("results.json")).expect("a file"));
    assert_eq!(results["trace_digest"], digest(&account));
    assert_eq!(results, json(&ran(dir.path(), &["--json"], 0)), "--out changes nothing");

    let sent = rows(
        &out,
        "transmissions.csv",
        "time_us,station,address,channel,frequency_hz,content,listeners,heard,interfered",
    );
    let totals = &results["totals"];
    assert_eq!(totals["transmissions"], sent.len());
    let sum = |column: usize| sent.iter().map(|row| number(&row[column])).sum::<u64>();
    assert_eq!((&totals["waited_for"], &totals["heard"]), (&sum(6).into(), &sum(7).into()));
    for row in &sent {
        // plans/larkfell.toml: 200 kHz apart from 902.1 MHz, without 65 and 66.
        let channel = number(&row[3]);
        assert!(channel < 130 && channel != 65 && channel != 66, "{row:?}");
        assert_eq!(number(&row[4]), 902_100_000 + 200_000 * channel);
        assert!(["sync-header", "traffic-header", "payload"].contains(&row[5].as_str()), "{row:?}");
        assert!(number(&row[7]) <= number(&row[6]) && number(&row[8]) <= 1, "{row:?}");
        // 40 dB above the wanted signal: what is covered is lost.
        assert!(row[8] == "0" || row[7] == "0", "{row:?}");
    }
    assert!(sent.is_sorted_by_key(|row| number(&row[0])));

    let stations = rows(
        &out,
        "stations.csv",
        "station,lane,address,x_m,y_m,height_m,on_us,oscillator_ppb,in_step,headers,not_genuine,replayed,digest",
    );
    let told = results["stations"].as_array().expect("a list");
    assert_eq!(stations.len(), told.len());
    for (row, told) in stations.iter().zip(told) {
        let address = [&row[0], &row[2], &row[12]].map(|text| Value::from(text.as_str()));
        assert_eq!(
            [&address[0], &address[1], &address[2]],
            ["name", "address", "digest"].map(|k| &told[k])
        );
        assert_eq!(told["headers"], number(&row[9]));
    }

    let events = rows(&out, "events.csv", "time_us,station,address,event,slot,detail");
    let count = |event: &str| events.iter().filter(|row| row[3] == event).count();
    // 25 stations come into step, and all but the one that comes last a second time, after four
    // hours, and the one whose power failed; of 27 overs that go ahead six are an order's, which 25
    // stations take and follow; no event is without a name.
    let coasted = count("coasting");
    assert!(coasted >= 23, "{coasted}");
    assert_eq!((count("in-step"), count("go-ahead"), count("other")), (51, 27, 0));
    assert_eq!((count("ordered"), count("keys-changed")), (25, 25));
    assert!(events.is_sorted_by_key(|row| number(&row[0])));
}

#[test]
fn the_picture_is_well_formed_and_explains_itself() {
    let dir = folder(|text| {
        text.replace("duration_s", "title = \"Bridge <1> & \\\"weir\\\"\"\nduration_s")
            + "[[interferer]]\nname = \"pump\"\nshare = 0.3\nlayout = \"scattered\"\n\
               above_wanted_db = 40\nfrom_s = 7\n"
    });
    ran(dir.path(), &["s.toml", "--out", "out"], 0);
    let svg = fs::read_to_string(dir.path().join("out/band.svg")).expect("a file");
    let document = roxmltree::Document::parse(&svg).expect("well-formed XML");
    let root = document.root_element();
    assert_eq!(root.tag_name().name(), "svg");
    let texts: Vec<&str> = document
        .descendants()
        .filter(|node| node.has_tag_name((root.tag_name().namespace().unwrap_or(""), "text")))
        .filter_map(|node| node.text())
        .map(str::trim)
        .collect();
    for text in [
        "Bridge <1> & \"weir\": the band against time",
        "time in s",
        "frequency in MHz",
        "header, heard by someone",
        "payload, heard by someone",
        "sent and heard by nobody",
        "sent while nobody waited there",
        "interference (simulated)",
    ] {
        assert!(texts.contains(&text), "no \"{text}\": {texts:?}");
    }
    // Every transmission has its mark, and each kind of mark stands once more in the legend.
    let marks =
        |name: &'static str| document.descendants().filter(move |n| n.tag_name().name() == name);
    let round = |filled: bool| {
        let filled_here = |n: &roxmltree::Node<'_, '_>| n.attribute("fill") != Some("none");
        marks("circle").filter(|n| filled_here(n) == filled).count() - 1
    };
    let sent = fs::read_to_string(dir.path().join("out/transmissions.csv")).expect("a file");
    let count = |of: &dyn Fn(&[&str]) -> bool| {
        let lines = sent.lines().skip(1);
        lines.filter(|line| of(&line.split(',').collect::<Vec<_>>())).count()
    };
    let payload = |row: &[&str]| row[5] == "payload" && row[7] != "0";
    assert_eq!(round(true), count(&payload));
    assert_eq!(round(false), count(&|row| row[6] == "0"));
    assert_eq!(marks("polygon").count() - 1, count(&|row| row[5] != "payload" && row[7] != "0"));
    assert!(round(true) > 30 && round(false) > 0 && marks("polygon").count() > 10);
}

#[test]
fn out_overwrites_nothing() {
    let dir = folder(|text| text);
    let at = |name: &str| dir.path().join(name);
    fs::create_dir(at("full")).expect("made");
    fs::write(at("full/mine.txt"), "mine").expect("written");
    let said = refused(dir.path(), &["run", "s.toml", "--out", "full"]);
    assert!(said.contains("full exists and is not empty"), "{said}");
    assert_eq!(names(&at("full")), BTreeSet::from(["mine.txt".to_owned()]));
    assert_eq!(fs::read_to_string(at("full/mine.txt")).expect("a file"), "mine");

    let said = refused(dir.path(), &["run", "s.toml", "--out", "plan.toml"]);
    assert!(said.contains("plan.toml exists and is no folder"), "{said}");

    // The name under which the folder is written is not ours either if it is taken.
    fs::create_dir(at("new.partial")).expect("made");
    fs::write(at("new.partial/mine.txt"), "mine").expect("written");
    let said = refused(dir.path(), &["run", "s.toml", "--out", "new"]);
    assert!(said.contains("new.partial exists already"), "{said}");
    assert_eq!(fs::read_to_string(at("new.partial/mine.txt")).expect("a file"), "mine");
    assert!(!at("new").exists());

    // Where no folder can be is said before the work, which would take hours here.
    let within = "plan.toml/deep/out";
    let said = refused(dir.path(), &["run", "s.toml", "--out", within]);
    assert!(said.contains("plan.toml is no folder"), "{said}");
    let many = ["--trials", "1000000", "--out"];
    for command in [&["curve", "silence"][..], &["adversaries"]] {
        for (out, words) in [("full", "is not empty"), (within, "is no folder")] {
            let said = refused(dir.path(), &[command, &many, &[out]].concat());
            assert!(said.contains(words), "{said}");
        }
    }
    let said = refused(dir.path(), &["blocks", "--trials", "100000000", "--out", "full"]);
    assert!(said.contains("is not empty"), "{said}");

    fs::create_dir(at("empty")).expect("made");
    ran(dir.path(), &["s.toml", "--out", "empty/"], 0);
    assert_eq!(names(&at("empty")), FILES.map(str::to_owned).into());
    let all = ["empty", "full", "new.partial", "plan.toml", "s.toml"].map(str::to_owned);
    assert_eq!(names(dir.path()), all.into());
}

#[test]
fn a_recorded_station_replays_to_its_own_digest() {
    let dir = tempfile::tempdir().expect("a directory");
    // A timekeeper, one that is held off, one that comes late.
    for (name, address) in [("control post", "10"), ("ground team 4", "53"), ("boat plover", "46")]
    {
        let printed = ran(dir.path(), &["--record", name, "--out", address], 0);
        let out = dir.path().join(address);
        let file = format!("recording-{address}.bin");
        assert_eq!(names(&out).len(), FILES.len() + 1);
        let stations = fs::read_to_string(out.join("stations.csv")).expect("a file");
        let row = stations.lines().find(|line| line.starts_with(name)).expect("the station");
        let wanted = row.rsplit(',').next().expect("a digest");
        let output = hopwright(&out, &["replay", &file, "--json"]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let replay = json(&stdout(&output));
        assert_eq!(keys(&replay), ["address", "digest", "events", "inputs"]);
        assert_eq!((&replay["digest"], &replay["address"]), (&wanted.into(), &address.into()));
        let events = fs::read_to_string(out.join("events.csv")).expect("a file");
        let own = events.lines().filter(|line| line.split(',').nth(2) == Some(address)).count();
        assert_eq!(replay["events"], own);
        let text = stdout(&hopwright(&out, &["replay", &file]));
        assert!(text.ends_with(&format!("digest {wanted}\n")), "{text}");
        // Recording is watching: it changes nothing.
        assert_eq!(digest(&printed), digest(&ran(dir.path(), &[], 0)));
    }
}

#[test]
fn what_is_no_recording_is_refused_at_a_byte() {
    let dir = folder(|text| text);
    ran(dir.path(), &["s.toml", "--record", "upper bridge", "--out", "out"], 0);
    let whole = fs::read(dir.path().join("out/recording-11.bin")).expect("a recording");
    let replay = |bytes: &[u8]| {
        fs::write(dir.path().join("r.bin"), bytes).expect("written");
        refused(dir.path(), &["replay", "r.bin"])
    };
    let key = record::read_key(&whole).expect("a key");
    let mut rest = &whole[..];
    assert!(record::read_config::<4_096>(&mut rest, &key).is_some());
    let head = whole.len() - rest.len();
    // The trailer has 25 bytes, and the last input is a poll, of 9.
    let end = whole.len() - 25;
    for (bytes, words, at) in [
        (&b""[..], "this is no recording", 0),
        (&whole[..7], "this is no recording", 0),
        (&whole[..39], "this is no recording", 0),
        (b"[scenario]\nname = \"a scenario is no recording, however long\"\n", "no recording", 0),
        (&whole[..head - 1], "the configuration is cut short or makes no sense", 0),
        (&whole[..head + 1], "an input is cut short or unknown", head),
        (&whole[..head + 8], "an input is cut short or unknown", head),
        (&whole[..whole.len() - 1], "an input is cut short or unknown", end),
        // Cut between two inputs it would be a shorter recording, if it had no trailer.
        (&whole[..head], "the recording ends too early", head),
        (&whole[..end], "the recording ends too early", end),
        (&whole[..end - 9], "the recording ends too early", end - 9),
        (&[&whole[..end - 9], &whole[end..]].concat(), "the recording was changed", end - 9),
        (&[&whole[..end], &whole[end - 9..]].concat(), "the recording was changed", end + 9),
    ] {
        let said = replay(bytes);
        assert!(said.contains(words) && said.starts_with("error: r.bin: "), "{said}");
        assert!(said.contains(&format!(" at byte {at}\n")), "{at}: {said}");
    }
    for tag in [0, 11, 0xff] {
        let mut garbled = whole.clone();
        garbled[head] = tag;
        assert!(replay(&garbled).contains(&format!("unknown at byte {head}\n")));
    }
    let mut garbled = whole.clone();
    garbled[7] = b'1';
    let said = replay(&garbled);
    assert!(said.contains("a recording of version 1, and this program reads version 3"), "{said}");
    // One bit of the time of the first poll; one of the digest.
    for at in [head + 1, whole.len() - 1] {
        let mut garbled = whole.clone();
        garbled[at] ^= 1;
        assert!(replay(&garbled).contains("the recording was changed"), "{at}");
    }
    // A hopset of no channels.
    let mut garbled = whole.clone();
    garbled[40..42].fill(0);
    assert!(replay(&garbled).contains("makes no sense at byte "));
    for (name, words) in [("none.bin", "there is no such file"), (".", "this is a directory")] {
        assert!(refused(dir.path(), &["replay", name]).contains(words), "{name}");
    }
}

#[test]
fn endless_files_are_not_read_to_their_end() {
    let dir = folder(|text| text);
    let file = fs::File::create(dir.path().join("long")).expect("a file");
    file.set_len((256 << 20) + 1).expect("a hole");
    let said = refused(dir.path(), &["replay", "long"]);
    assert!(said.contains("longer than 256 MiB") && said.contains("--> long\n"), "{said}");
    let said = refused(dir.path(), &["hostile", "--tries", "1", "--keep", "long"]);
    assert!(said.contains("longer than 64 MiB") && said.contains("--> long\n"), "{said}");
}

#[test]
fn a_secret_key_is_not_recorded() {
    let dir = folder(|text| text);
    let plan = fs::read_to_string(dir.path().join("plan.toml")).expect("the plan");
    fs::write(dir.path().join("plan.toml"), plan.replace("1d1e1f\"", "1d1e1e\"")).expect("written");
    let said = refused(dir.path(), &["run", "s.toml", "--record", "upper bridge", "--out", "out"]);
    assert!(said.contains("would hold the plan's key in the clear"), "{said}");
    assert!(!dir.path().join("out").exists() && !said.contains("1d1e"), "{said}");
    // Without --record the same plan runs, and no file shows its key.
    let account = ran(dir.path(), &["s.toml", "--out", "out"], 0);
    assert!(!account.contains("published example"));
    for file in FILES {
        let text = fs::read_to_string(dir.path().join("out").join(file)).expect("a file");
        assert!(!text.contains("00010203") && !text.contains("1c1d1e"), "{file}");
    }
}

#[test]
fn what_cannot_be_recorded_is_refused() {
    let dir = folder(|text| text);
    let said = refused(dir.path(), &["run", "s.toml", "--record", "uper bridge", "--out", "o"]);
    assert!(said.contains("did you mean \"upper bridge\"?"), "{said}");
    let output = hopwright(dir.path(), &["run", "s.toml", "--record", "upper bridge"]);
    assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()));
    assert!(stderr(&output).contains("--out"), "{}", stderr(&output));
    for seed in ["-1", "x", "18446744073709551616"] {
        let output = hopwright(dir.path(), &["run", "s.toml", "--seed", seed]);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()), "{seed}");
    }
}

#[test]
fn a_reader_that_has_seen_enough_ends_it_quietly() {
    for args in [&["run"][..], &["run", "--json"]] {
        let mut child = Command::new(env!("CARGO_BIN_EXE_hopwright"))
            .args(args)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the binary runs");
        // Nobody reads: every write fails, and that is nobody's fault.
        drop(child.stdout.take());
        let output = child.wait_with_output().expect("it ends");
        assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()), "{args:?}");
    }
}
