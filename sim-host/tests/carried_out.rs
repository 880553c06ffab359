//! What is measured and told is what stations did, not what the timetable asked of them: refused
//! entries, sets without power, overs that end early, what a loss of power leaves. Requirements are
//! those of `docs/scenarios.md` where a test names no other.

use hopwright_sim::plan::Plan;
use hopwright_sim::run::{Run, write_account};
use hopwright_sim::scenario::{Scenario, built_in_plan};
use hopwright_sim::traces::{Span, State, states};
use hopwright_sim::world::Detail;
use std::fmt::Write as _;
use std::path::Path;

/// A control post, a boat half a kilometre from it, a team a little farther.
const NET: &str = "[[station]]\nname = \"post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
    [[station]]\nname = \"boat\"\naddress = \"40\"\nx_m = 500\n\
    [[station]]\nname = \"team\"\naddress = \"50\"\nx_m = 700\n";

fn head(seconds: u32) -> String {
    format!("[scenario]\nname = \"s\"\nduration_s = {seconds}\nplan = \"\"\n")
}

/// A table with numbers as they are and everything else in quotes.
fn table(out: &mut String, name: &str, keys: &[(&str, &str)]) {
    let _ = writeln!(out, "[[{name}]]");
    for (key, value) in keys {
        let _ = match value.parse::<f64>() {
            Ok(_) if !matches!(*key, "address" | "to" | "text") => writeln!(out, "{key} = {value}"),
            _ => writeln!(out, "{key} = \"{value}\""),
        };
    }
}

/// A scenario of the net, with what happens in it; each entry a table's name and its keys.
fn text(seconds: u32, stations: &str, entries: &[(&str, &[(&str, &str)])]) -> String {
    let mut text = head(seconds) + stations;
    entries.iter().for_each(|(name, keys)| table(&mut text, name, keys));
    text
}

#[track_caller]
fn ran(plan: Plan, text: &str) -> Run {
    let scenario = Scenario::parse("s", text, plan).unwrap_or_else(|e| panic!("{e}\n{text}"));
    Run::new(scenario, None, Detail::Totals, None).unwrap()
}

/// Runs under the built-in plan.
#[track_caller]
fn run(text: &str) -> Run {
    ran(built_in_plan().unwrap(), text)
}

/// Runs under another plan of the exercise.
#[track_caller]
fn run_with(plan: &str, text: &str) -> Run {
    ran(Plan::load(&Path::new("plans").join(plan)).unwrap(), text)
}

#[track_caller]
fn value(run: &Run, metric: &str) -> f64 {
    run.measured.get(metric).unwrap_or_else(|| panic!("no {metric}")).value
}

fn account(run: &Run) -> String {
    let mut out = Vec::new();
    write_account(&mut out, run).unwrap();
    String::from_utf8(out).unwrap()
}

#[track_caller]
fn told(run: &Run, lines: &[&str]) {
    let account = account(run);
    for line in lines {
        assert!(account.contains(line), "no \"{line}\":\n{account}");
    }
}

const ANNOUNCE: (&str, &[(&str, &str)]) = ("announce", &[("at_s", "1"), ("by", "post")]);

/// A station that refused to leave the net is in it, and missed if it is not called.
#[test]
fn a_mode_that_was_refused_is_none() {
    let far = text(
        60,
        NET,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "8"), ("from", "team"), ("to", "all"), ("talk_s", "5")]),
            ("mode", &[("at_s", "10"), ("station", "team"), ("to", "single, plain")]),
            ("move", &[("station", "team"), ("at_s", "20"), ("to_x_m", "900000"), ("to_y_m", "0")]),
            ("over", &[("at_s", "30"), ("from", "boat"), ("to", "all"), ("talk_s", "5")]),
        ],
    ) + "[propagation]\nhorizon_m = 40_000\n";
    let run = run_with("larkfell-watch.toml", &far);
    assert_eq!(value(&run, "calls.missed"), 1.0, "{}", account(&run));
    told(&run, &["team is told to change its mode and refuses: already speaking"]);
}

/// A power cycle brings a station back to hopping: a call that does not reach it then is missed.
#[test]
fn a_power_cycle_ends_a_mode() {
    let far = text(
        60,
        NET,
        &[
            ANNOUNCE,
            ("mode", &[("at_s", "10"), ("station", "team"), ("to", "single, plain")]),
            ("power", &[("at_s", "12"), ("station", "team"), ("becomes", "off")]),
            ("power", &[("at_s", "13"), ("station", "team"), ("becomes", "on")]),
            ("over", &[("at_s", "14"), ("from", "post"), ("to", "all"), ("talk_s", "4")]),
            ("move", &[("station", "team"), ("at_s", "20"), ("to_x_m", "900000"), ("to_y_m", "0")]),
            ("over", &[("at_s", "30"), ("from", "boat"), ("to", "all"), ("talk_s", "5")]),
        ],
    ) + "[propagation]\nhorizon_m = 40_000\n";
    let run = run_with("larkfell-watch.toml", &far);
    assert_eq!(value(&run, "calls.missed"), 1.0, "{}", account(&run));
}

