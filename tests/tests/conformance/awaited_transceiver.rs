//! The driver of a packet transceiver over `embedded-hal-async`, with a line whose edge is waited for.
//!
//! Line, waits and clock are by hand, so that the line can rise or fail while something else is waited
//! for. The bytes on the bus are those of the blocking transceiver's tests, worked out there.

use super::transceiver::{
    AWAITED, CAPTURED, RECEIVE, STANDBY, SYNTHESISER, TRANSMIT, channel, enter,
    header_on_a_traffic_channel, long_transmission, raster, read, timing, under_way, word_alone,
    write,
};
use embedded_hal::digital::{ErrorKind, ErrorType, InputPin, OutputPin};
use embedded_hal::spi::{self, Operation};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;
use embedded_hal_async::spi::SpiDevice;
use embedded_hal_mock::eh1::spi::{Mock as BusMock, Transaction};
use hopwright_core::front_end::asynchronous::{AwaitStamps, Driver, Edge, FrontEnd, Transceiver};
use hopwright_core::front_end::{Board, Part, Progress, RadioError, Stamps};
use hopwright_core::station::Command;
use hopwright_core::units::{Dbm, Micros, Tick};
use hopwright_tests::plans::{Make, key};
use hopwright_tests::radio::PART;
use std::cell::{Cell, RefCell};
use std::convert::Infallible;
use std::future::{Future, poll_fn};
use std::pin::pin;
use std::task::{Context, Poll, Waker};

/// What the parts of a board share.
#[derive(Default)]
struct World {
    now: Cell<u64>,
    /// When the line goes high; it stays so.
    rises: Cell<Option<u64>>,
    /// The line can be looked at, but not waited for.
    deaf: Cell<bool>,
    /// The line cannot be looked at.
    blind: Cell<bool>,
    amplifier: Cell<bool>,
    /// What delays were asked for, us.
    delays: RefCell<Vec<u64>>,
    /// When what is waited for comes.
    alarms: RefCell<Vec<u64>>,
    /// What was written to a [`Chip`].
    written: RefCell<Vec<Vec<u8>>>,
    /// A [`Chip`] never ends this write, once.
    stalls: RefCell<Option<Vec<u8>>>,
    /// Somebody else has the bus so long before this write, us, once.
    taken: RefCell<Option<(Vec<u8>, u64)>>,
}

impl World {
    fn new() -> Self {
        Self::default()
    }

    fn clock(&self) -> impl Fn() -> Tick {
        || Tick::new(self.now.get())
    }

    async fn until(&self, at: u64) {
        poll_fn(|_| match self.now.get() >= at {
            true => Poll::Ready(()),
            false => {
                self.alarms.borrow_mut().push(at);
                Poll::Pending
            }
        })
        .await;
    }

    /// Runs a future; time passes only while it waits, from one thing that it waits for to the next.
    fn run<T>(&self, future: impl Future<Output = T>) -> T {
        let mut future = pin!(future);
        loop {
            self.alarms.borrow_mut().clear();
            if let Poll::Ready(done) = future.as_mut().poll(&mut Context::from_waker(Waker::noop()))
            {
                return done;
            }
            let next = self.alarms.borrow().iter().min().copied();
            self.now.set(next.expect("something that wakes it"));
        }
    }

    /// Begins a future and drops it where it waits first; whether it did.
    fn drop_where_it_waits<T>(&self, future: impl Future<Output = T>) -> bool {
        pin!(future).poll(&mut Context::from_waker(Waker::noop())).is_pending()
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Broken {
    Deaf,
    Blind,
}

impl embedded_hal::digital::Error for Broken {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

/// The line that signals a word.
struct Line<'a>(&'a World);

impl ErrorType for Line<'_> {
    type Error = Broken;
}

impl InputPin for Line<'_> {
    fn is_high(&mut self) -> Result<bool, Broken> {
        if self.0.blind.get() {
            return Err(Broken::Blind);
        }
        Ok(self.0.rises.get().is_some_and(|rises| rises <= self.0.now.get()))
    }

    fn is_low(&mut self) -> Result<bool, Broken> {
        self.is_high().map(|high| !high)
    }
}

