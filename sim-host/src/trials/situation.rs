//! The situations that can be tried.

use super::parting::{Parted, merge};
use super::{Campaign, change};

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::scenario::{
    Builder, Cover, InterfererPlan, OverPlan, RadioPlan, StationPlan, Timetable,
};
use crate::world::{Level, Place, World, child_bytes, child_seed};
use hopwright_core::address::{Address, Target};
use hopwright_core::keys::NetKey;
use hopwright_core::station::{Event, Role};
use hopwright_core::units::Slot;

pub(super) const SECOND: u64 = 1_000_000;

/// A situation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Situation {
    /// Stations without time search; a timekeeper announces. Announce to in step
    Announce,
    /// A station is switched on while somebody speaks. Switched on to in step
    Entry,
    /// All are in step, then silent for long; somebody speaks. First slot sent to in step
    Silence,
    /// All are in step and silent; a newcomer without time presses. Its first slot to being
    /// followed by each station
    CutIn,
    /// As `cut-in`; the first answer's lead-in gives the newcomer time. First slot of the answer
    /// to in step
    Answer,
    /// Two halves out of range of each other, each on a timeline of its own, come to hear each
    /// other. First transmission that both can hear to all on the later timeline
    Merge,
    /// As `merge`, but on one timeline, on which the halves' phases have drifted apart. The same
    /// to all in step with one another
    Rejoin,
    /// An order withdraws a station. First slot of its first sending to having it
    Ordered,
    /// A station that has missed a change of keys is switched on; the order is sent every 20 s.
    /// Switched on to the net's key and in step
    PickUp,
}

impl Situation {
    /// What an outcome is.
    #[must_use]
    pub const fn outcome(self) -> &'static str {
        match self {
            Self::Announce => "first slot of the announce to in step",
            Self::Entry => "switched on during traffic to in step",
            Self::Silence => "first slot after the silence to slots met one by one",
            Self::CutIn => "first slot of the cut-in to being followed",
            Self::Answer => "first slot of the answer to the newcomer in step",
            Self::Merge => "first slot that both halves can hear to all on the later timeline",
            Self::Rejoin => "first slot that both halves can hear to all in step with one another",
            Self::Ordered => "first slot of an order to having it, never if not before the change",
            Self::PickUp => "switched on after a missed change to the net's key and in step",
        }
    }

    /// The outcomes of one trial, in seconds.
    pub(super) fn outcomes(
        self,
        plan: &Plan,
        campaign: &Campaign,
        seed: u64,
    ) -> Result<Vec<f64>, Diagnostic> {
        match self {
            Self::Announce => announce(plan, campaign, seed),
            Self::Entry => entry(plan, campaign, seed),
            Self::Silence => silence(plan, campaign, seed),
            Self::CutIn => cut_in(plan, campaign, seed),
            Self::Answer => answer(plan, campaign, seed),
            Self::Merge => merge(plan, campaign, seed, Parted::Timelines),
            Self::Rejoin => merge(plan, campaign, seed, Parted::Phases),
            Self::Ordered => change::ordered(plan, campaign, seed),
            Self::PickUp => change::picked_up(plan, campaign, seed),
        }
    }
}

/// Four stations, switched on at different times, search when the timekeeper announces.
fn announce(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    let at = 10 * SECOND + draw(seed, "at", 4 * SECOND);
    // A stay on one channel lasts seconds: it must be able to end while the announce is on.
    let on: Vec<(usize, u64)> =
        (1..5).map(|node| (node, draw(seed, &format!("on/{node}"), 6 * SECOND))).collect();
    let radio = radio(campaign, seed, 5, &on);
    let mut world = world(plan, &radio, seed, &[(at, 0)], &[])?;
    let all = |world: &World| (1..5).all(|node| first_in_step(world, node, at).is_some());
    world.run_while(at + 10 * SECOND, |world| !all(world));
    Ok((1..5).map(|node| outcome(first_in_step(&world, node, at), at)).collect())
}

/// A station that is switched on at a random moment of a long over.
fn entry(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    let on = 9 * SECOND + draw(seed, "on", 4 * SECOND);
    let radio = radio(campaign, seed, 2, &[(1, on)]);
    let over = OverPlan { at_us: 6 * SECOND, from: 0, to: Target::ALL, talk_us: 60 * SECOND };
    let mut world = world(plan, &radio, seed, &[(SECOND, 0)], &[over])?;
    world.run_while(on + 20 * SECOND, |world| first_in_step(world, 1, on).is_none());
    Ok(vec![outcome(first_in_step(&world, 1, on), on)])
}

