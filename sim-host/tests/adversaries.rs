//! Opponents (all simulated) through the whole world, against closed forms that are computed here
//! again, and the command that prints what each achieves.
//!
//! Sources: noise on a part `rho` of the band with a given whole power makes
//! `rho / 2 exp(-rho g / 2)` of the bits wrong (J. Proakis and M. Salehi, Digital Communications;
//! M. Simon, J. Omura, R. Scholtz and B. Levitt, Spread Spectrum Communications Handbook, part 2;
//! citations from memory, the formula follows from the error rate of non-coherent binary FSK); a
//! word counts as recognised with at most 3 of 32 bits wrong (common practice, no source). A
//! follower hits `max(0, 1 - reaction / air)` of a slot (elementary).

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_sim::run::Run;
use hopwright_sim::scenario::{Scenario, built_in_plan};
use hopwright_sim::world::{Content, Detail};
use std::fs;

/// A timekeeper and a member 1 km apart; the timekeeper announces at 1 s and speaks from 6 s on.
const NET: &str = "[scenario]
name = \"opposed\"
duration_s = 66
plan = \"\"
[[station]]
name = \"speaker\"
address = \"01\"
role = \"timekeeper\"
[[station]]
name = \"listener\"
address = \"02\"
x_m = 1000
[[announce]]
at_s = 1
by = \"speaker\"
[[over]]
at_s = 6
from = \"speaker\"
to = \"all\"
talk_s = 58
";

fn run(more: &str, seed: u64) -> Run {
    let plan = built_in_plan().expect("built in");
    let scenario = Scenario::parse("opposed", &format!("{NET}{more}"), plan).expect("fits");
    Run::new(scenario, Some(seed), Detail::Totals, None).expect("a run")
}

fn adversary(lines: &str) -> String {
    format!("[[adversary]]\nname = \"van\"\n{lines}\n")
}

/// The chance that at most 3 of 32 bits are wrong, summed term by term.
fn word_accepted(p: f64) -> f64 {
    let term = |ways: f64, wrong: i32| ways * p.powi(wrong) * (1.0 - p).powi(32 - wrong);
    term(1.0, 0) + term(32.0, 1) + term(496.0, 2) + term(4_960.0, 3)
}

/// Two-sided 99.9 % of the normal distribution.
#[track_caller]
fn agrees(hits: u64, n: u64, p: f64, what: &str) {
    let n = n as f64;
    let share = hits as f64 / n;
    let play = 3.290_527 * (p * (1.0 - p) / n).sqrt() + 0.5 / n;
    assert!((share - p).abs() <= play, "{what}: {share} of {n}, closed form {p} +- {play}");
}

/// The whole power is split among the channels: twice the channels, half the density on each.
#[test]
fn noise_power_is_split_over_what_it_covers() {
    // 50 kbit/s in 200 kHz: g is 4 times the ratio of the powers in one channel.
    let clear = run("", 1).world;
    assert_eq!(clear.reach(Content::Payload).awaited, 0, "no opponents, no account");
    for (count, seed) in [(128_u16, 1), (64, 2), (32, 3)] {
        let above_db = 22.3;
        let lines = format!(
            "behaviour = \"tones\"\ncount = {count}\nabove_wanted_db = {above_db}\nfrom_s = 6.5"
        );
        let reach = run(&adversary(&lines), seed).world.reach(Content::Payload);
        let ratio = 10.0_f64.powf(-above_db / 10.0) * f64::from(count);
        let p = 0.5 * (-4.0 * ratio / 2.0).exp();
        let covered = f64::from(count) / 128.0;
        let recognised = 1.0 - covered + covered * word_accepted(p);
        assert!(reach.awaited > 2_000, "{reach:?}");
        // How many of the covered channels carry payload is a matter of luck: 112 of 128 do.
        let (low, high) = (recognised - 0.05, recognised + 0.05);
        let share = reach.recognised as f64 / reach.awaited as f64;
        assert!((low..high).contains(&share), "{count}: {share}, closed form {recognised}");
        if count == 128 {
            assert!((0.2..0.8).contains(&recognised), "{recognised} tells nothing");
            agrees(reach.recognised, reach.awaited, recognised, "full band");
        }
    }
}

