//! JSON Schemas of the inputs, for editors that complete and check while one writes.
//!
//! A schema is made of what the reader asks while it reads a specimen that has every table: kinds,
//! ranges, words and what has to be there are the reader's own. Where a range or a default depends on
//! another value, the widest range is noted and no default: the specimen's is not every text's. What a
//! key means comes from the tables of `docs/scenarios.md` and `docs/sweeps.md`. (What a schema cannot
//! say, such as that an interferer has a share or a band, only the reader says.)

mod meaning;

use crate::diagnostic::Diagnostic;
use crate::input::{Kind, Notes, Source, TableNotes};
use crate::plan::Plan;
use crate::scenario::Scenario;
use crate::sweep;
use meaning::Meanings;
use serde_json::{Map, Value, json};
use std::path::Path;
use std::sync::Arc;

/// What a schema describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, clap::ValueEnum)]
pub enum Input {
    /// A plan.
    Plan,
    /// A scenario.
    Scenario,
    /// A sweep.
    Sweep,
}

const PLAN: &str = include_str!("plan.toml");
const LANES: &str = include_str!("../../plans/larkfell-lanes.toml");
/// What excludes what the first has.
const OTHER_PLAN: &str = include_str!("other-plan.toml");
const SCENARIO: &str = include_str!("scenario.toml");
const RELAY: &str = include_str!("../../scenarios/larkfell-relay.toml");
const SWEEP: &str = include_str!("sweep.toml");

impl Input {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Plan => "plan",
            Self::Scenario => "scenario",
            Self::Sweep => "sweep",
        }
    }

    /// What its reader asks of the specimens.
    fn notes(self) -> Result<Notes, Diagnostic> {
        let mut notes = Notes::default();
        let here = Path::new("");
        match self {
            Self::Plan => {
                for text in [PLAN, OTHER_PLAN, LANES] {
                    let source = Source::new("specimen of a plan", text).noting(notes);
                    Plan::from_source(&source, here)?;
                    notes = source.into_notes();
                }
            }
            Self::Scenario => {
                for (plan, text) in [(PLAN, SCENARIO), (LANES, RELAY)] {
                    let plan = Plan::parse("specimen of a plan", plan, here)?;
                    let source = Source::new("specimen of a scenario", text).noting(notes);
                    Scenario::from_source(&source, plan)?;
                    notes = source.into_notes();
                }
            }
            Self::Sweep => {
                let source = Source::new("specimen of a sweep", SWEEP).noting(notes);
                let source = Arc::new(source);
                sweep::from_source(&source, here, (None, None))?;
                notes = Arc::into_inner(source).map(Source::into_notes).unwrap_or_default();
            }
        }
        Ok(notes)
    }

    /// The schema, JSON Schema 2020-12.
    ///
    /// # Errors
    /// [`Diagnostic`] never; the specimens are part of the program and tested.
    pub fn schema(self) -> Result<Value, Diagnostic> {
        let notes = self.notes()?;
        let meanings = Meanings::read();
        let mut schema = table(self, &notes, &meanings, "");
        if let Value::Object(object) = &mut schema {
            let dialect = "https://json-schema.org/draft/2020-12/schema";
            object.insert("$schema".to_owned(), dialect.into());
            object.insert("title".to_owned(), format!("Hopwright {}", self.name()).into());
        }
        Ok(schema)
    }
}

