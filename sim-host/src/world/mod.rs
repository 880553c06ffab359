//! The world: virtual stations of the core, the medium between them, and the order of events.
//!
//! The world holds no rule of the link. It knows what time it is, who is tuned where, and what
//! arrives; everything else it asks the stations.
//!
//! Two things keep it fast. A transmission touches only the radios that are tuned to its channel.
//! And a station that says (`poll_by`) that it need not be asked while nothing happens is not
//! asked: silence costs nothing. Before a silent station can hear again it is caught up on as
//! much of the silence as it can remember, which is [`MEMORY`] twice over.

mod digest;
mod interferer;
mod medium;
mod node;
mod oscillator;
pub mod physics;
mod trace;

pub use digest::{Digest, child_seed};
pub use interferer::{Interferer, Level};
pub use medium::{Medium, MediumPlan, WORD_ERRORS};
pub use node::{CAPACITY, Node};
pub use oscillator::Oscillator;
pub use trace::{Content, Detail, Happened, Over, Sent, Totals, Trace};

use hopwright_core::acquire::MEMORY;
use hopwright_core::address::Target;
use hopwright_core::record::Sink;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Action, Command, Event, Heard, Radio, Reception, Refused, Station};
use hopwright_core::timing::{Timing, WORD_BITS};
use hopwright_core::units::{Channel, Dbm, MAX_CHANNELS};
use node::{Tuned, listening};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// After this long without a transmission stations are left alone, in microseconds.
const QUIET_US: u64 = 1_000_000;

/// Something that the outside makes happen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// A station is switched on.
    SwitchOn(usize),
    /// A station is told to announce.
    Announce(usize),
    /// An operator presses to speak, and releases after having spoken for so long.
    Press {
        /// Whose operator.
        node: usize,
        /// Whom the call is for.
        target: Target,
        /// How long the operator speaks once told to go ahead, in microseconds.
        talk_us: u64,
    },
    /// An operator releases.
    Release(usize),
}

/// What goes wrong besides interference, each with its probability for one reception.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Faults {
    /// A word that was recognised is lost all the same.
    pub loss: f64,
    /// A reception is handed to the station twice.
    pub duplicates: f64,
}

/// What is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Due {
    Poll { node: usize, token: u32 },
    Start { transmission: usize },
    End { transmission: usize },
    Energy { node: usize, serial: u32 },
    Order { index: usize },
    Interference,
}

/// A transmission that is about to start or on the air.
#[derive(Debug, Clone)]
struct Transmission {
    number: u64,
    node: usize,
    channel: Channel,
    word: u32,
    content: Content,
    start: u64,
    end: u64,
    bits: Vec<u8>,
    /// The payload before it was sealed, by its number.
    payload: Option<u32>,
    /// Radios that wait for it.
    listeners: Vec<(usize, u32)>,
    /// Others that were on the channel at the same time.
    others: Vec<usize>,
}

/// A simulated net, or several that share a band.
#[derive(Debug)]
pub struct World {
    nodes: Vec<Node>,
    medium: Medium,
    timing: Timing,
    energy_threshold: Dbm,
    detail: Detail,
    now: u64,
    due: BinaryHeap<Reverse<(u64, u64, Due)>>,
    entries: u64,
    transmissions: Vec<Option<Transmission>>,
    vacant: Vec<usize>,
    on_air: Vec<usize>,
    /// Nodes listening on each channel.
    listeners: Vec<Vec<usize>>,
    serials: u32,
    quiet_after: u64,
    dormant: Vec<usize>,
    orders: Vec<Order>,
    talk: Vec<Option<Talk>>,
    /// True net time less true time, once a timeline has been started.
    truth_us: Option<i64>,
    last_start: Vec<u64>,
    /// The first transmissions after each press or announce, by node.
    first_sent: Vec<Vec<u64>>,
    expect_first: Vec<bool>,
    trace: Trace,
    always_awake: bool,
    faults: Faults,
}

