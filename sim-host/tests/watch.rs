//! `hopwright watch`: what is on the screen, what the keys do, and what is left of the terminal.

mod common;

use hopwright_core::station::Event;
use hopwright_sim::run::Run;
use hopwright_sim::scenario::{Scenario, built_in_plan};
use hopwright_sim::watch::keys::Action;
use hopwright_sim::watch::{LEAST, Mark, Model, draw};
use hopwright_sim::world::{Detail, Sent};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

/// The built-in scenario at speed 1.
fn built_in() -> Model {
    Model::new(Scenario::built_in().unwrap(), None, 1.0).unwrap()
}

/// Lets time go by until so many seconds of the world.
fn until(model: &mut Model, seconds: f64) {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "some seconds of a test"
    )]
    let us = (seconds * 1e6) as u64;
    let now = model.world().now();
    assert!(model.running() && model.speed() == 1.0 && us >= now);
    model.pass(us - now, |_| true);
    assert_eq!(model.world().now(), us);
}

/// The rows of the screen in that size.
fn screen(model: &Model, (width, height): (u16, u16)) -> Vec<String> {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| draw(frame, model)).unwrap();
    let buffer = terminal.backend().buffer();
    let row = |y: u16| (0..width).map(|x| buffer[(x, y)].symbol()).collect::<String>();
    (0..height).map(row).collect()
}

fn shown(rows: &[String]) -> String {
    let rows: Vec<String> = rows.iter().map(|row| format!("|{row}|")).collect();
    rows.join("\n")
}

/// The station's place by its name.
fn named(model: &Model, name: &str) -> usize {
    model.world().nodes().iter().position(|node| node.name == name).unwrap()
}

fn choose(model: &mut Model, name: &str) {
    let wanted = named(model, name);
    while model.chosen() != wanted {
        let towards = if model.chosen() < wanted { Action::Down } else { Action::Up };
        assert!(model.act(towards));
    }
}

/// The share heard of what was sent since `us`, if anybody waited.
fn share(model: &Model, us: u64) -> f64 {
    let sent = model.world().trace().sent.iter().filter(|sent| sent.at_us >= us);
    let sum = |of: fn(&Sent) -> u32| sent.clone().map(|s| f64::from(of(s))).sum::<f64>();
    let listened = sum(|s| s.listeners);
    assert!(listened > 100.0, "{listened}");
    sum(|s| s.heard) / listened
}

#[test]
fn the_screen_tells_who_speaks_who_is_called_and_what_happened() {
    let mut model = built_in();
    until(&mut model, 22.5);
    for size in [(80, 24), (120, 40)] {
        let rows = screen(&model, size);
        let text = shown(&rows);
        println!("{text}");
        let row = |name: &str| {
            let found = rows.iter().find(|row| row.contains(&format!(" {name} ")));
            found.unwrap_or_else(|| panic!("{name}:\n{text}")).clone()
        };
        assert!(
            rows[0].contains("22.50 s") && rows[0].contains("x1 ") && rows[0].contains("RUNNING")
        );
        // Boat teal speaks to the gauge at the ford; everybody else is told that the net is busy.
        assert!(row("boat teal").contains("41 speaking"), "{text}");
        assert!(row("gauge ford").contains("22 called"), "{text}");
        assert!(row("control post").contains("10 busy"), "{text}");
        let event =
            |what: &str| assert!(rows.iter().any(|row| row.contains(what)), "{what}:\n{text}");
        event("boat teal: presses to speak to gauge ford");
        event("gauge ford: called by boat teal (to 22)");
        event("22 stations: told that the net is busy");
        event("interferer ON");
        let marks = |c: char| {
            let cells = rows.iter().skip(3).take(usize::from(size.1) / 2);
            cells
                .map(|row| {
                    row.chars()
                        .skip(10)
                        .take(usize::from(size.0) / 5 * 2 - 8)
                        .filter(|of| *of == c)
                        .count()
                })
                .sum::<usize>()
        };
        assert!(marks('p') > 10 && marks('x') > 5 && marks(':') > 50, "{text}");
    }
    // Further down are those who are not there yet.
    choose(&mut model, "boat plover");
    let rows = screen(&model, (80, 24));
    let plover = rows.iter().find(|row| row.contains("> boat plover")).unwrap();
    assert!(plover.contains("46 off"), "{}", shown(&rows));
}