/// The schema of a table, and of those under it.
fn table(input: Input, notes: &Notes, meanings: &Meanings, path: &str) -> Value {
    let empty = TableNotes::default();
    let table = notes.tables.get(path).unwrap_or(&empty);
    let mut properties = Map::new();
    let mut required = Vec::new();
    for key in &table.known {
        let note = table.keys.get(key);
        let mut value = match note.and_then(|note| note.kind.as_ref()) {
            Some(kind) => self::kind(kind, &|child| {
                let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                self::table(input, notes, meanings, &format!("{path}{child}"))
            }),
            None => json!({}),
        };
        if let (Value::Object(value), Some(meaning)) = (&mut value, meanings.of(input, path, key)) {
            value.insert("description".to_owned(), meaning.into());
        }
        // Needed in every table of the kind that was read.
        let needed = note.is_some_and(|note| note.needed > 0 && note.needed >= table.visits);
        if needed {
            required.push(Value::from(key.as_str()));
        }
        let default = note.and_then(|note| note.default.as_deref()).filter(|_| !needed);
        let default = default.and_then(|text| serde_json::from_str::<Value>(text).ok());
        if let (Value::Object(value), Some(default)) = (&mut value, default) {
            value.insert("default".to_owned(), default);
        }
        properties.insert(key.clone(), value);
    }
    let mut schema = json!({
        "type": "object",
        "additionalProperties": false,
        "properties": properties,
    });
    if let (Value::Object(schema), false) = (&mut schema, required.is_empty()) {
        schema.insert("required".to_owned(), required.into());
    }
    schema
}

fn kind(kind: &Kind, below: &dyn Fn(&str) -> Value) -> Value {
    match kind {
        Kind::Whole(least, most) => {
            let mut value = json!({ "type": "integer" });
            // What does not fit is no limit that anybody meets.
            for (key, end) in [("minimum", *least), ("maximum", *most)] {
                if let (Value::Object(value), Ok(end)) = (&mut value, i64::try_from(end)) {
                    value.insert(key.to_owned(), end.into());
                }
            }
            value
        }
        Kind::Number(None) => json!({ "type": "number" }),
        Kind::Number(Some((least, most))) => {
            json!({ "type": "number", "minimum": least, "maximum": most })
        }
        Kind::Text => json!({ "type": "string" }),
        Kind::Form(expression) => json!({ "type": "string", "pattern": expression }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Words(words) => json!({ "enum": words }),
        Kind::List(entry) => json!({ "type": "array", "items": self::kind(entry, below) }),
        Kind::Table => below(""),
        Kind::Tables => json!({ "type": "array", "items": below("[]") }),
        Kind::Any => json!({}),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Input; 3] = [Input::Plan, Input::Scenario, Input::Sweep];

    /// A key that is new is read in a specimen, or the schema would not know what it is.
    #[test]
    fn every_key_is_read_in_a_specimen() {
        let mut strangers = Vec::new();
        for input in ALL {
            let notes = input.notes().expect("specimens fit");
            for (path, table) in &notes.tables {
                assert!(table.visits > 0, "{}: no [{path}] in a specimen", input.name());
                for key in &table.known {
                    let kind = table.keys.get(key).and_then(|note| note.kind.as_ref());
                    let below = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                    let there = |path: &str| notes.tables.get(path).is_some_and(|t| t.visits > 0);
                    let read = match kind {
                        None => false,
                        Some(Kind::Table) => there(&below),
                        Some(Kind::Tables) => there(&format!("{below}[]")),
                        Some(_) => true,
                    };
                    if !read {
                        strangers.push(format!("{}: [{path}] {key}", input.name()));
                    }
                }
            }
        }
        assert!(strangers.is_empty(), "{strangers:#?}");
    }

    /// Every key is explained in the documentation.
    #[test]
    fn every_key_is_explained() {
        let meanings = Meanings::read();
        let mut silent = Vec::new();
        for input in ALL {
            let notes = input.notes().expect("specimens fit");
            for (path, table) in &notes.tables {
                for key in &table.known {
                    let kind = table.keys.get(key).and_then(|note| note.kind.as_ref());
                    let plain = !matches!(kind, Some(Kind::Table | Kind::Tables));
                    if plain && meanings.of(input, path, key).is_none() {
                        silent.push(format!("{}: [{path}] {key}", input.name()));
                    }
                }
            }
        }
        assert!(silent.is_empty(), "{silent:#?}");
    }
}
