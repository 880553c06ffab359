//! Draws a model. Everything can be read without colour: what colour says, a letter or a sign
//! says too.

use super::keys::HELP;
use super::model::{Line, Mark, Model};
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};

/// The smallest window, columns and rows.
pub const LEAST: (u16, u16) = (60, 18);
/// A station table of fewer columns has one column less.
const NARROW: u16 = 44;
/// Columns before the band, for the times.
const TIMES: u16 = 10;

/// Draws the whole screen.
pub fn draw(frame: &mut Frame<'_>, model: &Model) {
    let area = frame.area();
    let buffer = frame.buffer_mut();
    if area.width < LEAST.0 || area.height < LEAST.1 {
        return too_small(buffer, area);
    }
    let events = (area.height / 4).clamp(5, 12);
    let (width, body) = (area.width, area.height - 2 - events);
    let at = |x: u16, y: u16, width: u16, height: u16| Rect { x, y, width, height };
    head(buffer, at(0, 0, width, 1), model);
    // 38 columns of 60, 44 of 80, 52 of 120.
    let table = if width < 80 { width / 3 + 18 } else { (width / 5 + 28).min(56) };
    band(buffer, at(0, 1, width - table - 1, body), model);
    stations(buffer, at(width - table, 1, table, body), model);
    list(buffer, at(0, 1 + body, width, events), model);
    foot(buffer, at(0, area.height - 1, width, 1), model);
    if model.help() {
        help(buffer, area);
    }
}

/// Writes what fits.
fn put(buffer: &mut Buffer, area: Rect, (x, y): (u16, u16), text: &str, style: Style) {
    if x < area.width && y < area.height {
        let room = usize::from(area.width - x);
        buffer.set_stringn(area.x + x, area.y + y, text, room, style);
    }
}

const fn plain() -> Style {
    Style::new()
}

const fn title() -> Style {
    Style::new().add_modifier(Modifier::BOLD)
}

const fn faint() -> Style {
    Style::new().add_modifier(Modifier::DIM)
}

/// A whole line in reverse.
fn bar(buffer: &mut Buffer, area: Rect, text: &str) {
    let style = Style::new().add_modifier(Modifier::REVERSED);
    put(buffer, area, (0, 0), &format!("{text:<0$}", usize::from(area.width)), style);
}

fn too_small(buffer: &mut Buffer, area: Rect) {
    let text = format!(
        "too small: {} x {}, and {} x {} are needed. Make the window larger, or q to leave.",
        area.width, area.height, LEAST.0, LEAST.1
    );
    let (mut x, mut y) = (0, 0);
    for word in text.split(' ') {
        let length = u16::try_from(word.len()).unwrap_or(u16::MAX);
        if x > 0 && x + length > area.width {
            (x, y) = (0, y + 1);
        }
        put(buffer, area, (x, y), word, plain());
        x += length + 1;
    }
}

/// A time in seconds with so many decimals.
fn seconds(us: u64, decimals: usize) -> String {
    format!("{:.decimals$}", us as f64 / 1e6)
}

fn head(buffer: &mut Buffer, area: Rect, model: &Model) {
    let pace = match (model.running(), model.ended()) {
        (true, _) if model.behind() => "RUNNING, as fast as it can",
        (true, _) => "RUNNING",
        (false, true) => "PAUSED at or behind the end",
        (false, false) => "PAUSED",
    };
    let left = format!(" {} s  x{}  {pace}", seconds(model.world().now(), 2), model.speed());
    let heard = model.heard_percent().map_or("-".to_owned(), |share| format!("{share} %"));
    let right = format!("heard in 5 s: {heard} ");
    bar(buffer, area, &left);
    let style = Style::new().add_modifier(Modifier::REVERSED);
    let room = usize::from(area.width).saturating_sub(left.chars().count() + right.len() + 4);
    // A few letters of it say nothing.
    let room = if room < 12 { 0 } else { room };
    let name: String = model.scenario().title.chars().take(room).collect();
    let end = area.width.saturating_sub(u16::try_from(right.len()).unwrap_or(u16::MAX));
    put(buffer, area, (end, 0), &right, style);
    let length = u16::try_from(name.chars().count()).unwrap_or(u16::MAX);
    put(buffer, area, (end.saturating_sub(length + 2), 0), &name, style);
}

