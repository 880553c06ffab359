//! Random plans, and random but well-informed treatment of a station: much of what happens to it
//! is what it waits for, because noise alone never gets past the first filter.

use crate::plans::{clock_plan, timing};
use hopwright_core::address::{Address, Target};
use hopwright_core::band::{ChannelSet, Exclusion, Hopset, LaneKind, Lanes, Pick, Raster};
use hopwright_core::clock::{ClockPlan, Grip};
use hopwright_core::coding::interleave;
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::NetKey;
use hopwright_core::record::Input;
use hopwright_core::sequence::{Draw, Structure, Timeline};
use hopwright_core::station::{
    Action, Command, Config, Dropped, FixedChannels, Radio, Reception, Role, Station, Watermark,
};
use hopwright_core::units::{Channel, Dbm, Hertz, Lane, Micros, Ppb, Slot, Tick};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// The largest hopset of a bench plan.
pub const ROOM: usize = 96;

/// A number from 0 to `n - 1`.
pub fn below(rng: &mut ChaCha8Rng, n: u64) -> u64 {
    ((u128::from(rng.next_u64()) * u128::from(n)) >> 64) as u64
}

/// A number of any size up to 2^`bits`, small ones as often as large ones.
fn any_size(rng: &mut ChaCha8Rng, bits: u8) -> u64 {
    let size = 1 << small(rng, 0, bits);
    below(rng, size)
}

fn small(rng: &mut ChaCha8Rng, from: u8, to: u8) -> u8 {
    let span = u64::from(to - from) + 1;
    from + u8::try_from(below(rng, span)).unwrap_or_default()
}

fn one_in(rng: &mut ChaCha8Rng, n: u64) -> bool {
    below(rng, n) == 0
}

/// A raster with exclusions, and a way to share it.
#[derive(Debug)]
pub struct Band {
    /// The raster.
    pub raster: Raster,
    /// What may never be used.
    pub excluded: ChannelSet,
    /// The rest.
    pub allowed: ChannelSet,
    /// Lanes, if any.
    pub lanes: Option<Lanes>,
}

impl Band {
    /// A raster of 4 to `most` channels, a few exclusions by channel and by frequency, and
    /// disjoint lanes, spaced lanes or none.
    ///
    /// # Panics
    /// If `most` is below 4.
    #[must_use]
    pub fn random(rng: &mut ChaCha8Rng, most: u16) -> Self {
        let count = 4 + u16::try_from(below(rng, u64::from(most) - 3)).unwrap_or_default();
        let (base, spacing) = (1_000_000 + below(rng, 900_000_000), 1 + below(rng, 200_000));
        // Up to half as wide again as the spacing.
        let occupied = 1 + below(rng, spacing + spacing / 2);
        let (base, occupied) = (Hertz::new(base), Hertz::new(occupied));
        let raster = Raster::new(base, Hertz::new(spacing), occupied, count).expect("in range");
        let mut excluded = ChannelSet::new();
        for _ in 0..below(rng, 5) {
            let from = below(rng, u64::from(count));
            let exclusion = if one_in(rng, 2) {
                let to = from + below(rng, u64::from(count) / 8 + 1);
                let channel = |c| Channel::new(u16::try_from(c).unwrap_or_default().min(4095));
                let ends = (channel(from), channel(to));
                let (Some(from), Some(to)) = ends else { continue };
                Exclusion::Channels { from, to }
            } else {
                let from = base.hz() + from * spacing + below(rng, spacing);
                let to = from + below(rng, spacing * (u64::from(count) / 8 + 1));
                Exclusion::Band { from: Hertz::new(from), to: Hertz::new(to) }
            };
            excluded.extend_with(&raster.excluded_by(exclusion));
        }
        let mut allowed = raster.all();
        allowed.remove_all(&excluded);
        let lanes = match below(rng, 3) {
            0 => None,
            1 => Some((LaneKind::Spaced, small(rng, 1, 32))),
            _ => Some((LaneKind::Disjoint { width: small(rng, 1, 64) }, small(rng, 1, 32))),
        };
        let lanes = lanes.map(|(kind, count)| Lanes::new(kind, count).expect("in range"));
        Self { raster, excluded, allowed, lanes }
    }

    /// A way to pick a hopset of at most `most` channels. Not every one will find enough.
    #[must_use]
    pub fn pick(rng: &mut ChaCha8Rng, most: u16) -> Pick<'static> {
        let n = 4 + u16::try_from(below(rng, u64::from(most) - 3)).unwrap_or_default();
        match below(rng, 3) {
            0 => Pick::All,
            1 => Pick::Keyed(n),
            _ => Pick::Even(n),
        }
    }
}

