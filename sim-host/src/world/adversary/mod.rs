//! Opponents: whoever is on the air to harm the net. Simulated only.
//!
//! Each behaviour is a small machine without input or output of its own, as a station is: it is
//! told what it [overhears](Adversary::overhears) and what time it is, and [says](Act) on which
//! channels it makes noise, what it sends, and when to ask again. The world lends it an antenna
//! and charges its power at every receiver.
//!
//! An opponent hears without error whatever arrives above [`SENSITIVITY_DBM`], on all channels at
//! once, and transmits while it listens: more than equipment can do, so that what the net
//! withstands here it withstands elsewhere.

mod ear;
mod follower;
mod forger;
mod mimic;
mod noise;
mod opposition;
mod tape;

pub use follower::{Follower, header_survives, share_hit};
pub use forger::{Forger, Forgery};
pub use mimic::Mimic;
pub use noise::{Constant, Pulses, Sweep};
pub(super) use opposition::Opposition;
pub use opposition::{Reach, Taken};
pub use tape::{Order, Relay, Replayer};

use super::interferer::Level;
use hopwright_core::band::ChannelSet;
use hopwright_core::units::Channel;

/// The power from which an opponent with a place hears a transmission, in dBm. One without a
/// place (a level above the wanted signal) hears everything.
pub const SENSITIVITY_DBM: f64 = -110.0;

/// Something that an opponent hears.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Overheard<'a> {
    /// Where.
    pub channel: Channel,
    /// The unique word.
    pub word: u32,
    /// The bits behind it. They are given at once, and no behaviour uses one before it is sent.
    pub bits: &'a [u8],
    /// When the word begins at the opponent's antenna, true time in microseconds.
    pub began_us: u64,
    /// When the transmission ends there.
    pub ends_us: u64,
}

impl Overheard<'_> {
    /// Whether it is as long as a header and no longer.
    #[must_use]
    pub const fn header(&self) -> bool {
        self.bits.len() == hopwright_core::coding::interleave::HEADER_BYTES
    }
}

/// Something that an opponent sends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Emission {
    /// When the unique word starts, true time in microseconds; not in the past.
    pub at_us: u64,
    /// Where.
    pub channel: Channel,
    /// The unique word.
    pub word: u32,
    /// The bits behind it.
    pub bits: Vec<u8>,
}

/// What an opponent does from now on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[must_use]
pub struct Act {
    /// The channels that it covers with noise. Its power is split evenly among them.
    pub noise: Option<ChannelSet>,
    /// What it sends, once.
    pub send: Vec<Emission>,
    /// When to ask again, true time in microseconds; `None`: when it has overheard something.
    pub until_us: Option<u64>,
}

/// How an opponent behaves.
#[derive(Debug)]
pub enum Behaviour {
    /// Noise on fixed channels: tones, or the rendezvous channels if an insider has told them.
    Constant(Constant),
    /// Noise that moves over the hopset.
    Sweep(Sweep),
    /// Noise that comes and goes.
    Pulses(Pulses),
    /// Noise where something has been detected.
    Follower(Follower),
    /// Energy where stations without time wait.
    Mimic(Mimic),
    /// Recordings, played again.
    Replayer(Replayer),
    /// Everything again, a little later.
    Relay(Relay),
    /// Made-up headers.
    Forger(Forger),
}

/// An opponent.
#[derive(Debug)]
pub struct Adversary {
    /// What the account calls it.
    pub name: String,
    /// How it behaves.
    pub behaviour: Behaviour,
    /// Its power, all channels together.
    pub level: Level,
    /// True time at which it starts, in microseconds. It listens before that.
    pub from_us: u64,
    /// True time at which it stops.
    pub to_us: u64,
}

impl Behaviour {
    /// Whether it puts noise on the air, which may come at any time.
    #[must_use]
    pub const fn makes_noise(&self) -> bool {
        match self {
            Self::Constant(_)
            | Self::Sweep(_)
            | Self::Pulses(_)
            | Self::Follower(_)
            | Self::Mimic(_) => true,
            Self::Replayer(_) | Self::Relay(_) | Self::Forger(_) => false,
        }
    }
}

impl Adversary {
    /// Takes note of a transmission that begins.
    pub fn overhears(&mut self, heard: &Overheard<'_>) {
        if heard.began_us >= self.to_us {
            // Gone; what it stored now would only fill memory.
            return;
        }
        match &mut self.behaviour {
            Behaviour::Constant(_) | Behaviour::Sweep(_) | Behaviour::Pulses(_) => {}
            Behaviour::Follower(follower) => follower.overhears(heard),
            Behaviour::Mimic(mimic) => mimic.overhears(heard),
            Behaviour::Replayer(replayer) => replayer.overhears(heard),
            Behaviour::Relay(relay) => relay.overhears(heard),
            Behaviour::Forger(forger) => forger.overhears(heard),
        }
    }

    /// What it does at true time `now`: nothing before it starts and after it has stopped.
    pub fn poll(&mut self, now: u64) -> Act {
        if now < self.from_us {
            return Act { until_us: Some(self.from_us), ..Act::default() };
        }
        if now >= self.to_us {
            return Act::default();
        }
        let since = now - self.from_us;
        let mut act = match &mut self.behaviour {
            Behaviour::Constant(constant) => constant.poll(),
            Behaviour::Sweep(sweep) => sweep.poll(since).later(self.from_us),
            Behaviour::Pulses(pulses) => pulses.poll(since).later(self.from_us),
            Behaviour::Follower(follower) => follower.poll(now),
            Behaviour::Mimic(mimic) => mimic.poll(now),
            Behaviour::Replayer(replayer) => replayer.poll(now),
            Behaviour::Relay(relay) => relay.poll(),
            Behaviour::Forger(forger) => forger.poll(now),
        };
        act.send.retain(|emission| (now..self.to_us).contains(&emission.at_us));
        let until = act.until_us.unwrap_or(self.to_us).clamp(now + 1, self.to_us.max(now + 1));
        act.until_us = Some(until);
        act
    }
}

impl Act {
    /// The same for a machine that counts time from `from_us` on.
    fn later(mut self, from_us: u64) -> Self {
        self.until_us = self.until_us.map(|until| until + from_us);
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What begins when an opponent has stopped is not kept: it would never be sent, and fill memory to
    /// the end of the run.
    #[test]
    fn who_is_gone_stores_nothing() {
        let heard = |began_us| Overheard {
            channel: Channel::default(),
            word: 1,
            bits: &[2; 33],
            began_us,
            ends_us: began_us + 6_000,
        };
        let kept = |began_us| {
            let mut gone = Adversary {
                name: "van".to_owned(),
                behaviour: Behaviour::Relay(Relay::new(250)),
                level: Level::AboveWanted { db: 0.0 },
                from_us: 0,
                to_us: 100_000,
            };
            gone.overhears(&heard(began_us));
            let Behaviour::Relay(relay) = &mut gone.behaviour else { return 0 };
            relay.poll().send.len()
        };
        assert_eq!([99_999, 100_000, 200_000].map(kept), [1, 0, 0]);
    }
}
