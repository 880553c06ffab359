//! Two curves as pictures, with their numbers below: how stations came into step, and how much of
//! what was said was heard. Inline SVG, coloured by the page's style sheet.

use super::bars::nice;
use crate::run::Run;
use crate::run::metrics::{clear_share, first_announce, in_step_times};
use crate::trials::share_of;
use crate::world::{Content, Sent};
use hopwright_core::units::Lane;
use std::collections::BTreeMap;
use std::fmt::Write as _;

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 240.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 14.0;
const BOTTOM: f64 = 34.0;
const TOP: f64 = 12.0;
/// Points of the curve of losses, at most.
const POINTS: usize = 60;
/// Slots of traffic behind each of them, at least.
const LEAST: usize = 40;

/// How long a kind of station waited for net time.
pub(super) struct Waits {
    what: &'static str,
    /// In seconds, ascending; of those that never came into step there are more in `of`.
    waits: Vec<f64>,
    of: usize,
}

/// From the announce, for whoever was on by then, and from being switched on, for all others.
fn waits(run: &Run) -> [Waits; 2] {
    let stations = &run.scenario.radio.stations;
    let mut kinds = [
        ("from the first announce", Vec::new(), 0),
        ("from being switched on later", Vec::new(), 0),
    ];
    for (node, station) in stations.iter().enumerate() {
        let first = first_announce(&run.scenario, run.world.trace(), station.lane);
        let Some((at, by)) = first else { continue };
        if by == node {
            continue;
        }
        let late = station.on_us > at;
        let since = station.on_us.max(at);
        let (_, waits, of) = &mut kinds[usize::from(late)];
        let first = in_step_times(run.world.trace(), node).find(|t| *t >= since);
        waits.extend(first.map(|t| (t - since) as f64 / 1e6));
        *of += 1;
    }
    kinds.map(|(what, mut waits, of): (_, Vec<f64>, usize)| {
        waits.sort_by(f64::total_cmp);
        Waits { what, waits, of }
    })
}

/// A stretch of traffic.
pub(super) struct Stretch {
    from_us: u64,
    slots: usize,
    awaited: u64,
    heard: u64,
    /// The share that interferers leave (closed form); none where opponents have made noise.
    clear: Option<f64>,
}

impl Stretch {
    /// The share heard, and its interval as if each slot had been one trial: radios that wait for
    /// the same slot mostly hear it or miss it together.
    fn share(&self) -> (f64, (f64, f64)) {
        let share = self.heard as f64 / self.awaited.max(1) as f64;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a count"
        )]
        let hits = libm::round(share * self.slots as f64) as u64;
        (share, share_of(hits, self.slots as u64).1)
    }
}

fn stretches(run: &Run) -> Vec<Stretch> {
    let trace = run.world.trace();
    // What is said on a single channel hops over none.
    let single = |sent: &Sent| {
        sent.over.and_then(|over| trace.overs.get(over)).is_some_and(|over| over.single)
    };
    let awaited =
        |sent: &&Sent| sent.content == Content::Payload && sent.listeners > 0 && !single(sent);
    let slots: Vec<&Sent> = trace.sent.iter().filter(awaited).collect();
    let each = slots.len().div_ceil(POINTS).max(LEAST);
    let mut known: BTreeMap<(Lane, Vec<bool>), Option<f64>> = BTreeMap::new();
    let mut clear = |sent: &Sent| {
        if !run.world.trace().noises.is_empty() {
            return None;
        }
        let lane = run.scenario.radio.stations[sent.node].lane;
        let on = run.world.medium().interferers().iter().map(|i| i.on_at(sent.at_us)).collect();
        let share = || clear_share(&run.scenario, lane, sent.at_us).ok();
        *known.entry((lane, on)).or_insert_with(share)
    };
    slots
        .chunks(each)
        .filter(|chunk| chunk.len() >= LEAST.min(slots.len()))
        .map(|chunk| {
            let expected =
                chunk.iter().map(|sent| clear(sent).map(|s| s * f64::from(sent.listeners)));
            let awaited = chunk.iter().map(|sent| u64::from(sent.listeners)).sum();
            Stretch {
                from_us: chunk.first().map_or(0, |sent| sent.at_us),
                slots: chunk.len(),
                awaited,
                heard: chunk.iter().map(|sent| u64::from(sent.heard)).sum(),
                clear: expected.sum::<Option<f64>>().map(|sum| sum / awaited.max(1) as f64),
            }
        })
        .collect()
}

