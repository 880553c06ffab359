//! The energy mimic against the search rule, beside plain noise on the same share.

use super::scene::{SECOND, SETTLED, Scene, above, draw, first_in_step, repeat};
use super::{Ask, Finding, Name, Report};
use crate::diagnostic::Diagnostic;
use crate::scenario::{BehaviourPlan, Cover, InterfererPlan};
use crate::trials::summarise;
use crate::world::World;
use hopwright_core::acquire::HASTE;

/// How long a station may search.
const PATIENCE: u64 = 120 * SECOND;

/// Who is against the search.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Against {
    Nobody,
    /// Noise on a share of the hopset, 40 dB above.
    Noise(f64),
    /// A mimic on a share of the rendezvous channels, as strong as the wanted signal in all.
    Mimic(f64),
}

impl Against {
    fn text(self) -> String {
        match self {
            Self::Nobody => "nobody".to_owned(),
            Self::Noise(share) => format!("for comparison: noise on {:.0} %", share * 100.0),
            Self::Mimic(share) => format!("mimic on {:.0} %, 0 dB in all", share * 100.0),
        }
    }

    fn join(self, mut scene: Scene) -> Scene {
        match self {
            Self::Nobody => scene,
            Self::Noise(share) => {
                scene.interferers.push(InterfererPlan {
                    name: "noise".to_owned(),
                    cover: Cover::Contiguous(share),
                    level: above(40.0),
                    from_us: 0,
                    to_us: u64::MAX,
                });
                scene
            }
            Self::Mimic(share) => {
                // Three slots: a station leaves after two.
                let behaviour = BehaviourPlan::Mimic { share, burst_us: 60_000, informed: true };
                scene.against(behaviour, above(0.0), 0)
            }
        }
    }
}

/// The mimic's rows.
pub(super) fn mimic(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let structure = ask.plan.structure();
    let slot_s = ask.plan.timing().slot().us() as f64 / 1e6;
    let frame_s = slot_s * f64::from(structure.frame);
    for against in [
        Against::Nobody,
        Against::Noise(0.4),
        Against::Mimic(0.4),
        Against::Mimic(0.7),
        Against::Mimic(1.0),
    ] {
        let entries = repeat(ask, "mimic/entry", ask.trials, |seed| entry(ask, against, seed))?;
        let singly: Vec<Vec<f64>> = entries.iter().map(|entry| vec![*entry]).collect();
        add(report, against, "late entry into traffic, 99 %", &singly);
        let name = "mimic/announce";
        let announces = repeat(ask, name, ask.trials, |seed| announce(ask, against, seed))?;
        add(report, against, "announce to in step, 99 %", &announces);
        if against != Against::Mimic(1.0) {
            continue;
        }
        // Every stay is broken off after two slots, or three with the way there, but the thirteenth:
        // that one lasts until the longest gap has passed, and a second opinion comes within a
        // few frames.
        let haste = f64::from(HASTE) * 3.0 / f64::from(structure.frame);
        let gap = f64::from(structure.rendezvous) + f64::from(structure.window) - 1.0;
        let most = (haste + gap + 4.0) * frame_s;
        let tried = against.text();
        let what = "late entry within twelve broken stays, a full one and four frames";
        let hits = entries.iter().filter(|entry| **entry <= most).count() as u64;
        let of = (hits, entries.len() as u64);
        report.findings.push(Finding::share(Name::Mimic, tried.clone(), what, of).at_least(0.99));
        let ever = entries.iter().filter(|s| s.is_finite()).count() as u64;
        let of = (ever, entries.len() as u64);
        let what = "late entry at all, within 120 s";
        report.findings.push(Finding::share(Name::Mimic, tried, what, of).at_least(1.0));
    }
    Ok(())
}

fn add(report: &mut Report, against: Against, what: &'static str, trials: &[Vec<f64>]) {
    let Some(summary) = summarise(trials) else { return };
    let mut finding = Finding::value(Name::Mimic, against.text(), what, "s", summary.p99_s);
    finding.interval = Some(summary.p99_interval_s);
    report.findings.push(finding);
}

/// A station that is switched on during a long over.
fn entry(ask: &Ask<'_>, against: Against, seed: u64) -> Result<f64, Diagnostic> {
    let on = SETTLED + 3 * SECOND + draw(seed, "on", 4 * SECOND);
    let scene = Scene::new(seed, 2).over(0, SETTLED, PATIENCE + 10 * SECOND).on(1, on);
    let mut world = against.join(scene).world(ask)?;
    world.run_while(on + PATIENCE, |world| first_in_step(world, 1, on).is_none());
    Ok(outcome(first_in_step(&world, 1, on), on))
}

/// Four stations that search when the timekeeper announces.
fn announce(ask: &Ask<'_>, against: Against, seed: u64) -> Result<Vec<f64>, Diagnostic> {
    let at = 10 * SECOND + draw(seed, "at", 4 * SECOND);
    let mut scene = Scene::new(seed, 5);
    for node in 1..5 {
        scene = scene.on(node, draw(seed, &format!("on/{node}"), 6 * SECOND));
    }
    scene.announces = vec![at];
    let mut world = against.join(scene).world(ask)?;
    let all = |world: &World| (1..5).all(|node| first_in_step(world, node, at).is_some());
    world.run_while(at + 10 * SECOND, |world| !all(world));
    Ok((1..5).map(|node| outcome(first_in_step(&world, node, at), at)).collect())
}

fn outcome(at: Option<u64>, since: u64) -> f64 {
    at.map_or(f64::INFINITY, |at| at.saturating_sub(since) as f64 / 1e6)
}
