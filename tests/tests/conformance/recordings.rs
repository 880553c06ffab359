//! Proves that the same plan, seed and inputs give the same outputs to the bit, directly and
//! through a recording (specification section 12, invariant 9; `hopwright_core::record`).
//! Common practice, no further source. That other platforms agree cannot be shown on one; the
//! digest at the end is there to be compared.

use hopwright_core::record::{self, Input};
use hopwright_core::station::{Action, Config, Role, Station, Watermark};
use hopwright_core::units::{Micros, Slot};
use hopwright_tests::bench::{Bed, Bench, Plan, ROOM};
use hopwright_tests::provisioning::configuration;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// A station whose inputs and outputs are kept.
struct Recorded {
    station: Station<ROOM>,
    action: Option<Action>,
    inputs: Vec<u8>,
    outputs: Vec<u8>,
}

impl Bed for Recorded {
    fn feed(&mut self, input: Input<'_>) {
        input.encode(&mut |bytes: &[u8]| self.inputs.extend_from_slice(bytes));
        let outputs = &mut self.outputs;
        record::apply(&mut self.station, input, &mut |bytes: &[u8]| {
            outputs.extend_from_slice(bytes);
        });
        if let Input::Poll(now) = input {
            self.action = Some(self.station.poll(now));
        }
    }

    fn action(&self) -> Option<Action> {
        self.action
    }

    fn station(&self) -> &Station<ROOM> {
        &self.station
    }
}

fn record(plan: u64, steps: &[u64]) -> Recorded {
    let mut bench = Bench::new(Plan::random(plan), plan);
    (bench.hostile, bench.backwards) = (true, true);
    let station = bench.plan().station();
    let mut recorded = Recorded { station, action: None, inputs: Vec::new(), outputs: Vec::new() };
    steps.iter().for_each(|step| bench.drive(*step, &mut recorded));
    recorded
}

/// The outputs of a new station that is fed a recording.
fn replay(plan: u64, inputs: &[u8]) -> Vec<u8> {
    let mut station = Plan::random(plan).station();
    let (mut rest, mut outputs) = (inputs, Vec::new());
    while let Some(input) = Input::decode(&mut rest) {
        record::apply(&mut station, input, &mut |bytes: &[u8]| outputs.extend_from_slice(bytes));
    }
    assert!(rest.is_empty(), "{} bytes of the recording are not understood", rest.len());
    outputs
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 300,
        rng_seed: RngSeed::Fixed(0x4EC0_4D00),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_recording_gives_the_same_again(
        plan: u64,
        steps in proptest::collection::vec(any::<u64>(), 0..200),
    ) {
        let (one, other) = (record(plan, &steps), record(plan, &steps));
        prop_assert_eq!(&one.inputs, &other.inputs);
        prop_assert_eq!(&one.outputs, &other.outputs);
        // The recording's extra polls are repeated ones, so leaving them out changes nothing.
        prop_assert_eq!(&one.outputs, &replay(plan, &one.inputs));
    }

    /// Another seed makes other choices: the outputs do depend on what goes in.
    #[test]
    fn another_plan_gives_something_else(plan: u64) {
        let steps: Vec<u64> = (0..40).collect();
        prop_assert_ne!(record(plan, &steps).outputs, record(plan ^ 1, &steps).outputs);
    }
}

/// A hopset with a channel that does not exist is not the one that was recorded.
#[test]
fn a_channel_that_does_not_exist_makes_no_recording() {
    let mut bytes = Vec::new();
    let made = configuration(3, 0x4B, None);
    let config = made.config(Watermark::Fresh, 1);
    record::write_config(&config, &mut |part: &[u8]| bytes.extend_from_slice(part));
    let read = |bytes: &[u8]| {
        let key = record::read_key(bytes).expect("a recording");
        record::read_config::<128>(&mut &*bytes, &key).map(|config| config.hopset.len())
    };
    let count = u16::from_le_bytes([bytes[40], bytes[41]]);
    assert_eq!(read(&bytes), Some(count));
    for place in [42, 42 + 2 * usize::from(count - 1)] {
        let mut altered = bytes.clone();
        altered[place..place + 2].copy_from_slice(&[0xFE, 0xFF]);
        assert_eq!(read(&altered), None, "{place}");
    }
}

/// What a station is, and what it was told of its past, is in its recording.
#[test]
fn roles_and_watermarks_read_back() {
    let made = configuration(3, 0x4B, None);
    let deputy = Role::Deputy { after: Micros::from_millis(2_500) };
    for role in [Role::Timekeeper, Role::Member, deputy] {
        for watermark in [Watermark::Fresh, Watermark::Stored(Slot::new(77)), Watermark::Lost] {
            let mut bytes = Vec::new();
            let config = Config { role, ..made.config(watermark, 1) };
            record::write_config(&config, &mut |part: &[u8]| bytes.extend_from_slice(part));
            let key = record::read_key(&bytes).expect("a recording");
            let read = record::read_config::<128>(&mut &*bytes, &key).expect("a configuration");
            assert_eq!((read.role, read.watermark), (role, watermark));
        }
    }
}

/// FNV-1a, 64 bits (G. Fowler, L. C. Noll, K.-P. Vo; constants from memory). Any digest would do.
fn digest(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xCBF2_9CE4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01B3)
    })
}

#[test]
fn twenty_stations_say_the_same_every_time() {
    let all = || {
        let outputs = (0..20).flat_map(|plan| {
            let steps: Vec<u64> = (0..300).map(|i| plan * 1_000 + i).collect();
            record(plan, &steps).outputs
        });
        digest(&outputs.collect::<Vec<_>>())
    };
    let first = all();
    println!("digest {first:016x}");
    assert_eq!(all(), first);
}
