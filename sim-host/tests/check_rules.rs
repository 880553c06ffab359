//! `check` against published rule sets: the edges of the numbers of 47 CFR 15.247 and of the
//! 863-870 MHz hopping rules, on the binary's JSON. Sources: the paragraphs named in each test.

mod common;

use common::{hopwright, stderr, stdout};
use serde_json::Value;
use std::fs;
use std::path::Path;

/// A key that stands in no book.
const KEY: &str = "8e2f71c4a9d05b36e17f28c39a4d60b51b6e92d7f4083ac5729e1d60b48f35aa";

/// Exit status and report of `check` for a plan of these tables.
#[track_caller]
fn check(tables: &str, rules: &str) -> (i32, Value) {
    let dir = tempfile::tempdir().expect("a directory");
    let text = format!("[net]\nname = \"t\"\nkey = \"{KEY}\"\n{tables}");
    fs::write(dir.path().join("p.toml"), text).expect("written");
    check_file(dir.path(), "p.toml", rules)
}

#[track_caller]
fn check_file(dir: &Path, file: &str, rules: &str) -> (i32, Value) {
    let output = hopwright(dir, &["check", file, "--rules", rules, "--json"]);
    let report = serde_json::from_str(&stdout(&output)).unwrap_or_else(|error| {
        panic!("{error}: {}{}", stdout(&output), stderr(&output));
    });
    (output.status.code().expect("a status"), report)
}

/// Verdict and measured value of the finding on `what`.
#[track_caller]
fn found<'a>(report: &'a Value, what: &str) -> (&'a str, &'a str) {
    let findings = report["findings"].as_array().expect("a list");
    let finding = findings.iter().find(|f| f["what"].as_str().is_some_and(|w| w.contains(what)));
    let finding = finding.unwrap_or_else(|| panic!("nothing on {what}: {report:#}"));
    (finding["verdict"].as_str().expect("text"), finding["measured"].as_str().expect("text"))
}

/// The note of the finding on `what`.
#[track_caller]
fn noted<'a>(report: &'a Value, what: &str) -> &'a str {
    let findings = report["findings"].as_array().expect("a list");
    let finding = findings.iter().find(|f| f["what"].as_str().is_some_and(|w| w.contains(what)));
    finding.and_then(|finding| finding["note"].as_str()).expect("a note")
}

fn raster(base: u64, spacing: u64, count: u16) -> String {
    format!("[raster]\nbase_hz = {base}\nspacing_hz = {spacing}\ncount = {count}\n")
}

/// Equal use of `r * m` channels; an announce that uses each rendezvous channel once.
fn slots(r: u8, m: u8) -> String {
    format!(
        "[slots]\nrendezvous = {r}\nwindow = 1\nframe = {m}\nequal_use = true\n\
         [announce]\nslots = {r}\n"
    )
}

#[test]
fn forty_nine_channels_are_too_few_and_fifty_are_enough() {
    // 47 CFR 15.247(a)(1)(i): at least 50 below 250 kHz of bandwidth.
    let (status, report) = check(&(raster(903_000_000, 200_000, 49) + &slots(7, 7)), "us-902");
    assert_eq!((status, found(&report, "hopping channels")), (1, ("fails", "49")));
    assert_eq!(report["holds"], false);
    let (_, report) = check(&(raster(903_000_000, 200_000, 50) + &slots(5, 10)), "us-902");
    assert_eq!(found(&report, "hopping channels"), ("holds", "50"));
    assert_eq!(found(&report, "use of the channels").0, "holds");
    // 1000 slots of 20 ms in 20 s, shared by 50: 0.4 s each, exactly what (a)(1)(i) allows on
    // average. 49 carry 0.408 s each. Any one window may hold a channel 21 times, across two part
    // blocks of 50: the strict reading, which is a warning. 54 keep that too, exactly.
    let (status, report) = check(&(raster(903_000_000, 200_000, 50) + &slots(5, 10)), "us-902");
    let (verdict, measured) = found(&report, "occupancy of the busiest");
    assert_eq!((status, verdict), (0, "warning"));
    assert!(measured.starts_with("0.400 s on average; in the worst window 0.420 s "), "{measured}");
    let note = noted(&report, "occupancy of the busiest");
    assert!(note.contains("the average of 0.400 s holds, a window of 0.4"), "{note}");
    let (_, report) = check(&(raster(903_000_000, 200_000, 49) + &slots(7, 7)), "us-902");
    let (verdict, measured) = found(&report, "occupancy of the busiest");
    assert_eq!(verdict, "fails");
    assert!(measured.starts_with("0.408 s on average; "), "{measured}");
    let (status, report) = check(&(raster(903_000_000, 200_000, 54) + &slots(6, 9)), "us-902");
    let (verdict, measured) = found(&report, "occupancy of the busiest");
    assert_eq!((status, verdict), (0, "holds"));
    assert!(measured.contains("window 0.400 s of traffic, 0.400 s "), "{measured}");
    // With some to spare everything holds.
    let (status, _) = check(&(raster(903_000_000, 200_000, 64) + &slots(8, 8)), "us-902");
    assert_eq!(status, 0);
}

