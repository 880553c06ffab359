//! Every bad plan is refused with one error: what is wrong, where, how to mend it; status 2,
//! nothing on standard output, and no digit of the key anywhere.

mod common;

use common::{hopwright, stderr, stdout};
use std::fs;
use std::path::Path;

const KEY: &str = "8e2f71c4a9d05b36e17f28c39a4d60b51b6e92d7f4083ac5729e1d60b48f35aa";

/// A plan that works. Line 1 is `[net]`, line 4 `[raster]`, line 10 `[slots]`.
const GOOD: &str = "[net]
name = \"bad-plans\"
key = \"KEY\"
[raster]
base_hz = 902_100_000
spacing_hz = 200_000
count = 128
[hopset]
pick = \"all\"
[slots]
slot_us = 20_000
frame = 8
rendezvous = 16
window = 4
equal_use = true
";

/// Checks a plan that must be refused and returns what was said.
#[track_caller]
fn refused(dir: &Path, name: &str) -> String {
    let output = hopwright(dir, &["check", name, "--rules", "us-902"]);
    let said = stderr(&output);
    assert_eq!(output.status.code(), Some(2), "{name}: {said}");
    assert_eq!(stdout(&output), "", "{name}: {said}");
    assert!(said.starts_with("error: "), "{name}: {said}");
    assert!(said.lines().last().is_some_and(|line| line.starts_with("help: ")), "{name}: {said}");
    for part in KEY.as_bytes().windows(6).map(String::from_utf8_lossy) {
        assert!(!said.contains(&*part), "{name} shows the key: {said}");
    }
    said
}

/// Replaces `from` in the good plan by `to`, and expects an error at `place` that says `words`.
#[track_caller]
fn bad(from: &str, to: &str, place: &str, words: &[&str]) {
    assert!(GOOD.contains(from), "the test replaces nothing: {from}");
    let dir = tempfile::tempdir().expect("a directory");
    let text = GOOD.replacen(from, to, 1).replace("KEY", KEY);
    fs::write(dir.path().join("p.toml"), text).expect("written");
    let said = refused(dir.path(), "p.toml");
    assert!(said.contains(&format!("--> p.toml:{place}\n")), "not at {place}:\n{said}");
    for word in words {
        assert!(said.contains(word), "no \"{word}\":\n{said}");
    }
}

#[test]
fn the_good_plan_is_good() {
    let dir = tempfile::tempdir().expect("a directory");
    fs::write(dir.path().join("p.toml"), GOOD.replace("KEY", KEY)).expect("written");
    let output = hopwright(dir.path(), &["check", "p.toml"]);
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()));
}

#[test]
fn what_is_not_toml() {
    bad("count = 128", "count = = 128", "7:9", &["not TOML"]);
    bad("[raster]", "[raster", "4:8", &["not TOML"]);
    bad("count = 128", "count = 128\ncount = 129", "8:1", &["not TOML", "duplicate"]);
    bad("key = \"KEY\"", "key = \"KEY", "3:72", &["not TOML", "****"]);
    bad("key = \"KEY\"", "KEY", "3:65", &["not TOML", "****"]);
}

#[test]
fn keys_that_do_not_exist() {
    bad("count", "cuont", "7:1", &["[raster] has no key `cuont`", "did you mean `count`?"]);
    bad("[slots]", "[slot]", "10:2", &["has no key `slot`", "did you mean `slots`?"]);
    bad("frame = 8", "colour = 8", "12:1", &["has no key `colour`", "[slots] knows slot_us"]);
    bad("key = \"KEY\"", "KEY = 1", "3:1", &["has no key `****`"]);
    bad("[slots]", "[[exclude]]\nreason = \"x\"\n[slots]", "11:1", &["[[exclude]]", "from_hz"]);
}

#[test]
fn values_of_the_wrong_type() {
    bad("= 128", "= \"128\"", "7:9", &["must be a whole number, not a text"]);
    bad("= 128", "= 128.5", "7:9", &["not a number with a fraction"]);
    bad("= 128", "= \"KEY\"", "7:9", &["must be a whole number, not a text", "****"]);
    bad("= true", "= \"yes\"", "15:13", &["`equal_use` must be true or false"]);
    bad("\"bad-plans\"", "7", "2:8", &["`name` must be a text"]);
    bad("[net]\nname", "net = 3\n[other]\nname", "2:2", &["has no key `other`"]);
    bad("[slots]", "[[slots]]", "10:1", &["`slots` must be a table, not a list"]);
    bad("[slots]", "[exclude]\nchannel = 3\n[slots]", "10:1", &["[[exclude]]", "double brackets"]);
    bad("\"all\"", "\"keyd\"", "9:8", &["cannot be \"keyd\"", "did you mean \"keyed\"?"]);
}

