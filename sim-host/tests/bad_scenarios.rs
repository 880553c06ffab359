//! Every bad scenario is refused with one error: what is wrong, where, how to mend it; status 2,
//! nothing on standard output, and no file written. What is asked for is common practice, no
//! source; the keys and limits are those of `scenarios/larkfell.toml` and of specification
//! sections 5 and 10 (addresses of eight bits, call targets).

mod common;

use common::{hopwright, stderr, stdout};
use std::fs;
use std::path::Path;

/// A plan that works.
const PLAN: &str = include_str!("../plans/larkfell.toml");

/// A scenario that works. Line 1 is `[scenario]`, lines 6 and 10 `[[station]]`, 15
/// `[[interferer]]`, 20 `[[announce]]`, 23 `[[over]]`, 28 `[[expect]]`.
const GOOD: &str = "[scenario]
name = \"bad\"
seed = 1
duration_s = 12
plan = \"plan.toml\"
[[station]]
name = \"control post\"
address = \"10\"
role = \"timekeeper\"
[[station]]
name = \"upper bridge\"
address = \"11\"
x_m = 900
on_s = 0.5
[[interferer]]
name = \"pump\"
share = 0.4
above_wanted_db = 40
from_s = 1
[[announce]]
at_s = 2
by = \"control post\"
[[over]]
at_s = 7
from = \"upper bridge\"
to = \"all\"
talk_s = 2
[[expect]]
metric = \"stations.lost\"
equals = 0
source = \"specification section 6\"
";

fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    fs::write(dir.path().join("plan.toml"), PLAN).expect("written");
    dir
}

/// Runs a scenario that must be refused and returns what was said.
#[track_caller]
fn refused(dir: &Path, name: &str) -> String {
    let names = || {
        let entries = fs::read_dir(dir).expect("a folder");
        let mut names: Vec<_> = entries.map(|entry| entry.expect("an entry").file_name()).collect();
        names.sort();
        names
    };
    let before = names();
    let output = hopwright(dir, &["run", name, "--out", "out"]);
    let said = stderr(&output);
    assert_eq!(output.status.code(), Some(2), "{name}: {said}");
    assert_eq!(stdout(&output), "", "{name}: {said}");
    assert!(said.starts_with("error: "), "{name}: {said}");
    assert!(said.lines().last().is_some_and(|line| line.starts_with("help: ")), "{name}: {said}");
    assert!(!said.chars().any(|c| c.is_control() && c != '\n'), "{name}: {said:?}");
    assert_eq!(names(), before, "{name} has left something behind");
    said
}

/// Replaces `from` in the good scenario by `to`, and expects an error at `place` that says
/// `words`.
#[track_caller]
fn bad(from: &str, to: &str, place: &str, words: &[&str]) {
    assert!(GOOD.contains(from), "the test replaces nothing: {from}");
    bad_text(&GOOD.replacen(from, to, 1), place, words);
}

#[track_caller]
fn bad_text(text: &str, place: &str, words: &[&str]) {
    let dir = folder();
    fs::write(dir.path().join("s.toml"), text).expect("written");
    let said = refused(dir.path(), "s.toml");
    assert!(said.contains(&format!("--> s.toml:{place}\n")), "not at {place}:\n{said}");
    for word in words {
        assert!(said.contains(word), "no \"{word}\":\n{said}");
    }
}

/// The good scenario without the table that starts with `heading`.
fn without(heading: &str) -> String {
    let start = GOOD.find(heading).expect("a table");
    let rest = &GOOD[start + 1..];
    let end = rest.find("\n[").map_or(GOOD.len(), |at| start + 1 + at + 1);
    format!("{}{}", &GOOD[..start], &GOOD[end..])
}

#[test]
fn the_good_scenario_is_good() {
    let dir = folder();
    fs::write(dir.path().join("s.toml"), GOOD).expect("written");
    let output = hopwright(dir.path(), &["run", "s.toml"]);
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()));
}

#[test]
fn what_is_not_toml_or_no_known_key() {
    bad("seed = 1", "seed = = 1", "3:8", &["not TOML"]);
    bad("seed = 1", "sede = 1", "3:1", &["[scenario] has no key `sede`", "did you mean `seed`?"]);
    bad("[[over]]", "[[ovre]]", "23:3", &["has no key `ovre`", "did you mean `over`?"]);
    bad("x_m = 900", "z_m = 900", "13:1", &["[[station]] has no key `z_m`"]);
    bad("by = \"c", "colour = 1\nby = \"c", "22:1", &["no key `colour`", "knows at_s, by"]);
    bad("talk_s", "talks", "27:1", &["did you mean `talk_s`?"]);
    bad("[[station]]", "[radio]\npower = 3\n[[station]]", "7:1", &["did you mean `power_dbm`?"]);
}

