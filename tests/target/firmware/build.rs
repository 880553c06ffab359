//! Puts the linker script where the linker looks, and the recordings where the sources do.

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::{env, fs};

/// The folder with the recordings, `recording-<address>.bin`.
const FOLDER: &str = "HOPWRIGHT_RECORDINGS";
/// What the external memory of memory.x holds.
const EXTERNAL: u64 = 16 << 20;

fn main() {
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("cargo sets OUT_DIR"));
    fs::copy("memory.x", out.join("memory.x")).expect("memory.x can be copied");
    println!("cargo::rustc-link-search={}", out.display());
    println!("cargo::rustc-link-arg-bins=-Tlink.x");
    println!("cargo::rerun-if-changed=memory.x");
    println!("cargo::rerun-if-env-changed={FOLDER}");
    let table = match env::var_os(FOLDER) {
        Some(folder) => table(Path::new(&folder)),
        None => {
            println!("cargo::warning={FOLDER} is not set: the firmware will have nothing to do");
            "[]".into()
        }
    };
    fs::write(out.join("recordings.rs"), table).expect("OUT_DIR can be written");
}

/// An expression of type `[Recording; _]`, in the order of the addresses. The recordings have a
/// section of their own, see memory.x.
fn table(folder: &Path) -> String {
    println!("cargo::rerun-if-changed={}", folder.display());
    let entries = fs::read_dir(folder).expect("the folder of recordings can be read");
    let mut files: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    files.sort();
    let mut used = 0;
    let mut table = String::from("[");
    for file in &files {
        let file = file.canonicalize().expect("a recording exists");
        let name = file.file_stem().and_then(|name| name.to_str()).unwrap_or_default();
        if let Some(address) = name.strip_prefix("recording-") {
            let length = fs::metadata(&file).expect("a recording has a length").len();
            used += length;
            let section = if used < EXTERNAL { ".recordings" } else { ".recordings_behind" };
            write!(
                table,
                "({address:?}, {{
                    #[unsafe(link_section = {section:?})]
                    static BYTES: [u8; {length}] = *include_bytes!({file:?});
                    &BYTES
                }}),"
            )
            .expect("strings grow");
        }
    }
    table.push(']');
    table
}
