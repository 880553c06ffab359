//! Proves that the core's Reed–Solomon codes are the published ones.
//!
//! Sources: `data/rs-vectors.json` (see `data/README.md`: BBC R&D White Paper WHP 031, ISO/IEC
//! 18004 annex I, CCSDS 131.0-B, and two independent libraries), in four fields with four choices
//! of roots; and, in the link's own field, the crate `reed-solomon` (0.2.1) for words of every
//! length. The decoder is generic over field and roots, so each vector is decoded as well, with
//! losses and errors up to the bound `e + 2 v <= n - k` (R. E. Blahut, Algebraic Codes for Data
//! Transmission, chapter 6, citation from memory).

use hopwright_core::coding::reed_solomon::{Field, Link, Positions, ReedSolomon, Restored};
use hopwright_tests::bench::below;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde_json::Value;

/// Declares a field with its roots.
macro_rules! field {
    ($name:ident, $polynomial:expr, $bits:expr, $first:expr, $step:expr) => {
        enum $name {}

        impl Field for $name {
            const POLYNOMIAL: u32 = $polynomial;
            const BITS: u32 = $bits;
            const FIRST_ROOT: u32 = $first;
            const STEP: u32 = $step;
        }
    };
}

field!(Nibble, 0x13, 4, 0, 1);
field!(NibbleFromOne, 0x13, 4, 1, 1);
field!(Quint, 0x25, 5, 1, 1);
field!(Ccsds, 0x187, 8, 112, 11);

fn number(value: &Value) -> u64 {
    let text = value.as_str().expect("a number in quotes");
    u64::from_str_radix(text.trim_start_matches("0x"), 16).expect("hexadecimal")
}

fn hex(text: &str) -> Vec<u8> {
    let digits = text.as_bytes().chunks(2);
    digits.map(|d| u8::from_str_radix(std::str::from_utf8(d).unwrap(), 16).unwrap()).collect()
}

fn list(value: &Value) -> Option<Vec<u8>> {
    let numbers = value.as_array()?.iter();
    Some(numbers.map(|n| u8::try_from(n.as_u64().unwrap()).unwrap()).collect())
}

fn message(vector: &Value) -> Vec<u8> {
    if let Some(hexadecimal) = vector["msg_hex"].as_str() {
        return hex(hexadecimal);
    }
    list(&vector["msg"]).unwrap_or_else(|| match vector["msg"].as_str() {
        Some("bytes 00..de") => (0..=0xDE).collect(),
        Some("222 zero bytes then 01") => [vec![0; 222], vec![1]].concat(),
        other => panic!("an unknown message: {other:?}"),
    })
}

fn parity(vector: &Value) -> Vec<u8> {
    vector["parity_hex"].as_str().map(hex).or_else(|| list(&vector["parity"])).expect("parity")
}

fn encode<F: Field>(code: &ReedSolomon<F>, data: &[u8]) -> Vec<u8> {
    let column = |position| {
        let mut one = [0];
        code.column(data, position, &mut one);
        one[0]
    };
    (0..code.n()).map(column).collect()
}

/// Encodes a message, compares with what is published, and brings it back from every mixture of
/// losses and errors that the bound allows.
fn check<F: Field>(vector: &Value) {
    let (data, parity) = (message(vector), parity(vector));
    let n = u8::try_from(data.len() + parity.len()).unwrap();
    let code = ReedSolomon::<F>::new(n, u8::try_from(data.len()).unwrap()).expect("a code");
    let word = encode(&code, &data);
    assert_eq!(word, [data, parity].concat(), "{vector}");
    let mut rng = ChaCha8Rng::seed_from_u64(u64::from(n));
    for erasures in 0..=code.parity() {
        let errors = (code.parity() - erasures) / 2;
        let (mut damaged, mut erased) = (word.clone(), Positions::NONE);
        let mut places: Vec<u8> = (0..n).collect();
        for i in 0..erasures + errors {
            let place =
                places.swap_remove(usize::try_from(below(&mut rng, u64::from(n - i))).unwrap());
            let wrong = 1 + below(&mut rng, (1 << F::BITS) - 1);
            damaged[usize::from(place)] ^= u8::try_from(wrong).unwrap();
            if i < erasures {
                erased.insert(place);
            }
        }
        let outcome = code.decode(&mut damaged, &erased);
        assert_eq!(outcome, Ok(Restored { erasures, errors }), "{vector}");
        assert_eq!(damaged, word, "{vector}");
    }
}

