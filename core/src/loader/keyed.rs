//! The judge of a station that holds a transfer key.

use super::check::refusal_of;
use super::{Judge, Refusal, check_configuration};
use crate::address::Address;
use crate::provision::{Envelope, OpenError, TransferKey};

/// Takes what is sealed with its transfer key, is for its address, and makes a station with room
/// for `N` channels. It refuses what comes open: of that, anybody with a cable could be the author.
///
/// What is judged is a copy, opened in place; what is stored and committed are the bytes that were
/// carried, still sealed ([`Store`](super::Store)). So flash memory holds no net key in the clear,
/// and the digest of the offer stays the digest of what is in use. A station opens its
/// configuration at each start:
///
/// ```text
/// store.load(&mut work) ──► judge.open(..) ──► Configuration::decode(..) ──► config(..) ──► Station
/// ```
///
/// After a change of keys it seals the new ones in the same way ([`KeyedJudge::seal`]) before it stores
/// them ([`Store::replace`](super::Store::replace)): what is open it would not start with.
///
/// A station that loses its transfer key has lost its configuration; one that is given another has
/// to be loaded anew.
#[derive(Debug)]
pub struct KeyedJudge<const N: usize> {
    key: TransferKey,
    address: Option<Address>,
}

impl<const N: usize> KeyedJudge<N> {
    /// A judge with a transfer key, for the station with this address; without one, any is taken.
    #[must_use]
    pub const fn new(key: TransferKey, address: Option<Address>) -> Self {
        Self { key, address }
    }

    /// Opens a configuration in place: one in use after a start, or one that is offered.
    ///
    /// # Errors
    /// [`Refusal::Unsealed`] if it is not sealed, [`Refusal::Seal`] if it does not open,
    /// [`Refusal::Version`] or [`Refusal::Content`] if it is no envelope that is known. The content
    /// is as it was then.
    pub fn open<'b>(&self, content: &'b mut [u8]) -> Result<&'b [u8], Refusal> {
        if !Envelope::begins(content) {
            return Err(Refusal::Unsealed);
        }
        match self.key.open(content) {
            Ok(open) => Ok(open),
            Err(OpenError::Forged | OpenError::Passphrase) => Err(Refusal::Seal),
            Err(OpenError::Envelope(error)) => Err(refusal_of(error.fault)),
        }
    }

    /// Seals a configuration's encoding, so that it can be stored: [`TransferKey::seal`].
    #[must_use]
    pub fn seal<'b>(
        &self,
        address: Address,
        nonce: [u8; 12],
        content: &[u8],
        into: &'b mut [u8],
    ) -> Option<&'b mut [u8]> {
        self.key.seal(address, nonce, content, into)
    }
}

impl<const N: usize> Judge for KeyedJudge<N> {
    fn address(&self) -> Option<Address> {
        self.address
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal> {
        // Another station's is named as such even where its key is another one.
        let header = Envelope::decode(content).map(|envelope| envelope.header.address);
        if header.is_ok_and(|header| header != address) {
            return Err(Refusal::OtherStation);
        }
        // The configuration says again, under the seal, whose it is.
        check_configuration::<N>(self.open(content)?, address)
    }
}
