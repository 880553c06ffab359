//! A TOML plan, validated, as the core's types (specification section 2 to 4).
//!
//! ```text
//! text ──parse──► tables with places ──read──► band, key, slots, lanes ──fit──► Plan
//! ```
//!
//! A [`Plan`] that exists is one that works: every lane has a hopset and a sequence, and a header
//! fits its slots. Everything else is refused with the place of the value that is to blame.

mod band;
mod fit;
mod fixed;
pub(crate) mod key;
mod lanes;
mod message;
mod slots;
mod tree;

pub(crate) use band::ANY_CHANNEL;
pub use band::{Excluded, PickRule};
pub(crate) use tree::order_fits;
pub use tree::parse_address;

use crate::diagnostic::Diagnostic;
use crate::input::{Section, Source, read_text};
use band::Band;
use hopwright_core::band::{ChannelSet, Hopset, Lanes, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::NetKey;
use hopwright_core::message::Layout;
use hopwright_core::provision::{MessageCode, PlanDigest, PublicPlan};
use hopwright_core::sequence::{Cursor, Sequence, Structure, Timeline};
use hopwright_core::station::FixedChannels;
use hopwright_core::timing::Timing;
use hopwright_core::units::{Dbm, Lane, Micros, Ppb, Slot};
use key::Key;
use sha2::{Digest, Sha256};
use std::path::Path;

/// The largest hopset of a plan: the host has room for every channel of a raster.
pub const MAX_HOPSET: usize = 4096;

/// What a net's stations agree on.
#[derive(Debug)]
pub struct Plan {
    name: String,
    key: Key,
    tree: tree::Tree,
    band: Band,
    lanes: Option<Lanes>,
    structure: Structure,
    timing: Timing,
    clock: Clock,
    deputies_after: Micros,
    announce_slots: u32,
    energy_threshold: Dbm,
    message: Layout,
}

/// What the plan supposes of clocks and distances.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Clock {
    /// The largest rate error of any station's oscillator.
    pub tolerance: Ppb,
    /// The largest rate error of a timekeeper's.
    pub timekeeper_tolerance: Ppb,
    /// How far an oscillator's rate may be from its average over an earlier stretch.
    pub steadiness: Ppb,
    /// How far a clock may step or wander besides, 0 to 10 000 us.
    pub wander: Micros,
    /// The largest error of a time stamp, 0 to 10 000 us.
    pub jitter: Micros,
    /// The largest distance between two stations, 0 to 1 000 000 m.
    pub range_m: u32,
}

impl Default for Clock {
    /// One part in a million, time stamps within 20 us, 30 km, and no wander.
    fn default() -> Self {
        let tolerance = Ppb::new(1_000).unwrap_or(Ppb::MAX);
        Self {
            tolerance,
            timekeeper_tolerance: tolerance,
            steadiness: tolerance,
            wander: Micros::ZERO,
            jitter: Micros::new(20),
            range_m: 30_000,
        }
    }
}

impl Clock {
    /// The same for a station that may be off by no more than `own`, as the core takes it.
    #[must_use]
    pub const fn core(&self, own: Ppb) -> ClockPlan {
        ClockPlan {
            tolerance: self.tolerance,
            own_tolerance: own,
            steadiness: self.steadiness,
            wander: self.wander,
            jitter: self.jitter,
            longest_delay: self.propagation(),
        }
    }

    /// The longest propagation delay, rounded up (speed of light in vacuum, 299.792458 m/us).
    ///
    /// ```
    /// # use hopwright_sim::plan::Clock;
    /// # use hopwright_core::units::{Micros, Ppb};
    /// let clock = Clock { range_m: 30_000, ..Clock::default() };
    /// assert_eq!(clock.propagation(), Micros::new(101)); // 100.07 us
    /// ```
    #[must_use]
    pub const fn propagation(&self) -> Micros {
        Micros::new((self.range_m as u64 * 1_000_000).div_ceil(299_792_458))
    }

    /// What a header leaves of uncertainty: twice jitter and wander, and the longest delay. The guard
    /// must be longer, or the core makes no station of the plan
    /// ([`ConfigError::Guard`](hopwright_core::station::ConfigError::Guard)).
    #[must_use]
    pub const fn first_spread(&self) -> Micros {
        self.jitter.plus(self.wander).times(2).plus(self.propagation())
    }