/// The first announce is the first that was made, in whatever order they are written down.
#[test]
fn announces_count_when_they_were_made() {
    let deputy = "[[station]]\nname = \"deputy\"\naddress = \"11\"\nrole = \"deputy\"\nx_m = 900\n";
    let stations = NET.to_owned() + deputy;
    let refused: &[(&str, &[(&str, &str)])] = &[
        ("announce", &[("at_s", "1"), ("by", "deputy")]),
        ("announce", &[("at_s", "20"), ("by", "post")]),
    ];
    let reversed: &[(&str, &[(&str, &str)])] = &[
        ("announce", &[("at_s", "30"), ("by", "post")]),
        ("announce", &[("at_s", "2"), ("by", "post")]),
    ];
    for entries in [refused, reversed] {
        let run = run(&text(40, &stations, entries));
        assert_eq!(value(&run, "announce.in_step"), 4.0, "{}", account(&run));
        assert!(value(&run, "announce.worst_s") < 1.0, "{}", account(&run));
        told(&run, &["3 stations that had no time are in step, "]);
    }
    // Who was refused has started no timeline, and cannot be missed on one that it never joined.
    let far = deputy.replace("900", "20_000");
    let stations = NET.to_owned() + &far + "[propagation]\nhorizon_m = 10_000\n";
    let over: &[(&str, &str)] = &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "3")];
    let entries = [ANNOUNCE, ("announce", &[("at_s", "5"), ("by", "deputy")]), ("over", over)];
    let run = run(&text(40, &stations, &entries));
    assert_eq!(value(&run, "calls.missed"), 0.0, "{}", account(&run));
}

/// What a set without power is told is told as such, and is no announce, mode or over.
#[test]
fn a_set_without_power_does_nothing() {
    let run = run_with(
        "larkfell-watch.toml",
        &text(
            60,
            NET,
            &[
                ("power", &[("at_s", "2"), ("station", "post"), ("becomes", "off")]),
                ("announce", &[("at_s", "5"), ("by", "post")]),
                ("mode", &[("at_s", "6"), ("station", "post"), ("to", "single, plain")]),
                ("over", &[("at_s", "7"), ("from", "post"), ("to", "all"), ("talk_s", "2")]),
                ("power", &[("at_s", "20"), ("station", "post"), ("becomes", "on")]),
                ("announce", &[("at_s", "25"), ("by", "post")]),
                ("over", &[("at_s", "40"), ("from", "boat"), ("to", "all"), ("talk_s", "3")]),
            ],
        ),
    );
    told(
        &run,
        &[
            "5.000 s  post is told to announce and has no power\n",
            "6.000 s  post is told to change its mode and has no power\n",
            "7.000 s  post presses to speak and is refused: it has no power\n",
            "25.000 s  post announces\n",
            "boat to all stations: 2 of 2 called, ",
        ],
    );
    assert!(value(&run, "announce.worst_s") < 1.0);
}

/// A station does nothing before it is switched on, and is not told to.
#[test]
fn nobody_is_told_anything_before_being_switched_on() {
    let late = NET.replace("x_m = 700", "x_m = 700\non_s = 30\nrole = \"deputy\"");
    let over: &[(&str, &str)] =
        &[("at_s", "29.9"), ("from", "team"), ("to", "all"), ("talk_s", "2")];
    let message: &[(&str, &str)] = &[("at_s", "3"), ("from", "team"), ("to", "all"), ("text", "x")];
    let withdraw: &[(&str, &str)] = &[("at_s", "3"), ("by", "team"), ("stations", "boat")];
    let early = [
        ("over", over),
        ("message", message),
        ("withdraw", withdraw),
        ("announce", &[("at_s", "3"), ("by", "team")][..]),
        ("mode", &[("at_s", "3"), ("station", "team"), ("to", "hopping")][..]),
    ];
    for entry in early {
        let text = text(60, &late, &[ANNOUNCE, entry]);
        let error = Scenario::parse("s.toml", &text, built_in_plan().unwrap()).unwrap_err();
        let said = error.to_string();
        assert!(said.contains("\"team\" has not been switched on by then"), "{said}");
        assert!(
            said.contains("s.toml:") && said.contains("use a time from its `on_s` on"),
            "{said}"
        );
    }
    // At that very time it may.
    let at_once: &[(&str, &str)] =
        &[("at_s", "30"), ("from", "team"), ("to", "all"), ("talk_s", "2")];
    let run = run(&text(60, &late, &[ANNOUNCE, ("over", at_once)]));
    let trace = run.world.trace();
    assert_eq!(trace.overs.len(), 1);
    assert!(trace.events.iter().all(|event| event.node != 2 || event.at_us >= 30_000_000));
}

/// Silence lasts from the end of what was said.
#[test]
fn a_long_over_is_no_silence() {
    let run = run(&text(
        300,
        NET,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "200")]),
            ("over", &[("at_s", "213"), ("from", "post"), ("to", "all"), ("talk_s", "3")]),
        ],
    ));
    let longest = value(&run, "silence.longest_s");
    // From the end of the announce, 3.52 s long, to the first over.
    assert!((5.4..5.6).contains(&longest), "{longest}");
}

