//! What a plan amounts to, and what a published rule set says of it.
//!
//! Everything is counted on the sequences that the core draws from the plan, not estimated. A
//! rule set is a list of [`Finding`]s, each with its paragraph; what a plan cannot tell (transmit
//! power, say) is listed as not judged rather than left out.

mod consistency;
mod eu_863;
mod finding;
mod occupancy;
mod summary;
mod survey;
mod us_902;
mod us_902_use;

pub use finding::{Finding, Verdict};
pub use occupancy::{Worst, worst_occupancy};
pub use summary::{ExclusionSummary, LaneSummary, MessageSummary, Summary};
pub use survey::{LaneSurvey, Survey};

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use serde::Serialize;

/// A published rule set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
#[value(rename_all = "kebab-case")]
pub enum RuleSet {
    /// 47 CFR 15.247, frequency hopping in 902-928 MHz
    #[value(name = "us-902")]
    #[serde(rename = "us-902")]
    Us902,
    /// EN 300 220 and ERC/REC 70-03, frequency hopping in 863-870 MHz
    #[value(name = "eu-863")]
    #[serde(rename = "eu-863")]
    Eu863,
    /// The plan's own consistency only
    #[default]
    None,
}

impl RuleSet {
    /// What the findings are measured against, for people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Us902 => "47 CFR 15.247, frequency hopping in 902-928 MHz",
            Self::Eu863 => "863-870 MHz hopping (EN 300 220-2 V3.2.1, ERC/REC 70-03 annex 1)",
            Self::None => "none",
        }
    }
}

/// What every reader of a report should know before going on the air.
pub const CAUTIONS: [&str; 7] = [
    "Transmitting needs a licence, or equipment and use that the local radio rules permit. They \
     decide, not this report; ask a licensed practitioner or the regulator. This is no legal advice.",
    "Rule numbers were transcribed from published texts and summaries; check the current edition.",
    "Keep people out of the field of antennas: radio-frequency exposure limits apply.",
    "Not for distress or safety of life. Use the services that are meant for it.",
    "Interfering with others' communication is illegal. Here it is simulated, and only here.",
    "The cryptography is neither certified nor independently audited.",
    "Export and import law may cover equipment and software of this kind.",
];

/// A plan's report.
#[derive(Debug, Serialize)]
pub struct Report {
    /// The rule set asked for.
    pub rules: RuleSet,
    /// Whether nothing fails. Warnings and what is not judged do not count.
    pub holds: bool,
    /// What the plan amounts to.
    pub summary: Summary,
    /// The plan against itself.
    pub consistency: Vec<Finding>,
    /// The plan against the rule set.
    pub findings: Vec<Finding>,
    /// What to know before going on the air.
    pub cautions: &'static [&'static str],
}

/// Reports on a plan.
///
/// # Errors
/// [`Diagnostic`] if a lane cannot be derived, which a loaded plan has ruled out.
pub fn report(plan: &Plan, rules: RuleSet) -> Result<Report, Diagnostic> {
    let survey = Survey::new(plan)?;
    let consistency = consistency::findings(&survey);
    let findings = match rules {
        RuleSet::Us902 => us_902::findings(&survey),
        RuleSet::Eu863 => eu_863::findings(&survey),
        RuleSet::None => Vec::new(),
    };
    let failed = |f: &Finding| f.verdict == Verdict::Fails;
    Ok(Report {
        rules,
        holds: !consistency.iter().chain(&findings).any(failed),
        summary: Summary::new(&survey),
        consistency,
        findings,
        cautions: &CAUTIONS,
    })
}

#[cfg(test)]
mod tests;
