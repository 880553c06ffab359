//! The driver loop: what it asks of a radio, what it takes to its station, and what it finds out
//! about a radio that is slower than the plan promises.

use hopwright_core::address::{Address, Target};
use hopwright_core::front_end::{
    Delays, Driver, FrontEnd, QualifyError, Tally, TooSlow, asynchronous,
};
use hopwright_core::station::{Command, Event, Heard, Station};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Micros, Tick};
use hopwright_tests::plans::{Make, key, timing};
use hopwright_tests::radio::{Air, Dead, Doing, LEAD, Radio};
use std::cell::RefCell;
use std::future::Future;
use std::pin::pin;
use std::rc::Rc;
use std::task::{Context, Poll, Waker};

/// A station with its driver.
struct Set {
    station: Station<128>,
    driver: Driver<Radio>,
    wake: u64,
    events: Vec<Event>,
    heard: Vec<Heard>,
    texts: Vec<Vec<u8>>,
    says: Option<&'static [u8]>,
    /// How often its radio has failed, if it may.
    failures: Option<u32>,
}

impl Set {
    fn new(make: Make, air: &Rc<RefCell<Air>>) -> Self {
        let driver = Driver::new(Radio::new(air), timing()).expect("a quick radio");
        let (events, heard, texts) = (Vec::new(), Vec::new(), Vec::new());
        let station = make.station(&key(1));
        Self { station, driver, wake: 0, events, heard, texts, says: None, failures: None }
    }

    fn radio(&mut self) -> &mut Radio {
        self.driver.front_end()
    }

    fn due(&mut self) -> u64 {
        // Once signalled, the driver comes back by itself.
        let now = self.radio().now;
        let signal = self.radio().signal().filter(|signal| *signal > now);
        self.wake.min(signal.unwrap_or(u64::MAX))
    }

    fn step(&mut self, now: u64) {
        let radio = self.driver.front_end();
        radio.now = radio.now.max(now);
        let step = match (self.driver.step(&mut self.station), &mut self.failures) {
            (Err(Dead), Some(failures)) => {
                *failures += 1;
                self.wake = 0;
                return;
            }
            (step, _) => step.expect("a radio that answers"),
        };
        self.wake = step.wake.us();
        if let Some(heard) = step.heard {
            self.heard.push(heard);
            if let Heard::Payload(payload) = heard {
                let mut text = [0; 128];
                let bits = self.driver.bits().to_vec();
                if let Some(length) = self.station.open_payload(&payload, &bits, &mut text) {
                    self.texts.push(text[..length].to_vec());
                }
            }
        }
        while let Some(event) = self.station.next_event() {
            self.events.push(event);
            if let Event::GoAhead { .. } = event
                && let Some(says) = self.says.take()
            {
                self.station.queue_payload(says).expect("an over");
            }
        }
    }

    fn command(&mut self, command: Command) {
        let now = self.radio().now();
        self.station.command(now, command).expect("a command that can be carried out");
        self.wake = now.us();
    }
}

/// Runs all sets to a time of the common clock, earliest first, and to no more steps than a driver
/// may take.
fn run(sets: &mut [Set], until: u64) {
    for _ in 0..1_000_000 {
        let Some((due, next)) = (0..sets.len()).map(|i| (sets[i].due(), i)).min() else { return };
        if due >= until {
            sets.iter_mut().for_each(|set| set.radio().now = set.radio().now.max(until));
            return;
        }
        sets[next].step(due);
    }
    panic!("a loop that does not sleep");
}

/// A member and its asynchronous driver, which have done nothing yet.
fn asynchronously(air: &Rc<RefCell<Air>>) -> (Station<128>, asynchronous::Driver<Radio>) {
    let driver = asynchronous::Driver::new(Radio::new(air), timing());
    (Make::member(0x21).station(&key(1)), driver.unwrap())
}

