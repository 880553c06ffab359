//! `hopwright load`: carry a configuration into a station, or be a station for an exercise.

use super::secrets::SecretArgs;
use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::provision::{keep_out_of_core_dumps, parse_hex_address};
use clap::ArgGroup;
use hopwright_core::address::Address;
use std::path::PathBuf;

/// The arguments of `load`.
#[derive(Debug, clap::Args)]
#[command(group = ArgGroup::new("end").required(true).args(["file", "emulate_station"]))]
pub(super) struct Args {
    /// The configuration to carry
    #[arg(requires = "port")]
    file: Option<PathBuf>,
    /// The serial port or pseudo-terminal that the station is plugged into
    #[arg(long, value_name = "DEV", requires = "file")]
    port: Option<PathBuf>,
    /// The port's speed in bit/s
    #[arg(long, value_name = "BPS", default_value_t = 115_200, value_parser = super::whole::<u32>(0..=u32::MAX))]
    baud: u32,
    /// Be a station on a pseudo-terminal instead, with its storage in this folder
    #[arg(long, value_name = "DIR")]
    emulate_station: Option<PathBuf>,
    /// The emulated station's address by its label
    #[arg(long, value_name = "ADDRESS", value_parser = parse_hex_address, requires = "emulate_station")]
    address: Option<Address>,
    /// The emulated station loses its power after so many bytes written to its storage
    #[arg(long, value_name = "BYTES", requires = "emulate_station", value_parser = super::whole::<u64>(0..=u64::MAX))]
    power_fails_after: Option<u64>,
    #[command(flatten)]
    secret: SecretArgs,
}

#[cfg(not(unix))]
pub(super) fn run(_: &Args) -> Result<Outcome, Diagnostic> {
    Err(Diagnostic::new("this system's serial ports are not supported", "use a Unix system"))
}

#[cfg(unix)]
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    keep_out_of_core_dumps();
    match (&args.emulate_station, &args.file, &args.port) {
        (Some(folder), ..) => unix::emulate(args, folder),
        (None, Some(file), Some(port)) => unix::carry_file(args, file, port),
        _ => Err(Diagnostic::new("there is nothing to load", "give a file and --port")),
    }
}

#[cfg(unix)]
mod unix {
    use super::{Args, Diagnostic, Outcome, write_out};
    use crate::load::{BankFiles, EmulatedJudge, open_port, open_pty};
    use crate::plan::MAX_HOPSET;
    use crate::provision::{decode_refused, read_station_file};
    use embedded_io::{Read as _, ReadReady as _, Write as _};
    use hopwright_core::address::Address;
    use hopwright_core::loader::{self, CarrierEnd, IoError, Refusal, StationEnd, Store, Verdict};
    use hopwright_core::provision::{Configuration, Envelope, MAX_ENVELOPE};
    use hopwright_core::units::{Micros, Tick};
    use std::io::Write as _;
    use std::path::Path;
    use std::time::Instant;
    use zeroize::Zeroizing;

    /// An emulated station goes on listening for so long after a verdict, in case its answer was
    /// lost.
    const LINGER_US: u64 = 1_500_000;

    /// Carries a file to a station.
    pub(super) fn carry_file(args: &Args, path: &Path, port: &Path) -> Result<Outcome, Diagnostic> {
        let file = read_station_file(path)?;
        let secret = args.secret.given()?;
        let envelope = file.envelope()?;
        let (address, content) = match (envelope, secret) {
            // A station that has the transfer key opens it itself.
            (Some(envelope), None) => {
                (envelope.header.address, Zeroizing::new(file.bytes().to_vec()))
            }
            (_, Some(secret)) => open(&file.open(&secret)?, file.name())?,
            (None, None) => open(file.bytes(), file.name())?,
        };
        if let Some(envelope) = envelope {
            file.expect(Some(envelope.header.address), address)?;
        }
        let mut port = open_port(port, args.baud)?;
        let mut end = CarrierEnd::new(address, &content);
        // Real time, whatever comes in: on a line that never falls silent (a console, a receiver of
        // positions) a station that does not answer is given up all the same. A look at the port waits
        // by itself, so nothing is left to do between two.
        let since = start();
        let clock = || Tick::ZERO.plus(Micros::new(passed_us(since)));
        let outcome = loader::carry(&mut port, &mut end, clock, |_| ());
        match outcome {
            Ok(loader::Outcome::Accepted { generation }) => {
                write_out(|out| {
                    writeln!(out, "accepted: station {address} has configuration {generation}")
                })?;
                Ok(Outcome::Held)
            }
            Ok(loader::Outcome::Refused(refusal)) => Err(refused(address, refusal)),
            Ok(loader::Outcome::NoAnswer) => {
                let (done, all) = end.progress();
                Err(Diagnostic::new(
                    format!("the station does not answer ({done} of {all} chunks acknowledged)"),
                    "check plug, port and speed, and load again: it goes on where it was",
                ))
            }
            Err(error) => {
                let why = match error {
                    IoError::Port(error) => error.to_string(),
                    IoError::Closed => "it was closed".to_owned(),
                    // Only a station's end says so.
                    IoError::InDoubt => "the storage failed".to_owned(),
                };
                Err(Diagnostic::new(
                    format!("the port failed: {why}"),
                    "plug it in again, and load again: it goes on where it was",
                ))
            }
        }
    }

