//! What a scenario's seed decides of the scenario itself: where the members of groups stand, and the
//! overs that nobody has written down. Another seed draws both anew.

use super::{OverPlan, StationPlan};
use crate::world::physics::microseconds;
use crate::world::{Place, child_seed, unit};
use hopwright_core::address::Target;
use hopwright_core::units::Lane;
use std::ops::Range;

/// What is drawn.
#[derive(Debug)]
pub(super) struct Drawn {
    pub(super) discs: Vec<Disc>,
    pub(super) traffic: Vec<Traffic>,
    /// How many overs are written down; those that are drawn come behind them.
    pub(super) written: usize,
}

impl Drawn {
    /// Draws from a seed.
    pub(super) fn draw(&self, seed: u64, stations: &mut [StationPlan], overs: &mut Vec<OverPlan>) {
        self.discs.iter().for_each(|disc| disc.place(seed, stations));
        overs.truncate(self.written);
        self.traffic.iter().for_each(|traffic| traffic.draw(seed, stations, overs));
    }
}

/// A disc over which members are spread.
#[derive(Debug)]
pub(super) struct Disc {
    /// Whom.
    pub(super) members: Range<usize>,
    pub(super) centre: Place,
    pub(super) radius_m: f64,
}

impl Disc {
    pub(super) fn place(&self, seed: u64, stations: &mut [StationPlan]) {
        for station in stations.get_mut(self.members.clone()).unwrap_or_default() {
            let chance = |what: &str| unit(child_seed(seed, &format!("{what}/{}", station.name)));
            // The square root spreads them evenly over the area (elementary).
            let away = self.radius_m * libm::sqrt(chance("distance"));
            let angle = 2.0 * core::f64::consts::PI * chance("direction");
            station.place = Place {
                x_m: self.centre.x_m + away * libm::cos(angle),
                y_m: self.centre.y_m + away * libm::sin(angle),
                ..self.centre
            };
        }
    }
}

/// What comes on top of an over's talk: call headers, closing headers, and the choice of those who wait
/// (0.35 s an over, measured on a net of the built-in plan that always has somebody waiting).
const AROUND_US: u64 = 500_000;
/// And so much later than planned he may still be speaking, or waiting: a speaker who is drawn again meanwhile
/// would press a second time, and be refused.
const WITHIN_US: u64 = 4_500_000;

/// A net that is busy for a share of the time.
#[derive(Debug)]
pub(super) struct Traffic {
    pub(super) name: String,
    pub(super) lane: Lane,
    pub(super) from_us: u64,
    pub(super) to_us: u64,
    pub(super) busy: f64,
    pub(super) talk_s: f64,
    pub(super) to: Target,
}

impl Traffic {
    /// The stations that may speak at a time: those of the net that are switched on by then.
    pub(super) fn speakers(&self, stations: &[StationPlan], at_us: u64) -> Vec<usize> {
        let there = |i: &usize| stations[*i].lane == self.lane && stations[*i].on_us <= at_us;
        (0..stations.len()).filter(there).collect()
    }

    /// Speakers evenly among those, one after the other, pauses with an exponential distribution
    /// (the calls of many, independent of one another).
    fn draw(&self, seed: u64, stations: &[StationPlan], overs: &mut Vec<OverPlan>) {
        let mean_pause_s = self.talk_s * (1.0 - self.busy) / self.busy;
        let talk_us = microseconds(self.talk_s);
        let (mut at_us, mut turn) = (self.from_us, 0_u64);
        // Until when whoever spoke is not drawn again: with short overs it is not the last one only.
        let mut until = vec![0; stations.len()];
        // When all that has been planned will have been said, one over behind the other.
        let mut said_us = 0;
        loop {
            let chance =
                |what: &str| child_seed(seed, &format!("traffic/{}/{turn}/{what}", self.name));
            let pause_s = -mean_pause_s * libm::log(1.0 - unit(chance("pause")));
            at_us += microseconds(pause_s);
            let mut speakers = self.speakers(stations, at_us);
            // If all have spoken just now, the next over waits for the first of them.
            at_us = at_us.max(speakers.iter().map(|speaker| until[*speaker]).min().unwrap_or(0));
            speakers.retain(|speaker| until[*speaker] <= at_us);
            if at_us + talk_us > self.to_us {
                break;
            }
            if let Some(among) = std::num::NonZero::new(speakers.len() as u64) {
                let speaker = chance("speaker") % among;
                let from = usize::try_from(speaker).ok().and_then(|i| speakers.get(i).copied());
                let to = self.to;
                if let Some(from) = from {
                    said_us = at_us.max(said_us) + AROUND_US + talk_us;
                    until[from] = said_us + WITHIN_US;
                    overs.push(OverPlan { at_us, from, to, talk_us });
                }
            }
            at_us += talk_us;
            turn += 1;
        }
    }
}