/// The share of the bits that a follower hits, in whole bits of 20 us; 896 are on the air.
#[test]
fn a_follower_hits_what_is_left_of_the_slot() {
    for (reaction, seed) in [(1_000_u32, 1), (9_000, 2), (17_000, 3), (17_940, 4), (30_000, 5)] {
        let lines = format!(
            "behaviour = \"follower\"\ndetect_us = 500\nretune_us = {}\nabove_wanted_db = 40\n\
             from_s = 6.5",
            reaction - 500
        );
        let reach = run(&adversary(&lines), seed).world.reach(Content::Payload);
        let hit = reach.bits_hit as f64 / reach.bits as f64;
        let closed = (1.0 - f64::from(reaction) / 17_920.0).max(0.0);
        // The listener hears the speaker after 3 us; the first transmissions came unopposed.
        assert!((hit - closed).abs() < 0.04, "{reaction}: {hit}, closed form {closed}");
        if reaction > 17_920 {
            assert_eq!((reach.bits_hit, reach.intact), (0, reach.awaited), "{reaction}");
        } else {
            let unopposed = reach.intact as f64 / reach.awaited as f64;
            assert!(unopposed < 0.05, "{reaction}: {unopposed}");
        }
    }
}

/// A header stands three wrong bits in each of its eleven words: 33 at its end, 660 us.
#[test]
fn headers_stand_a_late_follower() {
    for (reaction, survive) in [(5_920 - 640, true), (3_000, false)] {
        let lines = format!(
            "behaviour = \"follower\"\ndetect_us = 0\nretune_us = {reaction}\n\
             above_wanted_db = 40\nfrom_s = 6.5"
        );
        let world = run(&adversary(&lines), 1).world;
        let reach = world.reach(Content::SyncHeader);
        assert!(reach.awaited > 250 && reach.bits_hit > 0, "{reach:?}");
        if survive {
            assert_eq!(reach.intact, reach.awaited, "{reaction}");
        } else {
            // The announce's 176 came before the follower did, and perhaps a few more.
            assert!(reach.intact < 186 && reach.awaited > 500, "{reaction}: {reach:?}");
        }
    }
}

/// Specification section 8: a recording never moves a station in step. It is recognised, though,
/// so something had to be dropped.
#[test]
fn a_replayed_announce_changes_nothing() {
    let lines = "behaviour = \"replay\"\nlisten_from_s = 0\nlisten_to_s = 5\nplay_s = 10\n\
                 times = 8\nabove_wanted_db = 30";
    let run = run(&adversary(lines), 3);
    assert!(run.measured["adversary.heard"].value >= 5.0, "{:?}", run.measured);
    assert_eq!(run.measured["adversary.taken"].value, 0.0);
    assert_eq!(run.measured["stations.in_step"].value, 2.0);
    assert_eq!(run.measured["clock.bound_misses"].value, 0.0);
    let taken = run.world.taken();
    assert!(taken.replayed > 0, "{taken:?}");
}

/// A relay within guard and propagation is taken and moves the phase by no more than its delay; one
/// beyond is not.
#[test]
fn a_relay_moves_no_more_than_its_delay() {
    for (delay, taken) in [(150.0, true), (2_000.0, false), (20_000.0, false)] {
        let lines =
            format!("behaviour = \"relay\"\ndelay_us = {delay}\nabove_wanted_db = 20\nfrom_s = 6");
        let run = run(&adversary(&lines), 2);
        assert_eq!(run.measured["adversary.taken"].value > 0.0, taken, "{delay}");
        let phase = run.measured["clock.worst_phase_us"].value;
        // 20 us of jitter and 100 us of propagation are in the plan.
        let most = if taken { delay + 121.0 } else { 121.0 };
        assert!(phase <= most, "{delay}: {phase}");
        assert_eq!(run.measured["stations.in_step"].value, 2.0, "{delay}");
    }
}

/// What nothing can prevent: whoever has the net key keeps newcomers out. Those in step go on.
#[test]
fn an_insider_keeps_newcomers_out_and_nobody_else() {
    let lines = "behaviour = \"insider\"\nabove_wanted_db = 40\nfrom_s = 7";
    let newcomer = "[[station]]\nname = \"newcomer\"\naddress = \"03\"\nx_m = 500\non_s = 8\n";
    let out = run(&format!("{newcomer}{}", adversary(lines)), 1);
    assert_eq!(out.measured["stations.in_step"].value, 2.0);
    let reach = out.world.reach(Content::Payload);
    assert_eq!(reach.intact, reach.awaited, "traffic has channels of its own (equal use)");
    let headers = out.world.reach(Content::SyncHeader);
    // The announce's 176 came before the insider did.
    assert!(headers.intact < 190 && headers.awaited > 500, "{headers:?}");
    let free = run(newcomer, 1);
    assert_eq!(free.measured["stations.in_step"].value, 3.0);
}

