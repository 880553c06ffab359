//! What each opponent achieves, in numbers, with the closed form beside it where there is one, and
//! whether the net gives what is asked of it. Simulated only.
//!
//! | module | opponents |
//! |---|---|
//! | `jamming` | partial-band noise, tones, sweep, pulses, the insider |
//! | `following` | the follower, and its curve |
//! | `starving` | the energy mimic |
//! | `playing` | recorder and relay, and the relay's curve |
//! | `forging` | made-up headers |

mod curves;
mod following;
mod forging;
mod jamming;
mod playing;
mod scene;
mod starving;

pub use curves::{Curve, Point, Value, write_curves};

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::trials::{share_of, wilson};

/// An opponent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, clap::ValueEnum)]
pub enum Name {
    /// Noise on a part of the hopset
    Noise,
    /// Tones: noise on a few channels that share its power
    Tones,
    /// Noise that moves over the hopset
    Sweep,
    /// Noise that comes and goes
    Pulses,
    /// Noise where something has been detected
    Follower,
    /// Energy where stations without time wait
    Mimic,
    /// Recordings, played again
    Replay,
    /// Everything again, a little later
    Relay,
    /// Made-up headers
    Forger,
    /// Noise on the rendezvous channels, by somebody who has the net key
    Insider,
}

impl Name {
    /// All of them, in the order of the table.
    pub const ALL: [Self; 10] = [
        Self::Noise,
        Self::Tones,
        Self::Sweep,
        Self::Pulses,
        Self::Follower,
        Self::Mimic,
        Self::Replay,
        Self::Relay,
        Self::Forger,
        Self::Insider,
    ];

    /// What the table calls it.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Noise => "noise",
            Self::Tones => "tones",
            Self::Sweep => "sweep",
            Self::Pulses => "pulses",
            Self::Follower => "follower",
            Self::Mimic => "mimic",
            Self::Replay => "replay",
            Self::Relay => "relay",
            Self::Forger => "forger",
            Self::Insider => "insider",
        }
    }
}

/// Whether the net gives what is asked of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It does.
    Holds,
    /// It does not.
    Fails,
    /// Nothing is asked: a documented limit, or told for comparison.
    Told,
}

impl Verdict {
    /// What the table says.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Holds => "holds",
            Self::Fails => "FAILS",
            Self::Told => "told",
        }
    }

    const fn of(holds: bool) -> Self {
        if holds { Self::Holds } else { Self::Fails }
    }
}

/// One line of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Who.
    pub name: Name,
    /// What was tried.
    pub tried: String,
    /// What is measured.
    pub what: &'static str,
    /// The unit of the numbers; empty for shares and counts.
    pub unit: &'static str,
    /// What came of it; no number if nothing was tried.
    pub measured: f64,
    /// The interval that covers the true value with 95 % confidence.
    pub interval: Option<(f64, f64)>,
    /// What a closed form says.
    pub closed_form: Option<f64>,
    /// What is required.
    pub required: String,
    /// Whether it holds.
    pub verdict: Verdict,
}

impl Finding {
    /// A share of `count`, with Wilson's interval. Of nothing there is no share: what is required of it
    /// fails.
    fn share(name: Name, tried: String, what: &'static str, (hits, count): (u64, u64)) -> Self {
        let (measured, interval) = match count {
            0 => (f64::NAN, None),
            _ => {
                let (share, interval) = share_of(hits, count);
                (share, Some(interval))
            }
        };
        let unit = "";
        let (closed_form, required, verdict) = (None, "-".to_owned(), Verdict::Told);
        Self { name, tried, what, unit, measured, interval, closed_form, required, verdict }
    }

    /// A value without an interval.
    fn value(
        name: Name,
        tried: String,
        what: &'static str,
        unit: &'static str,
        value: f64,
    ) -> Self {
        let (measured, interval, closed_form) = (value, None, None);
        let (required, verdict) = ("-".to_owned(), Verdict::Told);
        Self { name, tried, what, unit, measured, interval, closed_form, required, verdict }
    }

