//! From a plan and a list of stations to a world.

use super::{
    Cover, InterfererPlan, MessagePlan, ModePlan, MovePlan, OverPlan, RadioPlan, StationPlan,
    clocks,
};
use crate::diagnostic::Diagnostic;
use crate::keytree::KeyTree;
use crate::plan::{MAX_HOPSET, Plan};
use crate::world::{
    CAPACITY, Detail, Interferer, Journey, Medium, MediumPlan, Node, Order, Oscillator, World,
    child_seed,
};
use hopwright_core::band::{ChannelSet, Exclusion, Hopset, Lanes};
use hopwright_core::keys::NetKey;
use hopwright_core::record;
use hopwright_core::station::{Config, ConfigError, Station, Watermark};
use hopwright_core::tree::Share;
use hopwright_core::units::{Channel, Hertz, Lane};
use std::collections::BTreeMap;

/// Makes worlds of a plan and its stations. Everything left to chance comes from the seed and
/// the names of the parts.
#[derive(Debug)]
pub struct Builder<'a> {
    pub(super) plan: &'a Plan,
    radio: &'a RadioPlan,
    pub(super) seed: u64,
    pub(super) key: NetKey,
    /// The hopset of each lane that has a station.
    pub(super) hopsets: BTreeMap<Lane, Hopset<MAX_HOPSET>>,
    /// The channels of all of them, ascending.
    in_use: Vec<Channel>,
    /// What shares of the key tree are cut from, if stations are addressed by keys.
    tree: Option<KeyTree>,
}

/// What is to happen in a world, and how much of it is kept.
#[derive(Debug, Clone, Copy)]
pub struct Timetable<'a> {
    /// Announces: when, in microseconds, and by which station.
    pub announces: &'a [(u64, usize)],
    /// Overs.
    pub overs: &'a [OverPlan],
    /// Messages.
    pub messages: &'a [MessagePlan],
    /// Changes of mode.
    pub modes: &'a [ModePlan],
    /// How much of the trace is kept.
    pub detail: Detail,
    /// Whether digests are kept.
    pub digests: bool,
    /// The station whose inputs are recorded.
    pub recorded: Option<usize>,
}

impl<'a> Timetable<'a> {
    /// Announces and overs in a world of which only totals are kept: no trace, no digests, no
    /// recording.
    #[must_use]
    pub const fn totals(announces: &'a [(u64, usize)], overs: &'a [OverPlan]) -> Self {
        let (messages, modes): (&[MessagePlan], &[ModePlan]) = (&[], &[]);
        let (detail, digests, recorded) = (Detail::Totals, false, None);
        Self { announces, overs, messages, modes, detail, digests, recorded }
    }
}

impl<'a> Builder<'a> {
    /// Makes worlds with the given seed.
    ///
    /// # Errors
    /// [`Diagnostic`] if a station's lane does not exist; never for a scenario that has been read.
    pub fn new(plan: &'a Plan, radio: &'a RadioPlan, seed: u64) -> Result<Self, Diagnostic> {
        let hopsets = Self::hopsets(radio, |lane| plan.hopset(lane))?;
        let tree = plan.key_tree().ok();
        Ok(Self { tree, ..Self::over(plan, radio, seed, plan.net_key(), hopsets) })
    }

    /// Makes worlds with the given seed and another key than the plan's, without a key tree: for
    /// campaigns that ask when, and not what.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a plan that has been read.
    pub fn with_key(
        plan: &'a Plan,
        radio: &'a RadioPlan,
        seed: u64,
        key: NetKey,
    ) -> Result<Self, Diagnostic> {
        let hopsets = Self::hopsets(radio, |lane| plan.hopset_under(&key, lane))?;
        Ok(Self::over(plan, radio, seed, key, hopsets))
    }

    /// The same with a key tree of its own.
    #[must_use]
    pub fn with_tree(self, tree: KeyTree) -> Self {
        Self { tree: Some(tree), ..self }
    }

    /// The same without a key tree: whoever has the net key reads everything, and any target can
    /// be called. For campaigns that call at random.
    #[must_use]
    pub fn without_tree(self) -> Self {
        Self { tree: None, ..self }
    }

    /// The hopset of each lane that has a station.
    fn hopsets(
        radio: &RadioPlan,
        hopset: impl Fn(Lane) -> Result<Hopset<MAX_HOPSET>, Diagnostic>,
    ) -> Result<BTreeMap<Lane, Hopset<MAX_HOPSET>>, Diagnostic> {
        radio.lanes().into_iter().map(|lane| Ok((lane, hopset(lane)?))).collect()
    }

