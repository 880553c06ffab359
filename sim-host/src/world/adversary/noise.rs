//! Noise that does not listen.

use super::Act;
use hopwright_core::band::ChannelSet;
use hopwright_core::units::Channel;

/// Noise on fixed channels.
#[derive(Debug, Clone)]
pub struct Constant {
    channels: ChannelSet,
}

impl Constant {
    /// Noise on these channels.
    #[must_use]
    pub const fn new(channels: ChannelSet) -> Self {
        Self { channels }
    }

    pub(super) fn poll(&self) -> Act {
        Act { noise: Some(self.channels.clone()), ..Act::default() }
    }
}

/// Noise on a window of channels that moves over the hopset.
#[derive(Debug, Clone)]
pub struct Sweep {
    channels: Vec<Channel>,
    width: usize,
    dwell_us: u64,
}

impl Sweep {
    /// Noise on `width` neighbouring `channels` at a time, for `dwell_us` each, round and round.
    #[must_use]
    pub fn new(channels: Vec<Channel>, width: usize, dwell_us: u64) -> Self {
        Self { channels, width: width.max(1), dwell_us: dwell_us.max(1) }
    }

    /// The time of one round.
    #[must_use]
    pub fn round_us(&self) -> u64 {
        self.dwell_us * self.channels.len().div_ceil(self.width) as u64
    }

    /// Closed form: the share of transmissions of `air_us` that meet the sweep at a random moment
    /// of its round: `min(1, (air + dwell) / round)`.
    #[must_use]
    pub fn touched(&self, air_us: f64) -> f64 {
        ((air_us + self.dwell_us as f64) / self.round_us() as f64).min(1.0)
    }

    pub(super) fn poll(&self, since: u64) -> Act {
        let step = since / self.dwell_us;
        let windows: Vec<_> = self.channels.chunks(self.width).collect();
        let index = usize::try_from(step % windows.len().max(1) as u64).unwrap_or(0);
        let noise = windows.get(index).map(|window| window.iter().copied().collect());
        Act { noise, send: Vec::new(), until_us: Some((step + 1) * self.dwell_us) }
    }
}

/// Noise that comes and goes.
#[derive(Debug, Clone)]
pub struct Pulses {
    channels: ChannelSet,
    on_us: u64,
    off_us: u64,
}

impl Pulses {
    /// Noise on these channels, `on_us` of every `on_us + off_us`.
    #[must_use]
    pub fn new(channels: ChannelSet, on_us: u64, off_us: u64) -> Self {
        Self { channels, on_us: on_us.max(1), off_us }
    }

    /// Closed form: the share of transmissions of `air_us` on a covered channel that meet a pulse:
    /// `min(1, (air + on) / (on + off))`.
    #[must_use]
    pub fn touched(&self, air_us: f64) -> f64 {
        ((air_us + self.on_us as f64) / (self.on_us + self.off_us) as f64).min(1.0)
    }

    pub(super) fn poll(&self, since: u64) -> Act {
        let period = self.on_us + self.off_us;
        let (start, into) = (since - since % period, since % period);
        if into < self.on_us {
            let until_us = Some(start + self.on_us);
            return Act { noise: Some(self.channels.clone()), send: Vec::new(), until_us };
        }
        Act { until_us: Some(start + period), ..Act::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hopset(n: u16) -> Vec<Channel> {
        (0..n).filter_map(Channel::new).collect()
    }

    fn covered(act: &Act) -> Vec<u16> {
        act.noise.iter().flat_map(|set| set.iter().map(Channel::number)).collect()
    }

    #[test]
    fn a_sweep_visits_every_channel_once_a_round() {
        let sweep = Sweep::new(hopset(10), 4, 250);
        assert_eq!(sweep.round_us(), 750);
        assert_eq!(covered(&sweep.poll(0)), [0, 1, 2, 3]);
        assert_eq!(sweep.poll(0).until_us, Some(250));
        assert_eq!(covered(&sweep.poll(749)), [8, 9]);
        assert_eq!(covered(&sweep.poll(750)), [0, 1, 2, 3]);
    }

    /// A transmission of `air` that begins at a random moment meets a visit of `dwell` if it
    /// begins less than `air` before it or `dwell` after its start (elementary). Here every
    /// moment of a round is tried.
    #[test]
    fn a_sweep_touches_its_share() {
        let (sweep, air) = (Sweep::new(hopset(20), 2, 30), 100);
        let channel = Channel::new(7).unwrap();
        let hit = |at: u64| {
            (at..at + air).any(|us| sweep.poll(us).noise.is_some_and(|set| set.contains(channel)))
        };
        let round = sweep.round_us();
        let touched = (0..round).filter(|at| hit(*at)).count();
        // Whole microseconds: 129 of 300, and not 130.
        assert_eq!(touched as u64, air + 30 - 1);
        assert!((sweep.touched(air as f64) - 130.0 / 300.0).abs() < 1e-12);
        assert!((sweep.touched(1e6) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn pulses_come_and_go() {
        let pulses = Pulses::new(hopset(4).into_iter().collect(), 30, 70);
        let on = (0..1_000).filter(|us| pulses.poll(*us).noise.is_some()).count();
        assert_eq!(on, 300);
        assert_eq!(pulses.poll(29).until_us, Some(30));
        assert_eq!(pulses.poll(30).until_us, Some(100));
        assert!((pulses.touched(20.0) - 0.5).abs() < 1e-12);
    }
}
