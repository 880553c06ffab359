//! The page.

use super::bars::{histogram, outside};
use super::channel_use::{ChannelUse, channel_uses};
use super::curves;
use super::data::{data, drawn_every, noises_left_out};
use super::markup::{json, text};
use crate::run::{Check, Run, head, heard_by, shown, story};
use crate::traces::{State, states};
use std::fmt::Write as _;

const STYLE: &str = include_str!("report.css");
const SCRIPT: &str = include_str!("report.js");

/// What the page may load: its own inline parts, and sound from beside it.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; \
     media-src 'self' file:";

/// A run as one page, whole in itself but for the sound files beside it.
#[must_use]
pub fn page(run: &Run) -> String {
    let title = text(&run.scenario.title);
    let mut out = String::with_capacity(1 << 20);
    let _ = write!(
        out,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{}\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta name=\"color-scheme\" content=\"light dark\"/>\n\
         <title>{title}: simulated hopping net, run report</title>\n\
         <style>/*<![CDATA[*/\n{STYLE}/*]]>*/</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#outcome\">Skip to the outcome</a>\n<header>\n\
         <h1>{title}</h1>\n<p class=\"under\">A simulated run of the scenario \u{201c}{}\u{201d} with \
         seed {}</p>\n",
        text(POLICY),
        text(&run.scenario.name),
        run.seed
    );
    out.push_str(CAUTION);
    let uses = channel_uses(run);
    contents(&mut out, run);
    out.push_str("</header>\n<main>\n");
    outcome(&mut out, run);
    checks(&mut out, &run.checks);
    account(&mut out, run);
    band(&mut out, run);
    curves::section(&mut out, run);
    stations(&mut out, run);
    channels(&mut out, &uses);
    sound(&mut out, run);
    repeat(&mut out, run);
    let _ = write!(
        out,
        "</main>\n<script id=\"data\" type=\"application/json\">{}</script>\n\
         <script>//<![CDATA[\n{SCRIPT}//]]></script>\n</body>\n</html>\n",
        json(&data(run))
    );
    out
}

const CAUTION: &str = "<aside class=\"caution\" aria-label=\"Caution\"><p><strong>Simulation \
    only.</strong> Nothing on this page has been on the air. Transmitting needs a licence, or \
    equipment and use that your local rules permit; local codes and licensed practice decide. \
    Interfering with others\u{2019} communication is illegal: interferers and opponents exist here in \
    simulation and nowhere else. Not for distress or safety of life.</p></aside>\n";

fn contents(out: &mut String, run: &Run) {
    let mut parts = vec![
        ("outcome", "Outcome"),
        ("checks", "Checks"),
        ("account", "What happened"),
        ("band", "Band and stations"),
        ("curves", "Coming into step, and losses"),
        ("stations", "What was heard"),
        ("channels", "Use of the channels"),
    ];
    if run.audio.is_some() {
        parts.push(("sound", "What it sounded like"));
    }
    parts.push(("repeat", "How to repeat it"));
    out.push_str("<nav aria-label=\"Parts of this page\"><ul>");
    for (id, name) in parts {
        let _ = write!(out, "<li><a href=\"#{id}\">{name}</a></li>");
    }
    out.push_str("</ul></nav>\n");
}

/// A verdict in a shape and in words; the shape is for the eye only.
fn verdict(pass: bool, words: &str) -> String {
    let (class, shape) = if pass {
        ("holds", "<circle cx=\"8\" cy=\"8\" r=\"7\"/><path d=\"M4.5 8.5 L7 11 L11.5 5.5\"/>")
    } else {
        (
            "fails",
            "<path d=\"M8 .8 L15.2 8 L8 15.2 L.8 8 z\"/>\
             <path d=\"M5.5 5.5 L10.5 10.5 M10.5 5.5 L5.5 10.5\"/>",
        )
    };
    format!(
        "<span class=\"verdict {class}\"><svg viewBox=\"0 0 16 16\" aria-hidden=\"true\">{shape}</svg>\
         {words}</span>"
    )
}

