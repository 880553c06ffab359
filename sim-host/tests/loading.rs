//! `hopwright load` at both ends of a real pseudo-terminal.
#![cfg(unix)]

mod common;

use common::{hopwright, stderr, stdout};
use embedded_io::Write as _;
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Sealed configurations `a/` and `b/` of one exercise, under a transfer key `transfer.key`.
fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    let path = dir.path();
    fs::write(path.join("plan.toml"), include_str!("../plans/larkfell.toml")).expect("written");
    assert_eq!(hopwright(path, &["keygen", "--out", "transfer.key"]).status.code(), Some(0));
    assert_eq!(hopwright(path, &["keygen", "--out", "other.key"]).status.code(), Some(0));
    for out in ["a", "b"] {
        let args = ["provision", "plan.toml", "--training", "--out", out];
        let output = hopwright(path, &[&args[..], &KEY].concat());
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    }
    dir
}

const KEY: [&str; 2] = ["--transfer-key-file", "transfer.key"];

/// An emulated station that has said where its port is.
struct Emulated {
    child: Child,
    port: PathBuf,
    greeting: String,
    out: BufReader<std::process::ChildStdout>,
}

impl Emulated {
    fn start(dir: &Path, more: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_hopwright"))
            .args(["load", "--emulate-station", "station"])
            .args(more)
            .current_dir(dir)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the binary runs");
        let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
        let mut line = String::new();
        out.read_line(&mut line).expect("a line");
        let port = line.trim_end().strip_prefix("port ").expect("a port").into();
        let mut greeting = String::new();
        out.read_line(&mut greeting).expect("a line");
        Self { child, port, greeting, out }
    }

    fn load(&self, dir: &Path, file: &str, more: &[&str]) -> Output {
        let port = self.port.to_str().expect("a name");
        hopwright(dir, &[&["load", file, "--port", port][..], more].concat())
    }

    /// What it has said in the end, and its status.
    fn end(mut self) -> (String, Option<i32>) {
        let mut text = String::new();
        self.out.read_to_string(&mut text).expect("text");
        let status = self.child.wait().expect("it ends");
        (text, status.code())
    }
}

#[track_caller]
fn held(output: &Output, words: &str) {
    assert_eq!(output.status.code(), Some(0), "{}", stderr(output));
    assert!(stdout(output).contains(words), "{}", stdout(output));
}

#[track_caller]
fn refused(output: &Output, words: &str) {
    let said = stderr(output);
    assert_eq!((output.status.code(), stdout(output).as_str()), (Some(2), ""), "{said}");
    assert!(said.starts_with("error: ") && said.contains(words), "{said}");
}

#[test]
fn a_station_takes_what_is_its_own_and_nothing_else() {
    let dir = folder();
    let path = dir.path();
    let station = Emulated::start(path, &KEY);
    assert_eq!(station.greeting, "a station without address, configuration 0\n");
    let output = station.load(path, "a/station-10.sealed", &[]);
    held(&output, "accepted: station 10 has configuration 1");
    assert_eq!(station.end(), ("accepted: station 10, configuration 1\n".to_owned(), Some(0)));
    let mode = fs::metadata(path.join("station")).expect("a folder").permissions().mode();
    assert_eq!(mode & 0o777, 0o700);
    // It knows now who it is, and keeps what it has when it is given another's.
    let station = Emulated::start(path, &KEY);
    assert_eq!(station.greeting, "station 10, configuration 1\n");
    let other = files(path, "b").into_iter().find(|name| !name.contains("-10.")).expect("another");
    let output = station.load(path, &other, &[]);
    refused(&output, "another station's");
    // The address that is told is the file's: whose the refusal is, nobody knows.
    let address = other.split(['-', '.']).nth(1).expect("an address");
    let of_it = format!("refuses the configuration of station {address}: ");
    assert!(stderr(&output).contains(&of_it), "{}", stderr(&output));
    let (said, status) = station.end();
    assert_eq!(status, Some(1), "{said}");
    assert!(said.starts_with("refused: "), "{said}");
    // Under another transfer key it cannot open what it is given.
    let station = Emulated::start(path, &["--transfer-key-file", "other.key"]);
    assert_eq!(station.greeting, "station 10, configuration 1, which it cannot open\n");
    refused(&station.load(path, "b/station-10.sealed", &[]), "cannot open");
    assert_eq!(station.end().1, Some(1));
    // A station without any key gets it opened by the carrier.
    let station = Emulated::start(path, &[]);
    assert_eq!(station.greeting, "station 10, configuration 1, which it cannot open\n");
    held(&station.load(path, "b/station-10.sealed", &KEY), "configuration 2");
    assert_eq!(station.end().1, Some(0));
    // The same once more is accepted and changes nothing.
    let station = Emulated::start(path, &[]);
    assert_eq!(station.greeting, "station 10, configuration 2\n");
    held(&station.load(path, "b/station-10.sealed", &KEY), "configuration 2");
    assert_eq!(station.end().1, Some(0));
    // One with a transfer key takes nothing that comes open, whoever carries it.
    let station = Emulated::start(path, &KEY);
    held(&station.load(path, "a/station-10.sealed", &[]), "configuration 3");
    assert_eq!(station.end().1, Some(0));
    let station = Emulated::start(path, &KEY);
    refused(&station.load(path, "a/station-10.sealed", &KEY), "takes only what is sealed");
    assert_eq!(station.end().1, Some(1));
}

