//! 47 CFR 15.247 for frequency hopping in 902-928 MHz.
//!
//! The numbers of (a)(1) and (a)(1)(i) were read in the regulation's text, those of (b) in
//! quotations of it, and (h) in a summary only; each finding says so where it matters.

use super::finding::{Finding, Verdict};
use super::occupancy::{Worst, announces};
use super::survey::Survey;
use super::us_902_use::equal_use;
use hopwright_core::band::Lanes;
use hopwright_core::station::CUT_IN_SLOTS;
use hopwright_core::units::Channel;

const BAND_HZ: (u64, u64) = (902_000_000, 928_000_000);
/// From this 20 dB bandwidth on, fewer channels will do, in a shorter window.
const WIDE_HZ: u64 = 250_000;
const WIDEST_HZ: u64 = 500_000;
const OCCUPANCY_US: u64 = 400_000;

/// What (a)(1)(i) asks of a channel of this bandwidth.
struct Class {
    channels: usize,
    window_us: u64,
}

const fn class(bandwidth_hz: u64) -> Class {
    if bandwidth_hz < WIDE_HZ {
        Class { channels: 50, window_us: 20_000_000 }
    } else {
        Class { channels: 25, window_us: 10_000_000 }
    }
}

const BANDWIDTH_NOTE: &str =
    "the 20 dB bandwidth is taken to be the plan's `occupied_hz`; measure it";

pub(super) fn findings(survey: &Survey<'_>) -> Vec<Finding> {
    let bandwidth = survey.plan.raster().occupied().hz();
    let class = class(bandwidth);
    let mut findings = vec![
        in_band(survey),
        Finding::new(
            "15.247(a)(1)(i)",
            "20 dB bandwidth",
            format!("at most {} kHz", khz(WIDEST_HZ)),
            format!("{} kHz", khz(bandwidth)),
            Verdict::of(bandwidth <= WIDEST_HZ),
        )
        .with_note(BANDWIDTH_NOTE),
        separation(survey),
        channel_count(survey, &class),
        dwell(survey, &class),
        cut_in(survey, &class),
        run_channels(survey, &class),
        equal_use(survey),
        Finding::new(
            "15.247(a)(1)",
            "pseudo-randomly ordered list",
            "pseudo-random",
            "drawn with ChaCha20 (specification 3)",
            Verdict::NotJudged,
        ),
        power(survey),
        Finding::new(
            "15.247(b)(4)",
            "antenna gain",
            "power reduced by what exceeds 6 dBi",
            "a plan has no antenna",
            Verdict::NotJudged,
        ),
        coordination(survey),
    ];
    findings.extend(calling(survey));
    findings
}

/// A calling channel: what is sent there does not hop.
fn calling(survey: &Survey<'_>) -> Option<Finding> {
    let channel = survey.calling()?;
    let (low, high) = survey.twice_edges(channel);
    let outside = low < 2 * BAND_HZ.0 || high > 2 * BAND_HZ.1;
    let finding = Finding::new(
        "15.247(a)(1)",
        "calling channel: transmissions that do not hop",
        "a system that hops",
        name(survey, channel),
        if outside { Verdict::Fails } else { Verdict::Warning },
    );
    Some(finding.with_note(
        "the single-channel modes send on this one channel; (a)(1) is written for systems that hop, and \
         (a)(2) lets digital modulation stand still, with a 6 dB bandwidth of 500 kHz or more (from a \
         summary, not the regulation's own text); ask under which rule, if any, these modes may be \
         used, or leave `calling_hz` out",
    ))
}

fn khz(hz: u64) -> String {
    if hz.is_multiple_of(1_000) {
        (hz / 1_000).to_string()
    } else {
        format!("{:.3}", hz as f64 / 1e3)
    }
}

fn in_band(survey: &Survey<'_>) -> Finding {
    let (low, high) = survey.twice_span();
    let inside = 2 * BAND_HZ.0 <= low && high <= 2 * BAND_HZ.1;
    Finding::new(
        "15.247(a)(1)(i)",
        "band, occupied edges included",
        "902 to 928 MHz",
        format!("{} to {}", Survey::mhz(low / 2), Survey::mhz(high.div_ceil(2))),
        Verdict::of(inside),
    )
}

