//! Opponents of a scenario: `[[adversary]]` tables, and the machines that they describe.
//! Simulated only.

use super::read::{printable, time};
use super::{Builder, air};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::world::adversary::{
    Adversary, Behaviour, Constant, Follower, Forger, Forgery, Mimic, Order, Pulses, Relay,
    Replayer, Sweep,
};
use crate::world::{Level, child_seed};
use hopwright_core::band::{ChannelSet, Lanes};
use hopwright_core::header::HeaderKeys;
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::Sequence;
use hopwright_core::units::{Channel, Lane};
use std::ops::RangeInclusive;

/// One opponent of a scenario. Simulated only.
#[derive(Debug, Clone, PartialEq)]
pub struct AdversaryPlan {
    /// Its name.
    pub name: String,
    /// What it does.
    pub behaviour: BehaviourPlan,
    /// How strong it is, all channels together.
    pub level: Level,
    /// When it starts, in microseconds.
    pub from_us: u64,
    /// When it stops.
    pub to_us: u64,
}

/// What an opponent does.
#[derive(Debug, Clone, PartialEq)]
pub enum BehaviourPlan {
    /// Noise on so many channels of the hopset, taken at random.
    Tones {
        /// Channels.
        count: u16,
    },
    /// Noise that moves over the hopset.
    Sweep {
        /// Neighbouring channels that it covers at once.
        width: u16,
        /// How long it stays, in microseconds.
        dwell_us: u64,
    },
    /// Noise on a share of the hopset that comes and goes.
    Pulses {
        /// The share, 0 to 1.
        share: f64,
        /// How long it is on, in microseconds.
        on_us: u64,
        /// How long it is off.
        off_us: u64,
    },
    /// Noise where something has been detected.
    Follower {
        /// How much of a transmission it needs to detect it, in microseconds.
        detect_us: u64,
        /// How long it needs to be there.
        retune_us: u64,
    },
    /// Energy where stations without time wait.
    Mimic {
        /// The share of those channels that it covers at once, 0 to 1.
        share: f64,
        /// After how long it takes others, in microseconds.
        burst_us: u64,
        /// Whether it knows the channels before it has heard anything.
        informed: bool,
    },
    /// Recordings, played again.
    Replay {
        /// When it records, in microseconds.
        listen_us: (u64, u64),
        /// When it plays.
        play_us: u64,
        /// How many times over.
        times: u32,
        /// Whether single headers go anywhere, and how often, in microseconds.
        anywhere_us: Option<u64>,
    },
    /// Everything again, a little later.
    Relay {
        /// How much later, in microseconds.
        delay_us: u64,
    },
    /// Made-up headers.
    Forger {
        /// What is forged.
        forgery: ForgeryPlan,
        /// How often, in microseconds.
        every_us: u64,
    },
    /// Noise on the rendezvous channels, by somebody who has the net key.
    Insider,
}

impl BehaviourPlan {
    /// What scenarios call it.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Tones { .. } => "tones",
            Self::Sweep { .. } => "sweep",
            Self::Pulses { .. } => "pulses",
            Self::Follower { .. } => "follower",
            Self::Mimic { .. } => "mimic",
            Self::Replay { .. } => "replay",
            Self::Relay { .. } => "relay",
            Self::Forger { .. } => "forger",
            Self::Insider => "insider",
        }
    }
}

/// What a forger forges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ForgeryPlan {
    /// Random bits.
    Random,
    /// Genuine headers with so many bits turned.
    Turned(u16),
    /// Headers under another key.
    WrongKey,
}

/// Which behaviour a table names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Tones,
    Sweep,
    Pulses,
    Follower,
    Mimic,
    Replay,
    Relay,
    Forger,
    Insider,
}

