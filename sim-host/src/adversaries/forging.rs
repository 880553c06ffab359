//! The forger: headers that no member made.

use super::scene::{SECOND, SETTLED, Scene, above, draw, first_in_step, repeat};
use super::{Ask, Finding, Name, Report};
use crate::diagnostic::Diagnostic;
use crate::scenario::{BehaviourPlan, ForgeryPlan};
use crate::trials::summarise;
use crate::world::adversary::Taken;

/// The forger's rows.
pub(super) fn forger(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let worlds = ask.trials.div_ceil(10);
    let forgeries = [
        (ForgeryPlan::Random, "random bits behind the sync word"),
        (ForgeryPlan::WrongKey, "announces under another key"),
        (ForgeryPlan::Turned(1), "headers of a moment ago, 1 bit turned"),
        (ForgeryPlan::Turned(4), "headers of a moment ago, 4 bits turned"),
        (ForgeryPlan::Turned(33), "headers of a moment ago, 33 bits turned"),
        (ForgeryPlan::Turned(132), "headers of a moment ago, 132 bits turned"),
    ];
    for (forgery, tried) in forgeries {
        // Faster than slots go by, and out of step with them.
        let behaviour = BehaviourPlan::Forger { forgery, every_us: 6_700 };
        let outcomes = repeat(ask, tried, worlds, |seed| {
            let scene = Scene::new(seed, 4).over(1, SETTLED + 2 * SECOND, 8 * SECOND).over(
                2,
                SETTLED + 20 * SECOND,
                8 * SECOND,
            );
            let scene = scene.against(behaviour.clone(), above(10.0), SETTLED);
            let mut world = scene.world(ask)?;
            world.run_until(SETTLED + 40 * SECOND);
            let in_step = (0..4).filter(|node| world.in_step(*node)).count() as u64;
            Ok((world.taken(), in_step))
        })?;
        let taken = outcomes.iter().map(|(taken, _)| *taken).fold(Taken::default(), Taken::and);
        let tried = format!("{tried}, 150 a second, to a net in step");
        let of = (taken.headers + taken.words, taken.heard);
        let what = "recognised and taken";
        report.findings.push(Finding::share(Name::Forger, tried.clone(), what, of).at_most(0.0));
        let of = (outcomes.iter().map(|(_, n)| n).sum(), 4 * outcomes.len() as u64);
        let what = "stations still in step";
        report.findings.push(Finding::share(Name::Forger, tried, what, of).at_least(1.0));
    }
    for (forgery, tried) in &forgeries[..2] {
        let behaviour = BehaviourPlan::Forger { forgery: *forgery, every_us: 6_700 };
        let outcomes = repeat(ask, &format!("entry/{tried}"), ask.trials, |seed| {
            let on = SETTLED + 3 * SECOND + draw(seed, "on", 4 * SECOND);
            let scene = Scene::new(seed, 2).over(0, SETTLED, 70 * SECOND).on(1, on);
            let scene = scene.against(behaviour.clone(), above(10.0), SETTLED);
            let mut world = scene.world(ask)?;
            world.run_while(on + 60 * SECOND, |world| first_in_step(world, 1, on).is_none());
            let at = first_in_step(&world, 1, on);
            Ok((world.taken(), at.map_or(f64::INFINITY, |at| (at - on) as f64 / 1e6)))
        })?;
        let taken = outcomes.iter().map(|(taken, _)| *taken).fold(Taken::default(), Taken::and);
        let entries: Vec<Vec<f64>> = outcomes.iter().map(|(_, entry)| vec![*entry]).collect();
        let tried = format!("{tried}, 150 a second, to a station in search");
        let of = (taken.headers + taken.words, taken.heard);
        let what = "recognised and taken";
        report.findings.push(Finding::share(Name::Forger, tried.clone(), what, of).at_most(0.0));
        if let Some(summary) = summarise(&entries) {
            let what = "late entry into traffic, 99 %";
            let mut finding = Finding::value(Name::Forger, tried, what, "s", summary.p99_s);
            finding.interval = Some(summary.p99_interval_s);
            report.findings.push(finding);
        }
    }
    Ok(())
}