/// A cut-in's run of 300 slots (specification 9) is as much time on the air as an announce's: 19 visits of
/// 20 ms to some of 16 rendezvous channels, 0.38 s, before a word is said. 47 CFR 15.247(a)(1)(i).
#[test]
fn a_cut_in_is_counted_with_its_talk() {
    const WHAT: &str = "a cut-in's run and its talk";
    let plans = Path::new("plans");
    let (status, report) = check_file(plans, "larkfell.toml", "us-902");
    let (verdict, measured) = found(&report, WHAT);
    assert_eq!((status, verdict), (0, "warning"), "{measured}");
    let worst: f64 = measured
        .strip_prefix("in the worst window ")
        .and_then(|rest| rest.split(' ').next())
        .and_then(|number| number.parse().ok())
        .expect("a number");
    // 14 s are left of 20: 700 slots, in which each of 128 channels has its turn 5 or 6 times.
    assert!((0.46..=0.52).contains(&worst), "{measured}");
    assert!(measured.ends_with("up to 0.380 s of it by the run of 300 slots"), "{measured}");
    // Where all 16 come in one drawn window (specification 4) the same one may end the first window and begin
    // the last: 20 visits.
    let drawn = slots(16, 8).replace("window = 1", "window = 16");
    let (_, report) = check(&(raster(902_100_000, 200_000, 128) + &drawn), "us-902");
    let measured = found(&report, WHAT).1;
    assert!(measured.ends_with("up to 0.400 s of it by the run of 300 slots"), "{measured}");
    // Half as long on each of 32 rendezvous channels, and every other one keeps it.
    let more = raster(902_100_000, 200_000, 128) + &slots(32, 4);
    let (status, report) = check(&more, "us-902");
    assert_eq!((status, found(&report, WHAT).0), (0, "holds"), "{}", found(&report, WHAT).1);
}

#[test]
fn wide_channels_need_only_25_of_them() {
    // 47 CFR 15.247(a)(1)(i): at least 25 from 250 kHz on, of 500 kHz at most.
    let channels = |count| found_count(&check(&plain(250_000, count), "us-902").1);
    assert_eq!(channels(25), "holds");
    assert_eq!(channels(24), "fails");
    let bandwidth = |hz| {
        let (_, report) = check(&plain(hz, 25), "us-902");
        found(&report, "20 dB bandwidth").0.to_owned()
    };
    assert_eq!((bandwidth(500_000), bandwidth(500_001)), ("holds".into(), "fails".into()));
}

fn plain(hz: u64, count: u16) -> String {
    raster(903_000_000, hz, count)
}

#[track_caller]
fn found_count(report: &Value) -> String {
    found(report, "hopping channels").0.to_owned()
}

#[test]
fn occupied_edges_may_touch_the_band_and_not_cross_it() {
    // 47 CFR 15.247(a)(1)(i): 902 to 928 MHz.
    let at = |base| found(&check(&plain_at(base), "us-902").1, "band").0.to_owned();
    assert_eq!(at(902_100_000), "holds");
    assert_eq!(at(902_099_999), "fails");
    assert_eq!(at(902_100_001), "fails");
}

fn plain_at(base: u64) -> String {
    raster(base, 200_000, 130)
}

#[test]
fn carriers_stand_a_bandwidth_or_25_khz_apart() {
    // 47 CFR 15.247(a)(1).
    let apart = |spacing: u64, occupied: u64| {
        let tables = raster(903_000_000, spacing, 64)
            .replace("count", &format!("occupied_hz = {occupied}\ncount"));
        found(&check(&tables, "us-902").1, "separation").0.to_owned()
    };
    assert_eq!(apart(25_000, 10_000), "holds");
    assert_eq!(apart(24_999, 10_000), "fails");
    assert_eq!(apart(100_000, 100_000), "holds");
    assert_eq!(apart(100_000, 100_001), "fails");
}