/// A loop comes so late that a payload is whole and its slot over. The payload is handed over first: in the next
/// answer of the station another key may come into use.
#[test]
fn a_payload_is_handed_over_before_the_station_is_asked_again() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air), Set::new(Make::member(0x21), &air)];
    let (mut station, mut driver) = asynchronously(&air);
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 4_200_000);
    sets[0].command(Command::Press(Target::ALL));
    run(&mut sets, 5_000_000);
    // The one for executors comes into step in the course of it.
    driver.front_end().now = 5_000_000;
    let mut payloads = [0; 2];
    for slot in 250..500 {
        let ends = 50_000 + (slot + 1) * 20_000;
        run(&mut sets, ends - 10_000);
        while driver.front_end().now < ends - 10_000 {
            let _ = ready(driver.step(&mut station)).expect("a radio that answers");
            driver.front_end().now += 500;
        }
        run(&mut sets[..1], ends + 300);
        let (heard, asked) = (sets[1].heard.len(), sets[1].radio().log.len());
        sets[1].step(ends + 300);
        let heard = sets[1].heard[heard..].first().copied();
        let told = sets[1].radio().log[asked..].to_vec();

        let asked = driver.front_end().log.len();
        driver.front_end().now = driver.front_end().now.max(ends + 300);
        let step = ready(driver.step(&mut station)).expect("a radio that answers");
        let told = [(heard, told), (step.heard, driver.front_end().log[asked..].to_vec())];
        for (payloads, (heard, told)) in payloads.iter_mut().zip(told) {
            if let Some(Heard::Payload(_)) = heard {
                *payloads += 1;
                assert!(!told.contains(&"tune"), "{told:?}");
            }
        }
    }
    assert!(payloads[0] > 150 && payloads[1] > 20, "{payloads:?}");
}

#[test]
fn two_drivers_bring_a_net_into_step_and_a_payload_across() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air), Set::new(Make::member(0x21), &air)];
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 4_100_000);
    assert!(sets[1].station.in_step(), "{:?}", sets[1].events);
    assert!(matches!(sets[1].events[..], [Event::InStep { .. }, ..]));
    sets[0].says = Some(b"water 41 cm and rising");
    sets[0].command(Command::Press(Target::ALL));
    run(&mut sets, 6_000_000);
    sets[0].command(Command::Release);
    run(&mut sets, 7_000_000);
    let [first, second] = &sets;
    let from = Address::new(0x10);
    let called = second.events.iter().filter(
        |event| matches!(event, Event::Call { source, target: Target::ALL, .. } if *source == from),
    );
    assert_eq!(called.count(), 1, "{:?}", second.events);
    assert!(second.texts.iter().any(|text| text == b"water 41 cm and rising"));
    assert!(matches!(second.events.last(), Some(Event::Clear { .. })));
    // Nothing got lost: once in step, every slot that was sent was heard, on the clean air.
    let sent = first.driver.tally().sent;
    assert_eq!(sent as usize, air.borrow().flights.len());
    let tally = second.driver.tally();
    assert_eq!(
        *tally,
        Tally { heard: tally.heard, ..Tally::default() },
        "nothing broken off, nothing slow"
    );
    // In step in slot 9: eight slots may have passed unheard before.
    assert!(tally.heard + 8 >= sent, "{tally:?} of {sent}");
    assert_eq!(second.station.counters().not_awaited, 0);
    // The radios took what they take: 200 to settle and 20 to listen; 100 to load besides.
    assert_eq!(second.driver.delays().settle, Micros::new(220));
    assert_eq!(first.driver.delays().turnaround, Micros::new(300));
    assert_eq!(second.driver.keeps_to_the_plan(), Ok(()));
}