fn separation(survey: &Survey<'_>) -> Finding {
    let required = survey.plan.raster().occupied().hz().max(25_000);
    let closest = survey
        .lanes
        .iter()
        .flat_map(|lane| lane.channels().windows(2))
        .filter_map(|pair| match pair {
            [a, b] => Some(survey.hz(*b) - survey.hz(*a)),
            _ => None,
        })
        .min()
        .unwrap_or_default();
    Finding::new(
        "15.247(a)(1)",
        "carrier separation within a hopset",
        format!("at least {} kHz", khz(required)),
        format!("{} kHz", khz(closest)),
        Verdict::of(closest >= required),
    )
    .with_note(format!("the larger of 25 kHz and the 20 dB bandwidth; {BANDWIDTH_NOTE}"))
}

fn channel_count(survey: &Survey<'_>, class: &Class) -> Finding {
    let (least, most) = survey.sizes();
    let measured =
        if least == most { least.to_string() } else { format!("{least} to {most} by lane") };
    Finding::new(
        "15.247(a)(1)(i)",
        "hopping channels of each net",
        format!("at least {}", class.channels),
        measured,
        Verdict::of(least >= class.channels),
    )
}

/// The worst of all lanes, by a measure of one.
fn worst_lane(survey: &Survey<'_>, of: impl Fn(&super::LaneSurvey) -> Worst) -> Worst {
    survey.lanes.iter().map(of).max_by_key(|worst| worst.us).unwrap_or_default()
}

/// The average time on the air of the busiest channel within a window, if slot after slot is
/// sent: exact, as a fraction of microseconds. A frame of `m` slots visits one of `r` rendezvous
/// channels, and `m - 1` times one of the traffic channels (specification 4); either way each as
/// often as the next, on average.
fn average_us(survey: &Survey<'_>, window_us: u64) -> (u64, u64) {
    let structure = survey.plan.structure();
    let (m, r) = (u64::from(structure.frame), u64::from(structure.rendezvous));
    let (least, _) = survey.sizes();
    let n = least as u64;
    if structure.equal_use {
        // Rendezvous channels carry no traffic: 1 / (r m) of the slots, and
        // (m - 1) / (m (n - r)), which with n = r m is the same.
        (window_us, r * m)
    } else {
        // 1 / (r m) + (m - 1) / (m n), on a common denominator.
        (window_us * (n + (m - 1) * r), r * m * n)
    }
}

fn dwell(survey: &Survey<'_>, class: &Class) -> Finding {
    let (slot, window, n) = (survey.slot_us(), class.window_us, survey.counted_slots());
    let run = survey.plan.announce_slots();
    let traffic = worst_lane(survey, |lane| lane.worst_of_traffic(n, slot, window));
    let announce = worst_lane(survey, |lane| lane.worst_of_announce(run, n, false, slot, window));
    let again = worst_lane(survey, |lane| lane.worst_of_announce(run, n, true, slot, window));
    let (average, of) = average_us(survey, window);
    let worst = traffic.us.max(announce.us).max(again.us);
    let verdict = match (average <= OCCUPANCY_US * of, worst <= OCCUPANCY_US) {
        (true, true) => Verdict::Holds,
        (true, false) => Verdict::Warning,
        (false, _) => Verdict::Fails,
    };
    let s = |us: u64| us as f64 / 1e6;
    let average_s = average as f64 / of as f64 / 1e6;
    let tried = announces(usize::try_from(window.div_ceil(slot.max(1))).unwrap_or(n));
    Finding::new(
        "15.247(a)(1)(i)",
        "occupancy of the busiest channel",
        format!("at most 0.4 s within {} s, on average", window / 1_000_000),
        format!(
            "{average_s:.3} s on average; in the worst window {:.3} s of traffic, {:.3} s with an \
             announce of {run} slots before it, {:.3} s with traffic before the announce too",
            s(traffic.us),
            s(announce.us),
            s(again.us)
        ),
        verdict,
    )
    .with_note(format!(
        "the rule speaks of the average time of occupancy, which is that of unbroken traffic; the \
         worst windows, the stricter reading, are counted over {n} slots of it and {tried} \
         announces of every lane, whole slots on the air, windows starting anywhere{}",
        match verdict {
            Verdict::Warning => excess(average_s, &[traffic, announce, again]),
            Verdict::Fails => "; use more channels, or equal use".to_owned(),
            Verdict::Holds | Verdict::NotJudged => String::new(),
        }
    ))
}