#[test]
fn stations_search_and_come_into_step() {
    let mut model = built_in();
    until(&mut model, 2.9);
    assert_eq!(model.station(1).state, "searching");
    assert_eq!(model.station(1).half_width_us, None);
    assert_eq!(model.station(named(&model, "boat plover")).state, "off");
    let mut verified = 0;
    while model.world().now() < 4_000_000 {
        let next = model.world().now() as f64 / 1e6 + 0.02;
        until(&mut model, next);
        verified += (0..24).filter(|node| model.station(*node).state == "verifying").count();
    }
    assert!(verified > 0, "between the first header and the second opinion");
    assert_eq!(model.station(0).state, "announcing");
    until(&mut model, 9.0);
    assert_eq!(model.station(1).state, "in step");
    assert!(model.station(1).half_width_us.is_some_and(|us| us < 500));
    assert!(model.station(1).heard_ago_us.is_some_and(|us| us > 1_000_000));
    // In the hours of silence the clocks' bounds outgrow the guard.
    until(&mut model, 9_000.0);
    let state = model.station(1).state;
    assert!(["coasting", "adrift"].contains(&state), "{state}");
}

#[test]
fn pieces_of_time_come_to_the_same_as_one_run() {
    // It has everything: power that goes and comes, a change of keys, somebody with a recorder.
    let run = Run::new(Scenario::built_in().unwrap(), None, Detail::Totals, None).unwrap();
    let mut model = Model::new(Scenario::built_in().unwrap(), None, 1000.0).unwrap();
    let mut pieces = 0;
    while !model.ended() {
        model.pass(77_123, |_| true);
        pieces += 1;
    }
    assert!(pieces > 100, "{pieces}");
    assert_eq!(model.world().digest(), run.world.digest());
    assert_eq!(model.world().trace().events, run.world.trace().events);
}

/// Power that goes and comes at once is never seen to be off; the over that it ended has ended for `t` too
/// (`docs/watch.md`).
#[test]
fn an_over_that_power_has_cut_can_be_begun_again() {
    let text = "[scenario]\nname = \"s\"\nduration_s = 60\nplan = \"\"\n\
                [[station]]\nname = \"post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
                [[station]]\nname = \"boat\"\naddress = \"40\"\nx_m = 500\n\
                [[announce]]\nat_s = 1\nby = \"post\"\n[[announce]]\nat_s = 20\nby = \"post\"\n\
                [[power]]\nstation = \"boat\"\nat_s = 15\nbecomes = \"on\"\n";
    let scenario = Scenario::parse("s.toml", text, built_in_plan().unwrap()).unwrap();
    let mut model = Model::new(scenario, None, 1.0).unwrap();
    until(&mut model, 10.0);
    choose(&mut model, "boat");
    assert!(model.act(Action::Press));
    until(&mut model, 14.0);
    assert_eq!(model.station(1).state, "speaking");
    until(&mut model, 30.0);
    assert_eq!(model.station(1).state, "in step");
    let rows = screen(&model, (120, 40));
    assert!(
        rows.iter().any(|row| row.contains("boat: cut off: it has lost its power")),
        "{rows:?}"
    );
    assert!(model.act(Action::Press));
    until(&mut model, 34.0);
    assert_eq!(model.station(1).state, "speaking");
    assert_eq!(model.world().trace().overs.len(), 2);
}

