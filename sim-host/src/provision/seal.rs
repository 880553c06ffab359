//! Sealing and opening: Argon2id (RFC 9106) and ChaCha20-Poly1305 (RFC 8439 section 2.8).

use crate::diagnostic::Diagnostic;
use argon2::{Algorithm, Argon2, AssociatedData, ParamsBuilder, Version};
use chacha20poly1305::aead::{Aead, KeyInit, Payload};
use chacha20poly1305::{ChaCha20Poly1305, Key, Nonce};
use hopwright_core::address::Address;
use hopwright_core::provision::{Envelope, Header, Method};
use std::fmt;
use zeroize::Zeroizing;

/// Memory in KiB, passes and lanes of Argon2id: the second recommended option of RFC 9106
/// section 4, for environments with constrained memory.
pub const PASSPHRASE_KDF: (u32, u32, u32) = (65_536, 3, 4);
/// The most memory, in KiB, that a file may ask for when it is opened: 1 GiB. A file that asks for
/// more was not made to be opened.
pub const KDF_LIMIT_KIB: u32 = 1 << 20;
/// The most passes and lanes that a file may ask for.
const KDF_LIMIT: u32 = 16;

/// What seals and opens.
pub enum Secret {
    /// A passphrase.
    Passphrase(Zeroizing<String>),
    /// A transfer key.
    TransferKey(Zeroizing<[u8; 32]>),
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(..)")
    }
}

/// A key ready to seal with, and what the header says of it. A passphrase is stretched once for
/// all files of a folder.
pub struct Sealing {
    key: Zeroizing<[u8; 32]>,
    method: Method,
}

impl fmt::Debug for Sealing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Sealing").field("method", &self.method).finish_non_exhaustive()
    }
}

/// Why a sealed configuration does not open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OpenError {
    /// It was sealed with a passphrase, and this is a transfer key.
    NeedsPassphrase,
    /// It was sealed with a transfer key, and this is a passphrase.
    NeedsTransferKey,
    /// It asks for more memory or time than is given.
    TooCostly,
    /// The tag does not fit: the secret is another one, or the file has been altered. Nobody can
    /// tell which.
    Tag,
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NeedsPassphrase => "it is sealed with a passphrase, not with a transfer key",
            Self::NeedsTransferKey => "it is sealed with a transfer key, not with a passphrase",
            Self::TooCostly => "it asks for more memory or passes than any file made here",
            Self::Tag => "it does not open: the secret is another one, or the file was altered",
        })
    }
}

impl std::error::Error for OpenError {}

/// Argon2id version 0x13, 32 bytes. Sealing uses neither `secret` nor `data`; they are here so
/// that the very function can be held against RFC 9106 section 5.3.
///
/// # Errors
/// [`OpenError::TooCostly`] if the parameters are out of Argon2's range.
pub fn argon2id(
    password: &[u8],
    salt: &[u8],
    secret: &[u8],
    data: &[u8],
    (memory_kib, passes, lanes): (u32, u32, u32),
) -> Result<Zeroizing<[u8; 32]>, OpenError> {
    let costly = |_| OpenError::TooCostly;
    let mut params = ParamsBuilder::new();
    params.m_cost(memory_kib).t_cost(passes).p_cost(lanes).output_len(32);
    params.data(AssociatedData::new(data).map_err(costly)?);
    let params = params.build().map_err(costly)?;
    let argon2 = Argon2::new_with_secret(secret, Algorithm::Argon2id, Version::V0x13, params)
        .map_err(costly)?;
    let mut key = Zeroizing::new([0; 32]);
    argon2.hash_password_into(password, salt, &mut *key).map_err(costly)?;
    Ok(key)
}

impl Secret {
    /// Makes ready to seal. `salt` is for a passphrase; every folder has its own.
    ///
    /// # Errors
    /// [`OpenError::TooCostly`] if `kdf` is out of range.
    pub fn sealing(&self, salt: [u8; 16], kdf: (u32, u32, u32)) -> Result<Sealing, OpenError> {
        let method = match self {
            Self::Passphrase(_) => {
                let (memory_kib, passes, lanes) = kdf;
                Method::Passphrase { memory_kib, passes, lanes, salt }
            }
            Self::TransferKey(_) => Method::TransferKey,
        };
        Ok(Sealing { key: self.key_for(&method)?, method })
    }

    fn key_for(&self, method: &Method) -> Result<Zeroizing<[u8; 32]>, OpenError> {
        match (self, method) {
            (Self::TransferKey(key), Method::TransferKey) => Ok(key.clone()),
            (Self::Passphrase(text), Method::Passphrase { memory_kib, passes, lanes, salt }) => {
                let limits =
                    *memory_kib <= KDF_LIMIT_KIB && *passes <= KDF_LIMIT && *lanes <= KDF_LIMIT;
                if !limits {
                    return Err(OpenError::TooCostly);
                }
                argon2id(text.as_bytes(), salt, &[], &[], (*memory_kib, *passes, *lanes))
            }
            (Self::TransferKey(_), _) => Err(OpenError::NeedsPassphrase),
            (Self::Passphrase(_), _) => Err(OpenError::NeedsTransferKey),
        }
    }
}

/// Seals a configuration for one station. A nonce must not be used twice with one key.
///
/// # Errors
/// [`Diagnostic`] never for what a plan gives.
pub fn seal(
    plain: &[u8],
    sealing: &Sealing,
    address: Address,
    nonce: [u8; 12],
) -> Result<Vec<u8>, Diagnostic> {
    let mut header = Vec::new();
    Header { address, method: sealing.method, nonce }
        .encode(&mut |bytes: &[u8]| header.extend_from_slice(bytes));
    let cipher = ChaCha20Poly1305::new(&Key::from(*sealing.key));
    let payload = Payload { msg: plain, aad: &header };
    let ciphertext = cipher.encrypt(&Nonce::from(nonce), payload).map_err(|_| {
        Diagnostic::new("the configuration is too long to be sealed", "this cannot happen")
    })?;
    let mut sealed = Vec::new();
    Envelope::encode(&header, &ciphertext, &mut |bytes: &[u8]| sealed.extend_from_slice(bytes));
    Ok(sealed)
}

/// Opens the ciphertext of an envelope.
///
/// # Errors
/// [`OpenError`] if the secret is of the other kind, or the tag does not fit.
pub fn open_envelope(
    envelope: &Envelope<'_>,
    secret: &Secret,
) -> Result<Zeroizing<Vec<u8>>, OpenError> {
    let key = secret.key_for(&envelope.header.method)?;
    open(&key, &envelope.header.nonce, envelope.header_bytes, envelope.ciphertext)
}

/// Opens a ciphertext with its tag: ChaCha20-Poly1305.
///
/// # Errors
/// [`OpenError::Tag`].
pub fn open(
    key: &[u8; 32],
    nonce: &[u8; 12],
    aad: &[u8],
    ciphertext: &[u8],
) -> Result<Zeroizing<Vec<u8>>, OpenError> {
    let cipher = ChaCha20Poly1305::new(&Key::from(*key));
    let payload = Payload { msg: ciphertext, aad };
    let plain = cipher.decrypt(&Nonce::from(*nonce), payload).map_err(|_| OpenError::Tag)?;
    Ok(Zeroizing::new(plain))
}
