//! What keys mean: read from the tables of the documentation, where people read it too.

use super::Input;
use std::collections::BTreeMap;

const SCENARIOS: &str = include_str!("../../../docs/scenarios.md");
const SWEEPS: &str = include_str!("../../../docs/sweeps.md");

/// The heading under which the keys of each behaviour stand in one cell.
const BEHAVIOURS: &str = "Adversaries";

/// The meaning of each key: its input, the path of its table, and itself.
pub(super) struct Meanings(BTreeMap<(Input, String, String), String>);

impl Meanings {
    pub(super) fn read() -> Self {
        let mut meanings = Self(BTreeMap::new());
        meanings.page(SCENARIOS, Input::Plan);
        meanings.page(SWEEPS, Input::Sweep);
        meanings
    }

    /// What a key means; what the list means that its table stands in, if nothing is said of it.
    pub(super) fn of(&self, input: Input, path: &str, key: &str) -> Option<&str> {
        let own = |path: &str, key: &str| self.0.get(&(input, path.to_owned(), key.to_owned()));
        let above = || {
            let (table, list) = path.strip_suffix("[]")?.rsplit_once('.')?;
            own(table, list)
        };
        own(path, key).or_else(above).map(String::as_str)
    }

    fn page(&mut self, page: &str, first: Input) {
        let (mut input, mut heading, mut table) = (first, "", String::new());
        for line in page.lines() {
            if let Some(title) = line.strip_prefix('#') {
                heading = title.trim_start_matches('#').trim();
                match heading {
                    "Plans" => input = Input::Plan,
                    "Scenarios" => input = Input::Scenario,
                    _ => {}
                }
                table = match heading {
                    "Oscillators" => "station[].oscillator".to_owned(),
                    BEHAVIOURS => "adversary[]".to_owned(),
                    _ => String::new(),
                };
            }
            let mut cells = line.split('|').map(str::trim).skip(1);
            let (Some(keys), Some(text)) = (cells.next(), cells.next()) else { continue };
            if heading == BEHAVIOURS {
                for (key, meaning) in cells.next().into_iter().flat_map(pieces) {
                    self.add(input, &table, key, meaning);
                }
                continue;
            }
            for token in keys.split('`').skip(1).step_by(2) {
                let key = match token.rsplit_once(' ') {
                    Some((brackets, key)) => {
                        table = path(brackets);
                        key
                    }
                    None => token,
                };
                self.add(input, &table, key, text);
            }
        }
    }

    fn add(&mut self, input: Input, table: &str, key: &str, meaning: &str) {
        if !meaning.is_empty() {
            let place = (input, table.to_owned(), key.to_owned());
            let meaning = meaning.replace('`', "");
            let all = self.0.entry(place).or_default();
            if !all.is_empty() {
                all.push_str("; ");
            }
            all.push_str(&meaning);
        }
    }
}

/// `[radio]` is `radio`, `[[station]]` is `station[]`.
fn path(brackets: &str) -> String {
    match brackets.strip_prefix("[[").and_then(|rest| rest.strip_suffix("]]")) {
        Some(list) => format!("{list}[]"),
        None => brackets.trim_matches(['[', ']']).to_owned(),
    }
}

/// The keys of a cell like "`count`: channels, 1 to 4096, 1; `on_us`, `off_us`: spans", each with what
/// is said of it.
fn pieces(cell: &str) -> impl Iterator<Item = (&str, &str)> {
    cell.split("; `").flat_map(|piece| {
        let (keys, meaning) = piece.split_once(':').unwrap_or((piece, ""));
        let keys = keys.split(',').map(|key| key.trim().trim_matches('`'));
        keys.map(move |key| (key, meaning.trim()))
    })
}
