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
fn the_guard_is_held_against_jitter_wander_and_distance() {
    let text = include_str!("../../plans/larkfell.toml");
    let report = report(&plan(text), RuleSet::None).unwrap();
    let found = report.consistency.iter().find(|f| f.what.contains("propagation")).unwrap();
    // 30 km at 299.792458 m/us are 100.07 us.
    assert_eq!(found.measured, "141 us (twice 20 us and 0 us, and 101 us for 30000 m)");
    assert_eq!(
        (found.required.as_str(), found.verdict),
        ("less than the guard of 500 us", Verdict::Holds)
    );
}
