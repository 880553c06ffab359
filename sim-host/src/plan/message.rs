//! `[message]`: the code that protects messages.

use super::Plan;
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use hopwright_core::message::Layout;
use hopwright_core::relay::TAG_BYTES;
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

impl Plan {
    /// How messages are cut: where there are relays, with room for the tag that every payload bears then.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a plan that has been read.
    pub fn message_beside(&self, relays: bool) -> Result<Layout, Diagnostic> {
        let (code, tag) = (self.message.code(), if relays { TAG_BYTES } else { 0 });
        let capacity = self.timing.payload_bytes().saturating_sub(tag);
        Layout::new(code.n(), code.k(), capacity)
            .map_err(|error| Diagnostic::new(error.to_string(), "change [message] of the plan"))
    }
}
