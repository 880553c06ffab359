//! Messages, modes, and changes of the net key in a scenario.

use super::read::{printable, station_named, target, time, told_at};
use super::{RadioPlan, Scenario, StationPlan};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::keytree::{Drawn, KeyTree, withdraw};
use crate::plan::{Plan, order_fits};
use crate::world::{Order, World, child_bytes, longest_text};
use hopwright_core::address::{Address, Target};
use hopwright_core::station::{Mode, Role};
use hopwright_core::tree::{DIRECTORY, Share};
use hopwright_core::units::Slot;
use zeroize::Zeroizing;

/// A message of a scenario.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MessagePlan {
    /// When the operator presses, in microseconds.
    pub at_us: u64,
    /// Whose operator.
    pub from: usize,
    /// Whom for.
    pub to: Target,
    /// What it says.
    pub text: String,
}

/// A station goes over to another mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ModePlan {
    /// When, in microseconds.
    pub at_us: u64,
    /// Which station.
    pub station: usize,
    /// To which.
    pub mode: Mode,
}

/// Stations are withdrawn: everybody else gets a new net key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WithdrawPlan {
    /// When the order reaches the station that sends it, in microseconds.
    pub at_us: u64,
    /// Which station sends it.
    pub by: usize,
    /// Who is withdrawn.
    pub stations: Vec<usize>,
    /// How long after that the new key is in use.
    pub change_after_us: u64,
    /// How often it is sent, before and after.
    pub every_us: u64,
    /// Until when.
    pub until_us: u64,
}

/// Every `[[message]]`.
pub(super) fn messages(
    root: &Section<'_>,
    plan: &Plan,
    stations: &[StationPlan],
    (limit_us, relays): (u64, bool),
) -> Result<Vec<MessagePlan>, Diagnostic> {
    let mut messages = Vec::new();
    for section in root.sections("message", &["at_s", "from", "to", "text"])? {
        let from = station_named(&section, "from", stations)?;
        let to = section.needed(section.text("to")?, "to", "\"all\"")?;
        let to = target(&section, "to", to.value)?;
        let text = section.needed(section.text("text")?, "text", "\"ford closed\"")?.value;
        printable(&section, "text", text)?;
        let longest = usize::from(longest_text(plan.message_beside(relays)?));
        if text.is_empty() || text.len() > longest {
            let what = format!("a message has 1 to {longest} bytes, not {}", text.len());
            let help =
                if text.is_empty() { "say something" } else { "shorten it, or send it in two" };
            return Err(section.error("text", what, help));
        }
        let at_us = told_at(&section, limit_us, &stations[from])?;
        messages.push(MessagePlan { at_us, from, to, text: text.to_owned() });
    }
    Ok(messages)
}

/// Every `[[mode]]`.
pub(super) fn modes(
    root: &Section<'_>,
    plan: &Plan,
    stations: &[StationPlan],
    limit_us: u64,
) -> Result<Vec<ModePlan>, Diagnostic> {
    let mut modes = Vec::new();
    for section in root.sections("mode", &["at_s", "station", "to"])? {
        let station = station_named(&section, "station", stations)?;
        let to = section.needed(section.text("to")?, "to", "\"single, sealed\"")?;
        if to.value == "hopping, plain" || to.value == "hopping plain" {
            let what = "a station that hops is sealed: hopping in the clear does not exist";
            return Err(section.error("to", what, "use \"hopping\" or \"single, plain\""));
        }
        let others = [("single, sealed", Mode::SingleSealed), ("single, plain", Mode::SinglePlain)];
        let mode = section.choice("to", ("hopping", Mode::Hopping), &others)?;
        if mode != Mode::Hopping && plan.fixed().calling.is_none() {
            let what = "single-channel modes are on the calling channel, and the plan has none";
            return Err(section.error("to", what, "give the plan `calling_hz` in [fixed]"));
        }
        let at_us = told_at(&section, limit_us, &stations[station])?;
        modes.push(ModePlan { at_us, station, mode });
    }
    Ok(modes)
}