#[test]
fn pause_stops_the_time_and_a_step_is_one_slot() {
    let mut model = built_in();
    until(&mut model, 10.5);
    assert!(model.act(Action::Step));
    assert_eq!(model.world().now(), 10_500_000, "no steps while time goes on");
    assert_eq!(model.notice(), "pause first: space");
    assert!(model.act(Action::Pause));
    model.pass(5_000_000, |_| true);
    assert_eq!(model.world().now(), 10_500_000);
    assert!(screen(&model, (80, 24))[0].contains("PAUSED"));
    let sent = model.world().trace().sent.len();
    assert!(model.act(Action::Step));
    assert_eq!(model.world().now(), 10_520_000);
    // Somebody speaks: a slot has one transmission in it.
    assert_eq!(model.world().trace().sent.len(), sent + 1);
    assert_eq!(model.row_us(), 20_000);
    assert!(model.act(Action::Pause));
    model.pass(1_000_000, |_| true);
    assert_eq!(model.world().now(), 11_520_000);
}

#[test]
fn speeds_go_from_a_quarter_to_a_thousand() {
    let mut model = built_in();
    model.act(Action::Faster);
    model.pass(1_000_000, |_| true);
    assert_eq!(model.world().now(), 2_000_000);
    for _ in 0..20 {
        model.act(Action::Slower);
    }
    assert!((model.speed() - 0.25).abs() < 1e-9);
    model.pass(1_000_000, |_| true);
    assert_eq!(model.world().now(), 2_250_000);
    for _ in 0..20 {
        model.act(Action::Faster);
    }
    assert!((model.speed() - 1000.0).abs() < 1e-9);
    // Whoever has no patience gets less, and is told so.
    let mut patience = 10;
    model.pass(1_000_000, |_| {
        patience -= 1;
        patience > 0
    });
    assert!(model.behind());
    assert_eq!(model.world().now(), 2_250_000 + 10 * 20_000);
    for speed in [0.0, 0.2, 1001.0, f64::NAN, f64::INFINITY, -1.0] {
        let error = Model::new(Scenario::built_in().unwrap(), None, speed).unwrap_err();
        assert!(error.what().contains("0.25 to 1000"), "{error}");
    }
}

#[test]
fn the_chosen_station_speaks_from_press_to_release() {
    let mut model = built_in();
    until(&mut model, 8.0);
    choose(&mut model, "gauge mill");
    let mill = model.chosen();
    assert!(model.world().trace().sent.iter().all(|sent| sent.node != mill));
    // Also while the time stands.
    model.act(Action::Pause);
    model.act(Action::Press);
    assert_eq!(model.world().trace().overs.len(), 1);
    model.act(Action::Pause);
    until(&mut model, 9.5);
    assert_eq!(model.station(mill).state, "speaking");
    assert_eq!(model.station(0).state, "called");
    let sent = model.world().trace().sent.iter().filter(|sent| sent.node == mill).count();
    assert!(sent > 50, "{sent}");
    model.act(Action::Press);
    until(&mut model, 9.9);
    let over = &model.world().trace().overs[0];
    assert!(over.node == mill && over.target == hopwright_core::address::Target::ALL);
    assert_eq!(over.released_us, Some(9_500_000));
    assert!(over.called.len() > 20 && over.payload_slots > 50);
    assert_eq!(model.station(mill).state, "in step");
    let after = model.world().trace().sent.iter();
    let last = after.filter(|sent| sent.node == mill).map(|sent| sent.at_us).max().unwrap();
    assert!(last < 9_800_000, "{last}");
    let text = shown(&screen(&model, (80, 24)));
    assert!(text.contains("gauge mill: releases"), "{text}");
}

#[test]
fn who_is_off_does_not_speak() {
    let mut model = built_in();
    until(&mut model, 8.0);
    choose(&mut model, "ground team 8");
    model.act(Action::Press);
    assert_eq!(model.notice(), "ground team 8 is off");
    until(&mut model, 9.0);
    assert!(model.world().trace().overs.is_empty());
}

#[test]
fn a_press_into_an_over_is_held_off() {
    let mut model = built_in();
    until(&mut model, 12.0);
    choose(&mut model, "boat heron");
    model.act(Action::Press);
    until(&mut model, 13.0);
    assert_eq!(model.station(model.chosen()).state, "held off");
    assert!(shown(&screen(&model, (80, 24))).contains("boat heron: held off"));
    // And a press before anybody has time is an over all the same: a cut-in, or a refusal told.
    let heron = model.chosen();
    let held = model.world().trace().times_of(heron, |event| *event == Event::HoldOff);
    assert_eq!(held.count(), 1);
}