#[test]
fn a_long_announce_is_warned_of() {
    // 47 CFR 15.247(a)(1)(i) speaks of the average, which an announce leaves as it is: what a
    // window holds besides is a warning. The last that keeps to 0.4 s in every window, counted, is
    // 200 slots after silence, and 176 (a multiple of r) with traffic before the announce as well.
    let example = fs::read_to_string("plans/larkfell.toml").expect("the example");
    let dir = tempfile::tempdir().expect("a directory");
    let at = |slots: &str| {
        let text = example.replace("slots = 176", &format!("slots = {slots}"));
        fs::write(dir.path().join("p.toml"), text).expect("written");
        let (status, report) = check_file(dir.path(), "p.toml", "us-902");
        let note = noted(&report, "occupancy of the busiest");
        let way_out = note.rsplit_once(": ").map_or("", |(_, way_out)| way_out).to_owned();
        (status, found(&report, "occupancy of the busiest").0.to_owned(), way_out)
    };
    let shorten = "shorten [announce] `slots`";
    assert_eq!(at("176"), (0, "holds".into(), String::new()));
    let between = format!("do not announce into running traffic, or {shorten}");
    assert_eq!(at("200"), (0, "warning".into(), between));
    assert_eq!(at("300"), (0, "warning".into(), shorten.into()));
}

#[test]
fn the_average_counts_rendezvous_channels_too() {
    // Without equal use the busiest channel carries 1/(r m) + (m - 1)/(m N) of the slots
    // (specification 4): with r = 4, m = 2 and N = 64 that is 1/8 + 1/128, 2.656 s within 20 s.
    let text = raster(903_000_000, 200_000, 64)
        + "[slots]\nrendezvous = 4\nwindow = 1\nframe = 2\n[announce]\nslots = 4\n";
    let (_, report) = check(&text, "us-902");
    let (verdict, measured) = found(&report, "occupancy of the busiest");
    assert_eq!(verdict, "fails");
    assert!(measured.starts_with("2.656 s on average; in the worst window 2.7"), "{measured}");
}

#[test]
fn unequal_use_is_noticed() {
    // 47 CFR 15.247(a)(1): each channel equally on average. Rendezvous channels without equal use
    // carry 1/128 of the slots more than their share of traffic.
    let (status, report) = check(&raster(903_000_000, 100_000, 128), "us-902");
    assert_eq!((status, found(&report, "use of the channels").0), (1, "fails"));
    let text = raster(903_000_000, 100_000, 128) + &slots(16, 8);
    let (_, report) =
        check(&text.replace("[announce]", "draw = \"independent\"\n[announce]"), "us-902");
    assert_eq!(found(&report, "use of the channels").0, "holds");
}

#[test]
fn the_examples_hold_and_lanes_are_warned_of() {
    for (file, lanes) in [("larkfell.toml", "holds"), ("larkfell-lanes.toml", "warning")] {
        let (status, report) = check_file(Path::new("plans"), file, "us-902");
        assert_eq!((status, found(&report, "lanes").0), (0, lanes), "{file}");
        assert_eq!(found(&report, "occupancy of the busiest").0, "holds", "{file}");
        assert_eq!(report["summary"]["training_key"], true);
        // A published key is fit for simulation only, and said to be so.
        let output = hopwright(Path::new("plans"), &["check", file]);
        assert!(stdout(&output).contains("FOR SIMULATION ONLY"));
        assert!(!stdout(&output).contains("1c1d1e1f"));
    }
}

#[test]
fn the_863_plan_has_66_usable_channels() {
    // RIR 1008/20, which quotes EN 300 220-2 and ERC/REC 70-03: 70 channels of
    // 100 kHz, of which 56, 62, 63 and 66 are kept free.
    let band = raster(863_050_000, 100_000, 70);
    let (status, report) = check(&band, "eu-863");
    assert_eq!((status, found(&report, "kept free").0), (1, "fails"));
    assert!(found(&report, "kept free").1.starts_with("4 channels, from channel 56 "));
    // Exclusions inside the edges, because a shared edge is a touch for an exclusion.
    let kept: String = [(868_600, 868_700), (869_200, 869_400), (869_650, 869_700)]
        .map(|(a, b)| format!("[[exclude]]\nfrom_hz = {a}_001\nto_hz = {}_999\n", b - 1))
        .concat();
    let (status, report) = check(&(band + &kept), "eu-863");
    assert_eq!(report["summary"]["allowed_channels"], 66);
    assert_eq!(found(&report, "hopping channels"), ("holds", "66"));
    assert_eq!(found(&report, "kept free"), ("holds", "none"));
    assert_eq!(
        found(&report, "duty cycle of"),
        ("not-judged", "3.6 s in an hour are 180 slots of 20000 us")
    );
    assert_eq!(status, 0);
}

