//! A station from its configuration: a carrier brings that, sealed; the board is switched off and on,
//! and makes its station of what its flash memory holds.

#![no_std]
#![no_main]

use hopwright_boards::flash::{self, Flash, LONGEST};
use hopwright_boards::net::{self, CHANNELS, Member, Operator};
use hopwright_boards::radio::Radio;
use hopwright_boards::time;
use hopwright_core::address::Address;
use hopwright_core::front_end::Driver;
use hopwright_core::loader::{KeyedJudge, StationEnd, Store};
use hopwright_core::provision::{Configuration, TransferKey};
use hopwright_core::station::{Station, Watermark};
use semihosting::{println, process};
use zeroize::Zeroize;

/// The radios.
const GAUGE: usize = 0;
const POST: usize = 1;
/// The gauge's address, and what stands for the key that only this board has.
const ADDRESS: Address = Address::new(0x21);
const TRANSFER_KEY: [u8; 32] = [0x2A; 32];

/// What a board does at each start. `None` if there is no configuration yet, or none that opens.
fn start(flash: Flash, watermark: Watermark, seed: u64) -> Option<Member> {
    let mut work = [0; LONGEST];
    let station = made_of(flash, &mut work, watermark, seed);
    // The configuration lay there in the clear.
    work.zeroize();
    station
}

fn made_of(flash: Flash, work: &mut [u8], watermark: Watermark, seed: u64) -> Option<Member> {
    let judge: KeyedJudge<CHANNELS> =
        KeyedJudge::new(TransferKey::new(TRANSFER_KEY), Some(ADDRESS));
    let mut store = Store::open(flash).ok()?;
    let open = judge.open(store.load(work).ok()?).ok()?;
    let configuration = Configuration::<CHANNELS>::decode(open).ok()?;
    Station::new(configuration.config(watermark, seed)).ok()
}

/// What it does when a carrier is plugged in.
fn load(flash: Flash) -> Flash {
    let key = || TransferKey::new(TRANSFER_KEY);
    let judge: KeyedJudge<CHANNELS> = KeyedJudge::new(key(), Some(ADDRESS));
    let Ok(store) = Store::open(flash) else { process::exit(2) };
    let mut work = [0; LONGEST];
    let mut end = StationEnd::new(store, judge, &mut work);
    if !flash::carry(&mut end, ADDRESS, &flash::sealed(ADDRESS, &key())) {
        process::exit(3);
    }
    end.into_store().storage().clone()
}

#[cortex_m_rt::entry]
fn main() -> ! {
    time::start();
    if start(Flash::erased(), Watermark::Fresh, 0).is_some() {
        process::exit(4);
    }
    let flash = load(Flash::erased());
    println!("a configuration has been accepted");
    let Some(mut gauge) = start(flash, Watermark::Fresh, 0x21) else { process::exit(5) };
    println!("station {} is made of it", gauge.address());
    let (mut post, mut operator) = (net::post(), Operator::default());
    let (Ok(mut driver), Ok(mut post_driver)) = (
        Driver::new(Radio::new(GAUGE), net::timing()),
        Driver::new(Radio::new(POST), net::timing()),
    ) else {
        process::exit(6)
    };
    loop {
        let Ok(step) = driver.step(&mut gauge) else { process::exit(7) };
        if net::tell(&mut gauge, step.heard, driver.bits(), time::now()) {
            process::exit(0);
        }
        operator.act(&mut post, time::now());
        if post_driver.step(&mut post).is_err() {
            process::exit(8);
        }
    }
}