/// The behaviours and the keys that each has of its own.
const BEHAVIOURS: [(&str, Kind, &[&str]); 9] = [
    ("tones", Kind::Tones, &["count"]),
    ("sweep", Kind::Sweep, &["width", "dwell_us"]),
    ("pulses", Kind::Pulses, &["share", "on_us", "off_us"]),
    ("follower", Kind::Follower, &["detect_us", "retune_us"]),
    ("mimic", Kind::Mimic, &["share", "burst_us", "informed"]),
    ("replay", Kind::Replay, &["listen_from_s", "listen_to_s", "play_s", "times", "every_us"]),
    ("relay", Kind::Relay, &["delay_us"]),
    ("forger", Kind::Forger, &["forgery", "flips", "every_us"]),
    ("insider", Kind::Insider, &[]),
];

/// All keys of an opponent.
pub(super) const KEYS: &[&str] = &[
    "name",
    "behaviour",
    "x_m",
    "y_m",
    "height_m",
    "power_dbm",
    "above_wanted_db",
    "from_s",
    "to_s",
    "count",
    "width",
    "dwell_us",
    "share",
    "on_us",
    "off_us",
    "detect_us",
    "retune_us",
    "burst_us",
    "informed",
    "listen_from_s",
    "listen_to_s",
    "play_s",
    "times",
    "every_us",
    "delay_us",
    "forgery",
    "flips",
];

/// A span on the air: up to ten seconds.
const SPAN_US: RangeInclusive<u64> = 0..=10_000_000;
/// The same, and not nothing.
const SOME_US: RangeInclusive<u64> = 1..=10_000_000;

/// Reads one opponent; `limit_us` is the end of the scenario.
pub(super) fn adversary(section: &Section<'_>, limit_us: u64) -> Result<AdversaryPlan, Diagnostic> {
    let name = section.needed(section.text("name")?, "name", "\"the van on the ridge\"")?;
    printable(section, "name", name.value)?;
    section.needed(section.text("behaviour")?, "behaviour", "\"follower\"")?;
    let [(first, kind, _), others @ ..] = BEHAVIOURS;
    let others = others.map(|(word, kind, _)| (word, kind));
    let kind = section.choice("behaviour", (first, kind), &others)?;
    only_own_keys(section, kind)?;
    let from_us = if section.has("from_s") { time(section, "from_s", limit_us)? } else { 0 };
    let to_us = if section.has("to_s") { time(section, "to_s", limit_us)? } else { limit_us + 1 };
    if to_us <= from_us {
        let what = "an adversary must stop after it has started";
        return Err(section.error("to_s", what, "make to_s larger than from_s"));
    }
    Ok(AdversaryPlan {
        name: name.value.to_owned(),
        behaviour: behaviour(section, kind, limit_us)?,
        level: level(section)?,
        from_us,
        to_us,
    })
}

/// Refuses keys of another behaviour: they would be without effect.
fn only_own_keys(section: &Section<'_>, kind: Kind) -> Result<(), Diagnostic> {
    let Some((name, _, own)) = BEHAVIOURS.iter().find(|(_, other, _)| *other == kind) else {
        return Ok(());
    };
    for (_, _, keys) in BEHAVIOURS {
        if let Some(key) = keys.iter().find(|key| !own.contains(key) && section.has(key)) {
            let what = format!("`{key}` means nothing to a \"{name}\"");
            let help = match own {
                [] => format!("leave `{key}` out; \"{name}\" has no keys of its own"),
                own => format!("leave `{key}` out; \"{name}\" has {}", own.join(", ")),
            };
            return Err(section.error(key, what, help));
        }
    }
    Ok(())
}