#[test]
fn an_interferer_switched_off_lets_everything_through() {
    let mut model = built_in();
    until(&mut model, 62.0);
    let jammed = share(&model, 60_500_000);
    model.act(Action::Switch);
    until(&mut model, 65.0);
    let clear = share(&model, 62_100_000);
    assert!(jammed < 0.75, "{jammed}");
    assert!(clear > 0.97, "{clear}");
    assert!(shown(&screen(&model, (80, 24))).contains("interferer OFF"));
    model.act(Action::Switch);
    until(&mut model, 68.0);
    let again = share(&model, 65_100_000);
    assert!(again < 0.75, "{again}");
    assert!(shown(&screen(&model, (80, 24))).contains("interferer ON"));
    // The band remembers: with it, without it, with it again.
    let covered: Vec<bool> = model
        .band(60, 130)
        .iter()
        .map(|(_, cells)| cells.iter().filter(|mark| **mark == Mark::Interference).count() > 20)
        .collect();
    let off = covered.iter().filter(|on| !**on).count();
    assert!((13..=16).contains(&off), "three seconds in rows of 0.2 s: {off}");
    assert!(covered[0] && covered[covered.len() - 1]);
}

/// Noise of opponents shows in the band like that of interferers, while it is there.
#[test]
fn opponents_are_seen_in_the_band() {
    let text = "[scenario]\nname = \"tones\"\nduration_s = 30\nplan = \"\"\n\
        [[station]]\nname = \"a\"\naddress = \"01\"\nrole = \"timekeeper\"\n\
        [[adversary]]\nname = \"van\"\nbehaviour = \"tones\"\ncount = 40\n\
        above_wanted_db = 40\nfrom_s = 2\nto_s = 4\n";
    let plan = built_in_plan().unwrap();
    let scenario = Scenario::parse("tones", text, plan).unwrap();
    let mut model = Model::new(scenario, None, 1.0).unwrap();
    until(&mut model, 6.0);
    let rows: Vec<usize> = model
        .band(30, 130)
        .iter()
        .map(|(_, cells)| cells.iter().filter(|mark| **mark == Mark::Interference).count())
        .collect();
    let busy = rows.iter().filter(|marks| **marks >= 30).count();
    assert!((9..=11).contains(&busy), "two seconds in rows of 0.2 s: {rows:?}");
    assert!(rows.iter().all(|marks| *marks == 0 || *marks >= 30), "{rows:?}");
}

#[test]
fn an_interferer_moves_as_far_as_there_is_room() {
    let mut model = built_in();
    until(&mut model, 5.0);
    let numbers = |model: &Model| {
        let (_, _, channels) = model.interferer().unwrap();
        channels.iter().map(|channel| channel.number()).collect::<Vec<_>>()
    };
    let before = numbers(&model);
    model.act(Action::Higher);
    let after = numbers(&model);
    let shift = after[0] - before[0];
    assert!(shift > 0);
    assert_eq!(after, before.iter().map(|number| number + shift).collect::<Vec<_>>());
    for (way, end) in [(Action::Higher, 129), (Action::Lower, 0)] {
        for _ in 0..40 {
            model.act(way);
        }
        let there = numbers(&model);
        let edge = if end == 0 { there[0] } else { there[there.len() - 1] };
        assert_eq!((edge, there.len()), (end, before.len()));
        assert_eq!(model.notice(), "it is at the end of the band");
    }
    until(&mut model, 12.0);
    let low = model.world().trace().sent.iter().filter(|sent| sent.at_us > 10_100_000);
    let (mut under, mut over) = ((0, 0), (0, 0));
    for sent in low {
        let here = if usize::from(sent.channel.number()) < before.len() - 2 {
            &mut under
        } else {
            &mut over
        };
        here.0 += sent.heard;
        here.1 += sent.listeners;
    }
    assert!(under.0 * 20 < under.1 && under.1 > 0, "{under:?}: where it is now nobody hears");
    assert!(over.0 * 10 > over.1 * 8, "{over:?}: where it was they hear again");
    model.act(Action::Interferer);
    assert!(model.notice().is_empty(), "there is one, and it stays chosen");
}