/// Every `[[withdraw]]`, in order of time.
pub(super) fn withdrawals(
    root: &Section<'_>,
    plan: &Plan,
    stations: &[StationPlan],
    (limit_us, relays): (u64, bool),
) -> Result<Vec<WithdrawPlan>, Diagnostic> {
    let keys = ["at_s", "by", "stations", "change_after_s", "every_s", "until_s"];
    let sections = root.sections("withdraw", &keys)?;
    let mut all: Vec<(WithdrawPlan, &Section<'_>)> = Vec::new();
    for section in &sections {
        if plan.key_tree().is_err() {
            let what = "the plan has no root for its key tree: nobody can be withdrawn by keys";
            return Err(section.error("", what, "add `tree_key_file` to [net] of the plan"));
        }
        let by = station_named(section, "by", stations)?;
        let at_us = told_at(section, limit_us, &stations[by])?;
        if stations[by].role == Role::Member {
            let what = format!("{} is a member and sends no orders", stations[by].name);
            let help = "give that station role = \"timekeeper\" or \"deputy\", or name another";
            return Err(section.error("by", what, help));
        }
        let names = section.needed(section.text("stations")?, "stations", "\"lost handset\"")?;
        let mut withdrawn = Vec::new();
        for name in names.value.split(',').map(str::trim) {
            let Some(index) = stations.iter().position(|s| s.name == name) else {
                let what = format!("there is no station \"{}\"", crate::input::shown(name));
                let help = "name stations of this scenario, with commas between";
                return Err(section.error("stations", what, help));
            };
            if index == by {
                let what = format!("{name} cannot withdraw itself");
                return Err(section.error("stations", what, "let another station send the order"));
            }
            withdrawn.push(index);
        }
        let span = |key, default: u64| {
            if section.has(key) { time(section, key, limit_us) } else { Ok(default) }
        };
        let change_after_us = span("change_after_s", 45_000_000)?;
        let every_us = span("every_s", 20_000_000)?;
        if every_us < 1_000_000 {
            let what = "an order takes seconds to send";
            return Err(section.error("every_s", what, "use 1 s or more"));
        }
        let until_us = span("until_s", limit_us)?;
        let withdrawal =
            WithdrawPlan { at_us, by, stations: withdrawn, change_after_us, every_us, until_us };
        all.push((withdrawal, section));
    }
    all.sort_by_key(|(withdrawal, _)| withdrawal.at_us);
    orders_fit(plan, stations, relays, &all)?;
    Ok(all.into_iter().map(|(withdrawal, _)| withdrawal).collect())
}

/// Whether the messages of the net carry the orders, each with everybody withdrawn until then. (One that
/// is not made for want of net time leaves its stations in; the order that is made then is seen to as it
/// is made.)
fn orders_fit(
    plan: &Plan,
    stations: &[StationPlan],
    relays: bool,
    all: &[(WithdrawPlan, &Section<'_>)],
) -> Result<(), Diagnostic> {
    let longest = longest_text(plan.message_beside(relays)?);
    let mut out = plan.withdrawn().clone();
    for (withdrawal, section) in all {
        out.extend(withdrawal.stations.iter().map(|index| stations[*index].address));
        // Only its length is of interest, which depends on nobody's keys.
        let drawn = Drawn::new(Zeroizing::new([0; 64]));
        let tree = plan.key_tree()?;
        withdraw(&tree, &plan.net_key(), 1, Slot::ZERO, &out, &drawn)
            .map_err(Diagnostic::of_order)
            .and_then(|made| order_fits(made.order.len(), longest))
            .map_err(|error| section.error("stations", error.what(), error.help()))?;
    }
    Ok(())
}

/// The directory of every station: what it says itself (`calls`), else the targets that it calls
/// in the scenario without belonging to them.
pub(super) fn directories(
    root: &Section<'_>,
    stations: &mut [StationPlan],
    called: impl Iterator<Item = (usize, Target)>,
) -> Result<(), Diagnostic> {
    for (from, target) in called {
        let StationPlan { address, calls, own_calls, .. } = &mut stations[from];
        if !*own_calls && !target.covers(*address) && !calls.contains(&target) {
            calls.push(target);
        }
    }
    match stations.iter().find(|station| station.calls.len() > DIRECTORY) {
        None => Ok(()),
        Some(station) => {
            let what = format!(
                "{} calls {} targets to which it does not belong, and a directory holds {DIRECTORY}",
                station.name,
                station.calls.len()
            );
            Err(root.error("over", what, "let it call fewer, or larger prefixes"))
        }
    }
}

/// The `calls` of a `[[station]]`: targets with commas between.
pub(super) fn calls(
    section: &Section<'_>,
    own: Address,
) -> Result<(Vec<Target>, bool), Diagnostic> {
    let Some(text) = section.text("calls")? else { return Ok((Vec::new(), false)) };
    let mut calls = Vec::new();
    for part in text.value.split(',').map(str::trim).filter(|part| !part.is_empty()) {
        let target = target(section, "calls", part)?;
        if !target.covers(own) && !calls.contains(&target) {
            calls.push(target);
        }
    }
    if calls.len() > DIRECTORY {
        let what = format!("a directory holds {DIRECTORY} targets, not {}", calls.len());
        return Err(section.error("calls", what, "use prefixes for several stations at once"));
    }
    Ok((calls, true))
}

/// Carries a withdrawal out, the `index`th of `all`, at the time that it is due: the planner makes
/// the order, its sender takes it, and sends it again and again. Answers whether there is an order: a
/// sender without net time cannot say from which slot on a new key holds, and that is noted.
///
/// # Errors
/// [`Diagnostic`] if there can be no such order.
pub(crate) fn withdraw_in(
    world: &mut World,
    tree: &KeyTree,
    (radio, net): (&RadioPlan, &Plan),
    seed: u64,
    (index, all): (usize, &[WithdrawPlan]),
) -> Result<bool, Diagnostic> {
    let Some(plan) = all.get(index) else { return Ok(false) };
    let station = &world.nodes()[plan.by].station;
    let local = world.nodes()[plan.by].local(world.now());
    let Some(present) = station.slot(local).filter(|_| !world.is_off(plan.by)) else {
        world.note_change_refused(index);
        return Ok(false);
    };
    let slots = plan.change_after_us / net.timing().slot().us();
    let slot = present.plus(u32::try_from(slots).unwrap_or(u32::MAX));
    let (key, share) = station.keys();
    let generation = share.map_or(0, Share::generation).saturating_add(1);
    // Whoever was withdrawn before stays out, by the plan too; not whom an order would have left out that was never made.
    let ordered = |n: usize| n == index || world.trace().changes.iter().any(|c| c.number == n);
    let out = all.iter().enumerate().filter(|(n, _)| ordered(*n)).flat_map(|(_, w)| &w.stations);
    let out = out.map(|node| radio.stations[*node].address);
    let withdrawn = out.chain(net.withdrawn().iter().copied()).collect();
    // What a planner draws from its operating system comes from the seed here.
    let drawn = Drawn::new(Zeroizing::new(child_bytes(seed, &format!("withdraw/{index}"))));
    let made =
        withdraw(tree, key, generation, slot, &withdrawn, &drawn).map_err(Diagnostic::of_order)?;
    order_fits(made.order.len(), world.longest_text())?;
    for node in &plan.stations {
        world.note_withdrawn(*node);
    }
    world.note_change((index, plan.by), slot, made.order.len(), made.cover.len());
    let order = world.add_order(&made.order);
    world.order(world.now(), Order::TakeOrder { node: plan.by, order });
    let mut at_us = plan.at_us;
    while at_us <= plan.until_us {
        world.order(at_us, Order::SendOrder { node: plan.by, order });
        at_us += plan.every_us;
    }
    Ok(true)
}

impl Scenario {
    /// Carries a withdrawal of the scenario out, if its sender can.
    pub(super) fn withdraw(&self, world: &mut World, index: usize) -> Result<(), Diagnostic> {
        let (tree, all) = (self.plan.key_tree()?, &self.withdrawals);
        withdraw_in(world, &tree, (&self.radio, &self.plan), self.seed, (index, all)).map(|_| ())
    }

    /// What is told of a withdrawal that was refused.
    pub(crate) fn withdrawal_refused(&self, index: usize) -> String {
        let name = |node: usize| self.radio.stations[node].name.as_str();
        self.withdrawals.get(index).map_or_else(String::new, |plan| {
            let stations: Vec<&str> = plan.stations.iter().map(|node| name(*node)).collect();
            format!(
                "{} has no net time, cannot say from which slot on a new net key holds, and does not \
                 withdraw {}",
                name(plan.by),
                stations.join(", ")
            )
        })
    }
}
