//! One line of a report.

use serde::Serialize;
use std::fmt;

/// What came of one rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The plan keeps it.
    Holds,
    /// The plan breaks it.
    Fails,
    /// The plan may break it: a person has to look.
    Warning,
    /// A plan cannot tell.
    NotJudged,
}

impl Verdict {
    /// Holds if `held`, else fails.
    #[must_use]
    pub const fn of(held: bool) -> Self {
        if held { Self::Holds } else { Self::Fails }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Holds => "holds",
            Self::Fails => "FAILS",
            Self::Warning => "warning",
            Self::NotJudged => "not judged",
        })
    }
}

/// One rule, and what the plan makes of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// The paragraph that it comes from.
    pub paragraph: &'static str,
    /// What is looked at.
    pub what: String,
    /// What the rule asks for.
    pub required: String,
    /// What the plan has.
    pub measured: String,
    /// What came of it.
    pub verdict: Verdict,
    /// How it was measured, and where the number comes from.
    pub note: Option<String>,
}

impl Finding {
    /// A finding without a note.
    #[must_use]
    pub fn new(
        paragraph: &'static str,
        what: impl Into<String>,
        required: impl Into<String>,
        measured: impl Into<String>,
        verdict: Verdict,
    ) -> Self {
        let (what, required, measured) = (what.into(), required.into(), measured.into());
        Self { paragraph, what, required, measured, verdict, note: None }
    }

    /// The same with a note.
    #[must_use]
    pub fn with_note(mut self, note: impl Into<String>) -> Self {
        self.note = Some(note.into());
        self
    }
}
