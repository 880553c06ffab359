//! The band against time, as SVG: where the net was, slot by slot, and where it could not be
//! heard. Told apart by shape as well as by shade.

use super::Run;
use super::axis::Axis;
use crate::world::{Content, Sent};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

const SIZE: (u32, u32) = (1400, 760);
const INTERFERENCE: RGBColor = RGBColor(226, 214, 196);
const SILENCE: RGBColor = RGBColor(236, 236, 236);
const HEARD: RGBColor = RGBColor(0, 74, 122);
const LOST: RGBColor = RGBColor(170, 60, 20);
const UNAWAITED: RGBColor = RGBColor(110, 110, 110);
/// Height of caption and legend.
const STRIP: i32 = 76;

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

/// Draws the band against time.
pub(super) fn band_picture(run: &Run) -> String {
    let mut svg = String::new();
    // Drawing into a string cannot fail; if it did, half a picture is no worse than none.
    let _ = draw(run, &mut svg);
    svg
}

fn draw(run: &Run, svg: &mut String) -> Result<(), Box<dyn std::error::Error>> {
    let plan = &run.scenario.plan;
    let mhz = |channel: u16| {
        let channel = hopwright_core::units::Channel::new(channel);
        channel.and_then(|c| plan.raster().frequency(c)).map_or(0.0, |f| f.hz() as f64 / 1e6)
    };
    let step = plan.raster().spacing().hz() as f64 / 1e6;
    let count = plan.raster().count();
    let (low, high) = (mhz(0) - step, mhz(count.saturating_sub(1)) + step);
    let sent = &run.world.trace().sent;
    let axis = Axis::new(sent.iter().map(|sent| sent.at_us), run.scenario.duration_us);
    let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
    root.fill(&WHITE)?;
    let (strip, field) = root.split_vertically(STRIP);
    heading(&strip, &format!("{}: the band against time", run.scenario.title))?;
    let mut chart = ChartBuilder::on(&field)
        .margin(16)
        .margin_top(4)
        .x_label_area_size(44)
        .y_label_area_size(64)
        .build_cartesian_2d(0.0..axis.end(), low..high)?;
    chart
        .configure_mesh()
        .disable_mesh()
        .x_desc("time in s")
        .x_label_formatter(&|place| axis.label(*place))
        .y_desc("frequency in MHz")
        .label_style(("sans-serif", 15))
        .axis_desc_style(("sans-serif", 16))
        .draw()?;
    for interferer in run.world.medium().interferers() {
        let (from, to) = (axis.place(interferer.from_us), axis.place(interferer.to_us));
        chart.draw_series(interferer.channels.iter().map(|channel| {
            let f = mhz(channel.number());
            Rectangle::new([(from, f - step / 2.0), (to, f + step / 2.0)], INTERFERENCE.filled())
        }))?;
    }
    for silence in axis.stretches.iter().filter(|stretch| stretch.silent) {
        let (from, to) = silence.at;
        chart.draw_series([Rectangle::new([(from, low), (to, high)], SILENCE.filled())])?;
        let hours = (silence.to_us - silence.from_us) as f64 / 3.6e9;
        let text = format!("{hours:.1} h of silence left out");
        let turned = ("sans-serif", 15).into_text_style(&root).transform(FontTransform::Rotate270);
        let centred = turned.pos(Pos::new(HPos::Center, VPos::Center));
        let (x, y) = chart.backend_coord(&((from + to) / 2.0, (low + high) / 2.0));
        root.draw(&Text::new(text, (x - 8, y), centred))?;
    }
    // Series by series: what is rare lies on top.
    for kind in [Mark::Unawaited, Mark::Payload, Mark::Lost, Mark::Header] {
        for sent in sent.iter().filter(|sent| Mark::of(sent) == kind) {
            let at = (axis.place(sent.at_us), mhz(sent.channel.number()));
            kind.draw(&root, chart.backend_coord(&at))?;
        }
    }
    root.present()?;
    drop(chart);
    drop((strip, field, root));
    Ok(())
}

/// How one transmission is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mark {
    Header,
    Payload,
    Lost,
    Unawaited,
}

impl Mark {
    fn of(sent: &Sent) -> Self {
        match (sent.listeners, sent.heard, sent.content) {
            (0, ..) => Self::Unawaited,
            (_, 0, _) => Self::Lost,
            (_, _, Content::Payload) => Self::Payload,
            (_, _, Content::SyncHeader | Content::TrafficHeader) => Self::Header,
        }
    }

    const fn label(self) -> &'static str {
        match self {
            Self::Header => "header, heard by someone",
            Self::Payload => "payload, heard by someone",
            Self::Lost => "sent and heard by nobody",
            Self::Unawaited => "sent while nobody waited there",
        }
    }

    /// Draws one mark at a pixel, on the field or in the legend.
    fn draw(self, area: &Area<'_>, at: (i32, i32)) -> Result<(), Box<dyn std::error::Error>> {
        match self {
            Self::Header => area.draw(&TriangleMarker::new(at, 5, HEARD.filled()))?,
            Self::Payload => area.draw(&Circle::new(at, 2, HEARD.filled()))?,
            Self::Lost => area.draw(&Cross::new(at, 2, LOST.stroke_width(1)))?,
            Self::Unawaited => area.draw(&Circle::new(at, 3, UNAWAITED.stroke_width(1)))?,
        }
        Ok(())
    }
}

/// The caption and, in a line under it, the legend: neither covers data.
fn heading(strip: &Area<'_>, caption: &str) -> Result<(), Box<dyn std::error::Error>> {
    let middle = SIZE.0.cast_signed() / 2;
    let centred = Pos::new(HPos::Center, VPos::Top);
    let caption_style = ("sans-serif", 22).into_text_style(strip).pos(centred);
    strip.draw(&Text::new(caption.to_owned(), (middle, 12), caption_style))?;
    let left = Pos::new(HPos::Left, VPos::Center);
    let style = ("sans-serif", 15).into_text_style(strip).pos(left);
    let y = STRIP - 18;
    for (x, mark) in
        [(80, Mark::Header), (320, Mark::Payload), (570, Mark::Lost), (810, Mark::Unawaited)]
    {
        mark.draw(strip, (x, y))?;
        strip.draw(&Text::new(mark.label(), (x + 14, y), style.clone()))?;
    }
    let bar = [(1_070, y - 6), (1_094, y + 6)];
    strip.draw(&Rectangle::new(bar, INTERFERENCE.filled()))?;
    strip.draw(&Text::new("interference (simulated)", (1_104, y), style))?;
    Ok(())
}
