//! Opponents who do not listen: noise on a part of the band, always or now and then.

use super::scene::{SECOND, SETTLED, Scene, TALK, above, draw, first_in_step, repeat, talks};
use super::{Ask, Finding, Name, Report};
use crate::diagnostic::Diagnostic;
use crate::scenario::{BehaviourPlan, Builder, Cover, InterfererPlan};
use crate::trials::{Campaign, Situation, summarise};
use crate::world::adversary::{Pulses, Reach, Sweep};
use crate::world::{Content, World};
use hopwright_core::band::ChannelSet;
use hopwright_core::units::Lane;

/// The powers of noise in these experiments: far above every signal.
const STRONG_DB: f64 = 40.0;

/// Noise on a part of the hopset.
pub(super) fn noise(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    for scattered in [false, true] {
        for percent in [0_u8, 20, 40, 60, 80, 95] {
            report.findings.push(payload_under_noise(ask, percent, scattered)?);
        }
    }
    for (situation, most) in [(Situation::Announce, 0.6), (Situation::Entry, 3.5)] {
        for jammed in [0.4, 0.7, 0.95] {
            let Ask { trials, seed, .. } = *ask;
            let outcomes =
                Campaign { trials, seed, jammed, ..Campaign::of(situation) }.run(ask.plan)?;
            let Some(summary) = summarise(&outcomes) else { continue };
            let tried = format!("{:.0} % of the hopset, in one piece", jammed * 100.0);
            let what = match situation {
                Situation::Announce => "announce to in step, 99 %",
                _ => "late entry into traffic, 99 %",
            };
            let mut finding = Finding::value(Name::Noise, tried, what, "s", summary.p99_s);
            finding.interval = Some(summary.p99_interval_s);
            // The requirement is for 40 %.
            let required = (jammed - 0.4).abs() < 1e-9;
            report.findings.push(if required { finding.at_most(most) } else { finding });
        }
    }
    Ok(())
}

/// Payload slots of a long over under noise that begins when the over is under way.
fn payload_under_noise(ask: &Ask<'_>, percent: u8, scattered: bool) -> Result<Finding, Diagnostic> {
    let share = f64::from(percent) / 100.0;
    let cover = if scattered { Cover::Scattered(share) } else { Cover::Contiguous(share) };
    let name = format!("noise/{percent}/{scattered}");
    let outcomes = repeat(ask, &name, talks(ask), |seed| {
        let mut scene = Scene::new(seed, 2).over(0, SETTLED, TALK);
        let interferer = InterfererPlan {
            name: "noise".to_owned(),
            cover,
            level: above(STRONG_DB),
            from_us: SETTLED + SECOND,
            to_us: u64::MAX,
        };
        let (radio, key) = (scene.radio(), scene.key());
        let builder = Builder::with_key(ask.plan, &radio, seed, key)?;
        let covered = covered_traffic(ask, &builder, &builder.covered(&interferer))?;
        scene.interferers.push(interferer);
        let mut world = scene.world(ask)?;
        world.run_until(SETTLED + SECOND);
        let before = heard(&world);
        world.run_until(SETTLED + TALK);
        let after = heard(&world);
        Ok((after.0 - before.0, after.1 - before.1, covered))
    })?;
    let slots: u64 = outcomes.iter().map(|(slots, ..)| slots).sum();
    // A slot under way at either end may be counted on one side only.
    let lost = slots.saturating_sub(outcomes.iter().map(|(_, heard, _)| heard).sum::<u64>());
    let closed = outcomes.iter().map(|(.., covered)| covered).sum::<f64>() / outcomes.len() as f64;
    let layout = if scattered { "scattered" } else { "in one piece" };
    let tried = format!("{percent} % of the hopset, {layout}");
    let finding = Finding::share(Name::Noise, tried, "payload slots lost", (lost, slots));
    // Beyond that the over itself is lost: half a second without a word ends it.
    Ok(if percent <= 60 {
        finding.matching(closed, (lost, slots), 0.01)
    } else {
        finding.beside(closed)
    })
}

/// Payload slots sent, and heard by station 1.
fn heard(world: &World) -> (u64, u64) {
    let over = world.trace().overs.first();
    over.map_or((0, 0), |over| {
        let heard = over.payloads_heard.get(1).copied().unwrap_or_default();
        (u64::from(over.payload_slots), u64::from(heard))
    })
}

/// The share of traffic channels that are covered.
fn covered_traffic(
    ask: &Ask<'_>,
    builder: &Builder<'_>,
    covered: &ChannelSet,
) -> Result<f64, Diagnostic> {
    let rendezvous = builder.rendezvous()?;
    let equal_use = ask.plan.structure().equal_use;
    let traffic: Vec<_> = builder
        .hopset()
        .iter()
        .filter(|channel| !equal_use || !rendezvous.contains(**channel))
        .collect();
    let hit = traffic.iter().filter(|channel| covered.contains(***channel)).count();
    Ok(hit as f64 / traffic.len().max(1) as f64)
}