/// Stations that come into step, hear nothing for long, and then hear one of them speak.
fn silence(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    silence_of(plan, campaign, seed, radio(campaign, seed, 5, &[]))
}

fn silence_of(
    plan: &Plan,
    campaign: &Campaign,
    seed: u64,
    radio: RadioPlan,
) -> Result<Vec<f64>, Diagnostic> {
    let start = SECOND + draw(seed, "at", SECOND);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "seconds to a month, checked by the command line"
    )]
    let quiet = (campaign.silence_s * 1e6) as u64;
    let announce = u64::from(plan.announce_slots()) * plan.timing().slot().us();
    let speak = start + announce + SECOND + quiet + draw(seed, "speak", SECOND);
    let over = OverPlan { at_us: speak, from: 1, to: Target::ALL, talk_us: 60 * SECOND };
    let mut world = world(plan, &radio, seed, &[(start, 0)], &[over])?;
    world.run_until(speak);
    let listeners = [0, 2, 3, 4];
    // A station that coasts or searches says when it is in step again. One that never lost its grip
    // has nothing to say of that, and meets slots one by one from the first on: but it has to hear
    // the over.
    let loose: Vec<bool> = listeners.iter().map(|node| lost_grip(&world, *node)).collect();
    let done = |world: &World| {
        listeners.iter().zip(&loose).all(|(node, loose)| match loose {
            true => first_in_step(world, *node, speak).is_some(),
            false => has_heard(world, *node, speak),
        })
    };
    world.run_while(speak + 30 * SECOND, |world| !done(world));
    let first_slot = world.first_sent_after(1, speak).unwrap_or(speak);
    Ok(listeners
        .iter()
        .zip(&loose)
        .map(|(node, loose)| match first_in_step(&world, *node, speak) {
            Some(at) if *loose => outcome(Some(at), first_slot.min(at)),
            None if *loose => f64::INFINITY,
            Some(_) | None if has_heard(&world, *node, speak) => 0.0,
            Some(_) | None => f64::INFINITY,
        })
        .collect())
}

pub(super) fn world(
    plan: &Plan,
    radio: &RadioPlan,
    seed: u64,
    announces: &[(u64, usize)],
    overs: &[OverPlan],
) -> Result<World, Diagnostic> {
    let mut world = Builder::with_key(plan, radio, seed, trial_key(seed))?
        .world(Timetable::totals(announces, overs))?;
    // Only times are asked for.
    world.look_away();
    Ok(world)
}

/// The net key of a trial.
pub(super) fn trial_key(seed: u64) -> NetKey {
    NetKey::new(child_bytes(seed, "key"))
}

/// Six idle stations in step and a newcomer who presses; the world a little before its end.
fn newcomer(
    plan: &Plan,
    campaign: &Campaign,
    seed: u64,
    talk_us: u64,
    answer_after_us: Option<u64>,
) -> Result<(World, u64), Diagnostic> {
    let on = 10 * SECOND + draw(seed, "on", 4 * SECOND);
    let press = on + SECOND + draw(seed, "press", SECOND);
    let radio = radio(campaign, seed, 7, &[(6, on)]);
    let mut overs = vec![OverPlan { at_us: press, from: 6, to: Target::ALL, talk_us }];
    if let Some(after) = answer_after_us {
        let at_us = press + after;
        overs.push(OverPlan { at_us, from: 2, to: Target::ALL, talk_us: SECOND });
    }
    let world = world(plan, &radio, seed, &[(SECOND, 0)], &overs)?;
    Ok((world, press))
}

/// When each idle station is told of the newcomer's call.
fn cut_in(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    let (mut world, press) = newcomer(plan, campaign, seed, 2 * SECOND, None)?;
    world.run_until(press + 14 * SECOND);
    let start = world.first_sent_after(6, press).unwrap_or(press);
    let told = |node: usize| {
        let call = |e: &Event| matches!(e, Event::Call { .. });
        world.trace().times_of(node, call).find(|t| *t >= start)
    };
    // Six seconds are what the run lasts; what comes later was told by the talk.
    Ok((0..6).map(|node| outcome(told(node), start)).collect())
}

