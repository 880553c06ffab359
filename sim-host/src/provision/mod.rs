//! Getting keys and configurations out to stations: keys, rosters, sealed files, typed groups
//! (`docs/provisioning.md`).
//!
//! ```text
//! plan + roster ──► configurations (core) ──seal──► a folder of files, one a station
//!                                            ▲
//!                         passphrase or transfer key
//! ```
//!
//! Secrets come from files or from a terminal, never from a command line, are wiped when they are
//! dropped, and are in no error and no `Debug`.

mod roster;
mod seal;
mod secret;
mod shown;
mod station_file;

pub use roster::{Roster, RosterStation};
pub use seal::{
    KDF_LIMIT_KIB, OpenError, PASSPHRASE_KDF, Sealing, Secret, argon2id, open, open_envelope, seal,
};
pub use secret::{
    create_private, draw_order, fingerprint_text, keep_out_of_core_dumps, parse_hex_address,
    random, read_passphrase, read_transfer_key,
};
pub(crate) use secret::{hex, key_text, write_private};
pub(crate) use shown::directory_text;
pub use shown::{Shown, ShownEnvelope, ShownShare, envelope_shown, rank_word, shown};
pub use station_file::{StationFile, decode_refused, read_station_file};

use crate::diagnostic::Diagnostic;
use crate::plan::{MAX_HOPSET, Plan};
use hopwright_core::provision::Configuration;
use std::path::PathBuf;
use zeroize::Zeroizing;

/// A station's sealed configuration, ready to be written.
#[derive(Debug)]
pub struct Provisioned {
    /// The name of its file.
    pub file: PathBuf,
    /// Its bytes.
    pub sealed: Vec<u8>,
}

/// Encodes a configuration. The bytes hold the net key in the clear.
#[must_use]
pub fn encode<const N: usize>(configuration: &Configuration<'_, N>) -> Zeroizing<Vec<u8>> {
    // Room for the largest, so that growing leaves no copy behind.
    let mut bytes =
        Zeroizing::new(Vec::with_capacity(hopwright_core::provision::MAX_CONFIGURATION));
    configuration.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

/// Makes and seals the configuration of every station of a roster. The same plan, roster, sealing
/// and `random` give the same bytes.
///
/// A station gets a share of the key tree if the plan has one, with the plan's generation and the
/// roster's directory.
///
/// # Errors
/// [`Diagnostic`] if a station has a lane that the plan does not have, has been withdrawn from the
/// plan or has too many targets in its directory, or `random` fails.
pub fn provision(
    plan: &Plan,
    roster: &Roster,
    sealing: &Sealing,
    random: &mut dyn FnMut(&mut [u8]) -> Result<(), Diagnostic>,
) -> Result<Vec<Provisioned>, Diagnostic> {
    if let Some(station) = roster.withdrawn(plan) {
        return Err(Diagnostic::new(roster::withdrawn_text(station), "leave it out of the roster"));
    }
    let (public, digest) = (plan.public(), plan.digest());
    let band_key = plan.named_band_key();
    let tree = plan.has_key_tree().then(|| plan.key_tree()).transpose()?;
    let mut all = Vec::with_capacity(roster.stations.len());
    for station in &roster.stations {
        let RosterStation { address, rank, lane, .. } = *station;
        let cannot = |why: &dyn std::fmt::Display, help: &str| {
            Diagnostic::new(format!("\"{}\" cannot be provisioned: {why}", station.name), help)
        };
        let mut configuration: Configuration<'_, MAX_HOPSET> = public
            .configuration(digest, plan.net_key(), band_key.as_ref(), address, rank, lane)
            .map_err(|e| cannot(&e, "change its `lane` in the roster, or [lanes] of the plan"))?;
        if let Some(tree) = &tree {
            let share = tree.share(address, plan.generation(), &roster.directory(station));
            let share = share.map_err(|e| cannot(&e, "list fewer targets under its `calls`"))?;
            configuration.share = Some(share);
        }
        let plain = encode(&configuration);
        let mut nonce = [0; 12];
        random(&mut nonce)?;
        let sealed = seal(&plain, sealing, address, nonce)?;
        all.push(Provisioned { file: file_name(station), sealed });
    }
    Ok(all)
}

/// The name of a station's file.
#[must_use]
pub fn file_name(station: &RosterStation) -> PathBuf {
    PathBuf::from(format!("station-{}.sealed", station.address))
}
