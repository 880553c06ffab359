//! What there is to see: a world that goes on piece by piece, and what is remembered of it. No
//! terminal, and no clock but the world's.

use super::keys::Action;
use super::tell;
use crate::diagnostic::Diagnostic;
use crate::scenario::{Progress, Scenario, Timetable};
use crate::world::{Content, Detail, Happened, Order, Over, Says, Sent, World};
use hopwright_core::address::Target;
use hopwright_core::band::ChannelSet;
use hopwright_core::clock::Grip;
use hopwright_core::station::{Event, Mode};
use hopwright_core::units::Channel;
use std::collections::VecDeque;

/// The speeds that `+` and `-` go through: seconds of the world in one second.
pub const SPEEDS: [f64; 12] =
    [0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0];
/// A row of the band is about this long on the wall, in microseconds.
const ROW_WALL_US: f64 = 200_000.0;
/// A notice is shown for so long of the wall's time, in microseconds.
const NOTICE_US: u64 = 5_000_000;
/// The share heard is taken over so long, in microseconds.
const SHARE_US: u64 = 5_000_000;
/// Events of the same kind within so long are told in one line, in microseconds.
const TOGETHER_US: u64 = 2_000_000;
/// So many lines of events are kept.
const LINES: usize = 500;
/// An operator who presses by hand speaks until he releases, or for a year.
const BY_HAND_US: u64 = 365 * 86_400 * 1_000_000;
/// A header without time counts as being looked into for so long, in microseconds.
const VERIFYING_US: u64 = 1_000_000;
/// Behind the end of the timetable `n` looks ahead so far, in microseconds.
const AHEAD_US: u64 = 3_600_000_000;

/// What the net is doing, as far as a station has been told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Told {
    #[default]
    Nothing,
    Called,
    Busy,
}

/// What is remembered of a station.
#[derive(Debug, Clone, Copy, Default)]
struct Seen {
    told: Told,
    /// Its operator has pressed and waits.
    waits: bool,
    /// Its operator speaks.
    ahead: bool,
    /// An over of its operator is open: its place in the trace.
    over: Option<usize>,
    off: bool,
    headers: u32,
    payloads: u64,
    heard_us: Option<u64>,
}

/// A line of the event list: the same thing told of one or several stations.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// True time of the first, in microseconds.
    pub at_us: u64,
    /// Whom it is told of.
    pub nodes: Vec<usize>,
    /// What.
    pub text: String,
}

/// A row of the station table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StationRow {
    /// Its name.
    pub name: String,
    /// Its address.
    pub address: String,
    /// What it is doing, in a word or two.
    pub state: &'static str,
    /// Half the width of what its clock allows, in microseconds.
    pub half_width_us: Option<u64>,
    /// How long ago it last took a header or a payload, in microseconds.
    pub heard_ago_us: Option<u64>,
}

/// A cell of the band: what happened in some channels during a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Mark {
    /// Nothing.
    #[default]
    Empty,
    /// An interferer covers at least one of the channels, and nothing was sent there.
    Interference,
    /// Something was sent, and no radio recognised it.
    Unheard,
    /// Payload that somebody heard.
    Payload,
    /// A header that somebody heard.
    Header,
}

/// A scenario under way, and who watches it.
#[derive(Debug)]
pub struct Model {
    scenario: Scenario,
    world: World,
    progress: Progress,
    running: bool,
    speed: f64,
    /// Rows of one slot: somebody goes on slot by slot.
    fine: bool,
    behind: bool,
    ended: bool,
    help: bool,
    chosen: usize,
    interferer: usize,
    notice: String,
    /// For how long of the wall's time it has been shown.
    notice_us: u64,
    seen: Vec<Seen>,
    lines: VecDeque<Line>,
    events: usize,
    overs: usize,
    refused: (usize, usize),
    /// From when on interferers covered which channels.
    covered: Vec<(u64, ChannelSet)>,
}