/// When the newcomer has time, after somebody has answered it.
fn answer(plan: &Plan, campaign: &Campaign, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    // Patience, run, talk and closing take ten seconds and a bit.
    let after = 12 * SECOND + draw(seed, "answer", 2 * SECOND);
    let (mut world, press) = newcomer(plan, campaign, seed, 2 * SECOND, Some(after))?;
    world.run_while(press + after + 20 * SECOND, |world| first_in_step(world, 6, press).is_none());
    let start = world.first_sent_after(2, press + after).unwrap_or(press + after);
    Ok(vec![outcome(first_in_step(&world, 6, press), start)])
}

/// Whether a station has been told of a call, or has read payload, of an over pressed for at `us` or
/// later.
fn has_heard(world: &World, node: usize, us: u64) -> bool {
    let mut overs = world.trace().overs.iter().filter(|over| over.pressed_us >= us);
    overs.any(|over| {
        let read = over.payloads_heard.get(node).is_some_and(|slots| *slots > 0);
        read || over.called.contains(&node)
    })
}

/// Whether the last that a station said of its grip is that it has lost it.
fn lost_grip(world: &World, node: usize) -> bool {
    let own = world.trace().events.iter().rev().filter(|happened| happened.node == node);
    let mut grips = own.filter_map(|happened| match happened.event {
        Event::Coasting { .. } | Event::OutOfStep => Some(true),
        Event::InStep { .. } => Some(false),
        _ => None,
    });
    // The timekeeper begins in step without saying so.
    grips.next().unwrap_or(node != 0)
}

fn first_in_step(world: &World, node: usize, since: u64) -> Option<u64> {
    world.trace().times_of(node, |e| matches!(e, Event::InStep { .. })).find(|t| *t >= since)
}

pub(super) fn outcome(at: Option<u64>, since: u64) -> f64 {
    at.map_or(f64::INFINITY, |at| at.saturating_sub(since) as f64 / 1e6)
}

/// A number below `below` from a trial's seed.
pub(super) fn draw(seed: u64, what: &str, below: u64) -> u64 {
    child_seed(seed, what) % below
}

/// A timekeeper and members, a few kilometres apart; `on` says who is switched on late.
pub(super) fn radio(
    campaign: &Campaign,
    seed: u64,
    stations: u8,
    on: &[(usize, u64)],
) -> RadioPlan {
    // The first slot is anywhere in the first half of the timeline.
    let far = u32::try_from(draw(seed, "slot", 1 << 31)).unwrap_or(0);
    let station = |i: u8| {
        let index = usize::from(i);
        let place = |axis: &str| draw(seed, &format!("{axis}/{i}"), 6_000) as f64 - 3_000.0;
        StationPlan {
            role: if i == 0 { Role::Timekeeper } else { Role::Member },
            place: Place::at(place("x"), place("y")),
            on_us: on.iter().find(|(node, _)| *node == index).map_or(0, |(_, at)| *at),
            stored_slot: (i == 0).then(|| Slot::new(far)),
            ..StationPlan::member(format!("station {i}"), Address::new(i))
        }
    };
    let interferer = InterfererPlan {
        name: "interference".to_owned(),
        cover: Cover::Contiguous(campaign.jammed),
        level: Level::AboveWanted { db: 40.0 },
        from_us: 0,
        to_us: u64::MAX,
    };
    RadioPlan {
        interferers: if campaign.jammed > 0.0 { vec![interferer] } else { Vec::new() },
        ..RadioPlan::of((0..stations).map(station).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::{MovePlan, built_in_plan};

    /// After a minute nobody has lost his grip (specification section 6). Who is out of range when
    /// somebody speaks has not heard him all the same.
    #[test]
    fn who_is_out_of_range_does_not_hear_the_first_word() {
        let plan = built_in_plan().unwrap();
        let campaign = Campaign { silence_s: 60.0, ..Campaign::of(Situation::Silence) };
        let near = silence(&plan, &campaign, 5).unwrap();
        assert_eq!(near, [0.0; 4]);
        let mut apart = radio(&campaign, 5, 5, &[]);
        apart.horizon_m = Some(30_000.0);
        // The last listener goes away in the silence.
        apart.moves.push(MovePlan {
            station: 4,
            at_us: 30 * SECOND,
            to_m: (100_000.0, 0.0),
            to_height_m: None,
            over_us: 0,
        });
        let outcomes = silence_of(&plan, &campaign, 5, apart).unwrap();
        assert_eq!(outcomes, [0.0, 0.0, 0.0, f64::INFINITY]);
    }
}
