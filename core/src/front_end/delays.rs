//! How long a radio takes, against what the plan leaves it.

use crate::timing::Timing;
use crate::units::Micros;
use core::fmt;

/// The longest times that a driver has met with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Delays {
    /// From the order to go to a channel until the receiver listens there.
    pub settle: Micros,
    /// From the order to leave what was before until the transmitter is ready.
    pub turnaround: Micros,
    /// From the time at which the station had to be asked until it was.
    pub response: Micros,
}

/// A radio does not keep to the times that the plan promises the rest of the net.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum TooSlow {
    /// Ramp and preamble alone take the whole settling time.
    Lead {
        /// What they take.
        lead: Micros,
        /// The plan's settling time.
        settle: Micros,
    },
    /// The receiver listens too late for the earliest preamble.
    Settle {
        /// The longest that it took.
        measured: Micros,
        /// The settling time less the lead.
        allowed: Micros,
    },
    /// The transmitter is ready too late for its preamble.
    Turnaround {
        /// The longest that it took.
        measured: Micros,
        /// Settling time and guard less the lead.
        allowed: Micros,
    },
}

impl fmt::Display for TooSlow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Lead { lead, settle } => {
                write!(f, "ramp and preamble take {lead} of a settling time of {settle}")
            }
            Self::Settle { measured, allowed } => {
                write!(f, "the receiver takes {measured} to listen; the plan leaves {allowed}")
            }
            Self::Turnaround { measured, allowed } => {
                write!(f, "the transmitter takes {measured} to be ready; the plan leaves {allowed}")
            }
        }
    }
}

impl core::error::Error for TooSlow {}

impl Delays {
    /// Whether these are within what a plan leaves a radio with that lead. Constant work.
    ///
    /// The response is none of the radio's, and not judged here: it comes on top.
    ///
    /// # Errors
    /// [`TooSlow`] for the first that is not.
    pub fn within(&self, timing: &Timing, lead: Micros) -> Result<(), TooSlow> {
        let (settle, offset) = (timing.settle(), timing.word_offset());
        if lead >= settle {
            return Err(TooSlow::Lead { lead, settle });
        }
        let left = |of: Micros| Micros::new(of.us().saturating_sub(lead.us()));
        let (measured, allowed) = (self.settle, left(settle));
        if measured > allowed {
            return Err(TooSlow::Settle { measured, allowed });
        }
        let (measured, allowed) = (self.turnaround, left(offset));
        if measured > allowed {
            return Err(TooSlow::Turnaround { measured, allowed });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_plan_leaves_is_counted_to_the_microsecond() {
        let timing = Timing::new(20_000, 1_000, 500, 50_000).unwrap();
        let lead = Micros::new(640);
        let within = |settle, turnaround| {
            let (settle, turnaround) = (Micros::new(settle), Micros::new(turnaround));
            Delays { settle, turnaround, response: Micros::ZERO }.within(&timing, lead)
        };
        assert_eq!(within(360, 860), Ok(()));
        let (measured, allowed) = (Micros::new(361), Micros::new(360));
        assert_eq!(within(361, 0), Err(TooSlow::Settle { measured, allowed }));
        let (measured, allowed) = (Micros::new(861), Micros::new(860));
        assert_eq!(within(0, 861), Err(TooSlow::Turnaround { measured, allowed }));
        let settle = Micros::new(1_000);
        assert_eq!(
            Delays::default().within(&timing, settle),
            Err(TooSlow::Lead { lead: settle, settle })
        );
    }
}
