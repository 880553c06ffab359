//! Bad messages, modes, directories and withdrawals of a scenario: each is refused with one error,
//! its place and how to mend it, status 2, and nothing is written; and what stations refuse at run
//! time is told. What is asked for is common practice, no source; the limits are those of
//! specification sections 9 to 11.

mod common;

use common::{hopwright, stderr, stdout};
use std::fs;

const PLAN: &str = include_str!("../plans/larkfell-watch.toml");
/// Lines 1 to 14: what every case has.
const HEAD: &str = "[scenario]
name = \"bad\"
duration_s = 30
plan = \"plan.toml\"
[[station]]
name = \"control post\"
address = \"10\"
role = \"timekeeper\"
[[station]]
name = \"boat\"
address = \"4b\"
[[announce]]
at_s = 1
by = \"control post\"
";

/// Runs a scenario of that head and `tail`; the exit status, what it printed, and the error.
fn run(tail: &str, plan: &str) -> (Option<i32>, String, String) {
    let dir = tempfile::tempdir().expect("a directory");
    fs::write(dir.path().join("plan.toml"), plan).expect("written");
    fs::write(dir.path().join("s.toml"), format!("{HEAD}{tail}")).expect("written");
    let output = hopwright(dir.path(), &["run", "s.toml", "--out", "out"]);
    let wrote = dir.path().join("out").exists();
    assert_eq!(wrote, output.status.code() != Some(2), "a folder only for what ran");
    (output.status.code(), stdout(&output), stderr(&output))
}

#[track_caller]
fn bad(tail: &str, place: &str, words: &[&str]) {
    bad_with(tail, PLAN, place, words);
}

#[track_caller]
fn bad_with(tail: &str, plan: &str, place: &str, words: &[&str]) {
    let (status, out, said) = run(tail, plan);
    assert_eq!((status, out.as_str()), (Some(2), ""), "{said}");
    assert!(said.starts_with("error: ") && said.contains("\nhelp: "), "{said}");
    assert!(said.contains(&format!("--> s.toml:{place}\n")), "not at {place}:\n{said}");
    for word in words {
        assert!(said.contains(word), "no \"{word}\":\n{said}");
    }
}

#[test]
fn messages() {
    let message = |text: &str| {
        format!("[[message]]\nat_s = 5\nfrom = \"boat\"\nto = \"10\"\ntext = \"{text}\"\n")
    };
    assert_eq!(run(&message("ford closed"), PLAN).0, Some(0));
    bad(&message(""), "19:8", &["1 to ", "bytes, not 0", "say something"]);
    // 8 blocks of 97 rows of 24 bytes, less a tag (specification section 11).
    bad(&message(&"x".repeat(18_609)), "19:8", &["1 to 18608 bytes, not 18609", "in two"]);
    assert_eq!(run(&message(&"x".repeat(300)), PLAN).0, Some(0));
    bad(&message("a\\u0007b"), "19:8", &["cannot be printed"]);
    bad(&message("x").replace("boat", "baot"), "17:8", &["no station \"baot\"", "\"boat\"?"]);
    bad(&message("x").replace("\"10\"", "\"1\""), "18:6", &["\"1\" is no call target"]);
    bad(&message("x").replace("text =", "txt ="), "19:1", &["did you mean `text`?"]);
}

#[test]
fn modes() {
    let mode = |to: &str| format!("[[mode]]\nat_s = 5\nstation = \"boat\"\nto = \"{to}\"\n");
    for to in ["hopping", "single, sealed", "single, plain"] {
        assert_eq!(run(&mode(to), PLAN).0, Some(0), "{to}");
    }
    let never = ["hopping in the clear does not exist", "\"single, plain\""];
    bad(&mode("hopping, plain"), "18:6", &never);
    bad(&mode("hopping plain"), "18:6", &never);
    bad(&mode("single, plian"), "18:6", &["did you mean \"single, plain\"?"]);
    let bare = include_str!("../plans/larkfell.toml");
    bad_with(&mode("single, plain"), bare, "18:6", &["on the calling channel", "has none"]);
    assert_eq!(run(&mode("hopping"), bare).0, Some(0));
}

