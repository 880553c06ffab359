//! The schemas of plans, scenarios and sweeps: what is shipped fits them, what the reader refuses for
//! a key, a range, a word or something missing does not, and the files in `docs/schema` are the
//! program's. Validated by a general implementation of JSON Schema 2020-12.

use jsonschema::Validator;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn here() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn schema(input: &str) -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_hopwright"))
        .args(["schema", input])
        .output()
        .expect("the program");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

fn validator(input: &str) -> Validator {
    jsonschema::draft202012::options().build(&schema(input)).expect("a schema")
}

fn value(text: &str) -> Value {
    let table: toml::Table = text.parse().expect("TOML");
    serde_json::to_value(table).expect("a value")
}

#[track_caller]
fn fits(validator: &Validator, text: &str, name: &str) {
    let value = value(text);
    let errors: Vec<String> = validator
        .iter_errors(&value)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    assert!(errors.is_empty(), "{name}: {errors:#?}");
}

#[test]
fn what_is_shipped_fits() {
    for (folder, input, at_least) in
        [("plans", "plan", 6), ("scenarios", "scenario", 12), ("sweeps", "sweep", 2)]
    {
        let validator = validator(input);
        let mut seen = 0;
        for entry in fs::read_dir(here().join(folder)).expect("a folder") {
            let path = entry.expect("an entry").path();
            let text = fs::read_to_string(&path).expect("a text");
            fits(&validator, &text, &path.display().to_string());
            seen += 1;
        }
        assert!(seen >= at_least, "{folder}: {seen}");
    }
}

/// An input, a text of it that is good, pieces of that, and what makes it bad in the eyes of both.
type Case<'a> = (&'a str, &'a str, &'a [(&'a str, &'a str)]);

#[test]
fn what_the_reader_refuses_does_not_fit() {
    let scenario = fs::read_to_string(here().join("scenarios/larkfell-morning.toml")).expect("one");
    let plan = fs::read_to_string(here().join("plans/larkfell.toml")).expect("one");
    let sweep = fs::read_to_string(here().join("sweeps/rendezvous.toml")).expect("one");
    let folder = tempfile::tempdir().expect("a folder");
    fs::create_dir(folder.path().join("plans")).expect("a folder");
    fs::write(folder.path().join("plans/larkfell.toml"), &plan).expect("a file");
    let dir = folder.path().join("scenarios");
    fs::create_dir(&dir).expect("a folder");
    let cases: [Case<'_>; 3] = [
        (
            "scenario",
            &scenario,
            &[
                ("duration_s =", "duration ="),
                ("[scenario]", "[scenery]"),
                ("role = \"timekeeper\"", "role = \"keeper\""),
                ("role = \"timekeeper\"", "role = 3"),
                ("role = \"timekeeper\"", "height_m = 0.0"),
                ("role = \"timekeeper\"", "height_m = \"high\""),
                ("role = \"timekeeper\"", "ppb = 500_001"),
                ("role = \"timekeeper\"", "oscillator = { honest = 1 }"),
                ("role = \"timekeeper\"", "oscillator = { honesty = true }"),
                ("[[interferer]]", "[[interferers]]"),
                ("[propagation]\nmodel = \"log-distance\"", "[propagation]\nmodel = \"3-ray\""),
                ("[propagation]", "[propagation]\nfading = \"rician\"\nk_db = 99"),
                ("[[interferer]]", "[[traffic]]\nname = \"m\"\nbusy = 0.3\n[[interferer]]"),
            ],
        ),
        (
            "plan",
            &plan,
            &[
                ("count =", "count = 0 #"),
                ("base_hz =", "base ="),
                ("[raster]", "[raster]\noccupied_hz = \"wide\""),
                ("jitter_us = 20", "jitter_us = -1"),
                ("draw = \"balanced\"", "draw = \"balance\""),
            ],
        ),
        (
            "sweep",
            &sweep,
            &[
                ("trials =", "trials = 0 #"),
                ("metrics =", "metric ="),
                ("levels =", "level ="),
                ("keys = \"trial\"", "keys = \"none\""),
            ],
        ),
    ];
    for (input, good, changes) in cases {
        let validator = validator(input);
        fits(&validator, good, input);
        for (piece, instead) in changes {
            assert!(good.contains(piece), "{input}: no \"{piece}\"");
            let text = good.replacen(piece, instead, 1);
            assert!(!validator.is_valid(&value(&text)), "{input} fits with \"{instead}\"");
            let file = dir.join(format!("{input}.toml"));
            fs::write(&file, &text).expect("a file");
            let command = match input {
                "plan" => "check",
                "sweep" => "sweep",
                _ => "run",
            };
            let output = Command::new(env!("CARGO_BIN_EXE_hopwright"))
                .args([command, &file.display().to_string()])
                .output()
                .expect("the program");
            let error = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(2), "{input} with \"{instead}\": {error}");
        }
    }
}

