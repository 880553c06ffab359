//! Several nets in one world, on lanes of one raster, and relays between them (specification
//! sections 2, 11 and 12). Requirements that the shipped scenarios state are checked there; here
//! is what shows that they mean something, and what is refused.

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_core::address::Target;
use hopwright_sim::plan::Plan;
use hopwright_sim::run::Run;
use hopwright_sim::scenario::{RelayPlan, Scenario};
use hopwright_sim::world::{Detail, Relayed, Sent};
use std::path::Path;

const LANES: &str = include_str!("../scenarios/larkfell-lanes.toml");
const RELAY: &str = include_str!("../scenarios/larkfell-relay.toml");
const PLAN: &str = include_str!("../plans/larkfell-lanes.toml");
const WITHOUT_LANES: &str = include_str!("../plans/larkfell.toml");

fn plan(text: &str) -> Plan {
    Plan::parse("plan.toml", text, Path::new("")).expect("a plan")
}

fn scenario(text: &str) -> Scenario {
    Scenario::parse("s.toml", text, plan(PLAN)).expect("a scenario")
}

fn run(scenario: Scenario, seed: u64) -> Run {
    Run::new(scenario, Some(seed), Detail::Transmissions, None).expect("a run")
}

fn value(run: &Run, metric: &str) -> f64 {
    run.measured.get(metric).map_or(f64::NAN, |measured| measured.value)
}

#[track_caller]
fn all_checks_hold(run: &Run) {
    let failed: Vec<_> = run.checks.iter().filter(|check| !check.pass).collect();
    assert!(failed.is_empty() && run.checks.len() > 10, "seed {}: {failed:?}", run.seed);
}

/// Pairs of transmissions of two nets that were on the air at one time.
fn at_one_time(run: &Run) -> usize {
    let lane = |node: usize| run.scenario.radio.stations[node].lane;
    let sent = &run.world.trace().sent;
    let overlap = |i: usize| {
        let later = sent[i + 1..].iter().take_while(|s| s.at_us < sent[i].at_us + 15_000);
        later.filter(|s| lane(s.node) != lane(sent[i].node)).count()
    };
    (0..sent.len()).map(overlap).sum()
}

/// As anybody would run them: the files, with the plans that they name.
#[test]
fn the_shipped_scenarios_hold_on_the_command_line() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (file, lines) in [
        (
            "scenarios/larkfell-lanes.toml",
            [
                "2 nets: lane 0 with 8, lane 1 with 6 stations",
                " control post announces",
                " ridge hut announces",
            ],
        ),
        (
            "scenarios/larkfell-relay.toml",
            [
                "upper bridge: upper bridge valley side (lane 0) and upper bridge ridge side (lane 1) \
                 back to back, for overs to all",
                "upper bridge ridge side relays to all",
                "upper bridge valley side relays to all",
            ],
        ),
    ] {
        let output = hopwright(here, &["run", file]);
        let account = stdout(&output);
        assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()), "{account}");
        for line in lines {
            assert!(account.contains(line), "no \"{line}\":\n{account}");
        }
        let output = hopwright(here, &["run", file, "--json"]);
        let object: serde_json::Value = serde_json::from_str(&stdout(&output)).expect("JSON");
        let nets = object["nets"].as_array().expect("a list");
        assert_eq!(
            nets.iter().map(|net| net["lane"].as_u64()).collect::<Vec<_>>(),
            [Some(0), Some(1)]
        );
        assert!(object["measured"]["lanes.shared_channels"] == 0.0, "{}", object["measured"]);
    }
}

#[test]
fn two_nets_run_in_one_world_and_never_meet() {
    for seed in 1..=4 {
        let run = run(scenario(LANES), seed);
        all_checks_hold(&run);
        // They did talk at the same time.
        assert!(at_one_time(&run) > 500, "{}", at_one_time(&run));
        assert_eq!(run.nets.len(), 2);
    }
}

/// The other way round: on spaced lanes both nets use all channels, and as they share no time
/// they do meet. So the figures above are not zero for want of counting.
#[test]
fn nets_that_share_channels_are_seen_to() {
    let spaced = PLAN
        .replace("kind = \"disjoint\"\nwidth = 2 ", "kind = \"spaced\" #")
        .replace("equal_use = true", "equal_use = false #");
    let scenario = Scenario::parse("s.toml", LANES, plan(&spaced)).expect("a scenario");
    let run = run(scenario, 1);
    let sent = run.world.trace().totals.sent as f64;
    assert!(value(&run, "lanes.shared_channels") > 0.9 * sent, "{sent}");
    assert!(value(&run, "lanes.collisions") > 0.0);
    assert!(!run.passed());
}