/// Each net has its own silence; who speaks first needs nobody to meet; opponents and other nets end none.
#[test]
fn silence_is_a_nets_own() {
    let ridge = "[[station]]\nname = \"hut\"\naddress = \"10\"\nlane = 1\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"saddle\"\naddress = \"40\"\nlane = 1\nx_m = 800\n";
    let run_of_two = run_with(
        "larkfell-lanes.toml",
        &text(
            4_000,
            &(NET.to_owned() + ridge),
            &[
                ANNOUNCE,
                ("announce", &[("at_s", "1"), ("by", "hut")]),
                ("over", &[("at_s", "3600"), ("from", "post"), ("to", "all"), ("talk_s", "2")]),
                ("over", &[("at_s", "3900"), ("from", "hut"), ("to", "all"), ("talk_s", "2")]),
            ],
        ),
    );
    assert!(value(&run_of_two, "silence.longest_s") > 3_890.0);
    assert!(value(&run_of_two, "silence.met_s") < 1.0);
    told(&run_of_two, &[" on lane 0 for 0 h 59 min", " on lane 1 for 1 h 4 min"]);
    let replay: &[(&str, &str)] = &[
        ("name", "van"),
        ("behaviour", "replay"),
        ("listen_from_s", "0"),
        ("listen_to_s", "10"),
        ("play_s", "7000"),
        ("above_wanted_db", "0"),
    ];
    let again: &[(&str, &str)] = &[("at_s", "14500"), ("by", "post")];
    let over: &[(&str, &str)] =
        &[("at_s", "14520"), ("from", "boat"), ("to", "all"), ("talk_s", "2")];
    let entries = [ANNOUNCE, ("adversary", replay), ("announce", again), ("over", over)];
    let run = run(&text(14_600, NET, &entries));
    assert!(value(&run, "silence.longest_s") > 14_490.0);
    // Neither does who speaks apart from the net.
    let apart: &[(&str, &[(&str, &str)])] = &[
        ANNOUNCE,
        ("mode", &[("at_s", "10"), ("station", "team"), ("to", "single, plain")]),
        ("over", &[("at_s", "500"), ("from", "team"), ("to", "all"), ("talk_s", "2")]),
        ("over", &[("at_s", "900"), ("from", "post"), ("to", "all"), ("talk_s", "2")]),
    ];
    let beside = run_with("larkfell-watch.toml", &text(910, NET, apart));
    assert!(value(&beside, "silence.longest_s") > 890.0);
    // The post, which announces, would meet its own net with the over only, 20 s later.
    assert!(value(&run, "silence.met_s") < 1.0, "{}", value(&run, "silence.met_s"));
}

/// The answer begins with its own first slot, not with what was on the air when it was pressed for.
#[test]
fn an_answer_begins_when_it_is_on_the_air() {
    let stations = NET.replace("x_m = 700", "x_m = 700\non_s = 20");
    let answered = text(
        120,
        &stations,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "22"), ("from", "team"), ("to", "all"), ("talk_s", "2")]),
            ("over", &[("at_s", "31"), ("from", "post"), ("to", "all"), ("talk_s", "4")]),
            ("over", &[("at_s", "100"), ("from", "boat"), ("to", "all"), ("talk_s", "2")]),
        ],
    );
    for seed in 1..=4 {
        let mut scenario = Scenario::parse("s", &answered, built_in_plan().unwrap()).unwrap();
        scenario.reseed(seed);
        let run = Run::new(scenario, None, Detail::Totals, None).unwrap();
        let answered = value(&run, "cut_in.answered_s");
        assert!(answered > 0.0 && answered < 60.0, "seed {seed}: {answered}");
    }
}

/// The first cut-in is answered by another station of its own net, in the net's time.
#[test]
fn an_answer_is_one_of_the_net() {
    let late = "[[station]]\nname = \"late\"\naddress = \"61\"\nx_m = 300\non_s = 15\n";
    let apart = "[[station]]\nname = \"apart\"\naddress = \"60\"\nx_m = 300\n";
    let ridge = "[[station]]\nname = \"hut\"\naddress = \"10\"\nlane = 1\nrole = \"timekeeper\"\n";
    let cut_in: &[(&str, &str)] =
        &[("at_s", "20"), ("from", "late"), ("to", "all"), ("talk_s", "2")];
    let answer: &[(&str, &str)] =
        &[("at_s", "50"), ("from", "post"), ("to", "all"), ("talk_s", "5")];
    let between = |from| [("at_s", "32"), ("from", from), ("to", "all"), ("talk_s", "5")];
    let calling: &[(&str, &str)] = &[("at_s", "10"), ("station", "apart"), ("to", "single, plain")];
    let own: &[(&str, &[(&str, &str)])] = &[
        ANNOUNCE,
        ("mode", calling),
        ("over", cut_in),
        ("over", &between("apart")),
        ("over", answer),
    ];
    let on_calling = run_with("larkfell-watch.toml", &text(80, &[NET, late, apart].concat(), own));
    let hut: &[(&str, &str)] = &[("at_s", "1"), ("by", "hut")];
    let other: &[(&str, &[(&str, &str)])] = &[
        ANNOUNCE,
        ("announce", hut),
        ("over", cut_in),
        ("over", &between("hut")),
        ("over", answer),
    ];
    let of_the_ridge =
        run_with("larkfell-lanes.toml", &text(80, &[NET, late, ridge].concat(), other));
    let again: &[(&str, &[(&str, &str)])] =
        &[ANNOUNCE, ("over", cut_in), ("over", &between("late")), ("over", answer)];
    let of_his_own = run(&text(80, &[NET, late].concat(), again));
    for run in [on_calling, of_the_ridge, of_his_own] {
        let answered = value(&run, "cut_in.answered_s");
        assert!(answered > 0.0 && answered < 2.0, "{answered}: {}", account(&run));
    }
}