/// A plan says nothing of modes: hopping without sealing cannot even be written there.
#[test]
fn no_plan_hops_in_the_clear() {
    for (from, to) in [
        ("[net]\n", "[net]\nmode = \"plain\"\n"),
        ("[net]\n", "[net]\nsealed = false\n"),
        ("[slots]\n", "[slots]\nplain = true\n"),
    ] {
        assert!(PLAN.contains(from));
        let (status, _, said) = run("", &PLAN.replacen(from, to, 1));
        assert_eq!(status, Some(2), "{to}: {said}");
        assert!(said.contains("has no key `"), "{said}");
    }
}

#[test]
fn withdrawals() {
    let good = "[[withdraw]]\nat_s = 8\nby = \"control post\"\nstations = \"boat\"\n\
                change_after_s = 10\nevery_s = 5\n";
    assert_eq!(run(good, PLAN).0, Some(0));
    let bad_one = |from: &str, to: &str, place: &str, words: &[&str]| {
        assert!(good.contains(from));
        bad(&good.replacen(from, to, 1), place, words);
    };
    bad_one("by = \"control post\"", "by = \"boat\"", "17:6", &["is a member and sends no orders"]);
    bad_one("\"boat\"", "\"boat, raft\"", "18:12", &["no station \"raft\"", "commas"]);
    bad_one("\"boat\"", "\"boat, control post\"", "18:12", &["cannot withdraw itself"]);
    bad_one("every_s = 5", "every_s = 0.5", "20:11", &["takes seconds", "1 s or more"]);
    bad_one("at_s = 8", "at_s = 31", "16:8", &["outside the scenario"]);
    bad_one("stations = \"boat\"\n", "", "15:1", &["[[withdraw]] lacks `stations`"]);
    // An order is sent as a message: here none is as long.
    let tight = format!("{PLAN}\n[message]\nn = 3\nk = 1\n")
        .replace("[slots]", "[slots]\nlink_bps = 20_000");
    let long = ["the order has 232 bytes, and a message of this plan has up to 224", "raise `k`"];
    bad_with(good, &tight, "18:12", &long);
    // Whom the plan has withdrawn is left out of every later order, too: 14 nodes for two instead of 8 for one.
    let wider = tight.replace("link_bps = 20_000", "link_bps = 22_000");
    assert_eq!(run(good, &wider).0, Some(0));
    let before = wider.replacen("[raster]", "withdrawn = \"CB\"\n[raster]", 1);
    bad_with(good, &before, "18:12", &["the order has 340 bytes", "up to 256"]);
    // Without net time its sender cannot name a slot; that is found when it is due, and told.
    let (status, out, said) = run(&good.replacen("at_s = 8", "at_s = 0.5", 1), PLAN);
    assert_eq!((status, said.as_str()), (Some(0), ""));
    assert!(out.contains("    0.500 s  control post has no net time"), "{out}");
    assert!(out.contains("does not withdraw boat\n"), "{out}");
    // A plan with a key of its own and no root has no tree.
    let own: String = (0..32_u32).map(|i| format!("{:02x}", (i * 73 + 41) % 251)).collect();
    let line = PLAN.lines().find(|line| line.starts_with("key = ")).expect("a key");
    let plan = PLAN.replacen(line, &format!("key = \"{own}\""), 1);
    bad_with(good, &plan, "15:1", &["no root for its key tree", "`tree_key_file`"]);
}