    /// How [`Clock::first_spread`] comes about.
    pub(crate) fn first_spread_text(&self) -> String {
        let Self { jitter, wander, range_m, .. } = self;
        format!("twice {jitter} and {wander}, and {} for {range_m} m", self.propagation())
    }
}

impl Plan {
    /// The tables that a plan may have.
    pub const TABLES: &[&str] = &[
        "net", "raster", "hopset", "exclude", "fixed", "slots", "lanes", "clock", "announce",
        "deputies", "energy", "message",
    ];

    /// Reads a plan from a file.
    ///
    /// # Errors
    /// [`Diagnostic`] if the file cannot be read or the plan does not work.
    pub fn load(path: &Path) -> Result<Self, Diagnostic> {
        let source = read_text(path)?;
        let base_dir = path.parent().unwrap_or(Path::new(""));
        Self::from_source(&source, base_dir)
    }

    /// Reads the public part of a plan from a file: neither its net key nor the root of its key tree
    /// is looked at, and the plan's key is one that stands in for it. If it names a band key, that
    /// is read.
    ///
    /// # Errors
    /// [`Diagnostic`] if the file cannot be read or the plan does not work.
    pub fn load_public(path: &Path) -> Result<Self, Diagnostic> {
        let source = read_text(path)?;
        let table = source.table()?;
        let root = Section::root(&source, &table, Self::TABLES)?;
        let base_dir = path.parent().unwrap_or(Path::new(""));
        Self::read_with(&root, |_| Ok(Key::placeholder()), base_dir, false)
    }

    /// Reads a plan from a text. Errors call it `name`; a key file counts from `base_dir`.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan does not work.
    pub fn parse(name: &str, text: &str, base_dir: &Path) -> Result<Self, Diagnostic> {
        Self::from_source(&Source::new(name, text), base_dir)
    }

    pub(crate) fn from_source(source: &Source, base_dir: &Path) -> Result<Self, Diagnostic> {
        let table = source.table()?;
        Self::read(&Section::root(source, &table, Self::TABLES)?, base_dir)
    }

    /// Reads a plan from a table whose keys have been checked against [`Plan::TABLES`]: a whole
    /// file, or a table of another input.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan does not work.
    pub fn read(root: &Section<'_>, base_dir: &Path) -> Result<Self, Diagnostic> {
        Self::read_with(root, |net| Key::read(net, base_dir), base_dir, true)
    }