/// A set that takes another's place has nothing of a message that began before.
#[test]
fn a_loss_of_power_takes_half_a_message_along() {
    // 448 slots at 24 of 64; the last block but one ends while the new set is there.
    let long = "x".repeat(15_000);
    let message: &[(&str, &str)] =
        &[("at_s", "10"), ("from", "post"), ("to", "all"), ("text", &long)];
    let new_set: &[(&str, &str)] =
        &[("at_s", "13.9"), ("station", "boat"), ("becomes", "on, new set")];
    let mut whole = 0;
    for seed in 1..=6 {
        let text = text(40, NET, &[ANNOUNCE, ("message", message), ("power", new_set)]);
        let mut scenario = Scenario::parse("s", &text, built_in_plan().unwrap()).unwrap();
        scenario.reseed(seed);
        let run = Run::new(scenario, None, Detail::Totals, None).unwrap();
        let came = &run.world.trace().delivered;
        assert!(came.iter().all(|delivered| delivered.node != 1), "seed {seed}");
        whole += came.iter().filter(|delivered| delivered.node == 2).count();
    }
    assert_eq!(whole, 6, "the team's set has had power all the time");
}

/// A set whose storage is lost has no stored keys and no stored order.
#[test]
fn lost_storage_has_no_keys() {
    let change = |becomes: &str| {
        run(&text(
            90,
            NET,
            &[
                ANNOUNCE,
                (
                    "withdraw",
                    &[
                        ("at_s", "10"),
                        ("by", "post"),
                        ("stations", "team"),
                        ("change_after_s", "20"),
                        ("until_s", "40"),
                    ],
                ),
                ("power", &[("at_s", "60"), ("station", "boat"), ("becomes", becomes)]),
                // And no more the next time.
                ("power", &[("at_s", "70"), ("station", "boat"), ("becomes", "on")]),
            ],
        ))
    };
    assert!(change("on").world.has_net_key(1));
    for becomes in ["on, storage lost", "on, new set"] {
        assert!(!change(becomes).world.has_net_key(1), "{becomes}");
    }
}

/// Whom the plan has withdrawn is left out of the order that is made, not of its length alone: 14 nodes cover
/// everybody but two of these, and 8 everybody but one (specification section 10).
#[test]
fn whom_the_plan_has_withdrawn_stays_out() {
    let withdraw: &[(&str, &str)] =
        &[("at_s", "10"), ("by", "post"), ("stations", "team"), ("change_after_s", "20")];
    let text = text(40, NET, &[ANNOUNCE, ("withdraw", withdraw)]);
    for (before, cover) in [("", 8), ("withdrawn = \"CB\"\n", 14)] {
        let plan = include_str!("../plans/larkfell.toml");
        let plan = plan.replacen("[raster]", &format!("{before}[raster]"), 1);
        let run = ran(Plan::parse("plan.toml", &plan, Path::new("")).unwrap(), &text);
        let made: Vec<usize> = run.world.trace().changes.iter().map(|made| made.cover).collect();
        assert_eq!(made, [cover]);
    }
}

/// The net's key is that of the last change, also where the net's timekeeper was withdrawn.
#[test]
fn a_withdrawn_timekeeper_has_not_the_nets_key() {
    let deputy = "[[station]]\nname = \"deputy\"\naddress = \"11\"\nrole = \"deputy\"\nx_m = 900\n";
    let mut text = text(
        150,
        &(NET.to_owned() + deputy),
        &[
            ANNOUNCE,
            (
                "withdraw",
                &[("at_s", "20"), ("by", "deputy"), ("stations", "post"), ("change_after_s", "40")],
            ),
            ("over", &[("at_s", "130"), ("from", "boat"), ("to", "all"), ("talk_s", "4")]),
        ],
    );
    text += "[[expect]]\nmetric = \"withdrawn.foretold_share\"\nfrom_model = \"chance\"\nsource = \"x\"\n";
    let run = run(&text);
    assert_eq!(value(&run, "stations.in_step"), 3.0, "{}", account(&run));
    assert!(run.checks[0].pass, "{}", account(&run));
    assert_eq!([0, 1, 2, 3].map(|node| run.world.has_net_key(node)), [false, true, true, true]);
}

const DEPUTY: &str =
    "[[station]]\nname = \"deputy\"\naddress = \"11\"\nrole = \"deputy\"\nx_m = 900\n";
const LOST: &str = "[[station]]\nname = \"lost\"\naddress = \"51\"\nx_m = 800\n";
const WITHDRAW: &[(&str, &str)] =
    &[("at_s", "20"), ("by", "deputy"), ("stations", "lost"), ("change_after_s", "40")];

