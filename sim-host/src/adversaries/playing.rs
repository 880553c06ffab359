//! Recorder and relay: what genuine transmissions do when they are sent again.

use super::scene::{ANNOUNCE, SECOND, SETTLED, Scene, above, first_in_step, repeat, talks};
use super::{Ask, Curve, Finding, Name, Point, Report, Verdict};
use crate::diagnostic::Diagnostic;
use crate::scenario::BehaviourPlan;
use crate::trials::summarise;
use crate::world::World;
use crate::world::adversary::Taken;
use hopwright_core::units::Slot;

/// Recordings are played this strong: above everything else.
const STRONG_DB: f64 = 20.0;

/// When the recorder listens: to the announce.
const LISTEN: (u64, u64) = (ANNOUNCE, SETTLED);
const MINUTE: u64 = 60 * SECOND;
const HOUR: u64 = 3_600 * SECOND;

/// A recording of the announce, played at `play_us`.
const fn recording(play_us: u64, times: u32, anywhere_us: Option<u64>) -> BehaviourPlan {
    BehaviourPlan::Replay { listen_us: LISTEN, play_us, times, anywhere_us }
}

/// The recorder's rows.
pub(super) fn replay(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let worlds = ask.trials.div_ceil(10);
    let cases = [
        ("announce, 10 s later, three times", 12 * SECOND, 3, None),
        ("announce, an hour later, three times", HOUR, 3, None),
        ("single headers anywhere, 10 s later", 12 * SECOND, 2, Some(20_000)),
        ("single headers anywhere, an hour later", HOUR, 2, Some(20_000)),
    ];
    for (tried, play_us, times, anywhere_us) in cases {
        let few = if play_us == HOUR { worlds.div_ceil(8) } else { worlds };
        let outcomes = repeat(ask, tried, few, |seed| {
            let scene = Scene::new(seed, 5);
            let play = recording(play_us, times, anywhere_us);
            let mut world = scene.against(play, above(STRONG_DB), 0).world(ask)?;
            world.run_until(play_us + 30 * SECOND);
            let astray = (0..5).filter(|node| !world.in_step(*node)).count();
            Ok((world.taken(), astray as u64))
        })?;
        let taken = outcomes.iter().map(|(taken, _)| *taken).fold(Taken::default(), Taken::and);
        let astray = outcomes.iter().map(|(_, astray)| astray).sum();
        let tried = format!("{tried}, to a net in step");
        let of = (taken.headers + taken.words, taken.heard);
        report.findings.push(
            Finding::share(Name::Replay, tried.clone(), "recognised and taken", of).at_most(0.0),
        );
        let of = (astray, 5 * outcomes.len() as u64);
        let what = "stations no longer in step";
        report.findings.push(Finding::share(Name::Replay, tried, what, of).at_most(0.0));
    }
    searching(ask, report, worlds)
}

