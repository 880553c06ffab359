//! `run --out --traces`: what other people's tools read in the traces is what happened. Each file
//! is read by a library that has nothing to do with the one that wrote it, where there is one:
//! value change dumps (IEEE Std 1364-2005, section 18) by `wellen`, packets
//! (draft-ietf-opsawg-pcapng) by `pcap-parser`. `tests/browser` opens them with larger tools.

#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "blocks of other kinds must not be there, whatever kinds a library knows"
)]

mod common;

use common::{hopwright, stderr, stdout};
use pcap_parser::traits::PcapReaderIterator;
use pcap_parser::{Block, Linktype, PcapBlockOwned, PcapError, PcapNGReader};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use wellen::simple;

type Row = BTreeMap<String, String>;

/// Two nets, a station that loses its power, and one on the calling channel.
fn traces(args: &[&str]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    let all: Vec<&str> =
        ["run"].iter().chain(args).chain(&["--out", "out", "--traces"]).copied().collect();
    let output = hopwright(dir.path(), &all);
    assert_eq!(output.status.code(), Some(0), "{}{}", stdout(&output), stderr(&output));
    dir
}

fn lanes() -> String {
    let file = Path::new("scenarios/larkfell-lanes.toml");
    fs::canonicalize(file).expect("a file").to_string_lossy().into_owned()
}

fn rows(dir: &Path, file: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(dir.join("out").join(file)).expect("a file");
    reader.deserialize().map(|row| row.expect("a row")).collect()
}

#[track_caller]
fn number(row: &Row, column: &str) -> u64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {row:?}"))
}

/// The rows hold what the smaller table holds, and more.
#[test]
fn the_table_agrees_with_the_smaller_one() {
    let dir = traces(&[]);
    let (slots, sent) = (rows(dir.path(), "slots.csv"), rows(dir.path(), "transmissions.csv"));
    assert!(slots.len() == sent.len() && slots.len() > 7_000);
    let (mut heard, mut with_slot, mut overs) = (0, 0, BTreeSet::new());
    for (row, sent) in slots.iter().zip(&sent) {
        for column in [
            "time_us",
            "station",
            "address",
            "channel",
            "frequency_hz",
            "content",
            "heard",
            "interfered",
        ] {
            assert_eq!(row[column], sent[column], "{row:?}");
        }
        assert_eq!(row["waited"], sent["listeners"]);
        let by = |column: &str| -> BTreeSet<String> {
            row[column].split_whitespace().map(str::to_owned).collect()
        };
        let (waited_by, heard_by) = (by("waited_by"), by("heard_by"));
        assert_eq!(waited_by.len() as u64, number(row, "waited"));
        assert_eq!(heard_by.len() as u64, number(row, "heard"));
        assert!(heard_by.is_subset(&waited_by) && !waited_by.contains(&row["address"]));
        heard += heard_by.len();
        // 32 bits of the word and the bits behind it, at 50 kbit/s.
        let air_us = (32 + row["bits"].len() as u64 * 4) * 20;
        assert_eq!(number(row, "end_us") - number(row, "time_us"), air_us, "{row:?}");
        if !row["slot"].is_empty() {
            with_slot += 1;
        }
        if !row["over"].is_empty() {
            overs.insert(number(row, "over"));
            assert!(!row["target"].is_empty());
        }
    }
    assert!(
        heard > 50_000 && with_slot > 7_000 && overs.len() > 20,
        "{heard} {with_slot} {overs:?}"
    );
    // Payload belongs to overs, announces to none.
    assert!(slots.iter().all(|row| row["content"] != "payload" || !row["over"].is_empty()));
    assert!(slots.iter().take(100).all(|row| row["over"].is_empty()));
    // A slot of home time is sent in by one station, and in order.
    let numbers: Vec<u64> =
        slots.iter().filter(|row| !row["slot"].is_empty()).map(|row| number(row, "slot")).collect();
    assert!(numbers.windows(2).all(|pair| pair[0] < pair[1]));
}

/// The value of each variable of a station at a time.
struct Waves {
    wave: simple::Waveform,
}

impl Waves {
    fn load(dir: &Path) -> Self {
        let mut wave = simple::read(dir.join("out/trace.vcd")).expect("a dump that can be read");
        let all: Vec<wellen::SignalRef> =
            wave.hierarchy().all_vars().map(|var| wave.hierarchy()[var].signal_ref()).collect();
        wave.load_signals(&all);
        Self { wave }
    }

    /// Scopes of stations, in order.
    fn stations(&self) -> Vec<String> {
        let hierarchy = self.wave.hierarchy();
        let names = hierarchy.all_scopes().map(|scope| hierarchy[scope].full_name(hierarchy));
        names.filter(|name| name.contains('.')).collect()
    }