/// A change is in use when the net has gone over, whatever has become of the sender of the order.
#[test]
fn a_change_outlives_the_sender_of_its_order() {
    let run = run(&text(
        150,
        &[NET, DEPUTY, LOST].concat(),
        &[
            ANNOUNCE,
            ("withdraw", WITHDRAW),
            ("power", &[("at_s", "55"), ("station", "deputy"), ("becomes", "off")]),
            ("over", &[("at_s", "100"), ("from", "post"), ("to", "all"), ("talk_s", "3")]),
        ],
    ));
    let due = run.world.trace().changes[0].in_use_us.unwrap();
    assert!((59_000_000..61_000_000).contains(&due), "{due}");
    assert_eq!(value(&run, "stations.in_step"), 3.0, "{}", account(&run));
    assert_eq!(value(&run, "calls.missed"), 0.0, "{}", account(&run));
    assert_eq!(value(&run, "change.followed"), 3.0, "{}", account(&run));
    let keys = [0, 1, 2, 3, 4].map(|node| run.world.has_net_key(node));
    assert_eq!(keys, [true, true, true, false, false]);
    told(&run, &["the new net key comes into use: 3 stations change\n"]);
}

/// A station that goes over by an earlier order when the net has gone over by a later one does not bring
/// that key back.
#[test]
fn an_earlier_change_does_not_come_behind_a_later_one() {
    // The boat and the deputy have the first order, the post and the team have missed it.
    let power = |name, at, becomes| [("station", name), ("at_s", at), ("becomes", becomes)];
    let first: &[(&str, &str)] = &[
        ("at_s", "20"),
        ("by", "deputy"),
        ("stations", "lost"),
        ("change_after_s", "100"),
        ("until_s", "45"),
    ];
    let second: &[(&str, &str)] = &[
        ("at_s", "66"),
        ("by", "post"),
        ("stations", "lost"),
        ("change_after_s", "30"),
        ("until_s", "90"),
    ];
    let run = run(&text(
        150,
        &[NET, DEPUTY, LOST].concat(),
        &[
            ANNOUNCE,
            ("power", &power("post", "15", "off")),
            ("power", &power("team", "15", "off")),
            ("withdraw", first),
            ("power", &power("deputy", "55", "off")),
            ("power", &power("post", "55", "on")),
            ("power", &power("team", "55", "on")),
            ("over", &[("at_s", "60"), ("from", "boat"), ("to", "all"), ("talk_s", "3")]),
            ("withdraw", second),
        ],
    ));
    let due: Vec<_> = run.world.trace().changes.iter().map(|change| change.in_use_us).collect();
    assert!(due[1].is_some() && due[1] < due[0], "{due:?}");
    let keys = [0, 1, 2, 3, 4].map(|node| run.world.has_net_key(node));
    assert_eq!(keys, [true, false, true, false, false], "{}", account(&run));
}

/// Whom the plan has withdrawn is left out of nothing; nor is who has a withdrawn address on another net.
#[test]
fn the_withdrawn_of_the_plan_are_not_left_out() {
    let plan = std::fs::read_to_string("plans/larkfell.toml").unwrap();
    let plan = plan.replacen("[net]\n", "[net]\nwithdrawn = \"50\"\n", 1);
    let plan = Plan::parse("plan.toml", &plan, Path::new("plans")).unwrap();
    let by_post: &[(&str, &str)] =
        &[("at_s", "20"), ("by", "post"), ("stations", "lost"), ("change_after_s", "40")];
    let stations = [NET, LOST].concat();
    let out = ran(plan, &text(120, &stations, &[ANNOUNCE, ("withdraw", by_post)]));
    assert_eq!(value(&out, "change.followed"), 2.0, "{}", account(&out));
    assert_eq!(value(&out, "change.left_out"), 0.0, "{}", account(&out));
    let ridge = "[[station]]\nname = \"hut\"\naddress = \"12\"\nlane = 1\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"saddle\"\naddress = \"13\"\nlane = 1\n\
        [[station]]\nname = \"cave\"\naddress = \"52\"\nlane = 1\n\
        [[station]]\nname = \"twin\"\naddress = \"51\"\nlane = 1\n";
    let by_hut: &[(&str, &str)] =
        &[("at_s", "25"), ("by", "hut"), ("stations", "cave"), ("change_after_s", "40")];
    let hut: &[(&str, &str)] = &[("at_s", "1"), ("by", "hut")];
    let entries: &[(&str, &[(&str, &str)])] =
        &[ANNOUNCE, ("announce", hut), ("withdraw", by_post), ("withdraw", by_hut)];
    let out = run_with("larkfell-lanes.toml", &text(120, &[NET, LOST, ridge].concat(), entries));
    // The post, the boat and the team; the hut and the saddle.
    assert_eq!(value(&out, "change.followed"), 5.0, "{}", account(&out));
    assert_eq!(value(&out, "change.left_out"), 0.0, "{}", account(&out));
}

/// Who has lost his power is not in step, and meets nothing.
#[test]
fn a_dead_set_counts_for_nothing() {
    let off: &[(&str, &str)] = &[("at_s", "12000"), ("station", "team"), ("becomes", "off")];
    let over: &[(&str, &str)] =
        &[("at_s", "15000"), ("from", "post"), ("to", "all"), ("talk_s", "3")];
    let run = run(&text(15_100, NET, &[ANNOUNCE, ("power", off), ("over", over)]));
    assert_eq!(value(&run, "stations.in_step"), 2.0, "{}", account(&run));
    assert!(value(&run, "silence.met_s") < 5.0, "{}", value(&run, "silence.met_s"));
    let shown = hopwright_sim::run::to_json(&run);
    assert_eq!([0, 2].map(|node| shown["stations"][node]["in_step"] == true), [true, false]);
}