fn outcome(out: &mut String, run: &Run) {
    let held = run.checks.iter().filter(|check| check.pass).count();
    let totals = run.world.trace().totals;
    out.push_str("<section id=\"outcome\"><h2>Outcome</h2>\n<p class=\"sum\">");
    if run.checks.is_empty() {
        out.push_str("The scenario expects nothing: there is nothing to hold or to fail.");
    } else {
        let count = run.checks.len();
        let words = match count - held {
            0 => format!("{held} of {count} checks hold."),
            failed => format!("{held} of {count} checks hold, {failed} FAILED."),
        };
        out.push_str(&verdict(run.passed(), &words));
    }
    let _ = write!(
        out,
        "</p>\n<p>{} transmissions; {} times a radio waited for one, {} were heard.</p>\n",
        totals.sent, totals.listened, totals.heard
    );
    let mut lines = Vec::new();
    // Into a vector nothing can fail to be written.
    let _ = head(&mut lines, run);
    out.push_str("<ul class=\"facts\">");
    for line in String::from_utf8_lossy(&lines).lines().skip(1) {
        let _ = write!(out, "<li>{}</li>", text(line));
    }
    out.push_str("</ul></section>\n");
}

fn checks(out: &mut String, checks: &[Check]) {
    out.push_str("<section id=\"checks\"><h2>Checks</h2>\n");
    if checks.is_empty() {
        out.push_str("<p>None ([[expect]] tables of the scenario).</p></section>\n");
        return;
    }
    out.push_str(
        "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"Table of checks\">\
         <table><thead><tr><th scope=\"col\">Verdict</th><th scope=\"col\">What</th>\
         <th scope=\"col\" class=\"n\">Measured</th><th scope=\"col\" class=\"n\">Required</th>\
         <th scope=\"col\">After</th></tr></thead><tbody>\n",
    );
    for check in checks {
        let unit = if check.unit.is_empty() { String::new() } else { format!(" {}", check.unit) };
        let _ = writeln!(
            out,
            "<tr data-check=\"{}\"><td>{}</td><th scope=\"row\">{}</th>\
             <td class=\"n\">{}{unit}</td><td class=\"n\">{}{unit}</td><td>{}</td></tr>",
            text(check.id),
            verdict(check.pass, if check.pass { "holds" } else { "FAILS" }),
            text(&check.what),
            shown(check.measured),
            text(&check.required),
            text(&check.source)
        );
    }
    out.push_str("</tbody></table></div></section>\n");
}

fn account(out: &mut String, run: &Run) {
    out.push_str(
        "<section id=\"account\"><h2>What happened</h2>\n<p class=\"screen\">Each time is a button: \
         it shows that moment in the picture below.</p>\n<ol class=\"story\">",
    );
    for (at, line) in story(run) {
        let seconds = at as f64 / 1e6;
        let _ = write!(
            out,
            "<li><button type=\"button\" class=\"at\" data-at=\"{at}\" \
             aria-label=\"{seconds:.3} seconds: show in the picture\">{seconds:.3} s</button> \
             <span>{}</span></li>",
            text(&line)
        );
    }
    out.push_str("</ol></section>\n");
}

/// The drawn part. The script fills it; what it shows also stands in tables.
fn band(out: &mut String, run: &Run) {
    let every = drawn_every(run);
    out.push_str(
        "<section id=\"band\"><h2>Band and stations over time</h2>\n\
         <noscript><p>This part is drawn by a script, and scripts are switched off here. \
         <code>band.svg</code> beside this page shows the band without one.</p></noscript>\n",
    );
    if every > 1 {
        let _ = write!(
            out,
            "<p>The picture shows one transmission in {every}: there are too many for one page. \
             <code>transmissions.csv</code> has them all.</p>"
        );
    }
    let left_out = noises_left_out(run);
    if left_out > 0 {
        let _ = write!(
            out,
            "<p>The last {left_out} spells of opponents\u{2019} noise (simulated) are not drawn: there \
             are too many for one page.</p>"
        );
    }
    out.push_str(BAND);
    time_in_states(out, run);
    out.push_str("</section>\n");
}

