//! Curves as CSV and SVG: what was measured as marks with its interval, the closed form as a line.

use crate::diagnostic::Diagnostic;
use plotters::prelude::*;
use std::fs;
use std::path::Path;

/// A measured share or value, the interval that covers the true one with 95 % confidence, and
/// what a closed form says (not a number where there is none).
pub type Value = (f64, (f64, f64), f64);

/// One point of a curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// What was varied.
    pub x: f64,
    /// A value for each column.
    pub values: Vec<Value>,
}

/// A curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// The name of its files, without ending.
    pub file: &'static str,
    /// What stands above the picture.
    pub title: String,
    /// What was varied, with its unit.
    pub x: &'static str,
    /// What was measured, with its unit.
    pub y: &'static str,
    /// Whether the legend stands below, where it covers no data.
    pub legend_below: bool,
    /// The names of the columns.
    pub columns: [&'static str; 3],
    /// The points, ascending.
    pub points: Vec<Point>,
}

const SIZE: (u32, u32) = (1_000, 620);
const COLOURS: [RGBColor; 3] = [RGBColor(0, 74, 122), RGBColor(170, 60, 20), RGBColor(90, 90, 90)];

impl Curve {
    /// The curve as CSV (RFC 4180).
    #[must_use]
    pub fn csv(&self) -> String {
        let mut head = vec![self.x.to_owned()];
        for column in self.columns {
            let of = ["", " (low)", " (high)", " (closed form)"];
            head.extend(of.map(|what| format!("{column}{what}")));
        }
        let mut rows = vec![head];
        for point in &self.points {
            let mut row = vec![point.x.to_string()];
            for (measured, (lo, hi), closed) in &point.values {
                row.extend([measured, lo, hi].map(|value| format!("{value:.6}")));
                row.push(if closed.is_finite() { format!("{closed:.6}") } else { String::new() });
            }
            rows.push(row);
        }
        let mut out =
            csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        // Writing into memory cannot fail, and every row has as many fields as the first.
        let written: Result<(), csv::Error> = rows.iter().try_for_each(|row| out.write_record(row));
        let bytes = written.ok().and_then(|()| out.into_inner().ok()).unwrap_or_default();
        String::from_utf8(bytes).unwrap_or_default()
    }

    /// The curve as a picture; the horizontal axis is logarithmic.
    #[must_use]
    pub fn svg(&self) -> String {
        let mut svg = String::new();
        // Drawing into a string cannot fail; if it did, half a picture is no worse than none.
        let _ = self.draw(&mut svg);
        svg
    }

    fn draw(&self, svg: &mut String) -> Result<(), Box<dyn std::error::Error>> {
        let xs = || self.points.iter().map(|point| point.x);
        let (left, right) = (xs().fold(f64::MAX, f64::min), xs().fold(1.0, f64::max));
        let all = self.points.iter().flat_map(|point| &point.values);
        let top = all.map(|(measured, ..)| *measured).fold(0.0, f64::max) * 1.05;
        let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
        root.fill(&WHITE)?;
        let mut chart = ChartBuilder::on(&root)
            .caption(
                format!("{}; marks measured, lines closed forms", self.title),
                ("sans-serif", 18),
            )
            .margin(16)
            .x_label_area_size(48)
            .y_label_area_size(70)
            .build_cartesian_2d((left * 0.9..right * 1.1).log_scale(), 0.0..top.max(1e-9))?;
        chart
            .configure_mesh()
            .light_line_style(WHITE)
            .x_desc(self.x)
            .x_label_formatter(&|x| format!("{x:.0}"))
            .y_desc(self.y)
            .label_style(("sans-serif", 15))
            .axis_desc_style(("sans-serif", 16))
            .draw()?;
        for (index, (column, colour)) in self.columns.iter().zip(COLOURS).enumerate() {
            let values = || {
                let points = self.points.iter();
                points.filter_map(move |point| Some((point.x, *point.values.get(index)?)))
            };
            let line = values().map(|(x, (.., closed))| (x, closed)).filter(|(_, y)| y.is_finite());
            chart.draw_series(LineSeries::new(line, colour.stroke_width(1)))?;
            chart.draw_series(values().map(|(x, (_, (lo, hi), _))| {
                PathElement::new(vec![(x, lo), (x, hi.min(top))], colour.stroke_width(1))
            }))?;
            let marks = values().map(|(x, (y, ..))| (x, y));
            // Told apart by shape as well as by shade.
            let legend = match index {
                0 => chart.draw_series(marks.map(|at| Circle::new(at, 4, colour.filled())))?,
                1 => chart
                    .draw_series(marks.map(|at| TriangleMarker::new(at, 6, colour.filled())))?,
                _ => chart.draw_series(marks.map(|at| Cross::new(at, 4, colour)))?,
            };
            let label = legend.label(*column);
            match index {
                0 => label.legend(move |at| Circle::new(at, 4, colour.filled()).into_dyn()),
                1 => label.legend(move |at| TriangleMarker::new(at, 6, colour.filled()).into_dyn()),
                _ => label.legend(move |at| Cross::new(at, 4, colour).into_dyn()),
            };
        }
        chart
            .configure_series_labels()
            .position(if self.legend_below {
                SeriesLabelPosition::LowerLeft
            } else {
                SeriesLabelPosition::UpperRight
            })
            .background_style(WHITE)
            .border_style(RGBColor(200, 200, 200))
            .label_font(("sans-serif", 15))
            .draw()?;
        root.present()?;
        Ok(())
    }
}

/// Writes the curves into a new folder, all or none.
///
/// # Errors
/// [`Diagnostic`] if the folder exists and is not empty, or cannot be written.
pub fn write_curves(curves: &[Curve], folder: &Path) -> Result<(), Diagnostic> {
    crate::folder::write_whole(folder, |folder| {
        for curve in curves {
            fs::write(folder.join(format!("{}.csv", curve.file)), curve.csv())?;
            fs::write(folder.join(format!("{}.svg", curve.file)), curve.svg())?;
        }
        Ok(())
    })
}