#[test]
fn published_words_in_four_fields() {
    let text = include_str!("../../data/rs-vectors.json");
    let all: Value = serde_json::from_str(text).expect("JSON");
    let vectors = all["rs"].as_array().expect("a list");
    assert_eq!(vectors.len(), 7);
    for vector in vectors {
        match (number(&vector["prim"]), vector["fcr"].as_u64()) {
            (0x13, Some(0)) => check::<Nibble>(vector),
            (0x13, Some(1)) => check::<NibbleFromOne>(vector),
            (0x25, Some(1)) => check::<Quint>(vector),
            (0x11D, Some(0)) => check::<Link>(vector),
            (0x187, Some(112)) => check::<Ccsds>(vector),
            other => panic!("no field for {other:?}"),
        }
    }
}

/// The crate `reed-solomon` has the link's field and roots, for any length up to 255. Its encoder
/// and ours agree, and so do the decoders (theirs leaves its buffers with more than about 120
/// symbols of parity, and divides by zero beyond the bound, so it is asked up to 100 and within).
#[test]
fn an_independent_implementation_agrees() {
    let mut rng = ChaCha8Rng::seed_from_u64(0x0A_C1E);
    let (mut beyond, mut compared) = (0, 0);
    for _ in 0..2_000 {
        let n = u8::try_from(2 + below(&mut rng, 253)).unwrap();
        let k = u8::try_from(1 + below(&mut rng, u64::from(n) - 1)).unwrap();
        let code = ReedSolomon::<Link>::new(n, k).expect("a code");
        let mut data = vec![0; usize::from(k)];
        rng.fill_bytes(&mut data);
        let word = encode(&code, &data);
        let parity = usize::from(code.parity());
        assert_eq!(word, **reed_solomon::Encoder::new(parity).encode(&data), "({n}, {k})");
        // From nothing to a little more than can be restored.
        let erasures = below(&mut rng, u64::from(code.parity()) + 1);
        let errors = below(&mut rng, (parity as u64 - erasures) / 2 + 2);
        let (mut damaged, mut erased, mut known) = (word.clone(), Positions::NONE, Vec::new());
        let mut places: Vec<u8> = (0..n).collect();
        for i in 0..(erasures + errors).min(u64::from(n)) {
            let place = below(&mut rng, places.len() as u64);
            let place = places.swap_remove(usize::try_from(place).unwrap());
            damaged[usize::from(place)] ^= rng.next_u32().to_le_bytes()[0] | 1;
            if i < erasures {
                erased.insert(place);
                known.push(place);
            }
        }
        let came = damaged.clone();
        let ours = code.decode(&mut damaged, &erased);
        if erasures + 2 * errors <= parity as u64 {
            assert!(ours.is_ok(), "({n}, {k}), {erasures} lost, {errors} wrong");
            assert_eq!(damaged, word);
            if parity <= 100 {
                let theirs = reed_solomon::Decoder::new(parity).correct(&came, Some(&known));
                assert_eq!(**theirs.expect("within the bound"), word);
                compared += 1;
            }
        } else {
            // Beyond the bound each may find another word, and it must be one.
            beyond += 1;
            assert!(ours.is_err() || encode(&code, &damaged[..usize::from(k)]) == damaged);
        }
    }
    assert!(beyond > 100 && compared > 500, "{beyond} {compared}");
}

/// Far beyond the bound, with errors only and nothing known: how often is another word mistaken
/// for the right one? For RS(15, 11) a word out of reach of the sent one lies within reach of some
/// code word with a chance of about the share of all words that do: the volume of a sphere of
/// radius 2, 1 + 15 * 15 + 105 * 225 = 23 851 of 16^4 = 65 536 cosets, 36 %
/// (elementary count).
#[test]
fn mistakes_are_as_frequent_as_counting_says() {
    let code = ReedSolomon::<Nibble>::new(15, 11).expect("a code");
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    let trials = 20_000;
    let mut accepted = 0;
    for _ in 0..trials {
        let mut word = [0; 15];
        word.fill_with(|| u8::try_from(rng.next_u32() & 15).unwrap());
        accepted += u32::from(code.decode(&mut word, &Positions::NONE).is_ok());
    }
    let share = f64::from(accepted) / f64::from(trials);
    // Four standard deviations of a binomial share.
    let band = 4.0 * (0.3639 * 0.6361 / f64::from(trials)).sqrt();
    assert!((share - 23_851.0 / 65_536.0).abs() < band, "{share}");
}
