//! The band against time, as SVG: where the net was, slot by slot, and where it could not be
//! heard. Told apart by shape as well as by shade.

use super::Run;
use super::metrics::seconds;
use crate::world::{Content, Sent};
use plotters::prelude::*;

const SIZE: (u32, u32) = (1400, 760);
const INTERFERENCE: RGBColor = RGBColor(226, 214, 196);
const HEARD: RGBColor = RGBColor(0, 74, 122);
const LOST: RGBColor = RGBColor(170, 60, 20);

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
    let end = seconds(run.scenario.duration_us);
    let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
    root.fill(&WHITE)?;
    let caption = format!("{}: the band against time", run.scenario.title);
    let mut chart = ChartBuilder::on(&root)
        .margin(16)
        .caption(caption, ("sans-serif", 22))
        .x_label_area_size(44)
        .y_label_area_size(64)
        .build_cartesian_2d(0.0..end, low..high)?;
    chart
        .configure_mesh()
        .disable_mesh()
        .x_desc("time in s")
        .y_desc("frequency in MHz")
        .label_style(("sans-serif", 15))
        .axis_desc_style(("sans-serif", 16))
        .draw()?;
    for interferer in run.world.medium().interferers() {
        let (from, to) = (seconds(interferer.from_us), seconds(interferer.to_us).min(end));
        let bars = interferer.channels.iter().map(|channel| {
            let f = mhz(channel.number());
            Rectangle::new([(from, f - step / 2.0), (to, f + step / 2.0)], INTERFERENCE.filled())
        });
        chart
            .draw_series(bars)?
            .label("interference (simulated)")
            .legend(|(x, y)| Rectangle::new([(x, y - 6), (x + 18, y + 6)], INTERFERENCE.filled()));
    }
    let at = |sent: &Sent| (seconds(sent.at_us), mhz(sent.channel.number()));
    let some = |sent: &&Sent| sent.heard > 0 || sent.listeners == 0;
    let sent = &run.world.trace().sent;
    let headers = |s: &&Sent| s.content != Content::Payload;
    let payload = sent.iter().filter(some).filter(|s| !headers(s));
    chart
        .draw_series(payload.map(|s| Circle::new(at(s), 1, HEARD.filled())))?
        .label("payload, heard by someone")
        .legend(|(x, y)| Circle::new((x + 9, y), 2, HEARD.filled()));
    let header = sent.iter().filter(some).filter(headers);
    chart
        .draw_series(header.map(|s| TriangleMarker::new(at(s), 4, HEARD.filled())))?
        .label("header, heard by someone")
        .legend(|(x, y)| TriangleMarker::new((x + 9, y), 5, HEARD.filled()));
    let lost = sent.iter().filter(|s| !some(s));
    chart
        .draw_series(lost.map(|s| Cross::new(at(s), 2, LOST.stroke_width(1))))?
        .label("sent and heard by nobody")
        .legend(|(x, y)| Cross::new((x + 9, y), 4, LOST.stroke_width(1)));
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperRight)
        .background_style(WHITE.mix(0.9))
        .border_style(BLACK.mix(0.4))
        .label_font(("sans-serif", 15))
        .draw()?;
    root.present()?;
    drop(chart);
    drop(root);
    Ok(())
}