/// A station of one net does not hear the other, even beside it: what happens on a lane is what
/// happens when the other net is not there.
#[test]
fn a_net_does_not_notice_the_other() {
    let both = run(scenario(LANES), 3);
    let mut alone = scenario(LANES);
    let valley = |name: &str| {
        let stations = &both.scenario.radio.stations;
        stations.iter().any(|s| s.name == name && s.lane.number() == 0)
    };
    // Interference covers a share of the hopsets in use: the ridge's stations stay, switched off.
    for station in &mut alone.radio.stations {
        if !valley(&station.name) {
            station.on_us = alone.duration_us;
        }
    }
    let quiet = |node: usize| !valley(&both.scenario.radio.stations[node].name);
    alone.announces.retain(|(_, by)| !quiet(*by));
    alone.overs.retain(|over| !quiet(over.from));
    let alone = run(alone, 3);
    let events = |run: &Run| {
        let events = run.world.trace().events.iter().copied();
        events.filter(|happened| !quiet(happened.node)).collect::<Vec<_>>()
    };
    let sent = |run: &Run| {
        let sent = run.world.trace().sent.iter().copied();
        // Overs are counted over all nets: which of them it is, its press tells.
        let own = sent.filter(|sent| !quiet(sent.node)).map(|sent| {
            let pressed = sent.over.map(|over| run.world.trace().overs[over].pressed_us);
            (Sent { over: None, ..sent }, pressed)
        });
        own.collect::<Vec<_>>()
    };
    assert!(sent(&both).len() > 1_000 && sent(&both) == sent(&alone));
    assert!(events(&both).len() > 50 && events(&both) == events(&alone));
}

#[test]
fn the_relay_carries_what_the_closed_form_says() {
    for seed in 1..=4 {
        let run = run(scenario(RELAY), seed);
        all_checks_hold(&run);
        assert!(run.measured.get("relay.heard_share").is_some_and(|m| m.band.is_some()));
    }
}

/// Interference that begins within an over counts from then on, through a relay as without one.
#[test]
fn a_relayed_over_is_weighed_over_its_time() {
    let mut later = scenario(RELAY);
    later.overs.truncate(1);
    later.overs[0].talk_us = 60_000_000;
    later.radio.interferers[0].from_us = 38_000_000;
    let run = run(later, 1);
    let measured = &run.measured["relay.heard_share"];
    let (low, high) = measured.band.expect("a closed form");
    assert!(low <= measured.value && measured.value <= high, "{measured:?}");
    // Half the time all is clear, and then about three fifths of three fifths: about 0.68.
    assert!(low > 0.55 && high < 0.8, "{measured:?}");
}

/// Without interference everything arrives, after the relay's own opening: the slot that is read,
/// eight call headers, and at most a sync slot on either side of a frame's border.
#[test]
fn in_the_clear_everything_passes_the_relay() {
    let mut clear = scenario(RELAY);
    clear.radio.interferers.clear();
    let run = run(clear, 1);
    assert_eq!(value(&run, "relay.heard_share"), 1.0);
    assert_eq!(value(&run, "relay.overs"), 3.0);
    for metric in ["relay.delay_s", "relay.longest_delay_s"] {
        let delay = value(&run, metric);
        assert!((0.15..=0.28).contains(&delay), "{metric}: {delay} s");
    }
}

/// The scenario with a second pair of stations, not yet a relay, at the weir.
fn with_second_pair() -> String {
    let station = |name: &str, address: &str, lane: u8| {
        format!(
            "[[station]]\nname = \"{name}\"\naddress = \"{address}\"\nlane = {lane}\n\
             x_m = -900\ny_m = 200\n\n"
        )
    };
    let pair = station("weir valley side", "32", 0) + &station("weir ridge side", "33", 1);
    // Expectations are those of one relay.
    let (head, _) = RELAY.split_once("[[expect]]").expect("expectations");
    head.replacen("[[relay]]", &(pair + "[[relay]]"), 1)
}

const SECOND: &str =
    "[[relay]]\nname = \"weir\"\na = \"weir valley side\"\nb = \"weir ridge side\"\n";

