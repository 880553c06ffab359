//! `[message]`: the code that protects messages.

use crate::diagnostic::Diagnostic;
use crate::input::Section;
use hopwright_core::message::Layout;
use hopwright_core::timing::Timing;

/// The keys of the table.
pub(super) const KEYS: &[&str] = &["n", "k"];

/// How the net cuts messages.
pub(super) fn layout(table: &Section<'_>, timing: Timing) -> Result<Layout, Diagnostic> {
    let n = table.integer_or("n", 2..=255_u8, 64)?;
    let k = table.integer_or("k", 1..=254_u8, 24)?;
    Layout::new(n, k, timing.payload_bytes()).map_err(|_| {
        // The other ranges have been seen to above.
        let key = if table.has("k") { "k" } else { "n" };
        let what = format!("`k` = {k} is not below `n` = {n}: nothing would be left for parity");
        let help = format!("use `k` = {} or less, or raise `n`", n - 1);
        table.error(key, what, help)
    })
}