#[test]
fn values_of_the_wrong_type() {
    bad("duration_s = 12", "duration_s = \"12\"", "4:14", &["must be a number, not a text"]);
    bad("seed = 1", "seed = 1.5", "3:8", &["`seed` must be a whole number"]);
    bad("seed = 1", "seed = -1", "3:8", &["`seed` must be 0 to", "not -1"]);
    bad("\"bad\"", "7", "2:8", &["`name` must be a text in double quotes, not a whole number"]);
    bad("\"10\"", "10", "8:11", &["`address` must be a text in double quotes"]);
    bad("equals = 0", "equals = true", "30:10", &["`equals` must be a number, not true or false"]);
    bad("[[announce]]", "[announce]", "20:1", &["[[announce]] with double brackets"]);
    bad("[scenario]", "[[scenario]]", "1:1", &["`scenario` must be a table, not a list"]);
    bad("\"timekeeper\"", "\"timekeper\"", "9:8", &["did you mean \"timekeeper\"?"]);
}

#[test]
fn what_is_missing() {
    bad_text(&without("[scenario]"), "1:1", &["lacks the table [scenario]", "duration_s"]);
    bad("name = \"bad\"\n", "", "1:1", &["[scenario] lacks `name`"]);
    bad("duration_s = 12\n", "", "1:1", &["[scenario] lacks `duration_s`", "duration_s = "]);
    bad("plan = \"plan.toml\"\n", "", "1:1", &["[scenario] lacks `plan`"]);
    bad("name = \"upper bridge\"\n", "", "10:1", &["[[station]] lacks `name`"]);
    bad("address = \"11\"\n", "", "10:1", &["[[station]] lacks `address`", "address = \"4B\""]);
    bad("name = \"pump\"\n", "", "15:1", &["[[interferer]] lacks `name`"]);
    bad("at_s = 2\n", "", "20:1", &["[[announce]] lacks `at_s`", "at_s = 10.5"]);
    bad("by = \"control post\"\n", "", "20:1", &["[[announce]] lacks `by`"]);
    bad("at_s = 7\n", "", "23:1", &["[[over]] lacks `at_s`"]);
    bad("from = \"upper bridge\"\n", "", "23:1", &["[[over]] lacks `from`"]);
    bad("to = \"all\"\n", "", "23:1", &["[[over]] lacks `to`", "to = \"all\""]);
    bad("talk_s = 2\n", "", "23:1", &["[[over]] lacks `talk_s`"]);
    bad("metric = \"stations.lost\"\n", "", "28:1", &["[[expect]] lacks `metric`"]);
    bad("source = \"specification section 6\"\n", "", "28:1", &["[[expect]] lacks `source`"]);
}

#[test]
fn stations_that_do_not_exist() {
    let near = ["there is no station \"control pots\"", "did you mean \"control post\"?"];
    bad("by = \"control post\"", "by = \"control pots\"", "22:6", &near);
    let near = ["there is no station \"uper bridge\"", "did you mean \"upper bridge\"?"];
    bad("from = \"upper bridge\"", "from = \"uper bridge\"", "25:8", &near);
    bad("from = \"upper bridge\"", "from = \"lighthouse\"", "25:8", &["name a station of this"]);
    // What is shown of a name does nothing to a terminal, and is short.
    bad("from = \"upper", "from = \"\\u001b[31m", "25:8", &["no station \"\\u{1b}[31m bridge\""]);
}

