use super::*;

const SECOND: u64 = 1_000_000;
const HOUR: u64 = 3_600 * SECOND;
const DAY: u64 = 24 * HOUR;

/// Time error = offset * time (elementary).
#[test]
fn drift_is_offset_times_time() {
    assert_eq!(Oscillator::new(0, 1_000).local(4 * HOUR), Tick::new(4 * HOUR + 14_400));
    assert_eq!(Oscillator::new(0, -20_000).local(DAY), Tick::new(DAY - 1_728_000));
}

#[test]
fn both_directions_agree() {
    for ppb in [-500_000, -1_000, -1, 0, 1, 999, 500_000] {
        let oscillator = Oscillator::new(123_456_789, ppb);
        for us in (0..7 * DAY).step_by(9_876_543_211) {
            let tick = oscillator.local(us);
            let back = oscillator.true_us(tick);
            assert_eq!(oscillator.local(back), tick, "{ppb} {us}");
            assert!(back <= us && us - back <= 1, "{ppb} {us} {back}");
            let next = oscillator.true_us(Tick::new(tick.us() + 1));
            assert!(oscillator.local(next) > tick && oscillator.local(next - 1) <= tick);
        }
    }
}

/// Everything at once.
fn everything() -> Behaviour {
    Behaviour {
        offset_ppb: -300.0,
        ageing_ppb_per_day: 50.0,
        temperature_ppb_per_k: 20.0,
        ramp: vec![(HOUR, 0.0), (2 * HOUR, 15.0), (3 * HOUR, -5.0)],
        random_walk_ppb: 30.0,
        white_ppb: 10.0,
        steps: vec![(HOUR / 2, 700), (HOUR, -900), (HOUR + 300, -50), (HOUR + SECOND, 3)],
        until_us: DAY,
    }
}

#[test]
fn a_course_with_a_constant_offset_is_that_offset() {
    for ppb in [-500_000_i64, -1_000, 0, 7, 1_000] {
        let behaviour = Behaviour { offset_ppb: ppb as f64, until_us: DAY, ..Behaviour::default() };
        let (course, constant) =
            (Oscillator::following(55, &behaviour, 1), Oscillator::new(55, ppb));
        // Beyond its length it goes on as it was.
        for us in (0..3 * DAY).step_by(1_234_567_891) {
            assert_eq!(course.local(us), constant.local(us), "{ppb} {us}");
            let tick = Tick::new(us);
            assert_eq!(course.true_us(tick), constant.true_us(tick), "{ppb} {us}");
        }
    }
}

#[test]
fn a_course_never_runs_backwards_and_both_directions_agree() {
    let oscillator = Oscillator::following(1_000, &everything(), 3);
    let near_steps = (HOUR / 2 - 5..HOUR / 2 + 5)
        .chain(HOUR - 5..HOUR + 1_500)
        .chain(HOUR + SECOND - 5..HOUR + SECOND + 5)
        .chain((0..2 * DAY).step_by(1_234_567_891));
    let mut last = Tick::ZERO;
    for us in near_steps {
        let tick = oscillator.local(us);
        assert!(oscillator.local(us + 1) >= tick, "{us}");
        if (HOUR..HOUR + SECOND).contains(&us) {
            assert!(tick >= last, "{us}");
            last = tick;
        }
        for wanted in [tick, Tick::new(tick.us() + 1), Tick::new(tick.us() + 333)] {
            let at = oscillator.true_us(wanted);
            assert!(oscillator.local(at) >= wanted, "{us} {at}");
            assert!(at == 0 || oscillator.local(at - 1) < wanted, "{us} {at}: not the first");
        }
    }
    assert_eq!(oscillator.true_us(Tick::ZERO), 0);
    assert_eq!(oscillator.true_us(Tick::new(u64::MAX)), u64::MAX);
}

/// A step ahead is there at once; after one back the clock stands for as long.
#[test]
fn steps() {
    let steps = vec![(100, 40), (1_000, -25)];
    let behaviour = Behaviour { steps, until_us: DAY, ..Behaviour::default() };
    let clock = Oscillator::following(0, &behaviour, 1);
    let shown = [99, 100, 999, 1_000, 1_024, 1_025, 1_026].map(|us| clock.local(us).us());
    assert_eq!(shown, [99, 140, 1_039, 1_040, 1_040, 1_040, 1_041]);
    assert_eq!(clock.true_us(Tick::new(120)), 100, "what it never shows is due at the step");
    assert_eq!(clock.true_us(Tick::new(1_041)), 1_026);
}