/// An over that its set did not live to begin has not been, and a dead set was asked for none.
#[test]
fn overs_that_never_were_are_not_missed() {
    let waits = run(&text(
        60,
        NET,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "10"), ("from", "post"), ("to", "all"), ("talk_s", "20")]),
            ("over", &[("at_s", "15"), ("from", "team"), ("to", "all"), ("talk_s", "3")]),
            ("power", &[("at_s", "20"), ("station", "team"), ("becomes", "off")]),
            ("power", &[("at_s", "21"), ("station", "team"), ("becomes", "on")]),
        ],
    ));
    assert_eq!(value(&waits, "calls.missed"), 0.0, "{}", account(&waits));
    assert!(value(&waits, "holdoff.longest_s") < 1.0, "{}", account(&waits));
    told(&waits, &["team presses to speak to all stations and loses its power waiting\n"]);
    let dead = run(&text(
        60,
        NET,
        &[
            ANNOUNCE,
            ("power", &[("at_s", "10"), ("station", "team"), ("becomes", "off")]),
            ("over", &[("at_s", "20"), ("from", "team"), ("to", "all"), ("talk_s", "3")]),
            ("over", &[("at_s", "30"), ("from", "post"), ("to", "all"), ("talk_s", "3")]),
        ],
    ));
    assert_eq!(value(&dead, "calls.missed"), 0.0, "{}", account(&dead));
    // Who waits to the end of the run is not excused.
    let end = run(&text(
        20,
        NET,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "10"), ("from", "post"), ("to", "all"), ("talk_s", "20")]),
            ("over", &[("at_s", "15"), ("from", "team"), ("to", "all"), ("talk_s", "3")]),
        ],
    ));
    assert_eq!(value(&end, "calls.missed"), 3.0, "{}", account(&end));
    assert!(value(&end, "holdoff.longest_s").is_infinite());
}

/// A relay whose reading set has died has heard the end of what it carries.
#[test]
fn a_dead_relay_lets_go() {
    let stations = "[[station]]\nname = \"up a\"\naddress = \"20\"\n\
        [[station]]\nname = \"up b\"\naddress = \"20\"\nlane = 1\n\
        [[station]]\nname = \"hut\"\naddress = \"12\"\nlane = 1\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"saddle\"\naddress = \"13\"\nlane = 1\n";
    let run = run_with(
        "larkfell-lanes.toml",
        &text(
            60,
            &(NET.to_owned() + stations),
            &[
                ("relay", &[("name", "bridge"), ("a", "up a"), ("b", "up b")]),
                ANNOUNCE,
                ("announce", &[("at_s", "1"), ("by", "hut")]),
                ("over", &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "10")]),
                ("power", &[("at_s", "15"), ("station", "up a"), ("becomes", "off")]),
                ("power", &[("at_s", "30"), ("station", "up a"), ("becomes", "on")]),
                ("over", &[("at_s", "35"), ("from", "hut"), ("to", "13"), ("talk_s", "3")]),
                ("over", &[("at_s", "45"), ("from", "boat"), ("to", "all"), ("talk_s", "5")]),
            ],
        ),
    );
    assert!(value(&run, "holdoff.longest_s") < 1.0, "{}", account(&run));
    let relayed: Vec<_> = run.world.trace().overs.iter().filter(|over| over.relayed).collect();
    assert!(relayed[0].end_us(u64::MAX) < 16_000_000, "{}", account(&run));
    // And carries what is said when it is there again.
    assert_eq!(relayed.len(), 2, "{}", account(&run));
    assert!(relayed[1].payload_slots > 100, "{}", account(&run));
}

/// Who has no power is not on the calling channel.
#[test]
fn a_dead_set_hears_nothing_on_the_calling_channel() {
    let run = run_with(
        "larkfell-watch.toml",
        &text(
            40,
            NET,
            &[
                ANNOUNCE,
                ("mode", &[("at_s", "10"), ("station", "boat"), ("to", "single, plain")]),
                ("mode", &[("at_s", "10"), ("station", "team"), ("to", "single, plain")]),
                ("power", &[("at_s", "15"), ("station", "team"), ("becomes", "off")]),
                ("mode", &[("at_s", "10"), ("station", "post"), ("to", "single, plain")]),
                ("over", &[("at_s", "20"), ("from", "boat"), ("to", "all"), ("talk_s", "3")]),
            ],
        ),
    );
    let of = |id| value(&run, id);
    assert_eq!((of("single.heard"), of("single.unheard")), (1.0, 0.0), "{}", account(&run));
}

/// A release belongs to its over, and an over that loses its power ends then.
#[test]
fn an_over_ends_once() {
    let run = run(&text(
        100,
        NET,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "30")]),
            ("power", &[("at_s", "20"), ("station", "boat"), ("becomes", "off")]),
            ("power", &[("at_s", "22"), ("station", "boat"), ("becomes", "on")]),
            ("over", &[("at_s", "24"), ("from", "post"), ("to", "all"), ("talk_s", "5")]),
            // The first over was to end at 40 s.
            ("over", &[("at_s", "32"), ("from", "boat"), ("to", "all"), ("talk_s", "20")]),
            ("over", &[("at_s", "90"), ("from", "post"), ("to", "all"), ("talk_s", "20")]),
        ],
    ));
    let account = account(&run);
    let talks = |talk: &str| account.matches(&format!(", {talk} s of talk")).count();
    assert_eq!(["9.8", "5.0", "20.0", "9.8", "0.0"].map(talks), [2, 1, 1, 2, 0], "{account}");
}

