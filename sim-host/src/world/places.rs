//! Places that change: who moves, how far, and what the medium makes of it.

use super::{Due, World};

/// While somebody moves, gains and delays are worked out this often, in microseconds.
const STRIDE_US: u64 = 1_000_000;

/// A station goes from where it is to another place, straight and evenly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Journey {
    /// Who.
    pub node: usize,
    /// True time at which it leaves, in microseconds.
    pub at_us: u64,
    /// Where it goes: metres east and north of the origin.
    pub to_m: (f64, f64),
    /// How long it takes, in microseconds; 0 is at once.
    pub over_us: u64,
}

/// A journey, and where it began.
#[derive(Debug, Clone, Copy)]
pub(super) struct Underway {
    journey: Journey,
    from_m: Option<(f64, f64)>,
}

impl World {
    /// Lets a station move, from where it will be at `at_us`. While it is on its way, gains and
    /// delays are worked out anew every second; a world in which nobody moves pays nothing.
    pub fn travel(&mut self, journey: Journey) {
        let index = self.journeys.len();
        self.journeys.push(Underway { journey, from_m: None });
        self.push(journey.at_us.max(self.now), Due::Travel { index });
    }

    /// Puts a traveller where it is now.
    pub(super) fn go_on(&mut self, index: usize) {
        let Underway { journey: Journey { node, at_us, to_m, over_us }, from_m } =
            self.journeys[index];
        let own = &self.nodes[node];
        let from_m = from_m.unwrap_or((own.x_m, own.y_m));
        self.journeys[index].from_m = Some(from_m);
        let gone = self.now.saturating_sub(at_us);
        let share = if gone >= over_us { 1.0 } else { gone as f64 / over_us as f64 };
        let between = |from: f64, to: f64| from + (to - from) * share;
        let place = (between(from_m.0, to_m.0), between(from_m.1, to_m.1));
        // Interference may come and go with the place: resting stations must be where they would
        // have been, and those that sense something new must hear of it.
        let disturbed = !self.medium.interferers().is_empty();
        let mut sensed = Vec::new();
        if disturbed {
            self.wake_all();
            sensed = self.sensing();
        }
        let own = &mut self.nodes[node];
        (own.x_m, own.y_m) = place;
        self.medium.moved(&self.nodes, node);
        if disturbed {
            let now = self.sensing();
            for (node, before) in sensed.into_iter().enumerate() {
                if now[node] && !before {
                    self.watch_energy(node);
                }
            }
        }
        if gone < over_us {
            let next = self.now + STRIDE_US.min(over_us - gone);
            self.push(next, Due::Travel { index });
        }
    }

    /// Which stations sense energy on the channel to which they are tuned.
    fn sensing(&self) -> Vec<bool> {
        let senses = |node: usize| {
            let tuned = self.nodes[node].tuned;
            tuned.is_some_and(|tuned| self.sensed(node, tuned.channel, self.now).is_some())
        };
        (0..self.nodes.len()).map(senses).collect()
    }
}