/// Samples of a fixed channel that are too far apart are never in a row.
#[test]
fn channels_that_would_never_raise_an_alert() {
    let slots = "[slots]\nslot_us = 20_000\nframe = 8";
    let with = |key: &str, slot: &str, frame: &str| {
        format!("[fixed]\n{key} = 902_100_000\n[slots]\nslot_us = {slot}\nframe = {frame}")
    };
    let calling =
        ["`calling_hz` would never raise an alert", "a frame lasts 720 ms", "700 ms or less"];
    bad(slots, &with("calling_hz", "20_000", "36"), "11:14", &calling);
    let watch = ["`watch_hz` would never raise an alert", "a slot lasts 800 ms"];
    bad(slots, &with("watch_hz", "800_000", "8\nlink_bps = 4_800"), "11:12", &watch);
    // 35 slots are few enough: what is wrong then is something else.
    bad(slots, &with("calling_hz", "20_000", "35"), "17:13", &["equal_use"]);
}

#[test]
fn what_is_missing() {
    bad("count = 128\n", "", "4:1", &["[raster] lacks `count`", "count = 130"]);
    bad("name = \"bad-plans\"\n", "", "1:1", &["[net] lacks `name`"]);
    bad("key = \"KEY\"\n", "", "1:1", &["neither `key` nor `key_file`"]);
    let raster = "[raster]\nbase_hz = 902_100_000\nspacing_hz = 200_000\ncount = 128\n";
    bad(raster, "", "1:1", &["lacks the table [raster]", "base_hz"]);
}

#[test]
fn keys_that_are_no_keys() {
    bad("KEY", "KEYKEY", "3:7", &["128 characters", "64 hexadecimal digits"]);
    bad("\"KEY\"", &format!("\"{}\"", &KEY[..63]), "3:7", &["63 characters"]);
    bad("\"KEY\"", &format!("\"{}g{}\"", &KEY[..40], &KEY[41..]), "3:48", &["number 41"]);
    bad("\"KEY\"", &format!("\"{}é{}\"", &KEY[..40], &KEY[42..]), "3:48", &["number 41"]);
    bad("\"KEY\"", "\"\"\"\nKEY\n\"\"\"", "3:7", &["number 65"]);
    bad("[raster]", "key_file = \"x\"\n[raster]", "4:12", &["both `key` and `key_file`"]);
    let file = |to: &str, words: &[&str]| bad("key = \"KEY\"", to, "3:12", words);
    file("key_file = \"none.key\"", &["the key file: there is no such file"]);
    file("key_file = \".\"", &["the key file: this is a directory"]);
    file("key_file = \"p.toml\"", &["the key file: has a character"]);
}

#[test]
fn rasters_that_cannot_be() {
    bad("= 128", "= 4097", "7:9", &["`count` must be 1 to 4096, not 4097"]);
    bad("= 128", "= 0", "7:9", &["`count` must be 1 to 4096, not 0"]);
    bad("= 128", "= -1", "7:9", &["not -1"]);
    bad("= 128", "= 3", "7:9", &["3 channels are left, and a hopset needs 4", "[raster]"]);
    bad("= 200_000", "= 0", "6:14", &["`spacing_hz` must be 1 to"]);
    bad("= 902_100_000", "= 99_999", "5:11", &["below 0 Hz"]);
    bad("= 902_100_000", "= 9223372036854775807", "5:11", &["`base_hz` must be"]);
}

