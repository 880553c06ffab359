//! One row a transmission, with everything that is known of it.

use crate::run::Run;
use crate::world::Content;
use std::io;

/// A row.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub(super) struct Row<'a> {
    /// When the unique word began, and when the last bit ended: true time.
    pub(super) time_us: u64,
    pub(super) end_us: u64,
    pub(super) lane: u8,
    pub(super) station: &'a str,
    pub(super) address: String,
    /// Slot of home time; nothing on a cut-in's timeline and on a single channel.
    pub(super) slot: Option<u32>,
    pub(super) channel: u16,
    pub(super) frequency_hz: u64,
    pub(super) content: &'static str,
    /// Eight hexadecimal digits.
    pub(super) word: String,
    /// The over, counted from 1 in the order of presses, and its target; nothing in an announce.
    pub(super) over: Option<u64>,
    pub(super) target: Option<String>,
    pub(super) single_channel: u8,
    pub(super) interfered: u8,
    pub(super) waited: u32,
    pub(super) heard: u32,
    /// Addresses, with a space between them.
    pub(super) waited_by: String,
    pub(super) heard_by: String,
    /// What followed the word on the air, as hexadecimal digits.
    pub(super) bits: String,
}

/// The name of what a transmission carried.
pub(crate) const fn content_name(content: Content) -> &'static str {
    match content {
        Content::SyncHeader => "sync-header",
        Content::TrafficHeader => "traffic-header",
        Content::Payload => "payload",
    }
}

/// The rows of a run that was asked for frames.
pub(super) fn rows(run: &Run) -> Vec<Row<'_>> {
    let (scenario, trace) = (&run.scenario, run.world.trace());
    let stations = &scenario.radio.stations;
    let addresses = |nodes: &[usize]| {
        let all: Vec<String> = nodes.iter().map(|n| stations[*n].address.to_string()).collect();
        all.join(" ")
    };
    trace
        .sent
        .iter()
        .zip(&trace.frames)
        .map(|(sent, frame)| {
            let station = &stations[sent.node];
            let frequency = scenario.plan.raster().frequency(sent.channel);
            Row {
                time_us: sent.at_us,
                end_us: sent.end_us,
                lane: station.lane.number(),
                station: &station.name,
                address: station.address.to_string(),
                slot: sent.slot.map(hopwright_core::units::Slot::number),
                channel: sent.channel.number(),
                frequency_hz: frequency.map_or(0, hopwright_core::units::Hertz::hz),
                content: content_name(sent.content),
                word: format!("{:08x}", frame.word),
                over: sent.over.map(|over| over as u64 + 1),
                target: sent.over.map(|over| trace.overs[over].target.to_string()),
                single_channel: u8::from(frame.single),
                interfered: u8::from(sent.interfered),
                waited: sent.listeners,
                heard: sent.heard,
                waited_by: addresses(&frame.awaited_by),
                heard_by: addresses(&frame.heard_by),
                bits: frame.bits.iter().map(|byte| format!("{byte:02x}")).collect(),
            }
        })
        .collect()
}

/// The names of the columns, in order. A test holds them against what is written.
pub(super) const COLUMNS: [&str; 19] = [
    "time_us",
    "end_us",
    "lane",
    "station",
    "address",
    "slot",
    "channel",
    "frequency_hz",
    "content",
    "word",
    "over",
    "target",
    "single_channel",
    "interfered",
    "waited",
    "heard",
    "waited_by",
    "heard_by",
    "bits",
];

/// The rows as CSV (RFC 4180), with a head even if there are none.
pub(super) fn csv(rows: &[Row<'_>]) -> io::Result<Vec<u8>> {
    let mut out = csv::WriterBuilder::new().has_headers(false).from_writer(Vec::new());
    out.write_record(COLUMNS)?;
    for row in rows {
        out.serialize(row)?;
    }
    out.into_inner().map_err(|error| io::Error::other(error.to_string()))
}
