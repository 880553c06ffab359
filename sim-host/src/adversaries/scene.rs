//! Small worlds with opponents in them.

use super::Ask;
use crate::diagnostic::Diagnostic;
use crate::scenario::{
    AdversaryPlan, BehaviourPlan, Builder, InterfererPlan, OverPlan, RadioPlan, StationPlan,
    Timetable,
};
use crate::world::{Level, Place, World, child_seed};
use hopwright_core::address::{Address, Target};
use hopwright_core::keys::NetKey;
use hopwright_core::station::{Event, Role};
use hopwright_core::units::Slot;
use rayon::prelude::*;

pub(super) const SECOND: u64 = 1_000_000;
/// The announce of every scene, by station 0.
pub(super) const ANNOUNCE: u64 = SECOND;
/// By now the announce is over and everybody who heard it is in step.
pub(super) const SETTLED: u64 = 6 * SECOND;

/// A small world in the making: a timekeeper and members, a few kilometres apart.
#[derive(Debug, Clone)]
pub(super) struct Scene {
    pub(super) seed: u64,
    pub(super) stations: Vec<StationPlan>,
    pub(super) announces: Vec<u64>,
    pub(super) overs: Vec<OverPlan>,
    pub(super) interferers: Vec<InterfererPlan>,
    pub(super) adversaries: Vec<AdversaryPlan>,
}

impl Scene {
    /// `count` stations that are switched on at once; an announce.
    pub(super) fn new(seed: u64, count: u8) -> Self {
        let far = u32::try_from(draw(seed, "slot", 1 << 31)).unwrap_or(0);
        let station = |i: u8| {
            let place = |axis: &str| draw(seed, &format!("{axis}/{i}"), 6_000) as f64 - 3_000.0;
            StationPlan {
                role: if i == 0 { Role::Timekeeper } else { Role::Member },
                place: Place::at(place("x"), place("y")),
                stored_slot: (i == 0).then(|| Slot::new(far)),
                ..StationPlan::member(format!("station {i}"), Address::new(i))
            }
        };
        Self {
            seed,
            stations: (0..count).map(station).collect(),
            announces: vec![ANNOUNCE],
            overs: Vec::new(),
            interferers: Vec::new(),
            adversaries: Vec::new(),
        }
    }

    /// Somebody speaks.
    pub(super) fn over(mut self, from: usize, at_us: u64, talk_us: u64) -> Self {
        self.overs.push(OverPlan { at_us, from, to: Target::ALL, talk_us });
        self
    }

    /// A station is switched on later.
    pub(super) fn on(mut self, node: usize, on_us: u64) -> Self {
        self.stations[node].on_us = on_us;
        self
    }

    /// Somebody is against it, from a time on.
    pub(super) fn against(mut self, behaviour: BehaviourPlan, level: Level, from_us: u64) -> Self {
        let name = format!("opponent {}", self.adversaries.len());
        let to_us = u64::MAX;
        self.adversaries.push(AdversaryPlan { name, behaviour, level, from_us, to_us });
        self
    }

    /// The plan of the scene's radios.
    pub(super) fn radio(&self) -> RadioPlan {
        RadioPlan {
            interferers: self.interferers.clone(),
            adversaries: self.adversaries.clone(),
            ..RadioPlan::of(self.stations.clone())
        }
    }

    /// The scene's world at time 0, under a key of its own.
    pub(super) fn world(&self, ask: &Ask<'_>) -> Result<World, Diagnostic> {
        let radio = self.radio();
        let announces: Vec<(u64, usize)> = self.announces.iter().map(|at| (*at, 0)).collect();
        Builder::with_key(ask.plan, &radio, self.seed, self.key())?
            .world(Timetable::totals(&announces, &self.overs))
    }

    /// The scene's net key.
    pub(super) fn key(&self) -> NetKey {
        let mut key = [0; 32];
        for (i, bytes) in key.chunks_exact_mut(8).enumerate() {
            let part = child_seed(self.seed, &format!("key/{i}"));
            bytes.copy_from_slice(&part.to_le_bytes());
        }
        NetKey::new(key)
    }
}

/// A number below `below` from a scene's seed.
pub(super) fn draw(seed: u64, what: &str, below: u64) -> u64 {
    child_seed(seed, what) % below
}

/// So many dB above the strongest wanted signal everywhere.
pub(super) const fn above(db: f64) -> Level {
    Level::AboveWanted { db }
}

/// When a station said that it is in step, for the first time at or after `since`.
pub(super) fn first_in_step(world: &World, node: usize, since: u64) -> Option<u64> {
    world.trace().times_of(node, |e| matches!(e, Event::InStep { .. })).find(|t| *t >= since)
}

/// Repeats something on all cores, each time with a seed of its own; outcomes in order.
pub(super) fn repeat<T: Send>(
    ask: &Ask<'_>,
    name: &str,
    times: u32,
    one: impl Fn(u64) -> Result<T, Diagnostic> + Sync,
) -> Result<Vec<T>, Diagnostic> {
    let seed = |n| child_seed(ask.seed, &format!("{name}/{n}"));
    (0..times).into_par_iter().map(|n| one(seed(n))).collect()
}

/// Worlds of half a minute of talk that stand for so many trials.
pub(super) const fn talks(ask: &Ask<'_>) -> u32 {
    ask.trials.div_ceil(50)
}

/// A long over in every scene that measures by the slot.
pub(super) const TALK: u64 = 30 * SECOND;