/// The section.
pub(super) fn section(out: &mut String, run: &Run) {
    out.push_str("<section id=\"curves\"><h2>Coming into step, and what was lost</h2>\n");
    acquisition(out, &waits(run));
    losses(out, &stretches(run));
    out.push_str("</section>\n");
}

fn open(out: &mut String, id: &str, title: &str) {
    let _ = write!(
        out,
        "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"{title}\"><svg class=\"bars\" \
         role=\"img\" aria-labelledby=\"{id}-title\" viewBox=\"0 0 {WIDTH} {HEIGHT}\">\
         <title id=\"{id}-title\">{title}: the table below has the numbers</title>"
    );
}

/// Lines for every fifth of the whole, with their percentages.
fn percents(out: &mut String) {
    for fifth in 0..=5 {
        let at = y(f64::from(fifth) / 5.0);
        let _ = write!(
            out,
            "<path class=\"rule\" d=\"M{LEFT} {at:.1} H{:.1}\"/>\
             <text class=\"tick end\" x=\"{:.1}\" y=\"{:.1}\">{} %</text>",
            WIDTH - RIGHT,
            LEFT - 6.0,
            at + 4.0,
            fifth * 20
        );
    }
}

fn y(share: f64) -> f64 {
    TOP + (HEIGHT - TOP - BOTTOM) * (1.0 - share)
}

fn x(share: f64) -> f64 {
    LEFT + (WIDTH - LEFT - RIGHT) * share
}

fn tick(out: &mut String, at: f64, text: &str) {
    let _ = write!(
        out,
        "<text class=\"tick middle\" x=\"{at:.1}\" y=\"{:.1}\">{text}</text>",
        HEIGHT - BOTTOM + 16.0
    );
}

fn acquisition(out: &mut String, kinds: &[Waits; 2]) {
    let most = kinds.iter().filter_map(|kind| kind.waits.last()).fold(0.0_f64, |a, b| a.max(*b));
    if most <= 0.0 {
        out.push_str("<p>No station waited for net time.</p>\n");
        return;
    }
    // Tenths of a second are the finest ticks.
    let step = nice(most / 8.0 * 10.0) / 10.0;
    let end = step * libm::ceil(most / step);
    out.push_str(
        "<h3>From the first chance to net time: share of the stations against seconds</h3>\n",
    );
    open(out, "steps", "Share of the stations in step against time");
    percents(out);
    let mut at = 0.0;
    while at <= end * 1.000_1 {
        tick(out, x(at / end), &format!("{} s", libm::round(at * 10.0) / 10.0));
        at += step;
    }
    for (kind, class) in kinds.iter().zip(["step", "step late"]).filter(|(kind, _)| kind.of > 0) {
        let mut path = format!("M{:.1} {:.1}", x(0.0), y(0.0));
        for (i, wait) in kind.waits.iter().enumerate() {
            let share = (i + 1) as f64 / kind.of as f64;
            let _ = write!(path, " H{:.1} V{:.1}", x(wait / end), y(share));
        }
        let _ = write!(path, " H{:.1}", x(1.0));
        let _ = write!(out, "<path class=\"{class}\" d=\"{path}\"/>");
    }
    out.push_str(
        "</svg></div>\n<p class=\"note\">Full line: from the first announce of the net. Broken line: \
         from being switched on later.</p>\n<div class=\"wide\" role=\"region\" tabindex=\"0\" \
         aria-label=\"Table of times to net time\"><table><thead><tr><th scope=\"col\">Stations</th>\
         <th scope=\"col\" class=\"n\">how many</th><th scope=\"col\" class=\"n\">in step</th>\
         <th scope=\"col\" class=\"n\">fastest, s</th><th scope=\"col\" class=\"n\">median, s</th>\
         <th scope=\"col\" class=\"n\">slowest, s</th></tr></thead><tbody>\n",
    );
    for kind in kinds.iter().filter(|kind| kind.of > 0) {
        let n = kind.waits.len();
        let shown = |i: usize, j: usize| match (kind.waits.get(i), kind.waits.get(j)) {
            (Some(one), Some(other)) => format!("{:.3}", f64::midpoint(*one, *other)),
            _ => "\u{2013}".to_owned(),
        };
        let last = n.saturating_sub(1);
        let _ = writeln!(
            out,
            "<tr><th scope=\"row\">{}</th><td class=\"n\">{}</td><td class=\"n\">{n}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td></tr>",
            kind.what,
            kind.of,
            shown(0, 0),
            shown(last / 2, n / 2),
            shown(last, last),
        );
    }
    out.push_str("</tbody></table></div>\n");
}