    /// Beside a closed form, for comparison only.
    fn beside(self, closed_form: f64) -> Self {
        Self { closed_form: Some(closed_form), ..self }
    }

    /// Must be what the closed form says, within the 99.9 % interval of `count` outcomes, and
    /// within `play` besides, which is for what the closed form leaves out.
    fn matching(self, closed_form: f64, (hits, count): (u64, u64), play: f64) -> Self {
        let (_, (lo, hi)) = wilson(hits, count, NORMAL_999);
        let half = 0.5 / count.max(1) as f64 + play;
        let agrees = count > 0 && lo - half <= closed_form && closed_form <= hi + half;
        let required = "as the closed form".to_owned();
        let (closed_form, verdict) = (Some(closed_form), Verdict::of(agrees));
        Self { closed_form, required, verdict, ..self }
    }

    /// Must not be more than the closed form, which is a bound, by what its interval leaves open.
    fn bounded(self, closed_form: f64) -> Self {
        let least = self.interval.map_or(self.measured, |(lo, _)| lo);
        let verdict = Verdict::of(least <= closed_form + 1e-12);
        let required = "no more than the closed form".to_owned();
        Self { closed_form: Some(closed_form), required, verdict, ..self }
    }

    /// Must not exceed `most`.
    fn at_most(self, most: f64) -> Self {
        let verdict = Verdict::of(self.measured <= most);
        Self { required: format!("at most {most}"), verdict, ..self }
    }

    /// Must not be less than `least`.
    fn at_least(self, least: f64) -> Self {
        let verdict = Verdict::of(self.measured >= least);
        Self { required: format!("at least {least}"), verdict, ..self }
    }

    /// Told as a limit that nothing can mend.
    fn limit(self) -> Self {
        Self { required: "a documented limit".to_owned(), ..self }
    }
}

/// Two-sided 99.9 % of the normal distribution.
const NORMAL_999: f64 = 3.290_527;

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Ask<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// Trials of each situation; the length of what is measured by the slot follows from it.
    pub trials: u32,
    /// What everything follows from.
    pub seed: u64,
}

/// What was found out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Report {
    /// The table.
    pub findings: Vec<Finding>,
    /// Its curves.
    pub curves: Vec<Curve>,
}

impl Report {
    /// Whether nothing that is required fails.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.findings.iter().all(|finding| finding.verdict != Verdict::Fails)
    }
}

/// Lets the opponents in `only`, all if it is empty, try what they can. `progress` is told who
/// begins.
///
/// # Errors
/// [`Diagnostic`] if the plan makes no stations.
pub fn investigate(
    ask: &Ask<'_>,
    only: &[Name],
    progress: impl Fn(Name),
) -> Result<Report, Diagnostic> {
    let mut report = Report::default();
    for name in Name::ALL.into_iter().filter(|name| only.is_empty() || only.contains(name)) {
        progress(name);
        match name {
            Name::Noise => jamming::noise(ask, &mut report)?,
            Name::Tones => jamming::tones(ask, &mut report)?,
            Name::Sweep => jamming::sweep(ask, &mut report)?,
            Name::Pulses => jamming::pulses(ask, &mut report)?,
            Name::Follower => following::follower(ask, &mut report)?,
            Name::Mimic => starving::mimic(ask, &mut report)?,
            Name::Replay => playing::replay(ask, &mut report)?,
            Name::Relay => playing::relay(ask, &mut report)?,
            Name::Forger => forging::forger(ask, &mut report)?,
            Name::Insider => jamming::insider(ask, &mut report)?,
        }
    }
    Ok(report)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nothing of nothing is no share that anything could be asked of.
    #[test]
    fn what_was_not_tried_holds_nothing() {
        let of = |count| Finding::share(Name::Relay, String::new(), "taken", (0, count));
        assert_eq!(of(1).at_most(0.0).verdict, Verdict::Holds);
        for finding in [of(0).at_most(0.0), of(0).at_least(0.0), of(0).bounded(1.0)] {
            assert_eq!(finding.verdict, Verdict::Fails);
            assert_eq!(finding.interval, None);
        }
    }
}