/// A radio that settles in 341 us and listens in 20: one more than the 360 that 1000 leave beside a
/// lead of 640.
#[test]
fn a_radio_slower_than_the_plan_is_found_out_before_it_goes_on_the_air() {
    let air = Rc::new(RefCell::new(Air::default()));
    let qualify = |settle, load| {
        let radio = Radio { settle, load, ..Radio::new(&air) };
        let mut driver = Driver::new(radio, timing()).unwrap();
        let channels: Vec<Channel> =
            [3, 40, 90, 127].into_iter().filter_map(Channel::new).collect();
        let found = driver.qualify(&channels);
        let blocking = (found, driver.tally().slow, driver.front_end().log.len());
        let radio = Radio { settle, load, ..Radio::new(&air) };
        let mut driver = asynchronous::Driver::new(radio, timing()).unwrap();
        let found = ready(driver.qualify(&channels));
        let awaited = (found, driver.tally().slow, driver.front_end().log.len());
        assert_eq!(awaited, blocking);
        awaited
    };
    let delays =
        Delays { settle: Micros::new(360), turnaround: Micros::new(860), response: Micros::ZERO };
    // Two pairs, there and back: four channels come from, listened to, left and loaded for; and off.
    let calls = 4 * 5 + 1;
    assert_eq!(qualify(340, 520), (Ok(delays), 0, calls));
    let (measured, allowed) = (Micros::new(361), Micros::new(360));
    let slow = QualifyError::TooSlow(TooSlow::Settle { measured, allowed });
    assert_eq!(qualify(341, 0), (Err(slow), 4, calls));
    let (measured, allowed) = (Micros::new(861), Micros::new(860));
    let slow = QualifyError::TooSlow(TooSlow::Turnaround { measured, allowed });
    assert_eq!(qualify(340, 521), (Err(slow), 0, calls));
    assert!(air.borrow().flights.is_empty(), "nothing is sent meanwhile");
    // A lead as long as the settling time is refused at once.
    let narrow = Timing::new(20_000, 640, 500, 50_000).unwrap();
    let (lead, settle) = (Micros::new(LEAD), Micros::new(LEAD));
    let made = Driver::new(Radio::new(&air), narrow);
    assert_eq!(made.err(), Some(TooSlow::Lead { lead, settle }));
    let made = asynchronous::Driver::new(Radio::new(&air), narrow);
    assert_eq!(made.err(), Some(TooSlow::Lead { lead, settle }));
}

/// 3 to 127 is the longest jump, and one longer by a microsecond would be too long for a receiver.
#[test]
fn a_receiver_is_measured_over_the_longest_jump() {
    let air = Rc::new(RefCell::new(Air::default()));
    let channels: Vec<Channel> = [3, 40, 90, 127].into_iter().filter_map(Channel::new).collect();
    let qualify = |settle| {
        let radio = || Radio { settle, by_channel: 1, ..Radio::new(&air) };
        let found = Driver::new(radio(), timing()).unwrap().qualify(&channels);
        let mut driver = asynchronous::Driver::new(radio(), timing()).unwrap();
        assert_eq!(ready(driver.qualify(&channels)), found);
        assert_eq!(driver.keeps_to_the_plan().is_ok(), found.is_ok());
        found
    };
    // 216 and 124 to tune, 20 to listen; 100 to load.
    let (settle, turnaround) = (Micros::new(360), Micros::new(440));
    assert_eq!(qualify(216), Ok(Delays { settle, turnaround, response: Micros::ZERO }));
    let (measured, allowed) = (Micros::new(361), Micros::new(360));
    let slow = QualifyError::TooSlow(TooSlow::Settle { measured, allowed });
    assert_eq!(qualify(217), Err(slow));
}

#[test]
fn a_transmitter_that_is_not_ready_in_time_stays_silent() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air)];
    sets[0].radio().load = 700;
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 550_000);
    // 200 + 700 + 640 is later than the 1500 at which the word starts.
    let tally = *sets[0].driver.tally();
    assert_eq!((tally.sent, tally.missed), (0, 25), "{tally:?}");
    assert!(air.borrow().flights.is_empty());
    let (measured, allowed) = (Micros::new(900), Micros::new(860));
    let slow = TooSlow::Turnaround { measured, allowed };
    assert_eq!(sets[0].driver.keeps_to_the_plan(), Err(slow));

    ready(async {
        let (mut station, mut driver) = awaited_announce(700);
        let _ = driver.step(&mut station).await.unwrap();
        assert_eq!((driver.tally().sent, driver.tally().missed), (0, 1));
        assert!(matches!(driver.front_end().doing, Doing::Off), "{:?}", driver.front_end().doing);
        assert!(driver.front_end().air.borrow().flights.is_empty());
    });
}

