//! The driver of a packet transceiver over `embedded-hal`: what it writes to the bus, byte by byte.
//!
//! The part is nobody's: its addresses are made up. The arithmetic is that of public data sheets of
//! such parts (common practice, no source), worked out by hand beside each value:
//! frequency word = round(f * 2^n / f_crystal), divider = round(f_crystal / bit rate).

use embedded_hal_mock::eh1::delay::{CheckedDelay as DelayMock, Transaction as Delay};
use embedded_hal_mock::eh1::digital::{Mock as PinMock, State, Transaction as Pin};
use embedded_hal_mock::eh1::spi::{Mock as BusMock, Transaction};
use hopwright_core::band::Raster;
use hopwright_core::front_end::{
    Awaited, Board, Captured, FrontEnd, NoPin, Part, PartError, Polled, Progress, RadioError,
    Registers, Stamps, Transceiver, asynchronous,
};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Dbm, Hertz, Micros, Tick};
use hopwright_tests::radio::PART;
use std::cell::Cell;
use std::convert::Infallible;
use std::future::Future;
use std::pin::pin;
use std::task::{Context, Poll, Waker};

pub(super) const STANDBY: u8 = PART.modes.standby;
pub(super) const SYNTHESISER: u8 = PART.modes.synthesiser;
pub(super) const RECEIVE: u8 = PART.modes.receive;
pub(super) const TRANSMIT: u8 = PART.modes.transmit;

/// The raster of the built-in plan: 902.3 MHz and 127 further channels, 200 kHz apart.
pub(super) fn raster() -> Raster {
    let step = Hertz::new(200_000);
    Raster::new(Hertz::new(902_300_000), step, step, 128).unwrap()
}

pub(super) fn timing() -> Timing {
    Timing::new(20_000, 1_000, 500, 50_000).unwrap()
}

pub(super) fn channel(number: u16) -> Channel {
    Channel::new(number).unwrap()
}

/// One write to the bus.
pub(super) fn write(bytes: &[u8]) -> Vec<Transaction<u8>> {
    vec![
        Transaction::transaction_start(),
        Transaction::write_vec(bytes.to_vec()),
        Transaction::transaction_end(),
    ]
}

/// One write of an address and bytes from elsewhere.
pub(super) fn fill(address: u8, bytes: &[u8]) -> Vec<Transaction<u8>> {
    vec![
        Transaction::transaction_start(),
        Transaction::write_vec(vec![address]),
        Transaction::write_vec(bytes.to_vec()),
        Transaction::transaction_end(),
    ]
}

/// One read from the bus.
pub(super) fn read(address: u8, bytes: &[u8]) -> Vec<Transaction<u8>> {
    vec![
        Transaction::transaction_start(),
        Transaction::write_vec(vec![address]),
        Transaction::read_vec(bytes.to_vec()),
        Transaction::transaction_end(),
    ]
}

/// A mode, and the flag that says that it is in force.
pub(super) fn enter(mode: u8) -> Vec<Transaction<u8>> {
    [write(&[0x90, mode]), read(0x50, &[0x01])].concat()
}

/// A channel: standby, frequency word, synthesiser, settled.
pub(super) fn tune(word: [u8; 3]) -> Vec<Transaction<u8>> {
    let [a, b, c] = word;
    [enter(STANDBY), write(&[0xA0, a, b, c]), enter(SYNTHESISER), read(0x50, &[0x03])].concat()
}

/// Stamps that a test sets.
#[derive(Debug, Default)]
struct Set<'a>(Option<&'a Cell<Option<Tick>>>);

impl Stamps for Set<'_> {
    type Error = Infallible;

    fn stamp(&mut self) -> Result<Option<Tick>, Infallible> {
        Ok(self.0.and_then(Cell::take))
    }

    fn clear(&mut self) {
        let _ = self.0.and_then(Cell::take);
    }
}

impl asynchronous::AwaitStamps for Set<'_> {
    async fn signalled(&mut self) {
        std::future::poll_fn(|_| match self.0.is_some_and(|cell| cell.get().is_some()) {
            true => Poll::Ready(()),
            false => Poll::Pending,
        })
        .await;
    }
}

/// The bench: a bus, an amplifier's pin and short waits, all of which must be used as expected.
struct Bench {
    bus: BusMock<u8>,
    pin: PinMock,
    delay: DelayMock,
}

