use super::*;

fn listening() -> (Duty, Channel) {
    let timing = Timing::new(20_000, 1_000, 500, 50_000).unwrap();
    let mut duty = Duty::new(timing, Micros::new(640)).unwrap();
    let channel = Channel::new(7).unwrap();
    let radio = Radio::Listen { channel, word: 5, complement: false };
    let until = Tick::new(100_000);
    let action = Action { radio, from: Tick::ZERO, until, poll_by: until };
    assert!(matches!(duty.order(action, Tick::ZERO), Order::Listen { .. }));
    duty.listens(channel, Tick::ZERO, Tick::ZERO, Tick::new(300));
    (duty, channel)
}

const LEVEL: Dbm = Dbm::new(-40);

#[test]
fn power_is_measured_in_the_middle_and_told_at_the_end() {
    let (mut duty, channel) = listening();
    assert_eq!(duty.wake(Tick::new(300)), Tick::new(10_300));
    assert!(!duty.wants_level(Tick::new(10_299)));
    assert!(duty.wants_level(Tick::new(10_300)));
    duty.level(LEVEL);
    assert!(!duty.wants_level(Tick::new(10_301)), "once");
    assert_eq!(duty.wake(Tick::new(10_301)), Tick::new(20_300));
    assert_eq!(duty.span_over(Tick::new(20_299)), None);
    assert_eq!(duty.span_over(Tick::new(20_300)), Some((channel, LEVEL)));
    assert_eq!(duty.span_over(Tick::new(20_300)), None, "the next slot's time has begun");
    // And the same again, in the same channel.
    assert!(!duty.wants_level(Tick::new(30_299)));
    assert!(duty.wants_level(Tick::new(30_300)));
    assert_eq!(duty.span_over(Tick::new(40_300)), None, "nothing has been measured");
    duty.level(LEVEL);
    assert_eq!(duty.span_over(Tick::new(40_300)), Some((channel, LEVEL)));
}

#[cfg(feature = "critical-section")]
#[test]
fn power_is_told_before_the_station_is_asked_for_what_follows() {
    let (mut duty, channel) = listening();
    duty.set_margin(Micros::new(10_000));
    let until = Tick::new(20_000);
    let radio = Radio::Listen { channel, word: 5, complement: false };
    let action = |until| Action { radio, from: Tick::ZERO, until, poll_by: until };
    duty.prolong(&action(until));
    // Half a slot is left, and this is the middle of it.
    assert_eq!(duty.wake_to_ask(Tick::new(300), Tick::new(10_000)), Tick::new(5_300));
    assert!(duty.wants_level(Tick::new(5_300)));
    duty.level(LEVEL);
    assert_eq!(duty.span_over(Tick::new(9_999)), None);
    assert_eq!(duty.span_over(Tick::new(10_000)), Some((channel, LEVEL)));
    // What is heard from here on would be told too late.
    assert!(!duty.wants_level(Tick::new(19_999)));
    assert_eq!(duty.wake_to_ask(Tick::new(10_000), until), until);
    // Unless this goes on.
    duty.prolong(&action(Tick::new(100_000)));
    assert!(duty.wants_level(Tick::new(15_000)));
}

#[test]
fn a_word_counts_for_its_own_slot() {
    let (mut duty, channel) = listening();
    let captured = Captured { word: 5, at: Tick::new(2_000), length: 33 };
    duty.progress(Tick::new(9_000), Progress::Whole(captured)).unwrap();
    duty.level(LEVEL);
    assert_eq!(duty.span_over(Tick::new(20_300)), None);
    duty.level(LEVEL);
    assert_eq!(duty.span_over(Tick::new(40_300)), Some((channel, LEVEL)), "none in this one");
}

#[test]
fn a_word_under_way_is_not_power_without_a_word() {
    let (mut duty, channel) = listening();
    let look = Tick::new(26_000);
    assert_eq!(duty.progress(Tick::new(19_000), Progress::UnderWay { look }), None);
    duty.level(LEVEL);
    assert!(duty.receives());
    assert_eq!(duty.wake(Tick::new(19_000)), look, "and nothing else wakes");
    assert_eq!(duty.span_over(Tick::new(20_300)), None);
    let captured = Captured { word: 5, at: Tick::new(18_000), length: 33 };
    assert_eq!(duty.progress(look, Progress::Whole(captured)), Some(captured));
    assert_eq!((duty.receives(), duty.channel()), (false, Some(channel)));
    assert_eq!(duty.tally().heard, 1);
}

#[test]
fn bits_that_the_radio_gives_up_are_not_waited_for() {
    let (mut duty, channel) = listening();
    let look = Tick::new(9_000);
    assert_eq!(duty.progress(Tick::new(3_000), Progress::UnderWay { look }), None);
    assert!(duty.receives());
    assert_eq!(duty.progress(look, Progress::Idle), None);
    assert!(!duty.receives());
    assert_eq!((duty.tally().broken_off, duty.channel()), (1, Some(channel)), "it listens on");
}

#[test]
fn bits_that_never_become_whole_are_given_up() {
    let (mut duty, _) = listening();
    // 900 bits are 18 ms.
    for now in [1_000, 19_000] {
        let look = Tick::new(now + 100);
        assert_eq!(duty.progress(Tick::new(now), Progress::UnderWay { look }), None);
        assert!(duty.receives());
    }
    let look = Tick::new(19_200);
    assert_eq!(duty.progress(Tick::new(19_001), Progress::UnderWay { look }), None);
    assert!(!duty.receives());
    assert_eq!((duty.tally().broken_off, duty.channel()), (1, None));
    assert_eq!(duty.wake(Tick::new(19_001)), Tick::new(19_001), "the radio is told anew at once");
}
