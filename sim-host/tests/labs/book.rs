//! The book as a whole: its contents, its files, its links.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The labs, in order: chapters that have files.
pub(crate) fn labs(source: &Path) -> Vec<PathBuf> {
    contents(source).into_iter().filter(|path| files_of(path).is_dir()).collect()
}

/// All chapters, as the summary names them.
fn contents(source: &Path) -> Vec<PathBuf> {
    let summary = fs::read_to_string(source.join("SUMMARY.md")).expect("SUMMARY.md");
    links(&summary).into_iter().map(|(_, link)| source.join(link)).collect()
}

/// The folder with the files of a lab.
fn files_of(chapter: &Path) -> PathBuf {
    let name = chapter.file_stem().expect("a name");
    chapter.with_file_name("files").join(name)
}

/// What is wrong with the book: chapters that the summary leaves out, files that no chapter links
/// to, links that lead nowhere or out of the book.
pub(crate) fn complaints(source: &Path) -> Vec<String> {
    let mut complaints = Vec::new();
    let chapters: BTreeSet<PathBuf> = contents(source).into_iter().collect();
    let mut linked = BTreeSet::new();
    for path in &chapters {
        let Ok(text) = fs::read_to_string(path) else {
            complaints.push(format!("{}: not there", path.display()));
            continue;
        };
        for (line, link) in links(&text) {
            if link.starts_with("https://") {
                continue;
            }
            let target = link.split('#').next().unwrap_or_default();
            let file = if target.is_empty() { path.clone() } else { source.join(target) };
            if target.contains("..") || !file.is_file() {
                complaints.push(format!("{}:{line}: {link} is not in the book", path.display()));
            }
            linked.insert(file);
        }
    }
    for entry in fs::read_dir(source).expect("chapters") {
        let path = entry.expect("an entry").path();
        let chapter = path.extension().is_some_and(|e| e == "md") && !path.ends_with("SUMMARY.md");
        if chapter && !chapters.contains(&path) {
            complaints.push(format!("{}: not in the summary", path.display()));
        }
    }
    for folder in fs::read_dir(source.join("files")).expect("files") {
        let folder = folder.expect("a folder").path();
        if !labs(source).iter().any(|lab| files_of(lab) == folder) {
            complaints.push(format!("{}: of no chapter", folder.display()));
        }
        for file in fs::read_dir(folder).expect("files of a lab") {
            let file = file.expect("a file").path();
            if !linked.contains(&file) {
                complaints.push(format!("{}: no chapter links to it", file.display()));
            }
        }
    }
    complaints
}

/// Targets of Markdown links outside fences, with their lines.
fn links(text: &str) -> Vec<(usize, &str)> {
    let mut fenced = false;
    let mut found = Vec::new();
    for (line, text) in (1..).zip(text.lines()) {
        fenced ^= text.starts_with("```");
        if !fenced {
            let targets = text.split("](").skip(1).filter_map(|rest| rest.split(')').next());
            found.extend(targets.map(|target| (line, target)));
        }
    }
    found
}

#[test]
fn links_are_found() {
    let text = "[a](a.md), [b](b.md#c)\n```\n[no](no.md)\n```\n[d](#d)";
    assert_eq!(links(text), [(1, "a.md"), (1, "b.md#c"), (5, "#d")]);
}
