//! Rates and ratios, printed: hop generation against the raw keystream of the same cipher crate,
//! simulated station-slots per second, growth with the number of stations, the cost of silence.
//!
//! `cargo bench -p hopwright-sim` prints them. Medians of rounds that take turns, so that a
//! machine whose speed drifts does not favour one side.
#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
#![allow(missing_docs, reason = "a benchmark")]

use chacha20::ChaCha20;
use chacha20::cipher::{KeyIvInit, StreamCipher};
use hopwright_core::address::{Address, Target};
use hopwright_core::sequence::{Cursor, Draw, Sequence, Structure, Timeline};
use hopwright_core::station::Role;
use hopwright_core::units::{Channel, Lane, Slot};
use hopwright_sim::plan::Plan;
use hopwright_sim::scenario::{
    Builder, OverPlan, RadioPlan, StationPlan, Timetable, built_in_plan,
};
use hopwright_sim::world::{Place, World};
use std::hint::black_box;
use std::time::Instant;

const ROUNDS: usize = 15;
const SLOTS: usize = 1 << 20;
const SECOND: u64 = 1_000_000;

fn main() {
    let plan = built_in_plan().expect("the built-in plan is valid");
    hops(&plan);
    world(&plan);
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn seconds(work: impl FnOnce()) -> f64 {
    let start = Instant::now();
    work();
    start.elapsed().as_secs_f64()
}

/// Channels per second in bulk and one by one, against the keystream at four bytes a draw.
fn hops(plan: &Plan) {
    let sequence = |draw| {
        let structure = Structure { draw, ..plan.structure() };
        let hopset = plan.hopset(Lane::ZERO).expect("lane 0");
        Sequence::new(&plan.net_key(), hopset, structure, Lane::ZERO, Lane::ZERO).expect("fits")
    };
    let (balanced, independent) = (sequence(Draw::Balanced), sequence(Draw::Independent));
    let mut channels = vec![Channel::default(); SLOTS];
    let mut bytes = vec![0_u8; 4 * SLOTS];
    let mut times: [Vec<f64>; 4] = Default::default();
    for round in 0..ROUNDS {
        let from = Slot::new(u32::try_from(round * SLOTS).expect("small"));
        times[0].push(seconds(|| {
            let mut cipher = ChaCha20::new(&[7; 32].into(), &[0; 12].into());
            cipher.apply_keystream(black_box(&mut bytes));
        }));
        times[1].push(seconds(|| independent.fill(Timeline::Home, from, black_box(&mut channels))));
        times[2].push(seconds(|| balanced.fill(Timeline::Home, from, black_box(&mut channels))));
        times[3].push(seconds(|| {
            let mut cursor = Cursor::new(&balanced, Timeline::Home);
            for h in 0..1 << 17 {
                black_box(cursor.hop(&balanced, from.plus(h)));
            }
        }));
    }
    let [keystream, independent, balanced, cursor] = times.map(median);
    let rate = |time: f64| SLOTS as f64 / time / 1e6;
    println!("hop generation, 128 channels, median of {ROUNDS} rounds");
    println!("  keystream, 4 bytes a draw   {:8.1} million/s", rate(keystream));
    for (what, time, reach) in
        [("independent, in bulk", independent, 0.5), ("balanced, in bulk", balanced, 0.25)]
    {
        let ratio = keystream / time;
        let verdict = if ratio >= reach { "holds" } else { "FALLS SHORT" };
        println!(
            "  {what:<26}  {:8.1} million/s   {ratio:.2} of the keystream, at least {reach}: {verdict}",
            rate(time)
        );
    }
    println!("  balanced, one by one, words {:8.1} million/s", rate(cursor) / 8.0);
}

/// A net in which somebody always speaks to one other station.
fn busy_net(plan: &Plan, stations: u8, talk_s: u64) -> World {
    let station = |i: u8| StationPlan {
        role: if i == 0 { Role::Timekeeper } else { Role::Member },
        place: Place::at(f64::from(i) * 40.0, 0.0),
        calls: vec![Target::one(Address::new(2))],
        ..StationPlan::member(format!("station {i}"), Address::new(i))
    };
    let radio = RadioPlan::of((0..stations).map(station).collect());
    let over = OverPlan {
        at_us: 8 * SECOND,
        from: 1,
        to: Target::one(Address::new(2)),
        talk_us: talk_s * SECOND,
    };
    Builder::new(plan, &radio, 1)
        .and_then(|builder| builder.world(Timetable::totals(&[(SECOND, 0)], &[over])))
        .expect("the built-in plan makes stations")
}

fn world(plan: &Plan) {
    println!("\nsimulation of active traffic, one core, median of {ROUNDS} rounds");
    let mut first = None;
    for (stations, talk_s) in [(10_u8, 400_u64), (24, 200), (100, 40), (250, 20)] {
        let mut rates = Vec::new();
        let mut per_slot = 0.0;
        for _ in 0..ROUNDS {
            let mut world = busy_net(plan, stations, talk_s);
            world.look_away();
            world.run_until(9 * SECOND);
            let before = world.trace().totals.listened;
            let time = seconds(|| world.run_until((9 + talk_s - 2) * SECOND));
            let slots = (world.trace().totals.listened - before) as f64;
            rates.push(slots / time);
            per_slot = time / ((talk_s - 2) * 50) as f64;
        }
        let rate = median(rates);
        let base = *first.get_or_insert(per_slot);
        println!(
            "  {stations:>4} stations   {:6.2} million station-slots/s   {:5.1} x the time of 10 stations",
            rate / 1e6,
            per_slot / base
        );
    }
    silence(plan);
}

fn silence(plan: &Plan) {
    let hours = 4 * 3_600 * SECOND;
    let (mut busy, mut quiet) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let mut world = busy_net(plan, 24, 600);
        busy.push(seconds(|| world.run_until(620 * SECOND)));
        quiet.push(seconds(|| world.run_until(620 * SECOND + hours)));
    }
    let share = median(quiet) / median(busy) * 100.0;
    println!("  4 h of silence after 10 min of traffic, 24 stations: {share:.2} % more time");
}
