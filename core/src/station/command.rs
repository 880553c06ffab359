//! What an operator asks of a station.

use super::Mode;
use crate::address::Target;
use crate::units::Tick;
use core::fmt;

/// What an operator asks of a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Command {
    /// Start the net's timeline, or re-form the net on it: a run of sync slots from the next slot
    /// on. For timekeepers, and for deputies after the silence of announces that they wait for. Where keys change on the
    /// air, a station that was switched off waits first for as long as an order is sent again: under the former
    /// key it would begin a timeline on which nobody can be picked up (specification section 8).
    Announce,
    /// Ask for the floor. [`Event::HoldOff`](super::Event::HoldOff) until
    /// [`Event::GoAhead`](super::Event::GoAhead).
    Press(Target),
    /// Give the floor up, or the wish for it. The slot under way is sent whole; a payload that waits for
    /// the next one is dropped.
    Release,
    /// Ask for the floor to send the order of a change of the net key, once
    /// [`take_order`](super::Station::take_order) has taken it here: until its slot to the net; later
    /// under the net key before, for those who have missed it. Send its columns twice, and again now and then
    /// (specification section 10).
    Order,
    /// Use the radio in another way from now on. Net time goes on underneath.
    Mode(Mode),
}

/// Why a command was refused; nothing changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Refused {
    /// Only a timekeeper or a deputy announces, or sends an order.
    NotTimekeeper,
    /// A deputy has heard an announce, or was switched on, too short a time ago: not before this
    /// instant.
    TooEarly(Tick),
    /// The stored watermark is lost: a new timeline might repeat an old one. Load a plan with a new key; or come into
    /// step behind others, store the watermark that is told then, and start again.
    WatermarkLost,
    /// No slots are left; the net needs a new plan.
    TimelineEnded,
    /// The station speaks, or wants to, already.
    Speaking,
    /// Nobody pressed; what was pressed for has been released; or the station announces, which cannot be stopped.
    NotSpeaking,
    /// An over or a run is under way, or may be (the station has just come back from elsewhere, or heard a run or
    /// an over end); a header waits for its second opinion; or the slots that come next have been used already, on a
    /// time that was ahead: ask again later. On a single channel there is neither announce nor order: go back to
    /// hopping first.
    Busy,
    /// The payload is longer than a slot's; the limit in bytes.
    TooLong(usize),
    /// The last payload has not been sent yet. Of an order: the keys of the change before have not been told yet.
    Full,
    /// The target is not in the station's directory: it has no key that the called would know.
    NoKey(Target),
    /// No order of a change of the net key has been taken.
    NoOrder,
    /// The order is not for this station, not for this net key, or not newer than the last.
    NotForUs,
    /// The plan has no calling channel.
    NoChannel,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotTimekeeper => f.write_str("only a timekeeper or a deputy announces"),
            Self::TooEarly(_) => f.write_str("announces have not been missing for long enough"),
            Self::WatermarkLost => f.write_str("the stored watermark is lost"),
            Self::TimelineEnded => f.write_str("no slots are left"),
            Self::Speaking => f.write_str("already speaking"),
            Self::NotSpeaking => f.write_str("not speaking"),
            Self::Busy => f.write_str("the net is busy"),
            Self::TooLong(limit) => write!(f, "a slot carries at most {limit} bytes"),
            Self::Full => f.write_str("the last payload has not been sent"),
            Self::NoKey(target) => write!(f, "{target} is not in the directory"),
            Self::NoOrder => f.write_str("no order of a change of keys has been taken"),
            Self::NotForUs => f.write_str("the order does not open here"),
            Self::NoChannel => f.write_str("the plan has no calling channel"),
        }
    }
}

impl core::error::Error for Refused {}
