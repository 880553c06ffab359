//! A scenario: stations of one plan, a timetable, interferers, and what must come of it.
//!
//! ```text
//! scenario.toml ──read──► Scenario ──builder──► World ──run──► Trace ──► metrics, checks
//! ```

mod adversary;
mod air;
mod build;
mod clocks;
mod drawn;
mod expect;
mod keys;
mod moves;
mod power;
mod read;
mod relays;
mod stations;
mod traffic;

pub use adversary::{AdversaryPlan, BehaviourPlan, ForgeryPlan};
pub use build::{Builder, Timetable};
pub use expect::{Bound, Expectation};
pub(crate) use keys::withdraw_in;
pub use keys::{MessagePlan, ModePlan, WithdrawPlan};
pub use power::{Power, PowerPlan, Progress};
pub(crate) use read::parse_target;
pub(crate) use stations::name_and_address;

use crate::diagnostic::Diagnostic;
use crate::input::{Section, Source, read_text};
use crate::plan::Plan;
use crate::world::noise::Environment;
use crate::world::propagation::{Fading, Propagation};
use crate::world::{Behaviour, Level, Place, World};
use hopwright_core::address::{Address, Target};
use hopwright_core::station::Role;
use hopwright_core::units::{Channel, Lane, Slot};
use std::collections::BTreeSet;
use std::path::Path;

/// The text of the built-in scenario.
pub(crate) const BUILT_IN: &str = include_str!("../../scenarios/larkfell.toml");
/// The text of its plan.
pub(crate) const BUILT_IN_PLAN: &str = include_str!("../../plans/larkfell.toml");

/// A scenario that can be run.
#[derive(Debug)]
pub struct Scenario {
    /// A short name.
    pub name: String,
    /// What a reader is told that it is.
    pub title: String,
    /// What everything that is left to chance comes from.
    seed: u64,
    /// What of the scenario itself the seed decides.
    drawn: drawn::Drawn,
    /// How long it lasts, in microseconds.
    pub duration_us: u64,
    /// The net's plan.
    pub plan: Plan,
    /// Who is where, and what is between them.
    pub radio: RadioPlan,
    /// Announces: when and by which station.
    pub announces: Vec<(u64, usize)>,
    /// Power that goes and comes, in order of time.
    pub powers: Vec<PowerPlan>,
    /// Overs.
    pub overs: Vec<OverPlan>,
    /// Messages.
    pub messages: Vec<MessagePlan>,
    /// Stations that go over to another mode.
    pub modes: Vec<ModePlan>,
    /// Changes of the net key, in order of time.
    pub withdrawals: Vec<WithdrawPlan>,
    /// Stations back to back.
    pub relays: Vec<RelayPlan>,
    /// The channel of the fixed-channel case of `run --audio`; found for the over if `None`.
    pub fixed_channel: Option<Channel>,
    /// What must come of it.
    pub expectations: Vec<Expectation>,
}

/// Two stations back to back at one place, each on a net of its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RelayPlan {
    /// Its name.
    pub name: String,
    /// One of its stations.
    pub a: usize,
    /// The other.
    pub b: usize,
    /// It carries overs for exactly this target.
    pub target: Target,
}

/// Who is where, and what is between them.
#[derive(Debug, Clone, PartialEq)]
pub struct RadioPlan {
    /// How signals weaken.
    pub propagation: Propagation,
    /// How they change from hop to hop.
    pub fading: Fading,
    /// The receivers' noise figure.
    pub noise_figure_db: f64,
    /// What noise the place adds.
    pub environment: Environment,
    /// The stations.
    pub stations: Vec<StationPlan>,
    /// The distance in metres beyond which nothing is heard, if there is one.
    pub horizon_m: Option<f64>,
    /// Whoever else is on the air.
    pub interferers: Vec<InterfererPlan>,
    /// Who goes where, and when.
    pub moves: Vec<MovePlan>,
    /// Whoever is against the net.
    pub adversaries: Vec<AdversaryPlan>,
}

impl RadioPlan {
    /// Stations in free space with a noise figure of 8 dB, and nothing and nobody else.
    #[must_use]
    pub const fn of(stations: Vec<StationPlan>) -> Self {
        Self {
            propagation: Propagation::FreeSpace,
            fading: Fading::None,
            noise_figure_db: 8.0,
            environment: Environment::None,
            stations,
            horizon_m: None,
            interferers: Vec::new(),
            moves: Vec::new(),
            adversaries: Vec::new(),
        }
    }

    /// The nets: the lanes that have a station; lane 0 if there is no station at all.
    #[must_use]
    pub fn lanes(&self) -> BTreeSet<Lane> {
        let lanes: BTreeSet<Lane> = self.stations.iter().map(|station| station.lane).collect();
        if lanes.is_empty() { BTreeSet::from([Lane::ZERO]) } else { lanes }
    }
}