impl Bench {
    fn new(bus: &[Vec<Transaction<u8>>], pin: &[State], delays: &[u32]) -> Self {
        let pin: Vec<Pin> = pin.iter().map(|state| Pin::set(*state)).collect();
        let delays: Vec<Delay> = delays.iter().map(|us| Delay::delay_us(*us)).collect();
        Self {
            bus: BusMock::new(&bus.concat()),
            pin: PinMock::new(&pin),
            delay: DelayMock::new(&delays),
        }
    }

    fn board<'a, C>(
        &self,
        clock: C,
        stamp: &'a Cell<Option<Tick>>,
    ) -> Board<BusMock<u8>, PinMock, DelayMock, C, Set<'a>> {
        let (spi, amplifier, delay) = (self.bus.clone(), self.pin.clone(), self.delay.clone());
        Board { spi, amplifier, delay, clock, stamps: Set(Some(stamp)) }
    }

    fn done(mut self) {
        self.bus.done();
        self.pin.done();
        self.delay.done();
    }
}

pub(super) fn under_way(look: u64) -> Progress {
    Progress::UnderWay { look: Tick::new(look) }
}

/// Runs a future whose parts never wait for long.
fn wait<T>(future: impl Future<Output = T>) -> T {
    let mut future = pin!(future);
    for _ in 0..10_000 {
        if let Poll::Ready(done) = future.as_mut().poll(&mut Context::from_waker(Waker::noop())) {
            return done;
        }
    }
    panic!("it waits for ever");
}

#[test]
fn frequency_words_are_those_worked_out_by_hand() {
    let word = |hz| PART.frequency_word(Hertz::new(hz));
    // 902 300 000 * 524 288 / 32 000 000 = 14 783 283.2
    assert_eq!(word(902_300_000), Ok(14_783_283));
    // 927 700 000 * 524 288 / 32 000 000 = 15 199 436.8: rounded up.
    assert_eq!(word(927_700_000), Ok(15_199_437));
    // 30 MHz is a whole number of steps: 491 520.
    assert_eq!(word(30_000_000), Ok(491_520));
    // Half a step is rounded up: 500 Hz at a step of 1000 Hz.
    let coarse = Part { crystal_hz: 1_000, resolution_bits: 0, ..PART };
    assert_eq!(coarse.frequency_word(Hertz::new(499)), Ok(0));
    assert_eq!(coarse.frequency_word(Hertz::new(500)), Ok(1));
    // Another crystal, other widths: 433.92 MHz * 65 536 / 26 MHz = 1 093 745.43
    let other = Part { crystal_hz: 26_000_000, resolution_bits: 16, ..PART };
    assert_eq!(other.frequency_word(Hertz::new(433_920_000)), Ok(1_093_745));
    // 2^24 - 1 is the last word of three bytes: 1023.999 97 MHz.
    assert_eq!(word(1_023_999_938), Ok(0xFF_FFFF));
    let beyond = Hertz::new(1_024_000_000);
    assert_eq!(PART.frequency_word(beyond), Err(PartError::Frequency(beyond)));
    let absurd = Hertz::new(u64::MAX);
    assert_eq!(PART.frequency_word(absurd), Err(PartError::Frequency(absurd)));
}

#[test]
fn dividers_give_the_bit_rate_or_are_refused() {
    // 32 MHz / 50 kbit/s = 640 exactly.
    assert_eq!(PART.divider(50_000, 868), Ok(640));
    // 26 MHz / 38.4 kbit/s = 677.08: off by 1.2e-4, which is half a bit after 4060 bits.
    let other = Part { crystal_hz: 26_000_000, ..PART };
    assert_eq!(other.divider(38_400, 868), Ok(677));
    assert_eq!(other.divider(38_400, 4_096), Err(PartError::BitRate(38_400)));
    // 32 MHz / 488 bit/s = 65 574: more than two bytes.
    assert_eq!(PART.divider(488, 1), Err(PartError::BitRate(488)));
    assert_eq!(PART.divider(0, 1), Err(PartError::BitRate(0)));
    assert_eq!(PART.divider(u32::MAX, 1), Err(PartError::BitRate(u32::MAX)));
}