/// A limit or a default that depends on another value of the text is the specimen's only: a schema says
/// the widest range, and no default.
#[test]
fn what_depends_on_another_value_is_no_constant_of_the_schema() {
    let net = "[net]\nname = \"wide\"\nkey = \"000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f\"\n";
    let raster = "[raster]\nbase_hz = 902_100_000\nspacing_hz = 50_000\ncount = 500\n";
    let clock = "[clock]\ntolerance_ppb = 10_000\ntimekeeper_tolerance_ppb = 2_000\n";
    let list: Vec<String> = (200..240).map(|channel| channel.to_string()).collect();
    let hopsets = [
        "[hopset]\nranges = [{ from_channel = 200, to_channel = 400 }]\n[[exclude]]\nchannel = 300\n"
            .to_owned(),
        format!("[hopset]\npick = \"listed\"\nlist = [{}]\n", list.join(", ")),
    ];
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        fs::write(&path, text).expect("a file");
        path.display().to_string()
    };
    let status = |arguments: &[&str]| {
        let mut program = Command::new(env!("CARGO_BIN_EXE_hopwright"));
        let output = program.args(arguments).output().expect("the program");
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    };
    let plans = validator("plan");
    for hopset in hopsets {
        let plan = [net, raster, &hopset, clock].concat();
        status(&["check", &file("wide.toml", &plan)]);
        fits(&plans, &plan, &hopset);
    }
    let scenario = "[scenario]\nname = \"wide\"\nplan = \"wide.toml\"\nduration_s = 2\n[audio]\nfixed_channel = 210\n\
                    [[station]]\nname = \"mast\"\naddress = \"10\"\nrole = \"timekeeper\"\n";
    status(&["run", &file("scenario.toml", scenario)]);
    fits(&validator("scenario"), scenario, "a channel beyond the specimen's");
    let schema = schema("plan");
    for key in ["raster/properties/occupied_hz", "clock/properties/steadiness_ppb"] {
        let key = schema.pointer(&format!("/properties/{key}")).expect("a key");
        assert_eq!(key.get("default"), None, "{key}");
    }
}

/// Ranges, words and what must be there come from the reader; what a key means from the manual.
#[test]
fn the_schema_says_what_the_reader_and_the_manual_say() {
    let schema = schema("scenario");
    let at = |path: &str| schema.pointer(path).cloned().unwrap_or_else(|| panic!("no {path}"));
    let station = "/properties/station/items";
    assert_eq!(at(&format!("{station}/required")), serde_json::json!(["name", "address"]));
    assert_eq!(at(&format!("{station}/properties/ppb/maximum")), 500_000);
    assert_eq!(at(&format!("{station}/properties/address/pattern")), "^[0-9A-Fa-f]{2}$");
    let oscillator = format!("{station}/properties/oscillator/properties");
    assert_eq!(at(&format!("{oscillator}/ramp/items/properties/kelvin/minimum")), -300.0);
    assert_eq!(at("/properties/propagation/properties/fading/default"), "none");
    let meaning = at("/properties/propagation/properties/shadowing_db/description");
    assert!(meaning.as_str().is_some_and(|text| text.contains("standard deviation")), "{meaning}");
    assert_eq!(at("/required"), serde_json::json!(["scenario"]));
    assert_eq!(at("/additionalProperties"), false);
}

/// Write them anew with `for input in plan scenario sweep; do hopwright schema $input >
/// docs/schema/$input.schema.json; done`.
#[test]
fn the_files_in_the_documentation_are_the_programs() {
    for input in ["plan", "scenario", "sweep"] {
        let path = Path::new("../docs/schema").join(format!("{input}.schema.json"));
        let text = fs::read_to_string(here().join(&path)).expect("a file");
        let file: Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(file, schema(input), "{} is out of date", path.display());
    }
}