/// The sign of a mark, and its colour.
const fn sign(mark: Mark) -> (&'static str, Style) {
    match mark {
        Mark::Empty => (" ", Style::new()),
        Mark::Interference => (":", faint()),
        Mark::Unheard => ("x", Style::new().fg(Color::Magenta)),
        Mark::Payload => ("p", Style::new().fg(Color::Blue)),
        Mark::Header => ("H", title().fg(Color::Cyan)),
    }
}

fn band(buffer: &mut Buffer, area: Rect, model: &Model) {
    let row = model.row_us();
    let head = format!("Band, {} s a row", seconds(row, 2));
    put(buffer, area, (0, 0), &head, title());
    let columns = usize::from(area.width.saturating_sub(TIMES));
    let rows = usize::from(area.height.saturating_sub(2)).saturating_sub(legend(area.width).len());
    let raster = model.scenario().plan.raster();
    let edge = |number: u16| {
        let channel = hopwright_core::units::Channel::new(number)?;
        raster.frequency(channel).map(|f| format!("{:.1}", f.hz() as f64 / 1e6))
    };
    let low = edge(0).unwrap_or_default();
    let high = edge(raster.count().saturating_sub(1)).unwrap_or_default() + " MHz";
    let gap = columns.saturating_sub(low.len());
    put(buffer, area, (TIMES, 1), &format!("{low}{high:>gap$}"), faint());
    put(buffer, area, (0, 1), "   time s", faint());
    for (place, (start, cells)) in model.band(rows, columns).into_iter().enumerate() {
        let y = u16::try_from(place + 2).unwrap_or(u16::MAX);
        put(buffer, area, (0, y), &format!("{:>9}", seconds(start, 2)), faint());
        for (column, mark) in cells.into_iter().enumerate() {
            let x = TIMES + u16::try_from(column).unwrap_or(u16::MAX - TIMES);
            let (text, style) = sign(mark);
            put(buffer, area, (x, y), text, style);
        }
    }
    for (place, line) in legend(area.width).iter().enumerate() {
        let up = legend(area.width).len() - place;
        let y = area.height.saturating_sub(u16::try_from(up).unwrap_or(u16::MAX));
        put(buffer, area, (0, y), line, faint());
    }
}

/// What the signs mean, in so many columns.
const fn legend(width: u16) -> &'static [&'static str] {
    if width < 34 {
        &["H header", "p payload", "x heard by nobody", ": interference"]
    } else {
        &["H header  p payload", "x heard by nobody  : interference"]
    }
}

/// The colour of a state; its word says the same.
fn state_style(state: &str) -> Style {
    match state {
        "speaking" | "calling" | "announcing" => title(),
        "called" => Style::new().fg(Color::Blue),
        "searching" | "verifying" | "held off" => Style::new().fg(Color::Magenta),
        "off" => faint(),
        _ => plain(),
    }
}

/// A number of microseconds in five columns.
fn width_of(us: u64) -> String {
    if us < 100_000 { us.to_string() } else { format!("{}k", us / 1000) }
}

/// How long ago, in a few columns.
fn ago(us: u64) -> String {
    let seconds = us / 1_000_000;
    match seconds {
        0..60 => format!("{:.1}s", us as f64 / 1e6),
        60..3600 => format!("{}min", seconds / 60),
        _ => format!("{}h{:02}", seconds / 3600, seconds / 60 % 60),
    }
}