/// An emulated station may be told a passphrase; it takes only what is sealed with it.
#[test]
fn a_station_with_a_passphrase() {
    let dir = folder();
    let path = dir.path();
    private(&path.join("phrase"), "rowan otter lintel cinder weir\n");
    let phrase = ["--passphrase-file", "phrase"];
    let args = ["provision", "plan.toml", "--training", "--out", "p"];
    let output = hopwright(path, &[&args[..], &phrase].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let station = Emulated::start(path, &phrase);
    refused(&station.load(path, "a/station-10.sealed", &[]), "cannot open");
    assert_eq!(station.end().1, Some(1));
    let station = Emulated::start(path, &phrase);
    refused(&station.load(path, "a/station-10.sealed", &KEY), "takes only what is sealed");
    assert_eq!(station.end().1, Some(1));
    let station = Emulated::start(path, &phrase);
    held(&station.load(path, "p/station-10.sealed", &[]), "configuration 1");
    assert_eq!(station.end().1, Some(0));
    let station = Emulated::start(path, &phrase);
    assert_eq!(station.greeting, "station 10, configuration 1\n");
    let mut child = station.child;
    child.kill().expect("stopped");
    child.wait().expect("it ends");
}

fn private(path: &Path, text: &str) {
    use std::os::unix::fs::OpenOptionsExt;
    let mut options = fs::OpenOptions::new();
    let file = options.write(true).create_new(true).mode(0o600).open(path);
    std::io::Write::write_all(&mut file.expect("a new file"), text.as_bytes()).expect("written");
}

fn files(dir: &Path, folder: &str) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(dir.join(folder))
        .expect("a folder")
        .map(|entry| entry.expect("a file").file_name().into_string().expect("a name"))
        .filter(|name| name.ends_with(".sealed"))
        .map(|name| format!("{folder}/{name}"))
        .collect();
    names.sort();
    names
}

/// Power fails in the station at several places: it starts with what it had, and the next load
/// completes.
#[test]
fn a_station_that_loses_its_power_keeps_what_it_had() {
    let dir = folder();
    let path = dir.path();
    let station = Emulated::start(path, &KEY);
    held(&station.load(path, "a/station-10.sealed", &[]), "configuration 1");
    assert_eq!(station.end().1, Some(0));
    // In the erasure of the spare bank, twice; in the middle of the commit cell; in the erasure
    // that the next offer begins with. Cells have 144 bytes for 128 that are carried.
    let bank = fs::metadata(path.join("station/bank-a.bin")).expect("a bank").len();
    let size = fs::metadata(path.join("b/station-10.sealed")).expect("a file").len();
    let commit = bank + 144 * (1 + size.div_ceil(128)) + 72;
    for bytes in ["1", "5000", &commit.to_string(), "100"] {
        let station = Emulated::start(path, &[&KEY[..], &["--power-fails-after", bytes]].concat());
        assert_eq!(station.greeting, "station 10, configuration 1\n", "{bytes}");
        refused(&station.load(path, "b/station-10.sealed", &[]), "plug it in again");
        assert_eq!(station.end().1, Some(2));
    }
    let station = Emulated::start(path, &KEY);
    assert_eq!(station.greeting, "station 10, configuration 1\n");
    held(&station.load(path, "b/station-10.sealed", &[]), "configuration 2");
    assert_eq!(station.end().1, Some(0));
}

