//! The net key: read, wiped, never shown.

use crate::diagnostic::Diagnostic;
use crate::input::{Located, Section, read_secret};
use hopwright_core::keys::NetKey;
use std::fmt;
use std::path::Path;
use zeroize::Zeroizing;

/// Hexadecimal digits of a key.
const DIGITS: usize = 64;

/// A key as a plan gives it. Wiped when dropped; its `Debug` shows nothing of it.
pub(crate) struct Key(Zeroizing<[u8; 32]>);

impl Key {
    /// What stands in for a key where only the public part of a plan is wanted.
    pub(super) fn placeholder() -> Self {
        Self(Zeroizing::new([0; 32]))
    }

    /// Reads a file that holds a key and nothing else.
    pub(crate) fn from_file(path: &Path) -> Result<Self, Diagnostic> {
        let text = read_secret(path)?;
        parse_line(&text).map_err(|fault| {
            let what = format!("this file is no key: it {fault}");
            let help = format!(
                "a key file holds {DIGITS} hexadecimal digits; `hopwright keygen` makes one"
            );
            Diagnostic::in_file(path.display().to_string(), what, help)
        })
    }

    /// The key for the core.
    pub(super) fn net_key(&self) -> NetKey {
        NetKey::new(*self.0)
    }

    /// Whether the key has been published, so that anybody can follow the net: the keys of the
    /// examples of RFC 8439 (00 01 .. 1f, sections 2.3.2 and 2.4.2; 80 81 .. 9f, section 2.8.2),
    /// and the same byte throughout.
    pub(super) fn published(&self) -> bool {
        published(&self.net_key())
    }

    /// The bytes, for a file or for the key tree.
    pub(crate) fn bytes(&self) -> Zeroizing<[u8; 32]> {
        self.0.clone()
    }

    /// Reads `key` or `key_file` of the `[net]` table.
    pub(super) fn read(net: &Section<'_>, base_dir: &Path) -> Result<Self, Diagnostic> {
        Self::read_named(net, ["key", "key_file"], base_dir)?.ok_or_else(|| {
            net.error(
                "",
                "[net] has neither `key` nor `key_file`",
                format!("add `key_file = \"net.key\"`, a file with {DIGITS} hexadecimal digits"),
            )
        })
    }

    /// Reads one of the plan's keys: in the plan under the first name, or from the file that is
    /// given under the second; `None` if there is neither.
    pub(super) fn read_named(
        net: &Section<'_>,
        [name, file_name]: [&str; 2],
        base_dir: &Path,
    ) -> Result<Option<Self>, Diagnostic> {
        match (net.text(name)?, net.text(file_name)?) {
            (Some(_), Some(_)) => Err(net.error(
                file_name,
                format!("[net] has both `{name}` and `{file_name}`"),
                "keep one of them; a file keeps the key out of the plan",
            )),
            (None, None) => Ok(None),
            (Some(key), None) => {
                parse(key.value).map(Some).map_err(|fault| fault.in_plan(net, name, &key))
            }
            (None, Some(path)) => Self::read_file(net, file_name, &path, base_dir).map(Some),
        }
    }

    fn read_file(
        net: &Section<'_>,
        name: &str,
        path: &Located<&str>,
        base_dir: &Path,
    ) -> Result<Self, Diagnostic> {
        let help = format!(
            "the path counts from the plan's directory; the file holds {DIGITS} hexadecimal \
             digits and nothing else"
        );
        let refused = |why: &str| net.error(name, format!("the key file: {why}"), help.as_str());
        let text =
            read_secret(&base_dir.join(path.value)).map_err(|error| refused(error.what()))?;
        parse_line(&text).map_err(|fault| refused(&fault.to_string()))
    }
}

/// Whether a key has been published, as [`Key::published`]. In constant time.
pub(crate) fn published(key: &NetKey) -> bool {
    let counting = |first: u8| {
        std::array::from_fn(|i| first.wrapping_add(u8::try_from(i).unwrap_or_default()))
    };
    let books = [counting(0), counting(0x80), [0; 32], [0xff; 32]];
    books.into_iter().fold(false, |found, book| found | key.same(&NetKey::new(book)))
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(..)")
    }
}

/// Why a text is no key. Says nothing of the text but its length and a place.
#[derive(Debug, PartialEq, Eq)]
enum Fault {
    Length(usize),
    /// The byte offset of a character that is no digit, and its number counted from 1.
    Digit {
        offset: usize,
        number: usize,
    },
}

impl Fault {
    fn in_plan(&self, net: &Section<'_>, name: &str, key: &Located<&str>) -> Diagnostic {
        let mut span = key.span.clone();
        // With plain quotes, the text's bytes are the file's, and the very digit can be shown.
        if let Self::Digit { offset, .. } = self
            && net.source().raw(span.start + 1..span.end.saturating_sub(1)) == key.value
        {
            span = span.start + 1 + offset..span.start + 2 + offset;
        }
        let help = format!("a key is {DIGITS} hexadecimal digits (32 bytes), without spaces");
        net.source().error(span, format!("`{name}` {self}"), help)
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length(n) => {
                write!(f, "has {n} characters; {DIGITS} hexadecimal digits make one")
            }
            Self::Digit { number, .. } => {
                write!(f, "has a character that is no hexadecimal digit: number {number}")
            }
        }
    }
}

/// A key that may end with the end of its line.
fn parse_line(text: &str) -> Result<Key, Fault> {
    let text = text.strip_suffix('\n').unwrap_or(text);
    parse(text.strip_suffix('\r').unwrap_or(text))
}

fn parse(text: &str) -> Result<Key, Fault> {
    let stranger = text.char_indices().enumerate().find(|(_, (_, c))| !c.is_ascii_hexdigit());
    if let Some((i, (offset, _))) = stranger {
        return Err(Fault::Digit { offset, number: i + 1 });
    }
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if text.len() != DIGITS || !rest.is_empty() {
        return Err(Fault::Length(text.len()));
    }
    let digit = |byte: u8| char::from(byte).to_digit(16).unwrap_or_default();
    let mut key = Key(Zeroizing::new([0; 32]));
    for (byte, [high, low]) in key.0.iter_mut().zip(pairs) {
        *byte = u8::try_from(digit(*high) * 16 + digit(*low)).unwrap_or_default();
    }
    Ok(key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_64_hexadecimal_digits() {
        let text: String = (0..32).map(|i| format!("{i:02X}")).collect();
        let key = parse(&text).unwrap();
        assert_eq!(key.0[31], 0x1f);
        assert!(key.published());
        assert_eq!(format!("{key:?}"), "Key(..)");
        assert_eq!(parse(&text[1..]).unwrap_err(), Fault::Length(63));
        let fault = Fault::Digit { offset: 4, number: 4 };
        assert_eq!(parse("01é+").unwrap_err(), Fault::Digit { offset: 2, number: 3 });
        assert_eq!(parse("0é1+").unwrap_err(), Fault::Digit { offset: 1, number: 2 });
        assert_ne!(parse("0é1+").unwrap_err(), fault);
    }

    #[test]
    fn only_keys_from_books_count_as_published() {
        let published = |text: String| parse(&text).unwrap().published();
        assert!(published((0x80..0xa0).map(|i| format!("{i:02x}")).collect()));
        assert!(published("0".repeat(64)) && published("f".repeat(64)));
        assert!(!published("1f".repeat(32)));
    }
}
