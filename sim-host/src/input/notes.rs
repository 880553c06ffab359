//! What a reader asks of a text, noted while it reads. A schema is made of that, so that it cannot
//! say anything else than the reader does.

use std::collections::BTreeMap;

/// Notes of one or several readings.
#[derive(Debug, Default)]
pub(crate) struct Notes {
    /// By path: empty for the file, `radio`, `station[]`, `station[].oscillator.ramp[]`.
    pub(crate) tables: BTreeMap<String, TableNotes>,
}

/// What was asked of the tables at one path.
#[derive(Debug, Default)]
pub(crate) struct TableNotes {
    /// How many there were.
    pub(crate) visits: u32,
    /// The keys that it may have, in the order in which the reader lists them.
    pub(crate) known: Vec<String>,
    pub(crate) keys: BTreeMap<String, KeyNotes>,
}

/// What was asked of a key.
#[derive(Debug, Default)]
pub(crate) struct KeyNotes {
    pub(crate) kind: Option<Kind>,
    /// In how many tables it had to be there.
    pub(crate) needed: u32,
    pub(crate) default: Option<String>,
}

/// What a value has to be.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Kind {
    /// A whole number.
    Whole(i128, i128),
    /// A number; in a range, if there is one.
    Number(Option<(f64, f64)>),
    Text,
    /// A text of a form: a regular expression.
    Form(&'static str),
    Flag,
    /// One of some words.
    Words(Vec<String>),
    List(Box<Self>),
    Table,
    Tables,
    /// Whatever can be written.
    Any,
}

impl Notes {
    pub(crate) fn visit(&mut self, path: &str, known: &[&str]) {
        let table = self.tables.entry(path.to_owned()).or_default();
        table.visits += 1;
        for key in known {
            if !table.known.iter().any(|other| other == key) {
                table.known.push((*key).to_owned());
            }
        }
    }

    fn key(&mut self, path: &str, key: &str) -> &mut KeyNotes {
        let table = self.tables.entry(path.to_owned()).or_default();
        table.keys.entry(key.to_owned()).or_default()
    }

    pub(crate) fn ask(&mut self, path: &str, key: &str, kind: Kind) {
        let note = self.key(path, key);
        note.kind = Some(match note.kind.take() {
            None => kind,
            Some(old) => old.or(kind),
        });
    }

    pub(crate) fn need(&mut self, path: &str, key: &str) {
        self.key(path, key).needed += 1;
    }

    pub(crate) fn unless_given(&mut self, path: &str, key: &str, default: String) {
        self.key(path, key).default = Some(default);
    }
}

impl Kind {
    /// What may be either: the same key in tables of several kinds, or a text that turns out to be
    /// one of some words.
    fn or(self, other: Self) -> Self {
        match (self, other) {
            (Self::Whole(a, b), Self::Whole(c, d)) => Self::Whole(a.min(c), b.max(d)),
            (Self::Number(Some((a, b))), Self::Number(Some((c, d)))) => {
                Self::Number(Some((a.min(c), b.max(d))))
            }
            (Self::Number(one), Self::Number(other)) => Self::Number(one.or(other)),
            (Self::Text, closer @ (Self::Form(_) | Self::Words(_)))
            | (closer @ (Self::Form(_) | Self::Words(_)), Self::Text) => closer,
            (Self::Words(mut words), Self::Words(more)) => {
                for word in more {
                    if !words.contains(&word) {
                        words.push(word);
                    }
                }
                Self::Words(words)
            }
            (Self::List(one), Self::List(other)) => Self::List(Box::new(one.or(*other))),
            (one, other) if one == other => one,
            _ => Self::Any,
        }
    }
}
