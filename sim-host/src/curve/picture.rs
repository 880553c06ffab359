//! The silence curve as SVG: one panel for each tolerance, log-log. Told apart by shape and dash,
//! not by colour.

use super::{Point, SILENCES, SilenceCurve, TOLERANCES_PPB};
use plotters::coord::Shift;
use plotters::coord::combinators::LogCoord;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

const SIZE: (u32, u32) = (1_240, 940);
/// Height of caption and legend.
const STRIP: i32 = 84;
/// What took no time is drawn here, what never happened there.
const LEAST_S: f64 = 0.01;
const MOST_S: f64 = 100.0;
const INK: RGBColor = RGBColor(0, 60, 104);
const WORST: RGBColor = RGBColor(160, 56, 16);
const EXPECTED: RGBColor = RGBColor(176, 176, 176);
const GRID: RGBColor = RGBColor(232, 232, 232);

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Axis = LogCoord<f64>;
type Panel<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

/// Draws the curve.
pub(super) fn silence(curve: &SilenceCurve, points: &[Point]) -> String {
    let mut svg = String::new();
    // Drawing into a string cannot fail; if it did, half a picture is no worse than none.
    let _ = draw(curve, points, &mut svg);
    svg
}

fn draw(curve: &SilenceCurve, points: &[Point], svg: &mut String) -> Drawn {
    let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
    root.fill(&WHITE)?;
    let (strip, field) = root.split_vertically(STRIP);
    heading(&strip, curve, points)?;
    for (area, tolerance_ppb) in field.split_evenly((2, 2)).iter().zip(TOLERANCES_PPB) {
        let own: Vec<&Point> = points.iter().filter(|p| p.tolerance_ppb == tolerance_ppb).collect();
        panel(area, tolerance_ppb, &own)?;
    }
    root.present()?;
    Ok(())
}

fn panel(area: &Area<'_>, tolerance_ppb: u32, points: &[&Point]) -> Drawn {
    let (first, last) = (f64::from(SILENCES[0].0), f64::from(SILENCES[SILENCES.len() - 1].0));
    let title = format!("oscillators within {} ppm", f64::from(tolerance_ppb) / 1_000.0);
    let mut chart = ChartBuilder::on(area)
        .caption(title, ("sans-serif", 17))
        .margin(10)
        .x_label_area_size(46)
        .y_label_area_size(62)
        .build_cartesian_2d(
            (first / 1.3..last * 1.3).log_scale(),
            (LEAST_S / 1.4..MOST_S * 1.4).log_scale(),
        )?;
    grid(area, &chart)?;
    let clipped = |s: f64| s.clamp(LEAST_S, MOST_S);
    let line = |of: &dyn Fn(&Point) -> f64| -> Vec<(f64, f64)> {
        points.iter().map(|p| (f64::from(p.silence_s), clipped(of(p)))).collect()
    };
    let expected = line(&|p| p.expected.within_s());
    chart.draw_series(LineSeries::new(expected, EXPECTED.stroke_width(6)))?;
    let median = line(&|p| p.measured.median_s);
    chart.draw_series(LineSeries::new(median.clone(), INK.stroke_width(2)))?;
    let p99 = line(&|p| p.measured.p99_s);
    chart.draw_series(DashedLineSeries::new(p99.clone(), 7, 5, INK.stroke_width(2)))?;
    for point in points {
        let x = f64::from(point.silence_s);
        for (low, high) in [point.measured.median_interval_s, point.measured.p99_interval_s] {
            let whisker = vec![(x, clipped(low)), (x, clipped(high))];
            chart.draw_series(std::iter::once(PathElement::new(whisker, INK.stroke_width(1))))?;
        }
    }
    for (mark, series) in
        [(Mark::Median, median), (Mark::P99, p99), (Mark::Worst, line(&|p| p.measured.worst_s))]
    {
        for at in series {
            mark.draw(area, inside(area, chart.backend_coord(&at)))?;
        }
    }
    Ok(())
}

