//! A value put in its place in a scenario or a plan.
//!
//! The text is changed where the value stands and nowhere else: lines keep their numbers, and an
//! error of a reader shows what the sweep made of them.

use crate::input::shown;
use std::ops::Range;
use toml_edit::{ArrayOfTables, DocumentMut, Item, Key, Table, TableLike, Value};

/// What a path begins with that leads into the plan.
const PLAN: &str = "plan:";
/// What keys are called, and the table that they stand in. Their values would stand in results.
const SECRETS: [&str; 4] = ["net", "key", "tree_key", "band_key"];

/// Which text a path leads into.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Document {
    /// The scenario.
    Scenario,
    /// The plan that the scenario names.
    Plan,
}

impl Document {
    /// What it is called in errors.
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Scenario => "the scenario",
            Self::Plan => "the plan",
        }
    }
}

/// Why something cannot be put where it should be: what is wrong, and how to mend it.
pub(super) type Fault = (String, String);

/// The place of a value: `interferer.0.share`, `plan:slots.window`.
#[derive(Debug, Clone)]
pub(super) struct Path {
    /// The text that it leads into.
    pub(super) document: Document,
    keys: Vec<String>,
    written: String,
    /// Where it is written.
    pub(super) span: Range<usize>,
}

impl Path {
    /// Reads a path.
    pub(super) fn parse(written: &str, span: Range<usize>) -> Result<Self, Fault> {
        let (document, dotted) = match written.strip_prefix(PLAN) {
            Some(rest) => (Document::Plan, rest),
            None => (Document::Scenario, written),
        };
        let keys = Key::parse(dotted).map_err(|_| {
            (
                "this is no path to a value".to_owned(),
                "write it like \"interferer.0.share\" or \"plan:slots.window\"; names with spaces \
                 stand in quotes: 'station.\"boat heron\".x_m'"
                    .to_owned(),
            )
        })?;
        let keys: Vec<String> = keys.iter().map(|key| key.get().to_owned()).collect();
        if keys.last().is_some_and(|last| SECRETS.contains(&last.as_str())) {
            return Err((
                "a key is not a factor: its value would stand in every result".to_owned(),
                "keys = \"trial\" in [sweep] gives every trial a net key of its own".to_owned(),
            ));
        }
        if document == Document::Scenario && keys == ["scenario", "seed"] {
            return Err((
                "each trial has a seed of its own, and this one would decide nothing".to_owned(),
                "leave it out; `seed` in [sweep] is what all of them come from".to_owned(),
            ));
        }
        Ok(Self { document, keys, written: written.to_owned(), span })
    }

    /// The path as it was written.
    pub(super) fn written(&self) -> &str {
        &self.written
    }

    /// Whether `what` says of the document that it has no such key, in its table, as the path goes by.
    pub(super) fn goes_by_no_key(&self, document: Document, what: &str) -> bool {
        let first = self.keys.first().map_or("", String::as_str);
        let lacks = |(depth, key): (usize, &String)| {
            // A table, or the entry of a list behind its number or name.
            let table = match depth {
                0 => "the file".to_owned(),
                1 => format!("[{first}]"),
                _ => format!("[[{first}]]"),
            };
            what == format!("{table} has no key `{}`", shown(key))
        };
        self.document == document && self.keys.iter().enumerate().any(lacks)
    }

    /// Whether another path leads to the same place, spelled alike. Other spellings of one place show
    /// in a text only: [`Path::place`].
    pub(super) fn same(&self, other: &Self) -> bool {
        self.document == other.document && self.keys == other.keys
    }

    /// Where the path leads in a text: its keys, and entries of lists by their numbers however they
    /// are written.
    pub(super) fn place(&self, document: &DocumentMut) -> Vec<String> {
        let mut keys = self.keys.clone();
        let mut at = Some(document.as_item());
        for key in &mut keys {
            let entries = at.and_then(Item::as_array_of_tables);
            let index = match entries {
                Some(entries) => entry(entries, key),
                None if at.is_some_and(Item::is_array) => key.parse().ok(),
                None => None,
            };
            at = match index {
                Some(index) => {
                    *key = index.to_string();
                    at.and_then(|at| at.get(index))
                }
                None => at.and_then(|at| at.get(&*key)),
            };
        }
        keys
    }

    /// Puts a value in its place. A table that is missing on the way is made; an entry of a list is
    /// not.
    pub(super) fn set(&self, document: &mut DocumentMut, value: &Value) -> Result<(), Fault> {
        in_table(document.as_table_mut(), &self.keys, value)
    }
}

