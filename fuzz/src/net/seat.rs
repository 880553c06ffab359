//! One station of the net, what its driver keeps for it, and what is known of it without asking it.

use super::{CHANNELS, Keyed, SLOT_US, World, written};
use crate::naive;
use hopwright_core::address::{Address, Target};
use hopwright_core::clock::{ClockPlan, Grip, NetClock};
use hopwright_core::header::{Header, HeaderKeys, Kind};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{
    Action, Command, Config, Event, FixedChannels, Role, Station, Watermark,
};
use hopwright_core::timing::Timing;
use hopwright_core::tree::Share;
use hopwright_core::units::{Channel, Dbm, Lane, Micros, Ppb, Tick};
use std::collections::{BTreeMap, BTreeSet};

/// The core under test.
pub(super) type Core = Station<{ CHANNELS as usize }>;

/// Timekeeper, deputy, two members.
pub(super) const ADDRESSES: [Address; 4] =
    [Address::new(0x10), Address::new(0x20), Address::new(0x41), Address::new(0x46)];
/// How far each clock is from its nominal frequency, in parts in 10^9; and the tolerance.
const RATES: [i64; 4] = [9_000, -10_000, 4_000, 10_000];
const TOLERANCE: u32 = 10_000;
/// Time stamps, and the longest way.
pub(super) const JITTER_US: u64 = 20;
pub(super) const DELAY_US: u64 = 100;

pub(super) fn timing() -> Timing {
    Timing::new(20_000, 1_000, 500, 50_000).expect("a slot")
}

/// One station.
pub(super) struct Seat {
    pub(super) number: usize,
    pub(super) station: Core,
    pub(super) action: Option<Action>,
    /// What its storage would say, and what it said when it was switched on.
    storage: Watermark,
    stored: Watermark,
    sessions: u8,
    /// The key in use by its number, the one before, and the order that was taken.
    pub(super) key: usize,
    pub(super) former: Option<usize>,
    ordered: Option<usize>,
    /// Its share as it is in its storage.
    share: Vec<u8>,
    /// The operator has been told to go ahead.
    pub(super) may_talk: bool,
    /// Whom he has called.
    pub(super) called: Option<Target>,
    /// What the driver has handed over and the station has not sent.
    pub(super) handed: Vec<u8>,
    said: u8,
    /// The last slot that was sent on each timeline in this session, and when.
    last: BTreeMap<u32, (u32, u64)>,
    last_timeline: u32,
    /// All slots that were ever sent: key, timeline, slot.
    sent: BTreeSet<(usize, u32, u32)>,
}

/// What a station is about to send.
pub(super) struct Sending {
    pub(super) header: Option<(Timeline, Header)>,
    pub(super) key: usize,
    pub(super) slot: u32,
    pub(super) timeline: Timeline,
    pub(super) target: Target,
    pub(super) text: Option<Vec<u8>>,
}

impl Seat {
    pub(super) fn new(number: usize, station: Core) -> Self {
        Self {
            number,
            station,
            action: None,
            storage: Watermark::Fresh,
            stored: Watermark::Fresh,
            sessions: 0,
            key: 0,
            former: None,
            ordered: None,
            share: super::SHARES[number].clone(),
            may_talk: false,
            called: None,
            handed: Vec::new(),
            said: 0,
            last: BTreeMap::new(),
            last_timeline: 0,
            sent: BTreeSet::new(),
        }
    }

    /// What the station's clock shows.
    pub(super) fn local(&self, now: u64) -> Tick {
        let gained = i128::from(now) * i128::from(RATES[self.number]) / 1_000_000_000;
        let shown = i128::from(now) + gained + 3_456_789 * (1 + self.number as i128);
        Tick::new(u64::try_from(shown).expect("positive"))
    }

    /// When its clock first shows that, or more.
    pub(super) fn world(&self, at: Tick) -> u64 {
        let offset = 3_456_789 * (1 + self.number as i128);
        let span = i128::from(at.us()) - offset;
        let rate = 1_000_000_000 + i128::from(RATES[self.number]);
        let guess = span * 1_000_000_000 / rate;
        let mut now = u64::try_from(guess - 2).unwrap_or(0);
        while self.local(now) < at {
            now += 1;
        }
        now
    }

    pub(super) fn address(&self) -> Address {
        ADDRESSES[self.number]
    }

    /// Invariant 2, and what the driver was told.
    pub(super) fn drain(&mut self, keys: &[Keyed], met: &mut super::Met) {
        while let Some(event) = self.station.next_event() {
            match event {
                Event::HoldOff | Event::Cut { .. } => self.may_talk = false,
                Event::GoAhead { .. } => self.may_talk = true,
                Event::SaveWatermark { slot } => self.storage = Watermark::Stored(slot),
                Event::InStep { .. } => met.in_step += 1,
                Event::KeysChanged { .. } => {
                    let to = self.ordered.take().expect("a change that was ordered");
                    self.former = Some(std::mem::replace(&mut self.key, to));
                    self.share = self.station.keys().1.map(written).expect("a share");
                    met.changes += 1;
                }
                _ => {}
            }
        }
        assert_eq!(self.station.counters().events_lost, 0, "events were taken at once");
        let key = NetKey::new(keys[self.key].bytes);
        assert!(self.station.keys().0.same(&key), "station {} has another key", self.number);
    }