/// An over in the making.
#[derive(Debug, Clone, Copy)]
struct Talk {
    over: usize,
    talk_us: u64,
}

impl World {
    /// A world at true time 0 with all stations switched off.
    #[must_use]
    pub fn new(
        nodes: Vec<Node>,
        medium: Medium,
        timing: Timing,
        energy_threshold: Dbm,
        detail: Detail,
    ) -> Self {
        let count = nodes.len();
        let mut world = Self {
            nodes,
            medium,
            timing,
            energy_threshold,
            detail,
            now: 0,
            due: BinaryHeap::new(),
            entries: 0,
            transmissions: Vec::new(),
            vacant: Vec::new(),
            on_air: Vec::new(),
            listeners: vec![Vec::new(); usize::from(MAX_CHANNELS)],
            serials: 0,
            quiet_after: 0,
            dormant: Vec::new(),
            orders: Vec::new(),
            talk: vec![None; count],
            truth_us: None,
            last_start: vec![u64::MAX; count],
            first_sent: vec![Vec::new(); count],
            expect_first: vec![false; count],
            trace: Trace::default(),
            always_awake: false,
            faults: Faults::default(),
        };
        let changes: Vec<u64> =
            world.medium.interferers().iter().flat_map(|i| [i.from_us, i.to_us]).collect();
        for at in changes {
            world.push(at, Due::Interference);
        }
        world
    }

    /// Asks every station at every deadline, even in silence. Slower; nothing else may differ.
    pub fn stay_awake(&mut self) {
        self.always_awake = true;
    }

    /// From now on these things go wrong.
    pub fn set_faults(&mut self, faults: Faults) {
        self.faults = faults;
    }

    /// A power cycle: the station is what has just been built, and knows nothing but that.
    pub fn restart(&mut self, node: usize, station: Station<CAPACITY>) {
        self.wake_all();
        self.untune(node);
        *self.nodes[node].station = station;
        self.nodes[node].talking = false;
        self.nodes[node].action = None;
        self.talk[node] = None;
        self.poll(node);
    }

    /// Gives a station a command now, and says what it answered.
    ///
    /// # Errors
    /// What the station refused it with.
    pub fn command(&mut self, node: usize, command: Command) -> Result<(), Refused> {
        self.wake_all();
        let local = self.nodes[node].local(self.now);
        let answer = self.nodes[node].command(local, command);
        self.drain(node);
        self.poll(node);
        answer
    }

    /// Makes something happen at true time `us`.
    pub fn order(&mut self, us: u64, order: Order) {
        let index = self.orders.len();
        self.orders.push(order);
        self.push(us.max(self.now), Due::Order { index });
    }

    /// Runs until true time `us`.
    pub fn run_until(&mut self, us: u64) {
        self.run_while(us, |_| true);
    }

    /// Runs until true time `us`, or until `go_on` says no.
    pub fn run_while(&mut self, us: u64, mut go_on: impl FnMut(&Self) -> bool) {
        while let Some(Reverse((at, _, _))) = self.due.peek()
            && *at <= us
            && go_on(self)
        {
            self.step();
        }
        if go_on(self) {
            self.now = us;
        }
    }

    /// True time in microseconds.
    #[must_use]
    pub const fn now(&self) -> u64 {
        self.now
    }

    /// The stations.
    #[must_use]
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// The medium.
    #[must_use]
    pub const fn medium(&self) -> &Medium {
        &self.medium
    }

    /// What has happened so far.
    #[must_use]
    pub const fn trace(&self) -> &Trace {
        &self.trace
    }

    /// When a station's first transmission at or after `us` started, if it is among the last.
    #[must_use]
    pub fn first_sent_after(&self, node: usize, us: u64) -> Option<u64> {
        self.first_sent[node].iter().copied().find(|at| *at >= us)
    }

    /// True net time now, once a timeline has been started.
    #[must_use]
    pub fn true_net_us(&self) -> Option<i64> {
        self.truth_us.map(|truth| self.now.cast_signed() + truth)
    }

