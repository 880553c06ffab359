//! Loss against interference, as SVG: lines are exact, marks are measured. Codes are told apart by
//! the shape of their marks, draws by solid and broken lines and by full and hollow marks, so that
//! nothing hangs on colour.

use super::{Odds, Point, draw_word};
use hopwright_core::sequence::Draw;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

const SIZE: (u32, u32) = (1100, 760);
/// What is rarer is drawn at the lower edge.
const LEAST: f64 = 1e-8;
/// Height of caption and legend.
const STRIP: i32 = 76;
/// Of the eight colours of M. Okabe and K. Ito (2002), those that stand out on white.
const COLOURS: [RGBColor; 4] =
    [RGBColor(0, 114, 178), RGBColor(213, 94, 0), RGBColor(0, 120, 90), RGBColor(90, 60, 120)];

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Failure = Box<dyn std::error::Error>;

/// Draws the points and the closed form between them.
pub(super) fn loss_picture(points: &[Point], title: &str) -> String {
    let mut svg = String::new();
    // Drawing into a string cannot fail; if it did, half a picture is no worse than none.
    let _ = draw(points, title, &mut svg);
    svg
}

/// One code under one draw.
struct Curve {
    odds: Odds,
    colour: RGBColor,
    mark: usize,
    /// Jammed share and exact loss, for every number of jammed channels.
    line: Vec<(f64, f64)>,
}

fn curves(points: &[Point]) -> Vec<Curve> {
    let mut codes: Vec<(u8, u8)> = Vec::new();
    let mut curves: Vec<Curve> = Vec::new();
    for Point { odds, .. } in points {
        let same = |c: &&Curve| (c.odds.n, c.odds.k, c.odds.draw) == (odds.n, odds.k, odds.draw);
        if curves.iter().any(|c| same(&c)) {
            continue;
        }
        let code = (odds.n, odds.k);
        let mark = codes.iter().position(|c| *c == code).unwrap_or_else(|| {
            codes.push(code);
            codes.len() - 1
        });
        // No more points than can be told apart.
        let step = (odds.channels / 128).max(1);
        let jammed = (0..=odds.channels).step_by(step as usize);
        let at = |jammed| (f64::from(jammed) / f64::from(odds.channels), Odds { jammed, ..*odds });
        let line = jammed.map(at).map(|(x, odds)| (x, odds.loss())).collect();
        curves.push(Curve { odds: *odds, colour: COLOURS[mark % COLOURS.len()], mark, line });
    }
    curves
}

fn draw(points: &[Point], title: &str, svg: &mut String) -> Result<(), Failure> {
    let curves = curves(points);
    let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
    root.fill(&WHITE)?;
    let (strip, field) = root.split_vertically(STRIP);
    heading(&strip, title)?;
    let mut chart = ChartBuilder::on(&field)
        .margin(16)
        .margin_top(4)
        .margin_right(30)
        .x_label_area_size(48)
        .y_label_area_size(78)
        .build_cartesian_2d(0.0..1.0, (LEAST..1.6).log_scale())?;
    chart
        .configure_mesh()
        .light_line_style(WHITE)
        .bold_line_style(RGBColor(222, 222, 222))
        .x_desc("share of the traffic channels jammed (simulated)")
        .y_desc("share of blocks lost")
        .x_label_formatter(&|x| format!("{:.0} %", x * 100.0))
        .y_label_formatter(&|y| format!("{y:.0e}"))
        .label_style(("sans-serif", 15))
        .axis_desc_style(("sans-serif", 16))
        .draw()?;
    for curve in &curves {
        let seen = curve.line.iter().copied().filter(|(_, loss)| *loss >= LEAST);
        let style = curve.colour.stroke_width(2);
        match curve.odds.draw {
            Draw::Balanced => {
                chart.draw_series(LineSeries::new(seen, style))?;
            }
            _ => {
                chart.draw_series(DashedLineSeries::new(seen, 7, 5, style))?;
            }
        }
    }
    for point in points {
        let Some(curve) = curves.iter().find(|c| {
            let key = |o: &Odds| (o.n, o.k, o.draw);
            key(&c.odds) == key(&point.odds)
        }) else {
            continue;
        };
        let (low, high) = point.interval();
        let x = point.jammed();
        if point.lost == 0 {
            // Nothing seen: only an upper limit is known.
            let at = chart.backend_coord(&(x, high.max(LEAST)));
            limit(&root, at, curve.colour)?;
            continue;
        }
        let end = |y: f64| chart.backend_coord(&(x, y.max(LEAST)));
        let bar = vec![end(low), end(high)];
        root.draw(&PathElement::new(bar, curve.colour.stroke_width(1)))?;
        mark(&root, end(point.share()), curve.mark, curve.odds.draw, curve.colour)?;
    }
    // The codes' names stand where no line goes: nothing is rare under heavy interference.
    let left = Pos::new(HPos::Left, VPos::Center);
    let style = ("sans-serif", 17).into_text_style(&root).pos(left);
    let mut named = Vec::new();
    for curve in &curves {
        if !named.contains(&curve.mark) {
            let y = SIZE.1.cast_signed() - 250 + 28 * i32::try_from(named.len())?;
            named.push(curve.mark);
            mark(&root, (840, y), curve.mark, Draw::Balanced, curve.colour)?;
            mark(&root, (864, y), curve.mark, Draw::Independent, curve.colour)?;
            let name = format!("({}, {})", curve.odds.n, curve.odds.k);
            root.draw(&Text::new(name, (884, y), style.clone().color(&curve.colour)))?;
        }
    }
    root.present()?;
    drop(chart);
    drop((strip, field, root));
    Ok(())
}

