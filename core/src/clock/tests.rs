use super::*;
use proptest::prelude::*;

fn plan(ppb: u32) -> ClockPlan {
    ClockPlan::new(Ppb::new(ppb).unwrap(), Micros::new(20), Micros::new(100))
}

fn timing() -> Timing {
    Timing::new(20_000, 1_000, 500, 50_000).unwrap()
}

/// What a clock that is off by `ppb` shows at true time `us`, counted from `epoch`.
fn shown(epoch: u64, ppb: i64, us: i64) -> Tick {
    let drift = (i128::from(us) * i128::from(ppb)).div_euclid(1_000_000_000);
    Tick::new(epoch + u64::try_from(i128::from(us) + drift).unwrap())
}

#[test]
fn a_timekeeper_knows_the_time_it_starts() {
    let clock = NetClock::start(plan(1_000), Tick::new(5_000), 40_000);
    assert_eq!(clock.bound(Tick::new(5_000)), (40_000, 40_000));
    assert_eq!(clock.slot_at(&timing(), Tick::new(5_000)), Some(Slot::new(2)));
    assert_eq!(clock.start_of(&timing(), Slot::new(3)), Tick::new(25_000));
    // One part in a million for four hours: 14.4 ms, and the microsecond of rounding.
    let later = Tick::new(5_000 + 4 * 3_600 * 1_000_000);
    let half = clock.half_width(later).us();
    assert!((14_400..=14_416).contains(&half), "{half}");
    assert!((28_800..=28_832).contains(&clock.spread(later).us()));
}

#[test]
fn grip_loosens_when_it_says() {
    for ppb in [0, 1, 500, 1_000, 20_000, 500_000] {
        let clock = NetClock::start(plan(ppb), Tick::new(77), 0);
        for (grip, worse) in [
            (Grip::Locked, Grip::Coasting(1)),
            (Grip::Coasting(1), Grip::Coasting(2)),
            (Grip::Coasting(COAST_SLOTS), Grip::Adrift),
            (Grip::Adrift, Grip::Lost),
        ] {
            match clock.loosens_at(&timing(), grip) {
                None => assert_eq!(ppb, 0),
                Some(at) => {
                    let just_before = at.minus(Micros::new(2));
                    assert_eq!(clock.grip(&timing(), just_before), grip, "{ppb}");
                    assert_eq!(clock.grip(&timing(), at), worse, "{ppb}");
                }
            }
        }
    }
}

/// The sender's phase lies in a span of twice the jitter and the distance; both clocks may have wandered since.
#[test]
fn a_spread_is_what_was_heard_and_two_wanders() {
    let now = Tick::new(1_000_000);
    let plan = ClockPlan { wander: Micros::new(30), ..plan(0) };
    let seen = Observation { at: now, sent_us: 10_000_000, half_width: None };
    let clock = NetClock::acquire(plan, seen, None);
    assert_eq!(clock.spread(now), Micros::new((2 * 20 + 100) / 2 + 2 * 30));
    let locked = Timing::new(20_000, 1_000, 130, 50_000).unwrap();
    let coasts = Timing::new(20_000, 1_000, 129, 50_000).unwrap();
    assert_eq!(clock.grip(&locked, now), Grip::Locked);
    assert_eq!(
        (clock.grip(&coasts, now), clock.grip_of_others(&coasts, now)),
        (Grip::Coasting(1), Grip::Coasting(1))
    );
    assert_eq!(clock.loosens_at(&coasts, Grip::Locked), Some(now), "it has already");
    assert_eq!(clock.loosens_at(&locked, Grip::Locked), None, "it never does");
}

/// A speaker's clock may be off by the net's tolerance, and ours by its own, the other way: after an hour 1000 parts
/// and 100 in 10^9 make 3960 us, beside what was not known at first, and no more than rounding besides.
#[test]
fn a_spread_grows_by_both_oscillators() {
    let now = Tick::new(1_000_000);
    let own_tolerance = Ppb::new(100).unwrap();
    let plan = ClockPlan { own_tolerance, ..plan(1_000) };
    let seen = Observation { at: now, sent_us: 10_000_000, half_width: None };
    let clock = NetClock::acquire(plan, seen, None);
    let spread = clock.spread(now.plus(Micros::new(3_600_000_000))).us();
    assert!((70 + 3_960..=70 + 3_960 + 12).contains(&spread), "{spread}");
}

