//! Provisioning from the command line: keys, sealed files, groups, and every way in which they are
//! refused: one clear reason, status 2, nothing on standard output, nothing written, no key shown.
#![cfg(unix)]

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_core::address::Target;
use hopwright_core::keys::Label;
use hopwright_core::provision::{Configuration, Envelope, TAG_BYTES, TransferKey};
use hopwright_core::tree::Share;
use hopwright_sim::plan::{Plan, parse_address};
use std::fs;
use std::io::Write;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::Path;
use std::process::{Command, Output, Stdio};

/// A folder with a plan of an unpublished key, a roster, a transfer key and a passphrase.
fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    let path = dir.path();
    let made = hopwright(path, &["keygen", "--out", "net.key"]);
    assert_eq!(made.status.code(), Some(0), "{}", stderr(&made));
    assert_eq!(hopwright(path, &["keygen", "--out", "transfer.key"]).status.code(), Some(0));
    let made = hopwright(path, &["keygen", "--tree", "--out", "tree.key"]);
    assert_eq!(made.status.code(), Some(0), "{}", stderr(&made));
    private(&path.join("phrase"), "rowan otter lintel cinder weir\n");
    let plan = include_str!("../plans/larkfell.toml");
    let published = "key = \"000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f\"";
    assert!(plan.contains(published));
    fs::write(path.join("training.toml"), plan).expect("written");
    let own = "key_file = \"net.key\"";
    fs::write(path.join("plan.toml"), plan.replace(published, own)).expect("written");
    let tree = format!("{own}\ntree_key_file = \"tree.key\"\nwithdrawn = \"57\"");
    fs::write(path.join("tree.toml"), plan.replace(published, &tree)).expect("written");
    let roster = "[[station]]\nname = \"control post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
                  [[station]]\nname = \"boat plover\"\naddress = \"4B\"\n";
    fs::write(path.join("roster.toml"), roster).expect("written");
    dir
}

fn private(path: &Path, text: &str) {
    let mut options = fs::OpenOptions::new();
    let mut file = options.write(true).create_new(true).mode(0o600).open(path).expect("a new file");
    file.write_all(text.as_bytes()).expect("written");
}

const BY_KEY: [&str; 2] = ["--transfer-key-file", "transfer.key"];
const BY_PHRASE: [&str; 2] = ["--passphrase-file", "phrase"];

fn provisioned(dir: &Path, out: &str, secret: [&str; 2]) -> Output {
    let args = ["provision", "plan.toml", "--roster", "roster.toml", "--out", out];
    hopwright(dir, &[&args[..], &secret].concat())
}

/// Checks that a command was refused in the one way, and returns what was said.
/// What docs/c.md tells a C program to keep room for: the longest files there are of a plan with a short
/// name, and what takes their place at a change of keys (`hw_replace_configuration` asks for 64 bytes more
/// than the open configuration).
#[test]
fn the_manual_gives_room_for_the_longest_configurations() {
    let manual = include_str!("../../docs/c.md");
    let figure = |before: &str, after: &str| -> usize {
        let part = manual.split_once(after).expect("the sentence").0;
        let digits = part.rsplit_once(before).expect("its beginning").1;
        digits.parse().expect("a number")
    };
    let loaded = figure("(", " bytes hold one with a full directory");
    let replaced = figure("a short name, ", " also what takes its place");
    let dir = folder();
    let path = dir.path();
    let calls: Vec<String> = (0..16).map(|n| format!("\"{:02X}\"", 16 * n + 5)).collect();
    let roster = format!(
        "[[station]]\nname = \"control post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
         [[station]]\nname = \"boat plover\"\naddress = \"4B\"\ncalls = [{}]\n",
        calls.join(", ")
    );
    fs::write(path.join("full.toml"), roster).expect("written");
    let mut longest = 0;
    for (out, more) in [("exercise", &[][..]), ("full", &["--roster", "full.toml"][..])] {
        let args = ["provision", "training.toml", "--training", "--out", out];
        let output = hopwright(path, &[&args[..], more, &BY_KEY].concat());
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        for entry in fs::read_dir(path.join(out)).expect("a folder") {
            let file = fs::read(entry.expect("an entry").path()).expect("a file");
            let Ok(envelope) = Envelope::decode(&file) else { continue };
            longest = longest.max(file.len());
            let open = envelope.ciphertext.len() - TAG_BYTES;
            // The generation of a share has one byte more from 24 on.
            assert!(open + 1 + 64 <= replaced, "{open} bytes");
        }
    }
    assert!((loaded - 32..=loaded).contains(&longest), "{longest} bytes");
}