#[test]
fn exclusions_and_ranges_that_cannot_be() {
    let add = |entry: &str, place: &str, words: &[&str]| {
        bad("[slots]", &format!("[[exclude]]\n{entry}\n[slots]"), place, words);
    };
    add("from_hz = 915_400_000\nto_hz = 915_000_000", "12:9", &["reversed", "lower end first"]);
    add("from_hz = 100\nto_hz = 200", "11:11", &["outside the raster", "902000000 to 927600000"]);
    add("channel = 128", "11:11", &["`channel` must be 0 to 127", "channels 0 to 127"]);
    add("from_channel = 9\nto_channel = 3", "12:14", &["reversed"]);
    add("from_channel = 9", "10:1", &["lacks `to_channel`"]);
    add("why = \"x\"", "10:1", &["names no channels", "from_hz"]);
    add("channel = 1\nfrom_hz = 3", "10:1", &["in two ways"]);
    add("from_channel = 0\nto_channel = 125", "10:1", &["2 channels are left", "[[exclude]]"]);
    add("from_channel = 0\nto_channel = 127", "10:1", &["no channel is left"]);
    let range = "pick = \"all\"\nranges = [{ from_hz = 2, to_hz = 1 }]";
    bad("pick = \"all\"", range, "10:34", &["reversed"]);
    let range = "pick = \"all\"\nranges = [{ from_channel = 2, to_channel = 4 }]";
    bad("pick = \"all\"", range, "10:10", &["3 channels are left", "widen `ranges`"]);
    // An exclusion that takes nothing of them is not to blame, wherever it stands.
    let beside = format!("{range}\n[[exclude]]\nchannel = 100");
    bad("pick = \"all\"", &beside, "10:10", &["3 channels are left", "widen `ranges`"]);
    bad("pick = \"all\"", "ranges = []", "9:10", &["no channel is left"]);
}

/// Words are told as they are written: some of other inputs have commas in them.
#[test]
fn words_are_told_in_quotes() {
    bad(
        "pick = \"all\"",
        "pick = \"x\"",
        "9:8",
        &["use one of \"all\", \"keyed\", \"even\", \"listed\""],
    );
}

/// A good input of one command, given to another, is told what it is and who takes it.
#[test]
fn inputs_of_other_commands_are_told_apart() {
    let dir = tempfile::tempdir().expect("a directory");
    let path = dir.path();
    fs::write(path.join("plan.toml"), GOOD.replace("KEY", KEY)).expect("written");
    let scenario = include_str!("../scenarios/larkfell-morning.toml");
    fs::write(path.join("scenario.toml"), scenario).expect("written");
    let sweep = include_str!("../sweeps/rendezvous.toml");
    fs::write(path.join("sweep.toml"), sweep).expect("written");
    for (command, file, words) in [
        ("run", "plan.toml", "`hopwright check` takes a plan"),
        ("sweep", "plan.toml", "`hopwright check` takes a plan"),
        ("check", "scenario.toml", "`hopwright run` takes a scenario"),
        ("run", "sweep.toml", "`hopwright sweep` takes a sweep"),
        ("inspect", "plan.toml", "this is a text, and no configuration is one"),
        ("inspect", "plan.toml", "`hopwright check` looks at a plan"),
    ] {
        let output = hopwright(path, &[command, file]);
        let said = stderr(&output);
        assert_eq!(output.status.code(), Some(2), "{command} {file}: {said}");
        assert!(said.contains(words), "{command} {file}: {said}");
    }
}

/// A number on the command line that is none, or is out of range, is told the range. (A number below 0 is
/// no option that nobody knows.)
#[test]
fn numbers_on_the_command_line_are_told_their_range() {
    let here = Path::new(".");
    for (arguments, range) in [
        (&["soak", "--seed", "x"][..], "a whole number from 0 to 18446744073709551615"),
        (&["trials", "entry", "--trials", "-3"], "a whole number from 1 to 10000000"),
        (&["trials", "entry", "--trials", "0"], "a whole number from 1 to 10000000"),
        (&["sweep", "s.toml", "--seed", "9223372036854775808"], "from 0 to 9223372036854775807"),
        (&["hostile", "--jobs", "1e3"], "a whole number from 1 to 1024"),
        (&["trials", "entry", "--jammed", "-0.1"], "-0.1 is not within 0 to 0.95"),
        (&["watch", "--speed", "fast"], "`fast` is no number"),
    ] {
        let output = hopwright(here, arguments);
        let said = stderr(&output);
        assert_eq!((output.status.code(), stdout(&output).as_str()), (Some(2), ""), "{said}");
        assert!(said.contains(range), "{arguments:?}: {said}");
        assert!(!said.contains("tip:"), "{arguments:?}: {said}");
    }
}