/// Who promises nothing may be off by what the poorest oscillator is at the end of a timeline of slots of 32 ms, and
/// by less than a day: a new timeline begins behind that.
#[test]
fn who_promises_nothing_is_off_by_less_than_a_day() {
    let (at, sent_us) = (Tick::new(1_000_000), 10_000_000_i64);
    let clock = NetClock::acquire(plan(0), Observation { at, sent_us, half_width: None }, None);
    let (earliest, latest) = clock.bound(at);
    let slots_us = (1_i64 << 32) * 32_000;
    let worst = slots_us / 1_000_000 * 500;
    assert!(earliest <= sent_us - worst && sent_us + worst <= latest, "{earliest} {latest}");
    assert!(latest - sent_us < 86_400 * 1_000_000, "{latest}");
}

/// Guard and jitter early, and a distance late besides: to the microsecond, on a clock that cannot part.
#[test]
fn what_is_in_its_place_is_so_to_the_microsecond() {
    let now = Tick::new(1_000_000);
    let clock = NetClock::start(plan(0), now, 10_000_000);
    let expect = |offset: i64| {
        let seen = Observation { at: now, sent_us: 10_000_000 + offset, half_width: None };
        clock.expect(&timing(), seen)
    };
    assert_eq!((expect(0), expect(520), expect(-620)), (Ok(()), Ok(()), Ok(())));
    assert_eq!((expect(521), expect(-621)), (Err(Conflict::Ahead), Err(Conflict::Behind)));
}

#[test]
fn contradictions_change_nothing() {
    let now = Tick::new(1_000_000);
    let before = NetClock::start(plan(1_000), now, 10_000_000);
    let mut clock = before;
    let half_width = Some(Micros::new(1_000));
    let behind = Observation { at: now, sent_us: 9_998_000, half_width };
    assert_eq!(clock.observe(behind), Err(Conflict::Behind));
    let ahead = Observation { at: now, sent_us: 10_002_000, half_width };
    assert_eq!(clock.observe(ahead), Err(Conflict::Ahead));
    assert_eq!(clock, before);
}

/// The last observation of each side that agrees, and the first that does not.
#[test]
fn intervals_that_touch_agree() {
    let now = Tick::new(1_000_000);
    let half_width = Some(Micros::new(1_000));
    // 20 us of jitter on either side, 100 us of delay on one, and 1000 that the sender does not know.
    for (agrees, conflicts, why) in
        [(10_001_020, 10_001_021, Conflict::Ahead), (9_998_880, 9_998_879, Conflict::Behind)]
    {
        let mut clock = NetClock::start(plan(1_000), now, 10_000_000);
        assert_eq!(
            clock.observe(Observation { at: now, sent_us: conflicts, half_width }),
            Err(why)
        );
        assert_eq!(clock.observe(Observation { at: now, sent_us: agrees, half_width }), Ok(()));
        assert_eq!(clock.bound(now), (10_000_000, 10_000_000));
    }
}

/// By what nothing has authenticated one listens: its phase is in the middle of what the sender's can be,
/// the spread is what is left on either side, and the bound is what it was.
#[test]
fn a_supposed_phase_is_in_the_middle() {
    let now = Tick::new(1_000_000);
    let clock = NetClock::start(plan(1_000), now, 10_000_000);
    let later = now.plus(Micros::new(3_600_000_000));
    let seen = Observation { at: later, sent_us: 3_610_004_000, half_width: None };
    let supposed = clock.supposing(seen);
    // From 20 us before to 120 us behind what the reception alone would say.
    assert_eq!(supposed.net_us(later), 3_610_004_050);
    assert_eq!((supposed.spread_at, supposed.spread), (later, Micros::new(70)));
    assert_eq!(supposed.bound(later), clock.bound(later));
}