    /// A variable at a time, as the bits that a viewer would show.
    fn at(&self, scope: &str, name: &str, us: u64) -> String {
        let hierarchy = self.wave.hierarchy();
        let scope: Vec<&str> = scope.split('.').collect();
        let var = hierarchy.lookup_var(&scope, name).expect("a variable");
        let signal = self.wave.get_signal(hierarchy[var].signal_ref()).expect("loaded");
        let table = self.wave.time_table();
        let index = table.partition_point(|t| *t <= us) - 1;
        let index = u32::try_from(index).expect("fewer");
        let Some(offset) = signal.get_offset(index) else { return String::new() };
        let element = offset.elements - 1;
        signal.get_value_at(&offset, element).to_bit_string().expect("bits")
    }

    fn channel(&self, scope: &str, us: u64) -> Option<u64> {
        u64::from_str_radix(&self.at(scope, "channel", us), 2).ok()
    }

    fn state(&self, scope: &str, us: u64) -> u64 {
        u64::from_str_radix(&self.at(scope, "state", us), 2).expect("a state")
    }
}

#[test]
fn the_waveforms_show_who_sends_and_listens_where() {
    let dir = traces(&[]);
    let waves = Waves::load(dir.path());
    let slots = rows(dir.path(), "slots.csv");
    let stations = rows(dir.path(), "stations.csv");
    let scopes = waves.stations();
    assert_eq!(scopes.len(), stations.len());
    let scope: BTreeMap<&str, &str> = stations
        .iter()
        .zip(&scopes)
        .map(|(row, scope)| (row["address"].as_str(), scope.as_str()))
        .collect();
    let (mut listening, mut resting) = (0, 0);
    for row in slots.iter().step_by(7) {
        let (from, to, channel) =
            (number(row, "time_us"), number(row, "end_us"), number(row, "channel"));
        let own = scope[row["address"].as_str()];
        assert_eq!(waves.at(own, "key", from), "1", "{row:?}");
        assert_eq!(waves.at(own, "key", from - 1), "0", "{row:?}");
        assert_eq!(waves.at(own, "key", to), "0", "{row:?}");
        assert_eq!(waves.channel(own, from), Some(channel), "{row:?}");
        assert_eq!(waves.channel(own, to - 1), Some(channel), "{row:?}");
        for address in row["heard_by"].split_whitespace() {
            let there = waves.channel(scope[address], from);
            assert_eq!(there, Some(channel), "{address} hears {row:?}");
            assert_eq!(waves.at(scope[address], "key", from), "0");
            listening += 1;
        }
    }
    assert!(listening > 10_000, "{listening}");
    // In the long silence nobody has looked.
    for scope in &scopes {
        resting += usize::from(waves.at(scope, "channel", 7_000_000_000).contains('x'));
    }
    assert!(resting >= 24, "{resting}");
    for row in rows(dir.path(), "events.csv") {
        let (at, own) = (number(&row, "time_us"), scope[row["address"].as_str()]);
        match row["event"].as_str() {
            // Speaking.
            "go-ahead" => assert_eq!(waves.state(own, at), 7, "{row:?}"),
            // Coasting, or told something else at the same time.
            "coasting" => assert!([3, 4, 5, 6].contains(&waves.state(own, at)), "{row:?}"),
            // In step and not off or searching any more.
            "in-step" => assert!(waves.state(own, at) >= 2, "{row:?}"),
            _ => {}
        }
    }
    // The boat that loses its power at 14642 s, and hears nothing for 70 s.
    let coot = stations.iter().find(|row| row["station"] == "boat coot").expect("a boat");
    let off = scope[coot["address"].as_str()];
    assert_eq!((waves.state(off, 14_641_000_000), waves.state(off, 14_643_000_000)), (2, 0));
    assert!(waves.at(off, "channel", 14_643_000_000).contains('z'));
}

/// A packet as its record has it.
#[derive(Debug, PartialEq)]
struct Packet {
    interface: u32,
    at_us: u64,
    row: Vec<String>,
}

fn take<const N: usize>(bytes: &[u8], at: usize) -> [u8; N] {
    bytes[at..at + N].try_into().expect("long enough")
}

/// Reads a record as `docs/traces.md` describes it.
fn packet(interface: u32, at_us: u64, data: &[u8]) -> Packet {
    assert_eq!(data[0], hopwright_sim::traces::RECORD_VERSION);
    let head = usize::from(data[1]);
    let name = usize::from(data[39]);
    assert_eq!(head, 40 + name);
    let u16_at = |at| u64::from(u16::from_be_bytes(take(data, at)));
    let u32_at = |at| u64::from(u32::from_be_bytes(take(data, at)));
    let or_none = |n: u64| if n == u64::from(u32::MAX) { String::new() } else { n.to_string() };
    let row = vec![
        String::from_utf8(data[40..head].to_vec()).expect("UTF-8"),
        format!("{:02X}", data[4]),
        data[5].to_string(),
        ["sync-header", "traffic-header", "payload"][usize::from(data[2])].to_owned(),
        (data[3] & 1).to_string(),
        (data[3] >> 1).to_string(),
        u16_at(6).to_string(),
        u64::from_be_bytes(take(data, 8)).to_string(),
        or_none(u32_at(16)),
        or_none(u32_at(20)),
        format!("{:08x}", u32_at(24)),
        (at_us + u32_at(28)).to_string(),
        u16_at(32).to_string(),
        u16_at(34).to_string(),
        data[head..].iter().map(|byte| format!("{byte:02x}")).collect(),
    ];
    Packet { interface, at_us, row }
}