/// What a long over of station 0 came to at station 1 under an opponent.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Talk {
    /// Received since the opponent was there, by content.
    reach: [Reach; 3],
    /// The share of traffic channels that it covered when it began.
    covered: f64,
    worlds: f64,
}

impl Talk {
    /// Transmissions that were not read as sent, and all.
    pub(super) fn lost(&self, content: Content) -> (u64, u64) {
        let reach = self.reach[content as usize];
        (reach.awaited - reach.intact, reach.awaited)
    }

    /// What receivers got of transmissions of this content.
    pub(super) const fn reach(&self, content: Content) -> Reach {
        self.reach[content as usize]
    }

    fn and(self, other: Self) -> Self {
        let reach = [0, 1, 2].map(|i: usize| self.reach[i].and(other.reach[i]));
        let covered = self.covered + other.covered;
        Self { reach, covered, worlds: self.worlds + other.worlds }
    }

    fn mean_covered(&self) -> f64 {
        self.covered / self.worlds.max(1.0)
    }
}

/// Long overs against an opponent that begins a second into them.
fn talk_against(ask: &Ask<'_>, name: &str, behaviour: &BehaviourPlan) -> Result<Talk, Diagnostic> {
    talk_of(ask, name, |seed| {
        let scene = Scene::new(seed, 2).over(0, SETTLED, TALK);
        scene.against(behaviour.clone(), above(STRONG_DB), OPPOSED)
    })
}

/// When the opponent of a long over begins.
pub(super) const OPPOSED: u64 = SETTLED + SECOND;

/// The long overs of these scenes, from the time on at which they are opposed.
pub(super) fn talk_of(
    ask: &Ask<'_>,
    name: &str,
    scene: impl Fn(u64) -> Scene + Sync,
) -> Result<Talk, Diagnostic> {
    let talks = repeat(ask, name, talks(ask), |seed| {
        let scene = scene(seed);
        let (radio, key) = (scene.radio(), scene.key());
        let builder = Builder::with_key(ask.plan, &radio, seed, key)?;
        let mut covered = ChannelSet::new();
        for plan in &scene.adversaries {
            let act = builder.adversary(plan)?.poll(OPPOSED);
            covered.extend_with(&act.noise.unwrap_or_default());
        }
        let covered = covered_traffic(ask, &builder, &covered)?;
        let mut world = scene.world(ask)?;
        let contents = [Content::SyncHeader, Content::TrafficHeader, Content::Payload];
        world.run_until(OPPOSED);
        let before = contents.map(|content| world.reach(content));
        world.run_until(SETTLED + TALK);
        let mut talk = Talk { covered, worlds: 1.0, ..Talk::default() };
        for (content, before) in contents.into_iter().zip(before) {
            talk.reach[content as usize] = world.reach(content).since(before);
        }
        Ok(talk)
    })?;
    Ok(talks.into_iter().fold(Talk::default(), Talk::and))
}

/// Noise on a few channels.
pub(super) fn tones(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let channels = ask.plan.hopset(Lane::ZERO)?.len();
    for count in [1, 8, 32].into_iter().filter(|count| *count < channels) {
        let talk = talk_against(ask, &format!("tones/{count}"), &BehaviourPlan::Tones { count })?;
        let lost = talk.lost(Content::Payload);
        let tried = format!("{count} of {channels} channels, +40 dB in all");
        let finding = Finding::share(Name::Tones, tried, what_lost(Content::Payload), lost);
        report.findings.push(finding.matching(talk.mean_covered(), lost, 0.002));
    }
    Ok(())
}

/// Noise that moves over the hopset.
pub(super) fn sweep(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let hopset = ask.plan.hopset(Lane::ZERO)?;
    // Rounds that do not divide into slots, so that every phase occurs.
    for (width, dwell_us) in [(1_u16, 1_010), (1, 2_030), (8, 2_030), (8, 17_300)] {
        let behaviour = BehaviourPlan::Sweep { width, dwell_us };
        let talk = talk_against(ask, &format!("sweep/{width}/{dwell_us}"), &behaviour)?;
        let machine = Sweep::new(hopset.channels().to_vec(), usize::from(width), dwell_us);
        for content in [Content::Payload, Content::SyncHeader] {
            let lost = talk.lost(content);
            let tried = format!("{width} channels at once, {dwell_us} us each");
            let finding = Finding::share(Name::Sweep, tried, what_lost(content), lost);
            let touched = machine.touched(air_us(ask, content));
            report.findings.push(match content {
                // A touch of a bit or two may leave the bits as they are.
                Content::Payload => finding.matching(touched, lost, 0.006),
                // A header stands a short touch: no more is lost than is touched.
                _ => finding.bounded(touched),
            });
        }
    }
    Ok(())
}