    /// Whether a station is in step and its phase is within the guard of true net time plus what
    /// its bound allows: really in step, not only of the opinion that it is.
    #[must_use]
    pub fn in_step(&self, node: usize) -> bool {
        let Some(true_net) = self.true_net_us() else { return false };
        let node = &self.nodes[node];
        let local = node.local(self.now);
        match node.station.clock().filter(|_| node.station.in_step()) {
            Some(clock) => {
                let error = clock.net_us(local).abs_diff(true_net);
                error <= self.timing.guard().us() + clock.half_width(local).us()
            }
            None => false,
        }
    }

    /// The digest of everything that every station put out: the same for the same seed.
    #[must_use]
    pub fn digest(&self) -> String {
        let mut whole = Digest::default();
        let mut by_name: Vec<&Node> = self.nodes.iter().collect();
        by_name.sort_by(|a, b| a.name.cmp(&b.name));
        for node in by_name {
            whole.write(node.name.as_bytes());
            if let Some(digest) = node.digest() {
                whole.write(&digest.bytes());
            }
        }
        whole.hex()
    }

    fn push(&mut self, at: u64, due: Due) {
        self.entries += 1;
        self.due.push(Reverse((at, self.entries, due)));
    }

    fn step(&mut self) {
        let Some(Reverse((at, _, due))) = self.due.pop() else { return };
        self.now = at;
        self.trace.totals.steps += 1;
        match due {
            Due::Poll { node, token } => {
                if self.nodes[node].poll_token == token {
                    self.nodes[node].dormant_since = None;
                    self.poll(node);
                }
            }
            Due::Start { transmission } => self.start(transmission),
            Due::End { transmission } => self.end(transmission),
            Due::Energy { node, serial } => self.energy(node, serial),
            Due::Order { index } => self.carry_out(self.orders[index]),
            Due::Interference => {
                self.wake_all();
                for node in 0..self.nodes.len() {
                    self.watch_energy(node);
                }
            }
        }
    }

    fn carry_out(&mut self, order: Order) {
        self.wake_all();
        if let Order::Announce(node) | Order::Press { node, .. } = order {
            self.expect_first[node] = true;
        }
        let node = match order {
            Order::SwitchOn(node) => node,
            Order::Announce(node) => {
                let local = self.nodes[node].local(self.now);
                let had_time = self.nodes[node].station.in_step();
                if self.nodes[node].command(local, Command::Announce).is_ok() && !had_time {
                    self.note_truth(node);
                }
                node
            }
            Order::Press { node, target, talk_us } => {
                let local = self.nodes[node].local(self.now);
                if self.nodes[node].command(local, Command::Press(target)).is_ok() {
                    let over = self.trace.overs.len();
                    self.talk[node] = Some(Talk { over, talk_us });
                    self.trace.overs.push(Over {
                        node,
                        target,
                        pressed_us: self.now,
                        ahead_us: None,
                        released_us: None,
                        payload_slots: 0,
                        payloads_heard: vec![0; self.nodes.len()],
                        payloads_garbled: 0,
                        called: Vec::new(),
                        busy: Vec::new(),
                    });
                }
                node
            }
            Order::Release(node) => {
                let local = self.nodes[node].local(self.now);
                if self.nodes[node].command(local, Command::Release).is_ok()
                    && let Some(talk) = self.talk[node]
                {
                    self.trace.overs[talk.over].released_us = Some(self.now);
                }
                self.nodes[node].talking = false;
                node
            }
        };
        self.drain(node);
        self.poll(node);
    }

    /// A timekeeper has just started a timeline: from here on net time is known exactly.
    fn note_truth(&mut self, node: usize) {
        let node = &self.nodes[node];
        if let Some(clock) = node.station.clock() {
            let net = clock.net_us(node.local(self.now));
            self.truth_us = Some(net - self.now.cast_signed());
        }
    }

