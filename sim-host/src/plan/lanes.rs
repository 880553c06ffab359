//! `[lanes]`: nets that share the raster.

use crate::diagnostic::Diagnostic;
use crate::input::Section;
use hopwright_core::band::{LaneKind, Lanes, MAX_GROUP};
use hopwright_core::units::MAX_LANES;

/// The keys of the table.
pub(super) const KEYS: &[&str] = &["kind", "width", "count"];

/// The lanes; `None` if the plan has no such table.
pub(super) fn read(table: &Section<'_>) -> Result<Option<Lanes>, Diagnostic> {
    if !table.present() {
        return Ok(None);
    }
    let width = table.integer_or("width", 1..=MAX_GROUP, 9)?;
    let count = table.integer_or("count", 1..=MAX_LANES, 8)?;
    let disjoint = LaneKind::Disjoint { width };
    let kind = table.choice("kind", ("disjoint", disjoint), &[("spaced", LaneKind::Spaced)])?;
    Lanes::new(kind, count)
        .map(Some)
        .map_err(|error| table.error("count", error.to_string(), "change `count` or `width`"))
}
