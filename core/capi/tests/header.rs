//! The header says what the code does: the same functions with the same arguments, the same constants,
//! the same fields, the same sizes.

use hopwright_capi::{Action, Counters, Event, Heard, Memory, Payload, Reception, Start};
use std::collections::BTreeMap;

const HEADER: &str = include_str!("../include/hopwright.h");
const SOURCES: [&str; 3] = [
    include_str!("../src/lib.rs"),
    include_str!("../src/types.rs"),
    include_str!("../src/pointers.rs"),
];

/// The header without its comments.
fn declarations() -> String {
    let mut out = String::new();
    let mut rest = HEADER;
    while let Some((before, after)) = rest.split_once("/*") {
        out.push_str(before);
        rest = after.split_once("*/").expect("comments end").1;
    }
    out + rest
}

fn squeeze(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A type of ours as it is written in C.
fn in_c(rust: &str) -> String {
    let rust = rust.trim();
    if let Some(inner) = rust.strip_prefix("*const ") {
        return format!("const {} *", in_c(inner));
    }
    if let Some(inner) = rust.strip_prefix("*mut ") {
        return format!("{} *", in_c(inner));
    }
    match rust {
        "usize" => "size_t".into(),
        "i16" | "i32" => format!("int{}_t", &rust[1..]),
        "u8" | "u16" | "u32" | "u64" => format!("uint{}_t", &rust[1..]),
        name => format!("hw_{}", name.to_lowercase()),
    }
}

fn declared(kind: &str, name: &str) -> String {
    let space = if kind.ends_with('*') { "" } else { " " };
    format!("{kind}{space}{name}")
}

#[test]
fn every_function_is_declared_as_it_is() {
    let mut ours = Vec::new();
    for piece in SOURCES[0].split("pub unsafe extern \"C\" fn ").skip(1) {
        let (name, rest) = piece.split_once('(').unwrap();
        let (arguments, rest) = rest.split_once(')').unwrap();
        assert!(rest.starts_with(" -> i32"), "{name} gives a status");
        let arguments = arguments.split(',').map(str::trim).filter(|a| !a.is_empty());
        let arguments = arguments.map(|argument| {
            let (name, kind) = argument.split_once(": ").unwrap();
            declared(&in_c(kind), name)
        });
        let arguments: Vec<_> = arguments.collect();
        ours.push(format!("int32_t {name}({})", arguments.join(", ")));
    }
    let declarations = declarations();
    let theirs = declarations.split(';').map(squeeze).filter_map(|text| {
        let at = text.find("int32_t hw_")?;
        text.ends_with(')').then(|| text[at..].replace("( ", "("))
    });
    let mut theirs: Vec<_> = theirs.collect();
    ours.sort();
    theirs.sort();
    assert_eq!(ours, theirs);
    assert_eq!(ours.len(), 14);
}

#[test]
fn every_function_says_what_it_relies_on() {
    let functions = SOURCES[0].split("#[unsafe(no_mangle)]");
    let count = functions.clone().count() - 1;
    let with = functions.take(count).filter(|before| {
        let comment = before.rsplit("\n\n").next().unwrap_or_default();
        comment.contains("/// # Safety")
    });
    assert_eq!(with.count(), count);
    assert_eq!(HEADER.matches("* Safety:").count(), count);
}

#[test]
fn every_constant_has_its_value() {
    let mut ours = BTreeMap::new();
    for source in &SOURCES[..2] {
        for line in source.lines().filter_map(|line| line.strip_prefix("pub const ")) {
            let (name, rest) = line.split_once(": ").unwrap();
            let value = rest.split_once("= ").unwrap().1.trim_end_matches(';').replace('_', "");
            ours.insert(format!("HW_{name}"), value);
        }
    }
    let mut theirs = BTreeMap::new();
    for line in declarations().lines().filter_map(|line| line.strip_prefix("#define HW_")) {
        let (name, value) = line.split_once(' ').unwrap();
        if name != "STATIC_ASSERT" {
            theirs.insert(format!("HW_{name}"), value.to_owned());
        }
    }
    assert_eq!(ours, theirs);
    assert!(ours.len() > 30);
}

#[test]
fn every_structure_has_its_fields_and_its_size() {
    let declarations = declarations();
    let mut seen = 0;
    for source in &SOURCES[1..] {
        for piece in source.split("\npub struct ").skip(1) {
            let (name, rest) = piece.split_once(" {").unwrap();
            let body = rest.split_once("\n}").unwrap().0;
            let fields = body.lines().filter_map(|line| line.trim().strip_prefix("pub "));
            let fields = fields.map(|field| {
                let (name, kind) = field.trim_end_matches(',').split_once(": ").unwrap();
                match kind.strip_prefix('[').and_then(|kind| kind.strip_suffix(']')) {
                    Some(array) => {
                        let (kind, length) = array.split_once("; ").unwrap();
                        let length = length.replace("MEMORY_BYTES", "HW_MEMORY_BYTES");
                        format!("{} {name}[{length}]", in_c(kind))
                    }
                    None => declared(&in_c(kind), name),
                }
            });
            let ours: Vec<_> = fields.collect();
            let tag = format!("typedef struct hw_{} {{", name.to_lowercase());
            let theirs = declarations.split_once(&tag).expect("it is declared").1;
            let theirs = theirs.split_once('}').unwrap().0.split(';').map(squeeze);
            let theirs: Vec<_> = theirs.filter(|field| !field.is_empty()).collect();
            assert_eq!(ours, theirs, "{name}");
            seen += 1;
        }
    }
    assert_eq!(seen, 8);
    let mut sizes = vec![
        ("start", size_of::<Start>()),
        ("action", size_of::<Action>()),
        ("payload", size_of::<Payload>()),
        ("heard", size_of::<Heard>()),
        ("event", size_of::<Event>()),
        ("counters", size_of::<Counters>()),
    ];
    for (name, size) in sizes.drain(..) {
        let asserted = format!("HW_STATIC_ASSERT(sizeof(hw_{name}) == {size}, \"hw_{name}\");");
        assert!(declarations.contains(&asserted), "{asserted}");
    }
    assert_eq!(size_of::<Reception>(), 16 + 2 * size_of::<*const u8>());
    assert_eq!(size_of::<Memory>(), hopwright_capi::MEMORY_BYTES);
}