fn losses(out: &mut String, stretches: &[Stretch]) {
    let [first, ..] = stretches else {
        out.push_str("<p>Nobody waited for traffic.</p>\n");
        return;
    };
    let _ = writeln!(
        out,
        "<h3>Share of the traffic that was heard, {} slots to a point</h3>",
        first.slots
    );
    open(out, "losses", "Share of the traffic that was heard, in order of time");
    percents(out);
    let n = stretches.len();
    let width = (WIDTH - LEFT - RIGHT) / n as f64;
    let middle = |i: usize| LEFT + (i as f64 + 0.5) * width;
    let every = n.div_ceil(10);
    for (i, stretch) in stretches.iter().enumerate() {
        let (share, (low, high)) = stretch.share();
        let at = middle(i);
        if let Some(clear) = stretch.clear {
            let _ = write!(
                out,
                "<path class=\"band\" d=\"M{:.1} {:.1} h{width:.1}\"/>",
                at - width / 2.0,
                y(clear)
            );
        }
        let _ = write!(
            out,
            "<g><title>from {:.1} s on: {:.1} % of {} heard</title>\
             <path class=\"whisker\" d=\"M{at:.1} {:.1} V{:.1}\"/>\
             <circle class=\"point\" cx=\"{at:.1}\" cy=\"{:.1}\" r=\"3.5\"/></g>",
            stretch.from_us as f64 / 1e6,
            share * 100.0,
            stretch.awaited,
            y(low),
            y(high),
            y(share)
        );
        if i % every == 0 {
            tick(out, at, &format!("{:.0} s", stretch.from_us as f64 / 1e6));
        }
    }
    out.push_str(
        "</svg></div>\n<p class=\"note\">Dots with bars: heard, of the radios that waited, and the 95 % \
         Wilson interval that counts each slot once. Lines: the share of clear traffic channels \
         (closed form), where interferers are all that is in the way; fading and noise take more, \
         noise of opponents leaves no closed form.</p>\n<details><summary>The numbers</summary>\
         <div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"Table of losses\"><table><thead>\
         <tr><th scope=\"col\" class=\"n\">from, s</th><th scope=\"col\" class=\"n\">slots</th>\
         <th scope=\"col\" class=\"n\">awaited</th><th scope=\"col\" class=\"n\">heard</th>\
         <th scope=\"col\" class=\"n\">share</th><th scope=\"col\" class=\"n\">95 %</th>\
         <th scope=\"col\" class=\"n\">clear</th></tr></thead><tbody>\n",
    );
    for stretch in stretches {
        let (share, (low, high)) = stretch.share();
        let clear = stretch.clear.map_or("\u{2013}".to_owned(), |clear| format!("{clear:.3}"));
        let _ = writeln!(
            out,
            "<tr><td class=\"n\">{:.3}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{share:.3}</td>\
             <td class=\"n\">{low:.3} to {high:.3}</td><td class=\"n\">{clear}</td></tr>",
            stretch.from_us as f64 / 1e6,
            stretch.slots,
            stretch.awaited,
            stretch.heard,
        );
    }
    out.push_str("</tbody></table></div></details>\n");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Plan;
    use crate::scenario::Scenario;
    use crate::world::Detail;
    use std::path::Path;

    /// Where all that is said is said on a single channel there is no hopping to draw, however much of it
    /// is heard.
    #[test]
    fn single_channels_are_no_stretch_of_traffic() {
        let text = "[scenario]\nname = \"s\"\nduration_s = 40\nplan = \"\"\n\
            [[station]]\nname = \"post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
            [[station]]\nname = \"boat\"\naddress = \"40\"\nx_m = 500\n\
            [[station]]\nname = \"team\"\naddress = \"50\"\nx_m = 700\n\
            [[announce]]\nat_s = 1\nby = \"post\"\n\
            [[over]]\nat_s = 12\nfrom = \"boat\"\nto = \"all\"\ntalk_s = 20\n";
        let mode = |station: &str| {
            format!("[[mode]]\nat_s = 10\nstation = \"{station}\"\nto = \"single, sealed\"\n")
        };
        let single = format!("{text}{}{}", mode("boat"), mode("team"));
        for (text, stretched) in [(text, true), (single.as_str(), false)] {
            let plan = include_str!("../../plans/larkfell-watch.toml");
            let plan = Plan::parse("plan.toml", plan, Path::new("")).unwrap();
            let scenario = Scenario::parse("s.toml", text, plan).unwrap();
            let run = Run::new(scenario, None, Detail::Transmissions, None).unwrap();
            assert!(run.world.trace().overs[0].payloads_heard[2] > 500);
            assert_eq!(!stretches(&run).is_empty(), stretched, "{text}");
        }
    }
}