/// Where there are relays every payload begins with a tag (specification section 11), and what does not fit
/// beside it is refused as it is read: 8 blocks of 30 rows less a tag are one thing, of 26 another.
#[test]
fn relays_take_room_from_texts() {
    let relays = "[[station]]\nname = \"up a\"\naddress = \"20\"\n\
                  [[station]]\nname = \"up b\"\naddress = \"20\"\nlane = 1\n\
                  [[relay]]\nname = \"bridge\"\na = \"up a\"\nb = \"up b\"\n";
    let plan = include_str!("../plans/larkfell-lanes.toml")
        .replace("[slots]", "[slots]\nlink_bps = 22_000")
        + "\n[message]\nn = 3\nk = 1\n";
    let message = |bytes: usize| {
        let text = "x".repeat(bytes);
        format!("[[message]]\nat_s = 20\nfrom = \"boat\"\nto = \"10\"\ntext = \"{text}\"\n")
    };
    let arrives = "[[expect]]\nmetric = \"messages.lost\"\nequals = 0\nsource = \"specification section 11\"\n";
    bad_with(&(message(225) + relays), &plan, "19:8", &["1 to 224 bytes, not 225", "in two"]);
    let (status, out, said) = run(&(message(224) + relays + arrives), &plan);
    assert_eq!((status, said.as_str()), (Some(0), ""), "{out}");
    assert_eq!(
        run(&(message(225) + arrives), &plan).0,
        Some(0),
        "without relays there is more room"
    );
    // A cover of 8 nodes, as above.
    let order = "[[withdraw]]\nat_s = 20\nby = \"control post\"\nstations = \"boat\"\n\
                 change_after_s = 5\n";
    let long = ["the order has 232 bytes", "a message of this plan has up to 224", "raise `k`"];
    bad_with(&format!("{order}{relays}"), &plan, "18:12", &long);
    assert_eq!(run(order, &plan).0, Some(0));
}

/// What is longer than the simulator's stations have room for would never come.
#[test]
fn texts_are_no_longer_than_an_inbox() {
    let plan = PLAN.replace("[slots]", "[slots]\nlink_bps = 120_000");
    let message = |bytes: usize| {
        let text = "x".repeat(bytes);
        format!("[[message]]\nat_s = 5\nfrom = \"boat\"\nto = \"10\"\ntext = \"{text}\"\n")
    };
    bad_with(&message(30_000), &plan, "19:8", &["bytes, not 30000", "in two"]);
}

#[test]
fn directories() {
    let over = "[[over]]\nat_s = 6\nfrom = \"boat\"\nto = \"10\"\ntalk_s = 1\n";
    let with = |calls: &str| {
        let station = format!("address = \"4b\"\ncalls = \"{calls}\"");
        HEAD.replacen("address = \"4b\"", &station, 1) + over
    };
    let run_whole = |text: String| {
        let dir = tempfile::tempdir().expect("a directory");
        fs::write(dir.path().join("plan.toml"), PLAN).expect("written");
        fs::write(dir.path().join("s.toml"), text).expect("written");
        let output = hopwright(dir.path(), &["run", "s.toml"]);
        (output.status.code(), stdout(&output), stderr(&output))
    };
    // A directory without the target: the station refuses, and the account says why.
    let (status, account, said) = run_whole(with("51, 60/4"));
    assert_eq!(status, Some(0), "{said}");
    let refused = "boat presses to speak and is refused: 10 is not in the directory";
    assert!(account.contains(refused), "{account}");
    let (_, account, _) = run_whole(with("10"));
    assert!(account.contains("boat to control post (10): 1 of 1 called"), "{account}");
    let (status, _, said) = run_whole(with("10, 4"));
    assert_eq!(status, Some(2));
    assert!(said.contains("--> s.toml:12:9\n") && said.contains("\"4\" is no call"), "{said}");
    let many: Vec<String> = (0x10..0x21).map(|a| format!("{a:02x}")).collect();
    let (status, _, said) = run_whole(with(&many.join(", ")));
    assert_eq!(status, Some(2));
    assert!(said.contains("a directory holds 16 targets, not 17"), "{said}");
    // What follows from the timetable has the same limit.
    let overs: String = (0x50..0x61)
        .map(|a| format!("[[over]]\nat_s = 6\nfrom = \"boat\"\nto = \"{a:02x}\"\ntalk_s = 1\n"))
        .collect();
    let (status, _, said) = run_whole(format!("{HEAD}{overs}"));
    assert_eq!(status, Some(2));
    assert!(said.contains("boat calls 17 targets to which it does not belong"), "{said}");
}
