//! Host tools for frequency-hopping nets: read a plan, check it, list its hops, simulate nets.
//!
//! Nothing here decides anything about the link: every channel, word and bit count comes from
//! `hopwright_core`, the crate that firmware embeds.
//!
//! | module | what lives there |
//! |---|---|
//! | [`diagnostic`] | one clear error per bad input: what, where, how to mend it |
//! | [`input`] | files and TOML tables read with the place of every value kept |
//! | [`keytree`] | the planner's part of the key tree: shares, covers, changes of the net key |
//! | [`plan`] | a TOML plan, validated, as the core's types |
//! | [`check`] | what a plan amounts to, and what a published rule set says of it |
//! | [`scenario`] | stations, a timetable, interferers, expectations |
//! | [`world`] | virtual stations of the core, the medium between them, the order of events |
//! | [`run`] | a scenario carried out: measured, checked, told, drawn |
//! | [`report`] | a run as one page for a browser |
//! | [`traces`] | a run for other people's tools: waveforms, packets, tables |
//! | [`watch`] | a scenario seen in the terminal while it runs |
//! | [`audio`] | what an over sounds like: a coder, WAV files, segmental SNR |
//! | [`trials`] | one situation, many times: distributions instead of anecdotes |
//! | [`adversaries`] | what each opponent achieves, with the closed form beside it |
//! | [`hostile`] | made-up receptions by the million, against single stations |
//! | [`soak`] | a net for days, with a fault every few minutes |
//! | [`curve`] | trials along an axis: tables and pictures |
//! | [`sweep`] | campaigns over the levels of factors, in shards, resumed after interruptions |
//! | [`stability`] | stability statistics, and what the simulated oscillators have of them |
//! | [`replay`] | a recorded station, run again |
//! | [`provision`] | keys, rosters, sealed configurations, groups to type |
//! | [`load`] | a carrier's port, and a station to load into for training |
//! | [`folder`] | a folder that appears whole or not at all |
//! | [`cli`] | the command line |
//!
//! ```
//! use hopwright_core::{sequence::{Cursor, Timeline}, units::{Lane, Slot}};
//! use hopwright_sim::plan::Plan;
//!
//! let text = include_str!("../plans/larkfell.toml");
//! let plan = Plan::parse("larkfell.toml", text, std::path::Path::new("plans"))?;
//! let sequence = plan.sequence(Lane::ZERO)?;
//! let hop = Cursor::new(&sequence, Timeline::Home).hop(&sequence, Slot::new(1_000_000));
//! assert!(plan.allowed().contains(hop.channel));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "the core's enums are non-exhaustive: outside it every match needs a wildcard"
)]
#![cfg_attr(not(test), deny(clippy::expect_used, clippy::panic, clippy::unwrap_used, clippy::todo))]

pub use hopwright_keytree as keytree;

pub mod adversaries;
pub mod audio;
pub mod blocks;
pub mod check;
pub mod cli;
pub mod curve;
pub mod diagnostic;
pub mod folder;
pub mod hostile;
pub mod input;
pub mod load;
pub mod plan;
pub mod provision;
pub mod replay;
pub mod report;
pub mod run;
pub mod scenario;
pub mod schema;
pub mod soak;
pub mod stability;
pub mod sweep;
pub mod traces;
pub mod trials;
pub mod watch;
mod whole;
pub mod world;
