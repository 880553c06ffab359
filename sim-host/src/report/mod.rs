//! A run as one page for a browser: everything in one file, nothing fetched from anywhere.
//!
//! | module | what it makes |
//! |---|---|
//! | `page` | the page: headings, tables, lists, and the rest in its place |
//! | `markup` | text made safe for markup and for scripts |
//! | `data` | what the drawn parts need, as compact JSON |
//! | `channel_use` | how often each channel was used, against what the draw explains |
//! | `bars` | that as a picture |
//!
//! `report.css` and `report.js` beside them are ours and go into the page whole. The page is
//! well-formed XML as well as HTML, so that a test can read it without a browser. Checks, account
//! and tables stand in the markup: without scripts only the drawn parts are missing.

mod bars;
mod channel_use;
mod curves;
mod data;
mod markup;
mod page;

pub use channel_use::{Bar, ChannelUse, Fit, channel_uses};
pub use page::page;

use std::ffi::OsString;

/// A command line that repeats this process, as a person would type it into a POSIX shell.
pub fn command_line(args: impl Iterator<Item = OsString>) -> String {
    let mut line = String::from("hopwright");
    for arg in args {
        line.push(' ');
        line.push_str(&quoted(&arg.to_string_lossy()));
    }
    line
}

fn quoted(arg: &str) -> String {
    let tame = |c: char| c.is_ascii_alphanumeric() || "-_./=:,+%@".contains(c);
    if !arg.is_empty() && arg.chars().all(tame) {
        arg.to_owned()
    } else {
        format!("'{}'", arg.replace('\'', "'\\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_line_survives_a_shell() {
        let args = ["run", "--listen", "boat heron", "it's", "", "a;b"];
        let line = command_line(args.iter().map(OsString::from));
        assert_eq!(line, "hopwright run --listen 'boat heron' 'it'\\''s' '' 'a;b'");
    }
}
