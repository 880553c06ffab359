//! `hopwright inspect`: everything that a configuration says, but keys.

use super::secrets::SecretArgs;
use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::plan::MAX_HOPSET;
use crate::plan::key::published;
use crate::provision::{
    Shown, ShownEnvelope, StationFile, decode_refused, envelope_shown, keep_out_of_core_dumps,
    parse_hex_address, read_station_file, shown,
};
use hopwright_core::address::Address;
use hopwright_core::provision::Configuration;
use serde::Serialize;
use std::io::{self, Write};
use std::path::PathBuf;
use zeroize::{Zeroize, Zeroizing};

/// The arguments of `inspect`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The configuration, sealed or open
    file: PathBuf,
    #[command(flatten)]
    secret: SecretArgs,
    /// Refuse a configuration of any other station than this
    #[arg(long, value_name = "ADDRESS", value_parser = parse_hex_address)]
    address: Option<Address>,
    /// Show the groups by which it is typed in need. THEY HOLD THE KEY: look over your shoulder
    #[arg(long, conflicts_with = "json")]
    groups: bool,
    /// Show the groups of a published training key too
    #[arg(long, requires = "groups")]
    training: bool,
    /// Write one JSON object, for programs
    #[arg(long)]
    json: bool,
}

/// What is written as JSON.
#[derive(Serialize)]
struct Report {
    envelope: Option<ShownEnvelope>,
    configuration: Option<Shown>,
}

pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    keep_out_of_core_dumps();
    let file = read_station_file(&args.file)?;
    let envelope = file.envelope()?;
    let plain = match (&envelope, args.secret.given()?) {
        (Some(envelope), secret) => {
            file.expect(args.address, envelope.header.address)?;
            secret.map(|secret| file.open(&secret)).transpose()?
        }
        (None, _) => Some(Zeroizing::new(file.bytes().to_vec())),
    };
    let configuration = plain.as_ref().map(|plain| decode(&file, plain)).transpose()?;
    if let Some(configuration) = &configuration {
        let wanted = envelope.map(|envelope| envelope.header.address).or(args.address);
        file.expect(wanted, configuration.address)?;
    }
    if args.groups {
        return groups(configuration.as_ref(), args);
    }
    let report = Report {
        envelope: envelope.as_ref().map(envelope_shown),
        configuration: configuration.as_ref().map(shown),
    };
    write_out(|out| if args.json { write_json(&report, out) } else { write_text(&report, out) })?;
    let works = report.configuration.is_none_or(|shown| shown.no_station.is_none());
    Ok(if works { Outcome::Held } else { Outcome::Failed })
}

fn decode<'a>(
    file: &StationFile,
    plain: &'a [u8],
) -> Result<Configuration<'a, MAX_HOPSET>, Diagnostic> {
    Configuration::decode(plain).map_err(|error| decode_refused(file.name(), error))
}

fn groups(
    configuration: Option<&Configuration<'_, MAX_HOPSET>>,
    args: &Args,
) -> Result<Outcome, Diagnostic> {
    let Some(configuration) = configuration else {
        return Err(Diagnostic::new(
            "the groups are sealed with the rest",
            "give --passphrase-file or --transfer-key-file",
        ));
    };
    if published(&configuration.key) && !args.training {
        return Err(Diagnostic::new(
            "the key is a published one: typing it in would protect nothing",
            "for an exercise, say --training",
        ));
    }
    let entry = configuration.entry();
    let mut groups = entry.groups();
    let written = write_out(|out| {
        for line in groups.chunks(4) {
            for (i, group) in line.iter().enumerate() {
                out.write_all(if i == 0 { b"" } else { b" " })?;
                out.write_all(group)?;
            }
            writeln!(out)?;
        }
        Ok(())
    });
    groups.zeroize();
    written?;
    Ok(Outcome::Held)
}

fn write_json(report: &Report, out: &mut impl Write) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, report)?;
    writeln!(out)
}

fn write_text(report: &Report, out: &mut impl Write) -> io::Result<()> {
    if let Some(envelope) = &report.envelope {
        envelope.write(out)?;
    }
    match &report.configuration {
        Some(configuration) => configuration.write(out),
        None => {
            writeln!(out, "give its secret (--passphrase-file, --transfer-key-file) to see more")
        }
    }
}