#[test]
fn hopsets_that_cannot_be() {
    let pick = |to: &str, place: &str, words: &[&str]| bad("pick = \"all\"", to, place, words);
    pick("pick = \"keyed\"", "8:1", &["[hopset] lacks `channels`"]);
    pick("pick = \"keyed\"\nchannels = 129", "10:12", &["asks for 129", "128 channels are left"]);
    pick("channels = 64", "9:12", &["counts only with pick"]);
    pick("list = [1]", "9:8", &["counts only with pick"]);
    let listed = |to: &str, place: &str, words: &[&str]| {
        pick(&format!("pick = \"listed\"\n{to}"), place, words);
    };
    listed("", "8:1", &["lacks `list`"]);
    listed("list = [1, 2]", "10:8", &["2 channels are left", "[hopset]"]);
    listed("list = [1, 2, 3, 500]", "10:18", &["must be 0 to 127, not 500"]);
    listed("list = [7, 2, 3, 7]", "10:18", &["channel 7 is listed twice"]);
    let excluded = "list = [1, 2, 3, 9]\n[[exclude]]\nchannel = 9";
    listed(excluded, "10:18", &["channel 9 is listed and excluded"]);
    let lanes = "list = [1, 2, 3, 9]\n[lanes]\nkind = \"disjoint\"";
    listed(lanes, "9:8", &["disjoint lanes"]);
}

#[test]
fn structures_that_do_not_fit() {
    bad(
        "rendezvous = 16\nwindow = 4",
        "rendezvous = 15\nwindow = 4",
        "14:10",
        &["`window` = 4 does not divide `rendezvous` = 15", "1, 3, 5, 15"],
    );
    bad("window = 4\n", "window = 5\n", "14:10", &["1, 2, 4, 8, 16"]);
    bad(
        "= 128",
        "= 126",
        "15:13",
        &[
            "N = 126",
            "r = 16",
            "m = 8",
            "make 128",
            "`rendezvous` = 18, `frame` = 7 and `window` = 3",
            "`equal_use` = false",
        ],
    );
    bad("= 128", "= 130", "15:13", &["pick = \"keyed\" and `channels` = 128"]);
    bad("= 128", "= 12", "13:14", &["more than the hopset has: 12"]);
    bad("frame = 8", "frame = 1", "12:9", &["`frame` must be 2 to 64, not 1"]);
    bad("= 16", "= 65", "13:14", &["`rendezvous` must be 1 to 64"]);
    bad("window = 4", "window = 0", "14:10", &["`window` must be 1 to 64"]);
}

#[test]
fn slots_that_are_too_short_or_too_long() {
    bad("= 20_000", "= 7_000", "11:11", &["250 bits", "296", "7920", "59200"]);
    bad("= 20_000", "= 2_000", "11:11", &["take 2000 us of a slot of 2000 us", "7920"]);
    bad("= 20_000", "= 999", "11:11", &["must be 1000 to 1000000"]);
    bad("= 20_000", "= 500_000", "11:11", &["24868 bits", "4096"]);
    bad("slot_us = 20_000", "link_bps = 9_600", "11:12", &["172 bits", "`link_bps` = 16445"]);
    bad("slot_us = 20_000", "guard_us = 0", "11:12", &["`guard_us` must be 1 to"]);
}

/// What the core makes no station of is no plan, whoever reads it (`ConfigError::Guard` of the core: the
/// guard is longer than twice jitter and wander and the longest delay). Jitter is 20 us here, and 30 km
/// at 299.792458 m/us are 101 us.
#[test]
fn a_guard_that_covers_too_little() {
    let dir = tempfile::tempdir().expect("a directory");
    let shipped = include_str!("../plans/larkfell.toml");
    let plan = |from: &str, to: &str| {
        assert!(shipped.contains(from));
        fs::write(dir.path().join("p.toml"), shipped.replace(from, to)).expect("written");
    };
    let scenario = include_str!("../scenarios/larkfell-morning.toml");
    let scenario = scenario.replace("../plans/larkfell.toml", "p.toml");
    fs::write(dir.path().join("s.toml"), scenario).expect("written");
    plan("range_m = 30_000", "range_m = 30_000\nwander_us = 200");
    let provision = ["provision", "p.toml", "--training", "--out", "out"];
    for args in [&["check", "p.toml"][..], &provision, &["run", "s.toml"]] {
        let output = hopwright(dir.path(), args);
        let said = stderr(&output);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()), "{said}");
        assert!(said.contains("p.toml:21:12\n"), "{args:?}: {said}");
        for words in ["`guard_us` = 500", "541 us (twice 20 us and 200 us, and 101 us for 30000 m)"]
        {
            assert!(said.contains(words), "{args:?}: {said}");
        }
        assert!(said.contains("help: use `guard_us` = 542 or more"), "{args:?}: {said}");
    }
    // Where the plan does not speak of the guard, it is shown what it says of clocks.
    bad("[slots]", "[clock]\nrange_m = 200_000\n[slots]", "11:11", &["`guard_us` = 500", "708 us"]);
    plan("guard_us = 500", "guard_us = 141");
    assert!(refused(dir.path(), "p.toml").contains("`guard_us` = 142 or more"));
    plan("guard_us = 500", "guard_us = 142");
    let output = hopwright(dir.path(), &["check", "p.toml"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains("141 us (twice 20 us and 0 us"), "{}", stdout(&output));
    assert_eq!(hopwright(dir.path(), &["run", "s.toml"]).status.code(), Some(0));
}