    #[expect(clippy::disallowed_methods, reason = "a port is real, and so is the time it takes")]
    fn start() -> Instant {
        Instant::now()
    }

    fn passed_us(since: Instant) -> u64 {
        u64::try_from(since.elapsed().as_micros()).unwrap_or(u64::MAX)
    }

    /// An open configuration, with the address that it is for.
    fn open(plain: &[u8], name: &str) -> Result<(Address, Zeroizing<Vec<u8>>), Diagnostic> {
        let configuration = Configuration::<MAX_HOPSET>::decode(plain)
            .map_err(|error| decode_refused(name, error))?;
        Ok((configuration.address, Zeroizing::new(plain.to_vec())))
    }

    fn refused(address: Address, refusal: Refusal) -> Diagnostic {
        let help = match refusal {
            Refusal::OtherStation => "give the file of the station that is plugged in",
            Refusal::Seal => {
                "give the file that is sealed with its transfer key; if it has none, give the \
                 secret, so that the carrier opens it"
            }
            Refusal::Unsealed => "carry the sealed file as it is: give no secret to the carrier",
            Refusal::Storage | Refusal::TooLong => {
                "the station keeps what it had; have it looked at"
            }
            Refusal::Damaged => "load again; the station keeps what it had",
            _ => "the station keeps what it had; provision again with its version",
        };
        // Which station is plugged in, nobody has told.
        let what = format!("the station refuses the configuration of station {address}: {refusal}");
        Diagnostic::new(what, help)
    }

    /// Is a station until there is a verdict.
    pub(super) fn emulate(args: &Args, folder: &Path) -> Result<Outcome, Diagnostic> {
        let secret = args.secret.given()?;
        let storage = BankFiles::open(folder, args.power_fails_after)?;
        let broken = || {
            Diagnostic::in_file(
                folder.display().to_string(),
                "the emulated storage cannot be read",
                "name another folder",
            )
        };
        let mut store = Store::open(storage).map_err(|_| broken())?;
        let mut held = Zeroizing::new(vec![0; MAX_ENVELOPE]);
        let held = match store.active() {
            Some(_) => Some(store.load(&mut held).map_err(|_| broken())?),
            None => None,
        };
        let address = args.address.or_else(|| held.as_deref().and_then(address_of));
        let judge = EmulatedJudge::new(address, secret);
        // What it starts with is what it can open again.
        let shut = held.is_some_and(|held| judge.open(held).is_err());
        let mut work = Zeroizing::new(vec![0; MAX_ENVELOPE]);
        let generation = store.active().map_or(0, |active| active.generation);
        let mut end = StationEnd::new(store, judge, &mut work);
        let mut pty = open_pty()?;
        write_out(|out| {
            let who =
                address.map_or("a station without address".to_owned(), |a| format!("station {a}"));
            writeln!(out, "port {}", pty.name.display())?;
            let shut = if shut { ", which it cannot open" } else { "" };
            writeln!(out, "{who}, configuration {generation}{shut}")
        })?;
        let port = &mut pty.port;
        let failed = |error: std::io::Error| {
            Diagnostic::new(format!("the port failed: {error}"), "start the station again")
        };
        // Since the last answer, not the last byte: a line that keeps talking ends it too.
        let (mut buffer, mut answered) = ([0; 64], start());
        while end.verdict().is_none() || passed_us(answered) < LINGER_US {
            if !port.read_ready().map_err(failed)? {
                continue;
            }
            let count = port.read(&mut buffer).map_err(failed)?;
            for byte in buffer.iter().take(count) {
                let answer = end.byte(*byte).map(<[u8]>::to_vec);
                if end.store().storage().dark() {
                    return Err(Diagnostic::new(
                        "the emulated station has lost its power",
                        "start it again without --power-fails-after, and load again",
                    ));
                }
                if let Some(answer) = answer {
                    answered = start();
                    port.write_all(&answer).map_err(failed)?;
                }
            }
        }
        match end.verdict() {
            Some(Verdict::Accepted(active)) => {
                let address = active.offer.address;
                write_out(|out| {
                    writeln!(
                        out,
                        "accepted: station {address}, configuration {}",
                        active.generation
                    )
                })?;
                Ok(Outcome::Held)
            }
            Some(Verdict::Refused(refusal)) => {
                write_out(|out| writeln!(out, "refused: {refusal}"))?;
                Ok(Outcome::Failed)
            }
            None => Ok(Outcome::Failed),
        }
    }

    /// Whose a stored configuration is; sealed or open.
    fn address_of(content: &[u8]) -> Option<Address> {
        if Envelope::begins(content) {
            return Envelope::decode(content).ok().map(|envelope| envelope.header.address);
        }
        Configuration::<MAX_HOPSET>::decode(content).ok().map(|it| it.address)
    }
}