impl Wait for Line<'_> {
    async fn wait_for_high(&mut self) -> Result<(), Broken> {
        if self.0.deaf.get() {
            return Err(Broken::Deaf);
        }
        match self.0.rises.get() {
            Some(rises) => self.0.until(rises).await,
            None => std::future::pending().await,
        }
        Ok(())
    }

    async fn wait_for_low(&mut self) -> Result<(), Broken> {
        unreachable!("nobody asks for that")
    }

    async fn wait_for_rising_edge(&mut self) -> Result<(), Broken> {
        unreachable!("nobody asks for that")
    }

    async fn wait_for_falling_edge(&mut self) -> Result<(), Broken> {
        unreachable!("nobody asks for that")
    }

    async fn wait_for_any_edge(&mut self) -> Result<(), Broken> {
        unreachable!("nobody asks for that")
    }
}

struct Waits<'a>(&'a World);

impl DelayNs for Waits<'_> {
    async fn delay_ns(&mut self, ns: u32) {
        let us = u64::from(ns) / 1_000;
        self.0.delays.borrow_mut().push(us);
        self.0.until(self.0.now.get() + us).await;
    }
}

struct Amplifier<'a>(&'a World);

impl ErrorType for Amplifier<'_> {
    type Error = Infallible;
}

impl OutputPin for Amplifier<'_> {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.amplifier.set(false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.amplifier.set(true);
        Ok(())
    }
}

/// A part that has settled, and is in every mode, at once.
struct Chip<'a>(&'a World);

impl spi::ErrorType for Chip<'_> {
    type Error = Infallible;
}

impl SpiDevice for Chip<'_> {
    async fn transaction(
        &mut self,
        operations: &mut [Operation<'_, u8>],
    ) -> Result<(), Infallible> {
        let mut written = Vec::new();
        let mut only_written = true;
        for operation in operations {
            match operation {
                Operation::Write(bytes) => written.extend_from_slice(bytes),
                Operation::Read(bytes) => {
                    only_written = false;
                    bytes.fill(if written == [0x50] { 0x03 } else { 0 });
                }
                Operation::Transfer(..) | Operation::TransferInPlace(_) | Operation::DelayNs(_) => {
                    unreachable!("nobody asks for that")
                }
            }
        }
        if only_written {
            let taken = self.0.taken.borrow_mut().take_if(|(before, _)| *before == written);
            if let Some((_, us)) = taken {
                self.0.until(self.0.now.get() + us).await;
            }
            if self.0.stalls.borrow_mut().take_if(|stalls| *stalls == written).is_some() {
                std::future::pending::<()>().await;
            }
            self.0.written.borrow_mut().push(written);
        }
        Ok(())
    }
}

type Parts<'a, S, C> = Transceiver<'a, S, Amplifier<'a>, Waits<'a>, C, Edge<Line<'a>, C>>;

fn transceiver<'a, S: SpiDevice>(
    world: &'a World,
    spi: S,
) -> Parts<'a, S, impl Fn() -> Tick + use<'a, S>> {
    transceiver_of(&PART, world, spi)
}

fn transceiver_of<'a, S: SpiDevice>(
    part: &'a Part,
    world: &'a World,
    spi: S,
) -> Parts<'a, S, impl Fn() -> Tick + use<'a, S>> {
    let stamps = Edge::new(Line(world), world.clock());
    let (amplifier, delay, clock) = (Amplifier(world), Waits(world), world.clock());
    let board = Board { spi, amplifier, delay, clock, stamps };
    Transceiver::new(part, raster(), &timing(), board).unwrap()
}

fn mock(bus: &[Vec<Transaction<u8>>]) -> BusMock<u8> {
    BusMock::new(&bus.concat())
}

#[test]
fn what_does_not_change_is_written_once() {
    // 640 is 0x0280.
    let mut bus = mock(&[
        write(&[0x90, STANDBY]),
        write(&[0xE0, 0xAA]),
        write(&[0xE1, 7]),
        write(&[0xA4, 2, 0x80]),
    ]);
    let world = World::new();
    world.amplifier.set(true);
    let mut radio = transceiver(&world, bus.clone());
    world.run(radio.start(&[(0x60, 0xAA), (0x61, 7)])).unwrap();
    assert!(!world.amplifier.get());
    assert_eq!(radio.lead(), Micros::new(700));
    bus.done();
}

