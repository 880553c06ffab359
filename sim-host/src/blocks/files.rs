//! A campaign as files.

use super::Point;
use super::picture::loss_picture;
use crate::diagnostic::Diagnostic;
use crate::folder::write_whole;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

/// Writes the points and their picture into a new folder, which appears whole.
///
/// # Errors
/// [`Diagnostic`] if the folder exists and is not empty, or cannot be written.
pub fn write_files(points: &[Point], title: &str, folder: &Path) -> Result<(), Diagnostic> {
    write_whole(folder, |partial| {
        fs::write(partial.join("blocks.csv"), to_csv(points))?;
        fs::write(partial.join("blocks.svg"), loss_picture(points, title))
    })
}

/// The points, one a line.
#[must_use]
pub fn to_csv(points: &[Point]) -> String {
    let mut out = String::from(
        "n,k,draw,traffic_channels,jammed_channels,damaged_share,trials,lost,measured,low_95,\
         high_95,closed_form,decoded,surprises,holds\n",
    );
    for point in points {
        let (low, high) = point.interval();
        let odds = point.odds;
        let _ = writeln!(
            out,
            "{},{},{},{},{},{},{},{},{:e},{:e},{:e},{:e},{},{},{}",
            odds.n,
            odds.k,
            super::draw_word(odds.draw),
            odds.channels,
            odds.jammed,
            odds.damaged,
            point.trials,
            point.lost,
            point.share(),
            low,
            high,
            point.expected,
            point.decoded,
            point.surprises,
            u8::from(point.holds()),
        );
    }
    out
}