#[test]
fn stations_that_cannot_be() {
    bad("\"upper bridge\"", "\"control post\"", "11:8", &["two stations are called \"control p"]);
    bad("\"11\"", "\"10\"", "12:11", &["\"control post\" has address 10 already"]);
    for address in ["1", "100", "0x10", "G1", "", "+1", "1\u{301}"] {
        let to = format!("\"{address}\"");
        bad("\"11\"", &to, "12:11", &["two hexadecimal digits", "\"4B\", in quotes"]);
    }
    for name in ["", "a,b", "a\\nb", "a\\\"b", "\\u0007"] {
        bad("\"upper bridge\"", &format!("\"{name}\""), "11:8", &["a station's name has print"]);
    }
    bad("x_m = 900", "x_m = 1e8", "13:7", &["`x_m` must be -10000000 to 10000000"]);
    bad("x_m = 900", "x_m = nan", "13:7", &["neither infinite nor undefined"]);
    bad("x_m = 900", "power_dbm = 101", "13:13", &["`power_dbm` must be -100 to 100"]);
    bad("x_m = 900", "ppb = 500_001", "13:7", &["`ppb` must be -500000 to 500000, not 500001"]);
    bad("x_m = 900", "ppb = -500_001", "13:7", &["not -500001"]);
    bad("x_m = 900", "stored_slot = 4_294_967_296", "13:15", &["0 to 4294967295"]);
}

#[test]
fn no_stations_and_one_too_many() {
    let none = without("[[station]]").replacen("[[station]]", "[[spare]]", 1);
    let spare = none.find("[[spare]]").expect("the second station");
    let end = spare + none[spare..].find("[[inter").expect("what follows");
    let none = format!("{}{}", &none[..spare], &none[end..]);
    bad_text(&none, "1:1", &["at least one station", "write one [[station]] table for each"]);
    // Specification section 10: addresses have eight bits.
    let group = |keys: &str, place: &str, words: &[&str]| {
        let entry = format!("[[group]]\nname = \"gauge\"\n{keys}\n[[interferer]]");
        bad("[[interferer]]", &entry, place, words);
    };
    group(
        "count = 256\nfirst_address = \"01\"",
        "17:9",
        &["256 addresses from 01 on go beyond FF"],
    );
    group("count = 257\nfirst_address = \"00\"", "17:9", &["`count` must be 1 to 256, not 257"]);
    group("count = 0\nfirst_address = \"00\"", "17:9", &["`count` must be 1 to 256"]);
    group("count = 2\nfirst_address = \"0\"", "18:17", &["two hexadecimal digits"]);
    group("count = 2", "15:1", &["lacks `first_address`"]);
    group("first_address = \"00\"", "15:1", &["lacks `count`", "count = 100"]);
    group("count = 2\nfirst_address = \"90\"\nlane = 1", "19:8", &["the plan has no lanes"]);
    group("count = 2\nfirst_address = \"90\"\nradius_m = -1", "19:12", &["0 to 1000000"]);
    let all = "count = 255\nfirst_address = \"00\"";
    group(all, "18:17", &["has address", "an address of its own"]);
    let twice = format!(
        "{}\n[[group]]\nname = \"gauge\"\ncount = 1\nfirst_address = \"A9\"",
        "count = 2\nfirst_address = \"A0\""
    );
    group(&twice, "20:8", &["two stations are called \"gauge 1\""]);
}

#[test]
fn traffic_that_cannot_be() {
    let traffic = |keys: &str, place: &str, words: &[&str]| {
        let entry = format!("[[traffic]]\n{keys}\n[[interferer]]");
        bad("[[interferer]]", &entry, place, words);
    };
    traffic("busy = 0.3\ntalk_s = 5", "15:1", &["lacks `name`"]);
    traffic("name = \"m\"\ntalk_s = 5", "15:1", &["lacks `busy`", "busy = 0.3"]);
    traffic("name = \"m\"\nbusy = 0.3", "15:1", &["lacks `talk_s`"]);
    traffic("name = \"m\"\nbusy = 1\ntalk_s = 5", "17:8", &["`busy` must be 0.001 to 0.95"]);
    traffic("name = \"m\"\nbusy = 0.3\ntalk_s = 0", "18:10", &["`talk_s` must be 0.1 to 600"]);
    let good = "name = \"m\"\nbusy = 0.3\ntalk_s = 5\n";
    traffic(&format!("{good}to = \"4\""), "19:6", &["no call target"]);
    traffic(&format!("{good}lane = 1"), "19:8", &["the plan has no lanes"]);
    traffic(&format!("{good}from_s = 99"), "19:10", &["outside the scenario"]);
}

