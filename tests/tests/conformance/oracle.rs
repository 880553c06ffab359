//! Proves that no committed vector goes unread: every file of `tests/vectors` is one that
//! `vectors.rs` reads and that the vectors' README describes, and the other way round. The
//! vectors are written by `tests/oracle`; a file that nothing reads proves nothing.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// The names that stand between `before` and `.json` in a text.
fn named(text: &str, before: &str) -> BTreeSet<String> {
    let names = text.split(before).skip(1).filter_map(|rest| rest.split_once(".json"));
    names.map(|(name, _)| format!("{name}.json")).collect()
}

#[test]
fn every_vector_file_is_read_and_described() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors");
    let entries = fs::read_dir(folder).expect("the vectors");
    let there: BTreeSet<String> = entries
        .map(|entry| entry.expect("an entry").file_name().into_string().expect("UTF-8"))
        .filter(|name| name != "README.md")
        .collect();
    let read = named(include_str!("vectors.rs"), "include_str!(\"../../vectors/");
    let described = named(include_str!("../../vectors/README.md"), "\n**`");
    assert!(there.len() >= 6, "{there:?}");
    assert_eq!(there, read, "there, and read by vectors.rs");
    assert_eq!(there, described, "there, and described in the README");
}

#[test]
fn every_list_of_a_vector_file_is_read() {
    // A list that `vectors.rs` does not name is as good as a stray file.
    let tests = include_str!("vectors.rs");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors");
    for name in named(tests, "include_str!(\"../../vectors/") {
        let text = fs::read_to_string(folder.join(&name)).expect("a file");
        let whole: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        for list in whole.as_object().expect("an object").keys().filter(|key| *key != "about") {
            // Read one by one, or from the whole.
            let call = format!("include_str!(\"../../vectors/{name}\"), \"{list}\")");
            let part = [format!("list(\"{list}\")"), format!("whole[\"{list}\"]")];
            let read = tests.contains(&call) || part.iter().any(|part| tests.contains(part));
            assert!(read, "{name}: nothing reads `{list}`");
        }
    }
}