fn behaviour(
    section: &Section<'_>,
    kind: Kind,
    limit_us: u64,
) -> Result<BehaviourPlan, Diagnostic> {
    let needed = |key: &str, range, example| {
        let value = section.integer(key, range)?;
        section.needed(value, key, example).map(|located| located.value)
    };
    let share = || {
        let share = section.number_in("share", 0.0, 1.0)?;
        section.needed(share, "share", "0.4")
    };
    Ok(match kind {
        Kind::Tones => {
            let count = section.integer("count", 1..=4_096_u16)?;
            BehaviourPlan::Tones { count: section.needed(count, "count", "8")?.value }
        }
        Kind::Sweep => BehaviourPlan::Sweep {
            width: section.integer_or("width", 1..=4_096_u16, 1)?,
            dwell_us: needed("dwell_us", 100..=10_000_000, "2_000")?,
        },
        Kind::Pulses => BehaviourPlan::Pulses {
            share: share()?,
            on_us: needed("on_us", 100..=10_000_000, "5_000")?,
            off_us: needed("off_us", 100..=10_000_000, "15_000")?,
        },
        Kind::Follower => BehaviourPlan::Follower {
            detect_us: needed("detect_us", SPAN_US, "500")?,
            retune_us: needed("retune_us", SPAN_US, "1_000")?,
        },
        Kind::Mimic => BehaviourPlan::Mimic {
            share: share()?,
            burst_us: section.integer_or("burst_us", 1_000..=10_000_000, 60_000)?,
            informed: section.flag_or("informed", false)?,
        },
        Kind::Replay => replay(section, limit_us)?,
        Kind::Relay => BehaviourPlan::Relay { delay_us: needed("delay_us", SOME_US, "200")? },
        Kind::Forger => forger(section)?,
        Kind::Insider => BehaviourPlan::Insider,
    })
}

fn replay(section: &Section<'_>, limit_us: u64) -> Result<BehaviourPlan, Diagnostic> {
    let from = time(section, "listen_from_s", limit_us)?;
    let to = time(section, "listen_to_s", limit_us)?;
    if to <= from {
        let what = "a recording must stop after it has started";
        return Err(section.error("listen_to_s", what, "make it larger than listen_from_s"));
    }
    let play_us = time(section, "play_s", limit_us)?;
    if play_us < to {
        let what = "a recording cannot be played before it has been made";
        return Err(section.error("play_s", what, "make it listen_to_s or later"));
    }
    let every = section.integer("every_us", 1_000..=10_000_000_u64)?;
    Ok(BehaviourPlan::Replay {
        listen_us: (from, to),
        play_us,
        times: section.integer_or("times", 1..=1_000_000, 1)?,
        anywhere_us: every.map(|every| every.value),
    })
}

fn forger(section: &Section<'_>) -> Result<BehaviourPlan, Diagnostic> {
    let words = [("turned", ForgeryPlan::Turned(0)), ("wrong-key", ForgeryPlan::WrongKey)];
    let forgery = section.choice("forgery", ("random", ForgeryPlan::Random), &words)?;
    let flips = section.integer("flips", 1..=264_u16)?;
    let forgery = match (forgery, flips) {
        (ForgeryPlan::Turned(_), flips) => {
            ForgeryPlan::Turned(section.needed(flips, "flips", "4")?.value)
        }
        (other, None) => other,
        (_, Some(_)) => {
            let what = "`flips` are those of forgery = \"turned\"";
            return Err(section.error("flips", what, "leave `flips` out"));
        }
    };
    Ok(BehaviourPlan::Forger {
        forgery,
        every_us: section.integer_or("every_us", 1_000..=10_000_000, 20_000)?,
    })
}

fn level(section: &Section<'_>) -> Result<Level, Diagnostic> {
    let above = section.number_in("above_wanted_db", -200.0, 200.0)?;
    let power = section.number_in("power_dbm", -200.0, 200.0)?;
    let placed = air::placed(section);
    match (above, power, placed) {
        (Some(db), None, None) => Ok(Level::AboveWanted { db }),
        (None, Some(power_dbm), _) => Ok(Level::At { place: air::place(section)?, power_dbm }),
        (above, power, placed) => {
            let what = "an adversary has either above_wanted_db, or power_dbm and a place";
            let (key, help) = match (above, power, placed) {
                (None, ..) => ("", "give `above_wanted_db`, or `power_dbm`, `x_m` and `y_m`"),
                (_, Some(_), _) => ("power_dbm", "keep one of the two"),
                (_, None, placed) => (placed.unwrap_or(""), "leave the place out"),
            };
            Err(section.error(key, what, help))
        }
    }
}