#[test]
fn times_that_cannot_be() {
    for (text, said) in
        [("0", "more than 0 s"), ("-3", "more than 0 s"), ("1e9", "at most 2678400 s")]
    {
        bad("duration_s = 12", &format!("duration_s = {text}"), "4:14", &[said]);
    }
    for text in ["nan", "inf", "-inf", "+nan"] {
        let number = ["neither infinite nor undefined", "write a number for"];
        bad("duration_s = 12", &format!("duration_s = {text}"), "4:14", &number);
        bad("at_s = 7", &format!("at_s = {text}"), "24:8", &number);
        bad("talk_s = 2", &format!("talk_s = {text}"), "27:10", &number);
    }
    let outside = "outside the scenario";
    let help = "use 0 to 12 s, or make `duration_s` larger";
    for text in ["-0.001", "12.001", "1e300"] {
        bad("at_s = 7", &format!("at_s = {text}"), "24:8", &["`at_s` = ", outside, help]);
        bad("talk_s = 2", &format!("talk_s = {text}"), "27:10", &["`talk_s` = ", outside, help]);
        bad("at_s = 2", &format!("at_s = {text}"), "21:8", &["`at_s` = ", outside, help]);
        bad("on_s = 0.5", &format!("on_s = {text}"), "14:8", &["`on_s` = ", outside, help]);
        bad("from_s = 1", &format!("from_s = {text}"), "19:10", &["`from_s` = ", outside, help]);
        bad("from_s = 1", &format!("to_s = {text}"), "19:8", &["`to_s` = ", outside, help]);
    }
}

#[test]
fn interferers_that_cannot_be() {
    let cover = |to: &str, place: &str, words: &[&str]| bad("share = 0.4", to, place, words);
    cover("share = 1.01", "17:9", &["`share` must be 0 to 1, not 1.01"]);
    cover("share = -0.1", "17:9", &["`share` must be 0 to 1"]);
    cover("share = nan", "17:9", &["neither infinite nor undefined"]);
    cover("from_hz = 915_000_000\nto_hz = 914_000_000", "18:9", &["the interval is reversed"]);
    cover("from_hz = -1\nto_hz = 3", "17:11", &["`from_hz` must be 0 to"]);
    let either = "covers a share of the hopset, or from_hz to to_hz";
    cover("layout = \"contiguous\"", "15:1", &[either, "give `share`"]);
    cover("from_hz = 915_000_000", "17:11", &[either, "give `share`"]);
    cover("to_hz = 915_000_000", "17:9", &[either, "give `share`"]);
    cover("share = 0.4\nfrom_hz = 915_000_000", "18:11", &[either, "keep `share`"]);
    cover("share = 0.4\nto_hz = 915_000_000", "18:9", &[either, "keep `share`"]);
    let band = "from_hz = 914_000_000\nto_hz = 915_000_000\nlayout = \"scattered\"";
    cover(band, "19:10", &["`layout` says how a share lies", "leave `layout` out"]);
    cover("share = 0.4\nlayout = \"scatered\"", "18:10", &["did you mean \"scattered\"?"]);
    let level =
        |to: &str, place: &str, words: &[&str]| bad("above_wanted_db = 40", to, place, words);
    let either = "either above_wanted_db, or power_dbm and a place";
    level("", "15:1", &[either, "give `above_wanted_db`"]);
    level("x_m = 3", "15:1", &[either, "give `above_wanted_db`"]);
    level("above_wanted_db = 40\npower_dbm = 3", "19:13", &[either, "keep one of the two"]);
    level("above_wanted_db = 40\nx_m = 3", "19:7", &[either, "leave the place out"]);
    level("above_wanted_db = 40\ny_m = 3", "19:7", &[either, "leave the place out"]);
    level("above_wanted_db = 201", "18:19", &["-200 to 200"]);
    let stop = "an interferer must stop after it has started";
    bad("from_s = 1", "from_s = 1\nto_s = 0.5", "20:8", &[stop, "larger than from_s"]);
    bad("from_s = 1", "from_s = 1\nto_s = 1", "20:8", &[stop]);
    bad("\"pump\"", "\"pu\\u0007mp\"", "16:8", &["cannot be printed"]);
}