#[track_caller]
fn refused(dir: &Path, output: &Output) -> String {
    let said = stderr(output);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert_eq!(stdout(output), "", "{said}");
    assert!(said.starts_with("error: "), "{said}");
    assert!(said.lines().last().is_some_and(|line| line.starts_with("help: ")), "{said}");
    shows_no_secret(dir, &said);
    said
}

/// No six digits in a row of either key, nor a word of the passphrase.
#[track_caller]
fn shows_no_secret(dir: &Path, text: &str) {
    let text = text.to_lowercase();
    for file in ["net.key", "transfer.key", "tree.key"] {
        let key = fs::read_to_string(dir.join(file)).expect("a key");
        for part in key.trim().as_bytes().windows(8).map(String::from_utf8_lossy) {
            assert!(!text.contains(&*part), "a key is shown: {text}");
        }
    }
    assert!(!text.contains("lintel"), "the passphrase is shown: {text}");
}

fn mode(path: &Path) -> u32 {
    fs::metadata(path).expect("there").permissions().mode() & 0o777
}

#[test]
fn keygen_writes_a_new_key_for_its_owner_and_shows_a_fingerprint() {
    let dir = folder();
    let path = dir.path();
    let text = fs::read_to_string(path.join("net.key")).expect("a key");
    assert_eq!((text.len(), mode(&path.join("net.key"))), (65, 0o600));
    assert!(text.trim().bytes().all(|b| b.is_ascii_hexdigit()));
    assert_ne!(text, fs::read_to_string(path.join("transfer.key")).expect("a key"));
    let again = hopwright(path, &["keygen", "--out", "net.key"]);
    assert!(refused(path, &again).contains("this file exists"));
    assert_eq!(fs::read_to_string(path.join("net.key")).expect("a key"), text);
    let other = hopwright(path, &["keygen", "--out", "third.key"]);
    assert!(stdout(&other).contains("fingerprint"), "{}", stdout(&other));
    let third = fs::read_to_string(path.join("third.key")).expect("a key");
    assert!(!stdout(&other).contains(&third[..8]));
    let nowhere = hopwright(path, &["keygen", "--out", "no/such/folder.key"]);
    assert!(refused(path, &nowhere).contains("cannot be written"));
}

#[test]
fn keygen_says_what_a_root_is_for() {
    let dir = folder();
    let path = dir.path();
    let text = fs::read_to_string(path.join("tree.key")).expect("a root");
    assert_eq!((text.len(), mode(&path.join("tree.key"))), (65, 0o600));
    let made = hopwright(path, &["keygen", "--tree", "--out", "root"]);
    let said = stdout(&made);
    assert!(said.contains("root: the root of a key tree") && said.contains("planner"), "{said}");
    let root = fs::read_to_string(path.join("root")).expect("a root");
    assert!(!said.contains(&root[..8]));
    // `provision` shows the same fingerprint.
    let plan = fs::read_to_string(path.join("tree.toml")).expect("a plan");
    fs::write(path.join("rooted.toml"), plan.replace("tree.key", "root")).expect("written");
    let args = ["provision", "rooted.toml", "--roster", "roster.toml", "--out", "out"];
    let told = stdout(&hopwright(path, &[&args[..], &BY_KEY].concat()));
    let print = said.split("fingerprint ").nth(1).expect("a fingerprint");
    let print = print.split_whitespace().next().expect("a fingerprint");
    assert!(told.contains(&format!("root fingerprint {print}, generation 0")), "{told}");
    let again = hopwright(path, &["keygen", "--tree", "--out", "root"]);
    assert!(refused(path, &again).contains("this file exists"));
}

