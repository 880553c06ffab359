//! The header says what the code does: the same functions with the same arguments, the same constants,
//! the same fields, the same sizes, and of each the same description.

use hopwright_capi::{
    Action, Counters, Event, Heard, Inbox, Judge, Loader, Memory, Message, Outbox, Payload, Plan,
    Raster, Reception, Start, State, Storage, Verdict,
};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

const HEADER: &str = include_str!("../include/hopwright.h");

/// Every file of the source: a new one is not forgotten.
fn sources() -> Vec<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let files = fs::read_dir(folder).unwrap().map(|file| file.unwrap().path());
    let sources: Vec<_> = files.map(|file| fs::read_to_string(file).unwrap()).collect();
    assert!(sources.len() >= 12, "the folder is read");
    sources
}

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
        "c_void" => "void".into(),
        "i16" | "i32" => format!("int{}_t", &rust[1..]),
        "u8" | "u16" | "u32" | "u64" => format!("uint{}_t", &rust[1..]),
        name => format!("hw_{}", name.to_lowercase()),
    }
}

/// A name and its type, as C declares them.
fn declared(kind: &str, name: &str) -> String {
    if let Some(function) = kind.strip_prefix("Option<") {
        let function = function.strip_prefix("unsafe extern \"C\" fn(").unwrap();
        let arguments = function.strip_suffix(") -> i32>").unwrap();
        return format!("int32_t (*{name})({})", arguments_in_c(arguments));
    }
    if let Some(array) = kind.strip_prefix('[') {
        let (kind, length) = array.strip_suffix(']').unwrap().split_once("; ").unwrap();
        let length = if length.contains("_BYTES") { format!("HW_{length}") } else { length.into() };
        return format!("{} {name}[{length}]", in_c(kind));
    }
    let kind = in_c(kind);
    let space = if kind.ends_with('*') { "" } else { " " };
    format!("{kind}{space}{name}")
}

fn arguments_in_c(arguments: &str) -> String {
    let arguments = arguments.split(',').map(str::trim).filter(|a| !a.is_empty());
    let arguments = arguments.map(|argument| {
        let (name, kind) = argument.split_once(": ").unwrap();
        declared(kind, name)
    });
    arguments.collect::<Vec<_>>().join(", ")
}

/// What a function or a structure is described with, right before it.
fn described(before: &str) -> String {
    let lines = before.lines().rev().skip_while(|line| !line.starts_with("///"));
    let comment: Vec<_> = lines.take_while(|line| line.starts_with("///")).collect();
    let lines = comment.into_iter().rev().map(|line| line.trim_start_matches("///"));
    squeeze(&lines.collect::<Vec<_>>().join(" ").replace('`', "").replace("# Safety", "Safety:"))
}

/// The same in the header.
fn described_in_c(before: &str) -> String {
    let comment = before.rsplit("/*").next().unwrap().split("*/").next().unwrap();
    let lines = comment.lines().map(|line| line.trim().trim_start_matches('*'));
    squeeze(&lines.collect::<Vec<_>>().join(" "))
}

/// Without the prefix that constants have in C alone.
fn unprefixed(text: &str) -> String {
    text.replace("HW_", "")
}

