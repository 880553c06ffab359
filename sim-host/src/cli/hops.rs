//! `hopwright hops`: the hops of a plan, one a line.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::plan::{MAX_HOPSET, Plan};
use hopwright_core::sequence::{Cursor, Hop, Sequence, SlotKind, Timeline};
use hopwright_core::units::{Hertz, Lane, Slot};
use std::io::{self, Write};
use std::path::PathBuf;

/// The arguments of `hops`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The plan, a TOML file
    plan: PathBuf,
    /// The lane, counted from 0
    #[arg(long, default_value_t = 0, value_parser = super::whole::<u8>(0..=u8::MAX))]
    lane: u8,
    /// The first slot
    #[arg(long, value_name = "H", default_value_t = 0, value_parser = super::whole::<u64>(0..=u64::MAX))]
    from: u64,
    /// How many slots
    #[arg(long, value_name = "N", default_value_t = 32, value_parser = super::whole::<u64>(0..=u64::MAX))]
    count: u64,
    /// How to write them
    #[arg(long, value_enum, default_value_t = Format::Table)]
    format: Format,
    /// Which of the net's timelines
    #[arg(long, value_enum, default_value_t = Line::Home)]
    timeline: Line,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Format {
    /// Columns for people
    Table,
    /// Comma-separated values with a header line
    Csv,
    /// One JSON array
    Json,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Line {
    /// The net's own
    Home,
    /// The provisional one of a station that speaks without time
    CutIn,
}

/// One hop as it is written.
#[derive(serde::Serialize)]
struct Row {
    slot: u32,
    kind: &'static str,
    channel: u16,
    frequency_hz: u64,
    unique_word: String,
}

pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let slots = slots(args)?;
    let plan = Plan::load(&args.plan)?;
    let lane = Lane::new(args.lane).filter(|lane| plan.lane_numbers().any(|l| l == *lane));
    let Some(lane) = lane else {
        let count = plan.lane_numbers().count();
        let what = format!("there is no lane {}: the plan has {count}", args.lane);
        return Err(Diagnostic::new(what, format!("use --lane 0 to {}", count - 1)));
    };
    let sequence = plan.sequence(lane)?;
    let timeline = match args.timeline {
        Line::Home => Timeline::Home,
        Line::CutIn => Timeline::CutIn,
    };
    let rows = Rows { plan: &plan, sequence: &sequence, timeline };
    write_out(|out| match args.format {
        Format::Table => rows.table(slots, out),
        Format::Csv => rows.csv(slots, out),
        Format::Json => rows.json(slots, out),
    })?;
    Ok(Outcome::Held)
}

/// The slots asked for, as numbers of which none is past the last slot.
fn slots(args: &Args) -> Result<std::ops::Range<u64>, Diagnostic> {
    let end = args.from.checked_add(args.count);
    let last = u64::from(Slot::MAX.number());
    match end {
        Some(end) if end <= last + 1 && args.from <= last => Ok(args.from..end),
        _ => {
            let room = (last + 1).saturating_sub(args.from);
            let what = format!("slots are numbered 0 to {last}, and these go past the end");
            let help = match room {
                0 => format!("use --from {last} or less"),
                room => format!("from slot {} use --count {room} or less", args.from),
            };
            Err(Diagnostic::new(what, help))
        }
    }
}

struct Rows<'a> {
    plan: &'a Plan,
    sequence: &'a Sequence<MAX_HOPSET>,
    timeline: Timeline,
}

impl Rows<'_> {
    fn iter(&self, slots: std::ops::Range<u64>) -> impl Iterator<Item = Row> + '_ {
        let mut cursor = Box::new(Cursor::new(self.sequence, self.timeline));
        slots
            .filter_map(|h| u32::try_from(h).ok())
            .map(move |h| self.row(cursor.hop(self.sequence, Slot::new(h))))
    }

    fn row(&self, hop: Hop) -> Row {
        Row {
            slot: hop.slot.number(),
            kind: match hop.kind {
                SlotKind::Sync => "sync",
                SlotKind::Traffic | _ => "traffic",
            },
            channel: hop.channel.number(),
            frequency_hz: self.plan.raster().frequency(hop.channel).map_or(0, Hertz::hz),
            unique_word: format!("{:08x}", hop.word),
        }
    }

    fn csv(&self, slots: std::ops::Range<u64>, out: &mut impl Write) -> io::Result<()> {
        out.write_all(b"slot,kind,channel,frequency_hz,unique_word\n")?;
        for Row { slot, kind, channel, frequency_hz, unique_word } in self.iter(slots) {
            writeln!(out, "{slot},{kind},{channel},{frequency_hz},{unique_word}")?;
        }
        Ok(())
    }

    fn table(&self, slots: std::ops::Range<u64>, out: &mut impl Write) -> io::Result<()> {
        writeln!(
            out,
            "{:>10}  {:7}  {:>7}  {:>17}  unique word",
            "slot", "kind", "channel", "frequency"
        )?;
        for row in self.iter(slots) {
            let (mega, hertz) = (row.frequency_hz / 1_000_000, row.frequency_hz % 1_000_000);
            let Row { slot, kind, channel, unique_word, .. } = row;
            writeln!(
                out,
                "{slot:>10}  {kind:7}  {channel:>7}  {mega:>6}.{hertz:06} MHz  {unique_word}"
            )?;
        }
        Ok(())
    }

    /// Written row by row: a list of a thousand million slots needs no memory.
    fn json(&self, slots: std::ops::Range<u64>, out: &mut impl Write) -> io::Result<()> {
        let mut lead = "[\n";
        let empty = slots.is_empty();
        for row in self.iter(slots) {
            out.write_all(lead.as_bytes())?;
            serde_json::to_writer(&mut *out, &row)?;
            lead = ",\n";
        }
        out.write_all(if empty { b"[]\n" } else { b"\n]\n" })
    }
}
