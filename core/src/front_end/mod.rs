//! What stands between a station and a packet radio: the driver loop, and a driver for one common
//! kind of transceiver.
//!
//! ```text
//!               Action              tune, listen, load, send
//!  Station ───────────────► Driver ─────────────────────────► FrontEnd ───► radio
//!          ◄───────────────        ◄─────────────────────────
//!               heard, energy       a word and its bits, a level, the time
//! ```
//!
//! 1. [`FrontEnd`] is what a radio must be able to do. A board implements it, or takes
//!    [`Transceiver`], which does it over `embedded-hal` for a [`Part`] that is described by numbers.
//! 2. [`Driver`] asks the station, does what it says, and takes to it what the radio heard. It
//!    measures how long the radio takes for that, and compares with what the plan allows
//!    ([`Delays`]).
//! 3. With the feature `hal-async`, [`asynchronous`] has the same for executors.
//! 4. With the feature `critical-section`, `SharedDriver` leaves the tuning to an interrupt at the
//!    start of the slot, by way of `shared`.
//!
//! # What the plan must leave for the radio
//!
//! ```text
//!  start of the slot                         unique word
//!  ├─────────── settle ───────────┼── guard ──┤
//!  ├ tune, listen ┤ room ├─ lead ─┤                 a receiver: listens before the earliest preamble
//!  ├ tune, load ──┤   room   ├──── lead ──────┤     a sender: has begun its preamble in time
//! ```
//!
//! The lead is what a transmitter needs before the unique word: the order, its ramp and the preamble. A plan's
//! settling time so holds both the synthesiser's and the lead. A sender may use the guard as well:
//! it is the receiver's clock that the guard is for.

mod delays;
mod driver;
mod duty;
mod machine;
mod part;
#[cfg(feature = "critical-section")]
mod shared_driver;
mod transceiver;

#[cfg(feature = "hal-async")]
pub mod asynchronous;

pub use delays::{Delays, TooSlow};
pub use driver::{Driver, QualifyError, Step};
pub use duty::Tally;
pub use part::{Modes, Part, PartError, Registers, Status};
#[cfg(feature = "critical-section")]
pub use shared_driver::{SharedDriver, SharedStep};
pub use transceiver::{Board, NoPin, Polled, RadioError, Stamps, Transceiver};

use crate::units::{Channel, Dbm, Micros, Tick};

/// A packet radio with a programmable unique word and time stamps.
///
/// # The implementation's part
///
/// * All times are of one clock, that of [`now`](Self::now), which never runs backwards.
/// * After [`tune`](Self::tune) the transmitter is off, whatever was before.
/// * A receiver that has handed over a whole reception goes on listening for the same words.
/// * A transmitter that has sent its bits goes silent by itself, at the latest in the next
///   [`attend`](Self::attend).
/// * Nothing is transmitted but by [`send`](Self::send), and by that once.
/// * No call waits longer than it says.
pub trait FrontEnd {
    /// Why a call failed.
    type Error;

    /// The station's clock.
    fn now(&mut self) -> Tick;

    /// From the call that starts a transmission to the start of its unique word: what that call takes
    /// ([`starts_within`](Self::starts_within)), ramp and preamble.
    fn lead(&self) -> Micros;

    /// How much of the [`lead`](Self::lead) is for what [`send`](Self::send) itself takes until it returns: bus and
    /// code. The radio's ramp and the preamble come behind that, and are none of it. A driver that finds a start to have
    /// taken longer by more than half of the plan's jitter, because something came in between, switches the transmitter
    /// off: the word would come late. As it stands here, nothing: the radio has its order at once, or a timer of its own.
    fn starts_within(&self) -> Micros {
        Micros::ZERO
    }

    /// Neither listens nor transmits.
    ///
    /// # Errors
    /// If the radio cannot be reached.
    fn off(&mut self) -> Result<(), Self::Error>;

    /// Goes to a channel, with the transmitter off. Returns when the synthesiser has settled.
    ///
    /// # Errors
    /// If the radio cannot be reached, or does not settle.
    fn tune(&mut self, channel: Channel) -> Result<(), Self::Error>;

    /// Listens on the channel. Returns when the receiver is ready, which is not before the synthesiser
    /// has settled: an interrupt may have set it.
    ///
    /// # Errors
    /// If the radio cannot be reached, or does not settle.
    fn listen(&mut self, awaited: Awaited) -> Result<(), Self::Error>;

    /// Gets ready to send a unique word and bits behind it, first bit most significant. Returns when
    /// all is ready, the synthesiser as well; nothing is on the air yet.
    ///
    /// # Errors
    /// If the radio cannot be reached, does not settle, or has no room for the bits.
    fn load(&mut self, word: u32, bits: &[u8]) -> Result<(), Self::Error>;

    /// Waits until `until`, to the microsecond as well as it can. Never longer than a slot.
    fn wait(&mut self, until: Tick);

    /// Starts the transmission of what was loaded. It is called a lead before `at`, when the unique
    /// word has to start; a radio with a timer of its own goes by `at`. Does not wait for the end.
    ///
    /// # Errors
    /// If the radio cannot be reached.
    fn send(&mut self, at: Tick) -> Result<(), Self::Error>;

    /// Looks after a reception or a transmission under way, and tells where it is. The bits of a
    /// reception are put into `bits`, as many as there is room for: it is the same from the first call
    /// to the one that finds it whole. Does not wait.
    ///
    /// # Errors
    /// If the radio cannot be reached.
    fn attend(&mut self, bits: &mut [u8]) -> Result<Progress, Self::Error>;

    /// The power on the channel now.
    ///
    /// # Errors
    /// If the radio cannot be reached.
    fn level(&mut self) -> Result<Dbm, Self::Error>;

    /// Makes a radio that a hop interrupt sets what the interrupt has made it: on the channel where it
    /// is, with the synthesiser on and nothing under way. The interrupt may have come in the middle of
    /// another call, whose end has then changed the mode behind it, or left bits of the last slot in
    /// the memory; and a call that failed may have left anything. If that cannot be with a radio, there is
    /// nothing to do, as it stands here. No driver without an interrupt calls it.
    ///
    /// # Errors
    /// If the radio cannot be reached.
    fn renew(&mut self) -> Result<(), Self::Error> {
        Ok(())
    }
}

/// What a receiver waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Awaited {
    /// The unique word.
    pub word: u32,
    /// The bytes behind it.
    pub bytes: u16,
    /// The bytes behind its bitwise complement, if that is waited for as well. A radio that can
    /// match only one word waits for [`word`](Self::word); its station then misses the headers
    /// that come on traffic channels, and is called by those of the sync slots alone.
    pub complement: Option<u16>,
}

/// Where a reception or a transmission is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Progress {
    /// Nothing is under way.
    Idle,
    /// A unique word has been recognised and its bits come in; or bits go out.
    UnderWay {
        /// When to look after it again at the latest: before the radio's memory runs over or
        /// empty, and when the last bit is due.
        look: Tick,
    },
    /// A reception is whole.
    Whole(Captured),
}

/// A reception as the radio got it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Captured {
    /// Which of the words that were waited for.
    pub word: u32,
    /// When the word started.
    pub at: Tick,
    /// How many bytes of bits there are.
    pub length: usize,
}

/// Something that tells the station's time.
pub trait Clock {
    /// The time now. Never runs backwards.
    fn now(&mut self) -> Tick;
}

impl<F: FnMut() -> Tick> Clock for F {
    fn now(&mut self) -> Tick {
        self()
    }
}
