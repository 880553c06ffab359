use super::*;
use proptest::prelude::*;

fn plan(ppb: u32) -> ClockPlan {
    ClockPlan {
        tolerance: Ppb::new(ppb).unwrap(),
        jitter: Micros::new(20),
        longest_delay: Micros::new(100),
    }
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
            (Grip::Coasting(64), Grip::Lost),
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

proptest! {
    /// Invariant 4 in miniature: two clocks within tolerance exchange headers over random
    /// delays with random time-stamp errors; each bound contains true time throughout.
    #[test]
    fn bounds_contain_true_time(
        tolerance in 1_u32..=100_000,
        share_a in -1_000_i64..=1_000,
        share_b in -1_000_i64..=1_000,
        epochs in (1_000_000_u64..1_000_000_000_000, 1_000_000_u64..1_000_000_000_000),
        steps in proptest::collection::vec((1_000_i64..3_000_000_000, 0_i64..=100, -20_i64..=20, any::<bool>()), 1..60),
    ) {
        let plan = plan(tolerance);
        let ppb = [share_a, share_b].map(|share| i64::from(tolerance) * share / 1_000);
        let epoch = [epochs.0, epochs.1];
        let mut clocks = [Some(NetClock::start(plan, shown(epoch[0], ppb[0], 0), 0)), None];
        let mut now = 0;
        for (step, delay, jitter, back) in steps {
            now += step;
            let (from, to) = if back && clocks[1].is_some() { (1, 0) } else { (0, 1) };
            let sender = clocks[from].unwrap();
            let sent = shown(epoch[from], ppb[from], now);
            let quality = crate::header::Quality::of(sender.half_width(sent));
            let arrival = shown(epoch[to], ppb[to], now + delay);
            let at = Tick::new(arrival.us().checked_add_signed(jitter).unwrap());
            let seen = Observation {
                at,
                sent_us: sender.net_us(sent),
                half_width: quality.half_width(),
            };
            match &mut clocks[to] {
                Some(clock) => prop_assert_eq!(clock.observe(seen), Ok(())),
                none @ None => *none = Some(NetClock::acquire(plan, seen)),
            }
            now += delay;
            for (i, clock) in clocks.iter().enumerate() {
                if let Some(clock) = clock {
                    let (lo, hi) = clock.bound(shown(epoch[i], ppb[i], now + 1));
                    // Local time is floored, so the comparison has a microsecond of play.
                    prop_assert!(lo <= now + 2 && now - 1 <= hi, "{i}: {lo} {now} {hi}");
                }
            }
        }
    }
}