impl Model {
    /// A scenario at its beginning, running at `speed`.
    ///
    /// # Errors
    /// [`Diagnostic`] if there is no such speed, or the scenario's parts do not fit.
    pub fn new(mut scenario: Scenario, seed: Option<u64>, speed: f64) -> Result<Self, Diagnostic> {
        if !(SPEEDS[0]..=SPEEDS[SPEEDS.len() - 1]).contains(&speed) {
            let what = format!("the speed must be 0.25 to 1000, not {speed}");
            return Err(Diagnostic::new(what, "use 1 for the pace of a clock"));
        }
        if let Some(seed) = seed {
            scenario.reseed(seed);
        }
        let mut world = scenario.builder()?.world(Timetable {
            announces: &scenario.announces,
            overs: &scenario.overs,
            messages: &scenario.messages,
            modes: &scenario.modes,
            detail: Detail::Transmissions,
            digests: true,
            recorded: None,
        })?;
        scenario.connect(&mut world)?;
        scenario.cut_texts(&mut world)?;
        let off = Seen { off: true, ..Seen::default() };
        let mut model = Self {
            seen: vec![off; scenario.radio.stations.len()],
            scenario,
            world,
            progress: Progress::default(),
            running: true,
            speed,
            fine: false,
            behind: false,
            ended: false,
            help: false,
            chosen: 0,
            interferer: 0,
            notice: String::new(),
            notice_us: 0,
            lines: VecDeque::new(),
            events: 0,
            overs: 0,
            refused: (0, 0),
            covered: Vec::new(),
        };
        model.go_to(0, |_| true);
        Ok(model)
    }

    /// The scenario.
    #[must_use]
    pub const fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// The world.
    #[must_use]
    pub const fn world(&self) -> &World {
        &self.world
    }

    /// Whether the time goes on.
    #[must_use]
    pub const fn running(&self) -> bool {
        self.running
    }

    /// Seconds of the world in one second.
    #[must_use]
    pub const fn speed(&self) -> f64 {
        self.speed
    }

    /// Whether the last piece of time was more than there was patience for.
    #[must_use]
    pub const fn behind(&self) -> bool {
        self.behind
    }

    /// Whether the timetable is over.
    #[must_use]
    pub const fn ended(&self) -> bool {
        self.ended
    }

    /// Whether the keys are to be shown.
    #[must_use]
    pub const fn help(&self) -> bool {
        self.help
    }

    /// The chosen station.
    #[must_use]
    pub const fn chosen(&self) -> usize {
        self.chosen
    }

    /// What the last key led to, if that is worth a word.
    #[must_use]
    pub fn notice(&self) -> &str {
        &self.notice
    }

    /// The event list, oldest first.
    #[must_use]
    pub const fn lines(&self) -> &VecDeque<Line> {
        &self.lines
    }

    /// The name of a station.
    #[must_use]
    pub fn name(&self, node: usize) -> &str {
        self.scenario.radio.stations.get(node).map_or("", |station| &station.name)
    }