/// Lines at the silences and at the decades, with their labels.
fn grid(area: &Area<'_>, chart: &Panel<'_, '_>) -> Drawn {
    let at = |x: f64, y: f64| inside(area, chart.backend_coord(&(x, y)));
    let (first, last) = (f64::from(SILENCES[0].0), f64::from(SILENCES[SILENCES.len() - 1].0));
    let below = ("sans-serif", 13).into_text_style(area).pos(Pos::new(HPos::Center, VPos::Top));
    for (silence_s, name) in SILENCES {
        let x = f64::from(silence_s);
        let ends = vec![at(x, LEAST_S), at(x, MOST_S)];
        area.draw(&PathElement::new(ends, GRID.stroke_width(1)))?;
        let (x, y) = at(x, LEAST_S);
        area.draw(&Text::new(name, (x, y + 14), below.clone()))?;
    }
    let left = ("sans-serif", 13).into_text_style(area).pos(Pos::new(HPos::Right, VPos::Center));
    let marks = [(0.01, "< 10 ms"), (0.1, "0.1 s"), (1.0, "1 s"), (10.0, "10 s"), (100.0, "never")];
    for (y, name) in marks {
        let ends = vec![at(first, y), at(last, y)];
        area.draw(&PathElement::new(ends.clone(), GRID.stroke_width(1)))?;
        let (x, y) = ends[0];
        area.draw(&Text::new(name, (x - 22, y), left.clone()))?;
    }
    let (x, y) = at(libm::sqrt(first * last), LEAST_S);
    area.draw(&Text::new("silence", (x, y + 32), below))?;
    Ok(())
}

/// Coordinates of the whole picture as those of one area.
fn inside(area: &Area<'_>, (x, y): (i32, i32)) -> (i32, i32) {
    let (left, top) = area.get_base_pixel();
    (x - left, y - top)
}

#[derive(Debug, Clone, Copy)]
enum Mark {
    Median,
    P99,
    Worst,
}

impl Mark {
    fn draw(self, area: &Area<'_>, at: (i32, i32)) -> Drawn {
        match self {
            Self::Median => area.draw(&Circle::new(at, 5, INK.filled()))?,
            Self::P99 => area.draw(&TriangleMarker::new(at, 7, INK.filled()))?,
            Self::Worst => area.draw(&Cross::new(at, 5, WORST.stroke_width(2)))?,
        }
        Ok(())
    }
}

/// The caption and, in a line under it, the legend.
fn heading(strip: &Area<'_>, curve: &SilenceCurve, points: &[Point]) -> Drawn {
    let middle = SIZE.0.cast_signed() / 2;
    let centred = Pos::new(HPos::Center, VPos::Top);
    let style = ("sans-serif", 21).into_text_style(strip).pos(centred);
    let outcomes: usize = points.first().map_or(0, |point| point.measured.count);
    let caption = format!(
        "After a silence: first slot sent to in step ({outcomes} outcomes of {} trials a point, {:.0} % \
         jammed)",
        curve.trials,
        curve.jammed * 100.0
    );
    strip.draw(&Text::new(caption, (middle, 12), style))?;
    let style = ("sans-serif", 15).into_text_style(strip).pos(Pos::new(HPos::Left, VPos::Center));
    let y = STRIP - 24;
    let stroke = |x: i32, length: i32| vec![(x, y), (x + length, y)];
    strip.draw(&PathElement::new(stroke(110, 34), INK.stroke_width(2)))?;
    Mark::Median.draw(strip, (127, y))?;
    strip.draw(&Text::new("median, solid", (152, y), style.clone()))?;
    for x in [310, 322, 334] {
        strip.draw(&PathElement::new(stroke(x, 8), INK.stroke_width(2)))?;
    }
    Mark::P99.draw(strip, (326, y))?;
    strip.draw(&Text::new("99 % quantile, dashed", (352, y), style.clone()))?;
    Mark::Worst.draw(strip, (566, y))?;
    strip.draw(&Text::new("worst", (582, y), style.clone()))?;
    strip.draw(&PathElement::new(vec![(680, y - 8), (680, y + 8)], INK.stroke_width(1)))?;
    strip.draw(&Text::new("95 % confidence", (692, y), style.clone()))?;
    strip.draw(&PathElement::new(stroke(860, 34), EXPECTED.stroke_width(6)))?;
    strip.draw(&Text::new("by the rules: 2k + 1 slots, or a run's r + w", (902, y), style))?;
    Ok(())
}
