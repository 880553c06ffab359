//! The CBOR of configurations against RFC 8949: the examples of appendix A (`data`), the rules of
//! deterministic encoding of section 4.2.1, and what breaks them.

use hex_literal::hex;
use hopwright_core::provision::Fault;
use hopwright_core::provision::cbor::{Fields, MAX_DEPTH, Reader, Writer};
use serde_json::Value;

fn bytes_of(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2)
        .map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).expect("hexadecimal"))
        .collect()
}

/// A writer to whatever takes bytes.
type Out<'a, 'b> = Writer<'a, &'b mut dyn FnMut(&[u8])>;

fn written(write: impl FnOnce(&mut Out<'_, '_>)) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut sink: &mut dyn FnMut(&[u8]) = &mut |part: &[u8]| bytes.extend_from_slice(part);
    write(&mut Writer::new(&mut sink));
    bytes
}

/// Writes a JSON value, if it is of the kinds that configurations use.
fn write(out: &mut Out<'_, '_>, value: &Value) -> bool {
    match value {
        Value::Bool(flag) => out.flag(*flag),
        Value::Number(n) if n.is_u64() => out.unsigned(n.as_u64().expect("unsigned")),
        Value::Number(n) if n.is_i64() => out.signed(n.as_i64().expect("signed")),
        Value::String(text) => out.text(text),
        Value::Array(items) => {
            out.array(items.len() as u64);
            return items.iter().all(|item| write(out, item));
        }
        Value::Object(pairs) => {
            out.map(pairs.len() as u64);
            return pairs.iter().all(|(key, value)| {
                out.text(key);
                write(out, value)
            });
        }
        Value::Null | Value::Number(_) => return false,
    }
    true
}

/// Whether a value, as another reader sees it, consists of what configurations use.
fn of_our_kinds(value: &ciborium::Value) -> bool {
    use ciborium::Value as V;
    match value {
        V::Integer(_) | V::Bytes(_) | V::Text(_) | V::Bool(_) => true,
        V::Array(items) => items.iter().all(of_our_kinds),
        V::Map(pairs) => pairs.iter().all(|(k, v)| of_our_kinds(k) && of_our_kinds(v)),
        V::Float(_) | V::Null | V::Tag(..) | _ => false,
    }
}

#[test]
fn examples_of_appendix_a() {
    let examples: Vec<Value> =
        serde_json::from_str(include_str!("../../data/cbor-appendix-a.json")).expect("JSON");
    assert_eq!(examples.len(), 82);
    let (mut equal, mut read, mut refused) = (0, 0, 0);
    for example in &examples {
        let hex = example["hex"].as_str().expect("hex");
        let bytes = bytes_of(hex);
        let mut reader = Reader::new(&bytes);
        let walked = reader.item().and_then(|()| reader.end());
        // Floats, tags, null and other simple values belong to no configuration; indefinite lengths
        // are not deterministic (section 4.2.1), and the vectors mark them as not to be repeated.
        let deterministic = example["roundtrip"] == Value::Bool(true);
        let ours = ciborium::from_reader(&bytes[..]).is_ok_and(|value| of_our_kinds(&value));
        if !deterministic || !ours || bytes[0] >> 5 == 6 {
            assert!(walked.is_err(), "{hex} was taken");
            refused += 1;
            continue;
        }
        assert_eq!(walked, Ok(()), "{hex}");
        read += 1;
        if let Some(decoded) = example.get("decoded") {
            let mut whole = true;
            let again = written(|out| whole = write(out, decoded));
            if whole {
                assert_eq!(again, bytes, "{hex}");
                equal += 1;
            }
        }
        // Cut at every byte, no example is whole.
        for cut in 0..bytes.len() {
            let fault = Reader::new(&bytes[..cut]).item().expect_err("cut").fault;
            assert_eq!(fault, Fault::CutShort, "{hex} cut at {cut}");
        }
    }
    // What the appendix has of each kind; a change here means that something is skipped.
    assert_eq!((equal, read, refused), (EQUAL, READ, 82 - READ));
}

/// Of the examples, those with JSON values of our kinds, and those of our kinds at all.
const EQUAL: usize = 32;
const READ: usize = 36;

#[test]
fn values_read_as_they_are_written() {
    // RFC 8949 appendix A.
    assert_eq!(Reader::new(&hex!("1bffffffffffffffff")).unsigned(), Ok(u64::MAX));
    assert_eq!(Reader::new(&hex!("3903e7")).signed(), Ok(-1_000));
    assert_eq!(Reader::new(&hex!("3863")).signed(), Ok(-100));
    assert_eq!(Reader::new(&hex!("4401020304")).bytes(), Ok(&[1, 2, 3, 4][..]));
    assert_eq!(Reader::new(&hex!("6449455446")).text(), Ok("IETF"));
    assert_eq!(Reader::new(&hex!("f5")).flag(), Ok(true));
    assert_eq!(written(|out| out.signed(-1_000)), hex!("3903e7"));
    assert_eq!(written(|out| out.bytes(&[1, 2, 3, 4])), hex!("4401020304"));
    assert_eq!(written(|out| out.signed(i64::MIN)), hex!("3b7fffffffffffffff"));
    assert_eq!(Reader::new(&hex!("3b7fffffffffffffff")).signed(), Ok(i64::MIN));
}