/// Entries count as late where somebody spoke: not after he has lost his power.
#[test]
fn nobody_speaks_without_power() {
    let stations = NET.replace("x_m = 700", "x_m = 700\non_s = 30");
    let run = run(&text(
        80,
        &stations,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "15")]),
            ("power", &[("at_s", "15"), ("station", "boat"), ("becomes", "off")]),
            ("over", &[("at_s", "60"), ("from", "post"), ("to", "all"), ("talk_s", "5")]),
        ],
    ));
    assert!(value(&run, "late_entry.worst_s").is_nan(), "{}", account(&run));
}

/// What comes after a station has been picked up is nothing to how soon it was.
#[test]
fn a_later_power_cycle_does_not_shorten_the_pick_up() {
    let stations = NET.to_owned() + "[[station]]\nname = \"lost\"\naddress = \"51\"\nx_m = 800\n";
    let withdraw: &[(&str, &str)] =
        &[("at_s", "20"), ("by", "post"), ("stations", "lost"), ("change_after_s", "40")];
    let once = [
        ANNOUNCE,
        ("withdraw", withdraw),
        ("power", &[("at_s", "15"), ("station", "boat"), ("becomes", "off")][..]),
        ("power", &[("at_s", "65"), ("station", "boat"), ("becomes", "on")][..]),
    ];
    let again = [
        ("power", &[("at_s", "130"), ("station", "boat"), ("becomes", "off")][..]),
        ("power", &[("at_s", "131"), ("station", "boat"), ("becomes", "on")][..]),
    ];
    let one = run(&text(160, &stations, &once));
    let both = run(&text(160, &stations, &[&once[..], &again].concat()));
    let waits = [&one, &both].map(|run| value(run, "change.picked_up_s"));
    assert_eq!(waits[0], waits[1]);
    assert!((10.0..30.0).contains(&waits[0]), "{waits:?}");
}

/// The closed form goes by the interference of every slot's time.
#[test]
fn interference_that_begins_within_an_over_counts_from_then() {
    let mut text = text(
        80,
        NET,
        &[
            ANNOUNCE,
            ("over", &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "60")]),
            (
                "interferer",
                &[
                    ("name", "emitter"),
                    ("share", "0.4"),
                    ("above_wanted_db", "40"),
                    ("from_s", "30"),
                ],
            ),
        ],
    );
    text += "[[expect]]\nmetric = \"payload.heard_share\"\nfrom_model = \"clear_share\"\nsource = \"x\"\n";
    let run = run(&text);
    assert!(run.checks[0].pass, "{}", account(&run));
    // A third of the time all is clear, and then three fifths: 0.733.
    let (low, high) = run.measured["payload.heard_share"].band.unwrap();
    assert!(low > 0.68 && high < 0.79, "{low} to {high}");
}

/// Addresses belong to a net, also where they are told.
#[test]
fn a_target_has_the_name_of_its_own_net() {
    let ridge = "[[station]]\nname = \"hut\"\naddress = \"10\"\nlane = 1\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"saddle\"\naddress = \"40\"\nlane = 1\nx_m = 800\n";
    let over: &[(&str, &str)] = &[("at_s", "10"), ("from", "hut"), ("to", "40"), ("talk_s", "3")];
    let entries = [("announce", &[("at_s", "1"), ("by", "hut")][..]), ("over", over)];
    let run = run_with("larkfell-lanes.toml", &text(20, &(NET.to_owned() + ridge), &entries));
    told(&run, &["hut to saddle (40): 1 of 1 called"]);
}

/// Nothing is heard from beyond the horizon, an opponent neither.
#[test]
fn opponents_have_the_horizon_of_all_others() {
    let tones: &[(&str, &str)] = &[
        ("name", "van"),
        ("behaviour", "tones"),
        ("count", "128"),
        ("power_dbm", "81"),
        ("x_m", "10000"),
        ("y_m", "0"),
        ("from_s", "5"),
    ];
    let over: &[(&str, &str)] =
        &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "10")];
    let entries = [ANNOUNCE, ("adversary", tones), ("over", over)];
    for (horizon, heard) in [("5_000", true), ("20_000", false)] {
        let horizon = format!("[propagation]\nhorizon_m = {horizon}\n");
        let run = run(&(text(40, NET, &entries) + &horizon));
        let share = value(&run, "payload.heard_share");
        assert_eq!(share > 0.9, heard, "{horizon}{share}");
    }
}

