//! WAV files: what is said comes from one, what is heard goes into others.

use super::filter::OUTPUT_RATE;
use crate::diagnostic::Diagnostic;
use hound::{Error, SampleFormat, WavReader, WavSpec, WavWriter};
use std::path::Path;

/// The longest input, in seconds.
pub const LONGEST_S: u32 = 600;

/// Reads 16-bit samples of one channel, and their rate: 8 or 16 kHz.
///
/// # Errors
/// [`Diagnostic`] if the file cannot be read, is no such WAV file, or is empty or too long.
pub fn read(path: &Path) -> Result<(Vec<i16>, u32), Diagnostic> {
    let refused = |what: String, help: &str| {
        Diagnostic::in_file(path.display().to_string(), what, help.to_owned())
    };
    let broken = |error: Error| match error {
        Error::IoError(error) if error.kind() == std::io::ErrorKind::NotFound => {
            refused("there is no such file".to_owned(), "name a WAV file, or `built-in`")
        }
        // What the system has no number for is the reader's own: the file ends too soon.
        Error::IoError(error) if error.raw_os_error().is_none() => {
            refused("the WAV file is cut short".to_owned(), "write it again")
        }
        Error::IoError(error) => {
            refused(format!("it cannot be read: {error}"), "name a WAV file, or `built-in`")
        }
        error => refused(
            format!("this is no WAV file that can be read: {error}"),
            "save it as WAV, PCM, 16 bits, one channel, 8000 or 16000 Hz",
        ),
    };
    let reader = WavReader::open(path).map_err(broken)?;
    let WavSpec { channels, sample_rate, bits_per_sample, sample_format } = reader.spec();
    if channels != 1 {
        let what = format!("the WAV file has {channels} channels, not one");
        return Err(refused(what, "mix it down to one channel"));
    }
    if sample_format != SampleFormat::Int || bits_per_sample != 16 {
        let kind = match sample_format {
            SampleFormat::Int => "whole numbers",
            SampleFormat::Float => "floating-point numbers",
        };
        let what = format!("the WAV file has samples of {bits_per_sample} bits, {kind}");
        return Err(refused(what, "save it as 16-bit PCM"));
    }
    if sample_rate != 8_000 && sample_rate != 16_000 {
        let what = format!("the WAV file has {sample_rate} samples a second");
        return Err(refused(what, "resample it to 8000 or 16000 Hz"));
    }
    if reader.duration() == 0 {
        return Err(refused("the WAV file is empty".to_owned(), "say something"));
    }
    if reader.duration() > LONGEST_S * sample_rate {
        let what = format!("the WAV file is longer than {LONGEST_S} s");
        return Err(refused(what, "cut out what an over has time for"));
    }
    let samples = reader.into_samples().collect::<Result<_, _>>().map_err(broken)?;
    Ok((samples, sample_rate))
}

/// Writes samples at 8 kHz.
///
/// # Errors
/// Whatever writing gives.
pub fn write(path: &Path, samples: &[i16]) -> std::io::Result<()> {
    let spec = WavSpec {
        channels: 1,
        sample_rate: OUTPUT_RATE,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let io = |error| match error {
        Error::IoError(error) => error,
        error => std::io::Error::other(error),
    };
    let mut writer = WavWriter::create(path, spec).map_err(io)?;
    for sample in samples {
        writer.write_sample(*sample).map_err(io)?;
    }
    writer.finalize().map_err(io)
}
