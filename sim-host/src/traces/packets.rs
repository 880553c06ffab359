//! Packets: one a transmission, after draft-ietf-opsawg-pcapng (from memory), written by a library.
//! The link type is 147, the first of those that are free for everybody's own use; the record in
//! front of the bits is ours, and `docs/traces.md` has it.

use crate::run::Run;
use crate::world::{Content, Frame, Sent};
use pcap_file::pcapng::PcapNgWriter;
use pcap_file::pcapng::blocks::enhanced_packet::{EnhancedPacketBlock, EnhancedPacketOption};
use pcap_file::pcapng::blocks::interface_description::{
    InterfaceDescriptionBlock, InterfaceDescriptionOption,
};
use pcap_file::pcapng::blocks::section_header::{SectionHeaderBlock, SectionHeaderOption};
use pcap_file::{DataLink, Endianness};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io;
use std::time::Duration;

/// The version of the record in front of the bits: its first byte.
pub const RECORD_VERSION: u8 = 1;
/// The bytes of the record without the station's name.
const RECORD_BYTES: usize = 40;
/// What stands for "no slot" and "no over".
const NONE: u32 = u32::MAX;
/// Time stamps count units of 10^-9 s: what the library writes.
const NANOSECONDS: u8 = 9;
/// Direction "outbound" in a packet's flags.
const OUTBOUND: u32 = 2;

/// The packets of a run that was asked for frames.
pub(super) fn pcapng(run: &Run) -> io::Result<Vec<u8>> {
    write(run).map_err(io::Error::other)
}

fn write(run: &Run) -> Result<Vec<u8>, pcap_file::PcapError> {
    let about = format!(
        "{}; seed {}; digest {}; times count from the start of the simulation",
        run.scenario.title,
        run.seed,
        run.world.digest()
    );
    let head = SectionHeaderBlock {
        endianness: Endianness::Big,
        options: vec![
            SectionHeaderOption::Comment(Cow::Owned(about)),
            SectionHeaderOption::UserApplication(Cow::Borrowed("hopwright")),
        ],
        ..Default::default()
    };
    let mut out = PcapNgWriter::with_section_header(Vec::new(), head)?;
    let mut interfaces = BTreeMap::new();
    for (id, lane) in (0..).zip(run.scenario.radio.lanes()) {
        interfaces.insert(lane, id);
        out.write_pcapng_block(InterfaceDescriptionBlock {
            linktype: DataLink::USER0,
            snaplen: 0,
            options: vec![
                InterfaceDescriptionOption::IfName(Cow::Owned(format!("lane {lane}"))),
                InterfaceDescriptionOption::IfDescription(Cow::Borrowed("simulated hopping net")),
                InterfaceDescriptionOption::IfTsResol(NANOSECONDS),
            ],
        })?;
    }
    let trace = run.world.trace();
    for (sent, frame) in trace.sent.iter().zip(&trace.frames) {
        let data = record(run, sent, frame);
        let lane = run.scenario.radio.stations[sent.node].lane;
        out.write_pcapng_block(EnhancedPacketBlock {
            interface_id: interfaces.get(&lane).copied().unwrap_or_default(),
            timestamp: Duration::from_micros(sent.at_us),
            original_len: u32::try_from(data.len()).unwrap_or(u32::MAX),
            data: Cow::Owned(data),
            options: vec![EnhancedPacketOption::Flags(OUTBOUND)],
        })?;
    }
    Ok(out.into_inner())
}

/// One transmission: a record of ours, then the bits that followed the word. Numbers are big-endian.
fn record(run: &Run, sent: &Sent, frame: &Frame) -> Vec<u8> {
    let station = &run.scenario.radio.stations[sent.node];
    let frequency = run.scenario.plan.raster().frequency(sent.channel).map_or(0, |f| f.hz());
    // 200 bytes of a name are enough to tell it by; it is cut between characters.
    let mut name = station.name.as_str();
    while name.len() > 200 {
        name = name.char_indices().next_back().map_or("", |(at, _)| &name[..at]);
    }
    let small = |n: usize| u8::try_from(n).unwrap_or(u8::MAX);
    let count = |n: u32| u16::try_from(n).unwrap_or(u16::MAX).to_be_bytes();
    let content = match sent.content {
        Content::SyncHeader => 0,
        Content::TrafficHeader => 1,
        Content::Payload => 2,
    };
    let flags = u8::from(sent.interfered) | u8::from(frame.single) << 1;
    let over = sent.over.and_then(|over| u32::try_from(over + 1).ok());
    let duration = u32::try_from(sent.end_us - sent.at_us).unwrap_or(u32::MAX);
    let mut out = Vec::with_capacity(RECORD_BYTES + name.len() + frame.bits.len());
    out.extend([RECORD_VERSION, small(RECORD_BYTES + name.len()), content, flags]);
    out.extend([station.address.number(), station.lane.number()]);
    out.extend(sent.channel.number().to_be_bytes());
    out.extend(frequency.to_be_bytes());
    out.extend(sent.slot.map_or(NONE, hopwright_core::units::Slot::number).to_be_bytes());
    out.extend(over.unwrap_or(NONE).to_be_bytes());
    out.extend(frame.word.to_be_bytes());
    out.extend(duration.to_be_bytes());
    out.extend(count(sent.listeners));
    out.extend(count(sent.heard));
    out.extend([0, 0, 0, small(name.len())]);
    out.extend(name.as_bytes());
    out.extend(&frame.bits);
    out
}