#[test]
fn a_channel_is_reached_when_the_synthesiser_has_settled() {
    // Channel 5 is 903.3 MHz: 14 799 667.2, 0xE1D333. The flag comes at the third look.
    let mut bus = vec![enter(STANDBY), write(&[0xA0, 0xE1, 0xD3, 0x33]), enter(SYNTHESISER)];
    bus.extend([read(0x50, &[0x01]), read(0x50, &[0x01]), read(0x50, &[0x03])]);
    let (mut bus, world) = (mock(&bus), World::new());
    let mut radio = transceiver(&world, bus.clone());
    world.run(radio.tune(channel(5))).unwrap();
    assert_eq!(*world.delays.borrow(), [10, 10]);
    let off = channel(128);
    assert_eq!(world.run(radio.tune(off)), Err(RadioError::OffRaster(off)), "nothing was written");
    bus.done();
}

#[test]
fn a_synthesiser_that_never_settles_and_a_mode_that_never_comes_are_errors() {
    let mut bus = vec![enter(STANDBY), write(&[0xA0, 0xE1, 0xD3, 0x33]), enter(SYNTHESISER)];
    bus.extend(vec![read(0x50, &[0x01]); 200]);
    bus.push(write(&[0x90, STANDBY]));
    bus.extend(vec![read(0x50, &[0x02]); 200]);
    let (mut bus, world) = (mock(&bus), World::new());
    let mut radio = transceiver(&world, bus.clone());
    assert_eq!(world.run(radio.tune(channel(5))), Err(RadioError::NotSettled));
    assert_eq!(world.now.get(), 2_000);
    assert_eq!(world.run(radio.off()), Err(RadioError::NotReady));
    assert_eq!(*world.delays.borrow(), [10; 400]);
    bus.done();
}

#[test]
fn levels_are_half_decibels_below_the_offset() {
    // -10 - 171 / 2 = -95.5, rounded towards the stronger.
    let (mut bus, world) = (mock(&[read(0x40, &[171])]), World::new());
    let mut radio = transceiver(&world, bus.clone());
    assert_eq!(world.run(radio.level()), Ok(Dbm::new(-95)));
    bus.done();
}

#[test]
fn more_bits_than_the_length_holds_are_refused() {
    let (mut bus, world) = (mock(&[]), World::new());
    let mut radio = transceiver(&world, bus.clone());
    assert_eq!(world.run(radio.load(1, &[0; 256])), Err(RadioError::TooLong(256)));
    world.run(radio.send(Tick::ZERO)).unwrap();
    assert!(!world.amplifier.get());
    bus.done();
}

#[test]
fn a_word_alone_leaves_the_memory_alone() {
    let (mut bus, world) = (mock(&word_alone()), World::new());
    let mut radio = transceiver(&world, bus.clone());
    world.run(radio.load(0xDEAD_BEEF, &[])).unwrap();
    bus.done();
}

/// The looks come when they are due: `idle` waits for that, and for no line.
#[test]
fn a_long_transmission_is_written_as_the_memory_empties() {
    let (bus, payload) = long_transmission();
    let (mut bus, world) = (mock(&bus), World::new());
    world.now.set(10_000);
    let mut radio = transceiver(&world, bus.clone());
    let mut bits = [0; 512];
    world.run(async {
        radio.tune(channel(0)).await.unwrap();
        radio.load(0xDEAD_BEEF, &payload).await.unwrap();
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Idle), "nothing is on the air");
        radio.wait(Tick::new(10_800)).await;
        assert_eq!(world.now.get(), 10_800);
        assert!(!world.amplifier.get());
        radio.send(Tick::new(11_500)).await.unwrap();
        radio.send(Tick::new(11_500)).await.unwrap();
        assert!(world.amplifier.get());
        world.rises.set(Some(0));
        // Half of the threshold is 15 bytes of 160 us; the last bit is due at
        // 11 500 + 640 + 108 * 160, and looked for byte by byte after that.
        for (now, look) in [
            (11_000, 13_400),
            (16_000, 18_400),
            (21_000, 23_400),
            (29_000, 29_420),
            (29_420, 29_580),
        ] {
            radio.idle(Tick::new(now)).await;
            assert_eq!(world.now.get(), now);
            assert_eq!(radio.attend(&mut bits).await, Ok(under_way(look)));
        }
        radio.idle(Tick::new(29_580)).await;
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Idle), "and silent by itself");
    });
    assert!(!world.amplifier.get());
    assert_eq!(*world.delays.borrow(), [800, 200, 5_000, 5_000, 8_000, 420, 160]);
    bus.done();
}