#[test]
fn lanes_and_the_rest() {
    let add = |entry: &str, place: &str, words: &[&str]| {
        bad("[slots]", &format!("{entry}\n[slots]"), place, words);
    };
    add("[lanes]\nwidth = 65", "11:9", &["`width` must be 1 to 64, not 65"]);
    add("[lanes]\ncount = 0", "11:9", &["`count` must be 1 to 32, not 0"]);
    add("[lanes]\ncount = 33", "11:9", &["`count` must be 1 to 32, not 33"]);
    add("[lanes]\nkind = \"space\"", "11:8", &["did you mean \"spaced\"?"]);
    add("[lanes]\nwidth = 64\ncount = 8", "12:9", &["lane 0", "hopset needs 4", "[lanes]"]);
    add("[lanes]\n", "15:14", &["more than the hopset of lane 0 has: 14"]);
    add("[clock]\ntolerance_ppb = 500_001", "11:17", &["0 to 500000"]);
    add("[announce]\nslots = 2001", "11:9", &["1 to 2000, not 2001"]);
    add("[energy]\nthreshold_dbm = -9999", "11:17", &["-200 to 50"]);
    add("[message]\nn = 256", "11:5", &["`n` must be 2 to 255, not 256"]);
    add("[message]\nk = 0", "11:5", &["`k` must be 1 to 254, not 0"]);
    add("[message]\nk = 64", "11:5", &["not below `n` = 64", "`k` = 63 or less"]);
    add("[message]\nn = 24", "11:5", &["`k` = 24 is not below `n` = 24", "raise `n`"]);
    add("[message]\nm = 24", "11:1", &["m"]);
    add("[energy]\nthreshold = -95", "11:1", &["did you mean `threshold_dbm`?"]);
}

#[test]
fn files_that_are_no_plans() {
    let dir = tempfile::tempdir().expect("a directory");
    let said = refused(dir.path(), "none.toml");
    assert!(said.contains("no such file") && said.contains("--> none.toml\n"), "{said}");
    fs::create_dir(dir.path().join("sub")).expect("made");
    assert!(refused(dir.path(), "sub").contains("this is a directory"));
    for empty in ["", "\n \n"] {
        fs::write(dir.path().join("empty.toml"), empty).expect("written");
        let said = refused(dir.path(), "empty.toml");
        assert!(said.contains("empty") && said.contains("--> empty.toml:1:1\n"), "{said}");
    }
    fs::write(dir.path().join("latin.toml"), b"[net]\nname = \"M\xfcnster\"\n").expect("written");
    let said = refused(dir.path(), "latin.toml");
    assert!(said.contains("byte 15") && said.contains("--> latin.toml:2:10\n"), "{said}");
    fs::write(dir.path().join("long.toml"), vec![b'#'; 2 << 20]).expect("written");
    assert!(refused(dir.path(), "long.toml").contains("longer than 1 MiB"));
}

#[test]
fn usage_errors_have_status_2_too() {
    let dir = tempfile::tempdir().expect("a directory");
    for args in
        [&["check"][..], &["chekc", "x"], &["check", "x", "--rules", "fcc"], &["run", "--seed"]]
    {
        let output = hopwright(dir.path(), args);
        assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()), "{args:?}");
    }
}
