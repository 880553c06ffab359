//! Frequency hopping in 863-870 MHz (EN 300 220-2 V3.2.1 table C.1, ERC/REC 70-03 annex 1).
//!
//! Neither document was read itself: the numbers were read in a national regulation that quotes
//! both (RIR 1008/20). Every finding says so.

use super::finding::{Finding, Verdict};
use super::survey::Survey;
use super::us_902::name;
use hopwright_core::units::Channel;

const BAND_HZ: (u64, u64) = (863_000_000, 870_000_000);
const CHANNELS: usize = 47;
const BANDWIDTH_HZ: u64 = 100_000;
/// Kept for others: no hopping here.
const KEPT_FREE_HZ: [(u64, u64); 3] =
    [(868_600_000, 868_700_000), (869_200_000, 869_400_000), (869_650_000, 869_700_000)];
/// 0.1 % of an hour.
const ON_AIR_US_PER_HOUR: u64 = 3_600_000;
const PARAGRAPH: &str = "70-03 annex 1";
const SOURCE: &str = "number read in a national regulation (RIR 1008/20) that quotes EN 300 220-2 \
                      and ERC/REC 70-03, not in the originals";

pub(super) fn findings(survey: &Survey<'_>) -> Vec<Finding> {
    let mut findings = vec![
        in_band(survey),
        channel_count(survey),
        bandwidth(survey),
        kept_free(survey),
        duty_cycle(survey),
        announce(survey),
        Finding::new(
            PARAGRAPH,
            "effective radiated power",
            "at most 25 mW e.r.p.",
            "a plan has no power",
            Verdict::NotJudged,
        ),
    ];
    findings.extend(calling(survey));
    findings.into_iter().map(with_source).collect()
}

fn with_source(finding: Finding) -> Finding {
    let note = match &finding.note {
        Some(note) => format!("{note}; {SOURCE}"),
        None => SOURCE.to_owned(),
    };
    finding.with_note(note)
}

fn in_band(survey: &Survey<'_>) -> Finding {
    let (low, high) = survey.twice_span();
    Finding::new(
        PARAGRAPH,
        "band, occupied edges included",
        "863 to 870 MHz",
        format!("{} to {}", Survey::mhz(low / 2), Survey::mhz(high.div_ceil(2))),
        Verdict::of(2 * BAND_HZ.0 <= low && high <= 2 * BAND_HZ.1),
    )
}

fn channel_count(survey: &Survey<'_>) -> Finding {
    let (least, most) = survey.sizes();
    let measured =
        if least == most { least.to_string() } else { format!("{least} to {most} by lane") };
    Finding::new(
        PARAGRAPH,
        "hopping channels of each net",
        format!("at least {CHANNELS}"),
        measured,
        Verdict::of(least >= CHANNELS),
    )
}

fn bandwidth(survey: &Survey<'_>) -> Finding {
    let occupied = survey.plan.raster().occupied().hz();
    Finding::new(
        PARAGRAPH,
        "channel bandwidth",
        "at most 100 kHz",
        format!("{} kHz", occupied as f64 / 1e3),
        Verdict::of(occupied <= BANDWIDTH_HZ),
    )
}

/// Whether a channel lies in a band that is kept for others.
fn kept_for_others(survey: &Survey<'_>, channel: Channel) -> bool {
    let (low, high) = survey.twice_edges(channel);
    // A shared edge is no overlap here: the rule names the bands, and keeps no guard.
    KEPT_FREE_HZ.iter().any(|(from, to)| low < 2 * to && high > 2 * from)
}

fn kept_free(survey: &Survey<'_>) -> Finding {
    // What is sent on the calling channel does not hop, and is none of what these bands are kept for.
    let overlaps = |channel: &Channel| kept_for_others(survey, *channel);
    let inside: Vec<Channel> = survey.on_air().into_iter().filter(overlaps).collect();
    let measured = match inside.as_slice() {
        [] => "none".to_owned(),
        [one] => name(survey, *one),
        [first, .., last] => format!(
            "{} channels, from {} to {}",
            inside.len(),
            name(survey, *first),
            name(survey, *last)
        ),
    };
    Finding::new(
        PARAGRAPH,
        "channels in bands kept free of hopping",
        "none in 868.6-868.7, 869.2-869.4, 869.65-869.7 MHz",
        measured,
        Verdict::of(inside.is_empty()),
    )
}

/// A calling channel: what is sent there does not hop.
fn calling(survey: &Survey<'_>) -> Option<Finding> {
    let channel = survey.calling()?;
    let (low, high) = survey.twice_edges(channel);
    let outside = low < 2 * BAND_HZ.0 || high > 2 * BAND_HZ.1;
    let fails = outside || kept_for_others(survey, channel);
    let finding = Finding::new(
        PARAGRAPH,
        "calling channel: transmissions that do not hop",
        "hopping, or the rules of the sub-band in which it stands",
        name(survey, channel),
        if fails { Verdict::Fails } else { Verdict::Warning },
    );
    Some(finding.with_note(
        "the single-channel modes send on this one channel, and everything above is for hopping: what \
         stands still has the duty cycle, bandwidth and power of its own sub-band, which are not \
         judged here; look them up, or leave `calling_hz` out",
    ))
}

fn slots_per_hour(survey: &Survey<'_>) -> u64 {
    ON_AIR_US_PER_HOUR / survey.slot_us().max(1)
}

fn duty_cycle(survey: &Survey<'_>) -> Finding {
    let slots = slots_per_hour(survey);
    Finding::new(
        PARAGRAPH,
        "duty cycle of the whole transmission",
        "at most 0.1 %",
        format!("3.6 s in an hour are {slots} slots of {} us", survey.slot_us()),
        Verdict::NotJudged,
    )
    .with_note("a plan does not say how much is sent")
}

fn announce(survey: &Survey<'_>) -> Finding {
    let (run, slots) = (u64::from(survey.plan.announce_slots()), slots_per_hour(survey));
    let verdict = if run <= slots { Verdict::Holds } else { Verdict::Warning };
    Finding::new(
        PARAGRAPH,
        "one announce against an hour's duty cycle",
        format!("at most {slots} slots"),
        format!("{run} slots"),
        verdict,
    )
}
