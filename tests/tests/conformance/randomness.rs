//! Proves that unique words and independent draws pass the tests of NIST SP 800-22 rev. 1a that
//! are used, by the document's own rules, and first that those tests reproduce its worked
//! examples.
//!
//! Sources: the worked examples of sections 2.1 to 2.13 (read in public test suites that cite
//! them and recomputed; `data/sp800-22-examples.json`); the rules of section 4.2, proportion and
//! uniformity (the limit 0.0001 is from memory). Passing says that nothing is grossly wrong with
//! the mapping from cipher to channel; it says nothing of the cipher's strength.

use hopwright_core::sequence::{Cursor, Sequence, SlotKind, Timeline};
use hopwright_core::units::Slot;
use hopwright_tests::plans::{independent, key, sequence, traffic};
use hopwright_tests::sp800_22::{
    Outcome, approximate_entropy, bits_of, block_frequency, cumulative_sums,
    cumulative_sums_reverse, entropy, frequency, proportion_range, psi_squared, runs, serial,
    uniformity,
};
use serde_json::Value;
use statrs::function::gamma::gamma_ur;

fn near(ours: f64, published: &Value, what: &str) {
    let published = published.as_f64().expect("a number");
    // Six digits behind the point were published, of the statistics up to nine.
    assert!((ours - published).abs() < 1e-6, "{what}: {ours}, published {published}");
}

fn agrees(outcome: Outcome, statistic: &Value, p: &Value, what: &str) {
    near(outcome.statistic, statistic, what);
    near(outcome.p, p, what);
}

#[test]
fn worked_examples_are_reproduced() {
    let file: Value = serde_json::from_str(include_str!("../../data/sp800-22-examples.json"))
        .expect("valid JSON");
    let mut tried = 0;
    for example in file["examples"].as_array().expect("a list") {
        let name = example["test"].as_str().expect("a name");
        let bits = example["bits"].as_str().expect("bits").bytes().map(|b| b - b'0');
        let bits: Vec<u8> = bits.collect();
        let (params, what) = (&example["params"], &example.to_string());
        let (statistic, p) = (&example["statistic"], &example["p"]);
        let m = || u32::try_from(params["m"].as_u64().expect("m")).expect("small");
        match name {
            "frequency" => agrees(frequency(&bits), statistic, p, what),
            "block_frequency" => {
                let m = usize::try_from(params["M"].as_u64().expect("M")).expect("small");
                agrees(block_frequency(&bits, m), statistic, p, what);
            }
            "runs" => agrees(runs(&bits), statistic, p, what),
            "serial" => {
                for (i, outcome) in serial(&bits, m()).into_iter().enumerate() {
                    agrees(outcome, &statistic[i], &p[i], what);
                }
                for (i, name) in (0..).zip(["psi2_m", "psi2_m1", "psi2_m2"]) {
                    near(psi_squared(&bits, m() - i), &params[name], what);
                }
            }
            "approximate_entropy" => {
                agrees(approximate_entropy(&bits, m()), statistic, p, what);
                near(entropy(&bits, m()), &params["ApEn"], what);
            }
            "cusum_forward" => agrees(cumulative_sums(&bits), statistic, p, what),
            "cusum_reverse" => agrees(cumulative_sums_reverse(&bits), statistic, p, what),
            // Not used: long runs show in the serial test and in the entropy.
            "longest_run_of_ones" => continue,
            other => panic!("no test {other}"),
        }
        tried += 1;
    }
    assert_eq!(tried, 12);
}

/// The incomplete gamma function against values printed in the document.
#[test]
fn incomplete_gamma_function() {
    for (a, x, value) in
        [(1.5, 0.5, 0.801252), (1.0, 0.298477, 0.741948), (1.5, 2.4413025, 0.180598)]
    {
        assert!((gamma_ur(a, x) - value).abs() < 1e-6, "igamc({a}, {x})");
    }
}

/// Section 4.2.1: of 1000 sequences at 0.01, 0.9805607 to 0.9994393 pass.
#[test]
fn proportion_of_the_published_example() {
    let (low, high) = proportion_range(0.01, 1_000);
    assert!((low - 0.9805607).abs() < 5e-8 && (high - 0.9994393).abs() < 5e-8);
}

const SEQUENCES: usize = 1_000;
/// Enough for blocks of 128, patterns of 5 bits and an entropy of 4 by the document's rules of
/// thumb (sections 2.2.7, 2.11.7, 2.12.7).
const BITS: usize = 8_192;

fn outcomes(bits: &[u8]) -> [(&'static str, f64); 8] {
    let [first, second] = serial(bits, 5);
    [
        ("frequency", frequency(bits).p),
        ("block frequency", block_frequency(bits, 128).p),
        ("runs", runs(bits).p),
        ("serial, first", first.p),
        ("serial, second", second.p),
        ("approximate entropy", approximate_entropy(bits, 4).p),
        ("cumulative sums", cumulative_sums(bits).p),
        ("cumulative sums, reverse", cumulative_sums_reverse(bits).p),
    ]
}

/// The names of the tests that the sequences fail, by either rule of section 4.2.
fn failures(bits: &[u8]) -> Vec<String> {
    assert_eq!(bits.len(), SEQUENCES * BITS, "the rules are for so many");
    let all: Vec<_> = bits.chunks_exact(BITS).map(outcomes).collect();
    let (low, high) = proportion_range(0.01, SEQUENCES as u64);
    let mut failed = Vec::new();
    for (i, (name, _)) in all[0].iter().enumerate() {
        let p: Vec<f64> = all.iter().map(|outcomes| outcomes[i].1).collect();
        let share = p.iter().filter(|p| **p >= 0.01).count() as f64 / SEQUENCES as f64;
        let even = uniformity(&p);
        if !(low..=high).contains(&share) || even < 0.0001 {
            failed.push(format!("{name}: {share} pass, uniformity {even:.5}"));
        }
    }
    failed
}

#[test]
fn unique_words_pass() {
    let sequence: Sequence<128> = sequence(&key(1), 128, independent());
    let mut cursor = Cursor::new(&sequence, Timeline::Home);
    let hops = (0..).map(|h| cursor.hop(&sequence, Slot::new(h)));
    let traffic = hops.filter(|hop| hop.kind == SlotKind::Traffic).map(|hop| hop.word);
    let words: Vec<u32> = traffic.take(SEQUENCES * BITS / 32).collect();
    assert_eq!(failures(&bits_of(&words, 32)), [""; 0], "key 1");
}

/// On 256 channels a draw is eight fair bits.
#[test]
fn independent_draws_pass() {
    let sequence: Sequence<256> = sequence(&key(2), 256, independent());
    let draws = traffic(&sequence, 0, SEQUENCES * BITS / 8);
    let draws: Vec<u32> = draws.into_iter().map(u32::from).collect();
    assert_eq!(failures(&bits_of(&draws, 8)), [""; 0], "key 2");
}

/// Draws without replacement are no random bits, and the rules notice.
#[test]
fn balanced_draws_fail() {
    let structure = hopwright_core::sequence::Structure::default();
    let sequence: Sequence<256> = sequence(&key(2), 256, structure);
    let draws = traffic(&sequence, 0, SEQUENCES * BITS / 8);
    let draws: Vec<u32> = draws.into_iter().map(u32::from).collect();
    let failed = failures(&bits_of(&draws, 8));
    assert!(failed.iter().any(|name| name.starts_with("frequency")), "{failed:?}");
}