    fn read_with(
        root: &Section<'_>,
        key: impl FnOnce(&Section<'_>) -> Result<Key, Diagnostic>,
        base_dir: &Path,
        with_root: bool,
    ) -> Result<Self, Diagnostic> {
        let net =
            root.needed_section("net", &[&["name", "key", "key_file"], &tree::KEYS[..]].concat())?;
        let name = read_name(&net)?;
        let key = key(&net)?;
        let tables = band::Tables::open(root)?;
        let slots = root.section("slots", slots::KEYS)?;
        let lane_table = root.section("lanes", lanes::KEYS)?;
        let clock = root.section("clock", CLOCK_KEYS)?;
        let timing = slots::timing(&slots)?;
        let plan = Self {
            name,
            key,
            tree: tree::read(&net, base_dir, with_root)?,
            band: Band::read(root, &tables)?,
            lanes: lanes::read(&lane_table)?,
            structure: slots::structure(&slots)?,
            timing,
            clock: read_clock(&clock)?,
            deputies_after: fixed::deputies(root)?,
            announce_slots: root.section("announce", &["slots"])?.integer_or(
                "slots",
                1..=2_000,
                176,
            )?,
            energy_threshold: Dbm::new(root.section("energy", &["threshold_dbm"])?.integer_or(
                "threshold_dbm",
                -200..=50,
                -95,
            )?),
            message: message::layout(&root.section("message", message::KEYS)?, timing)?,
        };
        fixed::check(root, &plan.band.fixed, &plan.timing, plan.structure.frame)?;
        fit::check(&plan, &tables, &slots, (&lane_table, &clock))?;
        Ok(plan)
    }

    /// The net's name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The net key. The copy is wiped when it is dropped.
    #[must_use]
    pub fn net_key(&self) -> NetKey {
        self.key.net_key()
    }

    /// Whether the key is one that stands in published examples: fit for simulation only.
    #[must_use]
    pub fn training_key(&self) -> bool {
        self.key.published()
    }

    /// The raster.
    #[must_use]
    pub const fn raster(&self) -> &Raster {
        &self.band.raster
    }

    /// The channels that may be used at all.
    #[must_use]
    pub const fn allowed(&self) -> &ChannelSet {
        &self.band.allowed
    }

    /// The exclusions, in the plan's order.
    #[must_use]
    pub fn excluded(&self) -> &[Excluded] {
        &self.band.excluded
    }

    /// How the hopset is picked from the allowed channels.
    #[must_use]
    pub const fn pick(&self) -> &PickRule {
        &self.band.pick
    }

    /// The lanes, if the plan has any.
    #[must_use]
    pub const fn lanes(&self) -> Option<&Lanes> {
        self.lanes.as_ref()
    }

    /// The numbers of the plan's lanes: 0 alone for a plan without.
    pub fn lane_numbers(&self) -> impl Iterator<Item = Lane> + use<> {
        (0..self.lanes.as_ref().map_or(1, Lanes::count)).filter_map(Lane::new)
    }

    /// The shape of the timeline.
    #[must_use]
    pub const fn structure(&self) -> Structure {
        self.structure
    }

    /// The anatomy of a slot.
    #[must_use]
    pub const fn timing(&self) -> Timing {
        self.timing
    }

    /// What the plan supposes of clocks and distances.
    #[must_use]
    pub const fn clock(&self) -> Clock {
        self.clock
    }

    /// Supposes other clocks than the plan's own.
    pub const fn set_clock(&mut self, clock: Clock) {
        self.clock = clock;
    }

    /// Supposes other oscillators than the plan's own: all within `tolerance`, and no steadier than
    /// that says.
    pub const fn set_tolerance(&mut self, tolerance: Ppb) {
        self.clock.tolerance = tolerance;
        self.clock.timekeeper_tolerance = tolerance;
        self.clock.steadiness = tolerance;
    }

    /// The channels on which stations hear those who do not hop with the net.
    #[must_use]
    pub const fn fixed(&self) -> FixedChannels {
        self.band.fixed
    }

    /// How long announces must be missing before a deputy may make one.
    #[must_use]
    pub const fn deputies_after(&self) -> Micros {
        self.deputies_after
    }

    /// The slots of an announce, 1 to 2000.
    #[must_use]
    pub const fn announce_slots(&self) -> u32 {
        self.announce_slots
    }

    /// The level above which a channel counts as busy.
    #[must_use]
    pub const fn energy_threshold(&self) -> Dbm {
        self.energy_threshold
    }

    /// How messages are cut, and the code that protects them.
    #[must_use]
    pub const fn message(&self) -> Layout {
        self.message
    }

    /// Everything but the key, as the core provisions it.
    #[must_use]
    pub fn public(&self) -> PublicPlan<'_> {
        PublicPlan {
            name: &self.name,
            raster: self.band.raster,
            allowed: &self.band.allowed,
            pick: self.band.pick.as_pick(),
            lanes: self.lanes,
            structure: self.structure,
            timing: self.timing,
            clock: self.clock.core(self.clock.tolerance),
            timekeeper_tolerance: self.clock.timekeeper_tolerance,
            deputies_after: self.deputies_after,
            announce_slots: u16::try_from(self.announce_slots).unwrap_or(u16::MAX),
            energy_threshold: self.energy_threshold,
            fixed: self.band.fixed,
            code: MessageCode { n: self.message.code().n(), k: self.message.code().k() },
        }
    }

    /// The digest of everything but the key: the first 16 bytes of the SHA-256 (FIPS 180-4) of its
    /// encoding.
    #[must_use]
    pub fn digest(&self) -> PlanDigest {
        let mut hash = Sha256::new();
        self.public().encode(&mut |bytes: &[u8]| hash.update(bytes));
        let whole: [u8; 32] = hash.finalize().into();
        let (digest, _) = whole.split_first_chunk().unwrap_or((&[0; 16], &[]));
        PlanDigest::new(*digest)
    }