/// Tables of opponents (simulated); keys and ranges are those of `docs/scenarios.md`.
#[test]
fn adversaries_that_cannot_be() {
    // Line 20 is the table, 21 its name, 22 what follows.
    let add = |lines: &str, place: &str, words: &[&str]| {
        let table = format!("[[adversary]]\nname = \"van\"\n{lines}\n[[announce]]");
        bad("[[announce]]", &table, place, words);
    };
    bad("[[announce]]", "[[adversary]]\n[[announce]]", "20:1", &["[[adversary]] lacks `name`"]);
    add("above_wanted_db = 3", "20:1", &["lacks `behaviour`", "behaviour = \"follower\""]);
    add("behaviour = \"folower\"", "22:13", &["did you mean \"follower\"?"]);
    add("behaviour = 3", "22:13", &["`behaviour` must be a text"]);
    add("behavior = \"relay\"", "22:1", &["[[adversary]] has no key `behavior`"]);
    let with = |behaviour: &str, lines: &str, place: &str, words: &[&str]| {
        add(&format!("behaviour = \"{behaviour}\"\n{lines}"), place, words);
    };
    let either = "either above_wanted_db, or power_dbm and a place";
    with("insider", "", "20:1", &[either, "give `above_wanted_db`"]);
    with("insider", "x_m = 5", "20:1", &[either, "give `above_wanted_db`"]);
    with("insider", "above_wanted_db = 5\npower_dbm = 3", "24:13", &[either, "keep one of the"]);
    with("insider", "above_wanted_db = 5\ny_m = 3", "24:7", &[either, "leave the place out"]);
    with("insider", "above_wanted_db = 201", "23:19", &["-200 to 200"]);
    let own = ["`delay_us` means nothing to a \"insider\"", "\"insider\" has no keys of its own"];
    with("insider", "above_wanted_db = 5\ndelay_us = 3", "24:12", &own);
    let own = ["`count` means nothing to a \"sweep\"", "\"sweep\" has width, dwell_us"];
    with("sweep", "count = 3", "23:9", &own);
    with("insider", "from_s = 13", "23:10", &["outside the scenario", "0 to 12 s"]);
    with("insider", "from_s = 5\nto_s = 5", "24:8", &["must stop after it has started"]);
    with("insider", "from_s = nan", "23:10", &["neither infinite nor undefined"]);
    with("tones", "", "20:1", &["lacks `count`", "count = 8"]);
    with("tones", "count = 0", "23:9", &["`count` must be 1 to 4096, not 0"]);
    with("sweep", "width = 2", "20:1", &["lacks `dwell_us`"]);
    with("sweep", "dwell_us = 99", "23:12", &["100 to 10000000, not 99"]);
    with("pulses", "on_us = 500\noff_us = 500", "20:1", &["lacks `share`", "share = 0.4"]);
    with("pulses", "share = 1.5", "23:9", &["`share` must be 0 to 1, not 1.5"]);
    with("follower", "retune_us = 5", "20:1", &["lacks `detect_us`"]);
    with("follower", "detect_us = -1", "23:13", &["`detect_us` must be 0 to"]);
    with("follower", "detect_us = 1.5", "23:13", &["`detect_us` must be a whole number"]);
    with("mimic", "share = 1\nburst_us = 999", "24:12", &["`burst_us` must be 1000 to"]);
    with("mimic", "share = 1\ninformed = 1", "24:12", &["`informed` must be true or false"]);
    with("relay", "delay_us = 0", "23:12", &["`delay_us` must be 1 to"]);
    let replay = |lines: &str, place: &str, words: &[&str]| {
        with("replay", lines, place, words);
    };
    replay("listen_to_s = 3\nplay_s = 4", "20:1", &["lacks `listen_from_s`"]);
    let reversed = ["must stop after it has started", "larger than listen_from_s"];
    replay("listen_from_s = 3\nlisten_to_s = 3\nplay_s = 4", "24:15", &reversed);
    let early = ["cannot be played before it has been made", "make it listen_to_s or later"];
    replay("listen_from_s = 1\nlisten_to_s = 3\nplay_s = 2", "25:10", &early);
    replay("listen_from_s = 1\nlisten_to_s = 33\nplay_s = 2", "24:15", &["outside the scenario"]);
    let good = "listen_from_s = 1\nlisten_to_s = 3\nplay_s = 4\n";
    replay(&format!("{good}times = 0"), "26:9", &["`times` must be 1 to"]);
    replay(&format!("{good}every_us = 999"), "26:12", &["`every_us` must be 1000 to"]);
    with("forger", "forgery = \"turnt\"", "23:11", &["did you mean \"turned\"?"]);
    with("forger", "forgery = \"turned\"", "20:1", &["lacks `flips`", "flips = 4"]);
    with("forger", "flips = 3", "23:9", &["those of forgery = \"turned\"", "leave `flips` out"]);
    with("forger", "forgery = \"turned\"\nflips = 265", "24:9", &["1 to 264, not 265"]);
    bad(
        "[[announce]]",
        "[[adversary]]\nname = \"v\\u0007\"\n[[announce]]",
        "21:8",
        &["cannot be printed"],
    );
}

