//! `run --audio`: what an over sounds like, on a fixed channel and on the hopping net. Figures are
//! checked against what the scenario makes of the channels; what is refused is common practice,
//! no source.

mod common;

use common::{hopwright, stderr, stdout};
use hopwright_sim::audio::{filter, sample, snr};
use hopwright_sim::plan::Plan;
use hopwright_sim::run::Run;
use hopwright_sim::scenario::Scenario;
use hopwright_sim::world::Detail;
use hound::{SampleFormat, WavReader, WavSpec, WavWriter};
use serde_json::Value;
use std::fs;
use std::path::Path;

const FILES: [&str; 5] = [
    "said.wav",
    "heard-fixed-clean.wav",
    "heard-fixed-interfered.wav",
    "heard-hopping-clean.wav",
    "heard-hopping-interfered.wav",
];

#[track_caller]
fn ran(dir: &Path, args: &[&str]) -> String {
    let output = hopwright(dir, &[&["run"], args].concat());
    assert_eq!((output.status.code(), stderr(&output)), (Some(0), String::new()));
    stdout(&output)
}

#[track_caller]
fn refused(dir: &Path, args: &[&str], words: &[&str]) {
    let output = hopwright(dir, &[&["run"], args].concat());
    let said = stderr(&output);
    assert_eq!((output.status.code(), stdout(&output)), (Some(2), String::new()), "{said}");
    assert!(said.starts_with("error: "), "{said}");
    for word in words {
        assert!(said.contains(word), "no \"{word}\":\n{said}");
    }
    assert!(!dir.join("out").exists(), "half-written");
}

#[track_caller]
fn samples(path: &Path) -> Vec<i16> {
    let reader = WavReader::open(path).expect("a WAV file");
    let spec = WavSpec {
        channels: 1,
        sample_rate: 8_000,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    assert_eq!(reader.spec(), spec, "{}", path.display());
    reader.into_samples().collect::<Result<_, _>>().expect("samples")
}

/// A figure of one of the four cases.
#[track_caller]
fn case<'a>(audio: &'a Value, net: &str, interference: bool) -> &'a Value {
    let cases = audio["cases"].as_array().expect("a list");
    assert_eq!(cases.len(), 4);
    let found = cases.iter().find(|c| c["net"] == net && c["interference"] == interference);
    found.expect("the case")
}

fn db(case: &Value) -> f64 {
    case["segmental_snr_db"].as_f64().expect("a figure")
}