/// The line rises 15 us after a word that began 640 us before, and the loop comes 330 us late.
#[test]
fn a_reception_is_stamped_by_the_edge_however_late_the_loop() {
    let (bus, header) = header_on_a_traffic_channel();
    let (mut bus, world) = (mock(&bus), World::new());
    let mut radio = transceiver(&world, bus.clone());
    let mut bits = [0; 512];
    world.run(async {
        radio.tune(channel(5)).await.unwrap();
        radio.listen(AWAITED).await.unwrap();
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Idle), "no signal, no access");
        world.rises.set(Some(5_670));
        radio.idle(Tick::new(20_000)).await;
        assert_eq!(world.now.get(), 5_670, "the signal ends the wait");
        world.now.set(6_000);
        assert_eq!(radio.attend(&mut bits).await, Ok(under_way(8_400)));
        // The line is still high, and ends no wait for bits.
        for (now, look) in [(8_400, 10_800), (10_800, 10_935)] {
            radio.idle(Tick::new(now)).await;
            assert_eq!(world.now.get(), now);
            assert_eq!(radio.attend(&mut bits).await, Ok(under_way(look)));
        }
        radio.idle(Tick::new(10_935)).await;
        world.rises.set(None);
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Whole(CAPTURED)));
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Idle), "it listens again");
    });
    assert_eq!(bits[..33], header);
    bus.done();
}

/// A radio that listens on channel 5, at 0.
fn listening(world: &World) -> Parts<'_, Chip<'_>, impl Fn() -> Tick> {
    let mut radio = transceiver(world, Chip(world));
    world.run(radio.tune(channel(5))).unwrap();
    world.run(radio.listen(AWAITED)).unwrap();
    assert_eq!(world.now.get(), 0);
    radio
}

#[test]
fn a_wait_ends_with_the_timer_or_the_line_whichever_is_first() {
    let world = World::new();
    let mut radio = listening(&world);
    let mut idle = |until| {
        world.run(radio.idle(Tick::new(until)));
        world.now.get()
    };
    assert_eq!(idle(3_000), 3_000, "no line");
    world.rises.set(Some(9_000));
    assert_eq!(idle(8_000), 8_000, "the timer");
    assert_eq!(idle(7_000), 8_000, "a time that has passed");
    assert_eq!(world.run(radio.attend(&mut [0; 512])), Ok(Progress::Idle), "no word yet");
    // The wait for the line was dropped, and nothing is lost by it.
    let mut idle = |until| {
        world.run(radio.idle(Tick::new(until)));
        world.now.get()
    };
    assert_eq!(idle(10_000), 9_000, "the line");
    assert_eq!(idle(10_000), 9_000, "and at once, as long as nobody has looked");
    assert_eq!(world.run(radio.attend(&mut [0; 512])), Ok(under_way(11_400)));
}

/// Both at once: the stamp is there.
#[test]
fn a_line_that_rises_with_the_timer_is_stamped() {
    let world = World::new();
    let mut radio = listening(&world);
    world.rises.set(Some(9_000));
    world.run(radio.idle(Tick::new(9_000)));
    world.now.set(9_100);
    // It has fallen since: only who has waited knows.
    world.rises.set(None);
    assert_eq!(world.run(radio.attend(&mut [0; 512])), Ok(under_way(11_500)));
}

#[test]
fn a_wait_that_was_dropped_loses_no_word() {
    let world = World::new();
    let mut radio = listening(&world);
    world.rises.set(Some(9_000));
    assert!(world.drop_where_it_waits(radio.idle(Tick::new(20_000))));
    world.run(radio.idle(Tick::new(20_000)));
    assert_eq!(world.now.get(), 9_000);
    assert_eq!(world.run(radio.attend(&mut [0; 512])), Ok(under_way(11_400)));
}

#[test]
fn an_edge_is_stamped_once() {
    let world = World::new();
    let mut edge = Edge::new(Line(&world), world.clock());
    assert_eq!(edge.stamp(), Ok(None));
    world.rises.set(Some(500));
    world.run(edge.signalled());
    world.now.set(700);
    world.run(edge.signalled());
    assert_eq!(edge.stamp(), Ok(Some(Tick::new(500))), "when it rose, not when it is asked");
    world.rises.set(None);
    assert_eq!(edge.stamp(), Ok(None));
    // Nobody has waited: as late as the look.
    world.rises.set(Some(800));
    world.now.set(900);
    assert_eq!(edge.stamp(), Ok(Some(Tick::new(900))));
    // What has not been asked for is forgotten.
    world.run(edge.signalled());
    world.rises.set(None);
    edge.clear();
    assert_eq!(edge.stamp(), Ok(None));
}

