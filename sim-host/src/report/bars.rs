//! The use of the channels as a picture: inline SVG, coloured by the page's style sheet.

use super::channel_use::{Bar, ChannelUse};
use super::markup::text;
use std::fmt::Write as _;

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 240.0;
const LEFT: f64 = 46.0;
const BOTTOM: f64 = 34.0;
const TOP: f64 = 12.0;

/// Bars for every channel of a net's hopset: traffic filled, sync slots hatched on top of it, what
/// the draw explains as a bracket, and a mark over whatever lies outside it.
pub(super) fn histogram(of: &ChannelUse, id: usize) -> String {
    let most = of.bars.iter().map(|bar| (bar.traffic + bar.sync) as f64);
    let most = of.bars.iter().map(|bar| bar.band.1).chain(most).fold(1.0, f64::max);
    let step = nice(most / 5.0);
    let top = step * libm::ceil(most / step);
    let y = |value: f64| TOP + (HEIGHT - TOP - BOTTOM) * (1.0 - value / top);
    let (first, last) = ends(&of.bars);
    let span = f64::from(last - first + 1);
    let width = (WIDTH - LEFT) / span;
    let x = |channel: u16| LEFT + f64::from(channel - first) * width;
    let mut out = String::new();
    let _ = write!(
        out,
        "<svg class=\"bars\" role=\"img\" aria-labelledby=\"bars-{id}\" \
         viewBox=\"0 0 {WIDTH} {HEIGHT}\" preserveAspectRatio=\"none\">\
         <title id=\"bars-{id}\">Uses of each channel of lane {}: the table below has the \
         numbers</title><defs><pattern id=\"hatch-{id}\" width=\"4\" height=\"4\" \
         patternUnits=\"userSpaceOnUse\"><path class=\"hatch\" d=\"M0 4 L4 0\"/></pattern></defs>",
        of.lane
    );
    let mut value = 0.0;
    while value <= top {
        let at = y(value);
        let _ = write!(
            out,
            "<path class=\"rule\" d=\"M{LEFT} {at:.1} H{WIDTH}\"/>\
             <text class=\"tick end\" x=\"{:.1}\" y=\"{:.1}\">{value:.0}</text>",
            LEFT - 6.0,
            at + 4.0
        );
        value += step;
    }
    let gap = (width * 0.15).min(1.5);
    for bar in &of.bars {
        let (left, wide) = (x(bar.channel.number()) + gap / 2.0, (width - gap).max(0.2));
        let (traffic, all) = (y(bar.traffic as f64), y((bar.traffic + bar.sync) as f64));
        let foot = y(0.0);
        let _ = write!(
            out,
            "<g><title>{}</title>",
            text(&format!(
                "channel {}: {} of traffic ({:.1} expected), {} of sync slots",
                bar.channel, bar.traffic, bar.expected, bar.sync
            ))
        );
        if bar.traffic > 0 {
            let _ = write!(
                out,
                "<rect class=\"bar\" x=\"{left:.2}\" y=\"{traffic:.1}\" width=\"{wide:.2}\" \
                 height=\"{:.1}\"/>",
                foot - traffic
            );
        }
        if bar.sync > 0 {
            let _ = write!(
                out,
                "<rect class=\"sync\" x=\"{left:.2}\" y=\"{all:.1}\" width=\"{wide:.2}\" \
                 height=\"{:.1}\" fill=\"url(#hatch-{id})\"/>",
                traffic - all
            );
        }
        if outside(bar) {
            let (middle, above) = (left + wide / 2.0, all - 3.0);
            let _ = write!(
                out,
                "<path class=\"outside\" d=\"M{:.2} {:.1} L{:.2} {:.1} L{middle:.2} {above:.1} z\"/>",
                middle - 4.0,
                above - 7.0,
                middle + 4.0,
                above - 7.0
            );
        }
        out.push_str("</g>");
    }
    band(&mut out, of, (&x, &y, width));
    let every = channels_between_ticks(span);
    for channel in (first..=last).filter(|channel| channel % every == 0) {
        let _ = write!(
            out,
            "<text class=\"tick middle\" x=\"{:.1}\" y=\"{:.1}\">{channel}</text>",
            x(channel) + width / 2.0,
            HEIGHT - BOTTOM + 16.0
        );
    }
    out.push_str("</svg>");
    out
}

/// The expected band, as one line above and one below, channel by channel.
fn band(
    out: &mut String,
    of: &ChannelUse,
    (x, y, width): (&impl Fn(u16) -> f64, &impl Fn(f64) -> f64, f64),
) {
    for pick in [|bar: &Bar| bar.band.0, |bar: &Bar| bar.band.1] {
        let mut path = String::new();
        for bar in of.bars.iter().filter(|bar| bar.expected > 0.0) {
            let left = x(bar.channel.number());
            let _ = write!(path, "M{left:.2} {:.1} h{width:.2} ", y(pick(bar)));
        }
        let path = path.trim_end();
        // A rim of paper sets the line off from the bars that it crosses.
        let _ =
            write!(out, "<path class=\"rim\" d=\"{path}\"/><path class=\"band\" d=\"{path}\"/>");
    }
}

/// Whether a channel's use is not what the draw explains.
pub(super) fn outside(bar: &Bar) -> bool {
    let uses = bar.traffic as f64;
    bar.expected > 0.0 && (uses < bar.band.0 || uses > bar.band.1)
}

fn ends(bars: &[Bar]) -> (u16, u16) {
    let number = |bar: Option<&Bar>| bar.map_or(0, |bar| bar.channel.number());
    (number(bars.first()), number(bars.last()))
}

/// 1, 2 or 5 times a power of ten: the least that is not below `step`, and not below 1.
pub(super) fn nice(step: f64) -> f64 {
    let mut unit = 1.0;
    loop {
        for times in [1.0, 2.0, 5.0] {
            if unit * times >= step {
                return unit * times;
            }
        }
        unit *= 10.0;
    }
}

fn channels_between_ticks(span: f64) -> u16 {
    let step = nice(span / 16.0);
    if step >= 4096.0 {
        4096
    } else {
        [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000]
            .into_iter()
            .find(|ticks| f64::from(*ticks) >= step)
            .unwrap_or(4096)
    }
}