/// Recordings for stations that have no time.
fn searching(ask: &Ask<'_>, report: &mut Report, worlds: u32) -> Result<(), Diagnostic> {
    for (stored, times) in [(true, 10_u32), (false, 10)] {
        let play = MINUTE;
        let outcomes = repeat(ask, &format!("replay/search/{stored}"), worlds, |seed| {
            let on = play - 5 * SECOND;
            let mut scene = Scene::new(seed, 5);
            let first = scene.stations[0].stored_slot.map_or(0, Slot::number);
            for station in &mut scene.stations[1..] {
                station.on_us = on;
                // The watermark of the session that was recorded.
                station.stored_slot = stored.then(|| Slot::new(first + (1 << 14) + 400));
            }
            // The net that was recorded is silent; its timekeeper announces again later.
            let genuine = play + 60 * SECOND;
            scene.announces.push(genuine);
            let played = recording(play, times, None);
            let mut world = scene.against(played, above(STRONG_DB), 0).world(ask)?;
            world.run_until(genuine);
            let led = |world: &World| {
                let believes = |node: &usize| world.nodes()[*node].station.in_step();
                (1..5).filter(|node| believes(node) && !world.in_step(*node)).count() as u64
            };
            let told = (1..5).filter(|node| first_in_step(&world, *node, 0).is_some()).count();
            let mut back = Vec::new();
            for node in 1..5 {
                world.run_while(genuine + 20 * SECOND, |world| !world.in_step(node));
                let since = world.now() - genuine;
                back.push(if world.in_step(node) { since as f64 / 1e6 } else { f64::INFINITY });
            }
            Ok((told as u64, led(&world), back))
        })?;
        let count = 4 * outcomes.len() as u64;
        let told = (outcomes.iter().map(|(told, ..)| told).sum(), count);
        let led = (outcomes.iter().map(|(_, led, _)| led).sum(), count);
        let back: Vec<Vec<f64>> = outcomes.into_iter().map(|(.., back)| back).collect();
        let who = if stored { "with a watermark" } else { "without a watermark" };
        let tried = format!("announce, a minute later, ten times, to stations in search {who}");
        let finding = Finding::share(Name::Replay, tried.clone(), "led to believe in it", told);
        report.findings.push(if stored { finding.at_most(0.0) } else { finding.limit() });
        let what = "still led after a genuine announce";
        report.findings.push(Finding::share(Name::Replay, tried.clone(), what, led).at_most(0.0));
        if let Some(summary) = summarise(&back) {
            let what = "genuine announce to right time, 99 %";
            let mut finding = Finding::value(Name::Replay, tried, what, "s", summary.p99_s);
            finding.interval = Some(summary.p99_interval_s);
            report.findings.push(finding.at_most(4.0));
        }
    }
    Ok(())
}

/// Delays of the relay, in microseconds.
const DELAYS: [u64; 14] =
    [20, 50, 100, 200, 300, 400, 500, 600, 700, 800, 1_000, 2_000, 5_000, 20_000];

/// Those of the table; the curve has them all.
const SHOWN: [u64; 7] = [50, 100, 200, 300, 500, 800, 20_000];

/// What a relay achieved in one world.
#[derive(Debug, Clone, Copy, Default)]
struct Relayed {
    worst_phase_us: u64,
    taken: Taken,
    headers_misled: u64,
    headers_judged: u64,
    in_touch: bool,
}

/// The relay's rows and curve.
pub(super) fn relay(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let clock = ask.plan.clock();
    let (jitter, delay) = (clock.jitter.us(), clock.propagation().us());
    // Specification sections 6 and 8: a header is in its place if it is no later than guard,
    // jitter and the longest propagation delay.
    let allowed = ask.plan.timing().guard().us() + jitter + delay;
    let mut curve = Curve {
        file: "relay",
        title: "Relay (simulated): how far it moves the phase, by its delay".to_owned(),
        x: "delay of the relay in us",
        y: "largest phase error in us",
        legend_below: false,
        columns: ["one speaker", "20 overs in turn", "allowance: guard, jitter, propagation"],
        points: Vec::new(),
    };
    for delay_us in DELAYS {
        let (one, turns) = (relayed(ask, delay_us, false)?, relayed(ask, delay_us, true)?);
        // Besides the relay's delay, a phase is off by what it is off without one, and a time
        // stamp by the jitter: beyond all that nothing is in its place.
        let own = (jitter + delay) as f64;
        let beyond = delay_us > allowed + jitter + delay + 2 * jitter;
        let most = if beyond { own } else { delay_us as f64 + own };
        let tried = format!("everything {delay_us} us later, +20 dB, one speaker");
        let mut rows = Report::default();
        let slot_late = delay_us >= ask.plan.timing().slot().us();
        phases(&mut rows, &tried, &one, Some(most), (beyond, slot_late));
        let tried = format!("everything {delay_us} us later, +20 dB, 20 overs in turn");
        // In turn, a speaker is followed that was off by as much itself.
        phases(&mut rows, &tried, &turns, beyond.then_some(2.0 * own), (beyond, slot_late));
        let fails = rows.findings.iter().any(|finding| finding.verdict == Verdict::Fails);
        if SHOWN.contains(&delay_us) || fails {
            report.findings.append(&mut rows.findings);
        }
        let value = |us: f64, closed: f64| (us, (us, us), closed);
        let values = vec![
            value(worst(&one), most),
            value(worst(&turns), f64::NAN),
            value(allowed as f64, allowed as f64),
        ];
        curve.points.push(Point { x: delay_us as f64, values });
    }
    report.curves.push(curve);
    Ok(())
}

