//! The reference test of the interval clock (invariant 4): under oscillators with offset, ageing,
//! temperature ramps, frequency noise and steps, all within what the plan promises, true net time
//! lies in every station's bound at every header heard. `hopwright stability` shows that the
//! oscillators are what they claim to be (IEEE 1139, NIST SP 1065).

use hopwright_core::address::Target;
use hopwright_sim::plan::Plan;
use hopwright_sim::scenario::{Scenario, Timetable};
use hopwright_sim::world::{Order, World, child_seed};
use std::path::Path;

const SECOND: u64 = 1_000_000;
const HOURS_S: u64 = 4 * 3_600;

fn plan(clock: &str) -> Plan {
    let text = include_str!("../plans/larkfell.toml");
    let mut lines: Vec<&str> = Vec::new();
    let mut in_clock = false;
    for line in text.lines() {
        if line.starts_with('[') {
            in_clock = line == "[clock]";
        }
        if !in_clock {
            lines.push(line);
        }
    }
    let text = format!("{}\n[clock]\n{clock}\n", lines.join("\n"));
    Plan::parse("plan.toml", &text, Path::new("plans")).expect("a plan")
}

/// Runs a net of these oscillators with an over by a random station every two minutes or so.
fn run(plan: Plan, seed: u64, oscillators: &[&str]) -> World {
    let mut text = format!(
        "[scenario]\nname = \"oscillators\"\nseed = {seed}\nduration_s = {HOURS_S}\nplan = \"-\"\n\
         [[announce]]\nat_s = 1\nby = \"s0\"\n"
    );
    for (i, oscillator) in oscillators.iter().enumerate() {
        let role = if i == 0 { "timekeeper" } else { "member" };
        let (x, y) = (i * 700, (i * 7 % 12) * 900);
        text += &format!(
            "[[station]]\nname = \"s{i}\"\naddress = \"{i:02x}\"\nrole = \"{role}\"\nx_m = {x}\n\
             y_m = {y}\noscillator = {{ {oscillator} }}\n"
        );
    }
    let scenario = Scenario::parse("oscillators.toml", &text, plan).expect("a scenario");
    let mut world = scenario
        .builder()
        .expect("a builder")
        .world(Timetable::totals(&scenario.announces, &[]))
        .expect("a world");
    let mut at = 30 * SECOND;
    for number in 0.. {
        at += 20 * SECOND + child_seed(seed, &format!("gap/{number}")) % (200 * SECOND);
        if at + 30 * SECOND > HOURS_S * SECOND {
            break;
        }
        let from = child_seed(seed, &format!("from/{number}")) % oscillators.len() as u64;
        let node = usize::try_from(from).expect("a few");
        world.order(at, Order::Press { node, target: Target::ALL, talk_us: 4 * SECOND });
    }
    world.run_until(HOURS_S * SECOND);
    world
}

/// Within 1000 ppb, and 100 us of wander.
const HONEST: [&str; 12] = [
    "offset_ppb = 400, ageing_ppb_per_day = -300",
    "offset_ppb = 1_000",
    "offset_ppb = -1_000",
    "offset_ppb = -900, white_ppb = 10",
    "temperature_ppb_per_k = 20, ramp = [{ at_s = 1_000, kelvin = -20 }, { at_s = 9_000, kelvin = 25 }]",
    "random_walk_ppb = 50",
    "steps = [{ at_s = 100, us = 40 }, { at_s = 5_000, us = -60 }, { at_s = 9_000, us = 70 }]",
    "offset_ppb = 700, steps = [{ at_s = 3_601, us = 90 }]",
    "offset_ppb = -300, ageing_ppb_per_day = 3_000",
    "offset_ppb = 100, ageing_ppb_per_day = 200, white_ppb = 5, random_walk_ppb = 20",
    "offset_ppb = 200, temperature_ppb_per_k = 30, ramp = [{ at_s = 600, kelvin = 0 }, { at_s = 900, kelvin = 15 }, { at_s = 1_800, kelvin = -15 }]",
    "offset_ppb = -950, steps = [{ at_s = 7_200, us = -100 }]",
];

#[test]
fn bounds_hold_true_time_under_every_honest_oscillator() {
    for seed in 1..=3 {
        let world = run(plan("wander_us = 100"), seed, &HONEST);
        let totals = world.trace().totals;
        assert!(totals.bound_checks > 10_000, "{}", totals.bound_checks);
        assert_eq!(totals.bound_misses, 0, "seed {seed}");
        for node in 0..HONEST.len() {
            assert!(world.in_step(node), "seed {seed}: s{node}");
        }
    }
}

/// A better timekeeper and steadier oscillators, so that rates are learnt and bounds are narrow.
#[test]
fn what_is_learnt_of_a_rate_keeps_true_time_in_the_bound() {
    let steady = [
        "offset_ppb = 50, ageing_ppb_per_day = -100",
        "offset_ppb = 1_000",
        "offset_ppb = -1_000",
        "offset_ppb = -900, white_ppb = 3",
        "temperature_ppb_per_k = 5, ramp = [{ at_s = 3_000, kelvin = -7 }, { at_s = 9_000, kelvin = 12 }]",
        "random_walk_ppb = 5",
        "offset_ppb = 700, steps = [{ at_s = 3_601, us = 40 }, { at_s = 7_000, us = -40 }]",
        "offset_ppb = -300, ageing_ppb_per_day = 500",
        "offset_ppb = 100, ageing_ppb_per_day = 200, white_ppb = 2, random_walk_ppb = 2",
        "offset_ppb = -800",
        "offset_ppb = 600, ageing_ppb_per_day = -550",
        "offset_ppb = 950, steps = [{ at_s = 7_200, us = -50 }]",
    ];
    let clock = "timekeeper_tolerance_ppb = 100\nsteadiness_ppb = 100\nwander_us = 50";
    for seed in 1..=3 {
        let world = run(plan(clock), seed, &steady);
        let totals = world.trace().totals;
        assert!(totals.bound_checks > 10_000, "{}", totals.bound_checks);
        assert_eq!(totals.bound_misses, 0, "seed {seed}");
    }
}

/// One oscillator that breaks the promise, by its rate or by its ageing, is seen in the count.
#[test]
fn a_broken_promise_is_noticed() {
    for liar in
        ["offset_ppb = 4_000, honest = false", "ageing_ppb_per_day = 30_000, honest = false"]
    {
        let mut oscillators = HONEST;
        oscillators[5] = liar;
        let world = run(plan("wander_us = 100"), 1, &oscillators);
        assert!(world.trace().totals.bound_misses > 0, "{liar}");
    }
}
