//! The driver for executors: while it waits, for the bus, for the radio or for a slot, other tasks
//! run.
//!
//! The same decisions are made as in the blocking [`Driver`](super::Driver); only the waiting
//! differs.
//!
//! ```text
//! loop {
//!     let step = driver.step(&mut station).await?;
//!     ...
//!     driver.idle(step.wake).await;
//! }
//! ```
//!
//! To give the station a command in between, drop `idle`, for example by a `select`. A step may be dropped too,
//! but costs more: see [`Driver::step`].
//!
//! A task that takes long between two of its own waits delays all others, this one among them.
//! Where that may happen, give the driver an executor of its own in an interrupt of higher priority.
//!
//! One panic is left here, and only here: the compiler's own, in every `async fn`, if a future is polled
//! again after it has ended. No executor may do that; `await` does not.

mod driver;
mod transceiver;

pub use driver::Driver;
pub use transceiver::{Edge, Transceiver};

use super::{Awaited, Progress, Stamps};
use crate::units::{Channel, Dbm, Micros, Tick};
use core::future::Future;

/// A packet radio with a programmable unique word and time stamps. What is said of the blocking
/// [`FrontEnd`](super::FrontEnd) holds here too, call by call.
///
/// Any call may be dropped unfinished, if the driver's [`step`](Driver::step) is. Whatever it leaves behind,
/// [`off`](Self::off) and [`tune`](Self::tune) put in order.
pub trait FrontEnd {
    /// Why a call failed.
    type Error;

    /// The station's clock.
    fn now(&mut self) -> Tick;

    /// From the call that starts a transmission to the start of its unique word: that call, ramp and preamble.
    fn lead(&self) -> Micros;

    /// How much of the lead is for what [`send`](Self::send) itself takes until it returns.
    fn starts_within(&self) -> Micros {
        Micros::ZERO
    }

    /// Neither listens nor transmits.
    fn off(&mut self) -> impl Future<Output = Result<(), Self::Error>>;

    /// Goes to a channel, with the transmitter off.
    fn tune(&mut self, channel: Channel) -> impl Future<Output = Result<(), Self::Error>>;

    /// Listens on the channel.
    fn listen(&mut self, awaited: Awaited) -> impl Future<Output = Result<(), Self::Error>>;

    /// Gets ready to send a unique word and bits behind it.
    fn load(&mut self, word: u32, bits: &[u8]) -> impl Future<Output = Result<(), Self::Error>>;

    /// Waits until `until`, to the microsecond as well as it can.
    fn wait(&mut self, until: Tick) -> impl Future<Output = ()>;

    /// Starts the transmission of what was loaded, a lead before `at`.
    fn send(&mut self, at: Tick) -> impl Future<Output = Result<(), Self::Error>>;

    /// Looks after a reception or a transmission under way, and tells where it is.
    fn attend(&mut self, bits: &mut [u8]) -> impl Future<Output = Result<Progress, Self::Error>>;

    /// The power on the channel now.
    fn level(&mut self) -> impl Future<Output = Result<Dbm, Self::Error>>;

    /// Waits until `until`, or until the radio signals a unique word. May be dropped unfinished:
    /// nothing is lost then.
    fn idle(&mut self, until: Tick) -> impl Future<Output = ()>;
}

/// Tells when a unique word was recognised, and can be waited for.
pub trait AwaitStamps: Stamps {
    /// Waits for the next signal. May be dropped unfinished: nothing is lost then. Ends as well if the
    /// signal cannot be waited for; the next [`stamp`](Stamps::stamp) tells why, even if
    /// [`clear`](Stamps::clear) comes first.
    fn signalled(&mut self) -> impl Future<Output = ()>;
}