    fn over(
        plan: &'a Plan,
        radio: &'a RadioPlan,
        seed: u64,
        key: NetKey,
        hopsets: BTreeMap<Lane, Hopset<MAX_HOPSET>>,
    ) -> Self {
        let mut in_use = ChannelSet::new();
        for channel in hopsets.values().flat_map(Hopset::channels) {
            in_use.insert(*channel);
        }
        let in_use = in_use.iter().collect();
        Self { plan, radio, seed, key, hopsets, in_use, tree: None }
    }

    /// A world at time 0 with all stations, switched off, and a timetable.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan's parts make no station.
    pub fn world(&self, timetable: Timetable<'_>) -> Result<World, Diagnostic> {
        let mut nodes = Vec::with_capacity(self.radio.stations.len());
        for (index, station) in self.radio.stations.iter().enumerate() {
            let mut node = self.node(station)?;
            if timetable.digests {
                node.keep_digest();
            }
            if timetable.recorded == Some(index) {
                node.keep_recording(self.configure(station, |config| {
                    let mut head = Vec::new();
                    let mut sink = |bytes: &[u8]| head.extend_from_slice(bytes);
                    record::write_config(&config, &mut sink);
                    Ok(head)
                })?);
            }
            nodes.push(node);
        }
        let interferers = self.radio.interferers.iter().map(|plan| self.interferer(plan));
        let medium = Medium::new(self.medium_plan(), self.seed, &nodes, interferers.collect());
        let threshold = self.plan.energy_threshold();
        let timing = self.plan.timing();
        let channels = |hopset: &Hopset<MAX_HOPSET>| hopset.channels().iter().copied().collect();
        let planned = self.hopsets.iter().map(|(lane, hopset)| (*lane, channels(hopset)));
        let detail = timetable.detail;
        let mut world = World::new(nodes, planned.collect(), medium, timing, threshold, detail);
        for plan in &self.radio.moves {
            let MovePlan { station, at_us, to_m, to_height_m, over_us } = *plan;
            world.travel(Journey { node: station, at_us, to_m, to_height_m, over_us });
        }
        let adversaries = self.radio.adversaries.iter().map(|plan| self.adversary(plan));
        world.oppose(adversaries.collect::<Result<_, _>>()?);
        for (index, station) in self.radio.stations.iter().enumerate() {
            world.order(station.on_us, Order::SwitchOn(index));
        }
        for (at, node) in timetable.announces {
            world.order(*at, Order::Announce(*node));
        }
        for over in timetable.overs {
            let order = Order::Press { node: over.from, target: over.to, talk_us: over.talk_us };
            world.order(over.at_us, order);
        }
        for message in timetable.messages {
            let text = world.add_text(message.text.as_bytes());
            let order = Order::Send { node: message.from, target: message.to, text };
            world.order(message.at_us, order);
        }
        for mode in timetable.modes {
            world.order(mode.at_us, Order::Mode { node: mode.station, mode: mode.mode });
        }
        Ok(world)
    }

