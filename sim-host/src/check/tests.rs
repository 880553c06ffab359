use super::*;
use std::path::Path;

fn plan(text: &str) -> Plan {
    Plan::parse("test.toml", text, Path::new("")).unwrap_or_else(|error| panic!("{error}"))
}

const KEY: &str = "[net]\nname = \"t\"\n\
                   key = \"5f0e1d2c3b4a59687786958493a2b1c05f0e1d2c3b4a59687786958493a2b1c1\"\n";

fn verdict(report: &Report, what: &str) -> Verdict {
    let found = report.consistency.iter().chain(&report.findings).find(|f| f.what.contains(what));
    found.unwrap_or_else(|| panic!("no finding on {what}")).verdict
}

#[test]
fn a_lane_that_rotates_onto_another_is_no_lane() {
    // Four channels and eight spaced lanes: two lanes in three share their turn with another.
    let text = format!(
        "{KEY}[raster]\nbase_hz = 1_000_000\nspacing_hz = 1_000\ncount = 4\n\
         [slots]\nrendezvous = 2\nwindow = 1\n[lanes]\nkind = \"spaced\"\ncount = 8\n"
    );
    let report = report(&plan(&text), RuleSet::None).unwrap();
    assert_eq!(verdict(&report, "spaced lanes"), Verdict::Fails);
    assert!(!report.holds);
}

#[test]
fn no_two_disjoint_lanes_share_a_channel() {
    let text = include_str!("../../plans/larkfell-lanes.toml");
    let report = report(&plan(text), RuleSet::None).unwrap();
    assert_eq!(verdict(&report, "lanes"), Verdict::Holds);
    assert!(report.holds && report.findings.is_empty());
}

#[test]
fn a_guard_shorter_than_the_distance_is_noticed() {
    let raster = "[raster]\nbase_hz = 1_000_000\nspacing_hz = 1_000\ncount = 64\n";
    let at = |range_m: u32| {
        let clock = format!("[clock]\njitter_us = 20\nrange_m = {range_m}\n");
        let report = report(&plan(&format!("{KEY}{raster}{clock}")), RuleSet::None).unwrap();
        verdict(&report, "propagation")
    };
    // 480 us of the guard's 500 are left for 143.9 km (299.792458 m/us).
    assert_eq!(at(143_900), Verdict::Holds);
    assert_eq!(at(143_901), Verdict::Warning);
}