/// A second of an announce with such a radio: what the driver has counted, and what was on the air.
fn an_announce(radio: impl Fn(&mut Radio)) -> (Tally, usize) {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air)];
    radio(sets[0].radio());
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 1_050_000);
    let flights = air.borrow().flights.len();
    (*sets[0].driver.tally(), flights)
}

/// One slot of the driver for executors with such a radio: it is sent, or missed and the radio switched off.
fn an_awaited_slot(radio: impl Fn(&mut Radio), in_time: bool) {
    ready(async {
        let (mut station, mut driver) = awaited_announce(100);
        radio(driver.front_end());
        let _ = driver.step(&mut station).await.unwrap();
        let all = (driver.tally().sent, driver.tally().missed);
        let radio = driver.front_end();
        assert_eq!(all, (u32::from(in_time), u32::from(!in_time)), "{radio:?}");
        assert_eq!(matches!(radio.doing, Doing::Off), !in_time, "{:?}", radio.doing);
    });
}

/// An interrupt or another task comes in the middle of the wait for the start. What is later than its
/// share of the plan's jitter, half of 20 us, would put the receivers' clocks off.
#[test]
fn what_would_start_late_is_not_sent() {
    for (oversleeps, in_time) in [(10, true), (11, false), (400, false), (30_000, false)] {
        let late = |radio: &mut Radio| radio.oversleeps = oversleeps;
        let (tally, flights) = an_announce(late);
        assert_eq!(flights, tally.sent as usize);
        let all = (tally.sent, tally.missed);
        match in_time {
            true => assert_eq!(all, (50, 0)),
            false => assert!(tally.sent == 0 && tally.missed >= 20, "{oversleeps}: {tally:?}"),
        }

        an_awaited_slot(late, in_time);
    }
}

/// Something comes in between the last look at the clock and the start itself: what began later than half of the jitter
/// is ended at once, and counts as missed. Of the lead only that part helps which is for the order: ramp and preamble
/// come behind it.
#[test]
fn what_has_started_late_is_ended() {
    let cases = [(0, 10, true), (0, 11, false), (0, LEAD, false), (0, 9_000, false)];
    for (within, starts, in_time) in [&cases[..], &[(30, 40, true), (30, 41, false)]].concat() {
        let late = |radio: &mut Radio| (radio.starts, radio.starts_within) = (starts, within);
        let (tally, _) = an_announce(late);
        let all = (tally.sent > 40, tally.missed > 20);
        assert_eq!(all, (in_time, !in_time), "{starts}: {tally:?}");
        assert!(in_time || tally.sent == 0, "{starts}: {tally:?}");

        an_awaited_slot(late, in_time);
    }
}

#[test]
fn a_slow_receiver_is_counted_slot_by_slot() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air), Set::new(Make::member(0x21), &air)];
    sets[1].radio().settle = 500;
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 2_000_000);
    let tally = sets[1].driver.tally();
    assert!(tally.slow > 50, "{tally:?}");
    let (measured, allowed) = (Micros::new(520), Micros::new(360));
    let slow = TooSlow::Settle { measured, allowed };
    assert_eq!(sets[1].driver.keeps_to_the_plan(), Err(slow));
}

#[test]
fn a_loop_that_comes_late_knows_by_how_much() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air)];
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 205_000);
    // Asking again changes nothing, and tells when it is due.
    let until = sets[0].station.poll(Tick::new(205_000)).until;
    assert_eq!(until, Tick::new(210_000));
    sets[0].step(213_210);
    assert_eq!(sets[0].driver.delays().response, Micros::new(3_210));
}

