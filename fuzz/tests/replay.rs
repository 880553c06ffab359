//! Every seed through its target, on stable Rust.

use std::fs;
use std::path::Path;

fn replay(target: &str, body: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds").join(target);
    let mut names: Vec<_> =
        fs::read_dir(&folder).expect("seeds").map(|entry| entry.expect("a seed").path()).collect();
    names.sort();
    assert!(!names.is_empty(), "{target} has no seeds");
    for name in names {
        body(&fs::read(&name).unwrap_or_else(|error| panic!("{}: {error}", name.display())));
    }
}

#[test]
fn header_seeds() {
    replay("header", hopwright_fuzz::header);
}

#[test]
fn configuration_seeds() {
    replay("configuration", hopwright_fuzz::configuration);
}

#[test]
fn differential_clock_seeds() {
    replay("differential_clock", hopwright_fuzz::differential_clock);
}

#[test]
fn differential_sequence_seeds() {
    replay("differential_sequence", hopwright_fuzz::differential_sequence);
}

#[test]
fn differential_tree_seeds() {
    replay("differential_tree", hopwright_fuzz::differential_tree);
}

#[test]
fn loader_seeds() {
    replay("loader", hopwright_fuzz::loader);
}

#[test]
fn net_seeds() {
    replay("net", |data| {
        let _ = hopwright_fuzz::net(data);
    });
}

#[cfg(feature = "planner")]
#[test]
fn plan_seeds() {
    replay("plan", hopwright_fuzz::plan);
}

#[test]
fn slot_bits_seeds() {
    replay("slot_bits", hopwright_fuzz::slot_bits);
}

#[test]
fn recording_seeds() {
    replay("recording", hopwright_fuzz::recording);
}

#[test]
fn station_seeds() {
    replay("station", |data| {
        let _ = hopwright_fuzz::station(data);
    });
}

/// A quick look beyond the seeds: every named seed of `station` with bytes changed, cut and repeated by
/// a fixed rule. `cargo fuzz` looks further.
#[test]
fn station_seeds_changed() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds/station");
    let mut state = 1_u64;
    let mut next = || {
        // Marsaglia's xorshift64 (2003; shifts from memory): any spread will do.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    for entry in fs::read_dir(folder).expect("seeds") {
        let entry = entry.expect("a seed");
        if entry.file_name().to_string_lossy().starts_with("grown-") {
            continue;
        }
        let seed = fs::read(entry.path()).expect("bytes");
        for _ in 0..2_000 {
            let mut bytes = seed.repeat(1 + usize::try_from(next() % 3).expect("small"));
            for _ in 0..1 + next() % 12 {
                let at = usize::try_from(next()).unwrap_or(0) % bytes.len();
                bytes[at] = next().to_le_bytes()[3];
            }
            let _ = hopwright_fuzz::station(&bytes);
        }
    }
}

/// Seeds that say in their names what they lead to must lead there.
#[test]
fn seeds_reach_what_they_are_named_for() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds/station");
    let reached = |name: &str| hopwright_fuzz::station(&fs::read(folder.join(name)).expect(name));
    assert_eq!(reached("timekeeper-changes-keys").changes, 2);
    let there = reached("modes-and-a-change-there");
    assert_eq!((there.changes, there.single > 20), (1, true), "{there:?}");
    assert_eq!(reached("orders-cut-and-made-up").changes, 0);
}

/// The seeds of the net, too, meet what they are named for.
#[test]
fn nets_meet_what_their_seeds_are_named_for() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds/net");
    let met = |name: &str| hopwright_fuzz::net(&fs::read(folder.join(name)).expect(name));
    let over = met("announce-and-an-over-to-all");
    assert!(over.in_step >= 3 && over.payloads > 20 && over.hostile == 0, "{over:?}");
    let calls = met("calls-to-one-are-kept-from-others");
    assert!(calls.payloads > 10 && calls.kept > 10, "{calls:?}");
    let cut_in = met("cut-in-without-time");
    assert!(cut_in.cut_ins > 100 && cut_in.payloads > 10, "{cut_in:?}");
    let withdrawn = met("withdrawn-while-talking");
    assert_eq!(withdrawn.changes, 3, "{withdrawn:?}");
    assert!(met("power-goes-and-comes").power >= 4);
    let again = met("everything-again");
    assert!(again.hostile > 10, "{again:?}");
    let hostile = met("late-twice-altered-lost");
    assert!(hostile.hostile > 20 && hostile.taken > 0, "{hostile:?}");
    assert!(met("the-deputy-takes-over").in_step >= 3);
}
