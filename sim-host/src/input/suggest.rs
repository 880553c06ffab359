//! "Did you mean …?"

/// The known word nearest to `word`, if any is near.
#[must_use]
pub fn nearest<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    // A prefix of a word cut short (`slot` for `slot_us`) is farther off than a typing error.
    let score = |k: &str| {
        let part = word.len() > 2 && (k.starts_with(word) || word.starts_with(k));
        if part { 1.0 } else { strsim::jaro_winkler(word, k) }
    };
    known
        .iter()
        .map(|k| (score(k), *k))
        .filter(|(score, _)| *score > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, k)| k)
}

/// A word that somebody wrote, fit to be shown: short, printable, and no key.
pub(crate) fn shown(word: &str) -> String {
    const LONGEST: usize = 40;
    let hex = word.chars().filter(char::is_ascii_hexdigit).count();
    if hex >= 16 {
        return "****".to_owned();
    }
    let mut short: String = word.chars().take(LONGEST).flat_map(char::escape_debug).collect();
    if word.chars().count() > LONGEST {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_words_are_suggested_and_far_ones_are_not() {
        let known = ["slot_us", "settle_us", "guard_us", "link_bps"];
        assert_eq!(nearest("gaurd_us", &known), Some("guard_us"));
        assert_eq!(nearest("slot", &known), Some("slot_us"));
        assert_eq!(nearest("colour", &known), None);
    }

    #[test]
    fn shown_words_are_printable_and_hold_no_key() {
        assert_eq!(shown("a\u{1b}[31m"), "a\\u{1b}[31m");
        assert_eq!(shown("000102030405060708"), "****");
    }
}