/// Everything that section 4.2.1 forbids, and what is not well-formed (section 3, appendix F).
#[test]
fn other_encodings_of_the_same_are_refused() {
    let fault = |bytes: &[u8]| {
        let mut reader = Reader::new(bytes);
        reader.item().and_then(|()| reader.end()).expect_err("refused").fault
    };
    assert_eq!(fault(&hex!("1817")), Fault::NotShortest);
    assert_eq!(fault(&hex!("1900ff")), Fault::NotShortest);
    assert_eq!(fault(&hex!("1a0000ffff")), Fault::NotShortest);
    assert_eq!(fault(&hex!("1b00000000ffffffff")), Fault::NotShortest);
    assert_eq!(fault(&hex!("3817")), Fault::NotShortest);
    assert_eq!(fault(&hex!("580101")), Fault::NotShortest);
    assert_eq!(fault(&hex!("5f4101ff")), Fault::Indefinite);
    assert_eq!(fault(&hex!("9f01ff")), Fault::Indefinite);
    assert_eq!(fault(&hex!("bf0102ff")), Fault::Indefinite);
    assert_eq!(fault(&hex!("a203040102")), Fault::KeyOrder);
    assert_eq!(fault(&hex!("a201020103")), Fault::KeyTwice);
    assert_eq!(fault(&hex!("fb3ff8000000000000")), Fault::Type);
    assert_eq!(fault(&hex!("1c")), Fault::Malformed);
    assert_eq!(fault(&hex!("61ff")), Fault::Malformed);
    assert_eq!(fault(&hex!("0000")), Fault::Trailing);
    assert_eq!(fault(&hex!("5bffffffffffffffff00")), Fault::CutShort);
    assert_eq!(fault(&hex!("9bffffffffffffffff")), Fault::CutShort);
    let deep = [0x81; MAX_DEPTH as usize + 1];
    assert_eq!(fault(&deep), Fault::Depth);
}

/// The map of the example in section 4.2.1: keys sorted by the bytes of their encodings; and the
/// same map in the order of section 4.2.3, which is not ours.
#[test]
fn map_keys_are_sorted_bytewise_by_their_encodings() {
    let walk = |bytes: &[u8]| Reader::new(bytes).item().map_err(|error| error.fault);
    assert_eq!(walk(&hex!("a8 0a01 186402 2003 617a04 62616105 81186406 812007 f408")), Ok(()));
    let length_first = hex!("a8 0a01 2003 f408 186402 617a04 812007 62616105 81186406");
    assert_eq!(walk(&length_first), Err(Fault::KeyOrder));
}

#[test]
fn keys_that_nobody_asks_for_are_unknown() {
    let fault = |bytes: &[u8]| {
        let read = || {
            let mut fields = Fields::open(bytes)?;
            fields.number::<u8>(1)?;
            let there = fields.optional(2)?.map(|reader| reader.unsigned()).transpose()?;
            fields.number::<u8>(4)?;
            fields.end()?;
            Ok(there)
        };
        read().map_err(|error: hopwright_core::provision::DecodeError| (error.at, error.fault))
    };
    assert_eq!(fault(&hex!("a2 0107 0409")), Ok(None));
    assert_eq!(fault(&hex!("a3 0107 0208 0409")), Ok(Some(8)));
    assert_eq!(fault(&hex!("a3 0107 0308 0409")), Err((3, Fault::UnknownKey(3))));
    assert_eq!(fault(&hex!("a3 0107 0409 0500")), Err((5, Fault::UnknownKey(5))));
    let last = hex!("a3 0107 0409 1bffffffffffffffff00");
    assert_eq!(fault(&last), Err((5, Fault::UnknownKey(u64::MAX))));
    assert_eq!(fault(&hex!("a1 0107")), Err((3, Fault::MissingKey(4))));
    assert_eq!(fault(&hex!("a2 0409 0107")), Err((1, Fault::MissingKey(1))));
    assert_eq!(fault(&hex!("a3 0107 0107 0409")), Err((3, Fault::KeyTwice)));
    assert_eq!(fault(&hex!("a3 0107 0409 0208")), Err((5, Fault::KeyOrder)));
    assert_eq!(fault(&hex!("a2 01190100 0409")), Err((2, Fault::Value(1))));
    assert_eq!(fault(&hex!("a2 0107 0409 00")), Err((5, Fault::Trailing)));
}