    /// The configuration of a station, as firmware would get it, handed to `make`.
    ///
    /// # Errors
    /// [`Diagnostic`] if `make` refuses it.
    pub fn configure<T>(
        &self,
        station: &StationPlan,
        make: impl FnOnce(Config<'_, CAPACITY>) -> Result<T, ConfigError>,
    ) -> Result<T, Diagnostic> {
        self.configure_with(station, None, make)
    }

    /// The same with the keys that the station has stored after a change, if it has.
    ///
    /// # Errors
    /// [`Diagnostic`] if `make` refuses it.
    pub fn configure_with<T>(
        &self,
        station: &StationPlan,
        stored: Option<(NetKey, Option<Share>)>,
        make: impl FnOnce(Config<'_, CAPACITY>) -> Result<T, ConfigError>,
    ) -> Result<T, Diagnostic> {
        let (key, share) = match stored {
            Some((key, share)) => (Some(key), share),
            None => (None, self.share(station)?),
        };
        let lane = station.lane;
        let spaced = self.plan.lanes().is_some_and(Lanes::spaced);
        let hopset = match self.hopsets.get(&lane) {
            Some(hopset) => hopset.clone(),
            None => self.plan.hopset_under(&self.key, lane)?,
        };
        make(Config {
            key: key.as_ref().unwrap_or(&self.key),
            hopset,
            structure: self.plan.structure(),
            lane,
            draw_lane: if spaced { Lane::ZERO } else { lane },
            timing: self.plan.timing(),
            clock: self.plan.clock().core(clocks::own_tolerance(self.plan, station.role)),
            announce_slots: u16::try_from(self.plan.announce_slots()).unwrap_or(u16::MAX),
            energy_threshold: self.plan.energy_threshold(),
            fixed: self.plan.fixed(),
            address: station.address,
            role: station.role,
            share,
            watermark: station.stored_slot.map_or(Watermark::Fresh, Watermark::Stored),
            seed: child_seed(self.seed, &format!("station/{}", station.name)),
        })
        .map_err(|error| {
            Diagnostic::new(error.to_string(), "change [slots], [clock] or [announce] of the plan")
        })
    }

    /// The share of a station, if the plan's stations are addressed by keys.
    fn share(&self, station: &StationPlan) -> Result<Option<Share>, Diagnostic> {
        let Some(tree) = &self.tree else { return Ok(None) };
        let share = tree.share(station.address, self.plan.generation(), &station.calls);
        share.map(Some).map_err(|error| {
            let what = format!("{}: {error}", station.name);
            Diagnostic::new(what, "let it call fewer targets, or larger prefixes")
        })
    }

    /// The channels of all hopsets in use, ascending.
    #[must_use]
    pub fn hopset(&self) -> &[Channel] {
        &self.in_use
    }

    /// The channels that an interferer covers. A share is one of all hopsets in use.
    #[must_use]
    pub fn covered(&self, interferer: &InterfererPlan) -> ChannelSet {
        let channels = self.hopset();
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
        match interferer.cover {
            Cover::Contiguous(share) => {
                let count = count(share);
                let room = (channels.len() - count) as u64 + 1;
                let first = usize::try_from(seed % room).unwrap_or(0);
                channels[first..first + count].iter().copied().collect()
            }
            Cover::Scattered(share) => {
                let chance = |c: &Channel| child_seed(seed, &c.number().to_string());
                let mut drawn: Vec<_> = channels.iter().map(|c| (chance(c), *c)).collect();
                drawn.sort_unstable();
                drawn.into_iter().take(count(share)).map(|(_, c)| c).collect()
            }
            Cover::Band { from_hz, to_hz } => {
                let band = Exclusion::Band { from: Hertz::new(from_hz), to: Hertz::new(to_hz) };
                self.plan.raster().excluded_by(band)
            }
        }
    }

    fn interferer(&self, plan: &InterfererPlan) -> Interferer {
        Interferer {
            name: plan.name.clone(),
            channels: self.covered(plan),
            level: plan.level,
            from_us: plan.from_us,
            to_us: plan.to_us,
        }
    }

    fn node(&self, station: &StationPlan) -> Result<Node, Diagnostic> {
        let chance = child_seed(self.seed, &format!("oscillator/{}", station.name));
        // Stations have been switched on for up to a fortnight by their own clocks.
        let epoch = child_seed(self.seed, &format!("epoch/{}", station.name)) % (1 << 40);
        let core = self.configure(station, Station::new)?;
        let storage = station.stored_slot.map_or(Watermark::Fresh, Watermark::Stored);
        let place = station.place;
        let oscillator = if let Some(plan) = &station.oscillator {
            let who = (station.name.as_str(), station.role);
            clocks::oscillator(self.plan, plan, who, (self.seed, epoch))
                .map_err(|(what, help)| Diagnostic::new(what, help))?
        } else {
            let tolerance = i64::from(clocks::own_tolerance(self.plan, station.role).ppb());
            let span = 2 * tolerance.unsigned_abs() + 1;
            let ppb = station.ppb.unwrap_or((chance % span).cast_signed() - tolerance);
            Oscillator::new(epoch, ppb)
        };
        Ok(Node::new(station.name.clone(), place, station.power_dbm, oscillator, core, storage))
    }

    fn medium_plan(&self) -> MediumPlan {
        let raster = self.plan.raster();
        MediumPlan {
            propagation: self.radio.propagation,
            fading: self.radio.fading,
            horizon_m: self.radio.horizon_m,
            noise_figure_db: self.radio.noise_figure_db,
            environment: self.radio.environment,
            centres_hz: (0..raster.count())
                .filter_map(|i| raster.frequency(Channel::new(i)?))
                .map(|centre| centre.hz() as f64)
                .collect(),
            bandwidth_hz: raster.occupied().hz() as f64,
            link_bps: f64::from(self.plan.timing().link_bps()),
            jitter_us: self.plan.clock().jitter.us(),
        }
    }
}
