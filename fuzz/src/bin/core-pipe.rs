//! Answers questions about the link, a line each, from standard input to standard output: see
//! `docs/fuzzing.md`.

use std::io::{BufRead, ErrorKind, Write};
use std::process::ExitCode;

fn main() -> ExitCode {
    let mut pipe = hopwright_fuzz::Pipe::default();
    let mut out = std::io::stdout().lock();
    for line in std::io::stdin().lock().lines() {
        let answer = match &line {
            Ok(line) => pipe.answer(line),
            // What is no text is no question.
            Err(error) if error.kind() == ErrorKind::InvalidData => {
                "error: a line that is no UTF-8; questions are text".to_owned()
            }
            // The next read would fail as well.
            Err(error) => {
                eprintln!("error: standard input cannot be read: {error}");
                return ExitCode::from(2);
            }
        };
        // Whoever asks may wait for each answer.
        if writeln!(out, "{answer}").and_then(|()| out.flush()).is_err() {
            return ExitCode::SUCCESS;
        }
    }
    ExitCode::SUCCESS
}
