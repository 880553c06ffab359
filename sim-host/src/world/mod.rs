//! The world: virtual stations of the core, the medium between them, and the order of events.
//!
//! The world holds no rule of the link. It knows what time it is, who is tuned where, and what
//! arrives; everything else it asks the stations.
//!
//! Two things keep it fast. A transmission touches only the radios that are tuned to its channel.
//! And a station that says (`poll_by`) that it need not be asked while nothing happens is not
//! asked: silence costs nothing. Before a silent station can hear again it is caught up on as
//! much of the silence as it can remember, which is
//! [`MEMORY`](hopwright_core::acquire::MEMORY) twice over.

pub mod adversary;
mod air;
mod chance;
mod digest;
mod interferer;
mod keys;
mod letters;
mod medium;
mod node;
pub mod noise;
mod operators;
mod oscillator;
pub mod physics;
mod places;
pub mod propagation;
mod radio;
mod reception;
mod relay;
mod speech;
mod trace;
mod trouble;
mod truth;
mod watch;

pub(crate) use chance::unit;
pub use digest::{Digest, child_bytes, child_seed};
pub use interferer::{Interferer, Level};
pub use keys::{Changed, Tried, chance_of_meeting};
pub use letters::{Delivered, longest_text};
pub use medium::{Medium, MediumPlan};
pub use node::{CAPACITY, Node};
pub use oscillator::{Behaviour, Course, Oscillator, Reach, SEGMENT_US};
pub use places::{Journey, Place};
pub use reception::WORD_ERRORS;
pub use speech::{Said, Voice};
pub use trace::{
    Content, Detail, Ear, Frame, Happened, Noise, Over, Piece, Relayed, Sent, Spoken, Totals,
    Trace, Tuning,
};
pub use trouble::Faults;
pub use truth::Started;
pub use watch::{Broken, Record, Rule};

use hopwright_core::address::{Address, Target};
use hopwright_core::band::ChannelSet;
use hopwright_core::keys::NetKey;
use hopwright_core::record::Sink;
use hopwright_core::station::{Action, Command, Mode, Radio, Refused, Watermark};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Dbm, Lane, MAX_CHANNELS, Slot};
use node::listening;
use places::Underway;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};
use trouble::Trouble;
use watch::Watch;
use zeroize::Zeroizing;

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
    /// An operator has said everything in an over and releases, unless that over is no more.
    EndOver {
        /// Whose operator.
        node: usize,
        /// The over, by its place in the trace.
        over: usize,
    },
    /// An operator presses to send a text whole, and releases when it is sent.
    Send {
        /// Whose operator.
        node: usize,
        /// Whom for.
        target: Target,
        /// Its number, of [`World::add_text`].
        text: usize,
    },
    /// A station is handed the order of a change of keys.
    TakeOrder {
        /// Which station.
        node: usize,
        /// Its number, of [`World::add_order`].
        order: usize,
    },
    /// A station is told to send it.
    SendOrder {
        /// Which station.
        node: usize,
        /// Its number.
        order: usize,
    },
    /// A station goes over to another mode.
    Mode {
        /// Which station.
        node: usize,
        /// To which.
        mode: Mode,
    },
}

/// What is said in an over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Says {
    /// Slot by slot: numbered texts, a voice, or what a relay has read.
    Talk,
    /// A text, whole.
    Text(usize),
    /// The order of a change of keys.
    Order(usize),
}

impl Order {
    /// Whom it is for.
    const fn node(self) -> usize {
        match self {
            Self::SwitchOn(node)
            | Self::Announce(node)
            | Self::Press { node, .. }
            | Self::Release(node)
            | Self::EndOver { node, .. }
            | Self::Send { node, .. }
            | Self::TakeOrder { node, .. }
            | Self::SendOrder { node, .. }
            | Self::Mode { node, .. } => node,
        }
    }
}

/// What is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Due {
    Poll {
        node: usize,
        token: u32,
    },
    Start {
        transmission: usize,
    },
    End {
        transmission: usize,
    },
    Energy {
        node: usize,
        serial: u32,
    },
    /// A slot's time of listening ends in which somebody's transmission was measured.
    Power {
        node: usize,
        serial: u32,
        level: Dbm,
    },
    Order {
        index: usize,
    },
    Travel {
        index: usize,
    },
    Replay {
        index: usize,
    },
    Interference,
    Adversary {
        adversary: usize,
        token: u32,
    },
}

