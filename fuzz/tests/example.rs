//! The worked example of `docs/fuzzing.md`: an implementation in another language, compared with
//! the core through a pipe. Needs Python; `.ci/run` runs it.

use std::fs::File;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn drive(arguments: &[&str]) -> Output {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("example");
    Command::new("python3")
        .arg("-B")
        .arg(folder.join("drive.py"))
        .args(["--pipe", env!("CARGO_BIN_EXE_core-pipe")])
        .args(arguments)
        .output()
        .expect("python3 is needed")
}

fn told(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("text")
}

#[test]
#[ignore = "needs python3; .ci/run runs it"]
fn the_planted_slip_is_found() {
    let output = drive(&["--planted"]);
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    // The simplest difference is the parity bit alone.
    assert!(told(&output).contains("(1 wrong bits): ours"), "{}", told(&output));
}

#[test]
#[ignore = "needs python3; .ci/run runs it"]
fn without_it_all_answers_are_equal() {
    for seed in ["1", "2", "3"] {
        let output = drive(&["--seed", seed]);
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        assert_eq!(told(&output), "20000 words: all answers are equal\n");
    }
}

#[test]
#[ignore = "needs python3; .ci/run runs it"]
fn a_pipe_that_does_not_answer_is_no_success() {
    let output = drive(&["--pipe", "/nonexistent/core-pipe"]);
    assert_eq!(output.status.code(), Some(2), "{output:?}");
    let output = drive(&["--pipe", "true"]);
    assert_eq!(output.status.code(), Some(2), "{output:?}");
}

/// A question that is no text is answered; input that cannot be read at all ends the program.
#[test]
#[cfg(unix)]
fn input_that_cannot_be_read_ends_the_pipe() {
    let asked = |input: Stdio| {
        let mut pipe = Command::new(env!("CARGO_BIN_EXE_core-pipe"));
        pipe.stdin(input).stdout(Stdio::piped()).stderr(Stdio::piped()).output().expect("it runs")
    };
    let folder = File::open(env!("CARGO_MANIFEST_DIR")).expect("a folder can be opened, not read");
    let output = asked(folder.into());
    assert_eq!((output.status.code(), told(&output).as_str()), (Some(2), ""));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.starts_with("error: standard input cannot be read"), "{said}");
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join("no-text");
    std::fs::write(&file, b"\xFF\nsync\n").expect("a file");
    let output = asked(File::open(&file).expect("a file").into());
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(told(&output).lines().count(), 2, "{}", told(&output));
}