#[test]
fn relays_that_form_a_loop_are_refused() {
    let text = with_second_pair() + SECOND;
    let line = text.lines().count() - 3;
    let error = Scenario::parse("s.toml", &text, plan(PLAN)).expect_err("a loop").to_string();
    assert!(
        error.contains("lanes 0 and 1 are connected already: the relays form a loop"),
        "{error}"
    );
    assert!(error.contains(&format!("s.toml:{line}:1")), "{error}");
}

/// And if somebody builds such a world all the same, nothing goes round: each relay says an over
/// once at most, nothing is read that has passed two, and the nets fall silent.
#[test]
fn a_loop_that_is_built_all_the_same_does_not_circulate() {
    for seed in 1..=3 {
        let mut looped = scenario(&with_second_pair());
        let node = |name: &str| {
            looped.radio.stations.iter().position(|s| s.name == name).expect("a station")
        };
        let (a, b) = (node("weir valley side"), node("weir ridge side"));
        looped.relays.push(RelayPlan { name: "weir".to_owned(), a, b, target: Target::ALL });
        // It comes late, or both relays would hear the same first payload, take the floor in the
        // same slot, and never hear each other.
        looped.radio.stations[a].on_us = 10_000_000;
        looped.duration_us += 60_000_000;
        let originals = 3.0;
        let run = run(looped, seed);
        assert_eq!(value(&run, "relay.most_relays"), 1.0);
        let overs = value(&run, "relay.overs");
        assert!(originals < overs && overs <= 2.0 * originals, "{overs}");
        let trace = run.world.trace();
        let lane = |node: usize| run.scenario.radio.stations[node].lane;
        let back = |read: &&Relayed| lane(read.node) == lane(trace.overs[read.over].node);
        assert_eq!(trace.relayed.iter().find(back), None, "it came back");
        // The second relay did hear what the first one said.
        let heard = trace.overs.iter().filter(|over| over.relayed && over.node != b);
        assert!(heard.map(|over| over.payloads_heard[b]).sum::<u32>() > 100);
        let last = run.world.trace().sent.last().expect("a transmission").at_us;
        assert!(last < 110_000_000, "still on the air at {last} us");
    }
}

#[test]
fn lanes_and_relays_that_cannot_be_are_refused() {
    let refused = |text: &str, plan_text: &str, words: &[&str]| {
        let error = Scenario::parse("s.toml", text, plan(plan_text)).expect_err("refused");
        let error = error.to_string();
        assert!(error.contains("--> s.toml:") && error.contains("\nhelp: "), "{error}");
        for word in words {
            assert!(error.contains(word), "no \"{word}\":\n{error}");
        }
    };
    let changed = |from: &str, to: &str, words: &[&str]| {
        assert!(RELAY.contains(from), "the test replaces nothing: {from}");
        refused(&RELAY.replacen(from, to, 1), PLAN, words);
    };
    refused(RELAY, WITHOUT_LANES, &["the plan has no lanes", "lane = 1"]);
    changed(
        "lane = 1",
        "lane = 2",
        &["there is no lane 2: the plan has 2, counted from 0", "0 to 1"],
    );
    changed("lane = 1", "lane = 32", &["`lane` must be 0 to 31"]);
    changed("b = \"upper bridge ridge side\"", "b = \"boat teal\"", &["are not at one place"]);
    changed(
        "b = \"upper bridge ridge side\"",
        "b = \"upper bridge\"",
        &["no station", "did you mean"],
    );
    changed("b = \"upper bridge ridge side\"", "b = \"upper bridge valley side\"", &["both sides"]);
    changed("b = \"upper bridge ridge side\"\n", "", &["lacks `b`"]);
    changed("target = \"all\"", "target = \"some\"", &["no call target"]);
    changed("target = \"all\"", "target = \"50/4\"", &["(30) is given nothing to read"]);
    changed("target = \"all\"", "via = \"all\"", &["[[relay]] has no key `via`"]);
    // Both on one net.
    let text = RELAY.replacen("address = \"31\"\nlane = 1", "address = \"31\"\nlane = 0", 1);
    refused(&text, PLAN, &["both stations are on net 0"]);
    let twice = RELAY.replacen("# ---- who else", "[[relay]]\nname = \"again\"\na = \"upper bridge valley side\"\nb = \"ridge hut\"\n# ---- who else", 1);
    refused(&twice, PLAN, &["are not at one place"]);
    let same = RELAY.replacen("# ---- who else", "[[relay]]\nname = \"again\"\na = \"upper bridge valley side\"\nb = \"upper bridge ridge side\"\n# ---- who else", 1);
    refused(&same, PLAN, &["belongs to the relay \"upper bridge\" already"]);
    // Spaced lanes share every channel: two transmitters of one site would meet.
    let spaced = PLAN
        .replace("kind = \"disjoint\"\nwidth = 2 ", "kind = \"spaced\" #")
        .replace("equal_use = true", "equal_use = false #");
    refused(RELAY, &spaced, &["both nets use channel 0", "disjoint lanes"]);
    // Expectations of a net.
    let expect = |lane: &str, metric: &str| {
        format!(
            "{LANES}\n[[expect]]\nmetric = \"{metric}\"\nlane = {lane}\nequals = 0\nsource = \"x\"\n"
        )
    };
    refused(&expect("7", "stations.lost"), PLAN, &["no station is on lane 7"]);
    refused(&expect("0", "clock.bound_misses"), PLAN, &["is one of the whole scenario"]);
}