/// A transmission that is about to start or on the air.
#[derive(Debug, Clone)]
struct Transmission {
    number: u64,
    node: usize,
    channel: Channel,
    word: u32,
    /// Whether it is on a single channel, apart from the net.
    single: bool,
    /// Slot of home time, as the sender counts.
    slot: Option<Slot>,
    /// Over that it belongs to.
    over: Option<usize>,
    content: Content,
    start: u64,
    end: u64,
    bits: Vec<u8>,
    /// The payload before it was sealed.
    payload: Option<Vec<u8>>,
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
    journeys: Vec<Underway>,
    timelines: Vec<Started>,
    watches: Vec<Watch>,
    trouble: Trouble,
    /// Transmissions of each net.
    sent_by: BTreeMap<Lane, u64>,
    /// The hopset of each lane, as the plan has it: what its stations are judged by.
    hopsets: BTreeMap<Lane, ChannelSet>,
    /// Whose an address on a net is.
    addresses: BTreeMap<(Lane, Address), usize>,
    speech: speech::Speech,
    letters: letters::Letters,
    stored: Vec<keys::Stored>,
    /// The key of each net.
    net_keys: BTreeMap<Lane, NetKey>,
    withdrawn: Vec<keys::Withdrawn>,
    posts: Vec<relay::Post>,
    /// Stations that speak on a single channel: where, and until when that counts as one.
    singles: BTreeMap<usize, (Channel, u64)>,
    last_start: Vec<u64>,
    /// The first transmissions after each press or announce, by node.
    first_sent: Vec<Vec<u64>>,
    expect_first: Vec<bool>,
    trace: Trace,
    always_awake: bool,
    /// Whether stations are judged after every call.
    judging: bool,
    opposition: adversary::Opposition,
}

/// How long an operator speaks who sends something whole: until it is sent.
const UNTIL_SENT: u64 = u64::MAX - 1;

/// An over in the making.
#[derive(Debug, Clone, Copy)]
struct Talk {
    over: usize,
    says: Says,
    talk_us: u64,
}

