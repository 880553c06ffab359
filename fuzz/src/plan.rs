//! What a person writes: plans and scenarios.

use hopwright_core::sequence::Timeline;
use hopwright_core::units::Slot;
use hopwright_sim::diagnostic::Diagnostic;
use hopwright_sim::plan::Plan;
use hopwright_sim::scenario::Scenario;
use std::path::Path;

/// What errors call the text.
const NAME: &str = "fuzz.toml";
/// The plan of scenarios.
const LARKFELL: &str = include_str!("../../sim-host/plans/larkfell.toml");

/// A text as a plan, and as a scenario on a shipped plan: either it works, or one error says what,
/// where, and how to mend it.
///
/// # Panics
/// If an error says nothing, points outside the text, or shows a key; or if a plan that was taken
/// makes no hop sequence for its lanes.
pub fn plan(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    // Files of the machine are no input: a plan that names one is not looked at.
    if text.contains("_file") || text.contains("\\u") {
        return;
    }
    match Plan::parse(NAME, text, Path::new("nowhere")) {
        Ok(plan) => {
            for lane in plan.lane_numbers().take(2) {
                let hopset = plan.hopset(lane).expect("a plan that was taken");
                assert!(hopset.channels().iter().all(|channel| plan.allowed().contains(*channel)));
                let sequence = plan.sequence(lane).expect("a plan that was taken");
                let channel = sequence.channel(Timeline::Home, Slot::new(1_000_000));
                assert!(hopset.contains(channel));
            }
            let _ = plan.digest();
        }
        Err(error) => judge(text, &error),
    }
    let larkfell = Plan::parse("larkfell.toml", LARKFELL, Path::new("")).expect("a shipped plan");
    match Scenario::parse(NAME, text, larkfell) {
        Ok(scenario) => drop(scenario.builder().expect("a scenario that was taken")),
        Err(error) => judge(text, &error),
    }
}

/// One clear error: what, where, how to mend it; and no key.
fn judge(text: &str, error: &Diagnostic) {
    let shown = error.to_string();
    assert!(shown.starts_with("error: "), "{shown}");
    assert!(!error.what().is_empty() && !error.help().is_empty(), "{shown}");
    let place = shown.lines().find_map(|line| line.trim_start().strip_prefix("--> "));
    let place = place.and_then(|place| place.strip_prefix(NAME));
    let mut numbers = place.unwrap_or_default().split(':').skip(1).map(str::parse::<usize>);
    if let (Some(Ok(line)), Some(Ok(column))) = (numbers.next(), numbers.next()) {
        let lines = text.split('\n').count();
        assert!((1..=lines).contains(&line) && column >= 1, "{shown}");
    } else {
        // One about no place in the text is about the plan of a scenario, or about all of it.
        assert!(place.is_none_or(str::is_empty), "{shown}");
    }
    let digits = |text: &str| text.chars().all(|c| c.is_ascii_hexdigit());
    let key = |word: &str| word.len() >= 32 && digits(word);
    let mut words = shown.split(|c: char| !c.is_ascii_alphanumeric());
    assert!(!words.any(key), "a key may be seen: {shown}");
}
