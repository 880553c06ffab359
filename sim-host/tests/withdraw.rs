//! `hopwright withdraw`: what it writes, who may read it, what it refuses.

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_core::address::Address;
use hopwright_core::keys::Label;
use hopwright_core::tree::Rekey;
use hopwright_core::units::Lane;
use hopwright_sim::plan::Plan;
use std::fs;
use std::path::Path;

const KEY: &str = "8e2f71c4a9d05b36e17f28c39a4d60b51b6e92d7f4083ac5729e1d60b48f35aa";
const ROOT: &str = "d1702b6fc4985ea30f8861be24d7c09b35fa1c86e2497d50b8139ce6074af2d8";

/// A plan with keyed channels, so that the hopset depends on the key.
fn plan(dir: &Path, net: &str) {
    let text = format!(
        "[net]\nname = \"withdrawal\"\n{net}\n[raster]\nbase_hz = 902_100_000\n\
         spacing_hz = 200_000\ncount = 130\n[hopset]\npick = \"keyed\"\nchannels = 100\n"
    );
    fs::write(dir.join("p.toml"), text).expect("written");
}

fn good(dir: &Path) {
    fs::write(dir.join("net.key"), format!("{KEY}\n")).expect("written");
    fs::write(dir.join("root.key"), format!("{ROOT}\n")).expect("written");
    plan(dir, "key_file = \"net.key\"\ntree_key_file = \"root.key\"");
}

const CALL: [&str; 8] =
    ["withdraw", "p.toml", "--station", "55", "--from-slot", "123456", "--out", "after"];

#[test]
fn everyone_else_follows_the_new_plan() {
    let dir = tempfile::tempdir().expect("a directory");
    good(dir.path());
    let output = hopwright(dir.path(), &CALL);
    assert!(output.status.success(), "{}", stderr(&output));
    let said = stdout(&output);
    assert!(said.contains("withdrawn: 55\n"), "{said}");
    assert!(said.contains("order 1: 232 bytes, from slot 123456 on"), "{said}");
    // 123456 slots of 20 ms are 2469 s.
    assert!(said.contains("slot 123456 comes 0 h 41 min after slot 0"), "{said}");
    assert!(said.contains("cover of 8 nodes (at most 8 for 1)"), "{said}");
    let old = Plan::load(&dir.path().join("p.toml")).expect("a plan");
    let new = Plan::load(&dir.path().join("after/plan.toml")).expect("a plan");
    assert!(!old.net_key().same(&new.net_key()));
    assert!(new.band_key().same(&old.net_key()));
    assert_eq!(old.hopset(Lane::ZERO), new.hopset(Lane::ZERO), "the hopset stays");
    assert_eq!((new.generation(), new.withdrawn().len(), new.name()), (1, 1, "withdrawal"));
    let order = fs::read(dir.path().join("after/order.bin")).expect("an order");
    let tree = old.key_tree().expect("a tree");
    for own in (0..=255).map(Address::new) {
        let share = tree.share(own, 0, &[]).expect("a share");
        let opened = Rekey::open(&share, &old.net_key().subkey(Label::Tree), own, &order);
        assert_eq!(opened.is_some(), own != Address::new(0x55), "{own}");
        assert!(opened.is_none_or(|rekey| rekey.key().same(&new.net_key())));
    }
    // Nothing secret was said, and nothing temporary is left.
    let key = fs::read_to_string(dir.path().join("after/net.key")).expect("a key");
    for secret in [KEY, ROOT, key.trim()] {
        assert!(secret.as_bytes().windows(6).all(|w| !said.contains(&*String::from_utf8_lossy(w))));
    }
    assert_eq!(fs::read_dir(dir.path()).expect("a directory").count(), 4);
    // The next one, by the new plan: both are out then, and the hopset stays still.
    let output = hopwright(
        dir.path(),
        &["withdraw", "after/plan.toml", "--station", "12", "--from-slot", "9", "--out", "later"],
    );
    assert!(output.status.success(), "{}", stderr(&output));
    let last = Plan::load(&dir.path().join("later/plan.toml")).expect("a plan");
    assert_eq!((last.generation(), last.withdrawn().len()), (2, 2));
    assert_eq!(last.hopset(Lane::ZERO), old.hopset(Lane::ZERO));
}

#[cfg(unix)]
#[test]
fn only_the_owner_may_read_what_it_writes() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().expect("a directory");
    good(dir.path());
    assert!(hopwright(dir.path(), &CALL).status.success());
    let mode = |path: &Path| fs::metadata(path).expect("there").permissions().mode() & 0o777;
    let after = dir.path().join("after");
    assert_eq!(mode(&after), 0o700);
    let mut files = 0;
    for entry in fs::read_dir(&after).expect("a directory") {
        assert_eq!(mode(&entry.expect("an entry").path()), 0o600);
        files += 1;
    }
    assert_eq!(files, 5);
    assert!(!dir.path().join("after.partial").exists());
}

/// A folder that is there and empty becomes one for its owner only.
#[test]
fn an_empty_folder_is_taken_over() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().expect("a directory");
    good(dir.path());
    let after = dir.path().join("after");
    fs::create_dir(&after).expect("made");
    fs::set_permissions(&after, fs::Permissions::from_mode(0o755)).expect("mode");
    let output = hopwright(dir.path(), &CALL);
    assert!(output.status.success(), "{}", stderr(&output));
    assert_eq!(fs::metadata(&after).expect("there").permissions().mode() & 0o777, 0o700);
    assert_eq!(fs::read_dir(&after).expect("a directory").count(), 5);
}