/// Everything that a station is made of.
#[derive(Debug)]
pub struct Plan {
    /// The net key's bytes.
    pub key: [u8; 32],
    /// The band.
    pub band: Band,
    /// The hopset.
    pub hopset: Hopset<ROOM>,
    structure: Structure,
    /// The lane.
    pub lane: Lane,
    draw_lane: Lane,
    clock: ClockPlan,
    /// Channels outside the hopset.
    pub fixed: FixedChannels,
    announce_slots: u16,
    /// The station's address.
    pub address: Address,
    /// What it may do.
    pub role: Role,
    /// What its storage says.
    pub watermark: Watermark,
    seed: u64,
}

impl Plan {
    /// A plan that fits, from a seed.
    ///
    /// # Panics
    /// If a thousand plans do not contain one that fits.
    #[must_use]
    pub fn random(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..1_000).find_map(|_| Self::attempt(&mut rng)).expect("a plan that fits")
    }

    fn attempt(rng: &mut ChaCha8Rng) -> Option<Self> {
        let mut key = [0; 32];
        rng.fill_bytes(&mut key);
        let most = u16::try_from(ROOM).ok()?;
        let band = Band::random(rng, most);
        let count = band.lanes.map_or(1, |lanes| lanes.count());
        let lane = Lane::new(small(rng, 0, count - 1))?;
        let draw_lane = if band.lanes.is_some_and(|l| l.spaced()) { Lane::ZERO } else { lane };
        let listed: Vec<Channel>;
        let pick = if one_in(rng, 4) {
            listed = band.allowed.iter().filter(|_| !one_in(rng, 3)).collect();
            Pick::Listed(&listed)
        } else {
            Band::pick(rng, band.allowed.len().max(4))
        };
        let net_key = NetKey::new(key);
        let lanes = band.lanes.as_ref();
        let hopset =
            Hopset::derive(&net_key, &band.raster, &band.allowed, pick, lanes, lane).ok()?;
        let window = small(rng, 1, 4);
        let rendezvous = window * small(rng, 1, 4);
        let draw = if one_in(rng, 2) { Draw::Balanced } else { Draw::Independent };
        let frame = small(rng, 2, 12);
        if u16::from(rendezvous) > hopset.len() {
            return None;
        }
        let equal_use = hopset.len() == u16::from(rendezvous) * u16::from(frame);
        let outside: Vec<Channel> = (0..band.raster.count())
            .filter_map(Channel::new)
            .filter(|c| !hopset.contains(*c))
            .collect();
        let fixed = FixedChannels {
            calling: outside.first().copied().filter(|_| one_in(rng, 2)),
            watch: outside.last().copied().filter(|_| one_in(rng, 2)),
            lockout: Micros::from_millis(below(rng, 40_000)),
        };
        Some(Self {
            key,
            band,
            hopset,
            structure: Structure { frame, rendezvous, window, draw, equal_use },
            lane,
            draw_lane,
            clock: random_clock(rng),
            fixed,
            announce_slots: u16::from(small(rng, 1, 60)),
            address: Address::new(small(rng, 0, 255)),
            role: match below(rng, 4) {
                0 => Role::Member,
                1 => Role::Deputy { after: Micros::from_millis(any_size(rng, 22)) },
                _ => Role::Timekeeper,
            },
            watermark: match below(rng, 4) {
                0 => Watermark::Lost,
                1 => Watermark::Stored(Slot::new(rng.next_u32() >> small(rng, 0, 31))),
                _ => Watermark::Fresh,
            },
            seed: rng.next_u64(),
        })
    }

    /// The plan's station.
    ///
    /// # Panics
    /// Never: a plan fits.
    #[must_use]
    pub fn station(&self) -> Station<ROOM> {
        Station::new(Config {
            key: &NetKey::new(self.key),
            hopset: self.hopset.clone(),
            structure: self.structure,
            lane: self.lane,
            draw_lane: self.draw_lane,
            timing: timing(),
            clock: self.clock,
            announce_slots: self.announce_slots,
            energy_threshold: Dbm::new(-95),
            fixed: self.fixed,
            address: self.address,
            role: self.role,
            share: None,
            watermark: self.watermark,
            seed: self.seed,
        })
        .expect("a plan that fits")
    }

    /// The keys of the plan's headers.
    #[must_use]
    pub fn header_keys(&self) -> HeaderKeys {
        HeaderKeys::new(&NetKey::new(self.key))
    }

    /// The stream of the plan's headers.
    #[must_use]
    pub fn stream(&self) -> u32 {
        u32::from(self.lane.number())
    }
}