fn worst(outcomes: &[Relayed]) -> f64 {
    outcomes.iter().map(|outcome| outcome.worst_phase_us).max().unwrap_or_default() as f64
}

/// The rows of one delay. `most` is what the phase may be off; a relay from `beyond` the
/// allowance must achieve nothing. What is late by a slot is on a channel that has been left, where hardly
/// any of it is recognised: then it is counted of all that was sent.
fn phases(
    report: &mut Report,
    tried: &str,
    of: &[Relayed],
    most: Option<f64>,
    (beyond, slot_late): (bool, bool),
) {
    let tried = || tried.to_owned();
    let finding = Finding::value(Name::Relay, tried(), "largest phase error", "us", worst(of));
    report.findings.push(match most {
        Some(most) => finding.at_most(most),
        None => finding.limit(),
    });
    let add = |pick: fn(&Relayed) -> u64| of.iter().map(pick).sum::<u64>();
    let hits = add(|one| one.taken.headers + one.taken.words);
    let (what, count) = match slot_late {
        true => ("sent and taken", add(|one| one.taken.sent)),
        false => ("recognised and taken", add(|one| one.taken.heard)),
    };
    let finding = Finding::share(Name::Relay, tried(), what, (hits, count));
    report.findings.push(if beyond { finding.at_most(0.0) } else { finding.limit() });
    let missed = (add(|one| one.headers_misled), add(|one| one.headers_judged));
    let what = "headers after which a bound misses true time";
    let finding = Finding::share(Name::Relay, tried(), what, missed);
    report.findings.push(if beyond { finding.at_most(0.0) } else { finding.limit() });
    let apart = (add(|one| u64::from(!one.in_touch)), of.len() as u64);
    let what = "nets that have come apart";
    let finding = Finding::share(Name::Relay, tried(), what, apart);
    // Overs in turn pass the delay on: that moves some stations and not others.
    report.findings.push(if most.is_some() { finding.at_most(0.0) } else { finding.limit() });
}

/// Overs under a relay.
fn relayed(ask: &Ask<'_>, delay_us: u64, in_turn: bool) -> Result<Vec<Relayed>, Diagnostic> {
    repeat(ask, &format!("relay/{delay_us}/{in_turn}"), talks(ask), |seed| {
        let mut scene = Scene::new(seed, 4);
        if in_turn {
            for turn in 0..20 {
                let from = usize::try_from(turn % 4).unwrap_or(0);
                scene = scene.over(from, SETTLED + SECOND + turn * 4 * SECOND, SECOND);
            }
        } else {
            scene = scene.over(1, SETTLED + SECOND, 20 * SECOND);
        }
        let behaviour = BehaviourPlan::Relay { delay_us };
        let mut world = scene.against(behaviour, above(STRONG_DB), SETTLED).world(ask)?;
        world.run_until(SETTLED + if in_turn { 82 } else { 22 } * SECOND);
        let totals = world.trace().totals;
        // Whatever the phases are, they must be close enough to each other to meet.
        let net = |node: usize| {
            let node = &world.nodes()[node];
            let clock = node.station.clock().filter(|_| node.station.in_step())?;
            Some(clock.net_us(node.local(world.now())))
        };
        let phases: Option<Vec<i64>> = (0..4).map(net).collect();
        let spread =
            phases.and_then(|phases| Some(phases.iter().max()?.abs_diff(*phases.iter().min()?)));
        Ok(Relayed {
            worst_phase_us: totals.worst_phase_us,
            taken: world.taken(),
            headers_misled: totals.headers_misled,
            headers_judged: totals.headers_judged,
            in_touch: spread.is_some_and(|us| us <= ask.plan.timing().guard().us()),
        })
    })
}