/// 64 bytes are there 10 240 us behind the word's end, the 65th is lost 160 us later, and another 160 are allowed for
/// the stamp. Whatever the flags say then, the receiver is set up anew.
#[test]
fn a_reception_that_ran_over_is_none_and_the_receiver_listens_again() {
    let (ends, bytes) = (640, |bytes: u64| bytes * 160);
    for (now, over) in [(ends + bytes(66), false), (ends + bytes(66) + 1, true)] {
        let world = World::new();
        let mut radio = listening(&world);
        world.rises.set(Some(ends + 15));
        world.run(radio.idle(Tick::new(8_000)));
        world.rises.set(None);
        world.now.set(now);
        world.written.borrow_mut().clear();
        let looked = world.run(radio.attend(&mut [0; 512]));
        let Ok(Progress::UnderWay { look }) = looked else { panic!("{looked:?}") };
        assert_eq!(look == Tick::new(now), over);
        let again = world.run(radio.attend(&mut [0; 512]));
        assert_eq!(again == Ok(Progress::Idle), over);
        let written = world.written.borrow();
        assert_eq!(written.last() == Some(&vec![0x90, RECEIVE]), over, "{written:?}");
    }
}

#[test]
fn a_line_that_cannot_be_waited_for_is_told_once() {
    let world = World::new();
    let mut edge = Edge::new(Line(&world), world.clock());
    world.deaf.set(true);
    world.run(edge.signalled());
    // Between the wait and the question a receiver may be set up.
    edge.clear();
    assert_eq!(edge.stamp(), Err(Broken::Deaf));
    assert_eq!(edge.stamp(), Ok(None));
    world.blind.set(true);
    assert_eq!(edge.stamp(), Err(Broken::Blind));
}

#[test]
fn a_wait_that_failed_is_told_in_the_next_look() {
    let world = World::new();
    let mut radio = listening(&world);
    world.deaf.set(true);
    world.run(radio.idle(Tick::new(8_000)));
    assert_eq!(world.now.get(), 0, "at once");
    let told = world.run(radio.attend(&mut [0; 512]));
    assert_eq!(told, Err(RadioError::Stamps(Broken::Deaf)));
    assert_eq!(world.run(radio.attend(&mut [0; 512])), Ok(Progress::Idle));
}

/// A loop that went on without being told would not sleep any more.
#[test]
fn a_wait_that_failed_is_an_error_of_the_next_step() {
    let world = World::new();
    let mut station = Make::member(0x21).station(&key(1));
    let mut driver = Driver::new(transceiver(&world, Chip(&world)), timing()).unwrap();
    let told = || world.written.borrow().iter().filter(|bytes| **bytes == [0x90, RECEIVE]).count();
    world.deaf.set(true);
    for round in 1..=3 {
        let step = world.run(driver.step(&mut station)).unwrap();
        assert_eq!(told(), round);
        world.run(driver.idle(step.wake));
        assert_eq!(world.now.get(), 0);
        let failed = world.run(driver.step(&mut station));
        assert_eq!(failed, Err(RadioError::Stamps(Broken::Deaf)));
    }
    // When it works again, so does the loop.
    world.deaf.set(false);
    let step = world.run(driver.step(&mut station)).unwrap();
    assert_eq!(told(), 4);
    world.run(driver.idle(step.wake));
    assert_eq!(Tick::new(world.now.get()), step.wake);
    assert!(step.wake > Tick::ZERO);
    let _ = world.run(driver.step(&mut station)).unwrap();
    assert_eq!(told(), 4, "it listens already");
}

