//! What every [`Judge`](super::Judge) asks of a configuration once it is open.

use super::Refusal;
use crate::address::Address;
use crate::provision::{Configuration, Fault};
use crate::station::{Station, Watermark};

/// Whether an open configuration is one for this station, and a station with room for `N` channels
/// comes of it. It makes one and drops it: what is accepted is what starts.
///
/// # Errors
/// [`Refusal`] if not.
pub fn check_configuration<const N: usize>(
    content: &[u8],
    address: Address,
) -> Result<(), Refusal> {
    let configuration =
        Configuration::<N>::decode(content).map_err(|error| refusal_of(error.fault))?;
    if configuration.address != address {
        return Err(Refusal::OtherStation);
    }
    if configuration.layout().is_err() {
        return Err(Refusal::NoStation);
    }
    match Station::new(configuration.config(Watermark::Lost, 0)) {
        Ok(_) => Ok(()),
        Err(_) => Err(Refusal::NoStation),
    }
}

/// Why a station refuses what it cannot read.
pub(super) const fn refusal_of(fault: Fault) -> Refusal {
    match fault {
        Fault::Version(_) => Refusal::Version,
        Fault::Damaged | Fault::CutShort => Refusal::Damaged,
        Fault::TooLong { .. } => Refusal::TooLong,
        Fault::Hopset(_) | Fault::Timing(_) => Refusal::NoStation,
        Fault::Trailing
        | Fault::NotShortest
        | Fault::Indefinite
        | Fault::Malformed
        | Fault::Type
        | Fault::Depth
        | Fault::KeyOrder
        | Fault::KeyTwice
        | Fault::UnknownKey(_)
        | Fault::MissingKey(_)
        | Fault::Value(_) => Refusal::Content,
    }
}
