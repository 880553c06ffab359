//! A scenario: stations of one plan, a timetable, interferers, and what must come of it.
//!
//! ```text
//! scenario.toml ──read──► Scenario ──world()──► World ──run──► Trace ──► metrics, checks
//! ```

mod expect;
mod read;

pub use expect::{Bound, Expectation};

use crate::diagnostic::Diagnostic;
use crate::input::{Section, Source, read_text};
use crate::plan::Plan;
use crate::world::physics::Propagation;
use crate::world::{
    Detail, Interferer, Level, Medium, MediumPlan, Node, Order, Oscillator, World, child_seed,
};
use hopwright_core::address::{Address, Target};
use hopwright_core::band::ChannelSet;
use hopwright_core::clock::ClockPlan;
use hopwright_core::record;
use hopwright_core::station::{Config, ConfigError, Role, Station, Watermark};
use hopwright_core::units::{Lane, Micros};
use std::path::Path;

/// The text of the built-in scenario.
const BUILT_IN: &str = include_str!("../../scenarios/larkfell.toml");
/// The text of its plan.
const BUILT_IN_PLAN: &str = include_str!("../../plans/larkfell.toml");

/// A scenario that can be run.
#[derive(Debug)]
pub struct Scenario {
    /// A short name.
    pub name: String,
    /// What a reader is told that it is.
    pub title: String,
    /// What everything that is left to chance comes from.
    pub seed: u64,
    /// How long it lasts, in microseconds.
    pub duration_us: u64,
    /// The net's plan.
    pub plan: Plan,
    /// How signals weaken.
    pub propagation: Propagation,
    /// The receivers' noise figure.
    pub noise_figure_db: f64,
    /// The stations.
    pub stations: Vec<StationPlan>,
    /// Whoever else is on the air.
    pub interferers: Vec<InterfererPlan>,
    /// Announces: when and by which station.
    pub announces: Vec<(u64, usize)>,
    /// Overs.
    pub overs: Vec<OverPlan>,
    /// What must come of it.
    pub expectations: Vec<Expectation>,
}

/// One station of a scenario.
#[derive(Debug, Clone, PartialEq)]
pub struct StationPlan {
    /// Its name.
    pub name: String,
    /// Its address.
    pub address: Address,
    /// What it may do.
    pub role: Role,
    /// Metres east of the origin.
    pub x_m: f64,
    /// Metres north of the origin.
    pub y_m: f64,
    /// Radiated power.
    pub power_dbm: f64,
    /// When it is switched on, in microseconds.
    pub on_us: u64,
    /// The error of its oscillator in parts in 10^9; from the seed if `None`.
    pub ppb: Option<i64>,
}

/// One interferer of a scenario.
#[derive(Debug, Clone, PartialEq)]
pub struct InterfererPlan {
    /// Its name.
    pub name: String,
    /// What it covers.
    pub cover: Cover,
    /// How strong it is.
    pub level: Level,
    /// When it starts, in microseconds.
    pub from_us: u64,
    /// When it stops.
    pub to_us: u64,
}

/// What an interferer covers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cover {
    /// A share of the hopset: neighbouring ranks.
    Contiguous(f64),
    /// A share of the hopset: ranks taken at random.
    Scattered(f64),
    /// Every channel whose occupied bandwidth touches this interval.
    Band {
        /// The lower end.
        from_hz: u64,
        /// The upper end.
        to_hz: u64,
    },
}

/// One over of a scenario.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OverPlan {
    /// When the operator presses, in microseconds.
    pub at_us: u64,
    /// Whose operator.
    pub from: usize,
    /// Whom for.
    pub to: Target,
    /// How long he speaks once told to go ahead, in microseconds.
    pub talk_us: u64,
}

impl Scenario {
    /// The scenario that runs when none is named.
    ///
    /// # Errors
    /// [`Diagnostic`] never; the text is part of the program and tested.
    pub fn built_in() -> Result<Self, Diagnostic> {
        let source = Source::new("larkfell.toml (built in)", BUILT_IN);
        read::scenario(&source, |_, _| {
            Plan::parse("plans/larkfell.toml (built in)", BUILT_IN_PLAN, Path::new(""))
        })
    }