#[test]
fn forgeries_are_heard_and_dropped() {
    for forgery in ["\"random\"", "\"wrong-key\"", "\"turned\"\nflips = 40"] {
        let lines = format!(
            "behaviour = \"forger\"\nforgery = {forgery}\nevery_us = 7_000\nabove_wanted_db = 10\n\
             from_s = 6"
        );
        let run = run(&adversary(&lines), 4);
        assert!(run.measured["adversary.heard"].value > 20.0, "{forgery}");
        assert_eq!(run.measured["adversary.taken"].value, 0.0, "{forgery}");
        assert!(run.world.taken().not_genuine > 0, "{forgery}");
    }
}

/// Invariant 9 with opponents: the same again, and with the stations in another order.
#[test]
fn opposed_runs_repeat() {
    let all = [
        "behaviour = \"follower\"\ndetect_us = 3_000\nretune_us = 9_000\npower_dbm = 60\nx_m = 9",
        "behaviour = \"sweep\"\nwidth = 4\ndwell_us = 1_300\nabove_wanted_db = 20",
        "behaviour = \"mimic\"\nshare = 0.5\nabove_wanted_db = 0",
        "behaviour = \"forger\"\nabove_wanted_db = 3",
    ];
    let text: String = all.iter().map(|lines| adversary(lines)).collect();
    let digest = |seed| run(&text, seed).world.digest();
    assert_eq!(digest(5), digest(5));
    assert_ne!(digest(5), digest(6));
    let plan = built_in_plan().expect("built in");
    let mut scenario = Scenario::parse("opposed", &format!("{NET}{text}"), plan).expect("fits");
    scenario.radio.stations.reverse();
    scenario.announces[0].1 = 1;
    scenario.overs[0].from = 1;
    let reversed = Run::new(scenario, Some(5), Detail::Totals, None).expect("a run");
    assert_eq!(reversed.world.digest(), digest(5));
}

/// What has no curves leaves no folder, and does not say that it has.
#[test]
fn opponents_without_curves_leave_no_folder() {
    let dir = tempfile::tempdir().unwrap();
    let args = ["adversaries", "--only", "noise", "--trials", "10", "--out", "curves"];
    let said = stdout(&hopwright(dir.path(), &args));
    assert!(said.ends_with("there are no curves of these opponents\n"), "{said}");
    assert!(!dir.path().join("curves").exists());
}

#[test]
fn the_command_prints_a_table_and_writes_curves() {
    let dir = tempfile::tempdir().expect("a directory");
    let args = ["adversaries", "--only", "follower", "--trials", "50", "--out", "curves"];
    let output = hopwright(dir.path(), &args);
    let said = stdout(&output);
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()), "{said}");
    for part in ["(simulated)", "follower: reaction 18037 us", "closed form 1", "holds"] {
        assert!(said.contains(part), "{part}: {said}");
    }
    let csv = fs::read_to_string(dir.path().join("curves/follower.csv")).expect("written");
    let rows: Vec<&str> = csv.lines().collect();
    assert_eq!(rows.len(), 25);
    assert!(rows[0].starts_with("\"detection, retuning and flight in us\",payload slots lost,"));
    // A reader that wants rows of one length reads it, and what the documentation holds of them.
    let documents = fs::read_dir("../docs/measurements").expect("a folder");
    let documents = documents.map(|entry| entry.expect("an entry").path());
    let tables = documents.filter(|path| path.extension().is_some_and(|end| end == "csv"));
    let mut count = 0;
    for table in tables.chain([dir.path().join("curves/follower.csv")]) {
        let mut reader = csv::Reader::from_path(&table).expect("a table");
        for row in reader.records() {
            row.unwrap_or_else(|error| panic!("{}: {error}", table.display()));
        }
        count += 1;
    }
    assert_eq!(count, 4);
    // Beyond the 17 920 us that a slot is on the air nothing is lost.
    let beyond: Vec<&&str> = rows.iter().filter(|row| row.starts_with("180")).collect();
    assert!(!beyond.is_empty() && beyond.iter().all(|row| row.contains(",0.000000,")), "{csv}");
    let svg = fs::read_to_string(dir.path().join("curves/follower.svg")).expect("written");
    let picture = roxmltree::Document::parse(&svg).expect("XML");
    assert!(picture.descendants().filter(|node| node.has_tag_name("circle")).count() >= 24);
    // Nothing is overwritten.
    let again = hopwright(dir.path(), &args);
    assert_eq!(again.status.code(), Some(2));
    assert!(stderr(&again).contains("exists and is not empty"), "{}", stderr(&again));
    assert_eq!(stdout(&again), "");
}