/// Ideal, good and bad oscillators, some of them better than the net's or steadier than they are
/// true, some that step.
fn random_clock(rng: &mut ChaCha8Rng) -> ClockPlan {
    let plan = clock_plan([0, 1_000, 20_000, 500_000][usize::from(small(rng, 0, 3))]);
    let part = |rng: &mut ChaCha8Rng| {
        let ppb = u64::from(plan.tolerance.ppb()) >> small(rng, 0, 6);
        Ppb::new(u32::try_from(ppb).unwrap_or_default()).unwrap_or_default()
    };
    let (own_tolerance, steadiness) = (part(rng), part(rng));
    let wander = Micros::new(below(rng, 2) * below(rng, 150));
    ClockPlan { own_tolerance, steadiness, wander, ..plan }
}

/// What a test does with the station under test.
pub trait Bed {
    /// Feeds one input.
    fn feed(&mut self, input: Input<'_>);
    /// The station's answer to the last poll.
    fn action(&self) -> Option<Action>;
    /// The station.
    fn station(&self) -> &Station<ROOM>;
}

/// A reception that was made up.
#[derive(Debug, Clone)]
pub struct MadeUp {
    /// Where.
    pub channel: Channel,
    /// The unique word.
    pub word: u32,
    /// When the word started.
    pub at: Tick,
    /// The bits behind it.
    pub bits: Vec<u8>,
    /// Why it must be dropped.
    pub why: Option<Dropped>,
}

impl MadeUp {
    /// The reception as a station takes it.
    #[must_use]
    pub fn reception(&self) -> Reception<'_> {
        let Self { channel, word, at, bits, .. } = self;
        Reception { channel: *channel, word: *word, at: *at, bits }
    }
}

/// The world around one station.
#[derive(Debug)]
pub struct Bench {
    plan: Plan,
    keys: HeaderKeys,
    strangers: HeaderKeys,
    /// The station's clock.
    pub now: Tick,
    /// What the rest of the net takes net time to be, less local time, while the station under
    /// test has no time of its own.
    base_us: u64,
    /// Whether time may run backwards.
    pub backwards: bool,
    /// Whether hostile receptions are among what happens.
    pub hostile: bool,
}

impl Bench {
    /// The world of a plan.
    #[must_use]
    pub fn new(plan: Plan, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut other = plan.key;
        other[usize::from(small(&mut rng, 0, 31))] ^= 1 << small(&mut rng, 0, 7);
        let slot_us = timing().slot().us();
        let base = match below(&mut rng, 8) {
            // The end of the timeline is near.
            0 => u64::from(u32::MAX) - below(&mut rng, 200),
            _ => below(&mut rng, 1 << 24),
        };
        Self {
            keys: plan.header_keys(),
            strangers: HeaderKeys::new(&NetKey::new(other)),
            plan,
            now: Tick::new(1_000_000 + below(&mut rng, 1 << 40)),
            base_us: base * slot_us,
            backwards: false,
            hostile: false,
        }
    }

    /// The plan.
    #[must_use]
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    fn poll(&self, bed: &mut impl Bed) {
        bed.feed(Input::Poll(self.now));
    }

    fn wait(&mut self, us: u64) {
        // Ticks beyond 2^62 us, 146 000 years, are out of range for a station.
        self.now = Tick::new(self.now.us().saturating_add(us).min(1 << 62));
    }

    /// Makes one thing happen, of the many that `step` could name, and polls.
    pub fn drive(&mut self, step: u64, bed: &mut impl Bed) {
        let rng = &mut ChaCha8Rng::seed_from_u64(step);
        match below(rng, 100) {
            0..35 => {
                let until = bed.action().map_or(self.now, |action| action.until);
                // Only what a driver would sleep through: an hour at most.
                let wait = until.since(self.now).map_or(0, Micros::us);
                self.wait(wait.min(3_600_000_000));
            }
            35..50 => self.wait(below(rng, 30_000)),
            50..52 => {}
            52..54 => {
                let us = any_size(rng, 46);
                self.wait(us);
            }
            54..56 => {
                if self.backwards {
                    let us = any_size(rng, 30);
                    self.now = self.now.minus(Micros::new(us));
                }
            }
            56..60 => self.energy(rng, bed),
            60..68 => self.command(rng, bed),
            68..74 => {
                let most = bed.station().payload_capacity() as u64;
                let mut bytes = vec![0; usize::try_from(below(rng, most + 2)).unwrap_or_default()];
                rng.fill_bytes(&mut bytes);
                bed.feed(Input::Payload(&bytes));
            }
            74..92 => self.genuine(rng, bed),
            _ => {
                if self.hostile
                    && let Some(made_up) = self.hostile(rng.next_u64(), bed)
                {
                    bed.feed(Input::Heard(self.now, made_up.reception()));
                }
            }
        }
        self.poll(bed);
    }

