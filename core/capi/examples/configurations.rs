//! Prints what a program in C is given, as arrays: configurations of a post, a gauge and a hut of one
//! net, the gauge's as a carrier sends it, and the order of a change of keys without the hut.
//!
//! The keys are published ones, for training. Real configurations come from `hopwright provision`.

#[path = "../tests/net/mod.rs"]
mod net;

use net::{CALLING, GAUGE, HUT, POST, TRANSFER_KEY};

/// The slot from which the new key is in use.
const CHANGE_SLOT: u32 = 420;

fn main() {
    println!("/* Training configurations: written by an example, not for use on the air. */");
    println!("#define CHANGE_SLOT {CHANGE_SLOT}u\n#define CALLING {CALLING}u");
    print("POST", &net::configuration(POST));
    print("GAUGE", &net::configuration(GAUGE));
    print("HUT", &net::configuration(HUT));
    print("CARRIED", &net::carried(GAUGE, &net::sealed(GAUGE, &net::configuration(GAUGE))));
    print("TRANSFER_KEY", &TRANSFER_KEY);
    print("ORDER", &net::order(CHANGE_SLOT));
}

fn print(name: &str, bytes: &[u8]) {
    println!("static const unsigned char {name}[{}] = {{", bytes.len());
    for line in bytes.chunks(16) {
        let line: Vec<String> = line.iter().map(|byte| format!("0x{byte:02X}")).collect();
        println!("    {},", line.join(", "));
    }
    println!("}};");
}