#[test]
fn parts_that_contradict_themselves_or_the_plan_are_refused() {
    let refused = |part: &Part, raster: Raster| {
        let stamp = Cell::new(None);
        let board = Bench::new(&[], &[], &[]);
        let made = Transceiver::new(part, raster, &timing(), board.board(|| Tick::ZERO, &stamp));
        board.done();
        made.err()
    };
    assert_eq!(refused(&PART, raster()), None);
    let field = |frequency, divider, length| {
        let registers = Registers { frequency, divider, length, ..PART.registers };
        Part { registers, ..PART }
    };
    let (three, two, one) = ((0x20, 3), (0x24, 2), (0x38, 1));
    assert_eq!(refused(&field((0x20, 0), two, one), raster()), Some(PartError::Field(0)));
    assert_eq!(refused(&field(three, (0x24, 5), one), raster()), Some(PartError::Field(5)));
    assert_eq!(refused(&field(three, two, (0x38, 3)), raster()), Some(PartError::Field(3)));
    let fine = Part { resolution_bits: 25, ..PART };
    assert_eq!(refused(&fine, raster()), Some(PartError::Resolution(25)));
    let full = Part { threshold: 63, ..PART };
    let why = PartError::Threshold { threshold: 63, memory: 64 };
    assert_eq!(refused(&full, raster()), Some(why));
    let never = Part { threshold: 0, ..PART };
    let why = PartError::Threshold { threshold: 0, memory: 64 };
    assert_eq!(refused(&never, raster()), Some(why));
    let step = Hertz::new(200_000_000);
    let wide = Raster::new(Hertz::new(902_300_000), step, step, 2).unwrap();
    let top = Hertz::new(1_102_300_000);
    assert_eq!(refused(&PART, wide), Some(PartError::Frequency(top)));
    // 512 bytes behind a word do not fit a length of one byte.
    let long = Timing::new(100_000, 1_000, 500, 42_000).unwrap();
    assert!(long.bytes() > 255);
    let (part, stamp) = (PART, Cell::new(None));
    let bench = Bench::new(&[], &[], &[]);
    let made = Transceiver::new(&part, raster(), &long, bench.board(|| Tick::ZERO, &stamp));
    assert!(matches!(made.err(), Some(PartError::Length(bytes)) if bytes == long.bytes()));
    bench.done();
}

#[test]
fn what_does_not_change_is_written_once() {
    // 640 is 0x0280.
    let bus =
        [write(&[0x90, STANDBY]), write(&[0xE0, 0xAA]), write(&[0xE1, 7]), write(&[0xA4, 2, 0x80])];
    let bench = Bench::new(&bus, &[State::Low], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.start(&[(0x60, 0xAA), (0x61, 7)]).unwrap();
    // 32 bits of preamble at 50 kbit/s are 640 us, and the ramp takes 60.
    assert_eq!(radio.lead(), Micros::new(700));
    bench.done();
}

#[test]
fn a_channel_is_reached_when_the_synthesiser_has_settled() {
    // Channel 5 is 903.3 MHz: 14 799 667.2, 0xE1D333. The flag comes at the third look.
    let mut bus = vec![enter(STANDBY), write(&[0xA0, 0xE1, 0xD3, 0x33]), enter(SYNTHESISER)];
    bus.extend([read(0x50, &[0x01]), read(0x50, &[0x01]), read(0x50, &[0x03])]);
    let bench = Bench::new(&bus, &[State::Low], &[10, 10]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.tune(channel(5)).unwrap();
    let off = channel(128);
    assert_eq!(radio.tune(off), Err(RadioError::OffRaster(off)), "and nothing was written");
    bench.done();
}

#[test]
fn a_synthesiser_that_never_settles_is_an_error() {
    let mut bus = vec![enter(STANDBY), write(&[0xA0, 0xE1, 0xD3, 0x33]), enter(SYNTHESISER)];
    bus.extend(vec![read(0x50, &[0x01]); 200]);
    let bench = Bench::new(&bus, &[State::Low], &[10; 200]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    assert_eq!(radio.tune(channel(5)), Err(RadioError::NotSettled));
    bench.done();
}

/// What a receiver that waits for [`AWAITED`] is told, and that it receives.
fn listens() -> Vec<Transaction<u8>> {
    [
        write(&[0xB0, 0x12, 0x34, 0x56, 0x78]),
        write(&[0xB4, 0xED, 0xCB, 0xA9, 0x87]),
        // 868 bits are 108 whole bytes.
        write(&[0xB8, 108]),
        read(0x50, &[0x03]),
        enter(RECEIVE),
    ]
    .concat()
}

/// Two words are waited for; the complement comes, with 33 bytes behind it, in two pieces.
pub(super) fn header_on_a_traffic_channel() -> (Vec<Vec<Transaction<u8>>>, Vec<u8>) {
    let header: Vec<u8> = (1..=33).collect();
    let mut bus = vec![
        tune([0xE1, 0xD3, 0x33]),
        listens(),
        // The second word was the one. Not whole, not above.
        read(0x51, &[0x80]),
        read(0x51, &[0x80]),
        read(0x51, &[0x80]),
        // The same; then above the threshold of 31 bytes, and not any more; then whole.
        read(0x51, &[0x80]),
        read(0x51, &[0x80]),
        read(0x51, &[0xC0]),
        read(0x51, &[0xC0]),
        read(0x7F, &header[..31]),
        read(0x51, &[0x80]),
        read(0x51, &[0x90]),
        read(0x7F, &header[31..]),
    ];
    bus.extend([enter(STANDBY), enter(SYNTHESISER), enter(RECEIVE)]);
    (bus, header)
}

pub(super) const AWAITED: Awaited = Awaited { word: 0x1234_5678, bytes: 108, complement: Some(33) };
/// Signalled at 5 670: 15 us after the end of a word that began 640 us before.
const SIGNALLED: Tick = Tick::new(5_670);
pub(super) const CAPTURED: Captured =
    Captured { word: !0x1234_5678, at: Tick::new(5_015), length: 33 };

#[test]
fn a_reception_is_stamped_where_its_word_began() {
    let (bus, header) = header_on_a_traffic_channel();
    let bench = Bench::new(&bus, &[State::Low, State::Low], &[]);
    let (part, stamp, time) = (PART, Cell::new(None), Cell::new(6_000));
    let board = bench.board(|| Tick::new(time.get()), &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    let mut bits = [0; 512];
    radio.tune(channel(5)).unwrap();
    radio.listen(AWAITED).unwrap();
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Idle), "no signal, no access");
    stamp.set(Some(SIGNALLED));
    // Half of the threshold, 15 bytes of 160 us, from now on.
    assert_eq!(radio.attend(&mut bits), Ok(under_way(6_000 + 2_400)));
    time.set(8_400);
    assert_eq!(radio.attend(&mut bits), Ok(under_way(8_400 + 2_400)));
    // The last of 33 bytes is due before that: 5 015 + 640 + 33 * 160.
    time.set(10_800);
    assert_eq!(radio.attend(&mut bits), Ok(under_way(10_935)));
    time.set(10_935);
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Whole(CAPTURED)));
    assert_eq!(bits[..33], header);
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Idle), "it listens again");
    bench.done();
}

