//! What a station is given at its start.

use crate::address::Address;
use crate::band::Hopset;
use crate::clock::ClockPlan;
use crate::keys::NetKey;
use crate::sequence::{Structure, StructureError};
use crate::timing::Timing;
use crate::tree::Share;
use crate::units::{Channel, Dbm, Lane, Micros, Slot};

/// What a station may do for its net.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Role {
    /// May start the net's timeline.
    Timekeeper,
    /// May take over from the timekeeper, once no announce has been heard for so long.
    Deputy {
        /// How long, since the last announce or since the station was first asked.
        after: Micros,
    },
    /// Everyone else.
    Member,
}

/// What the station's storage says of the net's past.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Watermark {
    /// Nothing was ever stored under this net key. Under a key that has been used it repeats slots, and with them
    /// keystream: two texts can then be read by whoever has both.
    Fresh,
    /// The slot of the last [`SaveWatermark`](super::Event::SaveWatermark) event. It belongs to the net key and to
    /// the keys that changes on the air put in its place, not to the plan or its digest: store
    /// [`NetKey::fingerprint`](crate::keys::NetKey::fingerprint) with it. That of another key can make the station
    /// take its own net for a recording, for as long as that takes to pass it.
    Stored(Slot),
    /// Something was stored and cannot be read any more. A timekeeper then refuses to start a
    /// timeline: it might repeat slots that an opponent has recorded.
    Lost,
}

/// How a station uses its radio. Hopping without sealing does not exist.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Mode {
    /// It hops with its net, sealed.
    #[default]
    Hopping,
    /// It stays on the calling channel, sealed with the keys of its net.
    SingleSealed,
    /// It stays on the calling channel and speaks in the clear: anybody can hear what is said, and
    /// say anything.
    SinglePlain,
}

/// The channels on which a net hears those who do not hop with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FixedChannels {
    /// Where a station that does not hop asks for attention, and where single-channel modes are. An
    /// alert needs frames of 700 ms at most, and on the watch channel such slots: where they are
    /// longer, three samples in a row are too far apart.
    pub calling: Option<Channel>,
    /// A second channel, sampled for distress traffic.
    pub watch: Option<Channel>,
    /// The least time between two alerts of the same kind, so that a flood of false calls wears
    /// nobody down.
    pub lockout: Micros,
}

impl FixedChannels {
    /// None at all.
    pub const NONE: Self =
        Self { calling: None, watch: None, lockout: Micros::from_millis(40_000) };
}

/// Everything that makes a station: plan, identity, storage and a seed.
#[derive(Debug)]
pub struct Config<'a, const N: usize> {
    /// The net key.
    pub key: &'a NetKey,
    /// The channels of the lane.
    pub hopset: Hopset<N>,
    /// The shape of the timeline.
    pub structure: Structure,
    /// The lane.
    pub lane: Lane,
    /// The lane whose draw is followed: the same, or lane 0 if the plan's lanes are spaced.
    pub draw_lane: Lane,
    /// The anatomy of a slot.
    pub timing: Timing,
    /// Tolerances and distances.
    pub clock: ClockPlan,
    /// Slots of an announce, 1 to 2000.
    pub announce_slots: u16,
    /// Received power from which a channel without a unique word counts as interfered with.
    pub energy_threshold: Dbm,
    /// Channels outside the hopset on which others are heard.
    pub fixed: FixedChannels,
    /// The station's address. No two transmitters of a lane ever have the same: lane, slot and address are the nonce
    /// of what is said. A spare set has one of its own, and a set with two radios two stations.
    pub address: Address,
    /// What it may do.
    pub role: Role,
    /// Its share of the key tree, in a net that addresses by keys. Without one, whoever has the net
    /// key can read all that is said, and no change of it can be taken.
    pub share: Option<Share>,
    /// What its storage says.
    pub watermark: Watermark,
    /// Spreads the choices that no key decides: another one at every start. The same gives the same,
    /// the slots at which cut-ins begin among them: started twice with one seed and pressed at the
    /// same tick, a station says two things under one keystream (specification section 9). Another one
    /// than any other station's, too: two with the same wait alike, and begin on top of each other. Entropy
    /// serves, or a number of the chip mixed with a count of starts that is stored before the station is made.
    pub seed: u64,
}

/// Why a configuration makes no station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ConfigError {
    /// The structure does not fit the hopset.
    Structure(StructureError),
    /// An announce has 1 to 2000 slots.
    Announce(u16),
    /// The guard time does not cover what time stamps and propagation alone may be off.
    Guard {
        /// The guard time.
        guard_us: u64,
        /// Twice the jitter, twice the wander, and the longest delay.
        needed_us: u64,
    },
    /// The station's own oscillator is said to be worse than any of the net.
    OwnTolerance,
    /// A calling or watch channel belongs to the hopset, where the net itself would raise alerts.
    FixedInHopset(Channel),
}

impl core::fmt::Display for ConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Structure(error) => error.fmt(f),
            Self::Announce(n) => write!(f, "an announce has 1 to 2000 slots, not {n}"),
            Self::Guard { guard_us, needed_us } => write!(
                f,
                "a guard of {guard_us} us does not cover jitter, wander and propagation of \
                 {needed_us} us"
            ),
            Self::OwnTolerance => {
                f.write_str("the station's own tolerance is larger than that of the net")
            }
            Self::FixedInHopset(channel) => {
                write!(f, "channel {channel} is a calling or watch channel and in the hopset")
            }
        }
    }
}

impl core::error::Error for ConfigError {}