    fn poll(&mut self, node: usize) {
        let local = self.nodes[node].local(self.now);
        self.trace.totals.polls += 1;
        let action = self.nodes[node].poll(local);
        self.drain(node);
        self.act(node, action, self.now);
    }

    /// Lets a station's radio do what the station says; `since` is when it was tuned.
    fn act(&mut self, node: usize, action: Action, since: u64) {
        self.nodes[node].action = Some(action);
        let until = self.nodes[node].oscillator.true_us(action.until).max(self.now + 1);
        match listening(action.radio) {
            Some(tuning) => self.tune(node, tuning, since, until),
            None => self.untune(node),
        }
        if let Radio::Transmit { channel, word, at } = action.radio {
            self.announce_start(node, channel, word, at);
        }
        let may_rest = !self.always_awake
            && action.poll_by > action.until
            && self.now > self.quiet_after
            && self.on_air.is_empty();
        let next = if may_rest {
            if self.nodes[node].dormant_since.is_none() {
                self.dormant.push(node);
            }
            self.nodes[node].dormant_since = Some(self.now);
            self.nodes[node].oscillator.true_us(action.poll_by).max(self.now + 1)
        } else {
            until
        };
        let token = self.nodes[node].poll_token.wrapping_add(1);
        self.nodes[node].poll_token = token;
        self.push(next, Due::Poll { node, token });
    }

    /// Something is about to happen: every resting station must be where it would have been.
    fn wake_all(&mut self) {
        for node in std::mem::take(&mut self.dormant) {
            if let Some(since) = self.nodes[node].dormant_since.take() {
                self.catch_up(node, since);
            }
        }
    }

    /// Asks a rested station for as much of the silence as it can remember.
    fn catch_up(&mut self, node: usize, since: u64) {
        let slot = self.timing.slot().us();
        let horizon = 2 * MEMORY.us() + 128 * slot;
        let mut at = since.max(self.now.saturating_sub(horizon));
        if !self.medium.interferers().iter().any(|i| i.on_within(at, self.now)) {
            at = self.now;
        }
        loop {
            let local = self.nodes[node].local(at);
            self.trace.totals.polls += 1;
            let action = self.nodes[node].poll(local);
            self.drain(node);
            let from = self.nodes[node].oscillator.true_us(action.from);
            let until = self.nodes[node].oscillator.true_us(action.until);
            if let Some((channel, _, false)) = listening(action.radio) {
                let mut sensed = from.max(since) + slot;
                while sensed <= until.min(self.now) {
                    if sensed > at
                        && let Some(level) = self.sensed(node, channel, sensed)
                    {
                        let local = self.nodes[node].local(sensed);
                        self.nodes[node].energy(local, channel, level);
                        self.drain(node);
                    }
                    sensed += slot;
                }
            }
            if until > self.now {
                self.act(node, action, from.max(since));
                return;
            }
            at = until.max(at + 1);
        }
    }

    fn tune(
        &mut self,
        node: usize,
        (channel, word, complement): (Channel, u32, bool),
        since: u64,
        until: u64,
    ) {
        if let Some(tuned) = &mut self.nodes[node].tuned
            && tuned.channel == channel
            && tuned.word == word
            && tuned.complement == complement
        {
            // The radio stays where it is.
            tuned.until = until;
            return;
        }
        self.untune(node);
        self.serials = self.serials.wrapping_add(1);
        let list = &mut self.listeners[channel.index()];
        let place = list.len();
        list.push(node);
        let serial = self.serials;
        self.nodes[node].tuned =
            Some(Tuned { channel, word, complement, since, until, place, serial });
        self.watch_energy(node);
    }

    fn untune(&mut self, node: usize) {
        let Some(tuned) = self.nodes[node].tuned.take() else { return };
        let list = &mut self.listeners[tuned.channel.index()];
        list.swap_remove(tuned.place);
        if let Some(moved) = list.get(tuned.place).copied()
            && let Some(tuned_moved) = &mut self.nodes[moved].tuned
        {
            tuned_moved.place = tuned.place;
        }
    }