    /// What is sent, read with the keys that the station has, and judged by what is known.
    pub(super) fn sending(
        &mut self,
        keys: &[Keyed],
        (now, starts): (u64, u64),
        (channel, word): (Channel, u32),
        tainted: bool,
    ) -> Sending {
        let number = self.number;
        assert!(channel.number() < CHANNELS, "station {number} sends on {channel}");
        let bits = self.station.burst();
        let opened = self.known_keys().find_map(|key| {
            let header_keys = HeaderKeys::new(&NetKey::new(keys[key].bytes));
            let read = |timeline: Timeline| {
                let header = header_keys.from_bits(bits.first_chunk()?, timeline.bit())?;
                Some((key, timeline, header))
            };
            read(Timeline::Home).or_else(|| read(Timeline::CutIn))
        });
        let fits = |slot: naive::Slot, complement: bool| {
            let expected = if complement && !slot.sync { !slot.word } else { slot.word };
            (slot.channel, expected) == (channel.number(), word)
        };
        let sending = match opened {
            Some((key, timeline, header)) => {
                assert_eq!(bits.len(), 33);
                let slot = header.slot.number();
                let net = &keys[key].net;
                let own = net.slots(timeline.bit(), slot, 1)[0];
                let run = net.run(timeline.bit(), slot, 1)[0];
                assert!(fits(own, true) || fits(run, true), "{header:?} is sent elsewhere");
                assert_eq!(header.source, self.address());
                let target = match header.kind {
                    Kind::Announce | Kind::Rekey => Target::ALL,
                    _ => header.target,
                };
                Sending {
                    header: Some((timeline, header)),
                    key,
                    slot,
                    timeline,
                    target,
                    text: None,
                }
            }
            None => {
                let bit = self.last_timeline;
                let (last, since) = *self.last.get(&bit).expect("headers come first");
                let slots = (starts - since + SLOT_US / 2) / SLOT_US;
                let slot = last + u32::try_from(slots).expect("near");
                let hop = |key: &usize| keys[*key].net.slots(bit, slot, 1)[0];
                let key = self.known_keys().find(|key| fits(hop(key), false) && !hop(key).sync);
                let key = key.unwrap_or_else(|| panic!("payload where slot {slot} is not"));
                assert!(self.may_talk, "station {number} talks before it may");
                let timeline = if bit == 0 { Timeline::Home } else { Timeline::CutIn };
                // An order's over is nobody's call.
                let target = self.called.unwrap_or(Target::ALL);
                let text = Some(std::mem::take(&mut self.handed));
                Sending { header: None, key, slot, timeline, target, text }
            }
        };
        let bit = sending.timeline.bit();
        let last = self.last.insert(bit, (sending.slot, starts));
        self.last_timeline = bit;
        assert!(last.is_none_or(|(last, _)| last < sending.slot), "slot {} again", sending.slot);
        let fresh = self.sent.insert((sending.key, bit, sending.slot));
        assert!(fresh || tainted, "slot {} of an earlier session again", sending.slot);
        self.floor(now, &sending);
        sending
    }

    /// Invariant 2: a home over with a grip on time alone.
    fn floor(&self, now: u64, sending: &Sending) {
        if sending.timeline == Timeline::CutIn {
            let kind = sending.header.map(|(_, header)| header.kind);
            assert!(matches!(kind, None | Some(Kind::CutIn | Kind::Closing)), "{kind:?}");
            return;
        }
        let local = self.local(now);
        let grip = self.station.clock().map(|clock| clock.grip(&timing(), local));
        assert!(grip.is_some_and(|grip| grip != Grip::Lost), "a home over without time");
        assert!(self.station.in_step(), "a home over out of step");
        if let Watermark::Stored(mark) = self.stored {
            assert!(sending.slot > mark.number(), "slot {} after {mark:?}", sending.slot);
        }
    }

    fn known_keys(&self) -> impl Iterator<Item = usize> + use<> {
        [Some(self.key), self.former].into_iter().flatten()
    }

    pub(super) fn knows(&self, key: usize) -> bool {
        self.known_keys().any(|known| known == key)
    }

    /// Hands over something to be said, whenever there is room for it.
    pub(super) fn talk(&mut self) {
        if !self.station.holds_floor() {
            // What was handed over and not said is gone with its over.
            self.handed.clear();
            return;
        }
        let text = vec![ADDRESSES[self.number].number(), self.said, self.sessions, 0x5E];
        if self.station.queue_payload(&text).is_ok() {
            self.said = self.said.wrapping_add(1);
            self.handed = text;
        }
    }

    /// Time and floor.
    pub(super) fn held(&self) -> (Option<NetClock>, bool, bool, bool) {
        let station = &self.station;
        (station.clock().copied(), station.in_step(), station.holds_floor(), station.cuts_in())
    }