/// Every channel is disturbed: a station without time moves on after two slots' reports, not after
/// the longest gap of the plan, 3.04 s.
#[test]
fn power_without_a_word_is_told_once_a_slot() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::member(0x21), &air)];
    let all = (0..128).filter_map(Channel::new);
    air.borrow_mut().disturbed.extend(all);
    run(&mut sets, 400_000);
    let tunes = sets[0].radio().log.iter().filter(|what| **what == "tune").count();
    // 400 ms are 9.9 times two slots' time and the 220 us to get there; the last stay has begun.
    assert_eq!(tunes, 10);
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::member(0x21), &air)];
    run(&mut sets, 400_000);
    let tunes = sets[0].radio().log.iter().filter(|what| **what == "tune").count();
    assert_eq!(tunes, 1, "and a quiet channel is not left");
}

#[test]
fn a_radio_that_failed_is_told_anew() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut set = Set::new(Make::member(0x21), &air);
    set.radio().fails = 2;
    assert_eq!(set.driver.step(&mut set.station), Err(Dead));
    assert_eq!(set.driver.step(&mut set.station), Err(Dead));
    assert!(set.driver.step(&mut set.station).is_ok());
    assert_eq!(set.radio().log, ["tune", "listen"]);
    // Again and again changes nothing: it listens already.
    assert!(set.driver.step(&mut set.station).is_ok());
    assert_eq!(set.radio().log, ["tune", "listen"]);

    let (mut station, mut driver) = asynchronously(&air);
    driver.front_end().fails = 1;
    ready(async {
        assert_eq!(driver.step(&mut station).await, Err(Dead));
        let _ = driver.step(&mut station).await.unwrap();
        assert_eq!(driver.front_end().log, ["tune", "listen"]);
    });
}

#[test]
fn a_radio_that_failed_when_it_was_measured_is_told_anew() {
    let channels: Vec<Channel> = [3, 40].into_iter().filter_map(Channel::new).collect();
    let air = Rc::new(RefCell::new(Air::default()));
    let mut set = Set::new(Make::member(0x21), &air);
    set.step(0);
    set.radio().fails = 1;
    assert_eq!(set.driver.qualify(&channels), Err(QualifyError::Radio(Dead)));
    set.step(0);
    assert_eq!(set.radio().log, ["tune", "listen", "tune", "listen"]);
    let (mut station, mut driver) = asynchronously(&air);
    ready(async {
        let _ = driver.step(&mut station).await.unwrap();
        driver.front_end().fails = 1;
        assert_eq!(driver.qualify(&channels).await, Err(QualifyError::Radio(Dead)));
        let _ = driver.step(&mut station).await.unwrap();
        assert_eq!(driver.front_end().log, ["tune", "listen", "tune", "listen"]);
    });
}

#[test]
fn a_radio_that_could_not_be_looked_at_is_told_anew() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut set = Set::new(Make::member(0x21), &air);
    set.step(0);
    set.radio().looks_fail = 1;
    assert_eq!(set.driver.step(&mut set.station), Err(Dead));
    set.step(0);
    assert_eq!(set.radio().log, ["tune", "listen", "tune", "listen"]);
    let (mut station, mut driver) = asynchronously(&air);
    ready(async {
        let _ = driver.step(&mut station).await.unwrap();
        driver.front_end().looks_fail = 1;
        assert_eq!(driver.step(&mut station).await, Err(Dead));
        let _ = driver.step(&mut station).await.unwrap();
        assert_eq!(driver.front_end().log, ["tune", "listen", "tune", "listen"]);
    });
}