    fn energy(&self, rng: &mut ChaCha8Rng, bed: &mut impl Bed) {
        let tuned = match bed.action().map(|action| action.radio) {
            Some(Radio::Listen { channel, .. }) if !one_in(rng, 4) => Some(channel),
            _ => Channel::new(u16::from(small(rng, 0, 255))),
        };
        let level = Dbm::new(-120 + i16::from(small(rng, 0, 60)));
        if let Some(channel) = tuned {
            bed.feed(Input::Energy(self.now, channel, level));
        }
    }

    fn command(&self, rng: &mut ChaCha8Rng, bed: &mut impl Bed) {
        let command = match below(rng, 8) {
            0 | 1 => Command::Announce,
            2..6 => Command::Press(self.target(rng)),
            _ => Command::Release,
        };
        bed.feed(Input::Command(self.now, command));
    }

    fn target(&self, rng: &mut ChaCha8Rng) -> Target {
        let somebody = Address::new(small(rng, 0, 255));
        let length = small(rng, 0, 8);
        let own = self.plan.address.number();
        let mask = if length == 0 { 0 } else { 0xFF << (8 - length) };
        match below(rng, 5) {
            0 => Target::ALL,
            1 => Target::one(self.plan.address),
            2 => Target::one(somebody),
            3 => Target::prefix(Address::new(own & mask), length).unwrap_or(Target::ALL),
            _ => Target::all_but(somebody),
        }
    }

    /// Net time as the rest of the net has it: a station in step shares it.
    fn net_us(&self, station: &Station<ROOM>) -> i64 {
        match station.clock() {
            Some(clock) if station.in_step() => clock.net_us(self.now),
            _ => self.now.us().wrapping_add(self.base_us).cast_signed(),
        }
    }

    fn header(&self, rng: &mut ChaCha8Rng, slot: Slot) -> Header {
        let kinds = [
            Kind::Announce,
            Kind::Announce,
            Kind::Announce,
            Kind::Over,
            Kind::Over,
            Kind::Over,
            Kind::Over,
            Kind::Closing,
            Kind::Closing,
            Kind::LeadIn,
            Kind::Rekey,
            Kind::CutIn,
        ];
        Header {
            slot,
            source: Address::new(small(rng, 0, 255)),
            target: self.target(rng),
            kind: kinds[usize::from(small(rng, 0, 11))],
            quality: Quality::of(Micros::new(16 << small(rng, 0, 15))),
            countdown: small(rng, 0, 15),
        }
    }

    /// A member is heard in the next slot, in its place: a header, or a traffic word.
    fn genuine(&mut self, rng: &mut ChaCha8Rng, bed: &mut impl Bed) {
        let slot_us = timing().slot().us();
        let net = self.net_us(bed.station());
        let into_slot = net.rem_euclid(slot_us.cast_signed()).unsigned_abs();
        self.wait(slot_us - into_slot);
        self.poll(bed);
        let Some(slot) = timing().slot_at(self.net_us(bed.station())) else { return };
        let at = self.now.plus(timing().word_offset());
        let Some((channel, word, traffic)) = listening(bed) else { return };
        // Within the jitter of a time stamp.
        let at = at.plus(Micros::new(below(rng, 20)));
        self.wait(8_000);
        let header = self.keys.to_bits(self.header(rng, slot), self.plan.stream());
        let (word, bits) = match traffic {
            Some(own) if one_in(rng, 3) => (own, vec![0xA5; 108]),
            _ => (word, header.to_vec()),
        };
        bed.feed(Input::Heard(self.now, Reception { channel, word, at, bits: &bits }));
    }

