//! The raster: equally spaced channels and the bandwidth that each occupies.

use super::ChannelSet;
use crate::units::{Channel, Hertz, MAX_CHANNELS};
use core::fmt;

/// Equally spaced channels: `f(c) = base + c * spacing`, 1 to 4096 of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Raster {
    base_hz: u64,
    spacing_hz: u64,
    occupied_hz: u64,
    count: u16,
}

/// Why a raster is impossible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum RasterError {
    /// The number of channels must be 1 to 4096.
    Count(u16),
    /// Spacing and occupied bandwidth must not be zero.
    Zero,
    /// The highest channel would lie above 2^62 Hz.
    TooHigh,
}

impl fmt::Display for RasterError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Count(n) => write!(f, "a raster has 1 to {MAX_CHANNELS} channels, not {n}"),
            Self::Zero => f.write_str("spacing and occupied bandwidth must not be zero"),
            Self::TooHigh => f.write_str("the highest channel lies out of range"),
        }
    }
}

impl core::error::Error for RasterError {}

/// Channels that must never be used: somebody else is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Exclusion {
    /// A block of channels, ends included.
    Channels {
        /// The first channel.
        from: Channel,
        /// The last channel.
        to: Channel,
    },
    /// An interval of frequency, ends included. Every channel whose occupied bandwidth touches it
    /// goes, a shared edge included.
    Band {
        /// The lower end.
        from: Hertz,
        /// The upper end.
        to: Hertz,
    },
}

impl Raster {
    /// A raster whose channels occupy `occupied` each (the spacing, as a rule).
    ///
    /// # Errors
    /// [`RasterError`] if there would be no channel, more than 4096, or one out of range.
    pub const fn new(
        base: Hertz,
        spacing: Hertz,
        occupied: Hertz,
        count: u16,
    ) -> Result<Self, RasterError> {
        const LIMIT: u64 = 1 << 62;
        if count == 0 || count > MAX_CHANNELS {
            return Err(RasterError::Count(count));
        }
        if spacing.hz() == 0 || occupied.hz() == 0 {
            return Err(RasterError::Zero);
        }
        let top = base.hz().saturating_add(spacing.hz().saturating_mul(count as u64));
        if top.saturating_add(occupied.hz()) >= LIMIT {
            return Err(RasterError::TooHigh);
        }
        Ok(Self { base_hz: base.hz(), spacing_hz: spacing.hz(), occupied_hz: occupied.hz(), count })
    }

    /// The number of channels, 1 to 4096.
    #[must_use]
    pub const fn count(&self) -> u16 {
        self.count
    }

    /// The distance between neighbouring channels.
    #[must_use]
    pub const fn spacing(&self) -> Hertz {
        Hertz::new(self.spacing_hz)
    }

    /// The bandwidth that one channel occupies.
    #[must_use]
    pub const fn occupied(&self) -> Hertz {
        Hertz::new(self.occupied_hz)
    }

    /// The centre frequency of a channel; `None` if the raster does not reach it.
    ///
    /// ```
    /// # use hopwright_core::{band::Raster, units::{Channel, Hertz}};
    /// // 25 kHz steps from 30 MHz: channel 605 is 45.125 MHz (common practice, elementary).
    /// let step = Hertz::new(25_000);
    /// let raster = Raster::new(Hertz::new(30_000_000), step, step, 2320).unwrap();
    /// assert_eq!(raster.frequency(Channel::new(605).unwrap()), Some(Hertz::new(45_125_000)));
    /// ```
    #[must_use]
    pub const fn frequency(&self, channel: Channel) -> Option<Hertz> {
        if channel.number() < self.count {
            Some(Hertz::new(self.centre_hz(channel.number())))
        } else {
            None
        }
    }

    /// The channel centred on `frequency`; `None` off the raster.
    #[must_use]
    pub const fn channel_at(&self, frequency: Hertz) -> Option<Channel> {
        let Some(above) = frequency.hz().checked_sub(self.base_hz) else { return None };
        let (Some(steps), Some(0)) =
            (above.checked_div(self.spacing_hz), above.checked_rem(self.spacing_hz))
        else {
            return None;
        };
        if steps < self.count as u64 {
            #[expect(clippy::cast_possible_truncation, reason = "below count, a u16")]
            return Channel::new(steps as u16);
        }
        None
    }