#[test]
fn a_transmission_that_could_not_be_looked_at_goes_on() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air)];
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 55_000);
    let [set] = &mut sets;
    set.radio().log.clear();
    set.radio().looks_fail = 2;
    assert_eq!(set.driver.step(&mut set.station), Err(Dead));
    assert_eq!(set.driver.step(&mut set.station), Err(Dead));
    set.step(56_000);
    assert!(set.radio().log.is_empty(), "{:?}", set.radio().log);
    assert!(matches!(set.radio().doing, Doing::Sending { .. }), "{:?}", set.radio().doing);
    // Until its header of 33 bytes is sent: 50 000 + 1 500 + 640 + 33 * 160.
    assert_eq!(set.wake, 57_420);

    ready(async {
        let (mut station, mut driver) = awaited_announce(100);
        let _ = driver.step(&mut station).await.unwrap();
        driver.front_end().log.clear();
        driver.front_end().looks_fail = 1;
        assert_eq!(driver.step(&mut station).await, Err(Dead));
        let _ = driver.step(&mut station).await.unwrap();
        assert!(driver.front_end().log.is_empty());
        assert!(matches!(driver.front_end().doing, Doing::Sending { .. }));
    });
}

/// A timekeeper that announces from 50 000 on, with a driver for executors.
fn awaited_announce(load: u64) -> (Station<128>, asynchronous::Driver<Radio>) {
    let air = Rc::new(RefCell::new(Air::default()));
    let radio = Radio { now: 50_000, load, ..Radio::new(&air) };
    let mut station = Make::timekeeper(0x10).station(&key(1));
    station.command(Tick::new(50_000), Command::Announce).unwrap();
    (station, asynchronous::Driver::new(radio, timing()).unwrap())
}

/// The power is measured when a reception is looked after, and every measurement fails.
#[test]
fn what_was_heard_before_an_error_is_told_in_the_next_step() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air), Set::new(Make::member(0x21), &air)];
    sets[1].failures = Some(0);
    sets[1].radio().levels_fail = u32::MAX;
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 4_100_000);
    sets[0].says = Some(b"water 41 cm and rising");
    sets[0].command(Command::Press(Target::ALL));
    run(&mut sets, 6_000_000);
    let member = &sets[1];
    assert!(member.failures > Some(200), "{:?}", member.failures);
    assert!(member.texts.iter().any(|text| text == b"water 41 cm and rising"));
    assert_eq!(member.heard.len(), member.driver.tally().heard as usize);

    let mut station = Make::member(0x21).station(&key(1));
    let radio = Radio { levels_fail: u32::MAX, ..Radio::new(&air) };
    let mut driver = asynchronous::Driver::new(radio, timing()).unwrap();
    let mut heard = Vec::new();
    ready(async {
        for _ in 0..10_000 {
            let Ok(step) = driver.step(&mut station).await else { continue };
            heard.extend(step.heard);
            driver.idle(step.wake).await;
            if step.wake >= Tick::new(4_100_000) {
                break;
            }
        }
    });
    assert!(station.in_step());
    assert!(heard.len() > 100);
    assert_eq!(heard, member.heard[..heard.len()]);
}

/// Runs a future that never waits.
fn ready<T>(future: impl Future<Output = T>) -> T {
    match pin!(future).poll(&mut Context::from_waker(Waker::noop())) {
        Poll::Ready(done) => done,
        Poll::Pending => panic!("it waits"),
    }
}

/// A member hears a recorded announce through either driver, and does the same.
#[test]
fn executors_drive_as_loops_do() {
    let air = Rc::new(RefCell::new(Air::default()));
    let mut sets = [Set::new(Make::timekeeper(0x10), &air)];
    run(&mut sets, 50_000);
    sets[0].command(Command::Announce);
    run(&mut sets, 4_100_000);
    let mut looped = [Set::new(Make::member(0x21), &air)];
    run(&mut looped, 4_100_000);

    let (mut station, mut driver) = asynchronously(&air);
    let mut heard = Vec::new();
    ready(async {
        loop {
            let step = driver.step(&mut station).await.unwrap();
            heard.extend(step.heard);
            driver.idle(step.wake).await;
            if step.wake >= Tick::new(4_100_000) {
                break;
            }
        }
    });
    assert!(station.in_step());
    assert_eq!(heard.len(), looped[0].heard.len());
    assert_eq!(heard, looped[0].heard);
    assert_eq!(*driver.delays(), *looped[0].driver.delays());
    assert_eq!(driver.keeps_to_the_plan(), Ok(()));
}