#[test]
fn the_863_edges() {
    let count =
        |n| found(&check(&raster(863_050_000, 100_000, n), "eu-863").1, "hopping").0.to_owned();
    assert_eq!((count(46), count(47)), ("fails".into(), "holds".into()));
    let wide =
        |hz| found(&check(&raster(863_100_000, hz, 47), "eu-863").1, "bandwidth").0.to_owned();
    assert_eq!((wide(100_000), wide(100_001)), ("holds".into(), "fails".into()));
    let base = |hz| found(&check(&raster(hz, 100_000, 70), "eu-863").1, "band, occ").0.to_owned();
    assert_eq!((base(863_050_000), base(863_050_001)), ("holds".into(), "fails".into()));
}

#[test]
fn without_rules_only_the_plan_itself_is_judged() {
    let (status, report) = check(&raster(1_000_000, 1_000, 64), "none");
    assert_eq!((status, &report["findings"]), (0, &Value::Array(Vec::new())));
    assert!(report["consistency"].as_array().is_some_and(|list| list.len() >= 4));
    assert_eq!(report["cautions"].as_array().map(Vec::len), Some(7));
}

/// 64 channels of 200 kHz that keep everything, and a calling channel beside them.
fn us_calling(calling_hz: u64) -> String {
    "[raster]\nbase_hz = 902_100_000\nspacing_hz = 200_000\ncount = 200\n\
     [hopset]\nranges = [{ from_hz = 902_100_000, to_hz = 927_500_000 }, \
     { from_hz = CALL, to_hz = CALL }]\n[fixed]\ncalling_hz = CALL\n"
        .replace("CALL", &calling_hz.to_string())
        + &slots(16, 8)
}

#[test]
fn what_is_sent_on_the_calling_channel_is_judged_too() {
    // 47 CFR 15.247: 902 to 928 MHz, and (a)(1) for systems that hop; the single-channel modes do not.
    let what = "do not hop";
    let (status, report) = check(&us_calling(927_700_000), "us-902");
    assert_eq!((status, found(&report, "band").0), (0, "holds"), "{report:#}");
    assert_eq!(found(&report, what), ("warning", "channel 128 (927.700000 MHz)"));
    assert!(noted(&report, what).contains("(a)(1) is written for systems that hop"));
    // Outside the band, where no channel of the hopset is.
    let (status, report) = check(&us_calling(935_100_000), "us-902");
    assert_eq!((status, found(&report, "band").0), (1, "fails"));
    assert_eq!(found(&report, "band").1, "902.000000 MHz to 935.200000 MHz");
    assert_eq!(found(&report, what).0, "fails");
    // Without one there is nothing to say.
    let (_, report) = check(&(raster(903_000_000, 200_000, 64) + &slots(8, 8)), "us-902");
    assert!(!report.to_string().contains(what));
    // The shipped plan that has one holds, and is warned.
    let (status, report) = check_file(Path::new("plans"), "larkfell-watch.toml", "us-902");
    assert_eq!((status, found(&report, what).0), (0, "warning"));
}

#[test]
fn a_calling_channel_in_a_band_kept_for_others_fails() {
    // RIR 1008/20, which quotes ERC/REC 70-03: 868.6 to 868.7 MHz is none of hopping's.
    let kept: String = [(869_200, 869_400), (869_650, 869_700)]
        .map(|(a, b)| format!("[[exclude]]\nfrom_hz = {a}_001\nto_hz = {}_999\n", b - 1))
        .concat();
    let with = |fixed: &str| {
        let tables = raster(863_050_000, 100_000, 70) + &kept + fixed;
        check(&tables, "eu-863")
    };
    let what = "do not hop";
    let (status, report) = with("[fixed]\ncalling_hz = 868_650_000\nwatch_hz = 869_550_000\n");
    assert_eq!((status, found(&report, "kept free").0), (1, "fails"), "{report:#}");
    assert_eq!(found(&report, "kept free").1, "channel 56 (868.650000 MHz)");
    assert_eq!(found(&report, what).0, "fails");
    // A watch channel is only listened to: it may lie there.
    let (status, report) = with("[fixed]\ncalling_hz = 869_550_000\nwatch_hz = 868_650_000\n");
    assert_eq!((status, found(&report, "kept free").0), (0, "holds"), "{report:#}");
    assert_eq!(found(&report, what), ("warning", "channel 65 (869.550000 MHz)"));
}