/// Neither what an opponent sends nor what it would hear goes beyond the horizon.
#[test]
fn opponents_are_heard_and_hear_within_the_horizon() {
    let forger: &[(&str, &str)] = &[("forgery", "random"), ("every_us", "7000")];
    for (behaviour, own) in [("forger", forger), ("relay", &[("delay_us", "150")])] {
        let of_all = [
            ("name", "van"),
            ("behaviour", behaviour),
            ("power_dbm", "60"),
            ("x_m", "10000"),
            ("y_m", "0"),
        ];
        let van = [&of_all, own].concat();
        let over: &[(&str, &str)] =
            &[("at_s", "10"), ("from", "boat"), ("to", "all"), ("talk_s", "5")];
        let entries = [ANNOUNCE, ("adversary", &van), ("over", over)];
        for (horizon, within) in [("5_000", false), ("20_000", true)] {
            let horizon = format!("[propagation]\nhorizon_m = {horizon}\n");
            let taken = run(&(text(20, NET, &entries) + &horizon)).world.taken_of(0);
            // A forger sends whether it hears anything or not, a relay what it hears.
            let count = if behaviour == "relay" { taken.sent } else { taken.heard };
            assert_eq!(count > 0, within, "{behaviour}, {horizon}{taken:?}");
        }
    }
}

/// The wanted signal of a receiver is one of its own net.
#[test]
fn other_nets_are_not_wanted() {
    // A station of the ridge beside the boat, and interference far below what that one would send.
    let ridge = "[[station]]\nname = \"hut\"\naddress = \"10\"\nlane = 1\nrole = \"timekeeper\"\nx_m = 501\n";
    let emitter: &[(&str, &str)] =
        &[("name", "emitter"), ("share", "1.0"), ("above_wanted_db", "-30")];
    let over: &[(&str, &str)] = &[("at_s", "10"), ("from", "post"), ("to", "40"), ("talk_s", "5")];
    let entries = [ANNOUNCE, ("interferer", emitter), ("over", over)];
    let run = run_with("larkfell-lanes.toml", &text(20, &(NET.to_owned() + ridge), &entries));
    assert!(value(&run, "payload.heard_share") > 0.95, "{}", account(&run));
    // The same where it comes there later.
    let ridge = ridge.replace("501", "9_000");
    let comes: &[(&str, &str)] =
        &[("station", "hut"), ("at_s", "5"), ("to_x_m", "501"), ("to_y_m", "0")];
    let entries = [&entries[..], &[("move", comes)]].concat();
    let run = run_with("larkfell-lanes.toml", &text(20, &(NET.to_owned() + &ridge), &entries));
    assert!(value(&run, "payload.heard_share") > 0.95, "{}", account(&run));
}

/// Nobody is drawn to speak while he speaks or waits: also where overs are so short that several of them have
/// been planned since he was drawn, and where so many are planned that each waits for those before it.
#[test]
fn drawn_overs_are_not_refused() {
    for (busy, talk_s) in [("0.6", "5"), ("0.6", "1"), ("0.9", "3"), ("0.95", "0.5")] {
        let mut text = text(600, NET, &[ANNOUNCE]);
        table(
            &mut text,
            "traffic",
            &[("name", "t"), ("from_s", "10"), ("busy", busy), ("talk_s", talk_s)],
        );
        let run = run(&text);
        let trace = run.world.trace();
        assert!(trace.overs.len() > 50);
        assert_eq!(trace.presses_refused, [], "{busy}, {talk_s}");
    }
}

/// States go by what was carried out, too: a mode that was refused is none, and power that goes and comes ends
/// an over and a mode.
#[test]
fn states_are_those_of_what_was_carried_out() {
    let over: &[(&str, &str)] = &[("at_s", "8"), ("from", "team"), ("to", "all"), ("talk_s", "4")];
    let cut: &[(&str, &str)] = &[("at_s", "14"), ("from", "post"), ("to", "all"), ("talk_s", "4")];
    let mode =
        |station: &'static str| [("at_s", "10"), ("station", station), ("to", "single, plain")];
    let cycle = |station: &'static str| [("at_s", "16"), ("station", station), ("becomes", "on")];
    let (refused, taken) = (mode("team"), mode("boat"));
    let (post_cycle, boat_cycle) = (cycle("post"), cycle("boat"));
    let entries = [
        ANNOUNCE,
        ("over", over),
        ("over", cut),
        ("mode", &refused),
        ("mode", &taken),
        ("power", &post_cycle),
        ("power", &boat_cycle),
    ];
    let run = run_with("larkfell-watch.toml", &text(20, NET, &entries));
    let states = states(&run);
    let at = |node: usize, us: u64| {
        let span = states[node].iter().rev().find(|span| span.from_us <= us);
        span.unwrap().state
    };
    assert_eq!((at(0, 15_900_000), at(1, 15_900_000)), (State::Speaking, State::Single));
    for node in [0, 1] {
        assert_eq!(at(node, 16_000_000), State::Searching);
        let mut later = states[node].iter().filter(|span| span.from_us >= 16_000_000);
        let ended = |span: &Span| !matches!(span.state, State::Speaking | State::Single);
        assert!(later.all(ended), "{:?}", states[node]);
    }
    // It went on speaking, and hopping.
    assert_eq!(at(2, 10_500_000), State::Speaking);
    assert!(states[2].iter().all(|span| span.state != State::Single), "{:?}", states[2]);
}

/// What did not occur holds no bound.
#[test]
fn no_two_alerts_are_at_no_distance() {
    let run = run(&text(20, NET, &[ANNOUNCE]));
    assert!(value(&run, "alerts.closest_s").is_nan());
}