#[track_caller]
fn refused(dir: &Path, args: &[&str], words: &str) {
    let output = hopwright(dir, args);
    let said = stderr(&output);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert_eq!(stdout(&output), "");
    assert!(said.contains(words) && said.contains("help: "), "{said}");
    for secret in [KEY, ROOT] {
        assert!(secret.as_bytes().windows(6).all(|w| !said.contains(&*String::from_utf8_lossy(w))));
    }
}

#[test]
fn what_it_refuses_leaves_nothing() {
    let dir = tempfile::tempdir().expect("a directory");
    let dir = dir.path();
    good(dir);
    let with = |at: usize, value: &'static str| {
        let mut call = CALL;
        call[at] = value;
        call
    };
    refused(dir, &with(3, "555"), "\"555\" is no address");
    refused(dir, &with(7, "net.key"), "exists and is no folder");
    refused(dir, &with(7, "no/such/place"), "cannot be made");
    fs::create_dir(dir.join("full")).expect("made");
    fs::write(dir.join("full/file"), "somebody's").expect("written");
    refused(dir, &with(7, "full"), "exists and is not empty");
    fs::remove_dir_all(dir.join("full")).expect("removed");
    let all: Vec<String> = (0..=255).map(|a| format!("--station={a:02X}")).collect();
    let mut call = vec!["withdraw", "p.toml", "--from-slot", "1", "--out", "after"];
    call.extend(all.iter().map(String::as_str));
    refused(dir, &call, "1 to 128 entries, not 0");
    plan(dir, "key_file = \"net.key\"");
    refused(dir, &CALL, "no root for its key tree");
    plan(dir, "key_file = \"net.key\"\ntree_key_file = \"root.key\"\nwithdrawn = \"55\"");
    refused(dir, &CALL, "withdrawn before");
    plan(dir, "key_file = \"net.key\"\ntree_key_file = \"root.key\"\nwithdrawn = \"5\"");
    refused(dir, &CALL, "p.toml:5:13");
    plan(dir, "key_file = \"net.key\"\ntree_key_file = \"root.key\"\ngeneration = 255");
    refused(dir, &CALL, "255 withdrawals");
    plan(dir, &format!("key_file = \"net.key\"\ntree_key = \"{}g\"", &ROOT[..63]));
    refused(dir, &CALL, "`tree_key` has a character that is no hexadecimal digit");
    plan(
        dir,
        &format!("key_file = \"net.key\"\ntree_key = \"{ROOT}\"\ntree_key_file = \"root.key\""),
    );
    refused(dir, &CALL, "both `tree_key` and `tree_key_file`");
    let published: String = (0..32).map(|i| format!("{i:02x}")).collect();
    plan(dir, &format!("key = \"{published}\""));
    refused(dir, &CALL, "published");
    plan(dir, &format!("key_file = \"net.key\"\ntree_key = \"{published}\""));
    refused(dir, &CALL, "published");
    assert!(!dir.join("after").exists());
    assert_eq!(fs::read_dir(dir).expect("a directory").count(), 3, "nothing half-written");
}

/// An order goes over the air as a message of the net: one that is longer than any message would never
/// arrive, and the new plan would part the planner from the net.
#[test]
fn an_order_longer_than_any_message_is_refused() {
    let dir = tempfile::tempdir().expect("a directory");
    good(dir.path());
    let file = dir.path().join("p.toml");
    let text = fs::read_to_string(&file).expect("a plan");
    let tight = format!("{text}[slots]\nlink_bps = 20_000\n[message]\nn = 3\nk = 1\n");
    fs::write(&file, &tight).expect("written");
    // 8 blocks of 30 rows of one byte, less a tag; a cover of 8 nodes (specification sections 10, 11).
    refused(dir.path(), &CALL, "the order has 232 bytes, and a message of this plan has up to 224");
    assert!(!dir.path().join("after").exists());
    fs::write(&file, tight.replace("n = 3\nk = 1", "n = 3\nk = 2")).expect("written");
    let output = hopwright(dir.path(), &CALL);
    assert!(output.status.success(), "{}", stderr(&output));
    // Relays take 4 bytes of each row's slot; whether there are any no plan says.
    let lanes = "[lanes]\nkind = \"disjoint\"\nwidth = 2\ncount = 2\n";
    for (more, told) in [(lanes, true), ("", false)] {
        let wider = tight
            .replace("20_000", "22_000")
            .replace("[hopset]\npick = \"keyed\"\nchannels = 100\n", "");
        fs::write(&file, wider + more).expect("written");
        fs::remove_dir_all(dir.path().join("after")).expect("removed");
        let output = hopwright(dir.path(), &CALL);
        assert!(output.status.success(), "{}", stderr(&output));
        let note =
            "where relays connect the lanes a message has up to 224 bytes: nobody gets the order";
        assert_eq!(stdout(&output).contains(note), told, "{}", stdout(&output));
    }
}

#[test]
fn an_exercise_may_use_published_keys_and_says_so() {
    let dir = tempfile::tempdir().expect("a directory");
    let published: String = (0..32).map(|i| format!("{i:02x}")).collect();
    plan(dir.path(), &format!("key = \"{published}\""));
    let output = hopwright(dir.path(), &[&CALL[..], &["--exercise"]].concat());
    assert!(output.status.success(), "{}", stderr(&output));
    assert!(stdout(&output).contains("exercise only"));
}
