//! A radio for tests of drivers.
//!
//! It has a clock that its own calls move on: a call that settles for 300 us takes 300 us. Radios
//! share an air in which a unique word reaches whoever has listened for it since the start of its
//! preamble.

use hopwright_core::front_end::{
    Awaited, Captured, FrontEnd, Modes, Part, Progress, Registers, Status, asynchronous,
};
use hopwright_core::units::{Channel, Dbm, Micros, Tick};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::rc::Rc;

/// Ramp and preamble of 32 bits.
pub const LEAD: u64 = 640;
/// A word of 32 bits at 50 kbit/s.
pub const WORD: u64 = 640;
/// A bit.
pub const BIT: u64 = 20;

/// A packet transceiver with a crystal of 32 MHz and steps of 32 MHz / 2^19 = 61.035 Hz. It is nobody's: its
/// addresses are made up.
pub const PART: Part = Part {
    crystal_hz: 32_000_000,
    resolution_bits: 19,
    write: 0x80,
    read: 0x00,
    registers: Registers {
        mode: 0x10,
        frequency: (0x20, 3),
        divider: (0x24, 2),
        word: 0x30,
        second_word: Some(0x34),
        length: (0x38, 1),
        memory: 0x7F,
        level: 0x40,
    },
    modes: Modes { standby: 1, synthesiser: 2, receive: 3, transmit: 4 },
    status: Status {
        ready: (0x50, 0x01),
        settled: (0x50, 0x02),
        whole: (0x51, 0x10),
        sent: (0x51, 0x20),
        above: (0x51, 0x40),
        second: (0x51, 0x80),
    },
    memory_bytes: 64,
    threshold: 31,
    preamble_bits: 32,
    ramp: Micros::new(60),
    order: Micros::ZERO,
    recognition: Micros::new(15),
    level_offset_dbm: -10,
};

/// A transmission.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flight {
    /// Where.
    pub channel: Channel,
    /// The unique word.
    pub word: u32,
    /// When it starts.
    pub at: u64,
    /// What follows it.
    pub bits: Vec<u8>,
}

/// What is on the air, and the power of somebody else on some channels.
#[derive(Debug, Default)]
pub struct Air {
    /// What was sent, oldest first.
    pub flights: Vec<Flight>,
    /// Where somebody else is.
    pub disturbed: BTreeSet<Channel>,
}

/// What a radio does.
#[derive(Debug, Clone)]
pub enum Doing {
    /// Neither.
    Off,
    /// On a channel.
    Tuned,
    /// Listens.
    Listening {
        /// For what.
        awaited: Awaited,
        /// Since when.
        since: u64,
    },
    /// Ready to send.
    Loaded {
        /// The unique word.
        word: u32,
        /// What follows it.
        bits: Vec<u8>,
    },
    /// Sends.
    Sending {
        /// Until then.
        until: u64,
    },
}

/// A radio.
#[derive(Debug)]
pub struct Radio {
    /// What it shares.
    pub air: Rc<RefCell<Air>>,
    /// Its clock.
    pub now: u64,
    /// Where it is tuned to.
    pub channel: Option<Channel>,
    /// What it does.
    pub doing: Doing,
    /// What it takes to tune.
    pub settle: u64,
    /// What each channel of a jump takes beside that.
    pub by_channel: u64,
    /// What it takes to load.
    pub load: u64,
    /// By how much its waits end late.
    pub oversleeps: u64,
    /// How long it takes to start a transmission.
    pub starts: u64,
    /// How much of that the lead accounts for.
    pub starts_within: u64,
    /// Calls that fail, counted down.
    pub fails: u32,
    /// Looks at what is under way that fail, counted down.
    pub looks_fail: u32,
    /// Measurements that fail, counted down.
    pub levels_fail: u32,
    /// Everything that was ordered.
    pub log: Vec<&'static str>,
}

/// The radio did not answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dead;

/// Fails as long as there is something to count.
fn count_down(fails: &mut u32) -> Result<(), Dead> {
    let left = fails.checked_sub(1);
    *fails = left.unwrap_or_default();
    if left.is_some() { Err(Dead) } else { Ok(()) }
}

impl Radio {
    /// A quick radio.
    #[must_use]
    pub fn new(air: &Rc<RefCell<Air>>) -> Self {
        let (air, doing) = (air.clone(), Doing::Off);
        let (channel, log) = (None, Vec::new());
        let (fails, looks_fail, levels_fail) = (0, 0, 0);
        let (now, settle, by_channel, load) = (0, 200, 0, 100);
        let (oversleeps, starts, starts_within) = (0, 0, 0);
        Self {
            air,
            now,
            channel,
            doing,
            settle,
            by_channel,
            load,
            oversleeps,
            starts,
            starts_within,
            fails,
            looks_fail,
            levels_fail,
            log,
        }
    }

    fn call(&mut self, took: u64, what: &'static str) -> Result<(), Dead> {
        self.now += took;
        count_down(&mut self.fails)?;
        self.log.push(what);
        Ok(())
    }