/// Whether the transmission has begun is not known then. It is not begun again, and the next slot ends it.
#[test]
fn a_start_that_was_dropped_is_not_repeated() {
    let world = World::new();
    let mut radio = transceiver(&world, Chip(&world));
    let start = [0x80 | PART.registers.mode, TRANSMIT];
    world.run(radio.tune(channel(0))).unwrap();
    world.run(radio.load(1, &[7; 4])).unwrap();
    *world.stalls.borrow_mut() = Some(start.to_vec());
    assert!(world.drop_where_it_waits(radio.send(Tick::new(1_500))));
    assert!(world.amplifier.get());
    world.written.borrow_mut().clear();
    world.run(radio.send(Tick::new(1_500))).unwrap();
    assert!(world.written.borrow().is_empty());
    world.run(radio.tune(channel(0))).unwrap();
    assert!(!world.amplifier.get());
    // 902.3 MHz: 0xE19333.
    let tuned: [&[u8]; 3] = [&[0x90, STANDBY], &[0xA0, 0xE1, 0x93, 0x33], &[0x90, SYNTHESISER]];
    assert_eq!(*world.written.borrow(), tuned);
    assert_eq!(world.run(radio.attend(&mut [0; 512])), Ok(Progress::Idle));
}

/// Somebody else has the bus just when a transmission is to begin. What the part says of its order accounts for some
/// of that, and half of the plan's jitter is 10 us; the ramp of 60 us does not, it comes behind the order.
#[test]
fn a_start_that_comes_late_is_switched_off_and_not_counted_as_sent() {
    let cases = [(0, 10, 1), (0, 11, 0), (0, 70, 0), (25, 35, 1), (25, 36, 0), (25, 2_000, 0)];
    for (order, taken, first) in cases {
        let part = Part { order: Micros::new(order), ..PART };
        let world = World::new();
        let mut station = Make::timekeeper(0x10).station(&key(1));
        let radio = transceiver_of(&part, &world, Chip(&world));
        let mut driver = Driver::new(radio, timing()).unwrap();
        station.command(Tick::ZERO, Command::Announce).unwrap();
        *world.taken.borrow_mut() = Some((vec![0x90, TRANSMIT], taken));
        let mut step = world.run(driver.step(&mut station)).unwrap();
        assert!(world.taken.borrow().is_none(), "it began");
        assert_eq!((driver.tally().sent, driver.tally().missed), (first, 1 - first), "{taken}");
        assert_eq!(world.amplifier.get(), first == 1, "{taken}");
        let last = world.written.borrow().last().cloned();
        let order = if first == 1 { TRANSMIT } else { STANDBY };
        assert_eq!(last, Some(vec![0x90, order]), "{taken}");
        // The next slot is sent.
        while step.wake < Tick::new(30_000) {
            world.run(driver.idle(step.wake));
            step = world.run(driver.step(&mut station)).unwrap();
        }
        assert_eq!((driver.tally().sent, driver.tally().missed), (first + 1, 1 - first), "{taken}");
    }
}

/// A look is dropped while it writes. How many bytes the memory has got then nobody knows: they are not written
/// again, and what would come out of it is not sent.
#[test]
fn what_was_being_written_when_a_look_was_dropped_is_not_written_again() {
    let world = World::new();
    let mut radio = transceiver(&world, Chip(&world));
    let payload: Vec<u8> = (0..108).collect();
    world.run(radio.tune(channel(0))).unwrap();
    world.run(radio.load(1, &payload)).unwrap();
    world.run(radio.send(Tick::new(1_500))).unwrap();
    // 64 are there. The memory has fallen to the threshold of 31: the next 33.
    *world.stalls.borrow_mut() = Some([&[0xFF], &payload[64..97]].concat());
    assert!(world.drop_where_it_waits(radio.attend(&mut [0; 512])));
    assert!(world.stalls.borrow().is_none() && world.amplifier.get());
    world.written.borrow_mut().clear();
    assert_eq!(world.run(radio.attend(&mut [0; 512])), Ok(Progress::Idle));
    assert_eq!(*world.written.borrow(), [[0x90, STANDBY]]);
    assert!(!world.amplifier.get());
    // And so it is if that is dropped while it is loaded: nothing is sent.
    *world.stalls.borrow_mut() = Some([&[0xFF], &payload[..64]].concat());
    assert!(world.drop_where_it_waits(radio.load(1, &payload)));
    world.run(radio.send(Tick::new(1_500))).unwrap();
    assert!(!world.amplifier.get());
    world.run(radio.load(1, &payload)).unwrap();
    world.run(radio.send(Tick::new(1_500))).unwrap();
    assert!(world.amplifier.get());
}