/// The built-in scenario jams 40 % of the hopset, 40 dB above the wanted signal. A fixed channel
/// among those carries nothing, a clear one everything, and the hopping net the share of traffic
/// channels that are clear (closed form; 99.9 % binomial band).
#[test]
fn the_built_in_voice_is_heard_as_well_as_its_channels_allow() {
    let dir = tempfile::tempdir().expect("a directory");
    let args = ["--audio", "built-in", "--listen", "boat heron", "--json", "--out", "out"];
    let printed = ran(dir.path(), &args);
    let object: Value = serde_json::from_str(&printed).expect("JSON");
    let without: Value = serde_json::from_str(&ran(dir.path(), &["--json"])).expect("JSON");
    for same in ["trace_digest", "checks", "measured", "totals", "stations"] {
        assert_eq!(object[same], without[same], "listening changes nothing");
    }
    let audio = &object["audio"];
    assert_eq!(
        (&audio["speaker"], &audio["listener"]),
        (&"control post".into(), &"boat heron".into())
    );
    assert_eq!((&audio["coder_bps"], &audio["longest_share_bits"]), (&16_000.into(), &366.into()));
    assert_eq!(audio["fixed_channel_interfered"], true);
    let slots = |case: &Value| {
        let [heard, lost, late] = ["slots_heard", "slots_lost", "slots_late"]
            .map(|key| case[key].as_f64().expect("a count"));
        assert_eq!(late, 0.0, "a stream over one net is never behind");
        (heard, heard + lost)
    };
    let (heard, all) = slots(case(audio, "hopping", false));
    assert!(heard == all && all > 250.0, "{heard} of {all}");
    assert_eq!(slots(case(audio, "fixed", false)), (all, all));
    assert_eq!(slots(case(audio, "fixed", true)), (0.0, all));
    let (heard, interfered) = slots(case(audio, "hopping", true));
    // 51 of the 128 channels are covered, and a share of the 16 rendezvous channels with them.
    let clear = 77.0 / 128.0;
    let band = 3.29 * libm::sqrt(clear * (1.0 - clear) / interfered) + 3.0 / 112.0;
    assert!((heard / interfered - clear).abs() < band, "{heard} of {interfered}");

    // Where every bit arrives, the radio adds nothing to the coder's own noise.
    let coder = audio["coder_segmental_snr_db"].as_f64().expect("a figure");
    assert!((10.0..25.0).contains(&coder), "{coder} dB");
    for clean in ["fixed", "hopping"] {
        assert!((db(case(audio, clean, false)) - coder).abs() < 0.05, "{clean}");
    }
    let (fixed, hopping) = (db(case(audio, "fixed", true)), db(case(audio, "hopping", true)));
    assert!(fixed.abs() < 0.01, "nothing was heard: {fixed} dB");
    assert!(hopping > fixed + 3.0 && hopping < coder - 3.0, "{hopping} dB");

    // The figures are those of the files.
    let out = dir.path().join("out");
    let said = samples(&out.join(FILES[0]));
    assert_eq!(said, filter::output(&filter::input(&sample::built_in(), 16_000)));
    for file in &FILES[1..] {
        let heard = samples(&out.join(file));
        let told = audio["cases"].as_array().expect("a list").iter().find(|c| c["file"] == **file);
        let told = db(told.expect("the case"));
        let figure = snr::segmental(&said, &heard).expect("something was said");
        assert!((figure - told).abs() < 1e-9, "{file}: {figure} is not {told}");
    }
    assert!(samples(&out.join(FILES[2])).iter().all(|sample| *sample == 0), "muted");
    let results = fs::read_to_string(out.join("results.json")).expect("a file");
    assert_eq!(serde_json::from_str::<Value>(&results).expect("JSON"), object);
    let account = fs::read_to_string(out.join("account.txt")).expect("a file");
    for line in [
        "\nWhat boat heron hears of control post at 10 s (built-in, CVSD at 16 kbit/s; segmental SNR)\n",
        "\n  the coder alone, without a radio",
        "interfered with",
        "  hopping, with interference",
    ] {
        assert!(account.contains(line), "no \"{line}\":\n{account}");
    }
    // The same again, to the bit.
    ran(dir.path(), &[&args[..6], &["again"]].concat());
    for file in FILES {
        let read = |folder: &str| fs::read(dir.path().join(folder).join(file)).expect("a file");
        assert_eq!(read("out"), read("again"), "{file}");
    }
}

/// A small scenario whose fixed channel is named, and a voice of a file.
const SMALL: &str = "[scenario]\nname = \"small\"\nduration_s = 14\nplan = \"plan.toml\"\n\
    [audio]\nfixed_channel = 100\n\
    [[station]]\nname = \"control post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
    [[station]]\nname = \"upper bridge\"\naddress = \"11\"\nx_m = 900\n\
    [[station]]\nname = \"lower bridge\"\naddress = \"21\"\nx_m = -900\n\
    [[interferer]]\nname = \"pump\"\nfrom_hz = 902_000_000\nto_hz = 912_000_000\n\
    above_wanted_db = 40\n\
    [[announce]]\nat_s = 2\nby = \"control post\"\n\
    [[over]]\nat_s = 7\nfrom = \"upper bridge\"\nto = \"10\"\ntalk_s = 4\n";

fn small() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    fs::write(dir.path().join("s.toml"), SMALL).expect("written");
    fs::copy("plans/larkfell.toml", dir.path().join("plan.toml")).expect("copied");
    dir
}

fn spec(channels: u16, rate: u32, bits: u16, format: SampleFormat) -> WavSpec {
    WavSpec { channels, sample_rate: rate, bits_per_sample: bits, sample_format: format }
}

