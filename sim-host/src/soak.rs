//! A net for days, with a fault every few minutes: what must never happen is counted.
//!
//! Everything follows from one seed. Faults: overs between random stations, re-announces,
//! interference on parts of the band, lost and duplicated receptions, power cycles with and
//! without the stored watermark, floods of commands, overs by stations without time (cut-ins).

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::scenario::{Builder, Cover, InterfererPlan, RadioPlan, StationPlan, Timetable};
use crate::world::physics::Propagation;
use crate::world::{Detail, Faults, Level, Order, World, child_seed};
use hopwright_core::address::{Address, Target};
use hopwright_core::station::{Command, Event, Role, Station};
use hopwright_core::units::{Lane, Slot};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

const SECOND: u64 = 1_000_000;
/// The mean time between two happenings.
const MEAN_GAP: u64 = 150 * SECOND;
/// After this long since the last happening every station that had time must have it.
const SETTLED: u64 = 60 * SECOND;

/// What to run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Soak {
    /// Stations, 3 to 250.
    pub stations: u8,
    /// How long, in hours of net time.
    pub hours: f64,
    /// What everything follows from.
    pub seed: u64,
}

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Outcome {
    /// Happenings.
    pub happenings: u64,
    /// Overs asked for.
    pub overs: u64,
    /// Power cycles.
    pub restarts: u64,
    /// Cut-ins.
    pub cut_ins: u64,
    /// Events of the simulation.
    pub steps: u64,
    /// Headers after which a bound was compared with true time.
    pub bound_checks: u64,
    /// Invariant 1: transmissions outside the hopset.
    pub outside_hopset: u64,
    /// Invariant 2: home transmissions without time.
    pub out_of_step: u64,
    /// Invariant 3: second copies of a header that were taken as news.
    pub duplicates_taken: u64,
    /// Invariant 4: bounds that did not contain true time.
    pub bound_misses: u64,
    /// Invariant 6: cut-ins after which a station that had time was without.
    pub lost_by_cut_in: u64,
    /// Stations that believed to be in step and were not.
    pub deceived: u64,
    /// Times that a station lost step without a power cycle.
    pub lost: u64,
    /// Events that found a queue full, and own slots that came too late.
    pub overruns: u64,
}

impl Outcome {
    /// The counts that must be zero, with what they count.
    #[must_use]
    pub const fn violations(&self) -> [(&'static str, u64); 7] {
        [
            ("invariant 1: transmissions outside the hopset", self.outside_hopset),
            ("invariant 2: home transmissions of stations without time", self.out_of_step),
            ("invariant 4: bounds that did not contain true net time", self.bound_misses),
            ("invariant 6: stations that a cut-in left without time", self.lost_by_cut_in),
            ("stations that believed to be in step and were not", self.deceived),
            ("stations that lost step without a power cycle", self.lost),
            ("events lost and slots missed", self.overruns),
        ]
    }

    /// Whether nothing happened that must never happen.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.violations().iter().all(|(_, count)| *count == 0)
    }
}

impl Soak {
    /// Runs the net. `progress` is told the share done, now and then.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no stations.
    pub fn run(&self, plan: &Plan, progress: impl Fn(f64)) -> Result<Outcome, Diagnostic> {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "hours to months, checked by the command line"
        )]
        let end = (self.hours * 3.6e9) as u64;
        let radio = self.radio(&mut rng, end);
        let builder = Builder::new(plan, &radio, self.seed)?;
        let mut world = builder.world(Timetable {
            announces: &[(5 * SECOND, 0)],
            overs: &[],
            detail: Detail::Totals,
            digests: false,
            recorded: None,
        })?;
        world.set_faults(Faults { loss: 0.02, duplicates: 0.02 });
        world.run_until(60 * SECOND);
        let mut outcome = Outcome::default();
        let mut run = Happenings { soak: *self, plan, radio: &radio, outcome: &mut outcome };
        let mut seen = 0;
        while world.now() < end {
            run.one(&mut rng, &mut world)?;
            seen = run.judge(&world, seen);
            progress(world.now() as f64 / end as f64);
        }
        let totals = world.trace().totals;
        outcome.steps = totals.steps;
        outcome.bound_checks = totals.bound_checks;
        outcome.outside_hopset = totals.outside_hopset;
        outcome.out_of_step = totals.out_of_step;
        outcome.duplicates_taken = totals.duplicates_taken;
        outcome.bound_misses = totals.bound_misses;
        Ok(outcome)
    }

    /// Stations within a few kilometres, and interference for an hour out of three.
    fn radio(&self, rng: &mut ChaCha8Rng, end: u64) -> RadioPlan {
        let place = |rng: &mut ChaCha8Rng| f64::from(rng.next_u32() % 8_000) - 4_000.0;
        let stations = (0..self.stations)
            .map(|i| StationPlan {
                name: format!("station {i}"),
                address: Address::new(i),
                lane: Lane::ZERO,
                role: if i == 0 { Role::Timekeeper } else { Role::Member },
                x_m: place(rng),
                y_m: place(rng),
                power_dbm: 30.0,
                on_us: 0,
                ppb: None,
                stored_slot: None,
            })
            .collect();
        let mut interferers = Vec::new();
        let mut from_us = 600 * SECOND;
        while from_us < end {
            let share = f64::from(rng.next_u32() % 60) / 100.0;
            let length = (600 + u64::from(rng.next_u32() % 6_000)) * SECOND;
            let name = format!("interferer {}", interferers.len());
            let cover =
                if share < 0.3 { Cover::Scattered(share) } else { Cover::Contiguous(share) };
            let level = Level::AboveWanted { db: 40.0 };
            let to_us = from_us + length;
            interferers.push(InterfererPlan { name, cover, level, from_us, to_us });
            from_us += length + u64::from(rng.next_u32() % 12_000) * SECOND;
        }
        let (propagation, noise_figure_db) = (Propagation::FreeSpace, 8.0);
        RadioPlan { propagation, noise_figure_db, stations, interferers }
    }
}