#[test]
fn ports_and_files_that_will_not_do() {
    let dir = folder();
    let path = dir.path();
    let load = |file: &str, port: &str| hopwright(path, &["load", file, "--port", port]);
    refused(&load("a/station-10.sealed", "no-such-port"), "cannot be opened");
    refused(&load("a/station-10.sealed", "plan.toml"), "neither a serial port");
    refused(&load("plan.toml", "no-such-port"), "this is a text");
    let whole = fs::read(path.join("a/station-10.sealed")).expect("a file");
    fs::write(path.join("short"), &whole[..100]).expect("written");
    refused(&load("short", "no-such-port"), "truncated");
    let nothing = hopwright(path, &["load"]);
    assert_eq!(nothing.status.code(), Some(2));
    // A terminal with nobody at the other end: silence, and then the reason.
    let station = Emulated::start(path, &KEY);
    let port = station.port.clone();
    let mut child = station.child;
    child.kill().expect("stopped");
    child.wait().expect("it ends");
    let gone =
        hopwright(path, &["load", "a/station-10.sealed", "--port", port.to_str().expect("name")]);
    assert_eq!(gone.status.code(), Some(2), "{}", stdout(&gone));
}

/// A line that never falls silent, such as a console's or a receiver's of positions, is no answer: the
/// station is given up while the line goes on talking.
#[test]
#[expect(clippy::disallowed_methods, reason = "a real line, which talks in real time")]
fn a_line_that_keeps_talking_is_given_up() {
    let dir = folder();
    let path = dir.path();
    let mut pty = hopwright_sim::load::open_pty().expect("a pseudo-terminal");
    let name = pty.name.to_str().expect("a name").to_owned();
    let talking = Arc::new(AtomicBool::new(true));
    let talks = Arc::clone(&talking);
    // Sentences 2 ms apart, less than a look at the port waits, for twenty seconds at least.
    std::thread::spawn(move || {
        for _ in 0..10_000 {
            if pty.port.write_all(b"$LFPOS,123519,0042.07,N,0031.00,E*47\r\n").is_err() {
                break;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        talks.store(false, Ordering::SeqCst);
    });
    let output = hopwright(path, &["load", "a/station-10.sealed", "--port", &name]);
    refused(&output, "the station does not answer (0 of ");
    assert!(talking.load(Ordering::SeqCst), "it ended only when the line fell silent");
}

/// Where a passphrase stands in the memory of a process that has read it.
#[cfg(target_os = "linux")]
fn copies(pid: u32, needle: &[u8]) -> usize {
    use std::io::{Seek as _, SeekFrom};
    let maps = fs::read_to_string(format!("/proc/{pid}/maps")).expect("a map of its memory");
    let mut memory = fs::File::open(format!("/proc/{pid}/mem")).expect("a child's memory");
    let mut found = 0;
    for line in maps.lines() {
        let mut words = line.split_whitespace();
        let (range, rights) = (words.next().expect("a range"), words.next().expect("rights"));
        let (from, to) = range.split_once('-').expect("two ends");
        let end = |hex: &str| u64::from_str_radix(hex, 16).expect("an address");
        let (from, to) = (end(from), end(to));
        // What is only mapped, or belongs to the kernel, cannot be read.
        if !rights.starts_with("rw") || memory.seek(SeekFrom::Start(from)).is_err() {
            continue;
        }
        let mut bytes = vec![0; usize::try_from(to - from).expect("a length")];
        if memory.read_exact(&mut bytes).is_ok() {
            found += bytes.windows(needle.len()).filter(|window| *window == needle).count();
        }
    }
    found
}

/// A secret stands in memory once, where it is kept: what it was read into has been wiped.
#[cfg(target_os = "linux")]
#[test]
fn a_passphrase_stands_in_memory_once() {
    let dir = tempfile::tempdir().expect("a directory");
    let path = dir.path();
    private(&path.join("phrase"), "rowan otter lintel cinder weir\n");
    let Emulated { mut child, .. } = Emulated::start(path, &["--passphrase-file", "phrase"]);
    // Its end: the allocator writes over the beginning of what is given back.
    let found = copies(child.id(), b"lintel cinder weir");
    child.kill().expect("stopped");
    child.wait().expect("it ends");
    assert_eq!(found, 1);
}
