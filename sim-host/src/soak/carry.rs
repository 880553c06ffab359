//! Happenings carried out in a world.

use super::happening::{Happening, Storage, What};
use super::{SECOND, Soak, TIMEKEEPER};
use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::scenario::{Builder, RadioPlan};
use crate::world::{Order, Rule, World, child_seed};
use hopwright_core::address::{Address, Target};
use hopwright_core::station::{Command, Config, Station, Watermark};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Announces and overs after which a net must be together again.
const ROUNDS: u32 = 40;
/// Before this round the timekeeper does not start another timeline: it may still hear of the one
/// that there is.
const NEW_TIMELINE: u32 = 10;

/// Carries happenings out.
pub(super) struct Carrier<'a> {
    pub(super) soak: Soak,
    pub(super) plan: &'a Plan,
    pub(super) radio: &'a RadioPlan,
    /// The most rounds that a reunion took.
    pub(super) longest_reunion: u32,
}

impl Carrier<'_> {
    /// Runs the world to the time of `happening`, and carries that out.
    pub(super) fn carry_out(
        &mut self,
        world: &mut World,
        Happening { at_us, what }: Happening,
    ) -> Result<(), Diagnostic> {
        run_to(world, at_us);
        match what {
            What::Over { node, to, talk_us } => {
                let target = to.target();
                world.order(world.now(), Order::Press { node, target, talk_us });
            }
            What::Announce => announce(world),
            What::PowerCycle { node, storage } => self.power_cycle(world, node, storage, at_us)?,
            What::PowerFails { node } => world.switch_off(node),
            What::Flood { node, seed } => flood(world, node, seed),
            What::Loss { per_mille, length_us } => {
                world.lose(f64::from(per_mille) / 1_000.0, at_us + length_us);
            }
            What::Part { groups, seed, length_us } => {
                let group = |node: usize| {
                    let draw = child_seed(seed, &node.to_string()) % u64::from(groups.max(1));
                    u8::try_from(draw).unwrap_or_default()
                };
                world.part(group, at_us + length_us);
            }
            What::Clock { node, ppb, step_us } => world.set_clock(node, ppb, step_us),
            What::Reunion { seed } => self.reunite(world, seed),
        }
        Ok(())
    }

    fn power_cycle(
        &self,
        world: &mut World,
        node: usize,
        storage: Storage,
        at_us: u64,
    ) -> Result<(), Diagnostic> {
        let watermark = match storage {
            Storage::Kept => world.storage(node),
            Storage::New => Watermark::Fresh,
            Storage::Lost => Watermark::Lost,
        };
        // Every session makes its own choices.
        let seed = child_seed(self.soak.seed, &format!("restart/{node}/{at_us}"));
        let builder = Builder::new(self.plan, self.radio, seed)?.without_tree();
        let station = builder.configure(&self.radio.stations[node], |config| {
            Station::new(Config { watermark, ..config })
        })?;
        world.restart_from(node, station, watermark);
        Ok(())
    }

    /// Announces and overs until all are together.
    fn reunite(&mut self, world: &mut World, seed: u64) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        for round in 0..ROUNDS {
            if world.parted() || together(world) {
                self.longest_reunion = self.longest_reunion.max(round);
                return;
            }
            if world.nodes()[TIMEKEEPER].station.in_step() || round >= NEW_TIMELINE {
                announce(world);
            }
            run_to(world, world.now() + 8 * SECOND);
            // Of two timelines the later one wins, and of two halves of a net the one ahead: they
            // take what they hear of the others for a replay, so it is theirs to speak.
            let latest = most_advanced(world);
            if let Some(net) = latest.first().map(|(_, net)| *net) {
                let guard = world.timing().guard().us().cast_signed();
                let ahead: Vec<usize> = latest
                    .iter()
                    .filter(|(_, n)| net - n <= guard)
                    .map(|(node, _)| *node)
                    .collect();
                let node = ahead[rng.next_u32() as usize % ahead.len()];
                let order = Order::Press { node, target: Target::ALL, talk_us: 4 * SECOND };
                world.order(world.now(), order);
            }
            run_to(world, world.now() + 7 * SECOND);
        }
        if !world.parted() && !together(world) {
            let behind = most_advanced(world).last().map_or(TIMEKEEPER, |(node, _)| *node);
            world.accuse(behind, Rule::NotMerged);
        }
    }
}

/// Time never runs backwards, even if a happening took longer than was meant.
pub(super) fn run_to(world: &mut World, us: u64) {
    if us > world.now() {
        world.run_until(us);
    }
}

/// Refused or not: what comes of it is watched like everything else.
fn announce(world: &mut World) {
    if !world.is_off(TIMEKEEPER) {
        let _ = world.command(TIMEKEEPER, Command::Announce);
    }
}

fn flood(world: &mut World, node: usize, seed: u64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for _ in 0..20 {
        let address = Address::new(rng.next_u32().to_le_bytes()[0]);
        let command = match rng.next_u32() % 4 {
            // A timekeeper without time would start a timeline each time that it is told to.
            0 if node != TIMEKEEPER || world.nodes()[node].station.in_step() => Command::Announce,
            1 => Command::Press(Target::ALL),
            2 => Command::Press(Target::one(address)),
            _ => Command::Release,
        };
        if !world.is_off(node) {
            let _ = world.command(node, command);
        }
        run_to(world, world.now() + u64::from(rng.next_u32() % 100_000));
    }
    if !world.is_off(node) {
        let _ = world.command(node, Command::Release);
    }
}

/// Stations in step with their net time, the latest first.
fn most_advanced(world: &World) -> Vec<(usize, i64)> {
    let now = world.now();
    let with_power = world.nodes().iter().enumerate().filter(|(i, _)| !world.is_off(*i));
    let in_step = with_power.filter(|(_, node)| node.station.in_step());
    let mut list: Vec<(usize, i64)> = in_step
        .filter_map(|(i, node)| Some((i, node.station.clock()?.net_us(node.local(now)))))
        .collect();
    list.sort_unstable_by_key(|(node, net)| (std::cmp::Reverse(*net), *node));
    list
}

/// Whether every station with power is in step, and meets the most advanced one: no further away
/// than what a reception may be late, or than it knows itself to be.
fn together(world: &World) -> bool {
    let list = most_advanced(world);
    let with_power = (0..world.nodes().len()).filter(|node| !world.is_off(*node)).count();
    let Some((_, latest)) = list.first() else { return false };
    let now = world.now();
    let near = |(node, net): &(usize, i64)| {
        let node = &world.nodes()[*node];
        let spread = node.station.clock().map_or(0, |clock| clock.spread(node.local(now)).us());
        latest.abs_diff(*net) <= world.timing().guard().us() + spread
    };
    list.len() == with_power && list.iter().all(near)
}