    /// Reads a scenario from a file; the plan that it names counts from its folder.
    ///
    /// # Errors
    /// [`Diagnostic`] if a file cannot be read, or does not describe a scenario.
    pub fn load(path: &Path) -> Result<Self, Diagnostic> {
        let source = read_text(path)?;
        let base_dir = path.parent().unwrap_or(Path::new("")).to_owned();
        read::scenario(&source, move |_: &Section<'_>, plan| Plan::load(&base_dir.join(plan)))
    }

    /// Reads a scenario from a text, with a plan that has been read already.
    ///
    /// # Errors
    /// [`Diagnostic`] if the text does not describe a scenario.
    pub fn parse(name: &str, text: &str, plan: Plan) -> Result<Self, Diagnostic> {
        read::scenario(&Source::new(name, text), |_, _| Ok(plan))
    }

    /// The channels that an interferer covers.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a plan that has been read.
    pub fn covered(&self, index: usize) -> Result<ChannelSet, Diagnostic> {
        let interferer = &self.interferers[index];
        let hopset = self.plan.hopset(Lane::ZERO)?;
        let channels = hopset.channels();
        let seed = child_seed(self.seed, &format!("interferer/{}", interferer.name));
        let count = |share: f64| {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "0 to the size of a hopset"
            )]
            let count = libm::round(share * channels.len() as f64) as usize;
            count.min(channels.len())
        };
        Ok(match interferer.cover {
            Cover::Contiguous(share) => {
                let count = count(share);
                let room = (channels.len() - count) as u64 + 1;
                let first = usize::try_from(seed % room).unwrap_or(0);
                channels[first..first + count].iter().copied().collect()
            }
            Cover::Scattered(share) => {
                let mut ranked: Vec<_> = channels
                    .iter()
                    .map(|c| (child_seed(seed, &c.number().to_string()), *c))
                    .collect();
                ranked.sort_unstable();
                ranked.into_iter().take(count(share)).map(|(_, c)| c).collect()
            }
            Cover::Band { from_hz, to_hz } => {
                let (from, to) = (
                    hopwright_core::units::Hertz::new(from_hz),
                    hopwright_core::units::Hertz::new(to_hz),
                );
                let band = hopwright_core::band::Exclusion::Band { from, to };
                self.plan.raster().excluded_by(band)
            }
        })
    }

    /// A world with everything of the scenario in it, at time 0. `recorded` names a station
    /// whose inputs are kept.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan's parts make no station.
    pub fn world(
        &self,
        seed: u64,
        detail: Detail,
        recorded: Option<usize>,
    ) -> Result<World, Diagnostic> {
        let mut nodes = Vec::with_capacity(self.stations.len());
        for (index, station) in self.stations.iter().enumerate() {
            let mut node = self.node(station, seed)?;
            node.keep_digest();
            if recorded == Some(index) {
                let mut head = Vec::new();
                self.configure(station, seed, |config| {
                    record::write_config(&config, &mut |bytes: &[u8]| {
                        head.extend_from_slice(bytes)
                    });
                    Ok(())
                })?;
                node.keep_recording(head);
            }
            nodes.push(node);
        }
        let interferers = (0..self.interferers.len())
            .map(|i| {
                let plan = &self.interferers[i];
                Ok(Interferer {
                    name: plan.name.clone(),
                    channels: self.covered(i)?,
                    level: plan.level,
                    from_us: plan.from_us,
                    to_us: plan.to_us,
                })
            })
            .collect::<Result<_, Diagnostic>>()?;
        let medium = Medium::new(self.medium_plan(), seed, &nodes, interferers);
        let threshold = self.plan.energy_threshold();
        let mut world = World::new(nodes, medium, self.plan.timing(), threshold, detail);
        for (index, station) in self.stations.iter().enumerate() {
            world.order(station.on_us, Order::SwitchOn(index));
        }
        for (at, node) in &self.announces {
            world.order(*at, Order::Announce(*node));
        }
        for over in &self.overs {
            let order = Order::Press { node: over.from, target: over.to, talk_us: over.talk_us };
            world.order(over.at_us, order);
        }
        Ok(world)
    }

    /// The configuration of a station, as firmware would get it, handed to `make`.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan has no hopset, or `make` refuses.
    pub fn configure<T>(
        &self,
        station: &StationPlan,
        seed: u64,
        make: impl FnOnce(Config<'_, { crate::world::CAPACITY }>) -> Result<T, ConfigError>,
    ) -> Result<T, Diagnostic> {
        let key = self.plan.net_key();
        let clock = self.plan.clock();
        make(Config {
            key: &key,
            hopset: self.plan.hopset(Lane::ZERO)?,
            structure: self.plan.structure(),
            lane: Lane::ZERO,
            draw_lane: Lane::ZERO,
            timing: self.plan.timing(),
            clock: ClockPlan {
                tolerance: clock.tolerance,
                jitter: clock.jitter,
                longest_delay: Micros::new(clock.propagation().us()),
            },
            announce_slots: u16::try_from(self.plan.announce_slots()).unwrap_or(u16::MAX),
            energy_threshold: self.plan.energy_threshold(),
            address: station.address,
            role: station.role,
            watermark: Watermark::Fresh,
            seed: child_seed(seed, &format!("station/{}", station.name)),
        })
        .map_err(|error| {
            Diagnostic::new(error.to_string(), "change [slots], [clock] or [announce] of the plan")
        })
    }

    fn node(&self, station: &StationPlan, seed: u64) -> Result<Node, Diagnostic> {
        let tolerance = i64::from(self.plan.clock().tolerance.ppb());
        let chance = child_seed(seed, &format!("oscillator/{}", station.name));
        let span = 2 * tolerance.unsigned_abs() + 1;
        let ppb = station.ppb.unwrap_or((chance % span).cast_signed() - tolerance);
        // Stations have been switched on for up to a fortnight by their own clocks.
        let epoch = child_seed(seed, &format!("epoch/{}", station.name)) % (1 << 40);
        let core = self.configure(station, seed, Station::new)?;
        let place = (station.x_m, station.y_m);
        let oscillator = Oscillator::new(epoch, ppb);
        Ok(Node::new(station.name.clone(), place, station.power_dbm, oscillator, core))
    }

    fn medium_plan(&self) -> MediumPlan {
        let raster = self.plan.raster();
        let middle = hopwright_core::units::Channel::new(raster.count() / 2)
            .and_then(|c| raster.frequency(c))
            .map_or(0, hopwright_core::units::Hertz::hz);
        MediumPlan {
            propagation: self.propagation,
            noise_figure_db: self.noise_figure_db,
            carrier_hz: middle as f64,
            bandwidth_hz: raster.occupied().hz() as f64,
            link_bps: f64::from(self.plan.timing().link_bps()),
            jitter_us: self.plan.clock().jitter.us(),
        }
    }
}

impl Cover {
    /// The share of the hopset that is covered, if it was given as one.
    #[must_use]
    pub const fn share(self) -> Option<f64> {
        match self {
            Self::Contiguous(share) | Self::Scattered(share) => Some(share),
            Self::Band { .. } => None,
        }
    }
}
