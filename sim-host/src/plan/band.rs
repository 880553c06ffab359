//! `[raster]`, `[hopset]` and `[[exclude]]`: where the net may transmit.

use super::MAX_HOPSET;
use crate::diagnostic::Diagnostic;
use crate::input::{Located, Section};
use hopwright_core::band::{ChannelSet, Exclusion, Hopset, HopsetError, Lanes, Pick, Raster};
use hopwright_core::keys::NetKey;
use hopwright_core::station::FixedChannels;
use hopwright_core::units::{Channel, Hertz, Lane, MAX_CHANNELS};
use std::ops::RangeInclusive;

/// 3000 GHz: the upper end of radio waves (ITU Radio Regulations, No. 1.5).
const MAX_HZ: u64 = 3_000_000_000_000;
/// The channels of the largest raster. Those of a plan are of its own raster, which its reader sees to.
pub(crate) const ANY_CHANNEL: RangeInclusive<u16> = 0..=MAX_CHANNELS - 1;

/// The tables that this module reads.
pub(super) struct Tables<'a> {
    pub(super) raster: Section<'a>,
    pub(super) hopset: Section<'a>,
    pub(super) ranges: Vec<Section<'a>>,
    pub(super) exclude: Vec<Section<'a>>,
}

impl<'a> Tables<'a> {
    pub(super) fn open(root: &Section<'a>) -> Result<Self, Diagnostic> {
        let raster =
            root.needed_section("raster", &["base_hz", "spacing_hz", "count", "occupied_hz"])?;
        let hopset = root.section("hopset", &["pick", "channels", "list", "ranges"])?;
        let ranges =
            hopset.sections("ranges", &["from_hz", "to_hz", "from_channel", "to_channel"])?;
        let exclude = root.sections(
            "exclude",
            &["from_hz", "to_hz", "channel", "from_channel", "to_channel", "why"],
        )?;
        Ok(Self { raster, hopset, ranges, exclude })
    }
}

/// What a plan keeps its net away from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excluded {
    /// The channels or frequencies.
    pub exclusion: Exclusion,
    /// The plan's reason, if it gives one.
    pub why: Option<String>,
    /// How many channels of the raster it takes by itself.
    pub takes: u16,
}

/// How the hopset is picked from the allowed channels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PickRule {
    /// Every allowed channel.
    All,
    /// This many, drawn by the key.
    Keyed(u16),
    /// This many, evenly spread, not secret.
    Even(u16),
    /// These.
    Listed(Vec<Channel>),
}

impl PickRule {
    /// The rule as the core takes it.
    pub(super) fn as_pick(&self) -> Pick<'_> {
        match self {
            Self::All => Pick::All,
            Self::Keyed(n) => Pick::Keyed(*n),
            Self::Even(n) => Pick::Even(*n),
            Self::Listed(list) => Pick::Listed(list),
        }
    }

    /// The word for it in a plan.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Keyed(_) => "keyed",
            Self::Even(_) => "even",
            Self::Listed(_) => "listed",
        }
    }
}

/// Raster, what is left of it, and how the hopset is picked.
#[derive(Debug)]
pub(super) struct Band {
    pub(super) raster: Raster,
    pub(super) allowed: ChannelSet,
    /// How many channels there were before exclusions and fixed channels took theirs.
    pub(super) offered: u16,
    pub(super) excluded: Vec<Excluded>,
    pub(super) pick: PickRule,
    pub(super) fixed: FixedChannels,
}

impl Band {
    pub(super) fn read(root: &Section<'_>, tables: &Tables<'_>) -> Result<Self, Diagnostic> {
        let raster = read_raster(&tables.raster)?;
        let mut allowed =
            if tables.hopset.has("ranges") { ChannelSet::new() } else { raster.all() };
        for range in &tables.ranges {
            allowed.extend_with(&match read_block(range, &raster)? {
                Exclusion::Band { from, to } => raster.centred_in(from, to),
                channels @ (Exclusion::Channels { .. } | _) => raster.excluded_by(channels),
            });
        }
        let offered = allowed.len();
        let mut excluded = Vec::new();
        for table in &tables.exclude {
            let exclusion = read_block(table, &raster)?;
            let taken = raster.excluded_by(exclusion);
            allowed.remove_all(&taken);
            let why = table.text("why")?.map(|why| why.value.to_owned());
            excluded.push(Excluded { exclusion, why, takes: taken.len() });
        }
        let pick = read_pick(&tables.hopset, &raster)?;
        let fixed = super::fixed::read(root, &raster, &mut allowed)?;
        Ok(Self { raster, allowed, offered, excluded, pick, fixed })
    }

    pub(super) fn hopset(
        &self,
        key: &NetKey,
        lanes: Option<&Lanes>,
        lane: Lane,
    ) -> Result<Hopset<MAX_HOPSET>, HopsetError> {
        let pick = self.pick.as_pick();
        Hopset::derive(key, &self.raster, &self.allowed, pick, lanes, lane)
    }
}

fn read_raster(table: &Section<'_>) -> Result<Raster, Diagnostic> {
    let hz = |key: &str, range: RangeInclusive<u64>, example: &str| {
        table.needed(table.integer(key, range)?, key, example).map(|located| located.value)
    };
    let base = hz("base_hz", 1..=MAX_HZ, "902_100_000")?;
    let spacing = hz("spacing_hz", 1..=1_000_000_000, "200_000")?;
    let count = table.needed(table.integer("count", 1..=MAX_CHANNELS)?, "count", "130")?;
    // Not `integer_or`: a default that is another key's value is none to note in a schema.
    let occupied = table.integer("occupied_hz", 1..=1_000_000_000)?.map_or(spacing, |hz| hz.value);
    if occupied.div_ceil(2) > base {
        let what = "channel 0 would reach below 0 Hz";
        return Err(table.error("base_hz", what, "raise `base_hz`, or lower `occupied_hz`"));
    }
    Raster::new(Hertz::new(base), Hertz::new(spacing), Hertz::new(occupied), count.value)
        .map_err(|error| table.error("count", error.to_string(), "make the raster smaller"))
}

