//! The link layer of a frequency-hopping radio net, as one `no_std` state machine without input
//! or output of its own: what you simulate is what you flash.
//!
//! ```text
//!                time, unique words heard, energy, commands
//!  driver / simulator / fuzzer  ───────────────►  station::Station  ───►  actions, events
//!                                                   │      │     │
//!            sequence ◄─────────────────────────────┘      │     └────────────► clock
//!          which channel when                          header            what time it is,
//!             │        │                           who, whom, when        and how surely
//!           band      keys ◄─────────────────────────────┘
//!  channels that may   every secret choice           coding
//!      be used                                   wrong bits corrected
//! ```
//!
//! In reading order:
//!
//! 1. [`units`]: slots, channels, ticks and other quantities, each with a type of its own.
//! 2. [`band`]: the raster, exclusions, hopsets, lanes.
//! 3. [`keys`]: the net key, and keyed words drawn from it.
//! 4. [`sequence`]: frames, sync slots, rendezvous channels, traffic hops.
//! 5. [`timing`]: what a slot is made of on the air.
//! 6. [`address`], [`header`], [`coding`]: who calls whom, sealed and protected.
//! 7. [`tree`]: addressing enforced by keys; withdrawal.
//! 8. [`clock`]: net time as an interval.
//! 9. [`acquire`]: how to find the net without knowing the time.
//! 10. [`station`]: the state machine that puts these to use.
//! 11. [`seal`], [`message`]: what is said, whole or not at all.
//! 12. [`stream`], [`relay`]: voice bits over its traffic slots, and overs carried to another net.
//! 13. [`record`]: its inputs and outputs as bytes, for replay and comparison.
//! 14. [`provision`]: its configuration as bytes, sealed or typed by hand.
//! 15. [`loader`]: how a carrier device brings it a new one.
//! 16. `front_end` (feature `hal`): the driver loop, and a driver for a packet radio.
//! 17. `shared` (feature `critical-section`): slots prepared by the loop, taken by an interrupt.
//!
//! Further features: `hal-async` for executors, `embedded-io` for the loader over a port, `defmt`.
//!
//! The link that all this implements is specified in `docs/specification.md`; section numbers in
//! the documentation are of that document.
//!
//! # What this crate does not do
//!
//! It does not draw entropy, log, allocate or panic; it stores only through the caller's `loader::Storage`, and reads a
//! clock or waits only in the drivers (feature `hal`) and in the loader over a port (`embedded-io`). (The one panic there is, is the compiler's: a future of
//! `front_end::asynchronous` that is polled after its end.) Its cryptography is composed of published primitives
//! and has been certified by nobody.
//!
//! # Example
//!
//! A timekeeper announces: when its first slot is sent, and how much that is.
//!
//! ```
//! use hopwright_core::{
//!     address::Address,
//!     band::{Hopset, Pick, Raster},
//!     clock::ClockPlan,
//!     keys::NetKey,
//!     sequence::Structure,
//!     station::{Command, Config, FixedChannels, Radio, Role, Station, Watermark},
//!     timing::Timing,
//!     units::{Dbm, Hertz, Lane, Micros, Ppb, Tick},
//! };
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let key = NetKey::new([7; 32]);
//! let step = Hertz::new(200_000);
//! let raster = Raster::new(Hertz::new(902_300_000), step, step, 128)?;
//! let station = |address, role| -> Result<Station<128>, Box<dyn std::error::Error>> {
//!     Ok(Station::new(Config {
//!         key: &key,
//!         hopset: Hopset::derive(&key, &raster, &raster.all(), Pick::All, None, Lane::ZERO)?,
//!         structure: Structure::default(),
//!         lane: Lane::ZERO,
//!         draw_lane: Lane::ZERO,
//!         timing: Timing::new(20_000, 1_000, 500, 50_000)?,
//!         clock: ClockPlan::new(Ppb::new(1_000).unwrap(), Micros::new(20), Micros::new(100)),
//!         announce_slots: 176,
//!         energy_threshold: Dbm::new(-95),
//!         fixed: FixedChannels::NONE,
//!         address: Address::new(address),
//!         role,
//!         share: None,
//!         // Both from storage and entropy: the same at every start repeats keystream.
//!         watermark: Watermark::Fresh,
//!         seed: u64::from(address),
//!     })?)
//! };
//! let mut post = station(0x10, Role::Timekeeper)?;
//! post.command(Tick::ZERO, Command::Announce)?;
//! let Radio::Transmit { at, .. } = post.poll(Tick::ZERO).radio else { panic!("it announces") };
//! // Settle and guard come before the unique word.
//! assert_eq!(at, Tick::new(1_500));
//! assert_eq!(post.burst().len(), 33, "a coded header");
//! # Ok(())
//! # }
//! ```

#![no_std]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::arithmetic_side_effects,
        clippy::expect_used,
        clippy::float_arithmetic,
        clippy::indexing_slicing,
        clippy::panic,
        clippy::todo,
        clippy::unimplemented,
        clippy::unreachable,
        clippy::unwrap_used
    )
)]

#[cfg(test)]
extern crate std;

pub mod acquire;
pub mod address;
mod append;
pub mod band;
pub mod clock;
pub mod coding;
#[cfg(feature = "hal")]
pub mod front_end;
pub mod header;
pub mod keys;
pub mod loader;
pub mod message;
mod nuisance;
pub mod provision;
pub mod record;
pub mod relay;
pub mod seal;
pub mod sequence;
#[cfg(feature = "critical-section")]
pub mod shared;
pub mod station;
pub mod stream;
pub mod timing;
pub mod tree;
pub mod units;

/// The steps in which an exhaustive test goes on: `under_miri` there, which takes a hundred times as
/// long, and elsewhere 1.
#[cfg(test)]
const fn sparse(under_miri: usize) -> usize {
    if cfg!(miri) { under_miri } else { 1 }
}