/// Opens a station's file as a station does, and hands its configuration over.
fn opened(dir: &Path, file: &str, see: impl FnOnce(&Configuration<'_, 4096>)) {
    let key = fs::read_to_string(dir.join("transfer.key")).expect("a key");
    let byte = |i: usize| u8::from_str_radix(&key[2 * i..2 * i + 2], 16).expect("digits");
    let key = TransferKey::new(std::array::from_fn(byte));
    let mut bytes = fs::read(dir.join(file)).expect("a file");
    let open = key.open(&mut bytes).expect("it opens");
    see(&Configuration::decode(open).expect("a configuration"));
}

fn written(share: Option<&Share>) -> Vec<u8> {
    let mut bytes = Vec::new();
    share.expect("a share").write(&mut |part: &[u8]| bytes.extend_from_slice(part));
    bytes
}

/// A plan with a root gives each station its share, with the roster's directory; what two stations
/// are given agrees; nothing secret is shown of it.
#[test]
fn stations_get_their_shares_and_can_call_each_other() {
    let dir = folder();
    let path = dir.path();
    let roster = "[[station]]\nname = \"control post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
                  calls = [\"4B\", \"40/4\", \"all but 10\", \"all\", \"10\"]\n\
                  [[station]]\nname = \"boat plover\"\naddress = \"4B\"\n\
                  [[station]]\nname = \"ground\"\naddress = \"22\"\ncalls = []\n";
    fs::write(path.join("roster.toml"), roster).expect("written");
    let args = ["provision", "tree.toml", "--roster", "roster.toml", "--out", "out"];
    let output = hopwright(path, &[&args[..], &BY_KEY].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let told = stdout(&output);
    shows_no_secret(path, &told);
    for line in [
        "    may call  4B, 40/4, all but 10\n",
        "    may call  10, 22 (by default)\n",
        "    may call  only targets that it belongs to\n",
    ] {
        assert!(told.contains(line), "no {line:?}: {told}");
    }
    let plan = Plan::load(&path.join("tree.toml")).expect("a plan");
    let tree = plan.key_tree().expect("a tree");
    let address = |text: &str| parse_address(text).expect("an address");
    let (post, boat, ground) = (address("10"), address("4B"), address("22"));
    let boats = Target::prefix(address("40"), 4).expect("a prefix");
    let directory = [Target::one(boat), boats, Target::all_but(post)];
    opened(path, "out/station-10.sealed", |ours| {
        let expected = tree.share(post, 0, &directory).expect("a share");
        assert_eq!(written(ours.share.as_ref()), written(Some(&expected)));
        opened(path, "out/station-4B.sealed", |theirs| {
            let expected = tree.share(boat, 0, &[Target::one(post), Target::one(ground)]);
            assert_eq!(written(theirs.share.as_ref()), written(expected.ok().as_ref()));
            let under = plan.net_key().subkey(Label::Tree);
            let word = |configuration: &Configuration<'_, 4096>, own, target| {
                let share = configuration.share.as_ref().expect("a share");
                share.traffic_key(&under, own, post, target).map(|key| key.word(0, 0))
            };
            for target in directory {
                assert!(word(ours, post, target).is_some(), "{target}");
                assert_eq!(word(ours, post, target), word(theirs, boat, target), "{target}");
            }
            assert_eq!(word(theirs, boat, Target::one(ground)), None, "not called");
        });
    });
    let inspect = |more: &[&str]| {
        let args = [&["inspect", "out/station-10.sealed"][..], more, &BY_KEY].concat();
        let output = hopwright(path, &args);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        shows_no_secret(path, &stdout(&output));
        opened(path, "out/station-10.sealed", |it| {
            let share: String =
                written(it.share.as_ref()).iter().map(|b| format!("{b:02x}")).collect();
            let text = stdout(&output).to_lowercase();
            let (secrets, _) = share.split_at(2 + 2 * 16 * 18);
            for part in secrets.as_bytes()[2..].windows(8).map(String::from_utf8_lossy) {
                assert!(!text.contains(&*part), "a secret of the share is shown: {text}");
            }
        });
        stdout(&output)
    };
    let text = inspect(&[]);
    assert!(text.contains("key tree    a share of 344 bytes, generation 0\n"), "{text}");
    assert!(text.contains("may call    4B, 40/4, all but 10\n"), "{text}");
    let value: serde_json::Value = serde_json::from_str(&inspect(&["--json"])).expect("JSON");
    let share = &value["configuration"]["share"];
    assert_eq!(share["generation"], 0);
    assert_eq!(share["directory"], serde_json::json!(["4B", "40/4", "all but 10"]));
    // Without a root there is no share, and that is said.
    assert!(stdout(&provisioned(path, "plain", BY_KEY)).is_empty(), "calls without a tree");
    fs::write(path.join("roster.toml"), roster.replace("calls", "# calls")).expect("written");
    let told = stdout(&provisioned(path, "plain", BY_KEY));
    assert!(told.contains("no key tree"), "{told}");
    let args = ["inspect", "plain/station-10.sealed", "--json"];
    let value = stdout(&hopwright(path, &[&args[..], &BY_KEY].concat()));
    let value: serde_json::Value = serde_json::from_str(&value).expect("JSON");
    assert!(value["configuration"]["share"].is_null());
}

#[test]
fn a_large_net_gets_groups_where_the_roster_does_not_say() {
    let dir = folder();
    let path = dir.path();
    let roster: String = (0x3C..0x50)
        .map(|a| format!("[[station]]\nname = \"boat {a}\"\naddress = \"{a:02X}\"\n"))
        .collect();
    fs::write(path.join("roster.toml"), roster).expect("written");
    let args = ["provision", "tree.toml", "--roster", "roster.toml", "--out", "out"];
    let told = stdout(&hopwright(path, &[&args[..], &BY_KEY].concat()));
    for (station, line) in
        [("3D", "may call  40/4, 3C, 3E, 3F (by default)"), ("4B", "may call  30/4, 40, 41")]
    {
        let after = told.split(&format!("station-{station}.sealed")).nth(1).expect("the station");
        let said = after.lines().nth(1).expect("its directory").trim();
        assert!(said.starts_with(line), "{said}");
    }
    // A scenario is a roster too, and the same holds of it.
    let plan = fs::read_to_string(path.join("tree.toml")).expect("a plan");
    fs::write(path.join("tree.toml"), plan.replace("\"57\"", "\"59\"")).expect("written");
    for (file, text) in [
        ("plans/larkfell.toml", include_str!("../plans/larkfell.toml")),
        ("scenarios/larkfell.toml", include_str!("../scenarios/larkfell.toml")),
    ] {
        let file = path.join(file);
        fs::create_dir(file.parent().expect("a folder")).expect("made");
        fs::write(file, text).expect("written");
    }
    let args =
        ["provision", "tree.toml", "--roster", "scenarios/larkfell.toml", "--out", "exercise"];
    let output = hopwright(path, &[&args[..], &BY_KEY].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let told = stdout(&output);
    assert!(told.contains("    may call  20/4, 40/4, 50/4, 60/4, 11 (by default)\n"), "{told}");
    // Unless the plan has withdrawn one of its stations.
    fs::write(path.join("tree.toml"), plan).expect("written");
    let args = ["provision", "tree.toml", "--roster", "scenarios/larkfell.toml", "--out", "none"];
    let said = refused(path, &hopwright(path, &[&args[..], &BY_KEY].concat()));
    assert!(said.contains("(57) has been withdrawn"), "{said}");
    assert!(said.contains("--> scenarios/larkfell.toml") && !path.join("none").exists(), "{said}");
}

#[test]
fn directories_and_stations_that_cannot_be() {
    let dir = folder();
    let path = dir.path();
    let refuse = |plan: &str, calls: &str, address: &str| {
        let roster = format!("[[station]]\nname = \"a\"\naddress = \"{address}\"\n{calls}\n");
        fs::write(path.join("r.toml"), roster).expect("written");
        let args = ["provision", plan, "--roster", "r.toml", "--out", "out"];
        let said = refused(path, &hopwright(path, &[&args[..], &BY_KEY].concat()));
        assert!(!path.join("out").exists() && !path.join("out.partial").exists(), "{said}");
        said
    };
    let has = |said: String, parts: &[&str]| {
        for part in parts {
            assert!(said.contains(part), "no \"{part}\": {said}");
        }
    };
    let bad = refuse("tree.toml", "calls = [\"22\", \"41/4\"]", "4B");
    has(bad, &["\"41/4\" is no call target", "--> r.toml:4:16"]);
    let bad = refuse("tree.toml", "calls = [\"everyone\"]", "4B");
    has(bad, &["\"everyone\" is no call target", "--> r.toml:4:10"]);
    let bad = refuse("tree.toml", "calls = [\"22\", \"22/8\"]", "4B");
    has(bad, &["\"22\" stands here twice", "--> r.toml:4:16"]);
    has(refuse("tree.toml", "calls = \"22\"", "4B"), &["a list of texts", "--> r.toml:4:9"]);
    has(refuse("tree.toml", "calls = [22]", "4B"), &["a list of texts", "--> r.toml:4:10"]);
    // Its own address needs no entry, so that 17 with it are 16.
    let list = |from: u8| (from..from + 17).map(|a| format!("\"{a:02X}\"")).collect::<Vec<_>>();
    let many = format!("calls = [{}]", list(0x60).join(", "));
    has(refuse("tree.toml", &many, "4B"), &["may call 16 targets", "--> r.toml:4:106"]);
    fs::write(
        path.join("r.toml"),
        format!(
            "[[station]]\nname = \"a\"\naddress = \"4B\"\ncalls = [{}]\n",
            list(0x40).join(", ")
        ),
    )
    .expect("written");
    let args = ["provision", "tree.toml", "--roster", "r.toml", "--out", "sixteen"];
    let output = hopwright(path, &[&args[..], &BY_KEY].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    has(refuse("plan.toml", "calls = [\"22\"]", "4B"), &["no root", "--> r.toml:4:9"]);
    has(refuse("tree.toml", "", "57"), &["\"a\" (57) has been withdrawn", "--> r.toml:3:11"]);
    // A root that has been published would let anybody make the shares.
    let plan = fs::read_to_string(path.join("tree.toml")).expect("a plan");
    let published: String = (0x80..0xa0).map(|byte| format!("{byte:02x}")).collect();
    let plan = plan.replace("tree_key_file = \"tree.key\"", &format!("tree_key = \"{published}\""));
    fs::write(path.join("open.toml"), plan).expect("written");
    has(refuse("open.toml", "", "4B"), &["root", "published one", "--> open.toml"]);
}

/// After a withdrawal the new plan's configurations have the new key and generation, and the
/// hopset that all stations have: it is drawn with the first net key (specification section 10).
/// The withdrawn station gets none.
#[test]
fn after_a_withdrawal_the_hopset_stays_and_the_withdrawn_are_refused() {
    let dir = folder();
    let path = dir.path();
    let rostered = |plan: &str, out: &str| {
        let args = ["provision", plan, "--roster", "roster.toml", "--out", out];
        hopwright(path, &[&args[..], &BY_KEY].concat())
    };
    // Only a hopset that a key picks can show which key picked it.
    let plan = fs::read_to_string(path.join("tree.toml")).expect("a plan");
    assert!(plan.contains("count = 130") && !plan.contains("[hopset]"));
    let keyed = plan.replace("count = 130", "count = 200");
    let keyed = format!("{keyed}\n[hopset]\npick = \"keyed\"\nchannels = 128\n");
    fs::write(path.join("tree.toml"), keyed).expect("written");
    assert_eq!(rostered("tree.toml", "before").status.code(), Some(0));
    let args =
        ["withdraw", "tree.toml", "--station", "10", "--from-slot", "9000", "--out", "after"];
    let output = hopwright(path, &args);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let said = refused(path, &rostered("after/plan.toml", "out"));
    assert!(said.contains("\"control post\" (10) has been withdrawn"), "{said}");
    let roster = "[[station]]\nname = \"boat plover\"\naddress = \"4B\"\n";
    fs::write(path.join("roster.toml"), roster).expect("written");
    let output = rostered("after/plan.toml", "later");
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    opened(path, "before/station-4B.sealed", |before| {
        opened(path, "later/station-4B.sealed", |later| {
            assert!(!later.key.same(&before.key));
            assert!(later.hopset == before.hopset);
            let generation =
                |it: &Configuration<'_, 4096>| it.share.as_ref().map(Share::generation);
            assert_eq!((generation(before), generation(later)), (Some(0), Some(1)));
        });
    });
    // Typed at a station that holds the band key with the plan's public part, it is the same hopset.
    let plan = fs::read_to_string(path.join("after/plan.toml")).expect("a plan");
    let public = plan.replace("\"net.key\"", "\"none\"").replace("\"tree.key\"", "\"none\"");
    fs::write(path.join("after/public.toml"), public).expect("written");
    let args = ["inspect", "later/station-4B.sealed", "--groups"];
    let groups = stdout(&hopwright(path, &[&args[..], &BY_KEY].concat()));
    let entered = enter(path, "after/public.toml", &groups, &[]);
    assert_eq!(entered.status.code(), Some(0), "{}", stderr(&entered));
    assert!(stdout(&entered).contains("no share of the key tree"), "{}", stdout(&entered));
    opened(path, "later/station-4B.sealed", |later| {
        opened(path, "entered", |typed| {
            assert!(typed.key.same(&later.key) && typed.hopset == later.hopset);
            assert!(typed.share.is_none());
        });
    });
    // The withdrawn station's groups, from before, are for another key; its address is refused.
    fs::remove_file(path.join("entered")).expect("removed");
    let args = ["inspect", "before/station-10.sealed", "--groups"];
    let groups = stdout(&hopwright(path, &[&args[..], &BY_KEY].concat()));
    let said = refused(path, &enter(path, "after/public.toml", &groups, &[]));
    assert!(said.contains("station 10 has been withdrawn"), "{said}");
    assert!(!path.join("entered").exists());
}

#[test]
fn provision_makes_a_whole_private_folder() {
    let dir = folder();
    let path = dir.path();
    for (out, secret) in [("by-key", BY_KEY), ("by-phrase", BY_PHRASE)] {
        let output = provisioned(path, out, secret);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        shows_no_secret(path, &stdout(&output));
        let folder = path.join(out);
        assert_eq!(mode(&folder), 0o700);
        let mut names: Vec<String> = fs::read_dir(&folder)
            .expect("a folder")
            .map(|entry| entry.expect("a file").file_name().into_string().expect("a name"))
            .collect();
        names.sort();
        assert_eq!(names, ["station-10.sealed", "station-4B.sealed", "stations.csv"]);
        for name in &names {
            assert_eq!(mode(&folder.join(name)), 0o600, "{name}");
        }
        let list = fs::read_to_string(folder.join("stations.csv")).expect("a list");
        assert_eq!(
            list,
            "name,address,role,lane,file\ncontrol post,10,timekeeper,0,station-10.sealed\n\
             boat plover,4B,member,0,station-4B.sealed\n"
        );
        let again = provisioned(path, out, secret);
        assert!(refused(path, &again).contains("not empty"));
    }
    assert!(!path.join("by-key.partial").exists());
}

#[test]
fn provision_refuses_what_it_must_and_writes_nothing() {
    let dir = folder();
    let path = dir.path();
    let run = |args: &[&str]| {
        let args = [&["provision"], args, &["--out", "out"]].concat();
        let output = hopwright(path, &args);
        let said = refused(path, &output);
        assert!(!path.join("out").exists() && !path.join("out.partial").exists(), "{said}");
        said
    };
    let with = |args: &[&str]| run(&[args, &BY_KEY].concat());
    assert!(with(&["training.toml"]).contains("published"));
    assert!(with(&["plan.toml"]).contains("which stations"));
    assert!(run(&["plan.toml", "--roster", "roster.toml"]).contains("neither a terminal"));
    fs::write(path.join("r1.toml"), "[[station]]\nname = \"a\"\naddress = \"4\"\n").expect("w");
    assert!(with(&["plan.toml", "--roster", "r1.toml"]).contains("--> r1.toml:3:11"));
    let twice = "[[station]]\nname = \"a\"\naddress = \"44\"\n".repeat(2);
    fs::write(path.join("r2.toml"), twice).expect("w");
    assert!(with(&["plan.toml", "--roster", "r2.toml"]).contains("--> r2.toml:6:11"));
    let lane = "[[station]]\nname = \"a\"\naddress = \"44\"\nlane = 3\n";
    fs::write(path.join("r3.toml"), lane).expect("w");
    let said = with(&["plan.toml", "--roster", "r3.toml"]);
    assert!(said.contains("no lane 3") && said.contains("--> r3.toml:4:8"), "{said}");
    fs::write(path.join("r4.toml"), "# nobody\n").expect("w");
    assert!(with(&["plan.toml", "--roster", "r4.toml"]).contains("1 to 256 stations"));
    let roster = ["plan.toml", "--roster", "roster.toml"];
    let phrase = |file: &str| run(&[&roster[..], &["--passphrase-file", file]].concat());
    private(&path.join("short"), "too short\n");
    assert!(phrase("short").contains("at least 12"));
    fs::set_permissions(path.join("phrase"), fs::Permissions::from_mode(0o644)).expect("mode");
    assert!(phrase("phrase").contains("others may read this secret"));
    private(&path.join("no-key"), "rowan otter\n");
    assert!(run(&[&roster[..], &["--transfer-key-file", "no-key"]].concat()).contains("no key"));
}

/// An error shows nothing of a file that is a secret, whatever its encoding: no four characters of it
/// in a row.
#[test]
fn secrets_in_another_encoding_are_not_shown() {
    let dir = folder();
    let path = dir.path();
    let key = "3c9e71d05ab8426f".repeat(4);
    let plain = |text: &str| -> String {
        text.chars().filter(char::is_ascii_alphanumeric).flat_map(char::to_lowercase).collect()
    };
    for (option, secret) in
        [("--transfer-key-file", key.as_str()), ("--passphrase-file", "qzjx vwkp yfqd xxjz wqvk")]
    {
        // UTF-16 with its mark, and Latin-1 with an e acute behind it.
        let mut wide = vec![0xFF, 0xFE];
        wide.extend(secret.encode_utf16().flat_map(u16::to_le_bytes));
        for (encoding, bytes) in
            [("wide", wide), ("latin", [secret.as_bytes(), b"\xe9\n"].concat())]
        {
            let file = format!("{encoding}{option}");
            private(&path.join(&file), "");
            fs::write(path.join(&file), bytes).expect("written");
            let roster = ["provision", "plan.toml", "--roster", "roster.toml", "--out", "out"];
            let output = hopwright(path, &[&roster[..], &[option, &file]].concat());
            let said = refused(path, &output);
            assert!(said.contains("not UTF-8") && said.contains(&file), "{said}");
            for part in plain(secret).as_bytes().windows(4).map(String::from_utf8_lossy) {
                assert!(!plain(&said).contains(&*part), "{file} is shown: {said}");
            }
            assert!(!path.join("out").exists());
        }
    }
}

#[test]
fn a_training_plan_serves_the_built_in_exercise() {
    let dir = folder();
    let args = ["provision", "training.toml", "--training", "--out", "out"];
    let output = hopwright(dir.path(), &[&args[..], &BY_KEY].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains("TRAINING KEY"), "{}", stdout(&output));
    let files = fs::read_dir(dir.path().join("out")).expect("a folder").count();
    let stations = include_str!("../scenarios/larkfell.toml").matches("[[station]]").count();
    assert_eq!(files, stations + 1);
}

#[test]
fn inspect_shows_the_envelope_without_a_secret_and_all_but_keys_with_it() {
    let dir = folder();
    let path = dir.path();
    for (out, secret, opens) in
        [("k", BY_KEY, "a transfer key"), ("p", BY_PHRASE, "65536 KiB, 3 passes, 4 lanes")]
    {
        assert_eq!(provisioned(path, out, secret).status.code(), Some(0));
        let file = format!("{out}/station-4B.sealed");
        let outside = hopwright(path, &["inspect", &file]);
        let text = stdout(&outside);
        assert_eq!(outside.status.code(), Some(0), "{}", stderr(&outside));
        assert!(text.contains("station 4B") && text.contains(opens), "{text}");
        assert!(!text.contains("hopset") && !text.contains("fingerprint"), "{text}");
        let inside = hopwright(path, &[&["inspect", &file][..], &secret].concat());
        let text = stdout(&inside);
        assert_eq!(inside.status.code(), Some(0), "{}", stderr(&inside));
        shows_no_secret(path, &text);
        for part in [
            "4B, member, lane 0",
            "net         larkfell",
            "128 channels: 0-64, 67-129",
            "20000 us, settle 1000 us, guard 500 us, 50000 bit/s",
            "fixed       calling",
            "a station comes of it",
        ] {
            assert!(text.contains(part), "no \"{part}\": {text}");
        }
        // The fingerprint is that of the key file.
        let made = provisioned(path, &format!("{out}2"), secret);
        let print = stdout(&made);
        let print = print.split("key fingerprint ").nth(1).expect("a fingerprint");
        assert!(text.contains(&print[..8]), "{text}");
        let json = hopwright(path, &[&["inspect", &file, "--json"][..], &secret].concat());
        let value: serde_json::Value = serde_json::from_str(&stdout(&json)).expect("JSON");
        assert_eq!(value["configuration"]["address"], "4B");
        assert_eq!(value["configuration"]["channels"].as_array().map(Vec::len), Some(128));
        shows_no_secret(path, &stdout(&json));
    }
}

#[test]
fn inspect_refuses_truncated_altered_swapped_oversized_and_later_files() {
    let dir = folder();
    let path = dir.path();
    assert_eq!(provisioned(path, "k", BY_KEY).status.code(), Some(0));
    let good = fs::read(path.join("k/station-4B.sealed")).expect("sealed");
    let said = |bytes: &[u8], more: &[&str]| {
        fs::write(path.join("bad"), bytes).expect("written");
        let output = hopwright(path, &[&["inspect", "bad"][..], more, &BY_KEY].concat());
        let said = refused(path, &output);
        assert!(said.contains("--> bad"), "{said}");
        said
    };
    for cut in [0, 1, 20, good.len() / 2, good.len() - 1] {
        assert!(said(&good[..cut], &[]).contains("truncated"), "{cut}");
    }
    let mut altered = good.clone();
    let last = altered.len() - 1;
    altered[last] ^= 1;
    assert!(said(&altered, &[]).contains("does not open"));
    assert!(said(&good, &["--address", "10"]).contains("swapped"));
    assert!(said(&vec![0x82; 9_000], &[]).contains("oversized"));
    let mut later = good.clone();
    let version = later.iter().position(|byte| *byte == 0xA4).expect("the header") + 2;
    later[version] = 7;
    assert!(said(&later, &[]).contains("version 7 is none that this reader knows"));
    assert!(said(b"hello", &[]).contains("this is a text"));
    assert!(said(b"hell\xFF", &[]).contains("damaged"));
    let wrong = ["inspect", "k/station-4B.sealed", "--transfer-key-file", "net.key"];
    assert!(refused(path, &hopwright(path, &wrong)).contains("does not open"));
    let kind = hopwright(path, &[&["inspect", "k/station-4B.sealed"][..], &BY_PHRASE].concat());
    assert!(refused(path, &kind).contains("with a transfer key"));
    let missing = hopwright(path, &["inspect", "no-such-file"]);
    assert!(refused(path, &missing).contains("cannot be read"));
}

/// Runs `enter` with groups on its standard input.
fn enter(dir: &Path, plan: &str, groups: &str, more: &[&str]) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_hopwright"))
        .args(["enter", plan, "--out", "entered"])
        .args(more)
        .args(BY_KEY)
        .current_dir(dir)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary runs");
    // It may have refused its arguments, and not wait for groups.
    let _ = child.stdin.take().expect("a pipe").write_all(groups.as_bytes());
    child.wait_with_output().expect("it ends")
}

#[test]
fn groups_carry_a_configuration_from_inspect_to_enter() {
    let dir = folder();
    let path = dir.path();
    assert_eq!(provisioned(path, "k", BY_KEY).status.code(), Some(0));
    let show = |more: &[&str], file: &str| {
        hopwright(path, &[&["inspect", file][..], more, &BY_KEY].concat())
    };
    let groups = show(&["--groups"], "k/station-4B.sealed");
    assert_eq!(groups.status.code(), Some(0), "{}", stderr(&groups));
    let groups = stdout(&groups);
    assert_eq!(groups.split_whitespace().count(), 17);
    // The plan's own key is not needed, nor looked at.
    let public = fs::read_to_string(path.join("plan.toml")).expect("a plan");
    fs::write(path.join("public.toml"), public.replace("net.key", "lost.key")).expect("written");
    let entered = enter(path, "public.toml", &groups, &[]);
    assert_eq!(entered.status.code(), Some(0), "{}", stderr(&entered));
    assert_eq!(mode(&path.join("entered")), 0o600);
    // The very same configuration comes of it.
    let body = |file| stdout(&show(&[], file)).lines().skip(3).collect::<Vec<_>>().join("\n");
    assert_eq!(body("entered"), body("k/station-4B.sealed"));
    assert!(body("entered").contains("4B, member"));
    let again = enter(path, "public.toml", &groups, &[]);
    assert!(refused(path, &again).contains("this file exists"));
    fs::remove_file(path.join("entered")).expect("removed");

    let refuse = |plan: &str, groups: &str| {
        let said = refused(path, &enter(path, plan, groups, &[]));
        assert!(!path.join("entered").exists());
        for group in groups.split_whitespace().filter(|group| group.len() == 5) {
            assert!(!said.contains(group), "a group is shown: {said}");
        }
        said
    };
    let list: Vec<&str> = groups.split_whitespace().collect();
    let mut wrong: Vec<String> = list.iter().map(|group| (*group).to_owned()).collect();
    let third = if wrong[6].ends_with('7') { "8" } else { "7" };
    wrong[6].replace_range(4..5, third);
    let said = refuse("plan.toml", &wrong.join("\n"));
    assert!(said.contains("group 7 of 17 (line 7)"), "{said}");
    let mut exchanged = list.clone();
    exchanged.swap(3, 4);
    assert!(refuse("plan.toml", &exchanged.join(" ")).contains("group 4 of 17 (line 1)"));
    assert!(refuse("plan.toml", &list[..16].join(" ")).contains("1 groups of 17 are missing"));
    assert!(refuse("plan.toml", "").contains("17 groups of 17 are missing"));
    let zero = list.join(" ").replacen(&list[1][1..2], "0", 1);
    assert!(refuse("plan.toml", &zero).contains("character"));
    let more = format!("{groups} {}", list[0]);
    assert!(refuse("plan.toml", &more).contains("only 17 groups"));
    let other = public.replace("slots = 176", "slots = 160");
    fs::write(path.join("other.toml"), other).expect("written");
    assert!(refuse("other.toml", &groups).contains("another plan"));
}

#[test]
fn groups_of_a_published_key_are_for_exercises_only() {
    let dir = folder();
    let path = dir.path();
    let args =
        ["provision", "training.toml", "--training", "--roster", "roster.toml", "--out", "t"];
    assert_eq!(hopwright(path, &[&args[..], &BY_KEY].concat()).status.code(), Some(0));
    let show = |more: &[&str]| {
        hopwright(path, &[&["inspect", "t/station-4B.sealed", "--groups"][..], more].concat())
    };
    assert!(refused(path, &show(&BY_KEY)).contains("published"));
    assert!(refused(path, &show(&[])).contains("sealed with the rest"));
    let groups = stdout(&show(&["--training", BY_KEY[0], BY_KEY[1]]));
    assert!(refused(path, &enter(path, "training.toml", &groups, &[])).contains("published"));
    let entered = enter(path, "training.toml", &groups, &["--training"]);
    assert_eq!(entered.status.code(), Some(0), "{}", stderr(&entered));
}

/// A process that handles keys has asked for no core dump (Linux shows its limits).
#[cfg(target_os = "linux")]
#[test]
fn no_core_dump_of_a_process_with_keys() {
    let dir = folder();
    let mut child = Command::new(env!("CARGO_BIN_EXE_hopwright"))
        .args(["enter", "plan.toml", "--out", "entered"])
        .args(BY_KEY)
        .current_dir(dir.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary runs");
    let limits = format!("/proc/{}/limits", child.id());
    // It waits for groups; until it has come that far, the limit may still be the old one.
    let limited = (0..100_000).any(|_| {
        std::thread::yield_now();
        let text = fs::read_to_string(&limits).unwrap_or_default();
        let line = text.lines().find(|line| line.starts_with("Max core file size"));
        line.is_some_and(|line| {
            line.split_whitespace().nth(4) == Some("0")
                && line.split_whitespace().nth(5) == Some("0")
        })
    });
    drop(child.stdin.take());
    child.wait().expect("it ends");
    assert!(limited);
}