/// Writes a file of so many samples of a 500 Hz sine.
fn write(path: &Path, spec: WavSpec, count: u32) {
    let mut writer = WavWriter::create(path, spec).expect("made");
    for n in 0..count {
        let turn = core::f64::consts::TAU * 500.0 * f64::from(n) / f64::from(spec.sample_rate);
        let value = 8_000.0 * libm::sin(turn);
        #[expect(clippy::cast_possible_truncation, reason = "8 000 at most")]
        let (whole, single) = (libm::round(value) as i32, value as f32);
        match spec.sample_format {
            SampleFormat::Float => writer.write_sample(single),
            SampleFormat::Int => writer.write_sample(whole),
        }
        .expect("written");
    }
    writer.finalize().expect("written");
}

/// Both rates, and a fixed channel that is clear: it loses nothing to the interference.
#[test]
fn a_file_is_said_on_the_channel_that_the_scenario_names() {
    let dir = small();
    for rate in [8_000, 16_000] {
        write(&dir.path().join("in.wav"), spec(1, rate, 16, SampleFormat::Int), rate * 3);
        let args = ["s.toml", "--audio", "in.wav", "--listen", "control post", "--json"];
        let object: Value = serde_json::from_str(&ran(dir.path(), &args)).expect("JSON");
        let audio = &object["audio"];
        assert_eq!((&audio["input"], &audio["fixed_channel"]), (&"in.wav".into(), &100.into()));
        assert_eq!(audio["fixed_channel_interfered"], false);
        let coder = audio["coder_segmental_snr_db"].as_f64().expect("a figure");
        assert!((13.0..25.0).contains(&coder), "{rate} Hz: {coder} dB");
        for (net, interference) in [("fixed", false), ("fixed", true), ("hopping", false)] {
            let case = case(audio, net, interference);
            assert!((db(case) - coder).abs() < 0.05 && case["slots_lost"] == 0, "{case}");
        }
        assert!(db(case(audio, "hopping", true)) < coder - 2.0);
    }
    let account = ran(dir.path(), &["s.toml", "--audio", "in.wav", "--listen", "control post"]);
    assert!(account.contains("  fixed channel 100, a clear one "), "{account}");
}

/// What is heard without interference, on the fixed channel and hopping, of all that was said.
#[track_caller]
fn heard_clean(plan: &str, scenario: &str, listener: usize) -> [(usize, usize); 2] {
    let plan = Plan::load(&Path::new("plans").join(plan)).expect("a plan");
    let scenario = Scenario::parse("s", scenario, plan).expect("a scenario");
    let run = Run::new(scenario, None, Detail::Totals, None).expect("a run");
    let voice = sample::built_in();
    let audio = hopwright_sim::audio::listen(&run, listener, "built-in", (&voice, 16_000));
    let audio = audio.expect("an over");
    [false, true].map(|hopping| {
        let mut cases = audio.cases.iter();
        let case = cases.find(|c| c.hopping == hopping && !c.interference).expect("the case");
        assert_eq!(case.late, 0);
        (case.heard, case.heard + case.lost)
    })
}

const STATIONS: &str = "[scenario]\nname = \"s\"\nduration_s = 50\nplan = \"\"\n\
    [[station]]\nname = \"post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
    [[station]]\nname = \"boat\"\naddress = \"40\"\nx_m = 500\n\
    [[station]]\nname = \"team\"\naddress = \"50\"\nx_m = 700\n\
    [[announce]]\nat_s = 1\nby = \"post\"\n";

/// The fixed channel has the keys of its slots: a change behind the over takes nothing away, and one
/// within it neither.
#[test]
fn a_change_of_keys_is_nothing_to_the_fixed_channel() {
    let lost = "[[station]]\nname = \"lost\"\naddress = \"51\"\nx_m = 800\n\
        [[withdraw]]\nat_s = 10\nby = \"post\"\nstations = \"lost\"\nchange_after_s = 24\n\
        every_s = 8\nuntil_s = 20\n";
    for (from, talk, slots) in [("28", "4", 170), ("29.5", "10", 430)] {
        let over =
            format!("[[over]]\nat_s = {from}\nfrom = \"boat\"\nto = \"all\"\ntalk_s = {talk}\n");
        let [fixed, hopping] = heard_clean("larkfell.toml", &[STATIONS, lost, &over].concat(), 2);
        assert!(hopping.0 == hopping.1 && hopping.0 > slots, "{hopping:?}");
        assert_eq!(fixed, hopping, "{from} s");
    }
}

