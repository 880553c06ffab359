//! One clear error per bad input: what is wrong, where, and how to mend it.
//!
//! ```text
//! error: `count` must be 1 to 4096, not 5000
//!  --> valley.toml:8:9
//!   |
//! 8 | count = 5000
//!   |         ^^^^
//! help: use 1 to 4096
//! ```
//!
//! The excerpt comes from a copy of the text in which keys are masked (see
//! [`crate::input::Source`]), so that an error can be shown to anybody.

use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};
use hopwright_core::tree::OrderError;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

/// Why an input was refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic(Box<Inner>);

#[derive(Debug, Clone, PartialEq, Eq)]
struct Inner {
    what: String,
    place: Place,
    help: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Place {
    /// Not in a file (a command-line argument, say).
    Nowhere,
    /// A file that could not be read.
    File(String),
    /// Bytes of a text. The text is the masked one.
    Text { name: String, text: Arc<str>, span: Range<usize> },
}

impl Diagnostic {
    /// An error that lies in no file.
    #[must_use]
    pub fn new(what: impl Into<String>, help: impl Into<String>) -> Self {
        Self(Box::new(Inner { what: what.into(), place: Place::Nowhere, help: help.into() }))
    }

    /// Why there is no order of a change of the net key.
    #[must_use]
    pub fn of_order(error: OrderError) -> Self {
        let help = "withdraw fewer stations; a plan has 255 withdrawals, and then needs a new tree";
        Self::new(error.to_string(), help)
    }

    /// An error about a file as a whole.
    #[must_use]
    pub fn in_file(
        name: impl Into<String>,
        what: impl Into<String>,
        help: impl Into<String>,
    ) -> Self {
        let place = Place::File(name.into());
        Self(Box::new(Inner { what: what.into(), place, help: help.into() }))
    }

    /// An error at some bytes of a text, which must be masked already.
    #[must_use]
    pub(crate) fn in_text(
        name: &str,
        masked: &Arc<str>,
        span: Range<usize>,
        what: impl Into<String>,
        help: impl Into<String>,
    ) -> Self {
        let span = on_one_line(masked, span);
        let place = Place::Text { name: name.to_owned(), text: Arc::clone(masked), span };
        Self(Box::new(Inner { what: what.into(), place, help: help.into() }))
    }

    /// What is wrong.
    #[must_use]
    pub fn what(&self) -> &str {
        &self.0.what
    }

    /// Whether it is about a file as a whole: one that could not be read.
    #[must_use]
    pub(crate) fn about_a_file(&self) -> bool {
        matches!(self.0.place, Place::File(_))
    }

    /// File, line and column, counted from 1; the file alone if it is about the whole file.
    #[must_use]
    pub(crate) fn place(&self) -> Option<String> {
        match &self.0.place {
            Place::Nowhere => None,
            Place::File(name) => Some(name.clone()),
            Place::Text { name, text, span } => {
                let before = text.get(..span.start).unwrap_or_default();
                let line = before.matches('\n').count() + 1;
                let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
                Some(format!("{name}:{line}:{column}"))
            }
        }
    }

    /// How to mend it.
    #[must_use]
    pub fn help(&self) -> &str {
        &self.0.help
    }
}

/// Cuts a span to the first line it touches, on character boundaries: the start of a table or
/// list says enough.
fn on_one_line(text: &str, span: Range<usize>) -> Range<usize> {
    let boundary = |at: &usize| text.is_char_boundary(*at);
    let start = (0..=span.start.min(text.len())).rev().find(boundary).unwrap_or_default();
    let end = (span.end.clamp(start, text.len())..text.len()).find(boundary).unwrap_or(text.len());
    let cut = text.get(start..end).and_then(|part| part.find(['\n', '\r']));
    start..cut.map_or(end, |at| start + at)
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Inner { what, place, help } = &*self.0;
        let error = Level::ERROR.primary_title(what.as_str());
        let group = match place {
            Place::Nowhere => Group::with_title(error),
            Place::File(name) => Group::with_title(error).element(Origin::path(name.as_str())),
            Place::Text { name, text, span } => error.element(
                Snippet::source(&**text)
                    .path(name.as_str())
                    .annotation(AnnotationKind::Primary.span(span.clone())),
            ),
        };
        f.write_str(&Renderer::plain().render(&[group]))?;
        write!(f, "\nhelp: {help}")
    }
}

impl std::error::Error for Diagnostic {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_shows_what_where_and_how_to_mend_it() {
        let text: Arc<str> = "a = 1\nb = [\n  2,\n]\n".into();
        let error = Diagnostic::in_text("x.toml", &text, 10..18, "b is a list", "use a number");
        let lines: Vec<String> = error.to_string().lines().map(str::to_owned).collect();
        assert_eq!(lines.first().unwrap(), "error: b is a list");
        assert!(lines[1].ends_with("--> x.toml:2:5"), "{error}");
        assert_eq!(error.place().as_deref(), Some("x.toml:2:5"));
        assert!(lines.iter().any(|line| line == "2 | b = ["), "{error}");
        assert_eq!(lines.last().unwrap(), "help: use a number");
    }

    #[test]
    fn a_span_past_the_end_is_brought_back() {
        let text: Arc<str> = "é".into();
        let shown = Diagnostic::in_text("x", &text, 1..99, "w", "h").to_string();
        assert!(shown.contains("x:1:1"), "{shown}");
        let empty: Arc<str> = "".into();
        let shown = Diagnostic::in_text("x", &empty, 7..9, "w", "h").to_string();
        assert!(shown.contains("x:1:1"), "{shown}");
    }
}
