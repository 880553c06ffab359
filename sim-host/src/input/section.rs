//! One table of an input, read key by key.

use super::suggest::{nearest, shown};
use super::value::{Located, kind_of};
use super::{Kind, Source};
use crate::diagnostic::Diagnostic;
use std::fmt::Display;
use std::ops::{Range, RangeInclusive};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The kinds of whole numbers that keys have.
#[expect(unnameable_types, reason = "nobody outside implements or names it")]
pub trait Whole: TryFrom<i128> + TryInto<i128> + PartialOrd + Display + Clone {}

impl<T: TryFrom<i128> + TryInto<i128> + PartialOrd + Display + Clone> Whole for T {}

fn whole<T: Whole>(range: &RangeInclusive<T>) -> Kind {
    let end = |end: &T| end.clone().try_into().ok();
    let (least, most) = (end(range.start()), end(range.end()));
    Kind::Whole(least.unwrap_or(i128::MIN), most.unwrap_or(i128::MAX))
}

/// A table of an input. An optional table that is missing reads as one without keys.
#[derive(Debug)]
pub struct Section<'a> {
    source: &'a Source,
    title: String,
    /// Its place among the tables: see [`Notes`](super::Notes).
    path: String,
    table: Option<&'a DeTable<'a>>,
    span: Range<usize>,
}

impl<'a> Section<'a> {
    /// The top-level table of a text. Keys that are not `known` are refused.
    ///
    /// # Errors
    /// [`Diagnostic`] at the first unknown key.
    pub fn root(
        source: &'a Source,
        table: &'a Spanned<DeTable<'a>>,
        known: &[&str],
    ) -> Result<Self, Diagnostic> {
        let title = "the file".to_owned();
        let table = Some(table.get_ref());
        let root = Self { source, title, path: String::new(), table, span: 0..0 };
        match root.other_input(known) {
            Some(error) => Err(error),
            None => root.checked(known),
        }
    }

    /// The error for a file that is a good input of another command.
    fn other_input(&self, known: &[&str]) -> Option<Diagnostic> {
        /// The table that only an input of the kind has.
        const KINDS: [(&str, &str, &str); 3] = [
            ("raster", "plan", "hopwright check"),
            ("scenario", "scenario", "hopwright run"),
            ("sweep", "sweep", "hopwright sweep"),
        ];
        if KINDS.iter().any(|(table, ..)| known.contains(table) && self.has(table)) {
            return None;
        }
        let (table, kind, command) =
            KINDS.iter().find(|(table, ..)| !known.contains(table) && self.has(table))?;
        let what = format!("this is a {kind}, and something else is asked for here");
        let help = format!("`{command}` takes a {kind}");
        Some(self.error(table, what, help))
    }