/// Of two who press at once it is the speaker's own over whose target the fixed channel goes by, and a
/// listener who has lost his power hears nothing on it either.
#[test]
fn the_fixed_channel_is_the_speakers_and_the_listeners() {
    let both = "[[station]]\nname = \"hut\"\naddress = \"10\"\nlane = 1\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"saddle\"\naddress = \"41\"\nlane = 1\nx_m = 800\n\
        [[announce]]\nat_s = 1\nby = \"hut\"\n\
        [[over]]\nat_s = 10\nfrom = \"hut\"\nto = \"41\"\ntalk_s = 4\n\
        [[over]]\nat_s = 10\nfrom = \"boat\"\nto = \"all\"\ntalk_s = 4\n";
    let [fixed, hopping] = heard_clean("larkfell-lanes.toml", &[STATIONS, both].concat(), 2);
    assert!(fixed == hopping && fixed.0 > 140, "{fixed:?}, {hopping:?}");
    let off = "[[over]]\nat_s = 10\nfrom = \"boat\"\nto = \"all\"\ntalk_s = 4\n\
        [[power]]\nstation = \"team\"\nat_s = 12\nbecomes = \"off\"\n";
    let [fixed, hopping] = heard_clean("larkfell.toml", &[STATIONS, off].concat(), 2);
    assert!(fixed == hopping && fixed.0 < fixed.1 / 2, "{fixed:?}, {hopping:?}");
}

/// A voice that is longer than the over is cut off, and a shorter one is followed by silence.
#[test]
fn the_over_decides_how_long_the_voice_is() {
    let dir = small();
    for (seconds, file, length) in [(1, "short.wav", 8_000), (9, "long.wav", 31_900)] {
        write(&dir.path().join(file), spec(1, 8_000, 16, SampleFormat::Int), 8_000 * seconds);
        ran(
            dir.path(),
            &[
                "s.toml",
                "--audio",
                file,
                "--listen",
                "control post",
                "--out",
                file.trim_end_matches(".wav"),
            ],
        );
        let out = dir.path().join(file.trim_end_matches(".wav"));
        let (said, heard) =
            (samples(&out.join("said.wav")), samples(&out.join("heard-hopping-clean.wav")));
        // 4 s of talk.
        assert!((31_600..32_400).contains(&heard.len()), "{}", heard.len());
        assert!(said.len().abs_diff(length) < 300 && said.len() <= heard.len(), "{}", said.len());
        let after = heard.get(said.len() + 400..).unwrap_or_default();
        assert!(after.iter().all(|sample| sample.abs() < 8), "silence");
    }
}

/// Listening carries the whole timetable out again: a set whose power fails hears no more, and what
/// carries a message carries no voice, but takes its time.
#[test]
fn listening_repeats_all_that_happened() {
    let slots = |change: &dyn Fn(&str) -> String| {
        let dir = small();
        fs::write(dir.path().join("s.toml"), change(SMALL)).expect("written");
        let args = ["s.toml", "--audio", "built-in", "--listen", "control post", "--json"];
        let object: Value = serde_json::from_str(&ran(dir.path(), &args)).expect("JSON");
        let audio = object["audio"].clone();
        let clean = case(&audio, "hopping", false);
        let [heard, lost] =
            ["slots_heard", "slots_lost"].map(|key| clean[key].as_u64().expect("a count"));
        (audio["pressed_s"].as_f64().expect("a time"), heard, heard + lost)
    };
    let (at, heard, all) = slots(&str::to_owned);
    assert!(at == 7.0 && heard == all && all > 150, "{heard} of {all} at {at} s");
    let off = "[[power]]\nstation = \"control post\"\nat_s = 8\nbecomes = \"off\"\n";
    let (_, heard, all) = slots(&|small| small.to_owned() + off);
    assert!(heard < all / 4 && heard > 20, "{heard} of {all}");
    let text = "[[message]]\nat_s = 6.5\nfrom = \"upper bridge\"\nto = \"10\"\ntext = \"water\"\n";
    let (at, heard, all) = slots(&|small| small.replace("at_s = 7\n", "at_s = 9.5\n") + text);
    assert!(at == 9.5 && heard == all && all > 150, "{heard} of {all} at {at} s");
    // The message holds the over of another off, here as there.
    let other =
        text.replace("upper", "lower").replace("\"water\"", &format!("{:?}", "x".repeat(2_000)));
    let (at, heard, all) = slots(&|small| small.to_owned() + &other);
    assert!(at == 7.0 && heard == all && all > 150, "{heard} of {all} at {at} s");
}

