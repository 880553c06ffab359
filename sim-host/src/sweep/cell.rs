//! A cell's scenario: the texts with its levels put in, read by the ordinary readers.

use super::patch::{Document, Path as ValuePath};
use super::{Keys, Level, Sweep};
use crate::diagnostic::Diagnostic;
use crate::input::{Source, read_text};
use crate::plan::Plan;
use crate::provision::key_text;
use crate::scenario::{BUILT_IN_PLAN, Scenario, built_in_plan};
use crate::world::child_seed;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use toml_edit::{DocumentMut, Item, value};
use zeroize::Zeroizing;

/// The plans that cells name, by the name that the scenario gives them.
#[derive(Debug, Default)]
pub(super) struct Plans(BTreeMap<String, NamedPlan>);

#[derive(Debug)]
struct NamedPlan {
    text: Source,
    base_dir: PathBuf,
}

impl Plans {
    /// The texts, in order of their names.
    pub(super) fn texts(&self) -> impl Iterator<Item = &str> {
        self.0.values().map(|plan| plan.text.text())
    }
}

/// A text to put values into.
fn document(source: &Source) -> Result<DocumentMut, Diagnostic> {
    // The ordinary parser says it better, and where.
    source.table()?;
    source.text().parse().map_err(|error: toml_edit::TomlError| {
        let what = format!("this is not TOML: {}", error.message());
        source.error(error.span().unwrap_or(0..0), what, "mend it there")
    })
}

impl Sweep {
    /// Reads the text of the plan that a cell names, unless it has been read.
    pub(super) fn load_plan(&self, cell: u32, plans: &mut Plans) -> Result<(), Diagnostic> {
        let levels = self.levels(cell);
        let named = self.named(&levels).map_err(|error| self.blamed(cell, plans, error))?;
        if plans.0.contains_key(&named) {
            return Ok(());
        }
        let plan = match &self.base_dir {
            None => NamedPlan {
                text: Source::new("plans/larkfell.toml (built in)", BUILT_IN_PLAN),
                base_dir: PathBuf::new(),
            },
            Some(base_dir) => {
                let path = base_dir.join(&named);
                let text = read_text(&path).map_err(|error| {
                    let what = format!("the plan {}: {}", path.display(), error.what());
                    let help = "the path counts from the scenario's folder";
                    self.blamed(cell, plans, Diagnostic::new(what, help))
                })?;
                let base_dir = path.parent().unwrap_or(Path::new("")).to_owned();
                NamedPlan { text, base_dir }
            }
        };
        plans.0.insert(named, plan);
        Ok(())
    }

    /// The plan that the scenario names at these levels.
    fn named(&self, levels: &[&Level]) -> Result<String, Diagnostic> {
        let scenario = self.patched(Document::Scenario, &self.scenario, levels)?;
        let named = scenario.get("scenario").and_then(|head| head.get("plan"));
        if let Some(named) = named.and_then(Item::as_str) {
            return Ok(named.to_owned());
        }
        // The reader says what is wrong: it stops at the plan, whichever it is given.
        let text = scenario.to_string();
        Scenario::parse(&self.changed(&self.scenario), &text, built_in_plan()?)?;
        Err(self.scenario.error(0..0, "the scenario names no plan", "add `plan` to [scenario]"))
    }

    /// The scenario of a cell; with `keys = "trial"`, under the net key of the trial that has the
    /// seed, and under the plan's own if there is no seed.
    pub(super) fn scenario(
        &self,
        cell: u32,
        plans: &Plans,
        seed: Option<u64>,
    ) -> Result<Scenario, Diagnostic> {
        let scenario = self.scenario_at(&self.levels(cell), plans, seed);
        scenario.map_err(|error| self.blamed(cell, plans, error))
    }

    fn scenario_at(
        &self,
        levels: &[&Level],
        plans: &Plans,
        seed: Option<u64>,
    ) -> Result<Scenario, Diagnostic> {
        let named = self.named(levels)?;
        let Some(NamedPlan { text, base_dir }) = plans.0.get(&named) else {
            return Err(Diagnostic::new(
                "the plan has not been read",
                "name one plan in all cells",
            ));
        };
        let mut plan = self.patched(Document::Plan, text, levels)?;
        if let (Keys::Trial, Some(seed)) = (self.keys, seed) {
            // Under a published key a plan has a key tree without saying so; under the trial's it would
            // not.
            let own = Zeroizing::new(plan.to_string());
            let root = Plan::parse(&self.changed(text), &own, base_dir)?.tree_root().ok();
            rekey(&mut plan, seed, root.as_deref());
        }
        let plan_text = Zeroizing::new(plan.to_string());
        let plan = Plan::parse(&self.changed(text), &plan_text, base_dir)?;
        let scenario = self.patched(Document::Scenario, &self.scenario, levels)?;
        Scenario::parse(&self.changed(&self.scenario), &scenario.to_string(), plan)
    }

    /// What errors call a text with the sweep's values in it.
    fn changed(&self, source: &Source) -> String {
        match self.factors.is_empty() && self.always.is_empty() {
            true => source.name().to_owned(),
            false => format!("{} (as the sweep sets it)", source.name()),
        }
    }

