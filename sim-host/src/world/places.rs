//! Places that change: who moves, how far, and what the medium makes of it.

use super::{Due, World};

/// A place of an antenna.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Metres east of the origin.
    pub x_m: f64,
    /// Metres north of the origin.
    pub y_m: f64,
    /// Metres above flat ground.
    pub height_m: f64,
}

impl Place {
    /// The origin, at the height of an antenna in the hand: 2 m, our choice.
    pub const ORIGIN: Self = Self { x_m: 0.0, y_m: 0.0, height_m: 2.0 };

    /// A place at the height of an antenna in the hand.
    #[must_use]
    pub const fn at(x_m: f64, y_m: f64) -> Self {
        Self { x_m, y_m, ..Self::ORIGIN }
    }

    /// The straight distance to another place.
    #[must_use]
    pub fn metres_to(self, other: Self) -> f64 {
        let ground = libm::hypot(self.x_m - other.x_m, self.y_m - other.y_m);
        if self.height_m == other.height_m {
            return ground;
        }
        libm::hypot(ground, self.height_m - other.height_m)
    }

    /// The place a share of the way on to another.
    #[must_use]
    fn on_the_way_to(self, other: Self, share: f64) -> Self {
        let between = |from: f64, to: f64| from + (to - from) * share;
        Self {
            x_m: between(self.x_m, other.x_m),
            y_m: between(self.y_m, other.y_m),
            height_m: between(self.height_m, other.height_m),
        }
    }
}

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
    /// And how high; as high as it was if `None`.
    pub to_height_m: Option<f64>,
    /// How long it takes, in microseconds; 0 is at once.
    pub over_us: u64,
}

/// A journey, and where it began.
#[derive(Debug, Clone, Copy)]
pub(super) struct Underway {
    journey: Journey,
    from: Option<Place>,
}

impl World {
    /// Lets a station move, from where it will be at `at_us`. While it is on its way, gains and
    /// delays are worked out anew every second; a world in which nobody moves pays nothing.
    pub fn travel(&mut self, journey: Journey) {
        let index = self.journeys.len();
        self.journeys.push(Underway { journey, from: None });
        self.push(journey.at_us.max(self.now), Due::Travel { index });
    }

    /// Puts a traveller where it is now.
    pub(super) fn go_on(&mut self, index: usize) {
        let Underway { journey: Journey { node, at_us, to_m, to_height_m, over_us }, from } =
            self.journeys[index];
        let from = from.unwrap_or(self.nodes[node].place);
        self.journeys[index].from = Some(from);
        let gone = self.now.saturating_sub(at_us);
        let share = if gone >= over_us { 1.0 } else { gone as f64 / over_us as f64 };
        // Interference may come and go with the place: resting stations must be where they would
        // have been, and those that sense something new must hear of it.
        let disturbed = !self.medium.interferers().is_empty();
        let mut sensed = Vec::new();
        if disturbed {
            self.wake_all();
            sensed = self.sensing();
        }
        let height_m = to_height_m.unwrap_or(from.height_m);
        let to = Place { x_m: to_m.0, y_m: to_m.1, height_m };
        self.nodes[node].place = from.on_the_way_to(to, share);
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