    fn checked(self, known: &[&str]) -> Result<Self, Diagnostic> {
        self.source.note(|notes| notes.visit(&self.path, known));
        let stranger = |key: &&Spanned<_>| {
            let key: &Spanned<std::borrow::Cow<'_, str>> = key;
            !known.contains(&key.get_ref().as_ref())
        };
        let first = self
            .table
            .iter()
            .flat_map(|table| table.keys())
            .filter(stranger)
            .min_by_key(|key| key.span().start);
        let Some(key) = first else { return Ok(self) };
        let help = match nearest(key.get_ref(), known) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("{} knows {}", self.title, known.join(", ")),
        };
        let what = format!("{} has no key `{}`", self.title, shown(key.get_ref()));
        Err(self.source.error(key.span(), what, help))
    }

    /// Whether the table stands in the text.
    #[must_use]
    pub const fn present(&self) -> bool {
        self.table.is_some()
    }

    /// Whether the key stands in the table.
    #[must_use]
    pub fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    /// The place of a key's value; of the table if it has no such key.
    #[must_use]
    pub fn place(&self, key: &str) -> Range<usize> {
        self.get(key).map_or_else(|| self.span.clone(), Spanned::span)
    }

    /// An error at the value of `key`, or at the table if it has no such key.
    #[must_use]
    pub fn error(&self, key: &str, what: impl Into<String>, help: impl Into<String>) -> Diagnostic {
        self.source.error(self.place(key), what, help)
    }

    /// The text that the table stands in.
    #[must_use]
    pub const fn source(&self) -> &'a Source {
        self.source
    }

    fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table?.get(key)
    }

    fn wrong_type(&self, value: &Spanned<DeValue<'_>>, key: &str, wanted: &str) -> Diagnostic {
        let what = format!("`{key}` must be {wanted}, not {}", kind_of(value.get_ref()));
        self.source.error(value.span(), what, format!("write {wanted} for `{key}`"))
    }

    fn asked(&self, key: &str, kind: impl FnOnce() -> Kind) {
        self.source.note(|notes| notes.ask(&self.path, key, kind()));
    }

    /// Notes that a text must have a form, given by a regular expression; who reads it sees to that.
    pub(crate) fn form(&self, key: &str, expression: &'static str) {
        self.asked(key, || Kind::Form(expression));
    }

    /// Notes the range of a number that its reader checks by itself.
    pub(crate) fn range(&self, key: &str, least: f64, most: f64) {
        self.asked(key, || Kind::Number(Some((least, most))));
    }

    /// Notes the widest range that a whole number may have whatever the rest of the text says. What is
    /// asked of it while a text is read may be closer: a channel is one of this very raster.
    pub(crate) fn widest<T: Whole>(&self, key: &str, range: &RangeInclusive<T>) {
        self.asked(key, || whole(range));
    }

    /// [`Section::widest`] of the entries of a list.
    pub(crate) fn widest_entries<T: Whole>(&self, key: &str, range: &RangeInclusive<T>) {
        self.asked(key, || Kind::List(Box::new(whole(range))));
    }

    /// Makes a missing value an error, with an example of what to write.
    ///
    /// # Errors
    /// [`Diagnostic`] if there is no value.
    pub fn needed<T>(&self, value: Option<T>, key: &str, example: &str) -> Result<T, Diagnostic> {
        if self.present() {
            self.source.note(|notes| notes.need(&self.path, key));
        }
        value.ok_or_else(|| {
            let what = format!("{} lacks `{key}`", self.title);
            let help = format!("add a line such as `{key} = {example}`");
            self.source.error(self.span.clone(), what, help)
        })
    }

    /// A whole number within a range.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is something else or out of range.
    pub fn integer<T>(
        &self,
        key: &str,
        range: RangeInclusive<T>,
    ) -> Result<Option<Located<T>>, Diagnostic>
    where
        T: Whole,
    {
        self.asked(key, || whole(&range));
        self.get(key).map(|value| self.to_integer(value, key, &range)).transpose()
    }

    /// A whole number within a range, or the default.
    ///
    /// # Errors
    /// As [`Section::integer`].
    pub fn integer_or<T>(
        &self,
        key: &str,
        range: RangeInclusive<T>,
        default: T,
    ) -> Result<T, Diagnostic>
    where
        T: Whole,
    {
        self.source.note(|notes| notes.unless_given(&self.path, key, default.to_string()));
        Ok(self.integer(key, range)?.map_or(default, |located| located.value))
    }

    /// A list of whole numbers within a range.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is no list, or an entry is something else or out of range.
    pub fn integers<T>(
        &self,
        key: &str,
        range: &RangeInclusive<T>,
    ) -> Result<Option<Vec<Located<T>>>, Diagnostic>
    where
        T: Whole,
    {
        self.asked(key, || Kind::List(Box::new(whole(range))));
        let Some(value) = self.get(key) else { return Ok(None) };
        let DeValue::Array(entries) = value.get_ref() else {
            return Err(self.wrong_type(value, key, "a list of whole numbers"));
        };
        entries
            .iter()
            .map(|entry| self.to_integer(entry, key, range))
            .collect::<Result<_, _>>()
            .map(Some)
    }

    fn to_integer<T>(
        &self,
        value: &Spanned<DeValue<'_>>,
        key: &str,
        range: &RangeInclusive<T>,
    ) -> Result<Located<T>, Diagnostic>
    where
        T: Whole,
    {
        let DeValue::Integer(digits) = value.get_ref() else {
            return Err(self.wrong_type(value, key, "a whole number"));
        };
        i128::from_str_radix(digits.as_str(), digits.radix())
            .ok()
            .and_then(|n| T::try_from(n).ok())
            .filter(|n| range.contains(n))
            .map(|n| Located { value: n, span: value.span() })
            .ok_or_else(|| {
                let (least, most) = (range.start(), range.end());
                let what =
                    format!("`{key}` must be {least} to {most}, not {}", shown(digits.as_str()));
                let help = format!("use a whole number from {least} to {most}");
                self.source.error(value.span(), what, help)
            })
    }

    /// A number, whole or with a fraction; neither infinite nor undefined.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is something else.
    pub fn number(&self, key: &str) -> Result<Option<Located<f64>>, Diagnostic> {
        self.asked(key, || Kind::Number(None));
        let Some(value) = self.get(key) else { return Ok(None) };
        let number = match value.get_ref() {
            DeValue::Integer(digits) => {
                i128::from_str_radix(digits.as_str(), digits.radix()).ok().map(|n| n as f64)
            }
            DeValue::Float(digits) => digits.as_str().parse().ok(),
            DeValue::String(_)
            | DeValue::Boolean(_)
            | DeValue::Datetime(_)
            | DeValue::Array(_)
            | DeValue::Table(_) => return Err(self.wrong_type(value, key, "a number")),
        };
        let number = number.filter(|number: &f64| number.is_finite());
        number.map(|number| Some(Located { value: number, span: value.span() })).ok_or_else(|| {
            let what = format!("`{key}` must be a number that is neither infinite nor undefined");
            self.source.error(value.span(), what, format!("write a number for `{key}`"))
        })
    }

    /// A number within a range.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is something else or out of range.
    pub fn number_in(&self, key: &str, least: f64, most: f64) -> Result<Option<f64>, Diagnostic> {
        self.asked(key, || Kind::Number(Some((least, most))));
        match self.number(key)? {
            Some(number) if !(least..=most).contains(&number.value) => {
                let what = format!("`{key}` must be {least} to {most}, not {}", number.value);
                Err(self.error(key, what, format!("use a number from {least} to {most}")))
            }
            number => Ok(number.map(|located| located.value)),
        }
    }

    /// A value of any kind, as it was written.
    #[must_use]
    pub(crate) fn as_written(&self, key: &str) -> Option<Located<&'a str>> {
        self.asked(key, || Kind::Any);
        self.get(key).map(|value| self.to_written(value))
    }

    /// A list of values of any kind, as they were written.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is no list.
    pub(crate) fn list_as_written(
        &self,
        key: &str,
    ) -> Result<Option<Vec<Located<&'a str>>>, Diagnostic> {
        self.asked(key, || Kind::List(Box::new(Kind::Any)));
        let Some(value) = self.get(key) else { return Ok(None) };
        let DeValue::Array(entries) = value.get_ref() else {
            return Err(self.wrong_type(value, key, "a list"));
        };
        Ok(Some(entries.iter().map(|entry| self.to_written(entry)).collect()))
    }

    fn to_written(&self, value: &Spanned<DeValue<'_>>) -> Located<&'a str> {
        Located { value: self.source.raw(value.span()), span: value.span() }
    }

    /// A text.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is something else.
    pub fn text(&self, key: &str) -> Result<Option<Located<&'a str>>, Diagnostic> {
        self.asked(key, || Kind::Text);
        let Some(value) = self.get(key) else { return Ok(None) };
        let text = value.get_ref().as_str();
        text.map(|text| Some(Located { value: text, span: value.span() }))
            .ok_or_else(|| self.wrong_type(value, key, "a text in double quotes"))
    }

    /// A list of texts.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is no list, or an entry is something else.
    pub fn texts(&self, key: &str) -> Result<Option<Vec<Located<&'a str>>>, Diagnostic> {
        self.asked(key, || Kind::List(Box::new(Kind::Text)));
        let Some(value) = self.get(key) else { return Ok(None) };
        let DeValue::Array(entries) = value.get_ref() else {
            return Err(self.wrong_type(value, key, "a list of texts"));
        };
        let text = |entry: &'a Spanned<DeValue<'a>>| {
            let text = entry.get_ref().as_str();
            text.map(|text| Located { value: text, span: entry.span() })
                .ok_or_else(|| self.wrong_type(entry, key, "a list of texts in double quotes"))
        };
        entries.iter().map(text).collect::<Result<_, _>>().map(Some)
    }

    /// True or false, or the default.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is something else.
    pub fn flag_or(&self, key: &str, default: bool) -> Result<bool, Diagnostic> {
        self.asked(key, || Kind::Flag);
        self.source.note(|notes| notes.unless_given(&self.path, key, default.to_string()));
        let Some(value) = self.get(key) else { return Ok(default) };
        value.get_ref().as_bool().ok_or_else(|| self.wrong_type(value, key, "true or false"))
    }

    /// One of a few words, or the first of them.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is another word or no text.
    pub fn choice<T: Copy>(
        &self,
        key: &str,
        first: (&str, T),
        others: &[(&str, T)],
    ) -> Result<T, Diagnostic> {
        self.asked(key, || {
            let all = std::iter::once(&first).chain(others);
            Kind::Words(all.map(|(word, _)| (*word).to_owned()).collect())
        });
        self.source.note(|notes| notes.unless_given(&self.path, key, format!("\"{}\"", first.0)));
        let Some(text) = self.text(key)? else { return Ok(first.1) };
        let mut all = std::iter::once(&first).chain(others);
        if let Some((_, value)) = all.find(|(word, _)| *word == text.value) {
            return Ok(*value);
        }
        let words: Vec<&str> =
            std::iter::once(&first).chain(others).map(|(word, _)| *word).collect();
        let what = format!("`{key}` cannot be \"{}\"", shown(text.value));
        // In quotes, as they are written: some have commas in them.
        let all = format!("\"{}\"", words.join("\", \""));
        let help = match nearest(text.value, &words) {
            Some(near) => format!("did you mean \"{near}\"? It is one of {all}"),
            None => format!("use one of {all}"),
        };
        Err(self.source.error(text.span, what, help))
    }

    /// A table under this one; without keys if it is missing.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is something else, or has a key that is not `known`.
    pub fn section(&self, key: &str, known: &[&str]) -> Result<Self, Diagnostic> {
        self.asked(key, || Kind::Table);
        let title = format!("[{key}]");
        let path = self.below(key);
        let Some(value) = self.get(key) else {
            let (source, span) = (self.source, self.span.clone());
            return Ok(Self { source, title, path, table: None, span });
        };
        self.to_section(value, key, (title, path), known)
    }

    /// A table under this one that must be there.
    ///
    /// # Errors
    /// As [`Section::section`], and if it is missing.
    pub fn needed_section(&self, key: &str, known: &[&str]) -> Result<Self, Diagnostic> {
        let section = self.section(key, known)?;
        self.source.note(|notes| notes.need(&self.path, key));
        if section.present() {
            return Ok(section);
        }
        let near = self.table.and_then(|table| {
            table.keys().map(|k| k.get_ref().as_ref()).find(|k: &&str| k.eq_ignore_ascii_case(key))
        });
        let help = match near {
            Some(near) => format!("rename [{near}] to [{key}]"),
            None => format!("add a table [{key}] with the keys {}", known.join(", ")),
        };
        let what = format!("{} lacks the table [{key}]", self.title);
        Err(self.source.error(self.span.clone(), what, help))
    }

    /// A list of tables under this one (`[[key]]`, or a list of inline tables).
    ///
    /// # Errors
    /// [`Diagnostic`] if it is something else, or one of them has a key that is not `known`.
    pub fn sections(&self, key: &str, known: &[&str]) -> Result<Vec<Self>, Diagnostic> {
        self.asked(key, || Kind::Tables);
        let Some(value) = self.get(key) else { return Ok(Vec::new()) };
        let DeValue::Array(entries) = value.get_ref() else {
            let what =
                format!("`{key}` must be a list of tables, not {}", kind_of(value.get_ref()));
            let help = format!("write [[{key}]] with double brackets, once for each entry");
            return Err(self.source.error(value.span(), what, help));
        };
        let place = || (format!("[[{key}]]"), format!("{}[]", self.below(key)));
        entries.iter().map(|entry| self.to_section(entry, key, place(), known)).collect()
    }

    fn to_section(
        &self,
        value: &'a Spanned<DeValue<'a>>,
        key: &str,
        (title, path): (String, String),
        known: &[&str],
    ) -> Result<Self, Diagnostic> {
        let DeValue::Table(table) = value.get_ref() else {
            return Err(self.wrong_type(value, key, "a table"));
        };
        let (source, span) = (self.source, value.span());
        Self { source, title, path, table: Some(table), span }.checked(known)
    }

    /// The path of a table under this one.
    fn below(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }
}