#[test]
fn a_speaker_within_the_delay_moves_nobody() {
    let now = Tick::new(1_000_000);
    let mut clock = NetClock::start(plan(1_000), now, 10_000_000);
    let phase = clock.phase;
    // 70 us of propagation: what is heard now was sent 70 us ago.
    let seen = Observation { at: now, sent_us: 9_999_930, half_width: Some(Micros::new(16)) };
    clock.observe(seen).unwrap();
    assert_eq!(clock.phase, phase);
    assert!(clock.spread(now) <= Micros::new(140));
}

/// A clock whose rate the timekeeper's headers give away: ten headers, ten minutes apart.
fn taught(own_ppb: i64, wander: u64) -> (NetClock, i64) {
    let ppb = |ppb| Ppb::new(ppb).unwrap();
    let teacher_plan =
        ClockPlan { own_tolerance: ppb(50), wander: Micros::new(wander), ..plan(1_000) };
    let plan = ClockPlan { own_tolerance: ppb(1_000), steadiness: ppb(20), ..teacher_plan };
    let teacher = NetClock::start(teacher_plan, shown(0, 30, 0), 0);
    let mut clock = None;
    let mut now = 0;
    for header in 0..10 {
        now = header * 600_000_000;
        let sent = shown(0, 30, now);
        let quality = crate::header::Quality::of(teacher.half_width(sent));
        let seen = Observation {
            at: shown(1 << 30, own_ppb, now + 40),
            sent_us: teacher.net_us(sent),
            half_width: quality.half_width(),
        };
        match &mut clock {
            None => clock = Some(NetClock::acquire(plan, seen, None)),
            Some(clock) => clock.observe(seen).unwrap(),
        }
    }
    (clock.unwrap(), now)
}

#[test]
fn a_better_clock_teaches_a_rate() {
    for own_ppb in [-1_000, -300, 0, 250, 999] {
        let (clock, now) = taught(own_ppb, 0);
        let (lo, hi) = clock.rate();
        // Net time gains on a slow clock what the clock lacks.
        assert!(i64::from(lo) <= -own_ppb && -own_ppb <= i64::from(hi), "{own_ppb}: {lo} {hi}");
        // Over 5400 s: 16 and 512 us of half-widths, 140 us of jitter and delay on either side;
        // 0.2 ppm in all, and twice 0.02 of steadiness.
        assert!(hi - lo <= 300, "{own_ppb}: {lo} {hi}");
        // Four hours on, the phase has gone with true time, and the bound knows it.
        let later = now + 4 * 3_600_000_000;
        let at = shown(1 << 30, own_ppb, later);
        let error = clock.net_us(at).abs_diff(later);
        assert!(error <= 2_500, "{own_ppb}: {error}");
        assert!(clock.bound(at).0 <= later && later <= clock.bound(at).1);
        assert!(clock.half_width(at) <= Micros::new(5_000), "{:?}", clock.half_width(at));
        // What a speaker's clock does is not known: his 14.4 ms remain, and ours are gone.
        let spread = clock.spread(at).us();
        assert!((14_400..=18_000).contains(&spread), "{spread}");
    }
}

#[test]
fn slots_start_where_a_learnt_rate_puts_them() {
    for own_ppb in [-1_000, -1, 0, 777] {
        let (clock, _) = taught(own_ppb, 0);
        let timing = timing();
        for slot in (0..40_000_000).step_by(77_777).chain([1, 2, 3]).map(Slot::new) {
            let start = clock.start_of(&timing, slot);
            assert_eq!(clock.slot_at(&timing, start), Some(slot));
            let before = clock.slot_at(&timing, start.minus(Micros::new(1)));
            assert!(before < Some(slot), "{own_ppb} {slot}: {before:?}");
        }
    }
}