/// A measured share: full for the balanced draw, hollow for the independent one.
fn mark(
    area: &Area<'_>,
    at: (i32, i32),
    shape: usize,
    draw: Draw,
    colour: RGBColor,
) -> Result<(), Failure> {
    let style = match draw {
        Draw::Balanced => colour.filled(),
        _ => colour.stroke_width(2),
    };
    match shape % 3 {
        0 => area.draw(&Circle::new(at, 5, style))?,
        1 => {
            let (x, y) = at;
            let corners = vec![(x, y - 7), (x + 7, y + 5), (x - 7, y + 5), (x, y - 7)];
            match draw {
                Draw::Balanced => area.draw(&Polygon::new(corners, style))?,
                _ => area.draw(&PathElement::new(corners, style))?,
            }
        }
        _ => {
            let (x, y) = at;
            area.draw(&Rectangle::new([(x - 4, y - 4), (x + 4, y + 4)], style))?;
        }
    }
    Ok(())
}

/// An arrow down from the upper limit of what was never seen.
fn limit(area: &Area<'_>, (x, y): (i32, i32), colour: RGBColor) -> Result<(), Failure> {
    let style = colour.stroke_width(1);
    area.draw(&PathElement::new(vec![(x - 5, y), (x + 5, y)], style))?;
    area.draw(&PathElement::new(vec![(x, y), (x, y + 13)], style))?;
    area.draw(&PathElement::new(vec![(x - 3, y + 9), (x, y + 13), (x + 3, y + 9)], style))?;
    Ok(())
}

/// The caption and, in a line under it, the legend.
fn heading(strip: &Area<'_>, caption: &str) -> Result<(), Failure> {
    let centred = Pos::new(HPos::Center, VPos::Top);
    let style = ("sans-serif", 22).into_text_style(strip).pos(centred);
    strip.draw(&Text::new(caption.to_owned(), (SIZE.0.cast_signed() / 2, 12), style))?;
    let left = Pos::new(HPos::Left, VPos::Center);
    let style = ("sans-serif", 15).into_text_style(strip).pos(left);
    let y = STRIP - 18;
    let text = |x: i32, text: String| strip.draw(&Text::new(text, (x, y), style.clone()));
    let line = |x: i32| vec![(x, y), (x + 44, y)];
    strip.draw(&PathElement::new(line(80), BLACK.stroke_width(2)))?;
    mark(strip, (102, y), 0, Draw::Balanced, BLACK)?;
    text(132, format!("{} draw, exact and measured", draw_word(Draw::Balanced)))?;
    for x in [380, 392, 404, 416] {
        strip.draw(&PathElement::new(vec![(x, y), (x + 7, y)], BLACK.stroke_width(2)))?;
    }
    mark(strip, (402, y), 0, Draw::Independent, BLACK)?;
    text(432, format!("{} draw", draw_word(Draw::Independent)))?;
    strip.draw(&PathElement::new(vec![(590, y - 8), (590, y + 8)], BLACK.stroke_width(1)))?;
    text(600, "95 % interval".to_owned())?;
    limit(strip, (730, y - 6), BLACK)?;
    text(742, "none lost: 95 % upper limit".to_owned())?;
    Ok(())
}
