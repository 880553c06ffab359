//! Masks keys in text that may be shown.

/// Hexadecimal digits in a row that can only be (part of) a key.
const SUSPECT_RUN: usize = 16;
/// What a plan's other keys have before the word: `tree_key`, `band_key`.
const KINDS: [&str; 2] = ["tree_", "band_"];

/// A copy of `text` in which everything that is, or may be meant as, a key is stars: what stands
/// after `key =` up to the end of the line, and any long run of hexadecimal digits wherever it
/// stands (a mistyped name, a key in the wrong place, a text over several lines).
///
/// Byte offsets are those of `text`.
pub(super) fn mask(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for line in text.split_inclusive('\n') {
        let from = after_key(line).unwrap_or(line.len());
        let (head, tail) = line.split_at(from);
        mask_runs(head, &mut out);
        for c in tail.chars() {
            match c {
                ' ' | '\t' | '\r' | '\n' | '"' | '\'' | '=' | '}' => out.push(c),
                _ => push_stars(c.len_utf8(), &mut out),
            }
        }
    }
    out
}

/// Where the value of `key = ...` starts in a line (also of `net.key` and in inline tables).
fn after_key(line: &str) -> Option<usize> {
    line.match_indices("key").find_map(|(at, word)| {
        let head = line.get(..at)?;
        let stem = KINDS.iter().find_map(|kind| head.strip_suffix(kind)).unwrap_or(head);
        let before = stem.chars().next_back();
        let rest = line.get(at + word.len()..)?;
        let equals = rest.find('=')?;
        let alone = before.is_none_or(|c| !c.is_alphanumeric() && c != '_' && c != '-');
        let only_quotes = rest.get(..equals)?.chars().all(|c| " \t\"'".contains(c));
        (alone && only_quotes).then_some(at + word.len() + equals)
    })
}

fn mask_runs(text: &str, out: &mut String) {
    let mut rest = text;
    while !rest.is_empty() {
        let hex = |c: char| c.is_ascii_hexdigit() || c == '_';
        let run = rest.find(|c| !hex(c)).unwrap_or(rest.len());
        let other = rest.find(hex).unwrap_or(rest.len());
        let (part, next) = rest.split_at(run.max(other));
        if run >= SUSPECT_RUN {
            push_stars(part.len(), out);
        } else {
            out.push_str(part);
        }
        rest = next;
    }
}

fn push_stars(n: usize, out: &mut String) {
    out.extend(std::iter::repeat_n('*', n));
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn keys_are_masked_wherever_they_stand() {
        assert_eq!(mask("key = \"00fg\" # q\nbase = 1\n"), "key = \"****\" * *\nbase = 1\n");
        assert_eq!(mask("net = { \"key\" = '0é' }"), "net = { \"key\" = '***' }");
        assert_eq!(mask("kee = \"0011223344556677\"\n"), "kee = \"****************\"\n");
        assert_eq!(
            mask("monkey = 3\nkey_file = \"x.key\"\n"),
            "monkey = 3\nkey_file = \"x.key\"\n"
        );
        assert_eq!(mask("tree_key = \"0g\"\n"), "tree_key = \"**\"\n");
        assert_eq!(mask("a_band_key = \"0g\"\n"), "a_band_key = \"0g\"\n");
        assert_eq!(mask("base_hz = 902_100_000"), "base_hz = 902_100_000");
    }

    proptest! {
        #[test]
        fn masking_keeps_every_offset(text in "(key|=|[0-9a-f]{1,40}|\n|\"|é|[ -~]){0,20}") {
            let masked = mask(&text);
            prop_assert_eq!(masked.len(), text.len());
            prop_assert_eq!(masked.match_indices('\n').map(|m| m.0).collect::<Vec<_>>(),
                            text.match_indices('\n').map(|m| m.0).collect::<Vec<_>>());
        }
    }
}