/// What happens to the net, and what is noticed.
struct Happenings<'a> {
    soak: Soak,
    plan: &'a Plan,
    radio: &'a RadioPlan,
    outcome: &'a mut Outcome,
}

impl Happenings<'_> {
    /// One happening, and the quiet after it.
    fn one(&mut self, rng: &mut ChaCha8Rng, world: &mut World) -> Result<(), Diagnostic> {
        self.outcome.happenings += 1;
        let node = self.any(rng);
        match rng.next_u32() % 10 {
            0..=5 => self.over(rng, world, node),
            6 => re_announce(world),
            7 | 8 => self.restart(rng, world, node)?,
            _ => self.flood(rng, world, node),
        }
        let gap = u64::from(rng.next_u32()) % (2 * (MEAN_GAP - SETTLED)) + SETTLED;
        world.run_until(world.now() + gap);
        Ok(())
    }

    fn any(&self, rng: &mut ChaCha8Rng) -> usize {
        rng.next_u32() as usize % usize::from(self.soak.stations)
    }

    fn over(&mut self, rng: &mut ChaCha8Rng, world: &mut World, node: usize) {
        let address = Address::new(rng.next_u32().to_le_bytes()[0]);
        let target = match rng.next_u32() % 4 {
            0 => Target::ALL,
            1 => Target::one(address),
            2 => Target::prefix(Address::new(address.number() & 0xF0), 4).unwrap_or(Target::ALL),
            _ => Target::all_but(address),
        };
        let talk_us = SECOND + u64::from(rng.next_u32()) % (8 * SECOND);
        self.outcome.overs += 1;
        world.order(world.now(), Order::Press { node, target, talk_us });
    }

    /// A power cycle. Some stations find their watermark, some only that of a new set, and some
    /// operators press at once.
    fn restart(
        &mut self,
        rng: &mut ChaCha8Rng,
        world: &mut World,
        node: usize,
    ) -> Result<(), Diagnostic> {
        self.outcome.restarts += 1;
        let saved = world.trace().events.iter().rev().find_map(|happened| match happened.event {
            Event::SaveWatermark { slot } if happened.node == node => Some(slot),
            _ => None,
        });
        let stored_slot: Option<Slot> = if rng.next_u32().is_multiple_of(4) { None } else { saved };
        let plan = StationPlan { stored_slot, ..self.radio.stations[node].clone() };
        let seed = child_seed(self.soak.seed, &format!("restart/{}", self.outcome.restarts));
        let builder = Builder::new(self.plan, self.radio, seed)?;
        world.restart(node, builder.configure(&plan, Station::new)?);
        if rng.next_u32().is_multiple_of(3) {
            self.cut_in(world, node);
        }
        Ok(())
    }

    /// A station without time presses on a silent net; everyone else must come back from it.
    fn cut_in(&mut self, world: &mut World, node: usize) {
        self.outcome.cut_ins += 1;
        let count = usize::from(self.soak.stations);
        let timed: Vec<usize> =
            (0..count).filter(|n| world.nodes()[*n].station.in_step()).collect();
        let order = Order::Press { node, target: Target::ALL, talk_us: 2 * SECOND };
        world.order(world.now(), order);
        world.run_until(world.now() + 30 * SECOND);
        let lost = timed.iter().filter(|n| !world.nodes()[**n].station.in_step()).count();
        self.outcome.lost_by_cut_in += lost as u64;
    }

    /// Twenty commands within a second, most of which must be refused.
    fn flood(&mut self, rng: &mut ChaCha8Rng, world: &mut World, node: usize) {
        for _ in 0..20 {
            let command = match rng.next_u32() % 3 {
                0 => {
                    re_announce(world);
                    continue;
                }
                1 => Command::Press(Target::ALL),
                _ => Command::Release,
            };
            let _ = world.command(node, command);
            world.run_until(world.now() + u64::from(rng.next_u32() % 100_000));
        }
        let _ = world.command(node, Command::Release);
    }

    /// Looks at what has happened since event `seen`; gives the number of events so far.
    fn judge(&mut self, world: &World, seen: usize) -> usize {
        let events = &world.trace().events;
        let lost = events[seen..].iter().filter(|h| h.event == Event::OutOfStep).count();
        self.outcome.lost += lost as u64;
        for (i, node) in world.nodes().iter().enumerate() {
            self.outcome.deceived += u64::from(node.station.in_step() && !world.in_step(i));
            let counters = node.station.counters();
            // Counters start again with a power cycle: any that is not zero counts once a look.
            self.outcome.overruns += u64::from(counters.events_lost + counters.late > 0);
        }
        events.len()
    }
}

/// The timekeeper announces on the timeline that there is. One that has lost it would start
/// another; that has a test of its own, because then there are two true times.
fn re_announce(world: &mut World) {
    if world.nodes()[0].station.in_step() {
        let _ = world.command(0, Command::Announce);
    }
}