#[test]
fn a_skip_leads_to_the_next_transmission() {
    let mut model = built_in();
    until(&mut model, 130.0);
    let sent = model.world().trace().sent.len();
    model.act(Action::Skip);
    let now = model.world().now();
    assert!((14_540_000_000..14_541_000_000).contains(&now), "{now}");
    assert_eq!(model.world().trace().sent.len(), sent + 1);
    assert!(model.notice().ends_with("s skipped"), "{}", model.notice());
    let rows = screen(&model, (80, 24));
    assert!(shown(&rows).contains("upper bridge: presses to speak to all"), "{}", shown(&rows));
    assert!(rows[23].contains("s skipped"), "{}", shown(&rows));
    // After some seconds the keys are back.
    model.pass(3_000_000, |_| true);
    assert!(model.notice().ends_with("s skipped"));
    model.pass(3_000_000, |_| true);
    assert_eq!(model.notice(), "");
    assert!(screen(&model, (80, 24))[23].contains("? help"));
}

#[test]
fn at_the_end_the_time_stands_and_can_go_on() {
    let mut model = Model::new(Scenario::built_in().unwrap(), Some(7), 1000.0).unwrap();
    model.pass(20_000_000, |_| true);
    assert!(model.ended() && !model.running());
    assert_eq!(model.world().now(), 14_770_000_000);
    assert!(screen(&model, (80, 24))[0].contains("PAUSED at or behind the end"));
    model.act(Action::Skip);
    assert_eq!(model.notice(), "nothing more is sent until now");
    let now = model.world().now();
    model.act(Action::Pause);
    model.pass(1_000_000, |_| true);
    assert_eq!(model.world().now(), now + 1_000_000_000);
}

#[test]
fn no_size_is_too_much_and_small_ones_are_told() {
    let mut model = built_in();
    until(&mut model, 22.5);
    model.act(Action::Help);
    for (width, height) in
        (1..=200).step_by(7).flat_map(|w| (1..=60).step_by(3).map(move |h| (w, h)))
    {
        let rows = screen(&model, (width, height));
        assert_eq!(rows.len(), usize::from(height));
        let small = width < LEAST.0 || height < LEAST.1;
        assert_eq!(rows[0].trim_start().starts_with("22.50 s"), !small, "{width} x {height}");
    }
    for size in [(1, 1), (2, 1), (1, 60), (200, 1), (200, 60), LEAST, (59, 18), (60, 17)] {
        let _ = screen(&model, size);
    }
    // The smallest has whole names, and no word runs into another.
    model.act(Action::Help);
    let least = screen(&model, LEAST);
    println!("{}", shown(&least));
    assert!(least[0].contains("RUNNING  "), "{}", shown(&least));
    assert!(least.iter().any(|row| row.contains("> control post    10 busy")), "{}", shown(&least));
    model.act(Action::Help);
    let small = shown(&screen(&model, (40, 10)));
    assert!(small.contains("40 x 10, and 60 x 18 are"), "{small}");
    let helped = shown(&screen(&model, (80, 24)));
    assert!(helped.contains("press to speak to all; again: release"), "{helped}");
    model.act(Action::Help);
    let without = shown(&screen(&model, (80, 24)));
    assert!(!without.contains("again: release"));
}

#[test]
fn without_a_terminal_it_refuses_to_start() {
    let here = tempfile::tempdir().unwrap();
    let output = common::hopwright(here.path(), &["watch"]);
    assert_eq!(output.status.code(), Some(2));
    let error = common::stderr(&output);
    assert!(error.starts_with("error: standard output is no terminal"), "{error}");
    assert_eq!(common::stdout(&output), "");
    let output = common::hopwright(here.path(), &["watch", "--speed", "5000"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(common::stderr(&output).contains("0.25 to 1000"));
    let output = common::hopwright(here.path(), &["watch", "nowhere.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(common::stderr(&output).contains("nowhere.toml"));
}
