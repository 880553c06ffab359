//! What an emulated station makes of a configuration.

use crate::provision::{Secret, open_envelope};
use crate::world::CAPACITY;
use hopwright_core::address::Address;
use hopwright_core::loader::{Judge, Refusal, check_configuration};
use hopwright_core::provision::{Envelope, Fault};

/// Opens what is sealed, if it has the secret, and asks the core whether a station comes of it.
#[derive(Debug)]
pub struct EmulatedJudge {
    /// The station's address, if it has one.
    pub address: Option<Address>,
    /// What opens sealed configurations.
    pub secret: Option<Secret>,
}

impl Judge for EmulatedJudge {
    fn address(&self) -> Option<Address> {
        self.address
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal> {
        if !Envelope::begins(content) {
            return check_configuration::<CAPACITY>(content, address);
        }
        let envelope = Envelope::decode(content).map_err(|error| match error.fault {
            Fault::Version(_) => Refusal::Version,
            _ => Refusal::Content,
        })?;
        if envelope.header.address != address {
            return Err(Refusal::OtherStation);
        }
        let secret = self.secret.as_ref().ok_or(Refusal::Seal)?;
        let plain = open_envelope(&envelope, secret).map_err(|_| Refusal::Seal)?;
        check_configuration::<CAPACITY>(&plain, address)
    }
}
