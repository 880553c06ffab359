//! A board that exists in an emulator only: its time, its hop interrupt's timer, two radios that hear
//! each other, two packet transceivers that do ([`chip`]), and the net of the example.
//!
//! On a real board [`time`] is a timer, [`radio`] is a
//! [`Transceiver`](hopwright_core::front_end::Transceiver), and [`net`] comes from the station's
//! configuration. What a binary does with the gauge stays; the post is another board, and `println` and
//! what it calls in [`radio`] are this one's.

#![no_std]

// Brings in the critical sections of a single core.
use cortex_m as _;

pub mod chip;
pub mod flash;
pub mod net;
mod panic;
pub mod radio;
pub mod time;