fn in_table(table: &mut dyn TableLike, keys: &[String], value: &Value) -> Result<(), Fault> {
    let Some((key, rest)) = keys.split_first() else { return Err(whole("the path")) };
    if rest.is_empty() {
        return match table.get_mut(key) {
            None | Some(Item::None) => {
                table.insert(key, Item::Value(value.clone()));
                Ok(())
            }
            Some(Item::Value(old)) => {
                replace(old, value);
                Ok(())
            }
            Some(Item::Table(_) | Item::ArrayOfTables(_)) => Err(whole(key)),
        };
    }
    let item = table.entry(key).or_insert_with(|| Item::Table(Table::new()));
    match item {
        Item::Table(table) => in_table(table, rest, value),
        Item::Value(inner) => in_value(key, inner, rest, value),
        Item::None => Err(whole(key)),
        Item::ArrayOfTables(entries) => {
            let (which, rest) = rest.split_first().ok_or_else(|| whole(key))?;
            let count = entries.len();
            match entry(entries, which).and_then(|index| entries.get_mut(index)) {
                Some(table) => in_table(table, rest, value),
                None => Err(no_entry(key, which, count)),
            }
        }
    }
}

/// The number of an entry that is named by it, or by its `name`.
fn entry(entries: &ArrayOfTables, which: &str) -> Option<usize> {
    let named = |table: &Table| table.get("name").and_then(Item::as_str) == Some(which);
    which.parse().ok().or_else(|| entries.iter().position(named))
}

fn in_value(key: &str, inner: &mut Value, keys: &[String], value: &Value) -> Result<(), Fault> {
    let Some((next, rest)) = keys.split_first() else {
        replace(inner, value);
        return Ok(());
    };
    match inner {
        // Nothing but values stands in an inline table, so no table is made there.
        Value::InlineTable(table) if !rest.is_empty() && !table.contains_key(next) => {
            Err((format!("`{key}` has no `{next}`"), format!("write `{next}` into `{key}` first")))
        }
        Value::InlineTable(table) => in_table(table, keys, value),
        Value::Array(entries) => {
            let count = entries.len();
            match next.parse().ok().and_then(|index: usize| entries.get_mut(index)) {
                Some(entry) => in_value(next, entry, rest, value),
                None => Err(no_entry(key, next, count)),
            }
        }
        Value::String(_)
        | Value::Integer(_)
        | Value::Float(_)
        | Value::Boolean(_)
        | Value::Datetime(_) => Err((
            format!("`{key}` is a single value, and the path goes on with `{next}`"),
            format!("end the path with `{key}`"),
        )),
    }
}

/// Puts a value where another stands; the space and the comment around it stay.
fn replace(old: &mut Value, value: &Value) {
    let decor = old.decor().clone();
    *old = value.clone();
    *old.decor_mut() = decor;
}

fn whole(key: &str) -> Fault {
    (
        format!("`{key}` is a whole table"),
        "let the path end with a key of the table, such as `interferer.0.share`".to_owned(),
    )
}

fn no_entry(key: &str, which: &str, count: usize) -> Fault {
    let help = match count {
        0 => format!("write a [[{key}]] table first"),
        _ => format!("its entries are 0 to {}, or go by their `name`", count - 1),
    };
    (format!("`{key}` has {count} entries, and none is `{which}`"), help)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "# head\n[a]\nb = 1 # why\nlist = [1, 2]\n\n[[st]]\nname = \"x y\"\n";

    #[track_caller]
    fn set(path: &str, value: &str) -> Result<String, String> {
        let mut document: DocumentMut = TEXT.parse().unwrap();
        let path = Path::parse(path, 0..0).map_err(|fault| fault.0)?;
        path.set(&mut document, &value.parse().unwrap()).map_err(|fault| fault.0)?;
        Ok(document.to_string())
    }

    #[test]
    fn a_value_is_changed_where_it_stands() {
        assert_eq!(set("a.b", "2.5").unwrap(), TEXT.replace("b = 1", "b = 2.5"));
        assert_eq!(set("a.list.1", "9").unwrap(), TEXT.replace("[1, 2]", "[1, 9]"));
        assert_eq!(set("a.list", "[]").unwrap(), TEXT.replace("[1, 2]", "[]"));
        let named = set("st.\"x y\".on_s", "4").unwrap();
        assert_eq!(
            (&named, named.lines().last()),
            (&set("st.0.on_s", "4").unwrap(), Some("on_s = 4"))
        );
    }

    #[test]
    fn a_missing_table_is_made_behind_everything_else() {
        let made = set("new.c", "true").unwrap();
        assert!(made.starts_with(TEXT) && made.ends_with("[new]\nc = true\n"), "{made}");
    }

    #[test]
    fn what_cannot_be_set_says_why() {
        let why = |path: &str| set(path, "1").unwrap_err();
        assert_eq!(why("st.3.on_s"), "`st` has 1 entries, and none is `3`");
        assert_eq!(why("a"), "`a` is a whole table");
        assert_eq!(why("a.b.c"), "`b` is a single value, and the path goes on with `c`");
        assert_eq!(why("a..b"), "this is no path to a value");
        assert!(why("plan:net.key").starts_with("a key is not a factor"));
    }

    #[test]
    fn the_plan_has_a_prefix() {
        assert_eq!(Path::parse("plan:a.b", 0..0).unwrap().document, Document::Plan);
        assert_eq!(Path::parse("a.b", 0..0).unwrap().document, Document::Scenario);
    }
}