    /// The hopset of a lane.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan has no such lane.
    pub fn hopset(&self, lane: Lane) -> Result<Hopset<MAX_HOPSET>, Diagnostic> {
        self.hopset_under(&self.band_key(), lane)
    }

    /// The hopset that a lane would have under another key.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan has no such lane.
    pub fn hopset_under(&self, key: &NetKey, lane: Lane) -> Result<Hopset<MAX_HOPSET>, Diagnostic> {
        self.band.hopset(key, self.lanes(), lane).map_err(|error| {
            Diagnostic::new(error.to_string(), "`hopwright check` lists the plan's lanes")
        })
    }

    /// The hop sequence of a lane.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan has no such lane.
    pub fn sequence(&self, lane: Lane) -> Result<Sequence<MAX_HOPSET>, Diagnostic> {
        self.sequence_under(&self.net_key(), self.structure, lane)
    }

    /// Something that follows from the key, which may stand in a file of its own: where a lane is in its
    /// first slots. With the digest it tells one plan from another, and nothing of the key.
    pub(crate) fn what_the_key_decides(&self, lane: Lane) -> Result<Vec<u8>, Diagnostic> {
        let sequence = self.sequence(lane)?;
        let mut cursor = Cursor::new(&sequence, Timeline::Home);
        let mut hops = Vec::new();
        for slot in 0..64 {
            hops.extend(cursor.hop(&sequence, Slot::new(slot)).channel.number().to_le_bytes());
        }
        Ok(hops)
    }

    /// The hop sequence that a lane would have under another key, and with another structure.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan has no such lane, or the structure does not fit it.
    pub fn sequence_under(
        &self,
        key: &NetKey,
        structure: Structure,
        lane: Lane,
    ) -> Result<Sequence<MAX_HOPSET>, Diagnostic> {
        let hopset = self.hopset_under(key, lane)?;
        let draw_lane = if self.lanes.is_some_and(|l| l.spaced()) { Lane::ZERO } else { lane };
        Sequence::new(key, hopset, structure, lane, draw_lane).map_err(|error| {
            Diagnostic::new(error.to_string(), "`hopwright check` says more about the plan")
        })
    }
}

fn read_name(net: &Section<'_>) -> Result<String, Diagnostic> {
    let name = net.needed(net.text("name")?, "name", "\"larkfell\"")?;
    let fits = (1..=64).contains(&name.value.chars().count());
    if !fits || name.value.chars().any(char::is_control) {
        let what = "`name` must have 1 to 64 printable characters";
        return Err(net.error("name", what, "give the net a short name"));
    }
    Ok(name.value.to_owned())
}

/// The keys of the `[clock]` table.
const CLOCK_KEYS: &[&str] = &[
    "tolerance_ppb",
    "timekeeper_tolerance_ppb",
    "steadiness_ppb",
    "wander_us",
    "jitter_us",
    "range_m",
];

fn read_clock(table: &Section<'_>) -> Result<Clock, Diagnostic> {
    let default = Clock::default();
    let any = 0..=Ppb::MAX.ppb();
    let tolerance = table.integer_or("tolerance_ppb", any.clone(), default.tolerance.ppb())?;
    // As good as `tolerance_ppb` unless given: no default that a schema could note.
    let or_tolerance = |key: &str, most: u32| {
        table.widest(key, &any);
        let ppb = table.integer(key, 0..=most)?.map_or(tolerance, |ppb| ppb.value);
        Ok(Ppb::new(ppb).unwrap_or(Ppb::MAX))
    };
    Ok(Clock {
        tolerance: Ppb::new(tolerance).unwrap_or(Ppb::MAX),
        timekeeper_tolerance: or_tolerance("timekeeper_tolerance_ppb", tolerance)?,
        steadiness: or_tolerance("steadiness_ppb", Ppb::MAX.ppb())?,
        wander: Micros::new(table.integer_or("wander_us", 0..=10_000, default.wander.us())?),
        jitter: Micros::new(table.integer_or("jitter_us", 0..=10_000, default.jitter.us())?),
        range_m: table.integer_or("range_m", 0..=1_000_000, default.range_m)?,
    })
}

#[cfg(test)]
mod tests;
