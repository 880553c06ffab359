//! Does what a student would do, and compares.

use crate::chapter::{Chapter, Check, Command, Edit, Place, Step};
use crate::common::{hopwright, stderr, stdout};
use crate::formula::first_number;
use crate::twins;
use std::fs;
use std::path::Path;
use std::process;

/// What runs commands of Python.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scripts {
    /// Python, held against the second implementation.
    Python,
    /// The second implementation alone.
    Twins,
}

/// What came of a chapter.
#[derive(Debug)]
pub(crate) struct Told {
    pub(crate) commands: usize,
    pub(crate) complaints: Vec<String>,
}

/// What a command left.
struct Outcome {
    status: Option<i32>,
    text: String,
}

impl Outcome {
    fn shown_status(&self) -> String {
        self.status.map_or("none".to_owned(), |status| status.to_string())
    }
}

/// Carries a chapter out in a copy of its files.
pub(crate) fn rehearse(chapter: &Chapter, files: &Path, scripts: Scripts) -> Told {
    let dir = tempfile::tempdir().expect("a folder");
    for entry in fs::read_dir(files).expect("the chapter's files") {
        let entry = entry.expect("a file");
        if entry.path().is_file() {
            fs::copy(entry.path(), dir.path().join(entry.file_name())).expect("copied");
        }
    }
    let mut told = Told { commands: 0, complaints: chapter.complaints.clone() };
    let complain = |told: &mut Told, line: usize, what: &str| {
        told.complaints.push(format!("{}:{line}: {what}", chapter.name));
    };
    for step in &chapter.steps {
        match step {
            Step::Edit(edit) => {
                for (line, what) in carry_out(edit, dir.path()) {
                    complain(&mut told, line, &what);
                }
            }
            Step::Run { commands, checks } => {
                let mut outcomes = Vec::new();
                for (number, command) in commands.iter().enumerate() {
                    let outcome = run(command, dir.path(), scripts);
                    told.commands += 1;
                    let judged = checks.iter().any(|check| {
                        check.command == Some(number) && matches!(check.place, Place::Exit)
                    });
                    if outcome.status != Some(0) && !judged {
                        let (status, text) = (outcome.shown_status(), &outcome.text);
                        let what = format!("exit status {status}:\n{text}");
                        complain(&mut told, command.line, &what);
                    }
                    outcomes.push(outcome);
                }
                for check in checks {
                    let outcome = check.command.map(|number| &outcomes[number]);
                    if let Err(what) = compare(check, outcome, dir.path()) {
                        complain(&mut told, check.line, &what);
                    }
                }
            }
        }
    }
    told
}

/// Changes a file, and says what could not be changed.
fn carry_out(edit: &Edit, dir: &Path) -> Vec<(usize, String)> {
    let path = dir.join(&edit.file);
    let Ok(mut text) = fs::read_to_string(&path) else {
        return vec![(edit.line, format!("{} is not one of the files", edit.file))];
    };
    let mut complaints = Vec::new();
    for change in &edit.changes {
        let block = |lines: &[String]| lines.iter().map(|l| format!("{l}\n")).collect::<String>();
        let (old, new) = (format!("\n{}", block(&change.old)), format!("\n{}", block(&change.new)));
        let found = text.matches(&old).count();
        if found == 1 {
            text = text.replacen(&old, &new, 1);
        } else {
            let what = format!("`{}` stands {found} times in {}", old.trim(), edit.file);
            complaints.push((change.line, what));
        }
    }
    fs::write(path, text).expect("written");
    complaints
}

fn run(command: &Command, dir: &Path, scripts: Scripts) -> Outcome {
    let args: Vec<&str> = command.args.iter().map(String::as_str).collect();
    let (status, mut text, told) = if command.program == "hopwright" {
        let output = hopwright(dir, &args);
        (output.status.code(), stdout(&output), stderr(&output))
    } else {
        match (twins::output(&command.args, dir), scripts) {
            (Err(what), _) => (None, String::new(), what),
            (Ok(text), Scripts::Twins) => (Some(0), text, String::new()),
            (Ok(text), Scripts::Python) => {
                let mut python = process::Command::new("python3");
                let output = python.args(&args).current_dir(dir).output().expect("python3");
                if stdout(&output) == text {
                    (output.status.code(), text, stderr(&output))
                } else {
                    let told = format!("the script and its second implementation differ:\n{text}");
                    (None, stdout(&output), told + &stderr(&output))
                }
            }
        }
    };
    if let Some(into) = &command.into {
        fs::write(dir.join(into), &text).expect("written");
        text = String::new();
    }
    Outcome { status, text: text + &told }
}

/// Compares a row with what its command left.
fn compare(check: &Check, outcome: Option<&Outcome>, dir: &Path) -> Result<(), String> {
    let found = match (&check.place, outcome) {
        (Place::ByHand, _) | (_, None) => {
            return if check.shown == "by hand" { Ok(()) } else { Err("`by hand`".to_owned()) };
        }
        (Place::Exit, Some(outcome)) => outcome.shown_status(),
        (Place::Text { file, texts, field }, Some(outcome)) => {
            let text = match file {
                Some(name) => {
                    fs::read_to_string(dir.join(name)).map_err(|e| format!("{name}: {e}"))?
                }
                None => outcome.text.clone(),
            };
            find(&text, texts, *field)?
        }
    };
    if found != check.shown {
        return Err(format!(
            "measured: the command prints {found}, the table says {}",
            check.shown
        ));
    }
    let value: f64 = found.parse().map_err(|e| format!("`{found}`: {e}"))?;
    if let Some(exact) = check.exactly {
        let unit = last_place(&found);
        return if (value - exact).abs() <= unit * 0.500_001 {
            Ok(())
        } else {
            Err(format!("{value} is not {exact}"))
        };
    }
    let (low, high) = (check.band.low, check.band.high);
    if (low..=high).contains(&value) {
        Ok(())
    } else {
        Err(format!("{value} is not within {low} to {high}"))
    }
}

/// What one in the last place of a number is worth.
fn last_place(number: &str) -> f64 {
    let (mantissa, exponent) = number.split_once('e').unwrap_or((number, "0"));
    let decimals = mantissa.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let exponent: i32 = exponent.parse().unwrap_or(0);
    10_f64.powi(exponent - i32::try_from(decimals).unwrap_or(0))
}

/// The number behind these texts, as it stands there.
fn find(text: &str, texts: &[String], field: Option<usize>) -> Result<String, String> {
    let mut end = 0;
    for wanted in texts {
        let at = text[end..].find(wanted.as_str()).ok_or_else(|| {
            format!("`{}` is not in what the command prints:\n{text}", wanted.trim())
        })?;
        end += at + wanted.len();
    }
    let missing = || "there is no number".to_owned();
    let Some(field) = field else {
        return first_number(&text[end..]).map(|(n, _)| n.to_owned()).ok_or_else(missing);
    };
    let start = text[..end].rfind('\n').map_or(0, |at| at + 1);
    let mut line = text[start..].lines().next().unwrap_or_default();
    for _ in 0..field {
        line = first_number(line).ok_or_else(missing)?.1;
    }
    first_number(line).map(|(n, _)| n.to_owned()).ok_or_else(missing)
}
