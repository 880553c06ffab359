//! What an emulated station makes of a configuration.

use crate::provision::{Secret, open_envelope};
use crate::world::CAPACITY;
use hopwright_core::address::Address;
use hopwright_core::loader::{Judge, KeyedJudge, Refusal, check_configuration};
use hopwright_core::provision::{Envelope, Fault, TransferKey};
use zeroize::Zeroizing;

/// The judge of an emulated station. With a transfer key it is the core's own; the host can afford
/// a passphrase too, which no station can.
#[derive(Debug)]
pub enum EmulatedJudge {
    /// The station has a transfer key.
    Keyed(KeyedJudge<CAPACITY>),
    /// It is told a passphrase.
    Passphrase {
        /// Its address, if it has one.
        address: Option<Address>,
        /// The passphrase.
        secret: Secret,
    },
    /// It has no secret, and takes what the carrier has opened.
    Open {
        /// Its address, if it has one.
        address: Option<Address>,
    },
}

impl EmulatedJudge {
    /// A judge for the station with this address, if it has one, and what opens sealed
    /// configurations.
    #[must_use]
    pub fn new(address: Option<Address>, secret: Option<Secret>) -> Self {
        match secret {
            Some(Secret::TransferKey(key)) => {
                Self::Keyed(KeyedJudge::new(TransferKey::new(*key), address))
            }
            Some(secret @ Secret::Passphrase(_)) => Self::Passphrase { address, secret },
            None => Self::Open { address },
        }
    }

    /// Opens what is in use, as a station does at each start.
    ///
    /// # Errors
    /// [`Refusal`] if it does not open.
    pub fn open(&self, content: &mut [u8]) -> Result<Zeroizing<Vec<u8>>, Refusal> {
        match self {
            Self::Keyed(judge) => judge.open(content).map(|open| Zeroizing::new(open.to_vec())),
            Self::Passphrase { secret, .. } if Envelope::begins(content) => {
                let envelope = Envelope::decode(content).map_err(|error| match error.fault {
                    Fault::Version(_) => Refusal::Version,
                    _ => Refusal::Content,
                })?;
                open_envelope(&envelope, secret).map_err(|_| Refusal::Seal)
            }
            Self::Passphrase { .. } => Err(Refusal::Unsealed),
            Self::Open { .. } if Envelope::begins(content) => Err(Refusal::Seal),
            Self::Open { .. } => Ok(Zeroizing::new(content.to_vec())),
        }
    }
}

impl Judge for EmulatedJudge {
    fn address(&self) -> Option<Address> {
        match self {
            Self::Keyed(judge) => judge.address(),
            Self::Passphrase { address, .. } | Self::Open { address } => *address,
        }
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal> {
        if let Self::Keyed(judge) = self {
            return judge.judge(content, address);
        }
        let header = Envelope::decode(content).map(|envelope| envelope.header.address);
        if header.is_ok_and(|header| header != address) {
            return Err(Refusal::OtherStation);
        }
        check_configuration::<CAPACITY>(&self.open(content)?, address)
    }
}