/// What to do about windows that are fuller than the average: in traffic, in an announce after
/// silence, in an announce between traffic.
fn excess(average_s: f64, [traffic, announce, again]: &[Worst; 3]) -> String {
    let worst = traffic.us.max(announce.us).max(again.us) as f64 / 1e6;
    let way_out = if traffic.us > OCCUPANCY_US {
        "use more channels to keep it in every window"
    } else if announce.us > OCCUPANCY_US {
        "shorten [announce] `slots`"
    } else {
        "do not announce into running traffic, or shorten [announce] `slots`"
    };
    format!(
        "; the average of {average_s:.3} s holds, a window of {worst:.3} s exceeds it: {way_out}"
    )
}

fn run_channels(survey: &Survey<'_>, class: &Class) -> Finding {
    let r = usize::from(survey.plan.structure().rendezvous);
    let verdict = if r >= class.channels { Verdict::Holds } else { Verdict::Warning };
    Finding::new(
        "15.247(a)(1)(i)",
        "channels of a run (announce, cut-in, lead-in)",
        format!("{}, if a run is judged alone", class.channels),
        format!("{r} for {} slots", survey.plan.announce_slots()),
        verdict,
    )
    .with_note(format!(
        "a run uses the rendezvous channels only; whether so short a run counts by itself is for \
         a test laboratory to say; a cut-in's run has {CUT_IN_SLOTS} slots"
    ))
}

/// A cut-in, whose run has a length that no plan shortens: never more than a warning, since the average
/// is that of traffic.
fn cut_in(survey: &Survey<'_>, class: &Class) -> Finding {
    let (slot, window, n) = (survey.slot_us(), class.window_us, survey.counted_slots());
    let worst = worst_lane(survey, |lane| lane.worst_of_cut_in(CUT_IN_SLOTS, n, slot, window));
    let alone =
        |lane: &super::LaneSurvey| lane.worst_of_cut_in_alone(CUT_IN_SLOTS, n, slot, window);
    let run = worst_lane(survey, alone);
    let holds = worst.us <= OCCUPANCY_US;
    Finding::new(
        "15.247(a)(1)(i)",
        "a cut-in's run and its talk, by themselves",
        format!("at most 0.4 s within {} s, on average", window / 1_000_000),
        format!(
            "in the worst window {:.3} s on one channel, up to {:.3} s of it by the run of {CUT_IN_SLOTS} slots",
            worst.us as f64 / 1e6,
            run.us as f64 / 1e6
        ),
        if holds { Verdict::Holds } else { Verdict::Warning },
    )
    .with_note(format!(
        "a member without time cuts in; no plan makes its run shorter (specification 9); counted as \
         announces are{}",
        if holds { "" } else { "; more `rendezvous` channels lower it, or shorter slots" }
    ))
}

fn power(survey: &Survey<'_>) -> Finding {
    let (least, _) = survey.sizes();
    let required = match least {
        50.. => "at most 1 W (50 channels or more)",
        25..50 => "at most 0.25 W (25 to 49 channels)",
        _ => "no limit given for fewer than 25 channels",
    };
    Finding::new(
        "15.247(b)(2)",
        "peak conducted output power",
        required,
        "a plan has no power",
        Verdict::NotJudged,
    )
}

fn coordination(survey: &Survey<'_>) -> Finding {
    let required = "no coordination of systems to avoid simultaneous occupancy";
    let source = "from a summary, not the regulation's own text";
    let (measured, verdict, note) = match survey.plan.lanes().map(Lanes::spaced) {
        None => ("one net, no lanes".to_owned(), Verdict::Holds, source.to_owned()),
        Some(spaced) => {
            let how = if spaced { "spaced" } else { "disjoint" };
            (
                format!("{} {how} lanes keep nets off each other's channels", survey.lanes.len()),
                Verdict::Warning,
                format!(
                    "{source}: choosing one's own channels to avoid occupied ones is allowed, \
                     express coordination between systems is not; ask before running lanes under \
                     this rule"
                ),
            )
        }
    };
    Finding::new("15.247(h)", "lanes", required, measured, verdict).with_note(note)
}

/// A channel and its frequency, for people.
pub(super) fn name(survey: &Survey<'_>, channel: Channel) -> String {
    format!("channel {channel} ({})", Survey::mhz(survey.hz(channel)))
}