    /// All channels of the raster.
    #[must_use]
    pub fn all(&self) -> ChannelSet {
        (0..self.count).filter_map(Channel::new).collect()
    }

    /// The channels whose *centre* lies in `from..=to`: how a range of frequencies is allowed.
    #[must_use]
    pub fn centred_in(&self, from: Hertz, to: Hertz) -> ChannelSet {
        self.touching(from, to, 0)
    }

    /// The channels that an exclusion removes. At most 4096 steps.
    #[must_use]
    pub fn excluded_by(&self, exclusion: Exclusion) -> ChannelSet {
        match exclusion {
            Exclusion::Channels { from, to } => {
                let (from, to) = (from.number(), to.number().min(self.count.saturating_sub(1)));
                let centre = |channel| Hertz::new(self.centre_hz(channel));
                // (Beyond the raster there is no centre to go by.)
                if from > to {
                    ChannelSet::new()
                } else {
                    self.centred_in(centre(from), centre(to))
                }
            }
            Exclusion::Band { from, to } => self.touching(from, to, self.occupied_hz),
        }
    }

    /// The channels that have a frequency in `from..=to`, if each is `width` wide.
    fn touching(&self, from: Hertz, to: Hertz, width: u64) -> ChannelSet {
        let (from, to) = (from.hz().saturating_mul(2), to.hz().saturating_mul(2));
        let hit = |c: &u16| {
            let twice = self.centre_hz(*c).wrapping_mul(2);
            twice <= to.saturating_add(width) && twice.saturating_add(width) >= from
        };
        (0..self.count).filter(hit).filter_map(Channel::new).collect()
    }

    /// In range for every channel of the raster: `new` has checked the highest.
    const fn centre_hz(&self, channel: u16) -> u64 {
        self.base_hz.wrapping_add(self.spacing_hz.wrapping_mul(channel as u64))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::vec::Vec;

    fn vhf() -> Raster {
        let step = Hertz::new(25_000);
        Raster::new(Hertz::new(30_000_000), step, step, 2320).unwrap()
    }

    fn numbers(set: &ChannelSet) -> Vec<u16> {
        set.iter().map(Channel::number).collect()
    }

    #[test]
    fn off_the_raster_is_no_channel() {
        assert_eq!(vhf().channel_at(Hertz::new(45_125_000)), Channel::new(605));
        assert_eq!(vhf().channel_at(Hertz::new(45_130_000)), None);
        assert_eq!(vhf().channel_at(Hertz::new(88_000_000)), None);
        assert_eq!(vhf().channel_at(Hertz::new(29_975_000)), None);
        assert_eq!(vhf().frequency(Channel::new(2320).unwrap()), None);
    }

    #[test]
    fn an_excluded_interval_takes_every_channel_that_touches_it() {
        let band = |from, to| {
            let exclusion = Exclusion::Band { from: Hertz::new(from), to: Hertz::new(to) };
            numbers(&vhf().excluded_by(exclusion))
        };
        // Inside channel 4 (30.0875 to 30.1125 MHz), between two centres.
        assert_eq!(band(30_105_000, 30_106_000), [4]);
        // A shared edge belongs to both neighbours.
        assert_eq!(band(30_112_500, 30_112_500), [4, 5]);
        assert_eq!(band(30_112_501, 30_137_499), [5]);
        assert_eq!(band(30_112_500, 30_137_500), [4, 5, 6]);
        assert_eq!(band(0, 29_987_499), [0; 0]);
        assert_eq!(band(0, 29_987_500), [0]);
    }

    #[test]
    fn impossible_rasters_are_refused() {
        let hz = Hertz::new;
        assert_eq!(Raster::new(hz(1), hz(1), hz(1), 0), Err(RasterError::Count(0)));
        assert_eq!(Raster::new(hz(1), hz(1), hz(1), 4097), Err(RasterError::Count(4097)));
        assert_eq!(Raster::new(hz(1), hz(0), hz(1), 9), Err(RasterError::Zero));
        assert_eq!(Raster::new(hz(u64::MAX), hz(1), hz(1), 9), Err(RasterError::TooHigh));
    }
}