    /// The first flight that this radio hears, or will.
    fn heard(&self) -> Option<Flight> {
        let Doing::Listening { awaited, since } = self.doing else { return None };
        let air = self.air.borrow();
        let mut flights = air.flights.iter().filter(|flight| {
            let word = flight.word == awaited.word
                || awaited.complement.is_some() && flight.word == !awaited.word;
            Some(flight.channel) == self.channel && word && since + LEAD <= flight.at
        });
        flights.next().cloned()
    }

    /// When the radio signals a word.
    #[must_use]
    pub fn signal(&self) -> Option<u64> {
        self.heard().map(|flight| flight.at + WORD)
    }
}

impl FrontEnd for Radio {
    type Error = Dead;

    fn now(&mut self) -> Tick {
        Tick::new(self.now)
    }

    fn lead(&self) -> Micros {
        Micros::new(LEAD)
    }

    fn starts_within(&self) -> Micros {
        Micros::new(self.starts_within)
    }

    fn off(&mut self) -> Result<(), Dead> {
        self.doing = Doing::Off;
        self.call(10, "off")
    }

    fn tune(&mut self, channel: Channel) -> Result<(), Dead> {
        let before = self.channel.replace(channel).unwrap_or(channel);
        let jump = before.number().abs_diff(channel.number());
        self.doing = Doing::Tuned;
        self.call(self.settle + self.by_channel * u64::from(jump), "tune")
    }

    fn listen(&mut self, awaited: Awaited) -> Result<(), Dead> {
        self.call(20, "listen")?;
        self.doing = Doing::Listening { awaited, since: self.now };
        Ok(())
    }

    fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), Dead> {
        self.doing = Doing::Loaded { word, bits: bits.to_vec() };
        self.call(self.load, "load")
    }

    fn wait(&mut self, until: Tick) {
        self.now = self.now.max(until.us().saturating_add(self.oversleeps));
    }

    fn send(&mut self, at: Tick) -> Result<(), Dead> {
        let Doing::Loaded { word, bits } = self.doing.clone() else { return Err(Dead) };
        self.call(0, "send")?;
        // A radio that starts now has its word on the air a lead later.
        let at = at.us();
        assert_eq!(self.now + LEAD, at + self.oversleeps, "the driver starts it in time");
        self.doing = Doing::Sending { until: at + WORD + 8 * BIT * bits.len() as u64 };
        let channel = self.channel.expect("tuned before");
        self.air.borrow_mut().flights.push(Flight { channel, word, at, bits });
        self.now += self.starts;
        Ok(())
    }

    fn attend(&mut self, out: &mut [u8]) -> Result<Progress, Dead> {
        count_down(&mut self.looks_fail)?;
        if let Doing::Sending { until } = self.doing {
            if until <= self.now {
                self.doing = Doing::Off;
                return Ok(Progress::Idle);
            }
            return Ok(Progress::UnderWay { look: Tick::new(until) });
        }
        let Some(flight) = self.heard().filter(|flight| flight.at + WORD <= self.now) else {
            return Ok(Progress::Idle);
        };
        let end = flight.at + WORD + 8 * BIT * flight.bits.len() as u64;
        if self.now < end {
            return Ok(Progress::UnderWay { look: Tick::new(end) });
        }
        out[..flight.bits.len()].copy_from_slice(&flight.bits);
        if let Doing::Listening { since, .. } = &mut self.doing {
            *since = self.now;
        }
        let (word, at, length) = (flight.word, Tick::new(flight.at), flight.bits.len());
        Ok(Progress::Whole(Captured { word, at, length }))
    }

    fn level(&mut self) -> Result<Dbm, Dead> {
        count_down(&mut self.levels_fail)?;
        let disturbed = self.channel.is_some_and(|c| self.air.borrow().disturbed.contains(&c));
        Ok(Dbm::new(if disturbed { -40 } else { -120 }))
    }
}

/// The same radio where it is awaited.
impl asynchronous::FrontEnd for Radio {
    type Error = Dead;

    fn now(&mut self) -> Tick {
        FrontEnd::now(self)
    }

    fn lead(&self) -> Micros {
        FrontEnd::lead(self)
    }

    fn starts_within(&self) -> Micros {
        FrontEnd::starts_within(self)
    }

    async fn off(&mut self) -> Result<(), Dead> {
        FrontEnd::off(self)
    }

    async fn tune(&mut self, channel: Channel) -> Result<(), Dead> {
        FrontEnd::tune(self, channel)
    }

    async fn listen(&mut self, awaited: Awaited) -> Result<(), Dead> {
        FrontEnd::listen(self, awaited)
    }

    async fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), Dead> {
        FrontEnd::load(self, word, bits)
    }

    async fn wait(&mut self, until: Tick) {
        FrontEnd::wait(self, until);
    }

    async fn send(&mut self, at: Tick) -> Result<(), Dead> {
        FrontEnd::send(self, at)
    }

    async fn attend(&mut self, bits: &mut [u8]) -> Result<Progress, Dead> {
        FrontEnd::attend(self, bits)
    }

    async fn level(&mut self) -> Result<Dbm, Dead> {
        FrontEnd::level(self)
    }

    async fn idle(&mut self, until: Tick) {
        let signal = self.signal().unwrap_or(u64::MAX);
        let signal = if signal > self.now { signal } else { u64::MAX };
        self.now = self.now.max(until.us().min(signal));
    }
}