    /// Arranges for reports of energy where a station waits for the sync word.
    fn watch_energy(&mut self, node: usize) {
        let Some(tuned) = self.nodes[node].tuned else { return };
        if tuned.complement || self.nodes[node].dormant_since.is_some() {
            return;
        }
        let next = self.now.max(tuned.since) + self.timing.slot().us();
        if next <= tuned.until && self.sensed(node, tuned.channel, self.now).is_some() {
            self.push(next, Due::Energy { node, serial: tuned.serial });
        }
    }

    /// The power of interferers at a station, if it is worth a report.
    fn sensed(&self, node: usize, channel: Channel, us: u64) -> Option<Dbm> {
        let mw = self.medium.interference_mw(node, channel, us);
        if mw <= 0.0 {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, reason = "a few hundred decibels at most")]
        let level = Dbm::new(libm::floor(physics::decibels(mw)) as i16);
        (level >= self.energy_threshold).then_some(level)
    }

    fn energy(&mut self, node: usize, serial: u32) {
        let Some(tuned) = self.nodes[node].tuned.filter(|tuned| tuned.serial == serial) else {
            return;
        };
        if let Some(level) = self.sensed(node, tuned.channel, self.now) {
            let local = self.nodes[node].local(self.now);
            self.nodes[node].energy(local, tuned.channel, level);
            self.drain(node);
            self.poll(node);
            if self.nodes[node].tuned.is_some_and(|tuned| tuned.serial == serial) {
                self.watch_energy(node);
            }
        }
    }

    /// A station has said when its unique word starts.
    fn announce_start(
        &mut self,
        node: usize,
        channel: Channel,
        word: u32,
        at: hopwright_core::units::Tick,
    ) {
        let start = self.nodes[node].oscillator.true_us(at);
        // Asked again within the slot, the station says the same again.
        if self.last_start[node] == start || start < self.now {
            return;
        }
        self.last_start[node] = start;
        if std::mem::take(&mut self.expect_first[node]) {
            self.first_sent[node].push(start);
        }
        let station = &self.nodes[node].station;
        let totals = &mut self.trace.totals;
        totals.outside_hopset += u64::from(!station.sequence().hopset().contains(channel));
        // A cut-in is the one thing that a station without time may send.
        totals.out_of_step += u64::from(!station.in_step() && !station.cuts_in());
        let bits = station.burst().to_vec();
        let content = if word == station.sequence().sync_word() {
            Content::SyncHeader
        } else if bits.len() < self.timing.bytes() {
            Content::TrafficHeader
        } else {
            Content::Payload
        };
        let mut payload = None;
        if content == Content::Payload {
            if let Some(talk) = self.talk[node] {
                self.trace.overs[talk.over].payload_slots += 1;
            }
            if self.nodes[node].talking {
                payload = self.nodes[node].payloads.checked_sub(1);
                self.queue_payload(node);
            }
        }
        let on_air_bits = WORD_BITS + u32::try_from(bits.len()).unwrap_or(u32::MAX) * 8;
        self.trace.totals.sent += 1;
        let transmission = Transmission {
            number: self.trace.totals.sent,
            node,
            channel,
            word,
            content,
            start,
            end: start + self.timing.air_time(on_air_bits).us(),
            bits,
            payload,
            listeners: Vec::new(),
            others: Vec::new(),
        };
        let index = match self.vacant.pop() {
            Some(index) => {
                self.transmissions[index] = Some(transmission);
                index
            }
            None => {
                self.transmissions.push(Some(transmission));
                self.transmissions.len() - 1
            }
        };
        self.on_air.push(index);
        self.push(start, Due::Start { transmission: index });
    }

    fn start(&mut self, index: usize) {
        self.wake_all();
        let Some(mut transmission) = self.transmissions[index].take() else { return };
        let Transmission { number, channel, word, start, node: sender, .. } = transmission;
        let settle = self.timing.settle().us();
        for node in &self.listeners[channel.index()] {
            let Some(tuned) = self.nodes[*node].tuned else { continue };
            let arrival = start + self.medium.delay_us(sender, *node);
            if tuned.waits_for(word) && tuned.since + settle <= arrival {
                transmission.listeners.push((*node, tuned.serial));
            }
        }
        // Radios come and go; whom the trace names first must not depend on it.
        transmission.listeners.sort_unstable();
        for other in &self.on_air {
            let Some(other) = &mut self.transmissions[*other] else { continue };
            // Those that start later, or at the same time with a later number, look back at this
            // one: each pair is counted once.
            if (other.start, other.number) > (start, number) || start > other.end {
                continue;
            }
            self.trace.totals.overlapping += 1;
            if other.channel == channel {
                other.others.push(sender);
                transmission.others.push(other.node);
            }
        }
        self.push(transmission.end, Due::End { transmission: index });
        self.transmissions[index] = Some(transmission);
    }

    fn end(&mut self, index: usize) {
        let Some(transmission) = self.transmissions[index].take() else { return };
        self.vacant.push(index);
        self.on_air.retain(|other| *other != index);
        self.quiet_after = self.now + QUIET_US;
        let mut heard = 0;
        for (node, serial) in &transmission.listeners {
            heard += u32::from(self.deliver(&transmission, *node, *serial));
        }
        let listeners = u32::try_from(transmission.listeners.len()).unwrap_or(u32::MAX);
        self.trace.totals.listened += u64::from(listeners);
        self.trace.totals.heard += u64::from(heard);
        if self.detail >= Detail::Transmissions {
            self.trace.sent.push(Sent {
                at_us: transmission.start,
                node: transmission.node,
                channel: transmission.channel,
                content: transmission.content,
                listeners,
                heard,
                interfered: self.medium.interfered(transmission.channel, transmission.start),
            });
        }
    }

    /// Gives a transmission to one listener; whether its radio recognised the word.
    fn deliver(&mut self, transmission: &Transmission, node: usize, serial: u32) -> bool {
        let Transmission { channel, word, start, end, .. } = *transmission;
        let arrival =
            self.medium.arrival(transmission.node, node, channel, start, &transmission.others);
        let complete = end + arrival.delay_us;
        let stays = |tuned: &Tuned| tuned.serial == serial && tuned.until >= complete;
        if !self.nodes[node].tuned.as_ref().is_some_and(stays) {
            return false;
        }
        // A radio that has recognised a word follows that transmission, and no other meanwhile.
        let begins = start + arrival.delay_us;
        let (since, until) = self.nodes[node].followed;
        if since < complete && begins < until {
            return false;
        }
        let key = u64::from(self.nodes[node].station.address().number());
        let received = self.medium.receive(arrival, transmission.number, key, &transmission.bits);
        let Some(received) = received else { return false };
        let chance = |what: &str| {
            let draw = child_seed(transmission.number ^ (key << 48), what) >> 11;
            draw as f64 / (1_u64 << 53) as f64
        };
        if self.faults.loss > 0.0 && chance("loss") < self.faults.loss {
            return false;
        }
        self.nodes[node].followed = (begins, complete);
        let stamp = self.nodes[node].local(begins);
        let at =
            hopwright_core::units::Tick::new(stamp.us().saturating_add_signed(received.jitter_us));
        let bits = received.bits.as_deref().unwrap_or(&transmission.bits);
        let local = self.nodes[node].local(complete);
        let outcome = self.nodes[node].heard(local, Reception { channel, word, at, bits });
        self.drain(node);
        match outcome {
            Heard::Header { timeline: Timeline::Home, .. } => self.check_bound(node, complete),
            Heard::Payload { timeline, slot, source } => {
                let mut text = [0; 512];
                let length = {
                    let station = &self.nodes[node].station;
                    station.open_payload(timeline, slot, source, bits, &mut text)
                };
                let read = length.and_then(|length| text.get(..length));
                self.note_payload(transmission, node, read);
            }
            _ => {}
        }
        if self.faults.duplicates > 0.0 && chance("duplicate") < self.faults.duplicates {
            let again = self.nodes[node].heard(local, Reception { channel, word, at, bits });
            self.trace.totals.duplicates_taken += u64::from(matches!(again, Heard::Header { .. }));
            self.drain(node);
        }
        // The station may have changed its mind about what to do; ask it, as a driver would.
        let action = self.nodes[node].poll(local);
        self.drain(node);
        if self.nodes[node].action != Some(action) {
            self.act(node, action, self.now);
        }
        true
    }

    /// Invariant 4: true net time lies in the bound of every station that has just heard a header.
    fn check_bound(&mut self, node: usize, at: u64) {
        let Some(truth) = self.truth_us else { return };
        let node = &self.nodes[node];
        let Some(clock) = node.station.clock() else { return };
        let local = node.local(at);
        let true_net = at.cast_signed() + truth;
        let (lo, hi) = clock.bound(local);
        let totals = &mut self.trace.totals;
        totals.bound_checks += 1;
        // Both clocks are floored to whole microseconds.
        totals.bound_misses += u64::from(true_net < lo - 1 || hi + 1 < true_net);
        totals.worst_phase_us = totals.worst_phase_us.max(clock.net_us(local).abs_diff(true_net));
    }

    fn note_payload(&mut self, transmission: &Transmission, node: usize, read: Option<&[u8]>) {
        let Some(talk) = self.talk[transmission.node] else { return };
        let over = &mut self.trace.overs[talk.over];
        if let Some(heard) = over.payloads_heard.get_mut(node) {
            *heard += 1;
        }
        let sent = transmission.payload.map(payload_text);
        let same = match (&sent, read) {
            (Some(sent), Some(read)) => sent == read,
            (None, Some(read)) => read.is_empty(),
            (_, None) => false,
        };
        over.payloads_garbled += u32::from(!same);
    }

    fn queue_payload(&mut self, node: usize) {
        let text = payload_text(self.nodes[node].payloads);
        if self.nodes[node].queue_payload(&text).is_ok() {
            self.nodes[node].payloads += 1;
        }
    }

    /// Takes note of a station's events, and does what an operator does on hearing them.
    fn drain(&mut self, node: usize) {
        while let Some(event) = self.nodes[node].next_event() {
            self.trace.events.push(Happened { at_us: self.now, node, event });
            match event {
                Event::GoAhead { .. } => {
                    if let Some(talk) = self.talk[node] {
                        self.trace.overs[talk.over].ahead_us = Some(self.now);
                        self.nodes[node].talking = true;
                        self.nodes[node].payloads = 0;
                        self.queue_payload(node);
                        self.order(self.now + talk.talk_us, Order::Release(node));
                    }
                }
                Event::Call { source, .. } => self.note_call(node, source, true),
                Event::Busy { .. } => {
                    let speaker = (0..self.nodes.len())
                        .find(|n| self.nodes[*n].station.holds_floor() && self.talk[*n].is_some());
                    if let Some(speaker) = speaker {
                        let source = self.nodes[speaker].station.address();
                        self.note_call(node, source, false);
                    }
                }
                _ => {}
            }
        }
    }

    fn note_call(&mut self, node: usize, source: hopwright_core::address::Address, called: bool) {
        let speaker = self.nodes.iter().position(|n| n.station.address() == source);
        let Some(talk) = speaker.and_then(|speaker| self.talk[speaker]) else { return };
        let over = &mut self.trace.overs[talk.over];
        let list = if called { &mut over.called } else { &mut over.busy };
        if !list.contains(&node) {
            list.push(node);
        }
    }
}

/// The text of the payload with a given number: enough to tell it from any other.
fn payload_text(number: u32) -> [u8; 16] {
    let mut text = *b"slot text 0000..";
    text[10..14].copy_from_slice(&number.to_be_bytes());
    text
}