#[test]
fn executors_see_the_same_bus() {
    let (bus, header) = header_on_a_traffic_channel();
    let bench = Bench::new(&bus, &[State::Low, State::Low], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::new(6_000), &stamp);
    let mut radio = asynchronous::Transceiver::new(&part, raster(), &timing(), board).unwrap();
    let mut bits = [0; 512];
    wait(async {
        use asynchronous::FrontEnd;
        radio.tune(channel(5)).await.unwrap();
        radio.listen(AWAITED).await.unwrap();
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Idle));
        stamp.set(Some(SIGNALLED));
        for _ in 0..3 {
            assert_eq!(radio.attend(&mut bits).await, Ok(under_way(8_400)));
        }
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Whole(CAPTURED)));
    });
    assert_eq!(bits[..33], header);
    bench.done();
}

/// A payload of 108 bytes through a memory of 64 with a threshold of 31.
pub(super) fn long_transmission() -> (Vec<Vec<Transaction<u8>>>, Vec<u8>) {
    let payload: Vec<u8> = (100..208).collect();
    let bus = vec![
        tune([0xE1, 0x93, 0x33]),
        write(&[0xB0, 0xDE, 0xAD, 0xBE, 0xEF]),
        write(&[0xB8, 108]),
        read(0x50, &[0x03]),
        fill(0xFF, &payload[..64]),
        write(&[0x90, TRANSMIT]),
        // Not sent, above; not sent, at the threshold: 33 bytes are sure to fit; the last 11.
        read(0x51, &[0x40]),
        read(0x51, &[0x40]),
        read(0x51, &[0]),
        read(0x51, &[0]),
        fill(0xFF, &payload[64..97]),
        read(0x51, &[0]),
        read(0x51, &[0]),
        fill(0xFF, &payload[97..]),
        read(0x51, &[0]),
        read(0x51, &[0]),
        read(0x51, &[0x20]),
        enter(STANDBY),
    ];
    (bus, payload)
}

/// A word with no bits behind it: the memory is not even addressed.
pub(super) fn word_alone() -> Vec<Vec<Transaction<u8>>> {
    vec![write(&[0xB0, 0xDE, 0xAD, 0xBE, 0xEF]), write(&[0xB8, 0]), read(0x50, &[0x03])]
}