/// Noise that comes and goes.
pub(super) fn pulses(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    for (on_us, off_us) in [(2_000, 40_000), (5_000, 26_700)] {
        let behaviour = BehaviourPlan::Pulses { share: 0.4, on_us, off_us };
        let talk = talk_against(ask, &format!("pulses/{on_us}/{off_us}"), &behaviour)?;
        let lost = talk.lost(Content::Payload);
        let machine = Pulses::new(ChannelSet::new(), on_us, off_us);
        let touched = machine.touched(air_us(ask, Content::Payload));
        let tried = format!("40 % of the hopset, on {on_us} us, off {off_us} us");
        let finding = Finding::share(Name::Pulses, tried, what_lost(Content::Payload), lost);
        report.findings.push(finding.matching(talk.mean_covered() * touched, lost, 0.006));
    }
    Ok(())
}

/// How long a transmission is on the air.
pub(super) fn air_us(ask: &Ask<'_>, content: Content) -> f64 {
    let bits = match content {
        Content::Payload => ask.plan.timing().bytes() * 8,
        Content::SyncHeader | Content::TrafficHeader => 264,
    };
    (bits as f64 + 32.0) * 1e6 / f64::from(ask.plan.timing().link_bps())
}

pub(super) const fn what_lost(content: Content) -> &'static str {
    match content {
        Content::Payload => "payload slots lost",
        Content::SyncHeader | Content::TrafficHeader => "headers lost",
    }
}

/// Noise on the rendezvous channels.
pub(super) fn insider(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let strong = above(STRONG_DB);
    let entered = repeat(ask, "insider/entry", ask.trials.div_ceil(4), |seed| {
        let on = SETTLED + 3 * SECOND + draw(seed, "on", SECOND);
        let scene = Scene::new(seed, 2).over(0, SETTLED, 60 * SECOND).on(1, on);
        let mut world = scene.against(BehaviourPlan::Insider, strong, SETTLED).world(ask)?;
        world.run_until(on + 20 * SECOND);
        Ok(first_in_step(&world, 1, on).is_some())
    })?;
    let count = entered.iter().filter(|entered| **entered).count() as u64;
    let tried = "all rendezvous channels, +40 dB in all".to_owned();
    let of = (count, entered.len() as u64);
    let entry = Finding::share(Name::Insider, tried.clone(), "late entry within 20 s", of);
    report.findings.push(entry.beside(0.0).limit());
    let talks = repeat(ask, "insider/talk", talks(ask), |seed| {
        let mut scene = Scene::new(seed, 3);
        // Overs in turn for a minute.
        for turn in 0..10 {
            let from = usize::try_from(turn % 3).unwrap_or(0);
            scene = scene.over(from, SETTLED + SECOND + turn * 6 * SECOND, 3 * SECOND);
        }
        let mut world = scene.against(BehaviourPlan::Insider, strong, SETTLED).world(ask)?;
        world.run_until(SETTLED + 62 * SECOND);
        let in_step = (0..3).filter(|node| world.in_step(*node)).count() as u64;
        let calls: u64 = world.trace().overs.iter().map(|over| over.called.len() as u64).sum();
        Ok((world.reach(Content::Payload), in_step, calls))
    })?;
    let count = talks.len() as u64;
    let in_step = talks.iter().map(|(_, in_step, _)| in_step).sum::<u64>();
    let calls = talks.iter().map(|(.., calls)| calls).sum::<u64>();
    let got = talks.iter().map(|(got, ..)| *got).fold(Reach::default(), Reach::and);
    let share = |what, hits| Finding::share(Name::Insider, tried.clone(), what, hits);
    let read = share("payload slots read by those in step", (got.intact, got.awaited));
    // With equal use no traffic is sent on rendezvous channels; else their share is lost.
    let structure = ask.plan.structure();
    let channels = f64::from(ask.plan.hopset(Lane::ZERO)?.len());
    let spared =
        if structure.equal_use { 1.0 } else { 1.0 - f64::from(structure.rendezvous) / channels };
    report.findings.push(read.matching(spared, (got.intact, got.awaited), 0.01));
    report
        .findings
        .push(share("in step after a minute of overs", (in_step, 3 * count)).at_least(1.0));
    report.findings.push(share("calls told to those in step", (calls, 20 * count)).at_least(0.99));
    Ok(())
}
