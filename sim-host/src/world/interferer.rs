//! Whoever else is on the air, on purpose or not. Simulated only.

use super::places::Place;
use hopwright_core::band::ChannelSet;

/// Where an interferer's power comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Level {
    /// A transmitter at a place, with so many dBm in each channel that it covers.
    At {
        /// The place.
        place: Place,
        /// Power in one channel's bandwidth.
        power_dbm: f64,
    },
    /// At every receiver so many dB above the strongest wanted signal there.
    AboveWanted {
        /// Decibels.
        db: f64,
    },
}

/// Noise over a part of the band, for a part of the time.
#[derive(Debug, Clone, PartialEq)]
pub struct Interferer {
    /// What the account calls it.
    pub name: String,
    /// The channels that it covers.
    pub channels: ChannelSet,
    /// How strong it is.
    pub level: Level,
    /// True time at which it starts, in microseconds.
    pub from_us: u64,
    /// True time at which it stops.
    pub to_us: u64,
}

impl Interferer {
    /// Whether it is on at true time `us`.
    #[must_use]
    pub const fn on_at(&self, us: u64) -> bool {
        self.from_us <= us && us < self.to_us
    }

    /// Whether it is on at any time in `from..=to`.
    #[must_use]
    pub const fn on_within(&self, from: u64, to: u64) -> bool {
        self.from_us <= to && from < self.to_us
    }
}