/// Ageing D from offset zero: error = D t^2 / 2. D = 1 ppb a day: 43.2 us after one day, 2.1168 ms
/// after seven (elementary).
#[test]
fn ageing() {
    let behaviour =
        Behaviour { ageing_ppb_per_day: 1.0, until_us: 7 * DAY, ..Behaviour::default() };
    let course = Oscillator::following(0, &behaviour, 1);
    let error = |us: u64| course.course().map(|course| course.error_ps(us));
    assert_eq!(error(DAY), Some(43_200_000));
    assert_eq!(error(7 * DAY), Some(2_116_800_000));
}

/// 20 ppb/K: a ramp of 10 K over an hour makes 20 * 10 / 2 * 3600 ns = 360 us, and 720 us in each
/// hour after it (elementary).
#[test]
fn temperature() {
    let behaviour = Behaviour {
        temperature_ppb_per_k: 20.0,
        ramp: vec![(HOUR, 0.0), (2 * HOUR, 10.0)],
        until_us: 4 * HOUR,
        ..Behaviour::default()
    };
    let clock = Oscillator::following(0, &behaviour, 1);
    let error = |us: u64| clock.course().map_or(0, |course| course.error_ps(us)) / 1_000_000;
    let shown = [HOUR, 3 * HOUR / 2, 2 * HOUR, 3 * HOUR, 4 * HOUR].map(error);
    assert_eq!(shown, [0, 90, 360, 1_080, 1_800]);
    // Before its first point the temperature is that of the first point.
    let behaviour = Behaviour { ramp: vec![(2 * HOUR, 10.0)], ..behaviour };
    let clock = Oscillator::following(0, &behaviour, 1);
    assert_eq!(clock.local(HOUR).us(), HOUR + 720);
}

#[test]
fn noise_belongs_to_the_seed_and_each_kind_has_its_own() {
    let shown = |behaviour: &Behaviour, seed| {
        let clock = Oscillator::following(0, behaviour, seed);
        clock.course().map_or(0, |course| course.error_ps(DAY))
    };
    let white = Behaviour { white_ppb: 10.0, until_us: DAY, ..Behaviour::default() };
    let walk = Behaviour { random_walk_ppb: 10.0, until_us: DAY, ..Behaviour::default() };
    let both = Behaviour { white_ppb: 10.0, ..walk.clone() };
    assert_eq!(shown(&white, 1), shown(&white, 1));
    assert_ne!(shown(&white, 1), shown(&white, 2));
    let sum = shown(&white, 1) + shown(&walk, 1);
    assert!((shown(&both, 1) - sum).abs() <= 1, "one kind leaves the other alone");
    // What these seeds make, once and for all, on every platform.
    assert_eq!((shown(&white, 1), shown(&walk, 1)), (472_679, -940_539_905));
}

#[test]
fn what_a_promise_would_take() {
    let reach = |behaviour: &Behaviour, tolerance| {
        let reach = Oscillator::following(0, behaviour, 1).reach(tolerance, DAY);
        (reach.rate_ppb, reach.wander_us)
    };
    let still = Behaviour { until_us: DAY, ..Behaviour::default() };
    assert_eq!(reach(&still, 0), (0, 0));
    // 300 ppb too much for a day: 25.92 ms.
    let offset = Behaviour { offset_ppb: -1_300.0, ..still.clone() };
    assert_eq!(reach(&offset, 1_300), (1_300, 0));
    assert_eq!(reach(&offset, 1_000), (1_300, 25_920));
    let same = Oscillator::new(0, -1_300).reach(1_000, DAY);
    assert_eq!((same.rate_ppb, same.wander_us), (1_300, 25_920));
    // Ageing of 2 ppb a day passes a tolerance of 1 ppb at noon: 21.6 us / 2 more by midnight.
    let ageing = Behaviour { ageing_ppb_per_day: 2.0, ..still.clone() };
    assert_eq!(reach(&ageing, 1), (2, 22));
    // Two steps one way add up unless the tolerance makes up for them in between.
    let steps = vec![(HOUR, 300), (HOUR + 100 * SECOND, 300), (20 * HOUR, -500)];
    let steps = Behaviour { steps, ..still };
    assert_eq!(reach(&steps, 1_000), (0, 500));
    assert_eq!(reach(&steps, 0), (0, 600));
}
