//! Prints two configurations of one net as arrays for a program in C: a control post and a gauge.
//!
//! The key is a published one, for training. Real configurations come from `hopwright provision`.

use hopwright_core::address::Address;
use hopwright_core::band::{Hopset, Pick, Raster};
use hopwright_core::clock::ClockPlan;
use hopwright_core::keys::NetKey;
use hopwright_core::provision::{Configuration, MessageCode, PlanDigest};
use hopwright_core::sequence::Structure;
use hopwright_core::station::{FixedChannels, Role};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Dbm, Hertz, Lane, Micros, Ppb};
use std::error::Error;

fn main() -> Result<(), Box<dyn Error>> {
    println!("/* Training configurations: written by an example, not for use on the air. */");
    print("POST", &configuration(0x10, Role::Timekeeper)?);
    print("GAUGE", &configuration(0x21, Role::Member)?);
    Ok(())
}

fn configuration(address: u8, role: Role) -> Result<Vec<u8>, Box<dyn Error>> {
    let key = NetKey::new(core::array::from_fn(|i| u8::try_from(i).unwrap_or_default()));
    let step = Hertz::new(200_000);
    let raster = Raster::new(Hertz::new(902_300_000), step, step, 128)?;
    let hopset = Hopset::derive(&key, &raster, &raster.all(), Pick::All, None, Lane::ZERO)?;
    let configuration = Configuration::<128> {
        address: Address::new(address),
        role,
        name: "larkfell",
        plan: PlanDigest::new([0; 16]),
        hopset,
        structure: Structure::default(),
        lane: Lane::ZERO,
        draw_lane: Lane::ZERO,
        timing: Timing::new(20_000, 1_000, 500, 50_000)?,
        clock: ClockPlan::new(
            Ppb::new(1_000).ok_or("in range")?,
            Micros::new(20),
            Micros::new(100),
        ),
        announce_slots: 60,
        energy_threshold: Dbm::new(-95),
        fixed: FixedChannels::NONE,
        code: MessageCode { n: 64, k: 24 },
        share: None,
        key,
    };
    let mut bytes = Vec::new();
    configuration.encode(&mut |part: &[u8]| bytes.extend_from_slice(part));
    Ok(bytes)
}

fn print(name: &str, bytes: &[u8]) {
    println!("static const unsigned char {name}[{}] = {{", bytes.len());
    for line in bytes.chunks(16) {
        let line: Vec<String> = line.iter().map(|byte| format!("0x{byte:02X}")).collect();
        println!("    {},", line.join(", "));
    }
    println!("}};");
}
