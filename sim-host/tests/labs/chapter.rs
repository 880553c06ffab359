//! The parts of a chapter that can be wrong.
//!
//! Behind each `sh` block stands a comment with a line for each row of the table behind it:
//!
//! ```text
//! [COMMAND] WHERE... [~ THEORY] in INTERVAL
//! ```
//!
//! * `COMMAND`: which of the block's commands, counted from 1; the first if left out.
//! * `WHERE`: texts in quotes, each found behind the one before; the number is the first behind the
//!   last, or, with `field N`, the N-th on the line where the last one ends. `\n` is the end of a
//!   line. With `file "NAME"` in front, it is looked for in that file instead of the output.
//!   `exit` alone is the exit status; `by hand` alone is no command's: only theory is compared.
//! * `THEORY`: a formula; without one the table says `bound`.
//! * `INTERVAL`: see `formula`; or `exactly`, the theory to the last digit that is printed.

use crate::formula::{self, Band};

/// What every lab has, in this order.
const SECTIONS: [&str; 5] = ["Question", "Theory", "Commands", "Exercises", "Answers"];

/// A chapter, read.
#[derive(Debug)]
pub(crate) struct Chapter {
    pub(crate) name: String,
    pub(crate) steps: Vec<Step>,
    pub(crate) complaints: Vec<String>,
}

/// What happens in it, in order.
#[derive(Debug)]
pub(crate) enum Step {
    Edit(Edit),
    Run { commands: Vec<Command>, checks: Vec<Check> },
}

/// Lines of a file that become others.
#[derive(Debug)]
pub(crate) struct Edit {
    pub(crate) line: usize,
    pub(crate) file: String,
    pub(crate) changes: Vec<Change>,
}

#[derive(Debug)]
pub(crate) struct Change {
    pub(crate) line: usize,
    pub(crate) old: Vec<String>,
    pub(crate) new: Vec<String>,
}

#[derive(Debug)]
pub(crate) struct Command {
    pub(crate) line: usize,
    pub(crate) program: String,
    pub(crate) args: Vec<String>,
    /// The file that takes its output.
    pub(crate) into: Option<String>,
}

/// A row, and what it is compared with.
#[derive(Debug)]
pub(crate) struct Check {
    /// Line of the row.
    pub(crate) line: usize,
    /// Counted from 0; none for what is worked out by hand.
    pub(crate) command: Option<usize>,
    pub(crate) place: Place,
    pub(crate) band: Band,
    pub(crate) exactly: Option<f64>,
    /// The measured cell.
    pub(crate) shown: String,
}

#[derive(Debug)]
pub(crate) enum Place {
    ByHand,
    Exit,
    Text { file: Option<String>, texts: Vec<String>, field: Option<usize> },
}

impl Chapter {
    pub(crate) fn parse(name: &str, text: &str) -> Self {
        let lines: Vec<&str> = text.lines().collect();
        let mut parser = Parser { name, lines: &lines, at: 0, complaints: Vec::new() };
        let steps = parser.steps();
        let mut complaints = parser.complaints;
        let mut sections = lines.iter().filter_map(|line| line.strip_prefix("## "));
        for section in SECTIONS {
            if !sections.any(|found| found == section) {
                complaints.push(format!("{name}: no section {section:?} in its place"));
            }
        }
        if !steps
            .iter()
            .any(|step| matches!(step, Step::Run { commands, .. } if !commands.is_empty()))
        {
            complaints.push(format!("{name}: no command"));
        }
        Self { name: name.to_owned(), steps, complaints }
    }
}

struct Parser<'a> {
    name: &'a str,
    lines: &'a [&'a str],
    at: usize,
    complaints: Vec<String>,
}