#[test]
fn every_function_is_declared_as_it_is() {
    let mut ours = Vec::new();
    for source in sources() {
        for piece in source.split("pub unsafe extern \"C\" fn ").skip(1) {
            let (name, rest) = piece.split_once('(').unwrap();
            let (arguments, rest) = rest.split_once(')').unwrap();
            assert!(rest.starts_with(" -> i32"), "{name} gives a status");
            ours.push(format!("int32_t {name}({})", arguments_in_c(arguments)));
        }
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
    assert_eq!(ours.len(), 41);
}

#[test]
fn every_function_says_the_same_in_both_and_what_it_relies_on() {
    let mut seen = 0;
    for source in sources() {
        let pieces: Vec<_> = source.split("pub unsafe extern \"C\" fn ").collect();
        for pair in pieces.windows(2) {
            let name = pair[1].split_once('(').unwrap().0;
            let ours = described(pair[0]);
            assert!(ours.contains("Safety: "), "{name} says what it relies on");
            let before = HEADER.split(&format!("int32_t {name}(")).next().unwrap();
            assert_eq!(unprefixed(&ours), unprefixed(&described_in_c(before)), "{name}");
            seen += 1;
        }
        assert_eq!(source.matches("#[unsafe(no_mangle)]").count(), pieces.len() - 1);
    }
    assert_eq!(HEADER.matches("* Safety:").count(), seen);
    assert!(seen > 30);
}

#[test]
fn every_constant_has_its_value_and_says_the_same() {
    let mut ours = BTreeMap::new();
    for source in sources() {
        for (at, _) in source.match_indices("\npub const ") {
            let name = source[at + 11..].split(':').next().unwrap();
            let before = HEADER.split(&format!("#define HW_{name} ")).next().unwrap();
            let (ours, theirs) = (described(&source[..at]), described_in_c(before));
            assert!(!ours.is_empty(), "{name} is described");
            assert_eq!(unprefixed(&ours), unprefixed(&theirs), "{name}");
        }
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
    assert!(ours.len() > 80);
}

/// The fields of a structure: name and type.
fn fields(body: &str) -> Vec<(String, String)> {
    let code: Vec<_> = body.lines().filter(|line| !line.trim().starts_with("///")).collect();
    let code = squeeze(&code.join(" "));
    let fields = code.split("pub ").map(str::trim).filter(|field| !field.is_empty());
    let fields = fields.map(|field| {
        let (name, kind) = field.trim_end_matches(',').split_once(": ").unwrap();
        // As it is on one line.
        let kind = kind.replace("Option< ", "Option<").replace(", >", ">").replace("fn( ", "fn(");
        (name.to_owned(), kind.replace(", ) ->", ") ->"))
    });
    fields.collect()
}

#[test]
fn every_structure_has_its_fields() {
    let declarations = declarations();
    let mut seen = 0;
    for source in sources() {
        for piece in source.split("#[repr(C)]\n").skip(1) {
            let Some((_, piece)) = piece.split_once("pub struct ").filter(|(derives, _)| {
                derives.lines().all(|line| line.starts_with("#[derive") || line.is_empty())
            }) else {
                continue;
            };
            let (name, rest) = piece.split_once(" {").unwrap();
            let body = rest.split_once("\n}").unwrap().0;
            let ours = fields(body);
            let ours: Vec<_> = ours.iter().map(|(name, kind)| declared(kind, name)).collect();
            let tag = format!("typedef struct hw_{} {{", name.to_lowercase());
            let theirs = declarations.split_once(&tag).expect("it is declared").1;
            let theirs = theirs.split_once('}').unwrap().0.split(';').map(squeeze);
            let theirs: Vec<_> = theirs.filter(|field| !field.is_empty()).collect();
            assert_eq!(ours, theirs, "{name}");
            seen += 1;
        }
    }
    assert_eq!(seen, 18);
    assert_eq!(declarations.matches("typedef struct").count(), seen);
}

#[test]
fn every_structure_has_its_size() {
    let pointer = size_of::<*const u8>();
    let sizes = [
        ("start", size_of::<Start>(), "16"),
        ("action", size_of::<Action>(), "48"),
        ("payload", size_of::<Payload>(), "12"),
        ("heard", size_of::<Heard>(), "20"),
        ("event", size_of::<Event>(), "12"),
        ("state", size_of::<State>(), "24"),
        ("counters", size_of::<Counters>(), "32"),
        ("plan", size_of::<Plan>(), "88"),
        ("raster", size_of::<Raster>(), "24"),
        ("judge", size_of::<Judge>(), "36"),
        ("verdict", size_of::<Verdict>(), "12"),
        ("memory", size_of::<Memory>(), "HW_MEMORY_BYTES"),
        ("outbox", size_of::<Outbox>(), "HW_OUTBOX_BYTES"),
        ("inbox", size_of::<Inbox>(), "HW_INBOX_BYTES"),
        ("loader", size_of::<Loader>(), "HW_LOADER_BYTES"),
        ("reception", size_of::<Reception>(), "16 + 2 * sizeof(void *)"),
        ("message", size_of::<Message>(), "16 + 2 * sizeof(void *)"),
        ("storage", size_of::<Storage>(), "5 * sizeof(void *)"),
    ];
    let declarations = declarations();
    for (name, size, asserted) in sizes {
        let line = format!("HW_STATIC_ASSERT(sizeof(hw_{name}) == {asserted}, \"hw_{name}\");");
        assert!(declarations.contains(&line), "{line}");
        let value = match asserted {
            "HW_MEMORY_BYTES" => hopwright_capi::MEMORY_BYTES,
            "HW_OUTBOX_BYTES" => hopwright_capi::OUTBOX_BYTES,
            "HW_INBOX_BYTES" => hopwright_capi::INBOX_BYTES,
            "HW_LOADER_BYTES" => hopwright_capi::LOADER_BYTES,
            "16 + 2 * sizeof(void *)" => 16 + 2 * pointer,
            "5 * sizeof(void *)" => 5 * pointer,
            number => number.parse().unwrap(),
        };
        assert_eq!(size, value, "{name}");
    }
    assert_eq!(declarations.matches("HW_STATIC_ASSERT(sizeof").count(), sizes.len());
}

/// Whatever the guide names is there.
#[test]
fn the_guide_names_what_there_is() {
    let guide = include_str!("../../../docs/c.md");
    let of = |text: &str| -> BTreeSet<String> {
        let words = text.split(|c: char| !(c.is_alphanumeric() || c == '_'));
        let ours = words.filter(|word| word.starts_with("hw_") || word.starts_with("HW_"));
        ours.map(str::to_owned).collect()
    };
    let (named, there) = (of(guide), of(&declarations()));
    let missing: Vec<_> = named.difference(&there).collect();
    assert_eq!(missing, [""; 0]);
    assert!(named.len() > 30, "{}", named.len());
    for (name, bytes) in [
        ("hw_memory", hopwright_capi::MEMORY_BYTES),
        ("hw_outbox", hopwright_capi::OUTBOX_BYTES),
        ("hw_inbox", hopwright_capi::INBOX_BYTES),
        ("hw_loader", hopwright_capi::LOADER_BYTES),
    ] {
        let row = guide.lines().find(|line| line.starts_with(&format!("| `{name}` |")));
        let told: String = row.unwrap().chars().rev().filter(char::is_ascii_digit).collect();
        let told: String = told.chars().rev().collect();
        assert!(told.ends_with(&bytes.to_string()), "{name}: {told}");
    }
}