fn read_pick(table: &Section<'_>, raster: &Raster) -> Result<PickRule, Diagnostic> {
    #[derive(Clone, Copy, PartialEq)]
    enum Word {
        All,
        Keyed,
        Even,
        Listed,
    }
    let others = [("keyed", Word::Keyed), ("even", Word::Even), ("listed", Word::Listed)];
    let word = table.choice("pick", ("all", Word::All), &others)?;
    let counted = matches!(word, Word::Keyed | Word::Even);
    // A key that has no effect is a misunderstanding, and a hopset is no place for one.
    if table.has("channels") && !counted {
        let what = "`channels` counts only with pick = \"keyed\" or \"even\"";
        return Err(table.error("channels", what, "set `pick`, or take `channels` away"));
    }
    if table.has("list") && word != Word::Listed {
        let what = "`list` counts only with pick = \"listed\"";
        return Err(table.error("list", what, "set `pick`, or take `list` away"));
    }
    let channels = table.integer("channels", 4..=MAX_CHANNELS)?;
    match word {
        Word::All => Ok(PickRule::All),
        Word::Keyed => Ok(PickRule::Keyed(table.needed(channels, "channels", "64")?.value)),
        Word::Even => Ok(PickRule::Even(table.needed(channels, "channels", "64")?.value)),
        Word::Listed => {
            let all = 0..=raster.count() - 1;
            table.widest_entries("list", &ANY_CHANNEL);
            let list = table.integers("list", &all)?;
            let list = table.needed(list, "list", "[3, 17, 40, 41]")?;
            Ok(PickRule::Listed(list.iter().filter_map(|c| Channel::new(c.value)).collect()))
        }
    }
}

/// Channels or frequencies, ends included: an exclusion, or a range of the hopset.
fn read_block(table: &Section<'_>, raster: &Raster) -> Result<Exclusion, Diagnostic> {
    const HELP: &str = "give either `from_hz` and `to_hz`, or `from_channel` and `to_channel`, or \
                        (of an exclusion) `channel`";
    let by_hz = table.has("from_hz") || table.has("to_hz");
    let by_block = table.has("from_channel") || table.has("to_channel");
    let by_one = table.has("channel");
    match (by_hz, by_block, by_one) {
        (true, false, false) => read_frequencies(table, raster),
        (false, true, false) => {
            let all = 0..=raster.count() - 1;
            let from = table.needed(channel(table, "from_channel", &all)?, "from_channel", "0")?;
            let to = table.needed(channel(table, "to_channel", &all)?, "to_channel", "9")?;
            ordered(table, "to_channel", from.value, to.value)?;
            Ok(Exclusion::Channels { from: from.value, to: to.value })
        }
        (false, false, true) => {
            let all = 0..=raster.count() - 1;
            let one = table.needed(channel(table, "channel", &all)?, "channel", "9")?.value;
            Ok(Exclusion::Channels { from: one, to: one })
        }
        (false, false, false) => Err(table.error("", "this entry names no channels", HELP)),
        _ => Err(table.error("", "this entry names its channels in two ways", HELP)),
    }
}

fn read_frequencies(table: &Section<'_>, raster: &Raster) -> Result<Exclusion, Diagnostic> {
    let hz = |key: &str, example: &str| {
        table.needed(table.integer(key, 0..=MAX_HZ)?, key, example).map(|l| Hertz::new(l.value))
    };
    let (from, to) = (hz("from_hz", "915_000_000")?, hz("to_hz", "915_400_000")?);
    ordered(table, "to_hz", from, to)?;
    let (low, high) = edges(raster);
    if to.hz() < low || from.hz() > high {
        let what = format!("the interval lies outside the raster, which covers {low} to {high} Hz");
        return Err(table.error("from_hz", what, "check the frequencies, or take the entry away"));
    }
    Ok(Exclusion::Band { from, to })
}

fn ordered<T: PartialOrd + std::fmt::Display>(
    table: &Section<'_>,
    key: &str,
    from: T,
    to: T,
) -> Result<(), Diagnostic> {
    if from <= to {
        return Ok(());
    }
    let what = format!("the interval is reversed: it ends at {to} and begins at {from}");
    Err(table.error(key, what, "give the lower end first"))
}

fn channel(
    table: &Section<'_>,
    key: &str,
    all: &RangeInclusive<u16>,
) -> Result<Option<Located<Channel>>, Diagnostic> {
    table.widest(key, &ANY_CHANNEL);
    let number = table.integer(key, all.clone()).map_err(|error| {
        let last = all.end();
        let help = format!("the raster has channels 0 to {last} (see `count` in [raster])");
        table.error(key, error.what(), help)
    })?;
    Ok(number.and_then(|n| Channel::new(n.value).map(|c| Located { value: c, span: n.span })))
}

/// The frequencies that the raster covers, occupied bandwidth included, rounded outwards.
fn edges(raster: &Raster) -> (u64, u64) {
    let half = raster.occupied().hz().div_ceil(2);
    let centre = |c: u16| Channel::new(c).and_then(|c| raster.frequency(c)).map_or(0, Hertz::hz);
    (centre(0).saturating_sub(half), centre(raster.count() - 1) + half)
}