impl Parser<'_> {
    fn complain(&mut self, line: usize, what: &str) {
        self.complaints.push(format!("{}:{line}: {what}", self.name));
    }

    fn steps(&mut self) -> Vec<Step> {
        let mut steps = Vec::new();
        while let Some(line) = self.lines.get(self.at).copied() {
            self.at += 1;
            match line {
                "```sh" => {
                    let commands = self.commands();
                    let checks = self.checks(commands.len());
                    self.covered(&commands, &checks);
                    steps.push(Step::Run { commands, checks });
                }
                "```diff" => steps.extend(self.edit().map(Step::Edit)),
                "<!-- check" => {
                    self.at -= 1;
                    let checks = self.checks(0);
                    steps.push(Step::Run { commands: Vec::new(), checks });
                }
                _ if line.starts_with("| quantity |") => {
                    self.complain(self.at, "a table of quantities without a check before it");
                }
                _ if line.starts_with("```") => {
                    self.fenced();
                }
                _ => {}
            }
        }
        steps
    }

    /// The lines up to the end of a fence, with their numbers.
    fn fenced(&mut self) -> Vec<(usize, String)> {
        let mut inside = Vec::new();
        while let Some(line) = self.lines.get(self.at) {
            self.at += 1;
            if *line == "```" {
                return inside;
            }
            inside.push((self.at, (*line).to_owned()));
        }
        self.complain(self.at, "a fence is not closed");
        inside
    }

    fn commands(&mut self) -> Vec<Command> {
        let mut commands = Vec::new();
        for (line, text) in self.fenced() {
            let mut words = words(&text).into_iter();
            let program = words.next().unwrap_or_default();
            if program != "hopwright" && program != "python3" {
                self.complain(line, &format!("`{program}` is neither hopwright nor python3"));
                continue;
            }
            let mut args: Vec<String> = words.collect();
            let into = args.iter().position(|arg| arg == ">").map(|at| {
                let file = args.get(at + 1).cloned().unwrap_or_default();
                args.truncate(at);
                file
            });
            commands.push(Command { line, program, args, into });
        }
        commands
    }

    /// Whether each command is compared with something, itself or what it leaves.
    fn covered(&mut self, commands: &[Command], checks: &[Check]) {
        for (number, command) in commands.iter().enumerate() {
            let checked = checks.iter().any(|check| check.command == Some(number));
            let used = command.into.as_ref().is_some_and(|file| {
                commands.iter().skip(number + 1).any(|later| later.args.contains(file))
            });
            if !checked && !used {
                self.complain(command.line, "nothing is expected of this command");
            }
        }
    }

    fn edit(&mut self) -> Option<Edit> {
        let first = self.at + 1;
        let mut lines = self.fenced().into_iter();
        let Some(file) = lines.next().and_then(|(_, l)| l.strip_prefix("--- ").map(str::to_owned))
        else {
            self.complain(first, "a change begins with `--- FILE`");
            return None;
        };
        let mut changes: Vec<Change> = Vec::new();
        for (line, text) in lines {
            if let Some(old) = text.strip_prefix('-') {
                let fresh = changes.last().is_none_or(|change| !change.new.is_empty());
                if fresh {
                    changes.push(Change { line, old: Vec::new(), new: Vec::new() });
                }
                changes.last_mut()?.old.push(old.to_owned());
            } else if let (Some(new), Some(change)) = (text.strip_prefix('+'), changes.last_mut()) {
                change.new.push(new.to_owned());
            } else {
                self.complain(line, "a line of a change begins with `-` or `+`, the old one first");
            }
        }
        Some(Edit { line: first, file, changes })
    }

    fn skip_blank(&mut self) {
        while self.lines.get(self.at).is_some_and(|line| line.trim().is_empty()) {
            self.at += 1;
        }
    }

    /// The comment and the table behind a block of so many commands.
    fn checks(&mut self, commands: usize) -> Vec<Check> {
        let block = self.at;
        self.skip_blank();
        if self.lines.get(self.at) != Some(&"<!-- check") {
            self.complain(block, "no check behind this block");
            return Vec::new();
        }
        let comment = self.at + 1;
        let mut rules = Vec::new();
        self.at += 1;
        while let Some(line) = self.lines.get(self.at).filter(|line| **line != "-->") {
            self.at += 1;
            rules.push((self.at, *line));
        }
        self.at += 1;
        self.skip_blank();
        let rows = self.rows();
        if rows.len() != rules.len() || rows.is_empty() {
            self.complain(comment, &format!("{} checks, {} rows", rules.len(), rows.len()));
            return Vec::new();
        }
        let mut checks = Vec::new();
        for ((at, rule), (line, cells)) in rules.into_iter().zip(rows) {
            match read_rule(rule) {
                Err(what) => self.complain(at, &what),
                Ok(rule) if rule.command.is_some_and(|command| command >= commands) => {
                    self.complain(at, "there is no such command");
                }
                Ok(rule) => checks.extend(self.row(line, &cells, rule)),
            }
        }
        checks
    }

    /// The rows of a table, with their lines.
    fn rows(&mut self) -> Vec<(usize, Vec<String>)> {
        let mut rows = Vec::new();
        while let Some(line) = self.lines.get(self.at).filter(|line| line.starts_with('|')) {
            self.at += 1;
            let cells = line.trim().trim_matches('|').split('|').map(|c| c.trim().to_owned());
            rows.push((self.at, cells.collect()));
        }
        rows.drain(..rows.len().min(2));
        rows
    }

    fn row(&mut self, line: usize, cells: &[String], rule: Rule) -> Option<Check> {
        let [_, theory, interval, measured] = cells else {
            self.complain(line, "a row has four cells: quantity, theory, interval, measured");
            return None;
        };
        match rule.theory {
            None if theory != "bound" => self.complain(line, "theory: without a formula, `bound`"),
            None => {}
            Some(value) => self.same(line, "theory", value, theory),
        }
        if rule.exactly {
            if interval != "exactly" {
                self.complain(line, "interval: `exactly`");
            }
        } else if let Some((low, high)) = interval.split_once(" to ") {
            self.same(line, "interval", rule.band.low, low);
            self.same(line, "interval", rule.band.high, high);
        } else {
            self.complain(line, "interval: `LOW to HIGH`");
        }
        Some(Check {
            line,
            command: rule.command,
            place: rule.place,
            band: rule.band,
            exactly: rule.theory.filter(|_| rule.exactly),
            shown: measured.clone(),
        })
    }

    /// Whether a cell shows a value, rounded as the cell is.
    fn same(&mut self, line: usize, what: &str, value: f64, shown: &str) {
        let rounded = like(value, shown);
        if rounded != shown {
            self.complain(
                line,
                &format!("{what}: {rounded} by the formula, the table says {shown}"),
            );
        }
    }
}