impl Builder<'_> {
    /// The opponent of a plan.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a plan that has been read.
    pub fn adversary(&self, plan: &AdversaryPlan) -> Result<Adversary, Diagnostic> {
        let seed = child_seed(self.seed, &format!("adversary/{}", plan.name));
        let hopset = self.hopset();
        let behaviour = match plan.behaviour {
            BehaviourPlan::Tones { count } => {
                Behaviour::Constant(Constant::new(scattered(hopset, usize::from(count), seed)))
            }
            BehaviourPlan::Sweep { width, dwell_us } => {
                Behaviour::Sweep(Sweep::new(hopset.to_vec(), usize::from(width), dwell_us))
            }
            BehaviourPlan::Pulses { share, on_us, off_us } => {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "0 to the size of a hopset"
                )]
                let count = libm::round(share * hopset.len() as f64) as usize;
                Behaviour::Pulses(Pulses::new(scattered(hopset, count, seed), on_us, off_us))
            }
            BehaviourPlan::Follower { detect_us, retune_us } => {
                let timing = self.plan.timing();
                let idle = timing.settle().us() + 2 * timing.guard().us();
                let dwell_us = timing.slot().us() - idle;
                Behaviour::Follower(Follower::new(detect_us, retune_us, dwell_us))
            }
            BehaviourPlan::Mimic { share, burst_us, informed } => {
                let known = if informed { Some(self.rendezvous()?) } else { None };
                Behaviour::Mimic(Mimic::new(known, share, burst_us, seed))
            }
            BehaviourPlan::Replay { listen_us, play_us, times, anywhere_us } => {
                let order =
                    anywhere_us.map_or(Order::AsHeard, |every_us| Order::Anywhere { every_us });
                Behaviour::Replayer(Replayer::new(listen_us, play_us, times, order, seed))
            }
            BehaviourPlan::Relay { delay_us } => Behaviour::Relay(Relay::new(delay_us)),
            BehaviourPlan::Forger { forgery, every_us } => {
                let forgery = match forgery {
                    ForgeryPlan::Random => Forgery::Random,
                    ForgeryPlan::Turned(flips) => Forgery::Turned(flips),
                    ForgeryPlan::WrongKey => {
                        let mut key = [0; 32];
                        for (i, bytes) in key.chunks_exact_mut(8).enumerate() {
                            let part = child_seed(seed, &format!("key/{i}"));
                            bytes.copy_from_slice(&part.to_le_bytes());
                        }
                        Forgery::WrongKey(HeaderKeys::new(&NetKey::new(key)))
                    }
                };
                Behaviour::Forger(Forger::new(forgery, every_us, seed))
            }
            BehaviourPlan::Insider => Behaviour::Constant(Constant::new(self.rendezvous()?)),
        };
        let AdversaryPlan { ref name, level, from_us, to_us, .. } = *plan;
        Ok(Adversary { name: name.clone(), behaviour, level, from_us, to_us })
    }

    /// The rendezvous channels of all nets, which only the net key tells.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a plan that has been read.
    pub fn rendezvous(&self) -> Result<ChannelSet, Diagnostic> {
        let structure = self.plan.structure();
        let spaced = self.plan.lanes().is_some_and(Lanes::spaced);
        let mut channels = ChannelSet::new();
        for (lane, hopset) in &self.hopsets {
            let draw_lane = if spaced { Lane::ZERO } else { *lane };
            let hopset = hopset.clone();
            let sequence =
                Sequence::new(&self.key, hopset, structure, *lane, draw_lane).map_err(|error| {
                    Diagnostic::new(error.to_string(), "change [slots] of the plan")
                })?;
            sequence.rendezvous().for_each(|channel| channels.insert(channel));
        }
        Ok(channels)
    }
}

/// So many channels, taken at random.
fn scattered(channels: &[Channel], count: usize, seed: u64) -> ChannelSet {
    let chance = |c: &Channel| child_seed(seed, &c.number().to_string());
    let mut drawn: Vec<_> = channels.iter().map(|c| (chance(c), *c)).collect();
    drawn.sort_unstable();
    drawn.into_iter().take(count).map(|(_, c)| c).collect()
}
