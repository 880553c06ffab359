//! A run as files: all of them or none.

use super::picture::band_picture;
use super::{Run, to_json, write_account};
use crate::audio::wav;
use crate::diagnostic::Diagnostic;
use crate::folder::write_whole;
use crate::report::page;
use crate::traces::write_traces;
use crate::world::{Content, Detail, Happened};
use hopwright_core::station::Event;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

/// Writes account, results, trace, picture and report into a new folder, which appears whole.
///
/// # Errors
/// [`Diagnostic`] if the folder exists and is not empty, or cannot be written.
pub fn write_files(run: &Run, folder: &Path) -> Result<(), Diagnostic> {
    write_whole(folder, |partial| write_all(run, partial))
}

fn write_all(run: &Run, folder: &Path) -> std::io::Result<()> {
    let mut account = Vec::new();
    write_account(&mut account, run)?;
    fs::write(folder.join("account.txt"), account)?;
    let mut results = serde_json::to_string_pretty(&to_json(run)).unwrap_or_default();
    results.push('\n');
    fs::write(folder.join("results.json"), results)?;
    fs::write(folder.join("events.csv"), events_csv(run))?;
    fs::write(folder.join("transmissions.csv"), transmissions_csv(run))?;
    fs::write(folder.join("stations.csv"), stations_csv(run))?;
    fs::write(folder.join("band.svg"), band_picture(run))?;
    fs::write(folder.join("report.html"), page(run))?;
    if run.world.detail() >= Detail::Frames {
        write_traces(run, folder)?;
    }
    if let Some(audio) = &run.audio {
        wav::write(&folder.join("said.wav"), &audio.said)?;
        for case in &audio.cases {
            wav::write(&folder.join(format!("{}.wav", case.name)), &case.samples)?;
        }
    }
    for node in run.world.nodes() {
        if let Some(recording) = node.recording() {
            let name = format!("recording-{}.bin", node.station.address());
            fs::write(folder.join(name), recording)?;
        }
    }
    Ok(())
}

fn events_csv(run: &Run) -> String {
    let mut out = String::from("time_us,station,address,event,slot,detail\n");
    for Happened { at_us, node, event } in &run.world.trace().events {
        let station = &run.scenario.radio.stations[*node];
        let (name, slot, detail) = told(event);
        let slot = slot.map_or_else(String::new, |slot| slot.to_string());
        let _ =
            writeln!(out, "{at_us},{},{},{name},{slot},{detail}", station.name, station.address);
    }
    out
}

/// An event's name, slot and detail.
fn told(event: &Event) -> (&'static str, Option<hopwright_core::units::Slot>, String) {
    let none = String::new();
    match *event {
        Event::InStep { slot } => ("in-step", Some(slot), none),
        Event::Coasting { slot } => ("coasting", Some(slot), none),
        Event::OutOfStep => ("out-of-step", None, none),
        Event::AnnounceHeard { slot } => ("announce-heard", Some(slot), none),
        Event::Call { source, target, slot } => {
            ("call", Some(slot), format!("{source} to {target}"))
        }
        Event::Busy { slot } => ("busy", Some(slot), none),
        Event::Clear { slot } => ("clear", Some(slot), none),
        Event::HoldOff => ("hold-off", None, none),
        Event::GoAhead { slot } => ("go-ahead", Some(slot), none),
        Event::Cut { slot } => ("cut", Some(slot), none),
        Event::SaveWatermark { slot } => ("save-watermark", Some(slot), none),
        Event::TimelineEnded => ("timeline-ended", None, none),
        Event::CallWaiting => ("call-waiting", None, none),
        Event::WatchTraffic => ("watch-traffic", None, none),
        Event::Ordered { slot } => ("ordered", Some(slot), none),
        Event::KeysChanged { slot } => ("keys-changed", Some(slot), none),
        _ => ("other", None, none),
    }
}

fn transmissions_csv(run: &Run) -> String {
    let mut out = String::from(
        "time_us,station,address,channel,frequency_hz,content,listeners,heard,interfered\n",
    );
    for sent in &run.world.trace().sent {
        let station = &run.scenario.radio.stations[sent.node];
        let hz = run.scenario.plan.raster().frequency(sent.channel).map_or(0, |f| f.hz());
        let content = match sent.content {
            Content::SyncHeader => "sync-header",
            Content::TrafficHeader => "traffic-header",
            Content::Payload => "payload",
        };
        let _ = writeln!(
            out,
            "{},{},{},{},{hz},{content},{},{},{}",
            sent.at_us,
            station.name,
            station.address,
            sent.channel,
            sent.listeners,
            sent.heard,
            u8::from(sent.interfered),
        );
    }
    out
}

fn stations_csv(run: &Run) -> String {
    let mut out = String::from(
        "station,lane,address,x_m,y_m,height_m,on_us,oscillator_ppb,in_step,headers,not_genuine,replayed,digest\n",
    );
    for (i, station) in run.scenario.radio.stations.iter().enumerate() {
        let node = &run.world.nodes()[i];
        let counters = node.station.counters();
        let digest = node.digest().map_or_else(String::new, crate::world::Digest::hex);
        let _ = writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{},{},{},{digest}",
            station.name,
            station.lane.number(),
            station.address,
            station.place.x_m,
            station.place.y_m,
            station.place.height_m,
            station.on_us,
            node.oscillator.ppb(),
            u8::from(run.world.in_step(i)),
            counters.headers,
            counters.not_genuine,
            counters.replayed,
        );
    }
    out
}