const BAND: &str = "<div id=\"picture\" hidden=\"hidden\">\n\
    <div class=\"tools\" role=\"group\" aria-label=\"Move the picture\">\
    <button type=\"button\" data-do=\"earlier\">\u{25c0} Earlier</button>\
    <button type=\"button\" data-do=\"later\">Later \u{25b6}</button>\
    <button type=\"button\" data-do=\"in\">Closer +</button>\
    <button type=\"button\" data-do=\"out\">Wider \u{2212}</button>\
    <button type=\"button\" data-do=\"all\">Everything</button>\
    <label><input type=\"checkbox\" id=\"skip\" checked=\"checked\"/> leave long silences out</label>\
    </div>\n\
    <p id=\"readout\" role=\"status\">Point at the picture, or step through it with the keys \
    <kbd>,</kbd> and <kbd>.</kbd> to read what was sent.</p>\n\
    <div id=\"view\" tabindex=\"0\" role=\"application\" aria-roledescription=\"time picture\" \
    aria-label=\"The band and the stations against time\" aria-describedby=\"keys\">\
    <canvas id=\"field\" aria-hidden=\"true\"></canvas><canvas id=\"rows\" aria-hidden=\"true\"></canvas>\
    </div>\n<div id=\"legend\" aria-label=\"Key to the picture\" role=\"group\"></div>\n\
    <div id=\"keys\"><h3>Moving in the picture</h3><dl class=\"keys\">\
    <div><dt><kbd>\u{2190}</kbd> <kbd>\u{2192}</kbd></dt><dd>earlier, later; with <kbd>Shift</kbd> by half a \
    picture</dd></div>\
    <div><dt><kbd>+</kbd> <kbd>\u{2212}</kbd></dt><dd>closer, wider in time</dd></div>\
    <div><dt><kbd>Page Up</kbd> <kbd>Page Down</kbd></dt><dd>fewer, more channels; <kbd>\u{2191}</kbd> \
    <kbd>\u{2193}</kbd> move among them</dd></div>\
    <div><dt><kbd>.</kbd> <kbd>,</kbd></dt><dd>next, previous transmission</dd></div>\
    <div><dt><kbd>Home</kbd></dt><dd>everything</dd></div>\
    <div><dt><kbd>Esc</kbd></dt><dd>forget the chosen transmission</dd></div>\
    <div><dt>Mouse, finger</dt><dd>drag to move, pinch to come closer. The wheel comes closer once the \
    picture has been clicked, or with <kbd>Ctrl</kbd>; with <kbd>Shift</kbd> it moves</dd></div>\
    </dl></div>\n</div>\n";

