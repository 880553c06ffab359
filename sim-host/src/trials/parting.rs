//! Two halves of a net that cannot hear each other for hours, and then can.

use super::Campaign;
use super::situation::{SECOND, draw, outcome, radio, world};
use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::scenario::{MovePlan, OverPlan};
use crate::world::World;
use hopwright_core::address::Target;
use hopwright_core::station::{Event, Role};
use hopwright_core::units::Slot;

/// How the halves meet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Contact {
    /// One station moves in between: it alone hears both halves
    Bridge,
    /// One half moves to the other: everyone hears everyone
    Whole,
}

/// Stations of each half; those with the lower numbers are the first.
const HALF: u8 = 5;
/// The station that moves in between, of the first half.
const BRIDGE: usize = 1;
/// The second half's centre is so far east of the first's, in metres. Stations are scattered by
/// 3000 m either way along both axes around a centre.
const BETWEEN_M: f64 = 46_000.0;
/// Whoever is farther away is not heard: a station in the middle hears both halves.
const HORIZON_M: f64 = 28_000.0;
/// While apart, each half has an over this often.
const OVERS_APART: u64 = 600 * SECOND;
/// From contact on, each half has an over this often on average, and so do the timekeepers
/// announce.
const OVERS_MET: u64 = 20 * SECOND;
const ANNOUNCES_MET: u64 = 60 * SECOND;
/// What has not happened after this long is taken never to happen.
const LIMIT: u64 = 1_800 * SECOND;

/// Whether each half has a timekeeper and a timeline of its own, or all were together once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Parted {
    /// Two timelines.
    Timelines,
    /// One, on which the halves' phases have drifted apart.
    Phases,
}

/// Seconds from the first transmission that both halves can hear until all stations are in step
/// with one another, and on the timeline that is ahead.
pub(super) fn merge(
    plan: &Plan,
    campaign: &Campaign,
    seed: u64,
    parted: Parted,
) -> Result<Vec<f64>, Diagnostic> {
    let first = radio(campaign, seed, 2 * HALF, &[]);
    let mut radio = first;
    radio.horizon_m = Some(HORIZON_M);
    let second = usize::from(HALF);
    let both = [(0, 0..second), (second, second..2 * second)];
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "hours of a month at most, checked by the command line"
    )]
    let apart = (campaign.apart_h * 3.6e9) as u64;
    // The overs before it are over by then.
    let contact = 60 * SECOND + apart;
    let go = |station: usize, at_us: u64, to_m: (f64, f64)| MovePlan {
        station,
        at_us,
        to_m,
        to_height_m: None,
        over_us: 0,
    };
    let mut announces = vec![(5 * SECOND, 0)];
    for station in second..2 * second {
        let own = &mut radio.stations[station];
        let (near, far) =
            ((own.place.x_m, own.place.y_m), (own.place.x_m + BETWEEN_M, own.place.y_m));
        match parted {
            Parted::Timelines => own.place.x_m = far.0,
            // Together for the announce.
            Parted::Phases => radio.moves.push(go(station, 20 * SECOND, far)),
        }
        if campaign.contact == Contact::Whole {
            radio.moves.push(go(station, contact, near));
        }
    }
    if campaign.contact == Contact::Bridge {
        radio.moves.push(go(BRIDGE, contact, (BETWEEN_M / 2.0, 0.0)));
    }
    if parted == Parted::Timelines {
        let own = &mut radio.stations[second];
        own.role = Role::Timekeeper;
        own.stored_slot = u32::try_from(draw(seed, "second slot", 1 << 31)).ok().map(Slot::new);
        announces.push((6 * SECOND, second));
    }
    let keepers = announces.len();
    let mut overs = Vec::new();
    for (half, (keeper, stations)) in both.into_iter().enumerate() {
        let size = stations.len() as u64;
        let any = |what: &str| {
            let pick = usize::try_from(draw(seed, what, size)).unwrap_or(0);
            stations.start + pick
        };
        let mut over = |at_us: u64, talk_us: u64, number: usize| {
            let from = any(&format!("speaker/{half}/{number}"));
            overs.push(OverPlan { at_us, from, to: Target::ALL, talk_us });
        };
        let mut number = 0;
        let mut at = 60 * SECOND + draw(seed, &format!("over/{half}"), OVERS_APART / 2);
        while at + 30 * SECOND < contact {
            over(at, 3 * SECOND, number);
            number += 1;
            at += OVERS_APART;
        }
        at = contact;
        while at < contact + LIMIT {
            let what = format!("over/{half}/{number}");
            at += OVERS_MET / 2 + draw(seed, &what, OVERS_MET);
            over(at, SECOND + draw(seed, &format!("{what}/talk"), 8 * SECOND), number);
            number += 1;
        }
        if half < keepers {
            let mut at = contact + draw(seed, &format!("announce/{half}"), ANNOUNCES_MET);
            while at < contact + LIMIT {
                announces.push((at, keeper));
                at += ANNOUNCES_MET;
            }
        }
    }
    let mut world = world(plan, &radio, seed, &announces, &overs)?;
    world.run_until(contact);
    // Nobody is heard by both halves but who is in between, and, by the one in between, everyone
    // of the other half; or everyone, if all have met.
    let heard_by_both: Vec<usize> = match campaign.contact {
        Contact::Bridge => std::iter::once(BRIDGE).chain(second..2 * second).collect(),
        Contact::Whole => (0..2 * second).collect(),
    };
    let guard = plan.timing().guard().us();
    let agreed = |world: &World| {
        let latest = world.latest_timeline();
        (0..2 * second).all(|node| world.timeline_of(node) == latest)
            && world.phases_apart_us().is_some_and(|apart| apart <= guard)
    };
    world.run_while(contact + LIMIT, |world| !agreed(world));
    let sent = heard_by_both.iter().filter_map(|node| world.first_sent_after(*node, contact));
    let start = sent.min().unwrap_or(contact);
    let at = agreed(&world).then(|| world.now().max(start));
    // Nobody may have been left without time on the way.
    let lost = |h: &crate::world::Happened| h.at_us > contact && h.event == Event::OutOfStep;
    let left = world.trace().events.iter().any(lost);
    Ok(vec![outcome(at.filter(|_| !left), start)])
}