/// Steadiness is promised of the oscillator's rate; what a slow one makes net time gain changes by
/// more, a thousandth at 500 ppm. (Found by comparing with exact arithmetic: 35 parts in 10^9 were
/// missing.)
#[test]
fn steadiness_counts_in_the_clocks_own_rate() {
    let ppb = |n| Ppb::new(n).unwrap();
    let plan = |own, steadiness| ClockPlan {
        own_tolerance: ppb(own),
        steadiness: ppb(steadiness),
        ..plan(500_000)
    };
    // 1 / (1 - 0.0005)^2 = 1.00100075...
    assert_eq!(plan(500_000, 246_207).steadiness_to_net(), 246_207 + 246);
    assert_eq!(plan(500_000, 500_000).steadiness_to_net(), 500_500);
    // Where it is less than half a part, the slope has room for it.
    assert_eq!(plan(10_000, 10_000).steadiness_to_net(), 10_000);
    assert_eq!(plan(0, 500_000).steadiness_to_net(), 500_000);
}

/// The promise of steadiness was empty: a header contradicts what was learnt, and is taken, for nothing is believed any
/// more that the tolerance does not cover. What that does not cover either changes nothing.
#[test]
fn an_unsteady_oscillator_unlearns() {
    let timing = Timing::new(20_000, 1_000, 500, 50_000).unwrap();
    // The other way round the header is out of its place already: after an hour by 6.5 ms, of which 4.5 are allowed.
    let (mut clock, now) = taught(-900, 0);
    let at = shown(1 << 30, -900, now).plus(Micros::new(3_600_000_000 + 3_240));
    let seen = Observation { at, sent_us: now + 3_600_000_000, half_width: Some(Micros::new(64)) };
    assert_eq!(clock.expect(&timing, seen), Err(Conflict::Behind));
    assert_eq!(clock.meet(&timing, seen), Ok(()));
    assert_eq!(clock.rate, Rate::unknown(clock.plan));

    let (mut clock, now) = taught(900, 0);
    // From now on it runs at -900: after an hour it shows 6.5 ms less than it would have.
    let at = shown(1 << 30, 900, now).plus(Micros::new(3_600_000_000 - 3_240));
    let half_width = Some(Micros::new(64));
    let seen = Observation { at, sent_us: now + 3_600_000_000, half_width };
    let before = clock;
    let beyond = Observation { sent_us: seen.sent_us + 2_000, ..seen };
    assert_eq!(clock.meet(&timing, beyond), Err(Conflict::Ahead));
    assert_eq!((clock.rate, clock.anchor), (before.rate, before.anchor));
    assert_eq!((clock.lo, clock.hi, clock.phase), (before.lo, before.hi, before.phase));
    assert_eq!(clock.meet(&timing, seen), Ok(()));
    let (lo, hi) = clock.bound(at);
    assert!(lo <= seen.sent_us && seen.sent_us <= hi);
    // Nor is this compared with what was heard before: what the two tell of is no one rate.
    assert_eq!(clock.rate, Rate::unknown(clock.plan));
}

/// So is what was learnt if an observation leaves nothing of it: then the bound is reached as if nothing had been
/// learnt. (The bound is rounded to microseconds, so this one is not refused: 4 us in a minute are 67 parts in 10^9.)
#[test]
fn a_rate_that_an_observation_contradicts_is_forgotten() {
    let plan = ClockPlan { steadiness: Ppb::new(0).unwrap(), ..plan(1_000) };
    let began = Tick::new(1_000_000);
    let half_width = |us| Some(Micros::new(us));
    let first = Observation { at: began, sent_us: 0, half_width: half_width(50_000) };
    let mut clock = NetClock::acquire(plan, first, None);
    // In 10^6 s 100 ms of uncertainty, and 0.28 of jitter and delay, are within 53 parts in 10^9 either way.
    let day_12 = began.plus(Micros::new(1_000_000_000_000));
    let sent_us = 1_000_000_000_000;
    clock.observe(Observation { at: day_12, sent_us, half_width: half_width(0) }).unwrap();
    let (lo, hi) = clock.rate();
    assert!((-56..-49).contains(&lo) && (49..56).contains(&hi), "{lo} to {hi}");
    // A minute later, as early as the bound allows: jitter and delay are the sender's.
    let at = day_12.plus(Micros::new(60_000_000));
    let sent_us = clock.bound(at).0 - 20 - 100;
    clock.observe(Observation { at, sent_us, half_width: half_width(0) }).unwrap();
    assert_eq!(clock.rate(), (-1_001, 1_001));
}