#[test]
fn a_word_alone_leaves_the_memory_alone() {
    let bench = Bench::new(&word_alone(), &[State::Low], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.load(0xDEAD_BEEF, &[]).unwrap();
    bench.done();
}

#[test]
fn a_long_transmission_is_written_as_the_memory_empties() {
    let (bus, payload) = long_transmission();
    let bench = Bench::new(&bus, &[State::Low, State::Low, State::High, State::Low], &[800]);
    let (part, stamp, time) = (PART, Cell::new(None), Cell::new(10_000));
    let board = bench.board(|| Tick::new(time.get()), &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    let mut bits = [0; 512];
    radio.tune(channel(0)).unwrap();
    radio.load(0xDEAD_BEEF, &payload).unwrap();
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Idle), "nothing is on the air");
    radio.wait(Tick::new(10_800));
    radio.send(Tick::new(11_500)).unwrap();
    radio.send(Tick::new(11_500)).unwrap();
    for now in [11_000, 16_000, 21_000] {
        time.set(now);
        assert_eq!(radio.attend(&mut bits), Ok(under_way(now + 2_400)));
    }
    // The last bit is due at 11 500 + 640 + 108 * 160, and looked for byte by byte after that.
    time.set(29_000);
    assert_eq!(radio.attend(&mut bits), Ok(under_way(29_420)));
    time.set(29_420);
    assert_eq!(radio.attend(&mut bits), Ok(under_way(29_580)));
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Idle), "and silent by itself");
    bench.done();
}

