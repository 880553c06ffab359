//! Proves what the teaching labs (`docs/labs`) say: every command in them is run, and every number
//! beside it is compared.
//!
//! * A chapter is `src/NAME.md`; its commands run in a copy of `src/files/NAME`, in order, and its
//!   `diff` blocks change that copy, as a student would.
//! * Behind each `sh` block stands a comment that says where each number is found and what theory
//!   makes of it, and a table. The measured cell must be what the command prints, to the digit; the
//!   theory and the ends of the interval are worked out here; and the measured value must lie in
//!   the interval. Grammar: `chapter`.
//! * Quantiles are those of `statrs`, which no other part of this crate uses.
//!
//! Scripts of the labs need Python 3, which `cargo test` may not ask for. So they exist a second time
//! in `twins`; `the_labs_hold_with_python`, which is ignored here and run by `.ci/run`, runs the
//! scripts too and holds the two against each other.

mod book;
mod chapter;
#[path = "../common/mod.rs"]
mod common;
mod formula;
mod rehearsal;
mod twins;

use chapter::Chapter;
use rehearsal::Scripts;
use std::path::{Path, PathBuf};

fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/labs/src")
}

/// Runs all labs and tells what is wrong with them, all at once.
#[track_caller]
fn rehearse_all(scripts: Scripts) {
    let (mut complaints, mut commands) = (Vec::new(), 0);
    for path in book::labs(&source()) {
        let text = std::fs::read_to_string(&path).expect("a chapter");
        let name = path.file_stem().and_then(|stem| stem.to_str()).expect("a name");
        let chapter = Chapter::parse(&format!("{name}.md"), &text);
        let files = source().join("files").join(name);
        let told = rehearsal::rehearse(&chapter, &files, scripts);
        assert!(told.commands > 0, "{name}: no command was run");
        commands += told.commands;
        complaints.extend(told.complaints);
    }
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
    println!("{commands} commands");
}

#[test]
fn the_labs_hold() {
    rehearse_all(Scripts::Twins);
}

#[test]
#[ignore = "needs python3; .ci/run runs it"]
fn the_labs_hold_with_python() {
    rehearse_all(Scripts::Python);
}

#[test]
fn there_are_eight_labs_and_the_book_is_whole() {
    assert_eq!(book::labs(&source()).len(), 8);
    let complaints = book::complaints(&source());
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
}

/// A lab of one command, as it must be; the tests below break it.
const SOUND: &str = r#"# Lab

## Question
## Theory
## Commands

```diff
--- plan.toml
-count = 130
+count = 128
```

```sh
hopwright hops plan.toml --count 4 --format csv
```

<!-- check
"slot,kind" "\n0,traffic," ~ 110 + 3^2 in around(119, 10)
-->

| quantity | theory | interval | measured |
|---|---|---|---|
| channel of slot 0 | 119 | 109 to 129 | 119 |

## Exercises
## Answers
"#;

/// What is said about a lab with this text.
fn complaints_about(text: &str) -> String {
    let dir = tempfile::tempdir().expect("a folder");
    let plan = "[net]\nname = \"lab\"\nkey = \"000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f\"\n\
                [raster]\nbase_hz = 902_100_000\nspacing_hz = 200_000\ncount = 130\n";
    std::fs::write(dir.path().join("plan.toml"), plan).expect("a plan");
    let told = rehearsal::rehearse(&Chapter::parse("lab.md", text), dir.path(), Scripts::Twins);
    told.complaints.join("\n")
}

/// What is said once `from` has become `to`.
#[track_caller]
fn broken(from: &str, to: &str) -> String {
    assert_eq!(SOUND.matches(from).count(), 1, "{from}");
    complaints_about(&SOUND.replace(from, to))
}

#[test]
fn a_sound_lab_is_accepted() {
    assert_eq!(complaints_about(SOUND), "");
}

#[test]
fn a_broken_lab_is_refused() {
    for (from, to, said) in [
        // A number was changed: measured, theory, interval, the command, the file.
        (
            "129 | 119 |",
            "129 | 120 |",
            "lab.md:23: measured: the command prints 119, the table says 120",
        ),
        ("| 119 | 109", "| 118 | 109", "lab.md:23: theory: 119 by the formula, the table says 118"),
        ("109 to 129", "110 to 129", "lab.md:23: interval: 109 by the formula, the table says 110"),
        ("119, 10)", "200, 10)", "119 is not within 190 to 210"),
        ("hops plan.toml", "hops plans.toml", "lab.md:14: exit status 2"),
        ("+count = 128", "+count = 64", "lab.md:23: measured"),
        // Something is missing.
        ("-count = 130", "-count = 131", "lab.md:9: `count = 131` stands 0 times in plan.toml"),
        ("--- plan.toml", "--- plans.toml", "lab.md:8: plans.toml"),
        ("## Theory\n", "", "lab.md: no section \"Theory\""),
        ("```sh\n", "```text\n", "lab.md: no command"),
        ("0,traffic,", "0,silence,", "lab.md:23: `0,silence,` is not in what the command prints"),
        ("| channel of slot 0 | 119 | 109 to 129 | 119 |\n", "", "lab.md:17: 1 checks, 0 rows"),
        (
            "--format csv\n",
            "--format csv\nhopwright hops plan.toml\n",
            "lab.md:15: nothing is expected",
        ),
        ("<!-- check", "<!-- cheque", "lab.md:15: no check behind"),
        ("3^2 in", "3^2 im", "lab.md:18:"),
        ("3^2 in", "3^^2 in", "lab.md:18:"),
        ("hopwright hops", "other hops", "lab.md:14: `other` is neither"),
    ] {
        let complaints = broken(from, to);
        assert!(complaints.contains(said), "{from} became {to}:\n{complaints}\ninstead of {said}");
    }
}

/// Output may also be for a later command, and then needs no check of its own.
#[test]
fn a_file_for_nobody_is_refused() {
    let complaints = broken("--format csv\n", "--format csv\nhopwright hops plan.toml > f.csv\n");
    assert!(complaints.contains("lab.md:15: nothing is expected"), "{complaints}");
    let used = SOUND
        .replace("--format csv\n", "--format csv > f.csv\npython3 parked.py f.csv 0 2\n")
        .replace("\"slot,kind\" \"\\n0,traffic,\" ~ 110 + 3^2", "2 \"stretches\" ~ 2")
        .replace("around(119, 10)", "around(2, 1)")
        .replace("| 119 | 109 to 129 | 119 |", "| 2 | 1 to 3 | 2 |");
    assert_eq!(complaints_about(&used), "");
    let complaints = complaints_about(&used.replace("parked.py", "sparked.py"));
    assert!(complaints.contains("lab.md:15: exit status none"), "{complaints}");
}

/// A number that no command prints must not stand there as if one did.
#[test]
fn a_table_without_check_is_refused() {
    let complaints = complaints_about(&format!(
        "{SOUND}\n| quantity | theory | interval | measured |\n|---|---|---|---|\n| x | 1 | exactly | 1 |\n"
    ));
    assert!(complaints.contains("a table of quantities without a check"), "{complaints}");
}