#[test]
fn the_command_as_json_and_its_errors() {
    let dir = tempfile::tempdir().expect("a directory");
    let args = ["adversaries", "--only", "pulses", "--only", "tones", "--trials", "50", "--json"];
    let output = hopwright(dir.path(), &args);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let object: serde_json::Value = serde_json::from_str(&stdout(&output)).expect("JSON");
    assert_eq!(object["simulated"], true);
    let findings = object["findings"].as_array().expect("a list");
    let names: Vec<_> = findings.iter().filter_map(|f| f["adversary"].as_str()).collect();
    assert!(names.contains(&"tones") && names.contains(&"pulses") && !names.contains(&"relay"));
    assert!(findings.iter().all(|finding| finding["verdict"] != "fails"), "{findings:?}");
    let unknown = hopwright(dir.path(), &["adversaries", "--only", "folower"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(stderr(&unknown).contains("follower"), "{}", stderr(&unknown));
}

/// Two opponents that play what they have recorded are told apart: one of them has recorded nothing.
#[test]
fn the_account_tells_of_each_opponent_what_became_of_its_own() {
    let replay = |name: &str, from: f64, to: f64| {
        format!(
            "[[adversary]]\nname = \"{name}\"\nbehaviour = \"replay\"\nlisten_from_s = {from}\n\
             listen_to_s = {to}\nplay_s = 20\nabove_wanted_db = 20\n"
        )
    };
    let run = run(&(replay("van", 0.5, 5.5) + &replay("mute", 0.1, 0.2)), 4);
    let (van, mute) = (run.world.taken_of(0), run.world.taken_of(1));
    assert!(van.sent > 100 && mute.sent == 0, "{van:?} {mute:?}");
    assert_eq!(run.world.taken(), van);
    let mut account = Vec::new();
    hopwright_sim::run::write_account(&mut account, &run).expect("written");
    let account = String::from_utf8(account).expect("UTF-8");
    let line = |name: &str| account.lines().find(|line| line.contains(&format!("{name} plays")));
    assert!(line("mute").is_some_and(|l| l.ends_with("heard 0 times, taken 0 times")), "{account}");
    let heard = format!("heard {} times, taken {} times", van.heard, van.headers + van.words);
    assert!(line("van").is_some_and(|l| l.ends_with(&heard)), "{account}");
}

/// The share of headers after which a bound misses true time is one of headers: there are far fewer of
/// them than calls of stations.
#[test]
fn bounds_are_counted_by_the_header() {
    // The timekeeper listens: what is late takes it away from the time that it has given.
    let lines = "behaviour = \"relay\"\ndelay_us = 300\nabove_wanted_db = 20\nfrom_s = 6";
    let net = NET.replace("from = \"speaker\"", "from = \"listener\"") + &adversary(lines);
    let scenario = Scenario::parse("opposed", &net, built_in_plan().expect("built in"));
    let run = Run::new(scenario.expect("fits"), Some(2), Detail::Totals, None).expect("a run");
    let totals = run.world.trace().totals;
    let headers: u64 =
        run.world.nodes().iter().map(|node| u64::from(node.station.counters().headers)).sum();
    assert!(totals.headers_judged > 50 && totals.headers_judged <= headers, "{totals:?} {headers}");
    assert!(totals.headers_misled > 0, "{totals:?}");
    assert!(totals.headers_misled <= totals.headers_judged, "{totals:?}");
    assert!(totals.bound_checks > 4 * totals.headers_judged, "{totals:?}");
}