const COLUMNS: [&str; 15] = [
    "station",
    "address",
    "lane",
    "content",
    "interfered",
    "single_channel",
    "channel",
    "frequency_hz",
    "slot",
    "over",
    "word",
    "end_us",
    "waited",
    "heard",
    "bits",
];

#[test]
fn the_packets_are_the_rows() {
    let dir = traces(&[&lanes()]);
    let bytes = fs::read(dir.path().join("out/trace.pcapng")).expect("a file");
    let mut reader = PcapNGReader::new(65_536, bytes.as_slice()).expect("a section header");
    let (mut links, mut packets) = (Vec::new(), Vec::new());
    loop {
        match reader.next() {
            Ok((length, PcapBlockOwned::NG(block))) => {
                match block {
                    Block::SectionHeader(head) => {
                        assert_eq!((head.major_version, head.minor_version), (1, 0));
                    }
                    Block::InterfaceDescription(interface) => {
                        links.push(interface.linktype);
                        assert_eq!(interface.if_tsresol, 9, "nanoseconds");
                    }
                    Block::EnhancedPacket(block) => {
                        let units = u64::from(block.ts_high) << 32 | u64::from(block.ts_low);
                        assert_eq!((units % 1_000, block.caplen), (0, block.origlen));
                        let data = &block.data[..block.caplen as usize];
                        packets.push(packet(block.if_id, units / 1_000, data));
                    }
                    other => panic!("{other:?}"),
                }
                reader.consume(length);
            }
            Ok(_) => panic!("a block of the older format"),
            Err(PcapError::Eof) => break,
            Err(PcapError::Incomplete(_)) => reader.refill().expect("more"),
            Err(error) => panic!("{error:?}"),
        }
    }
    assert_eq!(links, [Linktype(147), Linktype(147)], "one a net");
    let rows = rows(dir.path(), "slots.csv");
    assert!(rows.len() > 2_000);
    let mut lanes: BTreeSet<&str> = BTreeSet::new();
    let lane_of = |row: &Row| u32::from(row["lane"] != rows[0]["lane"]);
    let first = packets[0].interface;
    assert_eq!(packets.len(), rows.len());
    for (packet, row) in packets.iter().zip(&rows) {
        assert_eq!(packet.at_us, number(row, "time_us"));
        assert_eq!(packet.row, COLUMNS.map(|column| row[column].clone()));
        assert_eq!(u32::from(packet.interface != first), lane_of(row));
        lanes.insert(&row["lane"]);
    }
    assert_eq!(lanes.len(), 2);
}

#[test]
fn traces_change_nothing_else_and_are_written_only_if_asked_for() {
    let dir = traces(&[&lanes()]);
    let plain = tempfile::tempdir().expect("a directory");
    let output = hopwright(plain.path(), &["run", &lanes(), "--out", "out"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    for file in ["results.json", "account.txt", "events.csv", "transmissions.csv", "stations.csv"] {
        let read = |dir: &Path| fs::read(dir.join("out").join(file)).expect("a file");
        assert_eq!(read(dir.path()), read(plain.path()), "{file}");
    }
    for file in ["trace.vcd", "trace.pcapng", "slots.csv", "slots.parquet"] {
        assert!(!plain.path().join("out").join(file).exists(), "{file}");
    }
    assert!(dir.path().join("out/slots.parquet").exists());
}

#[test]
fn traces_need_a_folder() {
    let dir = tempfile::tempdir().expect("a directory");
    let output = hopwright(dir.path(), &["run", "--traces"]);
    let said = stderr(&output);
    assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()), "{said}");
    assert!(said.contains("--out <DIR>"), "{said}");
}

/// The columns as a reader of the Parquet format has them. (The same library: an independent one
/// reads them in `tests/browser`.)
#[test]
fn the_columns_are_the_rows() {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    let dir = traces(&[&lanes()]);
    let file = fs::File::open(dir.path().join("out/slots.parquet")).expect("a file");
    let reader = SerializedFileReader::new(file).expect("a Parquet file");
    let rows = rows(dir.path(), "slots.csv");
    let mut read = 0;
    for (record, row) in reader.get_row_iter(None).expect("rows").zip(&rows) {
        let record = record.expect("a row");
        for (name, field) in record.get_column_iter() {
            let text = match field {
                parquet::record::Field::Null => String::new(),
                parquet::record::Field::Str(text) => text.clone(),
                other => other.to_string(),
            };
            assert_eq!(text, row[name], "{name}: {row:?}");
        }
        assert_eq!(record.len(), row.len());
        read += 1;
    }
    assert_eq!(read, rows.len());
}