    /// A reception that nobody of the net made for this moment, though as a rule it is what the
    /// station waits for by channel and word; `None` if the station does not listen.
    ///
    /// A genuine header from the past is among them only if the station can know: it is in step,
    /// or has a watermark. (Specification section 8; a new set without time cannot tell.) Headers
    /// from ahead are not: by the same section the larger slot may win.
    pub fn hostile(&self, seed: u64, bed: &impl Bed) -> Option<MadeUp> {
        let rng = &mut ChaCha8Rng::seed_from_u64(seed);
        let (channel, word, traffic) = listening(bed)?;
        let station = bed.station();
        let (now, stream) = (self.now, self.plan.stream());
        let slot = timing().slot_at(self.net_us(station)).unwrap_or(Slot::ZERO);
        let header = self.header(rng, slot);
        let awaited = |bits: Vec<u8>, why| MadeUp { channel, word, at: now, bits, why: Some(why) };
        let forged = |bits: Vec<u8>| awaited(bits, Dropped::NotGenuine);
        Some(match below(rng, 9) {
            0 => {
                let mut bits = vec![0; usize::from(small(rng, 0, 120))];
                rng.fill_bytes(&mut bits);
                forged(bits)
            }
            1 => {
                // One bit, behind the code that would correct it.
                let mut wire = self.keys.seal(header, stream);
                wire[usize::from(small(rng, 0, 15))] ^= 1 << small(rng, 0, 7);
                forged(interleave::encode(&wire).to_vec())
            }
            2 => forged(self.strangers.to_bits(header, stream).to_vec()),
            3 => {
                // Another lane's. (The same lane's cut-in timeline is no forgery.)
                let other = stream ^ (1 << small(rng, 0, 4));
                forged(self.keys.to_bits(header, other).to_vec())
            }
            4 => {
                let made_up = Channel::new(u16::try_from(below(rng, 4096)).ok()?)?;
                let word = rng.next_u32();
                let bits = self.keys.to_bits(header, stream).to_vec();
                MadeUp { channel: made_up, word, at: now, bits, why: None }
            }
            5 => {
                // The right word at the wrong time, recorded a moment ago: three milliseconds are
                // more than guard, jitter and propagation.
                let own = traffic?;
                // A coasting station waits for the word at any time within its spread; it goes by
                // it until a header decides, and takes nothing else from it.
                let clock = station.clock()?;
                if clock.grip(&timing(), now) != Grip::Locked {
                    return None;
                }
                let into_slot = clock.net_us(now).rem_euclid(20_000).unsigned_abs();
                let start = now.us().saturating_sub(into_slot);
                let late = 3_000 + below(rng, 10_000);
                let at = Tick::new(start).plus(timing().word_offset()).plus(Micros::new(late));
                let bits = vec![0x5A; 108];
                MadeUp { channel, word: own, at, bits, why: Some(Dropped::OutOfPlace) }
            }
            6 => {
                // The same lane's cut-in timeline: what is no beginning of a cut-in, or one's own.
                let source = self.plan.address;
                let begins = header.kind == Kind::CutIn;
                let header = if begins { Header { source, ..header } } else { header };
                let cut_in = stream | Timeline::CutIn.bit();
                let bits = self.keys.to_bits(header, cut_in).to_vec();
                MadeUp { channel, word, at: now, bits, why: None }
            }
            _ => {
                let old = self.old_slot(rng, station, slot)?;
                let bits = self.keys.to_bits(Header { slot: old, ..header }, stream).to_vec();
                awaited(bits, Dropped::Replayed)
            }
        })
    }

    fn old_slot(&self, rng: &mut ChaCha8Rng, station: &Station<ROOM>, slot: Slot) -> Option<Slot> {
        let far = 1 + u32::try_from(any_size(rng, 31)).unwrap_or(u32::MAX);
        if station.in_step() {
            // A coasting station cannot tell a header that is late by less than its spread from
            // one of a sender whose clock is behind (specification section 8, the relay).
            let spread = station.clock()?.spread(self.now).us() / timing().slot().us();
            let far = far.saturating_add(u32::try_from(spread).unwrap_or(u32::MAX));
            slot.number().checked_sub(far).map(Slot::new)
        } else {
            // The session's own watermark is at least the stored one, so the stored one will do.
            let Watermark::Stored(stored) = self.plan.watermark else { return None };
            Some(Slot::new(stored.number().saturating_sub(far - 1)))
        }
    }
}

/// Channel, header word and, in a traffic slot, the traffic word that the station waits for.
fn listening(bed: &impl Bed) -> Option<(Channel, u32, Option<u32>)> {
    match bed.action()?.radio {
        Radio::Listen { channel, word, complement: false } => Some((channel, word, None)),
        Radio::Listen { channel, word, complement: true } => Some((channel, !word, Some(word))),
        Radio::Off | Radio::Transmit { .. } | _ => None,
    }
}
