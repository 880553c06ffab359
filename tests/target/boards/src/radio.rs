//! Radios that hear each other within the chip. What takes a real radio time takes these time.

use crate::time;
use core::cell::RefCell;
use critical_section::Mutex;
use heapless::{Deque, Vec};
use hopwright_core::front_end::{Awaited, Captured, FrontEnd, Progress};
use hopwright_core::units::{Channel, Dbm, Micros, Tick};

/// What the synthesiser takes to settle.
pub const SETTLE: Micros = Micros::new(150);
/// What comes between the end of a wait and the end of [`FrontEnd::send`]: code. 8 us in a loop, 17 in a task.
const ORDER: Micros = Micros::new(10);
/// Ramp and preamble, behind the order.
const AFTER_ORDER: Micros = Micros::new(630);
/// Order, ramp and preamble.
pub const LEAD: Micros = ORDER.plus(AFTER_ORDER);
/// A unique word at 50 kbit/s.
const WORD: Micros = Micros::new(640);
/// A byte at 50 kbit/s.
const BYTE_US: u64 = 160;

/// One transmission.
#[derive(Debug, Clone)]
struct Flight {
    channel: Channel,
    word: u32,
    at: Tick,
    bits: Vec<u8, 128>,
}

impl Flight {
    fn ends(&self) -> Tick {
        self.at.plus(WORD).plus(Micros::new(self.bits.len() as u64 * BYTE_US))
    }
}

/// The last transmissions, and where each radio is tuned to since when.
struct Air {
    flights: Deque<Flight, 4>,
    tuned: [Option<(Channel, Tick)>; 2],
    /// Everything that was sent, as long as there is room.
    log: Vec<Sent, LOG>,
    /// Transmissions that were cut off by a change of channel.
    cut: u32,
}

/// Transmissions that are kept.
const LOG: usize = 512;

/// A transmission that was begun.
#[derive(Debug, Clone, Copy)]
pub struct Sent {
    /// Where.
    pub channel: Channel,
    /// The unique word.
    pub word: u32,
    /// When it starts.
    pub at: Tick,
}

/// Everything that was sent, and how many of these were cut off by a change of channel.
#[must_use]
pub fn sent() -> (Vec<Sent, LOG>, u32) {
    air(|air| (air.log.clone(), air.cut))
}

static AIR: Mutex<RefCell<Air>> = Mutex::new(RefCell::new(Air {
    flights: Deque::new(),
    tuned: [None; 2],
    log: Vec::new(),
    cut: 0,
}));

fn air<R>(work: impl FnOnce(&mut Air) -> R) -> R {
    critical_section::with(|section| work(&mut AIR.borrow_ref_mut(section)))
}

/// Sets a radio's synthesiser, with its transmitter off: what the hop interrupt does. It has settled
/// [`SETTLE`] later.
pub fn set_synthesiser(radio: usize, channel: Channel) {
    let now = time::now();
    air(|air| {
        silence(air, radio, now);
        if let Some(tuned) = air.tuned.get_mut(radio) {
            *tuned = Some((channel, now));
        }
    });
}

/// Switches a radio's transmitter off.
pub fn mute(radio: usize) {
    let now = time::now();
    air(|air| silence(air, radio, now));
}

/// What was still to be sent on the radio's channel is cut off.
fn silence(air: &mut Air, radio: usize, now: Tick) {
    let Some((channel, _)) = air.tuned.get(radio).copied().flatten() else { return };
    let cut = |flight: &Flight| flight.channel == channel && flight.ends() > now;
    // Only the last one can be under way.
    if air.flights.back().is_some_and(cut) {
        let _ = air.flights.pop_back();
        air.cut += 1;
    }
}

/// Where a radio is tuned to.
#[must_use]
pub fn tuned(radio: usize) -> Option<Channel> {
    air(|air| air.tuned.get(radio).copied().flatten().map(|(channel, _)| channel))
}

/// One of the two radios.
#[derive(Debug)]
pub struct Radio {
    number: usize,
    doing: Doing,
}

#[derive(Debug)]
enum Doing {
    Nothing,
    Listening { awaited: Awaited, since: Tick },
    Loaded { word: u32, bits: Vec<u8, 128> },
    Sending { until: Tick },
}

/// These radios do not fail, but for more bits than they hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TooLong;