#[test]
fn orders_that_cannot_be() {
    let announce = ["upper bridge is a member and cannot announce", "role = \"timekeeper\""];
    bad("by = \"control post\"", "by = \"upper bridge\"", "22:6", &announce);
    // Specification section 5: a prefix has no bits beyond its length, 0 to 8 of them.
    for target in
        ["", "everybody", "ALL", "4", "41/4", "40/9", "40/-1", "40/", "all but", "all but 4"]
    {
        let to = format!("to = \"{target}\"");
        bad("to = \"all\"", &to, "26:6", &["is no call target", "a prefix \"40/4\""]);
    }
}

#[test]
fn power_that_cannot_be() {
    let add = |entry: &str, place: &str, words: &[&str]| {
        let entry = format!("[[power]]\n{entry}\n[[interferer]]");
        bad("[[interferer]]", &entry, place, words);
    };
    let post = "station = \"control post\"\n";
    add("station = \"control pots\"", "16:11", &["there is no station", "did you mean"]);
    add("at_s = 5", "15:1", &["lacks `station`"]);
    add(&format!("{post}at_s = 1e9"), "17:8", &["is outside the scenario"]);
    add(&format!("{post}at_s = -1"), "17:8", &["is outside the scenario"]);
    add(&format!("{post}at_s = 5"), "15:1", &["lacks `becomes`", "becomes = \"off\""]);
    let off = format!("{post}at_s = 5\nbecomes = ");
    add(&format!("{off}\"of\""), "18:11", &["cannot be \"of\"", "did you mean \"off\"?"]);
    add(&format!("{off}true"), "18:11", &["must be a text"]);
    add(&format!("{post}at_s = 0\nbecomes = \"off\""), "17:8", &["not been switched on before"]);
    let twice = format!("{off}\"off\"\n[[power]]\n{post}at_s = 5\nbecomes = \"on\"");
    add(&twice, "21:8", &["cannot change twice at one time"]);
    add(&format!("{off}\"off\"\nwhen = 3"), "19:1", &["has no key `when`"]);
}

#[test]
fn media_that_cannot_be() {
    let add = |entry: &str, place: &str, words: &[&str]| {
        bad("[[interferer]]", &format!("{entry}\n[[interferer]]"), place, words);
    };
    add("[propagation]\nmodel = \"log-distance\"", "16:9", &["needs an exponent"]);
    let only_log = "only the log-distance model has";
    add("[propagation]\nexponent = 3", "16:12", &[only_log, "leave `exponent` out"]);
    add("[propagation]\nshadowing_db = 8", "16:16", &[only_log, "leave `shadowing_db` out"]);
    let rays = "[propagation]\nmodel = \"two-ray\"\n";
    add(&format!("{rays}exponent = 3"), "17:12", &[only_log]);
    add("[propagation]\nmodel = \"log\"", "16:9", &["did you mean \"log-distance\"?"]);
    add("[propagation]\nfading = \"rice\"", "16:10", &["\"none\", \"rayleigh\", \"rician\""]);
    add("[propagation]\nfading = \"rician\"", "16:10", &["needs `k_db`", "k_db = 6"]);
    add("[propagation]\nk_db = 6", "16:8", &["only Rician fading has `k_db`"]);
    add("[propagation]\nfading = \"rician\"\nk_db = 41", "17:8", &["must be -30 to 40"]);
    let band = ["0.3 to 250 MHz", "MHz", "leave `environment` out"];
    add("[radio]\nenvironment = \"rural\"", "16:15", &band);
    add("[radio]\nenvironment = \"town\"", "16:15", &["\"none\", \"city\", \"residential\""]);
    let log = "[propagation]\nmodel = \"log-distance\"\nexponent = ";
    add(&format!("{log}0.9"), "17:12", &["`exponent` must be 1 to 8"]);
    add("[radio]\nnoise_figure_db = 61", "16:19", &["`noise_figure_db` must be 0 to 60"]);
    add("[radio]\npower_dbm = inf", "16:13", &["neither infinite nor undefined"]);
}