proptest! {
    /// Invariant 4 in miniature: two clocks within tolerance exchange headers over random
    /// delays with random time-stamp errors; each bound contains true time throughout.
    #[test]
    fn bounds_contain_true_time(
        tolerance in 1_u32..=100_000,
        share_a in -1_000_i64..=1_000,
        share_b in -1_000_i64..=1_000,
        better in 0_u32..=4,
        wander in prop_oneof![Just(0_u64), 1_u64..200],
        epochs in (1_000_000_u64..1_000_000_000_000, 1_000_000_u64..1_000_000_000_000),
        steps in proptest::collection::vec((1_000_i64..3_000_000_000, 0_i64..=100, -20_i64..=20, any::<bool>()), 1..60),
    ) {
        // The first has a better oscillator than the net's, so that the second can learn from it.
        let own = [tolerance >> better, tolerance];
        let plan = own.map(|own| ClockPlan {
            own_tolerance: Ppb::new(own).unwrap(),
            // Rates are constant: nothing is to be allowed for but what roundings make of them.
            steadiness: Ppb::new(1).unwrap(),
            wander: Micros::new(wander),
            ..plan(tolerance)
        });
        let ppb = [i64::from(own[0]) * share_a / 1_000, i64::from(own[1]) * share_b / 1_000];
        let epoch = [epochs.0, epochs.1];
        let mut clocks = [Some(NetClock::start(plan[0], shown(epoch[0], ppb[0], 0), 0)), None];
        let mut now = 0;
        for (count, (step, delay, jitter, back)) in steps.into_iter().enumerate() {
            now += step;
            // Both clocks step to and fro within what they may.
            let at_once = |i: usize| if (count + i).is_multiple_of(3) { wander } else { 0 };
            let shown = |i: usize, us| shown(epoch[i], ppb[i], us).plus(Micros::new(at_once(i)));
            let (from, to) = if back && clocks[1].is_some() { (1, 0) } else { (0, 1) };
            let sender = clocks[from].unwrap();
            let sent = shown(from, now);
            let quality = crate::header::Quality::of(sender.half_width(sent));
            let arrival = shown(to, now + delay);
            let at = Tick::new(arrival.us().checked_add_signed(jitter).unwrap());
            let seen = Observation {
                at,
                sent_us: sender.net_us(sent),
                half_width: quality.half_width(),
            };
            match &mut clocks[to] {
                Some(clock) => prop_assert_eq!(clock.observe(seen), Ok(())),
                none @ None => *none = Some(NetClock::acquire(plan[to], seen, None)),
            }
            now += delay;
            for (i, clock) in clocks.iter().enumerate() {
                if let Some(clock) = clock {
                    let (lo, hi) = clock.bound(shown(i, now + 1));
                    // Local time is floored, so the comparison has a microsecond of play.
                    prop_assert!(lo <= now + 2 && now - 1 <= hi, "{i}: {lo} {now} {hi}");
                }
            }
        }
    }
}

/// `t / (1 - t)` in parts in 10^9, rounded up: 1000.001 and 500 250.125 are more than they seem.
#[test]
fn tolerances_against_truth_are_rounded_up() {
    for (own, truth) in [(0, 0), (1, 2), (1_000, 1_001), (500_000, 500_251)] {
        assert_eq!(against_truth(Ppb::new(own).unwrap()), truth, "{own}");
    }
}

#[test]
fn what_began_before_the_epoch_began_at_the_epoch() {
    // Slot 2 is under way when the clock's count begins.
    let clock = NetClock::start(plan(1_000), Tick::ZERO, 50_000);
    assert_eq!(clock.start_of(&timing(), Slot::new(2)), Tick::ZERO);
    assert_eq!(clock.start_of(&timing(), Slot::ZERO), Tick::ZERO);
    assert_eq!(clock.start_of(&timing(), Slot::new(3)), Tick::new(10_000));
}