impl Radio {
    /// Radio 0 or 1.
    #[must_use]
    pub const fn new(number: usize) -> Self {
        Self { number, doing: Doing::Nothing }
    }

    /// Waits until the synthesiser has settled on where it was set last.
    fn settle(&self) {
        let set = air(|air| air.tuned.get(self.number).copied().flatten());
        if let Some((_, at)) = set {
            time::busy_until(at.plus(SETTLE));
        }
    }

    /// What the radio hears, or will: the first word that it has listened for since the preamble.
    fn heard(&self) -> Option<Flight> {
        let Doing::Listening { awaited, since } = &self.doing else { return None };
        air(|air| {
            let (channel, tuned) = air.tuned.get(self.number).copied().flatten()?;
            let ready = tuned.plus(SETTLE).max(*since).plus(LEAD);
            let mut flights = air.flights.iter().filter(|flight| {
                let word = flight.word == awaited.word
                    || awaited.complement.is_some() && flight.word == !awaited.word;
                flight.channel == channel && word && ready <= flight.at
            });
            flights.next().cloned()
        })
    }

    /// When the radio signals a word that is already on its way.
    #[must_use]
    pub fn signal(&self) -> Option<Tick> {
        self.heard().map(|flight| flight.at.plus(WORD))
    }
}

impl FrontEnd for Radio {
    type Error = TooLong;

    fn now(&mut self) -> Tick {
        time::now()
    }

    fn lead(&self) -> Micros {
        LEAD
    }

    fn starts_within(&self) -> Micros {
        ORDER
    }

    fn off(&mut self) -> Result<(), TooLong> {
        mute(self.number);
        self.doing = Doing::Nothing;
        Ok(())
    }

    fn tune(&mut self, channel: Channel) -> Result<(), TooLong> {
        self.doing = Doing::Nothing;
        set_synthesiser(self.number, channel);
        self.settle();
        Ok(())
    }

    fn listen(&mut self, awaited: Awaited) -> Result<(), TooLong> {
        self.settle();
        self.doing = Doing::Listening { awaited, since: time::now() };
        Ok(())
    }

    fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), TooLong> {
        self.settle();
        let bits = Vec::from_slice(bits).map_err(|_| TooLong)?;
        self.doing = Doing::Loaded { word, bits };
        Ok(())
    }

    fn wait(&mut self, until: Tick) {
        time::busy_until(until);
    }

    /// It has no timer: the word starts when it can, a ramp and a preamble from now.
    fn send(&mut self, _: Tick) -> Result<(), TooLong> {
        let Doing::Loaded { word, bits } = core::mem::replace(&mut self.doing, Doing::Nothing)
        else {
            return Ok(());
        };
        let number = self.number;
        let until = air(|air| {
            let (channel, _) = air.tuned.get(number).copied().flatten()?;
            if air.flights.is_full() {
                let _ = air.flights.pop_front();
            }
            let at = time::now().plus(AFTER_ORDER);
            let _ = air.log.push(Sent { channel, word, at });
            let flight = Flight { channel, word, at, bits };
            let until = flight.ends();
            air.flights.push_back(flight).ok()?;
            Some(until)
        });
        if let Some(until) = until {
            self.doing = Doing::Sending { until };
        }
        Ok(())
    }

    fn attend(&mut self, bits: &mut [u8]) -> Result<Progress, TooLong> {
        let now = time::now();
        if let Doing::Sending { until } = self.doing {
            if until <= now {
                self.doing = Doing::Nothing;
                return Ok(Progress::Idle);
            }
            return Ok(Progress::UnderWay { look: until });
        }
        let Some(flight) = self.heard().filter(|flight| flight.at.plus(WORD) <= now) else {
            return Ok(Progress::Idle);
        };
        if now < flight.ends() {
            return Ok(Progress::UnderWay { look: flight.ends() });
        }
        let length = flight.bits.len().min(bits.len());
        bits[..length].copy_from_slice(&flight.bits[..length]);
        if let Doing::Listening { since, .. } = &mut self.doing {
            *since = now;
        }
        Ok(Progress::Whole(Captured { word: flight.word, at: flight.at, length }))
    }

    fn level(&mut self) -> Result<Dbm, TooLong> {
        Ok(Dbm::new(-120))
    }
}