    /// Lets so much time of the wall go by, in microseconds. Between two slots `patient` is asked
    /// whether there is time for more; what is missed then is not made up for.
    pub fn pass(&mut self, wall_us: u64, patient: impl FnMut(&World) -> bool) {
        self.notice_us = self.notice_us.saturating_add(wall_us);
        if self.notice_us > NOTICE_US {
            self.notice.clear();
        }
        if !self.running {
            return;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a product of numbers that are not negative; a float fits or is cut off"
        )]
        let span = (wall_us as f64 * self.speed) as u64;
        let wanted = self.world.now().saturating_add(span);
        self.go_to(self.limited(wanted), patient);
        self.behind = self.running && self.world.now() < self.limited(wanted);
    }

    /// Until the end of the timetable nobody goes beyond it in one go.
    fn limited(&self, us: u64) -> u64 {
        if self.ended { us } else { us.min(self.scenario.duration_us) }
    }

    /// Lets time go by until `us`, slot by slot.
    fn go_to(&mut self, us: u64, mut go_on: impl FnMut(&World) -> bool) {
        let slot = self.world.timing().slot().us();
        loop {
            let next = us.min(self.world.now().saturating_add(slot)).max(self.world.now());
            self.carry_on(next, |_| true);
            self.look();
            if self.world.now() >= us || !go_on(&self.world) {
                return;
            }
        }
    }

    fn carry_on(&mut self, us: u64, go_on: impl FnMut(&World) -> bool) {
        let Self { scenario, world, progress, lines, .. } = self;
        let told = world.trace().changes_refused.len();
        let failed = scenario.carry_on(world, progress, us, go_on).err();
        let refused = world.trace().changes_refused.iter().skip(told);
        let refused = refused.map(|(at_us, number)| (*at_us, scenario.withdrawal_refused(*number)));
        let failed = failed.map(|error| (world.now(), error.what().to_owned()));
        for (at_us, text) in refused.chain(failed) {
            lines.push_back(Line { at_us, nodes: Vec::new(), text });
        }
    }

    /// Does what a key means; `false` if that is to leave.
    pub fn act(&mut self, action: Action) -> bool {
        self.notice.clear();
        self.notice_us = 0;
        match action {
            Action::Pause => {
                self.running = !self.running;
                self.fine = false;
            }
            Action::Step if self.running => "pause first: space".clone_into(&mut self.notice),
            Action::Step => {
                self.fine = true;
                let next = self.world.now() + self.world.timing().slot().us();
                self.go_to(self.limited(next), |_| true);
            }
            Action::Faster => {
                let next = SPEEDS.into_iter().find(|speed| *speed > self.speed);
                self.speed = next.unwrap_or(self.speed);
            }
            Action::Slower => {
                let next = SPEEDS.into_iter().rev().find(|speed| *speed < self.speed);
                self.speed = next.unwrap_or(self.speed);
            }
            Action::Up => self.chosen = self.chosen.saturating_sub(1),
            Action::Down => {
                self.chosen = (self.chosen + 1).min(self.seen.len().saturating_sub(1));
            }
            Action::Press => self.press(),
            Action::Interferer => self.choose_interferer(),
            Action::Switch => self.interfere(true, 0),
            Action::Lower => self.interfere(false, -1),
            Action::Higher => self.interfere(false, 1),
            Action::Skip => self.skip(),
            Action::Help => self.help = !self.help,
            Action::Quit => return false,
        }
        true
    }

    /// The operator of the chosen station presses, or releases if an over of his is open.
    fn press(&mut self) {
        let node = self.chosen;
        let Some(seen) = self.seen.get(node).copied() else { return };
        if seen.off {
            self.notice = format!("{} is off", self.name(node));
            return;
        }
        let order = match seen.over {
            Some(_) => Order::Release(node),
            None => Order::Press { node, target: Target::ALL, talk_us: BY_HAND_US },
        };
        let now = self.world.now();
        self.world.order(now, order);
        self.carry_on(now, |_| true);
        self.look();
    }

    fn choose_interferer(&mut self) {
        let count = self.world.medium().interferers().len();
        if count == 0 {
            "this scenario has no interferer".clone_into(&mut self.notice);
            return;
        }
        self.interferer = (self.interferer + 1) % count;
    }

    /// The chosen interferer is switched over, or moved by a sixteenth of the band as far as there
    /// is room.
    fn interfere(&mut self, switch: bool, way: i32) {
        let Some(interferer) = self.world.medium().interferers().get(self.interferer) else {
            "this scenario has no interferer".clone_into(&mut self.notice);
            return;
        };
        let on = interferer.on_at(self.world.now()) != switch;
        let count = i32::from(self.scenario.plan.raster().count());
        let numbers = || interferer.channels.iter().map(|c| i32::from(c.number()));
        let step = (count / 16).max(1);
        let shift = match (way, numbers().min(), numbers().max()) {
            (-1, Some(lowest), _) => -step.min(lowest),
            (1, _, Some(highest)) => step.min(count - 1 - highest),
            _ => 0,
        };
        if way != 0 && shift == 0 {
            "it is at the end of the band".clone_into(&mut self.notice);
            return;
        }
        let moved = numbers().filter_map(|n| Channel::new(u16::try_from(n + shift).ok()?));
        let channels = (shift != 0).then(|| moved.collect());
        self.world.set_interferer(self.interferer, on, channels);
        self.look();
    }

    /// On until something has been sent.
    fn skip(&mut self) {
        let sent = self.world.trace().sent.len();
        let now = self.world.now();
        let until = if self.ended { now + AHEAD_US } else { self.scenario.duration_us };
        self.carry_on(until, |world| world.trace().sent.len() == sent);
        self.look();
        if self.world.trace().sent.len() == sent {
            "nothing more is sent until now".clone_into(&mut self.notice);
        } else {
            let gone = self.world.now() - now;
            self.notice = format!("{:.1} s skipped", gone as f64 / 1e6);
        }
    }

    /// Takes note of what has happened since the last look.
    fn look(&mut self) {
        let now = self.world.now();
        if now >= self.scenario.duration_us && !self.ended {
            self.ended = true;
            self.running = false;
            self.notice_us = 0;
            "the timetable is over; space goes on without one".clone_into(&mut self.notice);
        }
        self.look_at_cover(now);
        for node in 0..self.seen.len() {
            let on_us = self.scenario.radio.stations[node].on_us;
            // At the very time the switch may not have been reached yet.
            let off = now < on_us || (now > on_us && self.world.is_off(node));
            if off != self.seen[node].off {
                let at = if off { now } else { on_us };
                self.seen[node] = Seen { off, ..Seen::default() };
                self.tell(at, node, if off { "without power" } else { "switched on" });
            }
        }
        while let Some(over) = self.world.trace().overs.get(self.overs) {
            let Over { node, pressed_us, target, says, .. } = *over;
            self.seen[node].over = Some(self.overs);
            self.seen[node].ahead = false;
            let whom = self.target_named(node, target);
            let does = match says {
                Says::Talk => "presses to speak",
                Says::Text(_) => "has a text to send",
                Says::Order(_) => "has a change of keys to send",
            };
            self.tell(pressed_us, node, &format!("{does} to {whom}"));
            self.overs += 1;
        }
        while let Some(happened) = self.world.trace().events.get(self.events).copied() {
            self.events += 1;
            self.happened(happened);
        }
        self.look_at_refusals();
        for node in 0..self.seen.len() {
            // Power that went and came between two looks was never seen to be off, and ends an over all the same.
            let ended = |over: usize| {
                let over = self.world.trace().overs.get(over)?;
                let cut = over.cut_us.map(|at| (at, "cut off: it has lost its power"));
                cut.or(over.released_us.map(|at| (at, "releases")))
            };
            if let Some((at, text)) = self.seen[node].over.and_then(ended) {
                self.seen[node].over = None;
                self.seen[node].waits = false;
                self.seen[node].ahead = false;
                self.tell(at, node, text);
            }
            let headers = self.world.nodes()[node].station.counters().headers;
            let payloads = self.payloads(node);
            let seen = &mut self.seen[node];
            if (seen.headers, seen.payloads) != (headers, payloads) {
                // Counters begin anew when the power comes back.
                if headers > seen.headers || payloads > seen.payloads {
                    seen.heard_us = Some(now);
                }
                (seen.headers, seen.payloads) = (headers, payloads);
            }
        }
    }

    /// Payloads that a station has been given to read, in the last overs.
    fn payloads(&self, node: usize) -> u64 {
        let overs = &self.world.trace().overs;
        let last = overs.iter().enumerate().rev().take(3);
        // The place of the over counts too, so that another set of overs is another number.
        last.map(|(place, over)| {
            let heard = over.payloads_heard.get(node).copied().unwrap_or(0);
            if heard == 0 { 0 } else { ((place as u64) << 24) + u64::from(heard) }
        })
        .max()
        .unwrap_or(0)
    }

    fn look_at_cover(&mut self, now: u64) {
        let mut all = self.world.opposed_channels();
        for interferer in self.world.medium().interferers() {
            if interferer.on_at(now) {
                all.extend_with(&interferer.channels);
            }
        }
        if self.covered.last().is_none_or(|(_, before)| *before != all) {
            self.covered.push((now, all));
        }
    }

    fn look_at_refusals(&mut self) {
        let trace = self.world.trace();
        let announces = trace.refused.iter().skip(self.refused.0);
        let presses = trace.presses_refused.iter().skip(self.refused.1);
        let of = |what: &str, (at, node, why): &(u64, usize, _)| {
            let why: &hopwright_core::station::Refused = why;
            (*at, *node, format!("{what}: {why}"))
        };
        let told: Vec<_> = announces
            .map(|refused| of("may not announce", refused))
            .chain(presses.map(|refused| of("is refused", refused)))
            .collect();
        self.refused = (trace.refused.len(), trace.presses_refused.len());
        for (at, node, text) in told {
            self.tell(at, node, &text);
        }
    }

    fn happened(&mut self, Happened { at_us, node, event }: Happened) {
        let seen = &mut self.seen[node];
        match event {
            Event::Call { .. } => seen.told = Told::Called,
            Event::Busy { .. } => seen.told = Told::Busy,
            Event::Clear { .. } | Event::OutOfStep => seen.told = Told::Nothing,
            Event::HoldOff => seen.waits = true,
            Event::GoAhead { .. } => {
                (seen.waits, seen.ahead, seen.told) = (false, true, Told::Nothing);
            }
            Event::Cut { .. } => (seen.waits, seen.ahead, seen.over) = (false, false, None),
            _ => {}
        }
        let whom = |source| {
            let lane = self.world.nodes()[node].lane();
            let mut stations = self.scenario.radio.stations.iter();
            let found = stations.find(|s| s.address == source && s.lane == lane);
            found.map_or_else(|| source.to_string(), |station| station.name.clone())
        };
        if let Some(text) = tell::event(&event, whom) {
            self.tell(at_us, node, &text);
        }
    }

    /// A target as a person says it.
    fn target_named(&self, node: usize, target: Target) -> String {
        let lane = self.world.nodes()[node].lane();
        let text = target.to_string();
        let mut stations = self.scenario.radio.stations.iter();
        let one = stations.find(|s| s.lane == lane && s.address.to_string() == text);
        one.map_or(text, |station| station.name.clone())
    }

    /// A line of events, or one more station in a line that says the same.
    fn tell(&mut self, at_us: u64, node: usize, text: &str) {
        let same = self.lines.iter_mut().rev().take(8).find(|line| {
            line.text == text
                && at_us.abs_diff(line.at_us) <= TOGETHER_US
                && !line.nodes.contains(&node)
        });
        if let Some(line) = same {
            line.nodes.push(node);
            return;
        }
        // What is looked at in another order than it happened in is told in that of time.
        let later = self.lines.iter().rev().take_while(|line| line.at_us > at_us).count();
        let place = self.lines.len() - later;
        self.lines.insert(place, Line { at_us, nodes: vec![node], text: text.to_owned() });
        if self.lines.len() > LINES {
            self.lines.pop_front();
        }
    }

    /// The station table.
    #[must_use]
    pub fn station(&self, node: usize) -> StationRow {
        let now = self.world.now();
        let own = &self.world.nodes()[node];
        let seen = &self.seen[node];
        let clock = own.station.clock().filter(|_| !seen.off);
        StationRow {
            name: own.name.clone(),
            address: own.station.address().to_string(),
            state: self.state(node),
            half_width_us: clock.map(|clock| clock.half_width(own.local(now)).us()),
            heard_ago_us: seen.heard_us.map(|at| now.saturating_sub(at)),
        }
    }

    /// How many stations there are.
    #[must_use]
    pub fn stations(&self) -> usize {
        self.seen.len()
    }

    fn state(&self, node: usize) -> &'static str {
        let now = self.world.now();
        let own = &self.world.nodes()[node];
        let (seen, station) = (&self.seen[node], &own.station);
        let single = station.mode() != Mode::Hopping;
        if seen.off {
            "off"
        } else if station.holds_floor() || (single && seen.ahead) {
            match (seen.over, seen.ahead) {
                (None, _) => "announcing",
                (Some(_), false) => "calling",
                (Some(_), true) => "speaking",
            }
        } else if seen.waits {
            "held off"
        } else if seen.told == Told::Called {
            "called"
        } else if seen.told == Told::Busy {
            "busy"
        } else if single {
            "single"
        } else if station.in_step() {
            let local = own.local(now);
            match station.clock().map(|clock| clock.grip(self.world.timing(), local)) {
                Some(Grip::Locked) => "in step",
                Some(Grip::Coasting(_)) => "coasting",
                _ => "adrift",
            }
        } else if seen.heard_us.is_some_and(|at| now.saturating_sub(at) <= VERIFYING_US) {
            "verifying"
        } else {
            "searching"
        }
    }

    /// The chosen interferer: its name, whether it is on, and its channels.
    #[must_use]
    pub fn interferer(&self) -> Option<(&str, bool, &ChannelSet)> {
        let interferer = self.world.medium().interferers().get(self.interferer)?;
        Some((&interferer.name, interferer.on_at(self.world.now()), &interferer.channels))
    }

    /// Of all radios that waited for what was sent in the last five seconds, how many heard it:
    /// their share in percent; nothing if nobody waited.
    #[must_use]
    pub fn heard_percent(&self) -> Option<u64> {
        let now = self.world.now();
        let recent = self.sent_since(now.saturating_sub(SHARE_US));
        let sum = |of: fn(&Sent) -> u32| recent.iter().map(|sent| u64::from(of(sent))).sum::<u64>();
        let (heard, listened) = (sum(|sent| sent.heard), sum(|sent| sent.listeners));
        (100 * heard + listened / 2).checked_div(listened)
    }

    /// What was sent at or after `us`.
    fn sent_since(&self, us: u64) -> &[Sent] {
        let sent = &self.world.trace().sent;
        sent.get(sent.partition_point(|sent| sent.at_us < us)..).unwrap_or_default()
    }

    /// How long a row of the band is, in microseconds: whole slots, the more the faster.
    #[must_use]
    pub fn row_us(&self) -> u64 {
        let slot = self.world.timing().slot().us();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "at most some minutes"
        )]
        let slots = libm::round(ROW_WALL_US * self.speed / slot as f64) as u64;
        if self.fine { slot } else { slot * slots.max(1) }
    }

    /// The last `rows` rows of the band, oldest first, the channels in `columns` cells: when each
    /// row begins, and its cells.
    #[must_use]
    pub fn band(&self, rows: usize, columns: usize) -> Vec<(u64, Vec<Mark>)> {
        let (row, now) = (self.row_us(), self.world.now());
        let last = now / row;
        let first = last.saturating_sub(rows.saturating_sub(1) as u64);
        let count = usize::from(self.scenario.plan.raster().count()).max(1);
        let column = |channel: Channel| channel.index().min(count - 1) * columns / count;
        let mut band: Vec<(u64, Vec<Mark>)> = (first..=last)
            .map(|number| (number * row, vec![Mark::Empty; columns]))
            .take(rows)
            .collect();
        for (index, (from, set)) in self.covered.iter().enumerate() {
            let to = self.covered.get(index + 1).map_or(now, |(next, _)| next.saturating_sub(1));
            if to < first * row {
                continue;
            }
            let columns: Vec<usize> = set.iter().map(column).collect();
            for (start, cells) in &mut band {
                if *from < *start + row && *start <= to {
                    for column in &columns {
                        if let Some(cell) = cells.get_mut(*column) {
                            *cell = Mark::Interference;
                        }
                    }
                }
            }
        }
        for sent in self.sent_since(first * row) {
            let mark = match (sent.heard, sent.content) {
                (0, _) => Mark::Unheard,
                (_, Content::Payload) => Mark::Payload,
                (_, Content::SyncHeader | Content::TrafficHeader) => Mark::Header,
            };
            let place = usize::try_from(sent.at_us / row - first).unwrap_or(usize::MAX);
            let cells = band.get_mut(place).map(|(_, cells)| cells);
            if let Some(cell) = cells.and_then(|cells| cells.get_mut(column(sent.channel))) {
                *cell = (*cell).max(mark);
            }
        }
        band
    }
}
