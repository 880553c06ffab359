//! A report for people.

use crate::check::{Finding, Report, RuleSet, Summary, Survey, Verdict};
use std::io::{self, Write};

/// Text is wrapped here, so that it reads well on a small terminal.
const WIDTH: usize = 100;

pub(super) fn write_text(report: &Report, out: &mut impl Write) -> io::Result<()> {
    let s = &report.summary;
    writeln!(out, "Plan {}\n", s.name)?;
    if s.training_key {
        writeln!(out, "  !! TRAINING KEY: this key is published. FOR SIMULATION ONLY; on the air")?;
        writeln!(out, "  !! anybody could follow, read and imitate this net.\n")?;
    }
    write_band(s, out)?;
    write_slots(s, out)?;
    write_lanes(s, out)?;
    writeln!(out, "The plan against itself\n")?;
    write_findings(&report.consistency, out)?;
    if report.rules != RuleSet::None {
        writeln!(out, "The plan against {}\n", report.rules.title())?;
        write_findings(&report.findings, out)?;
    }
    writeln!(out, "Before anything goes on the air\n")?;
    for caution in report.cautions {
        wrapped(caution, "  - ", "    ", out)?;
    }
    writeln!(out, "\n{}", verdict_line(report))
}

fn verdict_line(report: &Report) -> String {
    let all = || report.consistency.iter().chain(&report.findings);
    let count = |verdict| all().filter(|f: &&Finding| f.verdict == verdict).count();
    let (fails, warnings) = (count(Verdict::Fails), count(Verdict::Warning));
    let open = count(Verdict::NotJudged);
    let word = if report.holds { "HOLDS" } else { "FAILS" };
    format!("Result: {word} (failed {fails}, warnings {warnings}, not judged {open})")
}

fn write_band(s: &Summary, out: &mut impl Write) -> io::Result<()> {
    let kept = s.raster_channels - s.allowed_channels;
    writeln!(out, "Band")?;
    writeln!(
        out,
        "  raster        {} channels, {} Hz apart, {} Hz wide",
        s.raster_channels, s.spacing_hz, s.occupied_hz
    )?;
    writeln!(out, "  allowed       {} channels ({kept} not)", s.allowed_channels)?;
    for e in &s.excluded {
        let why = e.why.as_deref().map(printable).unwrap_or_else(|| "no reason given".into());
        writeln!(out, "  excluded      {}: {} channels, {why}", e.what, e.takes)?;
    }
    if let [lane] = s.lanes.as_slice() {
        writeln!(
            out,
            "  hopset        {} channels ({}), {} to {}",
            lane.channels,
            s.pick,
            Survey::mhz(lane.first_hz),
            Survey::mhz(lane.last_hz)
        )?;
    }
    writeln!(out, "  rendezvous    {} channels\n", s.rendezvous)
}

fn write_slots(s: &Summary, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "Slots")?;
    writeln!(
        out,
        "  slot          {} us: {} hops a second, {} bits each after the unique word",
        s.slot_us,
        trimmed(s.hops_per_second),
        s.bits_per_slot
    )?;
    let set_apart = if s.equal_use { "every channel used equally" } else { "no equal use" };
    writeln!(
        out,
        "  frame         {} slots, one of them sync; {} draw, {set_apart}",
        s.frame, s.draw
    )?;
    writeln!(
        out,
        "  rendezvous    each channel visited at least every {} s: (r {} + w {} - 1) * m {} slots",
        trimmed(s.longest_gap_s),
        s.rendezvous,
        s.window,
        s.frame
    )?;
    writeln!(out, "  announce      {} slots, {} s", s.announce_slots, trimmed(s.announce_s))?;
    writeln!(out, "  clocks        within {} ppb", s.tolerance_ppb)?;
    let m = &s.message;
    writeln!(
        out,
        "  messages      a block of {} slots ({} s) carries up to {} bytes, and survives {} of them \
         lost\n                or {} damaged; a message has up to {} bytes\n",
        m.n,
        trimmed(m.block_s),
        m.block_bytes,
        m.n - m.k,
        (m.n - m.k) / 2,
        m.longest_bytes
    )
}

fn write_lanes(s: &Summary, out: &mut impl Write) -> io::Result<()> {
    let [_, _, ..] = s.lanes.as_slice() else { return Ok(()) };
    writeln!(out, "Lanes ({}, pick {})", s.lane_kind, s.pick)?;
    for lane in &s.lanes {
        writeln!(
            out,
            "  lane {:<2}       {} channels, {} to {}",
            lane.lane,
            lane.channels,
            Survey::mhz(lane.first_hz),
            Survey::mhz(lane.last_hz)
        )?;
    }
    writeln!(out)
}

/// Verdict, paragraph and subject on one line, the numbers below: columns as wide as these texts
/// would not fit a terminal.
fn write_findings(findings: &[Finding], out: &mut impl Write) -> io::Result<()> {
    for f in findings {
        writeln!(out, "  {:<10}  {:<24}  {}", f.verdict, f.paragraph, f.what)?;
        let indent = " ".repeat(14);
        wrapped(&f.required, &format!("{indent}required  "), &" ".repeat(24), out)?;
        wrapped(&f.measured, &format!("{indent}measured  "), &" ".repeat(24), out)?;
        if let Some(note) = &f.note {
            wrapped(note, &format!("{indent}note      "), &" ".repeat(24), out)?;
        }
    }
    writeln!(out)
}

/// Writes `text` after `first`, continued under it after `rest`.
fn wrapped(text: &str, first: &str, rest: &str, out: &mut impl Write) -> io::Result<()> {
    let mut line = first.to_owned();
    let mut bare = true;
    for word in text.split_whitespace() {
        if !bare && line.chars().count() + 1 + word.chars().count() > WIDTH {
            writeln!(out, "{line}")?;
            rest.clone_into(&mut line);
            bare = true;
        }
        if !bare {
            line.push(' ');
        }
        line.push_str(word);
        bare = false;
    }
    writeln!(out, "{line}")
}

/// At most three digits behind the point, and no more than needed.
fn trimmed(number: f64) -> String {
    let text = format!("{number:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Text of a plan without control characters, which could rewrite the screen.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