/// With a hop interrupt nobody calls `tune` or `off` between two slots.
#[test]
fn the_amplifier_is_off_while_listening_whatever_was_before() {
    let bus = [
        write(&[0xB0, 0, 0, 0, 1]),
        write(&[0xB8, 4]),
        read(0x50, &[0x03]),
        fill(0xFF, &[7; 4]),
        write(&[0x90, TRANSMIT]),
        // Here the interrupt ends the transmission. The next slot listens.
        listens(),
    ];
    let bench = Bench::new(&bus, &[State::Low, State::High, State::Low], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.load(1, &[7; 4]).unwrap();
    radio.send(Tick::new(1_500)).unwrap();
    radio.listen(AWAITED).unwrap();
    bench.done();
    let bench = Bench::new(&bus, &[State::Low, State::High, State::Low], &[]);
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = asynchronous::Transceiver::new(&part, raster(), &timing(), board).unwrap();
    wait(async {
        use asynchronous::FrontEnd;
        radio.load(1, &[7; 4]).await.unwrap();
        radio.send(Tick::new(1_500)).await.unwrap();
        radio.listen(AWAITED).await.unwrap();
    });
    bench.done();
}

#[test]
fn a_transmission_that_could_not_be_started_is_none() {
    use embedded_hal_mock::eh1::MockError;
    let bus =
        [write(&[0xB0, 0, 0, 0, 1]), write(&[0xB8, 4]), read(0x50, &[0x03]), fill(0xFF, &[7; 4])];
    // The pin fails, and the bus is not used again. What was loaded cannot be sent any more.
    let trouble = MockError::Io(std::io::ErrorKind::Other);
    let (part, stamp) = (PART, Cell::new(None));
    let failing = || {
        let high = Pin::set(State::High).with_error(trouble.clone());
        let pin = PinMock::new(&[Pin::set(State::Low), high, Pin::set(State::Low)]);
        Bench { bus: BusMock::new(&bus.concat()), pin, delay: DelayMock::new(&[]) }
    };
    let bench = failing();
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.load(1, &[7; 4]).unwrap();
    assert_eq!(radio.send(Tick::ZERO), Err(RadioError::Amplifier(trouble.clone())));
    assert_eq!(radio.attend(&mut [0; 512]), Ok(Progress::Idle), "no access");
    radio.send(Tick::ZERO).unwrap();
    bench.done();
    let bench = failing();
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = asynchronous::Transceiver::new(&part, raster(), &timing(), board).unwrap();
    wait(async {
        use asynchronous::FrontEnd;
        radio.load(1, &[7; 4]).await.unwrap();
        let failed = Err(RadioError::Amplifier(trouble.clone()));
        assert_eq!(radio.send(Tick::ZERO).await, failed);
        assert_eq!(radio.attend(&mut [0; 512]).await, Ok(Progress::Idle));
    });
    bench.done();
}

#[test]
fn each_transmission_is_its_own_bits_and_ends_in_silence() {
    let (part, stamp) = (PART, Cell::new(None));
    let slot = |word: u8, bits: u8| {
        [
            write(&[0xB0, 0, 0, 0, word]),
            write(&[0xB8, 4]),
            read(0x50, &[0x03]),
            fill(0xFF, &[bits; 4]),
            write(&[0x90, TRANSMIT]),
            read(0x51, &[0x20]),
            enter(STANDBY),
        ]
        .concat()
    };
    let bus = [slot(1, 7), slot(2, 9)];
    let pin = [State::Low, State::High, State::Low].repeat(2);
    let bench = Bench::new(&bus, &pin, &[]);
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    for (word, bits) in [(1, 7), (2, 9)] {
        radio.load(word, &[bits; 4]).unwrap();
        radio.send(Tick::new(1_500)).unwrap();
        assert_eq!(radio.attend(&mut [0; 512]), Ok(Progress::Idle));
    }
    bench.done();
    let bench = Bench::new(&bus, &pin, &[]);
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = asynchronous::Transceiver::new(&part, raster(), &timing(), board).unwrap();
    wait(async {
        use asynchronous::FrontEnd;
        for (word, bits) in [(1, 7), (2, 9)] {
            radio.load(word, &[bits; 4]).await.unwrap();
            radio.send(Tick::new(1_500)).await.unwrap();
            assert_eq!(radio.attend(&mut [0; 512]).await, Ok(Progress::Idle));
        }
    });
    bench.done();
}

/// The register keeps the complement of an earlier slot otherwise.
#[test]
fn a_part_with_two_words_waits_for_one_twice() {
    let bus = [
        write(&[0xB0, 0x12, 0x34, 0x56, 0x78]),
        write(&[0xB4, 0x12, 0x34, 0x56, 0x78]),
        write(&[0xB8, 33]),
        read(0x50, &[0x03]),
        enter(RECEIVE),
    ];
    let bench = Bench::new(&bus, &[State::Low], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.listen(Awaited { word: 0x1234_5678, bytes: 33, complement: None }).unwrap();
    bench.done();
}

#[test]
fn a_mode_that_never_comes_into_force_is_an_error() {
    let mut bus = vec![write(&[0x90, STANDBY])];
    bus.extend(vec![read(0x50, &[0x02]); 200]);
    let bench = Bench::new(&bus, &[State::Low], &[10; 200]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    assert_eq!(radio.off(), Err(RadioError::NotReady));
    bench.done();
}

/// With a hop interrupt: the memory is emptied, and the synthesiser on where the interrupt has set it.
#[test]
fn a_radio_that_is_renewed_has_its_synthesiser_on_and_nothing_under_way() {
    let bus = [
        write(&[0xB0, 0, 0, 0, 1]),
        write(&[0xB8, 4]),
        read(0x50, &[0x03]),
        fill(0xFF, &[7; 4]),
        enter(STANDBY),
        enter(SYNTHESISER),
    ];
    let bench = Bench::new(&bus, &[State::Low, State::Low], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.load(1, &[7; 4]).unwrap();
    radio.renew().unwrap();
    radio.send(Tick::ZERO).unwrap();
    bench.done();
}

#[test]
fn more_bits_than_the_length_holds_are_refused() {
    let bench = Bench::new(&[], &[], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    assert_eq!(radio.load(1, &[0; 256]), Err(RadioError::TooLong(256)));
    radio.send(Tick::ZERO).unwrap();
    bench.done();
}

#[test]
fn a_part_with_one_word_waits_for_that() {
    let registers = Registers { second_word: None, ..PART.registers };
    let part = Part { registers, ..PART };
    let bus = [
        write(&[0xB0, 0x12, 0x34, 0x56, 0x78]),
        write(&[0xB8, 108]),
        read(0x50, &[0x03]),
        enter(RECEIVE),
        // Not whole, not above; which word it was is not asked.
        read(0x51, &[0]),
        read(0x51, &[0]),
    ];
    let bench = Bench::new(&bus, &[State::Low], &[]);
    let stamp = Cell::new(None);
    let board = bench.board(|| Tick::new(6_000), &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.listen(AWAITED).unwrap();
    stamp.set(Some(SIGNALLED));
    assert_eq!(radio.attend(&mut [0; 512]), Ok(under_way(8_400)));
    bench.done();
}

/// The memory of a part that tells of itself when it is nearly full is looked after in half of the time that is left
/// then, and not of that which it took to fill.
#[test]
fn a_part_with_a_high_threshold_is_looked_after_before_its_memory_is_full() {
    let registers = Registers { second_word: None, ..PART.registers };
    let part = Part { registers, threshold: 48, ..PART };
    let bus = [
        write(&[0xB0, 0x12, 0x34, 0x56, 0x78]),
        write(&[0xB8, 108]),
        read(0x50, &[0x03]),
        enter(RECEIVE),
        // Two looks: not whole, not above.
        read(0x51, &[0]),
        read(0x51, &[0]),
        read(0x51, &[0]),
        read(0x51, &[0]),
    ];
    let bench = Bench::new(&bus, &[State::Low], &[]);
    let stamp = Cell::new(None);
    let board = bench.board(|| Tick::new(6_000), &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.listen(AWAITED).unwrap();
    stamp.set(Some(SIGNALLED));
    // Of 64 bytes 48 leave 16: half of them, 8 bytes of 160 us.
    for _ in 0..2 {
        assert_eq!(radio.attend(&mut [0; 512]), Ok(under_way(6_000 + 1_280)));
    }
    bench.done();
}

/// A signal of before, for which nobody asked, is no word of the reception that begins.
#[test]
fn a_signal_from_before_is_forgotten_when_the_receiver_starts() {
    let bus = [listens()];
    let (part, stamp) = (PART, Cell::new(Some(Tick::new(77))));
    let bench = Bench::new(&bus, &[State::Low], &[]);
    let board = bench.board(|| Tick::new(6_000), &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.listen(AWAITED).unwrap();
    assert_eq!(radio.attend(&mut [0; 512]), Ok(Progress::Idle));
    bench.done();
    stamp.set(Some(Tick::new(77)));
    let bench = Bench::new(&bus, &[State::Low], &[]);
    let board = bench.board(|| Tick::new(6_000), &stamp);
    let mut radio = asynchronous::Transceiver::new(&part, raster(), &timing(), board).unwrap();
    wait(async {
        use asynchronous::FrontEnd;
        radio.listen(AWAITED).await.unwrap();
        assert_eq!(radio.attend(&mut [0; 512]).await, Ok(Progress::Idle));
    });
    bench.done();
}

#[test]
fn levels_are_half_decibels_below_the_offset() {
    // -10 - 171 / 2 = -95.5, rounded towards the stronger.
    let bus = [read(0x40, &[171])];
    let bench = Bench::new(&bus, &[], &[]);
    let (part, stamp) = (PART, Cell::new(None));
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    assert_eq!(radio.level(), Ok(Dbm::new(-95)));
    bench.done();
}

#[test]
fn a_polled_line_is_stamped_at_its_edge() {
    let (low, high) = (Pin::get(State::Low), Pin::get(State::High));
    let mut line = PinMock::new(&[low.clone(), high.clone(), high.clone(), low, high]);
    let time = Cell::new(0);
    let clock = || {
        time.set(time.get() + 1);
        Tick::new(time.get())
    };
    let mut stamps = Polled::new(line.clone(), clock);
    let stamped: Vec<_> = (0..5).map(|_| stamps.stamp().unwrap()).collect();
    let at = |us| Some(Tick::new(us));
    assert_eq!(stamped, [None, at(1), None, None, at(2)]);
    line.done();
}

/// Between two receptions the line is low, but nobody asks for a stamp then.
#[test]
fn a_polled_line_that_fell_unseen_is_stamped_at_the_next_word() {
    let (low, high) = (Pin::get(State::Low), Pin::get(State::High));
    let mut line = PinMock::new(&[high.clone(), low, high.clone(), high.clone(), high]);
    let mut stamps = Polled::new(line.clone(), || Tick::new(7));
    assert_eq!(stamps.stamp().unwrap(), Some(Tick::new(7)));
    stamps.clear();
    assert_eq!(stamps.stamp().unwrap(), Some(Tick::new(7)), "the next word");
    stamps.clear();
    assert_eq!(stamps.stamp().unwrap(), None, "what was high then is forgotten");
    line.done();
}

#[test]
fn a_failing_pin_is_told_and_a_missing_one_never_fails() {
    let trouble = embedded_hal_mock::eh1::MockError::Io(std::io::ErrorKind::Other);
    let expected = [Pin::set(State::Low).with_error(trouble.clone())];
    let mut pin = PinMock::new(&expected);
    let mut bus = BusMock::new(&[enter(STANDBY), enter(STANDBY)].concat());
    let (part, delay) = (PART, DelayMock::new(&[]));
    let board = Board {
        spi: bus.clone(),
        amplifier: pin.clone(),
        delay: delay.clone(),
        clock: || Tick::ZERO,
        stamps: Set(None),
    };
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    assert_eq!(radio.off(), Err(RadioError::Amplifier(trouble)));
    let board = Board {
        spi: bus.clone(),
        amplifier: NoPin,
        delay: delay.clone(),
        clock: || Tick::ZERO,
        stamps: Set(None),
    };
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.off().unwrap();
    let mut delay = delay;
    pin.done();
    bus.done();
    delay.done();
}

/// The bus or the pin fails when a transmission is to be ended; then all is well again.
#[test]
fn a_transmission_that_could_not_be_ended_is_ended_in_the_next_look() {
    use embedded_hal_mock::eh1::MockError;
    let trouble = MockError::Io(std::io::ErrorKind::Other);
    let sent = [
        write(&[0xB0, 0, 0, 0, 1]),
        write(&[0xB8, 4]),
        read(0x50, &[0x03]),
        fill(0xFF, &[7; 4]),
        write(&[0x90, TRANSMIT]),
        read(0x51, &[0x20]),
        // Tried even if the pin has failed. In standby nobody can be asked any more whether it was sent.
        enter(STANDBY),
        enter(STANDBY),
    ];
    let (part, stamp) = (PART, Cell::new(None));
    let failing = || {
        let low = Pin::set(State::Low);
        let failed = low.clone().with_error(trouble.clone());
        let pin = PinMock::new(&[low.clone(), Pin::set(State::High), failed, low]);
        Bench { bus: BusMock::new(&sent.concat()), pin, delay: DelayMock::new(&[]) }
    };
    let failed = Err(RadioError::Amplifier(trouble.clone()));
    let bench = failing();
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    radio.load(1, &[7; 4]).unwrap();
    radio.send(Tick::new(1_500)).unwrap();
    assert_eq!(radio.attend(&mut [0; 512]), failed);
    assert_eq!(radio.attend(&mut [0; 512]), Ok(Progress::Idle), "and silent");
    assert_eq!(radio.attend(&mut [0; 512]), Ok(Progress::Idle), "no access");
    bench.done();
    let bench = failing();
    let board = bench.board(|| Tick::ZERO, &stamp);
    let mut radio = asynchronous::Transceiver::new(&part, raster(), &timing(), board).unwrap();
    wait(async {
        use asynchronous::FrontEnd;
        radio.load(1, &[7; 4]).await.unwrap();
        radio.send(Tick::new(1_500)).await.unwrap();
        assert_eq!(radio.attend(&mut [0; 512]).await, failed);
        assert_eq!(radio.attend(&mut [0; 512]).await, Ok(Progress::Idle));
        assert_eq!(radio.attend(&mut [0; 512]).await, Ok(Progress::Idle));
    });
    bench.done();
}

/// The bytes are there, and then the receiver cannot be told to go on: standby never comes into force.
#[test]
fn a_reception_is_told_even_if_the_receiver_cannot_go_on() {
    let bytes: Vec<u8> = (1..=33).collect();
    let mut bus = vec![
        listens(),
        // All of it is there at the first look.
        read(0x51, &[0x80]),
        read(0x51, &[0x90]),
        read(0x7F, &bytes),
        write(&[0x90, STANDBY]),
    ];
    bus.extend(vec![read(0x50, &[0]); 200]);
    let stuck = bus.clone();
    bus.extend([enter(STANDBY), enter(SYNTHESISER), enter(RECEIVE)]);
    let (part, stamp) = (PART, Cell::new(None));
    let bench = Bench::new(&bus, &[State::Low], &[10; 200]);
    let board = bench.board(|| Tick::new(12_000), &stamp);
    let mut radio = Transceiver::new(&part, raster(), &timing(), board).unwrap();
    let mut bits = [0; 512];
    radio.listen(AWAITED).unwrap();
    stamp.set(Some(SIGNALLED));
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Whole(CAPTURED)));
    assert_eq!(bits[..33], bytes);
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Idle), "it listens again");
    assert_eq!(radio.attend(&mut bits), Ok(Progress::Idle), "no access");
    bench.done();
    // If that fails as well, it is told.
    bus = [stuck, vec![write(&[0x90, STANDBY])], vec![read(0x50, &[0]); 200]].concat();
    let bench = Bench::new(&bus, &[State::Low], &[10; 400]);
    let board = bench.board(|| Tick::new(12_000), &stamp);
    let mut radio = asynchronous::Transceiver::new(&part, raster(), &timing(), board).unwrap();
    wait(async {
        use asynchronous::FrontEnd;
        radio.listen(AWAITED).await.unwrap();
        stamp.set(Some(SIGNALLED));
        assert_eq!(radio.attend(&mut bits).await, Ok(Progress::Whole(CAPTURED)));
        assert_eq!(radio.attend(&mut bits).await, Err(RadioError::NotReady));
    });
    bench.done();
}