fn stations(buffer: &mut Buffer, area: Rect, model: &Model) {
    let rows = usize::from(area.height.saturating_sub(1));
    let (count, chosen) = (model.stations(), model.chosen());
    // The chosen one is always among those shown.
    let first = chosen.saturating_sub(rows / 2).min(count.saturating_sub(rows));
    let shown = rows.min(count - first);
    // A narrow table has whole names instead of the last column.
    let narrow = area.width < NARROW;
    let name = usize::from(area.width).saturating_sub(if narrow { 24 } else { 31 });
    let mut range = "Stations".to_owned();
    if shown < count {
        range = format!("Stations {}-{} of {count}", first + 1, first + shown);
        if range.len() > name + 6 {
            range = format!("{}-{} of {count}", first + 1, first + shown);
        }
    }
    let last = if narrow { "" } else { "heard" };
    let head = format!("{range:<0$} {1:<10} {2:>6} {last:>6}", name + 6, "state", "+-us");
    put(buffer, area, (0, 0), &head, title());
    for place in 0..shown {
        let node = first + place;
        let row = model.station(node);
        let y = u16::try_from(place + 1).unwrap_or(u16::MAX);
        let mark = if node == chosen { ">" } else { " " };
        let label: String = row.name.chars().take(name).collect();
        let style = if node == chosen { title() } else { plain() };
        let text = format!("{mark} {label:<name$} {:>3}", row.address);
        put(buffer, area, (0, y), &text, style);
        let x = u16::try_from(name + 7).unwrap_or(u16::MAX);
        put(buffer, area, (x, y), row.state, state_style(row.state));
        let width = row.half_width_us.map_or("-".to_owned(), width_of);
        let heard = row.heard_ago_us.map_or("-".to_owned(), ago);
        let heard = if narrow { String::new() } else { heard };
        put(buffer, area, (x + 11, y), &format!("{width:>6} {heard:>6}"), plain());
    }
}

/// Whom a line is told of.
fn who(line: &Line, model: &Model) -> String {
    match line.nodes.as_slice() {
        [] => "timetable".to_owned(),
        [one] => model.name(*one).to_owned(),
        [one, other] => format!("{} and {}", model.name(*one), model.name(*other)),
        many => format!("{} stations", many.len()),
    }
}

fn list(buffer: &mut Buffer, area: Rect, model: &Model) {
    put(buffer, area, (0, 0), "Events", title());
    if let Some((name, on, channels)) = model.interferer() {
        let numbers: Vec<u16> = channels.iter().map(|channel| channel.number()).collect();
        let state = if on { "ON" } else { "OFF" };
        let range = match (numbers.first(), numbers.last()) {
            (Some(low), Some(high)) => format!("{} channels in {low}-{high}", numbers.len()),
            _ => "no channel".to_owned(),
        };
        let room = usize::from(area.width).saturating_sub(range.len() + 30);
        let name: String = name.chars().take(room).collect();
        let text = format!("interferer {state}: {name}, {range}");
        let length = u16::try_from(text.chars().count()).unwrap_or(u16::MAX);
        put(buffer, area, (area.width.saturating_sub(length), 0), &text, plain());
    }
    let rows = usize::from(area.height.saturating_sub(1));
    let lines = model.lines();
    for (place, line) in lines.iter().skip(lines.len().saturating_sub(rows)).enumerate() {
        let y = u16::try_from(place + 1).unwrap_or(u16::MAX);
        let text = format!("{:>10}  {}: {}", seconds(line.at_us, 3), who(line, model), line.text);
        put(buffer, area, (0, y), &text, plain());
    }
}

fn foot(buffer: &mut Buffer, area: Rect, model: &Model) {
    let keys =
        " space pause  . step  +/- speed  n next  t speak  i o < > interferer  ? help  q quit";
    let text = match model.notice() {
        "" => keys.to_owned(),
        notice => format!(" {notice}"),
    };
    bar(buffer, area, &text);
}

fn help(buffer: &mut Buffer, area: Rect) {
    let height = u16::try_from(HELP.len()).unwrap_or(0) + 4;
    let width = 54.min(area.width);
    let own = Rect {
        x: (area.width - width) / 2,
        y: area.height.saturating_sub(height) / 2,
        width,
        height: height.min(area.height),
    };
    // What shines through from below would lend its colours.
    for (x, y) in own.positions().map(|place| (place.x, place.y)) {
        if let Some(cell) = buffer.cell_mut((x, y)) {
            cell.reset();
        }
    }
    let rule = format!("+{}+", "-".repeat(usize::from(width).saturating_sub(2)));
    for y in 0..own.height {
        let edge = y == 0 || y + 1 == own.height;
        let inner = usize::from(width).saturating_sub(2);
        let text = if edge { rule.clone() } else { format!("|{:inner$}|", "") };
        put(buffer, own, (0, y), &text, plain());
    }
    put(buffer, own, (3, 1), "Keys", title());
    for (place, (key, what)) in HELP.into_iter().enumerate() {
        let y = u16::try_from(place + 3).unwrap_or(u16::MAX);
        if y + 1 < own.height {
            put(buffer, own, (3, y), &format!("{key:<12} {what}"), plain());
        }
    }
}