#[test]
fn what_cannot_be_said_or_heard_is_refused() {
    use SampleFormat::{Float, Int};
    let dir = small();
    let at = |name: &str| dir.path().join(name);
    let said = |file: &str, words: &[&str]| {
        let args = ["s.toml", "--audio", file, "--listen", "control post", "--out", "out"];
        refused(dir.path(), &args, words);
    };
    said("none.wav", &["no such file", "--> none.wav", "`built-in`"]);
    said(".", &["cannot be read"]);
    for (file, spec, count, words) in [
        ("stereo.wav", spec(2, 8_000, 16, Int), 100, &["2 channels, not one", "mix it down"][..]),
        ("cd.wav", spec(1, 44_100, 16, Int), 100, &["44100 samples a second", "resample"]),
        ("float.wav", spec(1, 8_000, 32, Float), 100, &["32 bits, floating-point", "16-bit PCM"]),
        ("deep.wav", spec(1, 8_000, 24, Int), 100, &["24 bits, whole numbers"]),
        ("empty.wav", spec(1, 8_000, 16, Int), 0, &["is empty"]),
        ("long.wav", spec(1, 8_000, 16, Int), 8_000 * 600 + 1, &["longer than 600 s"]),
    ] {
        write(&at(file), spec, count);
        said(file, words);
    }
    fs::write(at("text.wav"), "this is no sound at all, but a text").expect("written");
    said("text.wav", &["no WAV file"]);
    write(&at("whole.wav"), spec(1, 8_000, 16, Int), 100);
    let whole = fs::read(at("whole.wav")).expect("read");
    for cut in [0, 3, 11, 20, 40, whole.len() - 1] {
        fs::write(at("cut.wav"), &whole[..cut]).expect("written");
        said("cut.wav", &["--> cut.wav", "the WAV file is cut short"]);
    }

    let heard = |station: &str, words: &[&str]| {
        let args = ["s.toml", "--audio", "built-in", "--listen", station, "--out", "out"];
        refused(dir.path(), &args, words);
    };
    heard("control pots", &["no station \"control pots\"", "did you mean \"control post\"?"]);
    // The only over is for the control post.
    heard(
        "lower bridge",
        &["no over of the scenario reaches lower bridge", "listen at control post"],
    );
    heard("upper bridge", &["no over of the scenario reaches upper bridge"]);
    for half in [["--audio", "built-in"], ["--listen", "control post"]] {
        refused(dir.path(), &[&["s.toml"], &half[..]].concat(), &["--audio", "--listen"]);
    }

    // A plan whose slots have no room for 16 kbit/s.
    let plan = fs::read_to_string(at("plan.toml")).expect("read");
    fs::write(at("plan.toml"), plan.replace("link_bps = 50_000", "link_bps = 20_000"))
        .expect("written");
    heard("control post", &["a voice of 16000 bit/s does not fit", "link_bps"]);
    // A fixed channel that the plan excludes, and one that does not exist.
    fs::write(at("plan.toml"), &plan).expect("written");
    for (channel, words) in [("65", "the plan does not allow channel 65"), ("130", "0 to 129")] {
        fs::write(at("s.toml"), SMALL.replace("= 100", &format!("= {channel}"))).expect("written");
        heard("control post", &[words, "--> s.toml:6:17"]);
    }
}