impl World {
    /// A world at true time 0 with all stations switched off. `hopsets` are the plan's, of every lane that
    /// has a station.
    #[must_use]
    pub fn new(
        nodes: Vec<Node>,
        hopsets: BTreeMap<Lane, ChannelSet>,
        medium: Medium,
        timing: Timing,
        energy_threshold: Dbm,
        detail: Detail,
    ) -> Self {
        let count = nodes.len();
        let own = |node: &Node| (node.lane(), node.station.address());
        let addresses = nodes.iter().map(own).zip(0..).collect();
        let mut net_keys = BTreeMap::new();
        for node in &nodes {
            // That of the first station.
            net_keys.entry(node.lane()).or_insert_with(|| {
                let mut bytes = Zeroizing::new([0; 32]);
                node.station.keys().0.expose(|key| *bytes = *key);
                NetKey::new(*bytes)
            });
        }
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
            journeys: Vec::new(),
            timelines: Vec::new(),
            watches: Vec::new(),
            trouble: Trouble::new(count),
            sent_by: BTreeMap::new(),
            hopsets,
            addresses,
            speech: speech::Speech::new(count),
            letters: letters::Letters::default(),
            stored: (0..count).map(|_| keys::Stored::default()).collect(),
            net_keys,
            withdrawn: Vec::new(),
            posts: Vec::new(),
            singles: BTreeMap::new(),
            last_start: vec![u64::MAX; count],
            first_sent: vec![Vec::new(); count],
            expect_first: vec![false; count],
            trace: Trace::default(),
            always_awake: false,
            judging: true,
            opposition: adversary::Opposition::default(),
        };
        world.watches.extend(world.nodes.iter().map(|node| Watch::new(node.storage)));
        let changes: Vec<u64> =
            world.medium.interferers().iter().flat_map(|i| [i.from_us, i.to_us]).collect();
        for at in changes {
            world.push(at, Due::Interference);
        }
        world
    }

    /// Stops judging stations by what must never happen, for campaigns that ask something else and
    /// in a hurry. Nothing that a station does depends on it.
    pub fn look_away(&mut self) {
        self.judging = false;
    }

    /// Asks every station at every deadline, even in silence. Slower; nothing else may differ.
    pub fn stay_awake(&mut self) {
        self.always_awake = true;
    }

    /// Gives a station a command now, and says what it answered.
    ///
    /// # Errors
    /// What the station refused it with.
    pub fn command(&mut self, node: usize, command: Command) -> Result<(), Refused> {
        self.wake_all();
        let answer = self.give(node, command);
        self.drain(node);
        self.poll(node);
        answer
    }

    /// Gives a station a command and takes note of what that starts or ends.
    fn give(&mut self, node: usize, command: Command) -> Result<(), Refused> {
        let local = self.nodes[node].local(self.now);
        let had_time = self.nodes[node].station.in_step();
        self.nodes[node].command(local, command)?;
        match command {
            Command::Announce => {
                self.trace.announces.push((self.now, node));
                if !had_time {
                    if self.storage(node) == Watermark::Lost {
                        self.broke(node, Rule::LostStorageStarted);
                    }
                    self.note_truth(node);
                }
            }
            Command::Mode(mode) => self.trace.modes.push((self.now, node, mode)),
            Command::Release => self.watch_release(node),
            _ => {}
        }
        Ok(())
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

    /// How much is kept.
    #[must_use]
    pub const fn detail(&self) -> Detail {
        self.detail
    }

    /// The anatomy of a slot.
    #[must_use]
    pub const fn timing(&self) -> &Timing {
        &self.timing
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
                    match self.nodes[node].dormant_since.take() {
                        // What it does next may depend on what it has met while it rested.
                        Some(since) => self.catch_up(node, since),
                        None => self.poll(node),
                    }
                }
            }
            Due::Start { transmission } => self.start(transmission),
            Due::End { transmission } => self.end(transmission),
            Due::Energy { node, serial } => self.energy(node, serial),
            Due::Power { node, serial, level } => self.power(node, serial, level),
            Due::Order { index } => self.carry_out(self.orders[index]),
            Due::Travel { index } => self.go_on(index),
            Due::Replay { index } => self.play(index),
            Due::Adversary { adversary, token } => self.adversary_due(adversary, token),
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
        let node = order.node();
        if let Order::SwitchOn(_) = order {
            self.power_on(node);
        }
        if self.is_off(node) {
            // Nobody lets go of a set on purpose that has died on him.
            if !matches!(order, Order::Release(_) | Order::EndOver { .. }) {
                self.trace.powerless.push((self.now, node));
            }
            return;
        }
        if let Order::EndOver { over, .. } = order
            && self.talk[node].is_none_or(|talk| talk.over != over)
        {
            // It ended some other way, and what is said now is another's to end.
            return;
        }
        if let Order::Announce(node)
        | Order::Press { node, .. }
        | Order::Send { node, .. }
        | Order::SendOrder { node, .. } = order
        {
            self.expect_first[node] = true;
        }
        let node = match order {
            Order::SwitchOn(node) => node,
            Order::Announce(node) => {
                if let Err(refused) = self.give(node, Command::Announce) {
                    self.trace.refused.push((self.now, node, refused));
                }
                node
            }
            Order::Press { node, target, talk_us } => {
                let pressed = self.press(node, Command::Press(target), (Says::Talk, talk_us));
                if !pressed && talk_us == relay::UNTIL_SAID {
                    self.relay_lost_floor(node);
                }
                node
            }
            Order::Send { node, target, text } => {
                self.press(node, Command::Press(target), (Says::Text(text), UNTIL_SENT));
                node
            }
            Order::SendOrder { node, order } => {
                self.press(node, Command::Order, (Says::Order(order), UNTIL_SENT));
                node
            }
            Order::TakeOrder { node, order } => {
                let bytes = self.order_bytes(order);
                self.order_arrived(node, &bytes);
                node
            }
            Order::Mode { node, mode } => {
                if let Err(refused) = self.give(node, Command::Mode(mode)) {
                    self.trace.presses_refused.push((self.now, node, refused));
                }
                node
            }
            Order::Release(node) | Order::EndOver { node, .. } => {
                if self.give(node, Command::Release).is_ok()
                    && let Some(talk) = self.talk[node]
                {
                    self.trace.overs[talk.over].released_us = Some(self.now);
                }
                self.nodes[node].talking = false;
                let _ = self.speech.take(node);
                node
            }
        };
        self.drain(node);
        self.poll(node);
    }

    /// An operator presses; whether the station has taken it.
    fn press(&mut self, node: usize, command: Command, (says, talk_us): (Says, u64)) -> bool {
        let target = match command {
            Command::Press(target) => target,
            _ => Target::ALL,
        };
        if let Err(refused) = self.give(node, command) {
            self.trace.presses_refused.push((self.now, node, refused));
            return false;
        }
        let over = self.trace.overs.len();
        self.talk[node] = Some(Talk { over, says, talk_us });
        self.trace.overs.push(Over {
            node,
            target,
            says,
            relayed: talk_us == relay::UNTIL_SAID,
            pressed_us: self.now,
            ahead_us: None,
            cut_in: false,
            single: self.nodes[node].station.mode() != Mode::Hopping,
            released_us: None,
            cut_us: None,
            payload_slots: 0,
            payloads_heard: vec![0; self.nodes.len()],
            payloads_garbled: 0,
            called: Vec::new(),
            busy: Vec::new(),
        });
        true
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
            && self.on_air.is_empty()
            && !self.called_from_outside(node);
        if self.detail >= Detail::Frames {
            let heard_at = listening(action.radio).map(|(channel, ..)| channel);
            let ear = if may_rest { Ear::Unwatched } else { heard_at.map_or(Ear::Closed, Ear::On) };
            self.trace.note_ear(self.now, node, ear);
        }
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
}