#[test]
fn expectations_that_cannot_be() {
    let near = ["there is no metric \"stations.losst\"", "did you mean \"stations.lost\"?"];
    bad("stations.lost", "stations.losst", "29:10", &near);
    bad("stations.lost", "colour", "29:10", &["there is no metric", "use one of announce.in_step"]);
    let one = "exactly one of at_most, at_least, equals, from_model";
    bad("equals = 0\n", "", "28:1", &[one, "add one of them"]);
    bad("equals = 0", "equals = 0\nat_most = 3", "30:10", &[one, "keep one of them"]);
    bad("equals = 0", "at_most = 3\nfrom_model = \"x\"", "31:14", &[one, "keep one of them"]);
    let model = "from_model = \"clear_share\"";
    let none = ["stations.lost has no such closed form", "at_most, at_least or equals"];
    bad("equals = 0", model, "30:14", &none);
    let text = GOOD.replace("stations.lost", "payload.heard_share");
    let text = text.replace("equals = 0", "from_model = \"cleer_share\"");
    bad_text(&text, "30:14", &["no such closed form", "write from_model = \"clear_share\""]);
    bad("equals = 0", "equals = nan", "30:10", &["neither infinite nor undefined"]);
    let unprintable = ["`source` has characters that cannot be printed"];
    bad("specification section 6", "a \\u001b[2J", "31:10", &unprintable);
}

#[test]
fn plans_that_cannot_be_read_are_shown_where_they_are_named() {
    let plan = |to: &str, words: &[&str]| bad("\"plan.toml\"", to, "5:8", words);
    plan("\"none.toml\"", &["the plan: there is no such file", "the scenario's folder"]);
    plan("\".\"", &["the plan: this is a directory"]);
    plan("\"\"", &["the plan: "]);
}

#[test]
fn errors_of_a_plan_are_shown_in_the_plan() {
    let dir = folder();
    fs::write(dir.path().join("s.toml"), GOOD).expect("written");
    let with = |plan: &[u8]| {
        fs::write(dir.path().join("plan.toml"), plan).expect("written");
        refused(dir.path(), "s.toml")
    };
    let said = with(PLAN.replace("count = 130", "count = 5000").as_bytes());
    assert!(said.contains("--> plan.toml:11:9\n"), "{said}");
    assert!(said.contains("`count` must be 1 to 4096, not 5000"), "{said}");
    let said = with(b"[net]\nname = \"M\xfcnster\"\n");
    assert!(said.contains("byte 15") && said.contains("--> plan.toml:2:10\n"), "{said}");
    let said = with(b"");
    assert!(said.contains("empty") && said.contains("--> plan.toml:1:1\n"), "{said}");
    // A scenario is no plan.
    let said = with(GOOD.as_bytes());
    assert!(said.contains("--> plan.toml:1:1\n") && said.contains("this is a scenario"), "{said}");
    // Nothing of a plan's key is shown, and a key is what is wrong here.
    let said = with(PLAN.replace("1d1e1f\"", "1d1e1g\"").as_bytes());
    assert!(said.contains("--> plan.toml:6:") && !said.contains("1d1e"), "{said}");
}

#[test]
fn files_that_are_no_scenarios() {
    let dir = folder();
    let said = refused(dir.path(), "none.toml");
    assert!(said.contains("no such file") && said.contains("--> none.toml\n"), "{said}");
    fs::create_dir(dir.path().join("sub")).expect("made");
    let said = refused(dir.path(), "sub");
    assert!(said.contains("this is a directory") && said.contains("--> sub\n"), "{said}");
    for empty in ["", "\n \n"] {
        fs::write(dir.path().join("empty.toml"), empty).expect("written");
        let said = refused(dir.path(), "empty.toml");
        assert!(said.contains("empty") && said.contains("--> empty.toml:1:1\n"), "{said}");
        assert!(said.contains("scenarios/larkfell.toml"), "{said}");
    }
    fs::write(dir.path().join("latin.toml"), b"[scenario]\nname = \"M\xfcnster\"\n")
        .expect("written");
    let said = refused(dir.path(), "latin.toml");
    assert!(said.contains("byte 20") && said.contains("--> latin.toml:2:10\n"), "{said}");
    fs::write(dir.path().join("long.toml"), vec![b'#'; 2 << 20]).expect("written");
    assert!(refused(dir.path(), "long.toml").contains("longer than 1 MiB"));
    // A plan is no scenario.
    let said = refused(dir.path(), "plan.toml");
    assert!(said.contains("--> plan.toml:8:1\n") && said.contains("this is a plan"), "{said}");
}