/// One station of a scenario.
#[derive(Debug, Clone, PartialEq)]
pub struct StationPlan {
    /// Its name.
    pub name: String,
    /// Its address.
    pub address: Address,
    /// Its net.
    pub lane: Lane,
    /// What it may do.
    pub role: Role,
    /// Where its antenna is.
    pub place: Place,
    /// Radiated power.
    pub power_dbm: f64,
    /// When it is switched on, in microseconds.
    pub on_us: u64,
    /// The error of its oscillator in parts in 10^9; from the seed if `None`.
    pub ppb: Option<i64>,
    /// What its oscillator does, if it has more than a constant error.
    pub oscillator: Option<OscillatorPlan>,
    /// What its storage holds from an earlier session: the last watermark.
    pub stored_slot: Option<Slot>,
    /// The targets that it can call without belonging to them.
    pub calls: Vec<Target>,
    /// Whether it says so itself, or they follow from the timetable.
    pub own_calls: bool,
}

/// A station's oscillator.
#[derive(Debug, Clone, PartialEq)]
pub struct OscillatorPlan {
    /// What it does.
    pub behaviour: Behaviour,
    /// Whether it must keep what the plan promises of it.
    pub honest: bool,
}

/// A station goes from where it is to another place, straight and evenly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MovePlan {
    /// Which station.
    pub station: usize,
    /// When it leaves, in microseconds.
    pub at_us: u64,
    /// Where it goes: metres east and north of the origin.
    pub to_m: (f64, f64),
    /// And how high; as high as it was if `None`.
    pub to_height_m: Option<f64>,
    /// How long it takes, in microseconds; 0 is at once.
    pub over_us: u64,
}

impl StationPlan {
    /// A member at the origin, with 30 dBm, switched on from the start and with nothing stored.
    #[must_use]
    pub const fn member(name: String, address: Address) -> Self {
        Self {
            name,
            address,
            lane: Lane::ZERO,
            role: Role::Member,
            place: Place::ORIGIN,
            power_dbm: 30.0,
            on_us: 0,
            ppb: None,
            oscillator: None,
            stored_slot: None,
            calls: Vec::new(),
            own_calls: false,
        }
    }
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
        read::scenario(&source, |_, _| built_in_plan())
    }

    /// Reads a scenario from a file; the plan that it names counts from its folder.
    ///
    /// # Errors
    /// [`Diagnostic`] if a file cannot be read, or does not describe a scenario.
    pub fn load(path: &Path) -> Result<Self, Diagnostic> {
        let source = read_text(path)?;
        let base_dir = path.parent().unwrap_or(Path::new("")).to_owned();
        read::scenario(&source, move |head: &Section<'_>, plan| {
            Plan::load(&base_dir.join(plan)).map_err(|error| {
                if !error.about_a_file() {
                    return error;
                }
                // There is nothing to show of the plan: show what named it.
                let help = "the path counts from the scenario's folder";
                head.error("plan", format!("the plan: {}", error.what()), help)
            })
        })
    }

    /// Reads a scenario from a text, with a plan that has been read already.
    ///
    /// # Errors
    /// [`Diagnostic`] if the text does not describe a scenario.
    pub fn parse(name: &str, text: &str, plan: Plan) -> Result<Self, Diagnostic> {
        Self::from_source(&Source::new(name, text), plan)
    }

    pub(crate) fn from_source(source: &Source, plan: Plan) -> Result<Self, Diagnostic> {
        read::scenario(source, |_, _| Ok(plan))
    }

    /// What everything that is left to chance comes from.
    #[must_use]
    pub const fn seed(&self) -> u64 {
        self.seed
    }

    /// Lets everything that is left to chance come from another seed: the scenario is then the one
    /// that would have been read with that seed in its text.
    pub fn reseed(&mut self, seed: u64) {
        self.seed = seed;
        self.drawn.draw(seed, &mut self.radio.stations, &mut self.overs);
    }

    /// What makes worlds of the scenario's plan and stations, with its seed.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a plan that has been read.
    pub fn builder(&self) -> Result<Builder<'_>, Diagnostic> {
        Builder::new(&self.plan, &self.radio, self.seed)
    }

    /// Says how the texts of a world of the scenario are cut: as it was supposed when they were read.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a plan that has been read.
    pub fn cut_texts(&self, world: &mut World) -> Result<(), Diagnostic> {
        if !self.messages.is_empty() || !self.withdrawals.is_empty() {
            world.set_layout(self.plan.message_beside(!self.relays.is_empty())?);
        }
        Ok(())
    }

    /// Connects the nets of a world of the scenario by its relays.
    ///
    /// # Errors
    /// [`Diagnostic`] if two stations make no relay; never for a scenario that has been read.
    pub fn connect(&self, world: &mut World) -> Result<(), Diagnostic> {
        for relay in &self.relays {
            world.add_relay(relay.a, relay.b, relay.target).map_err(|error| {
                let what = format!("the relay {}: {error}", relay.name);
                Diagnostic::new(what, "put its two stations on disjoint lanes of the plan")
            })?;
        }
        Ok(())
    }
}

/// The plan of the built-in scenario.
///
/// # Errors
/// [`Diagnostic`] never; the text is part of the program and tested.
pub fn built_in_plan() -> Result<Plan, Diagnostic> {
    Plan::parse("plans/larkfell.toml (built in)", BUILT_IN_PLAN, Path::new(""))
}
