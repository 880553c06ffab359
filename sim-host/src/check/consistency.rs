//! A plan against itself: what the specification promises, computed for this plan.

use super::finding::{Finding, Verdict};
use super::survey::Survey;
use crate::plan::PickRule;
use hopwright_core::band::Lanes;
use hopwright_core::units::Channel;

pub(super) fn findings(survey: &Survey<'_>) -> Vec<Finding> {
    let mut findings = vec![unreachable(survey), apart(survey), key(survey), clocks(survey)];
    findings.extend(overlapping(survey));
    findings.extend(not_secret(survey));
    findings
}

fn unreachable(survey: &Survey<'_>) -> Finding {
    let strays = survey.channels().iter().filter(|c| !survey.plan.allowed().contains(**c)).count();
    Finding::new(
        "spec. 12, invariant 1",
        "excluded channels in a hopset",
        "none",
        strays.to_string(),
        Verdict::of(strays == 0),
    )
}

/// Lanes: no two share a channel (disjoint), or stay ranks apart (spaced).
fn apart(survey: &Survey<'_>) -> Finding {
    let paragraph = "spec. 12, invariant 5";
    let count = survey.lanes.len();
    match survey.plan.lanes().map(Lanes::spaced) {
        None => Finding::new(paragraph, "lanes", "no shared channel", "one lane", Verdict::Holds),
        Some(false) => {
            let shared = shared_pairs(survey);
            let pairs = count * (count - 1) / 2;
            let measured = match shared.as_slice() {
                [] => format!("{pairs} pairs of lanes compared, no channel shared"),
                [(a, b, c), ..] => format!("lanes {a} and {b} share channel {c}"),
            };
            let verdict = Verdict::of(shared.is_empty());
            Finding::new(paragraph, "lanes", "no shared channel", measured, verdict)
        }
        Some(true) => {
            let ranks = survey.sizes().0 / count.max(1);
            let measured =
                format!("one hopset, turned by at least {ranks} ranks from lane to lane");
            let verdict = if ranks == 0 { Verdict::Fails } else { Verdict::Holds };
            Finding::new("spec. 2", "spaced lanes", "1 rank apart or more", measured, verdict)
                .with_note("spaced lanes keep apart only while their clocks agree")
        }
    }
}

fn shared_pairs(survey: &Survey<'_>) -> Vec<(u8, u8, Channel)> {
    let mut shared = Vec::new();
    for (i, a) in survey.lanes.iter().enumerate() {
        for b in survey.lanes.iter().skip(i + 1) {
            let common = a.channels().iter().find(|c| b.sequence.hopset().contains(**c));
            shared.extend(common.map(|c| (a.lane.number(), b.lane.number(), *c)));
        }
    }
    shared
}

fn key(survey: &Survey<'_>) -> Finding {
    let (measured, verdict) = if survey.plan.training_key() {
        ("a published training key: FOR SIMULATION ONLY", Verdict::Warning)
    } else {
        ("not one of the published examples", Verdict::Holds)
    };
    Finding::new("spec. 3", "net key", "secret", measured, verdict)
}

/// The guard must be longer than what clocks and distance leave of uncertainty right after a header:
/// of any other plan the core makes no station, and it is refused before it comes here.
fn clocks(survey: &Survey<'_>) -> Finding {
    let clock = survey.plan.clock();
    let spread = clock.first_spread();
    let guard = survey.plan.timing().guard();
    Finding::new(
        "spec. 6",
        "jitter, wander and propagation",
        format!("less than the guard of {guard}"),
        format!("{spread} ({})", clock.first_spread_text()),
        Verdict::of(spread < guard),
    )
}

fn overlapping(survey: &Survey<'_>) -> Option<Finding> {
    let raster = survey.plan.raster();
    (raster.occupied() > raster.spacing()).then(|| {
        Finding::new(
            "spec. 2",
            "overlap of neighbouring channels",
            format!("at most {} occupied", raster.spacing()),
            raster.occupied().to_string(),
            Verdict::Warning,
        )
        .with_note("lanes that share no channel still disturb their neighbours")
    })
}

fn not_secret(survey: &Survey<'_>) -> Option<Finding> {
    matches!(survey.plan.pick(), PickRule::Even(_)).then(|| {
        Finding::new(
            "spec. 2",
            "secrecy of the hopset",
            "drawn by the key",
            "pick = \"even\" is for teaching",
            Verdict::Warning,
        )
    })
}