/// Two nets, each with a timekeeper, two members and one that is withdrawn at 30 s; the keys change at
/// 75 s. Both nets speak before and after.
const TWO_CHANGES: &str = "[scenario]\nname = \"two\"\nduration_s = 140\nplan = \"\"\n";

fn net_that_changes(lane: u8, withdraws: bool) -> String {
    let mut text = String::new();
    for (i, name) in ["post", "a", "b", "lost"].iter().enumerate() {
        let role = if i == 0 { "timekeeper" } else { "member" };
        text += &format!(
            "[[station]]\nname = \"{name} {lane}\"\naddress = \"1{i}\"\nlane = {lane}\nrole = \"{role}\"\n\
             x_m = {}\n[[over]]\nat_s = {}\nfrom = \"{name} {lane}\"\nto = \"all\"\ntalk_s = 2\n",
            i * 400,
            15 + i * 3,
        );
    }
    text += &format!(
        "[[announce]]\nat_s = 3\nby = \"post {lane}\"\n\
         [[over]]\nat_s = 120\nfrom = \"post {lane}\"\nto = \"all\"\ntalk_s = 5\n"
    );
    if withdraws {
        text += &format!(
            "[[withdraw]]\nat_s = 30\nby = \"post {lane}\"\nstations = \"lost {lane}\"\n\
             change_after_s = 45\nuntil_s = 100\n"
        );
    }
    text
}

/// A change of one net's key is none of another's: calls there are counted as before.
#[test]
fn a_change_of_keys_on_one_net_hides_nothing_of_another() {
    let expect = "[[expect]]\nmetric = \"calls.missed\"\nequals = 0\nsource = \"\"\n\
        [[expect]]\nmetric = \"calls.missed\"\nlane = 1\nequals = 0\nsource = \"\"\n\
        [[expect]]\nmetric = \"payload.heard_share\"\nlane = 1\nat_least = 0.99\nsource = \"\"\n";
    let text =
        format!("{TWO_CHANGES}{}{}{expect}", net_that_changes(0, true), net_that_changes(1, false));
    let clear = run(scenario(&text), 1);
    assert!(clear.passed(), "{:?}", clear.checks);
    // Nobody hears anything from 119 s on: that must not pass for nobody to hear.
    let jammed = "[[interferer]]\nname = \"x\"\nshare = 1.0\nabove_wanted_db = 60\nfrom_s = 119\n";
    let run = run(scenario(&format!("{text}{jammed}")), 1);
    let held: Vec<bool> = run.checks.iter().map(|check| check.pass).collect();
    assert_eq!(held, [false; 3], "{:?}", run.checks);
    let missed = run.checks.iter().find(|check| check.what.ends_with("lane 1")).expect("asked");
    assert_eq!(missed.measured, 3.0);
}

/// Each net's use of the channels is held against its own keys, of which one change leaves none
/// unknown.
#[test]
fn no_slot_of_two_nets_that_change_keys_once_is_left_out() {
    let text = format!("{TWO_CHANGES}{}{}", net_that_changes(0, true), net_that_changes(1, true));
    let run = run(scenario(&text), 1);
    assert_eq!(run.world.trace().changes.len(), 2);
    let uses = hopwright_sim::report::channel_uses(&run);
    assert_eq!(uses.len(), 2);
    for channel_use in &uses {
        assert_eq!(channel_use.left_out, 0, "lane {}", channel_use.lane);
        assert!(channel_use.slots > 400, "{}", channel_use.slots);
    }
}