/// A value with as many decimals as a text has.
fn like(value: f64, shown: &str) -> String {
    let (mantissa, exponent) = shown.split_once('e').map_or((shown, false), |(m, _)| (m, true));
    let decimals = mantissa.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let text =
        if exponent { format!("{value:.decimals$e}") } else { format!("{value:.decimals$}") };
    // There is no minus zero in a table.
    if text.trim_start_matches('-').trim_matches(['0', '.']).is_empty() {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

struct Rule {
    command: Option<usize>,
    place: Place,
    theory: Option<f64>,
    band: Band,
    exactly: bool,
}

fn read_rule(text: &str) -> Result<Rule, String> {
    let (place, interval) = text.rsplit_once(" in ").ok_or("`in INTERVAL` is missing")?;
    let (place, theory) = match place.rsplit_once(" ~ ") {
        Some((place, theory)) => (place, Some(formula::number(theory)?)),
        None => (place, None),
    };
    let exactly = interval.trim() == "exactly";
    let band = match theory {
        Some(value) if exactly => Band { low: value, high: value },
        None if exactly => return Err("`exactly` what?".to_owned()),
        _ => formula::band(interval)?,
    };
    let mut parts = words(place).into_iter().peekable();
    let command = parts.peek().and_then(|first| first.parse::<usize>().ok());
    if command.is_some() {
        parts.next();
    }
    let parts: Vec<String> = parts.collect();
    let mut command = Some(command.unwrap_or(1).checked_sub(1).ok_or("commands count from 1")?);
    let place = match &*parts {
        [by, hand] if by == "by" && hand == "hand" => {
            command = None;
            Place::ByHand
        }
        [exit] if exit == "exit" => Place::Exit,
        _ => read_place(parts)?,
    };
    Ok(Rule { command, place, theory, band, exactly })
}

fn read_place(parts: Vec<String>) -> Result<Place, String> {
    let (mut file, mut texts, mut field) = (None, Vec::new(), None);
    let mut parts = parts.into_iter();
    while let Some(part) = parts.next() {
        match &*part {
            "file" => file = parts.next(),
            "field" => {
                let number = parts.next().and_then(|n| n.parse::<usize>().ok());
                field = Some(number.and_then(|n| n.checked_sub(1)).ok_or("`field N`, from 1")?);
            }
            _ => texts.push(part),
        }
    }
    if texts.is_empty() {
        return Err("no text says where the number is".to_owned());
    }
    Ok(Place::Text { file, texts, field })
}

/// Words with blanks between; what is in double quotes is one, and `\n` in it ends a line.
fn words(text: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (number, part) in text.split('"').enumerate() {
        if number % 2 == 1 {
            words.push(part.replace("\\n", "\n"));
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}
