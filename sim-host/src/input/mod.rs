//! Reading what a person wrote: files, and TOML tables in which every value keeps its place.
//!
//! Tables are decoded by hand from the parser's spanned values and not by derive: each refusal
//! can then name the value, the limit and the way out, and no message quotes a key by accident.

mod file;
mod mask;
mod notes;
mod section;
mod suggest;
mod value;

pub use file::{MAX_BYTES, read_text};
pub(crate) use file::{read_bytes, read_secret};
pub(crate) use notes::{Kind, Notes, TableNotes};
pub use section::Section;
pub use suggest::nearest;
pub(crate) use suggest::shown;
pub use value::Located;

use crate::diagnostic::Diagnostic;
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};
use toml::Spanned;
use toml::de::DeTable;
use zeroize::Zeroizing;

/// A text with the name by which errors refer to it.
pub struct Source {
    name: String,
    text: Zeroizing<String>,
    masked: Arc<str>,
    /// What its reader asks, if that is wanted.
    notes: Option<Mutex<Notes>>,
}

impl Source {
    /// Takes a text. Keys in it are masked in everything that is shown of it, and the text is
    /// wiped when it is dropped.
    #[must_use]
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Self {
        let text = Zeroizing::new(text.into());
        let masked = mask::mask(&text).into();
        Self { name: name.into(), text, masked, notes: None }
    }

    /// The same, and notes what its reader asks.
    #[must_use]
    pub(crate) fn noting(self, notes: Notes) -> Self {
        Self { notes: Some(Mutex::new(notes)), ..self }
    }

    /// What its reader has asked.
    #[must_use]
    pub(crate) fn into_notes(self) -> Notes {
        let notes = self.notes.unwrap_or_default();
        notes.into_inner().unwrap_or_else(PoisonError::into_inner)
    }

    /// Notes something, if that is wanted.
    fn note(&self, what: impl FnOnce(&mut Notes)) {
        if let Some(notes) = &self.notes {
            what(&mut notes.lock().unwrap_or_else(PoisonError::into_inner));
        }
    }

    /// The name by which errors refer to the text.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// An error at `span` (bytes) of this text.
    #[must_use]
    pub fn error(
        &self,
        span: Range<usize>,
        what: impl Into<String>,
        help: impl Into<String>,
    ) -> Diagnostic {
        Diagnostic::in_text(&self.name, &self.masked, span, what, help)
    }

    /// The text's top-level table.
    ///
    /// # Errors
    /// The first thing that is not TOML.
    pub fn table(&self) -> Result<Spanned<DeTable<'_>>, Diagnostic> {
        if self.text.trim().is_empty() {
            return Err(self.error(
                0..0,
                "the file is empty",
                "in a clone, sim-host/plans/larkfell.toml is an example of a plan, \
                 sim-host/scenarios/larkfell.toml of a scenario",
            ));
        }
        DeTable::parse(&self.text).map_err(|error| {
            // The parser's message quotes key names at most, never values.
            let message = error.message().lines().next().unwrap_or("syntax error");
            let span = error.span().unwrap_or(0..0);
            self.error(
                span,
                format!("this is not TOML: {message}"),
                "write `name = value` lines under [table] headings; texts stand in double quotes",
            )
        })
    }

    /// The whole text. Never shown.
    pub(crate) fn text(&self) -> &str {
        &self.text
    }

    /// The bytes as written, for finding a place inside a value. Never shown.
    pub(crate) fn raw(&self, span: Range<usize>) -> &str {
        self.text.get(span).unwrap_or_default()
    }
}

impl std::fmt::Debug for Source {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Source({:?})", self.name)
    }
}
