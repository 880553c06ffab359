//! Equal use of all channels on average (47 CFR 15.247(a)(1)), counted.

use super::finding::{Finding, Verdict};
use super::survey::{LaneSurvey, Survey};
use hopwright_core::sequence::Draw;
use hopwright_core::units::Slot;
use std::collections::BTreeMap;

/// How far the statistic may lie from what equal chances give, in standard deviations. A fair
/// draw passes this about 31 999 times in 32 000 (normal approximation, upper tail).
const SIGMAS: f64 = 4.0;

/// How often the least and the most used channel of a lane are used.
struct Use {
    least: u64,
    most: u64,
    mean: f64,
    /// (statistic - degrees of freedom) / standard deviation, of the chi-square test.
    sigmas: f64,
}

impl Use {
    /// Counts whole blocks of as many slots as the hopset has channels.
    fn count(lane: &LaneSurvey, slots: usize) -> Self {
        let n = lane.channels().len();
        let mut counts: BTreeMap<_, u64> = lane.channels().iter().map(|c| (*c, 0)).collect();
        let whole = slots / n * n;
        for channel in lane.traffic(Slot::ZERO, whole) {
            *counts.entry(channel).or_default() += 1;
        }
        let mean = whole as f64 / n as f64;
        let chi2: f64 = counts.values().map(|c| (*c as f64 - mean).powi(2) / mean).sum();
        let freedom = (n - 1) as f64;
        Self {
            least: counts.values().copied().min().unwrap_or_default(),
            most: counts.values().copied().max().unwrap_or_default(),
            mean,
            sigmas: (chi2 - freedom) / (2.0 * freedom).sqrt(),
        }
    }
}

pub(super) fn equal_use(survey: &Survey<'_>) -> Finding {
    let n = survey.counted_slots();
    let uses: Vec<Use> = survey.lanes.iter().map(|lane| Use::count(lane, n)).collect();
    let structure = survey.plan.structure();
    let even = uses.iter().all(|u| u.least == u.most);
    let least = uses.iter().map(|u| u.least as f64 / u.mean).fold(f64::INFINITY, f64::min);
    let most = uses.iter().map(|u| u.most as f64 / u.mean).fold(0.0, f64::max);
    let sigmas = uses.iter().map(|u| u.sigmas).fold(f64::NEG_INFINITY, f64::max);
    let spread = format!("{least:.3} to {most:.3} of the mean");
    let (measured, verdict, note) = match (structure.equal_use, structure.draw) {
        (true, Draw::Balanced) => (
            if even { "every channel exactly as often".to_owned() } else { spread },
            Verdict::of(even),
            "counted over whole blocks of r * m slots".to_owned(),
        ),
        (true, _) => (
            spread,
            Verdict::of(sigmas <= SIGMAS),
            format!("equal on average only: chi-square lies {sigmas:+.1} standard deviations off"),
        ),
        (false, _) => (
            spread,
            Verdict::Fails,
            "rendezvous channels are used more often than others; set `equal_use` = true, which \
             needs a hopset of `rendezvous` * `frame` channels"
                .to_owned(),
        ),
    };
    let required = "each channel equally on average";
    Finding::new("15.247(a)(1)", "use of the channels", required, measured, verdict)
        .with_note(format!("{note} ({n} slots of unbroken traffic)"))
}