/// How long each station was in each state.
fn time_in_states(out: &mut String, run: &Run) {
    let spans = states(run);
    let mut sums = vec![[0_u64; State::ALL.len()]; spans.len()];
    for (own, sums) in spans.iter().zip(&mut sums) {
        let ends = own.iter().skip(1).map(|span| span.from_us).chain([run.scenario.duration_us]);
        for (span, end) in own.iter().zip(ends) {
            sums[usize::from(span.state.code())] += end.saturating_sub(span.from_us);
        }
    }
    let met: Vec<State> = State::ALL
        .into_iter()
        .filter(|state| sums.iter().any(|own| own[usize::from(state.code())] > 0))
        .collect();
    out.push_str(
        "<h3>How long each station was what</h3>\n<div class=\"wide\" role=\"region\" \
         tabindex=\"0\" aria-label=\"Table of seconds in each state\"><table class=\"slim\"><thead>\
         <tr><th scope=\"col\">Station</th>",
    );
    for state in &met {
        let _ = write!(out, "<th scope=\"col\" class=\"n\">{}, s</th>", state.name());
    }
    out.push_str("</tr></thead><tbody>\n");
    for (station, own) in run.scenario.radio.stations.iter().zip(&sums) {
        let _ = write!(out, "<tr><th scope=\"row\">{}</th>", text(&station.name));
        for state in &met {
            let seconds = own[usize::from(state.code())] as f64 / 1e6;
            let _ = match seconds {
                0.0 => write!(out, "<td class=\"n\">\u{2013}</td>"),
                _ => write!(out, "<td class=\"n\">{seconds:.1}</td>"),
            };
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
}

fn stations(out: &mut String, run: &Run) {
    out.push_str(
        "<section id=\"stations\"><h2>What each station heard of the others</h2>\n\
         <div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"Table of stations\"><table>\
         <thead><tr><th scope=\"col\">Station</th><th scope=\"col\">Address</th>\
         <th scope=\"col\" class=\"n\">Called</th><th scope=\"col\" class=\"n\">Told busy</th>\
         <th scope=\"col\" class=\"n\">Slots read</th><th scope=\"col\" class=\"n\">Messages</th>\
         <th scope=\"col\">Net key</th><th scope=\"col\">At the end</th></tr></thead><tbody>\n",
    );
    for (node, station) in run.scenario.radio.stations.iter().enumerate() {
        let heard = heard_by(run, node);
        let key = match (heard.net_key, heard.generation) {
            (false, _) => "none of the net\u{2019}s".to_owned(),
            (true, Some(generation)) => format!("generation {generation}"),
            (true, None) => "the plan\u{2019}s".to_owned(),
        };
        let end = if run.world.in_step(node) { "in step" } else { "not in step" };
        let _ = writeln!(
            out,
            "<tr data-station=\"{address}\"><th scope=\"row\">{}</th><td>{address}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{}</td><td>{key}</td><td>{end}</td></tr>",
            text(&station.name),
            heard.called,
            heard.busy,
            heard.slots,
            heard.messages,
            address = station.address,
        );
    }
    out.push_str("</tbody></table></div></section>\n");
}

fn channels(out: &mut String, uses: &[ChannelUse]) {
    out.push_str("<section id=\"channels\"><h2>Use of the channels</h2>\n");
    for (id, of) in uses.iter().enumerate() {
        if uses.len() > 1 {
            let _ = writeln!(out, "<h3>Lane {}</h3>", of.lane);
        }
        statistic(out, of);
        let _ = write!(
            out,
            "<figure><div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"Picture of \
             channels\">{}</div><figcaption>Uses of each channel of the hopset. <span class=\"key\">\
             <svg viewBox=\"0 0 14 14\" aria-hidden=\"true\"><rect class=\"bar\" width=\"14\" \
             height=\"14\"/></svg> filled: traffic</span> <span class=\"key\">\
             <svg viewBox=\"0 0 14 14\" aria-hidden=\"true\"><rect class=\"sync\" width=\"14\" \
             height=\"14\" fill=\"url(#hatch-{id})\"/></svg> hatched: sync slots, announces and other \
             runs</span> <span class=\"key\"><svg viewBox=\"0 0 14 14\" aria-hidden=\"true\">\
             <path class=\"band\" d=\"M0 4 H14 M0 10 H14\"/></svg> lines: where the draw puts the \
             traffic of a channel, 99.9 %</span> <span class=\"key\"><svg viewBox=\"0 0 14 14\" \
             aria-hidden=\"true\"><path class=\"outside\" d=\"M2 3 L12 3 L7 12 z\"/></svg> triangle: \
             traffic outside those lines</span></figcaption></figure>",
            histogram(of, id)
        );
        table_of_uses(out, of);
    }
    out.push_str("</section>\n");
}

fn statistic(out: &mut String, of: &ChannelUse) {
    let draw = if of.balanced { "balanced" } else { "independent" };
    let Some(fit) = of.fit else {
        let _ = write!(
            out,
            "<p data-lane=\"{}\">{} slots of traffic are too few for a statistic: fewer than five a \
             channel.</p>",
            of.lane, of.slots
        );
        return;
    };
    let says = match (fit.holds(), fit.statistic < fit.band.0) {
        (true, _) => "within it: as the draw has it",
        (false, true) => "below it: more even than the draw explains",
        (false, false) => "above it: less even than the draw explains",
    };
    let _ = write!(
        out,
        "<p data-lane=\"{}\" data-statistic=\"{:.6}\">Pearson\u{2019}s statistic over {} channels with \
         traffic, {} slots: <b>\u{3c7}\u{b2} = {:.2}</b>, {} degrees of freedom. The {draw} draw puts \
         it at {:.2}, between {:.2} and {:.2} in 99.9 % of runs. It lies <b>{says}</b>.{}</p>",
        of.lane,
        fit.statistic,
        fit.freedom + 1,
        of.slots,
        fit.statistic,
        fit.freedom,
        fit.mean,
        fit.band.0,
        fit.band.1,
        if of.balanced {
            " Cycles of the balanced draw use every channel once, so it is far more even than \
             independent draws would be."
        } else {
            ""
        }
    );
    if of.left_out > 0 {
        let _ = write!(out, "<p>{} slots are left out: their key is gone.</p>", of.left_out);
    }
}

fn table_of_uses(out: &mut String, of: &ChannelUse) {
    out.push_str(
        "<details><summary>The numbers</summary><div class=\"wide\" role=\"region\" tabindex=\"0\" \
         aria-label=\"Table of channels\"><table class=\"slim\"><thead><tr><th scope=\"col\" \
         class=\"n\">Channel</th><th scope=\"col\" class=\"n\">Traffic</th><th scope=\"col\" \
         class=\"n\">Expected</th><th scope=\"col\" class=\"n\">Between</th><th scope=\"col\" \
         class=\"n\">Sync slots</th><th scope=\"col\">Traffic is</th></tr></thead><tbody>\n",
    );
    for bar in &of.bars {
        let says = match (outside(bar), bar.expected > 0.0) {
            (_, false) => "not meant to be here",
            (false, true) => "within",
            (true, true) => "outside",
        };
        let _ = writeln!(
            out,
            "<tr><th scope=\"row\" class=\"n\">{}</th><td class=\"n\">{}</td>\
             <td class=\"n\">{:.1}</td><td class=\"n\">{:.1} to {:.1}</td><td class=\"n\">{}</td>\
             <td>{says}</td></tr>",
            bar.channel, bar.traffic, bar.expected, bar.band.0, bar.band.1, bar.sync
        );
    }
    out.push_str("</tbody></table></div></details>\n");
}

fn sound(out: &mut String, run: &Run) {
    let Some(audio) = &run.audio else { return };
    let name = |node: usize| text(&run.scenario.radio.stations[node].name);
    let _ = write!(
        out,
        "<section id=\"sound\"><h2>What it sounded like</h2>\n<p>What {} hears of {} at {} s \
         ({}, CVSD at {} kbit/s). The figures are segmental signal-to-noise ratios.</p>\n\
         <ul class=\"sound\">",
        name(audio.listener),
        name(audio.speaker),
        audio.pressed_us as f64 / 1e6,
        text(&audio.input),
        crate::audio::cvsd::RATE / 1_000
    );
    let db = |snr: Option<f64>| snr.map_or("nothing was said".to_owned(), |s| format!("{s:.1} dB"));
    player(
        out,
        "said.wav",
        &format!("What was said (the coder alone: {})", db(audio.coder_snr_db)),
    );
    for case in &audio.cases {
        let what = match (case.hopping, case.interference) {
            (false, false) => format!("Fixed channel {}, clean", audio.fixed_channel),
            (false, true) if audio.fixed_interfered => {
                format!("Fixed channel {}, interfered with", audio.fixed_channel)
            }
            (false, true) => format!("Fixed channel {}, a clear one", audio.fixed_channel),
            (true, false) => "Hopping, clean".to_owned(),
            (true, true) => "Hopping, with interference".to_owned(),
        };
        let slots = case.heard + case.lost + case.late;
        let late = if case.late == 0 { String::new() } else { format!(", {} late", case.late) };
        let label = format!("{what}: {}, {} of {slots} slots{late}", db(case.snr_db), case.heard);
        player(out, &format!("{}.wav", case.name), &label);
    }
    out.push_str("</ul></section>\n");
}

fn player(out: &mut String, file: &str, label: &str) {
    let (file, label) = (text(file), text(label));
    let _ = write!(
        out,
        "<li><p>{label}</p><audio controls=\"controls\" preload=\"metadata\" src=\"{file}\" \
         aria-label=\"{label}\"></audio> <a href=\"{file}\">{file}</a></li>"
    );
}

fn repeat(out: &mut String, run: &Run) {
    let digest: String =
        run.scenario.plan.digest().bytes().iter().map(|byte| format!("{byte:02x}")).collect();
    out.push_str("<section id=\"repeat\"><h2>How to repeat it</h2>\n");
    if let Some(command) = &run.command {
        let _ = write!(
            out,
            "<p>With another new folder after <code>--out</code>:</p>\
             <pre id=\"command\"><code>{}</code></pre>",
            text(command)
        );
    }
    let _ = write!(
        out,
        "<dl class=\"facts\"><div><dt>Program</dt><dd>hopwright {}</dd></div>\
         <div><dt>Scenario</dt><dd>{}</dd></div><div><dt>Plan</dt><dd>{}</dd></div>\
         <div><dt>Plan without its key, digest</dt><dd><code>{digest}</code></dd></div>\
         <div><dt>Seed</dt><dd><code id=\"seed\">{}</code></dd></div>\
         <div><dt>Trace digest</dt><dd><code id=\"digest\">{}</code></dd></div></dl>",
        env!("CARGO_PKG_VERSION"),
        text(&run.scenario.name),
        text(run.scenario.plan.name()),
        run.seed,
        run.world.digest()
    );
    if run.scenario.plan.training_key() {
        out.push_str("<p>The plan\u{2019}s key is a published example: for simulation only.</p>\n");
    }
    out.push_str(
        "<p>The same scenario, plan and seed give the same trace digest on every machine. \
         Beside this page: <code>account.txt</code>, <code>results.json</code>, \
         <code>events.csv</code>, <code>transmissions.csv</code>, <code>stations.csv</code> and \
         <code>band.svg</code>.</p></section>\n",
    );
}