    /// A text with what is always set, and these levels.
    fn patched(
        &self,
        which: Document,
        source: &Source,
        levels: &[&Level],
    ) -> Result<DocumentMut, Diagnostic> {
        let mut text = document(source)?;
        let always = self.always.iter().map(|(path, level)| (path, level));
        let varied = self.factors.iter().map(|f| &f.path).zip(levels.iter().copied());
        let set: Vec<(&ValuePath, &Level)> = always.chain(varied).collect();
        let mut places = BTreeMap::new();
        for (path, level) in set.into_iter().filter(|(path, _)| path.document == which) {
            if let Some(other) = places.insert(path.place(&text), path) {
                let what = format!(
                    "`{}` in {} is set twice: it is what `{}` leads to",
                    path.written(),
                    which.name(),
                    other.written()
                );
                let help = "let each [[factor]] and [[always]] set a value of its own";
                return Err(self.source.error(path.span.clone(), what, help));
            }
            path.set(&mut text, &level.value).map_err(|(what, help)| {
                let what = format!("`{}` in {}: {what}", path.written(), which.name());
                self.source.error(path.span.clone(), what, help)
            })?;
        }
        Ok(text)
    }

    /// An error of a cell, as one of the level that is to blame, with the reader's own words.
    fn blamed(&self, cell: u32, plans: &Plans, error: Diagnostic) -> Diagnostic {
        let place = error.place().unwrap_or_default();
        let unchanged = self.factors.is_empty() && self.always.is_empty();
        // What the sweep itself says wrong is told where it stands already.
        if unchanged || place.starts_with(&format!("{}:", self.source.name())) {
            return error;
        }
        // What is wrong without the sweep is told as without it.
        if self.base_dir.is_some()
            && let Err(own) = Scenario::load(Path::new(self.scenario.name()))
            && own.what() == error.what()
        {
            return own;
        }
        let indices = self.indices(cell);
        let levels = self.at(&indices);
        let fails = |indices: &[usize]| self.scenario_at(&self.at(indices), plans, None).is_err();
        // The factor that another level of would mend it. If there is none, the first.
        let guilty = self.factors.iter().enumerate().position(|(f, factor)| {
            (0..factor.levels.len()).any(|other| {
                let mut tried = indices.clone();
                let changed = tried.get_mut(f).map(|index| std::mem::replace(index, other));
                changed.is_some_and(|index| index != other) && !fails(&tried)
            })
        });
        let level = guilty.and_then(|f| levels.get(f)).or(levels.first()).copied();
        let level = level.or(self.always.first().map(|(_, level)| level));
        // A key that there is not is no level's fault, but the path's that leads to it.
        let document = match place.starts_with(&self.changed(&self.scenario)) {
            true => Document::Scenario,
            false => Document::Plan,
        };
        let no_key = |path: &&ValuePath| path.goes_by_no_key(document, error.what());
        let paths = self.always.iter().map(|(path, _)| path);
        let lost = paths.chain(self.factors.iter().map(|factor| &factor.path)).find(no_key);
        let span = lost.map(|path| &path.span).or(level.map(|level| &level.span));
        let span = span.cloned().unwrap_or(0..0);
        let mut what = String::new();
        for (factor, level) in self.factors.iter().zip(&levels) {
            let _ = write!(
                what,
                "{}{} = {}",
                if what.is_empty() { "with " } else { ", " },
                factor.name,
                level.text
            );
        }
        let _ = write!(what, "{}{}", if what.is_empty() { "" } else { ": " }, error.what());
        if !place.is_empty() {
            let _ = write!(what, " (at {place})");
        }
        self.source.error(span, what, error.help())
    }
}

/// Gives a plan another net key, drawn from a seed, and leaves it the root of its key tree.
fn rekey(plan: &mut DocumentMut, seed: u64, root: Option<&[u8; 32]>) {
    let mut key = Zeroizing::new(String::with_capacity(64));
    for part in 0..4 {
        let _ = write!(key, "{:016x}", child_seed(seed, &format!("key/{part}")));
    }
    if let Some(net) = plan.get_mut("net").and_then(Item::as_table_like_mut) {
        net.remove("key_file");
        net.insert("key", value(key.as_str()));
        if let Some(root) = root
            && !net.contains_key("tree_key")
            && !net.contains_key("tree_key_file")
        {
            net.insert("tree_key", value(key_text(root).trim_end()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_trial_has_a_key_of_its_own() {
        let keys: Vec<String> = [1, 2]
            .map(|seed| {
                let mut plan: DocumentMut = "[net]\nkey_file = \"a\"\n".parse().unwrap();
                rekey(&mut plan, seed, Some(&[0xAB; 32]));
                assert!(plan["net"].get("key_file").is_none());
                assert_eq!(plan["net"]["tree_key"].as_str(), Some("ab".repeat(32).as_str()));
                plan["net"]["key"].as_str().unwrap().to_owned()
            })
            .to_vec();
        assert_ne!(keys[0], keys[1]);
        assert!(keys.iter().all(|key| key.len() == 64));
    }
}