    /// Everything that the station goes by, as text: all but the plan's sequence and what is drawn from the net
    /// key, which come first, and the counters.
    pub(super) fn state(&self) -> String {
        let text = format!("{:?}", self.station);
        let from = text.find("change:").expect("a station's fields");
        let to = text.rfind("counters:").expect("a station's fields");
        text[from..to].to_owned()
    }

    pub(super) fn grip(&self, now: u64) -> Option<Grip> {
        let clock = self.station.clock().filter(|_| self.station.in_step())?;
        Some(clock.grip(&timing(), self.local(now)))
    }

    pub(super) const fn stored(&self) -> Watermark {
        self.stored
    }
}

impl World<'_> {
    /// A station as its driver makes it at a start.
    pub(super) fn station(
        &self,
        number: usize,
        key: usize,
        share: &[u8],
        watermark: Watermark,
        session: u8,
    ) -> Core {
        let tolerance = Ppb::new(TOLERANCE).expect("10 ppm");
        Station::new(Config {
            key: &self.net_key(key),
            hopset: super::hopset(),
            structure: super::structure(self.draw),
            lane: Lane::ZERO,
            draw_lane: Lane::ZERO,
            timing: timing(),
            clock: ClockPlan::new(tolerance, Micros::new(JITTER_US), Micros::new(DELAY_US)),
            announce_slots: 16,
            energy_threshold: Dbm::new(-95),
            fixed: FixedChannels { calling: Channel::new(CHANNELS), ..FixedChannels::NONE },
            address: ADDRESSES[number],
            role: match number {
                0 => Role::Timekeeper,
                1 => Role::Deputy { after: Micros::from_millis(8_000) },
                _ => Role::Member,
            },
            share: Some(Share::read(share).expect("what a share was written as")),
            watermark,
            seed: u64::try_from(number).expect("small") + 16 * u64::from(session),
        })
        .expect("a station")
    }

    /// An operator asks for something.
    pub(super) fn command(&mut self, who: usize, command: Command) {
        let now = self.now;
        let seat = &mut self.seats[who];
        let local = seat.local(now);
        let (in_step, held, mode) = (seat.station.in_step(), seat.held(), seat.station.mode());
        let answer = seat.station.command(local, command);
        match (answer, command) {
            (Ok(()), Command::Announce) if !in_step => {
                let lost = seat.stored == Watermark::Lost;
                assert!(!lost, "a timeline is started without a watermark");
                let net = seat.station.clock().expect("time").net_us(local);
                self.started.push(net - i64::try_from(now).expect("small"));
            }
            (Ok(()), Command::Press(target)) => seat.called = Some(target),
            (Ok(()), Command::Order) => seat.called = None,
            (Ok(()), Command::Release) => {
                seat.may_talk = false;
                seat.handed.clear();
            }
            (Ok(()), _) => {}
            (Err(_), _) => {
                assert_eq!((held, mode), (seat.held(), seat.station.mode()), "{answer:?}");
            }
        }
        self.poll(who);
    }

    /// Power fails for an instant.
    pub(super) fn power_cycle(&mut self, who: usize, choice: u8) {
        let seat = &self.seats[who];
        let (key, session) = (seat.key, seat.sessions.wrapping_add(1));
        let watermark = if choice & 3 == 3 { Watermark::Lost } else { seat.storage };
        let station = self.station(who, key, &seat.share, watermark, session);
        let ordered = seat.ordered;
        let before = std::mem::replace(&mut self.seats[who], Seat::new(who, station));
        let seat = &mut self.seats[who];
        (seat.storage, seat.stored, seat.sessions) = (watermark, watermark, session);
        (seat.key, seat.share, seat.sent) = (key, before.share, before.sent);
        self.air.cut_off(who, self.now);
        self.met.power += 1;
        // Drivers hand orders over again.
        if let Some(number) = ordered {
            self.hand(who, number_of(&self.orders, number));
        }
        self.poll(who);
    }

    /// A driver hands an order to its station.
    pub(super) fn hand(&mut self, who: usize, number: usize) {
        let order = &self.orders[number];
        let local = self.seats[who].local(self.now);
        let seat = &mut self.seats[who];
        let before = seat.held();
        let taken_before = seat.ordered.map(|to| &self.orders[number_of(&self.orders, to)]);
        let waits = taken_before.map_or(0, |order| order.generation);
        let generation = seat.station.keys().1.map_or(0, Share::generation).max(waits);
        let taken = seat.station.take_order(local, &order.bytes).is_ok();
        let may = !order.withdrawn.contains(&who)
            && order.from == seat.key
            && order.generation > generation;
        assert_eq!(taken, may, "station {who}, generation {generation}, {}", order.generation);
        if taken {
            seat.ordered = Some(order.to);
        }
        assert_eq!(before, seat.held(), "an order moved time or floor");
        self.poll(who);
    }
}

/// The order that leads to a key.
fn number_of(orders: &[super::Withdrawal], key: usize) -> usize {
    orders.iter().position(|order| order.to == key).expect("an order that was taken")
}
