//! What an over sounds like to one station: on a fixed channel and on the hopping net, with the
//! scenario's interference and without.
//!
//! ```text
//!  WAV ─filter─► CVSD ─bits─► stream::Sender ─payloads─► speaker's Station ─► medium ─┐
//!  WAV ◄─filter─ CVSD ◄─marks─ stream::Receiver ◄─payloads─ listener's Station ◄──────┘
//! ```
//!
//! Stations, medium, stream and keys are those of the run; only the coder is the host's. The
//! fixed channel has the same bits at the same times, over the same distance, with the same noise
//! and the same interference, on one channel on which the listener always waits.

pub mod cvsd;
pub mod filter;
pub mod sample;
pub mod snr;
pub mod wav;

use crate::diagnostic::Diagnostic;
use crate::run::{Run, reaches};
use crate::scenario::{Builder, Progress, RadioPlan, Scenario, Timetable};
use crate::world::{Over, Says, Voice, World};
use cvsd::Cvsd;
use hopwright_core::stream::{Mark, Receiver, Sender, Share};
use hopwright_core::timing::MAX_SLOT_BYTES;
use hopwright_core::units::Channel;

/// Traffic slots between a slot's time and its turn. Ours: enough to know whether the stream is
/// behind, and short beside what a person notices.
pub const DELAY: u16 = 2;

/// What one over sounded like.
#[derive(Debug, Clone, PartialEq)]
pub struct Audio {
    /// What was said: the file's name, or `built-in`.
    pub input: String,
    /// Who spoke.
    pub speaker: usize,
    /// Who listened.
    pub listener: usize,
    /// True time at which the speaker pressed, in microseconds.
    pub pressed_us: u64,
    /// The channel of the fixed-channel cases.
    pub fixed_channel: Channel,
    /// Whether the scenario's interference covers it in this over.
    pub fixed_interfered: bool,
    /// The most bits of a slot's share.
    pub longest_share: u32,
    /// What was said, band-limited, at 8 kHz.
    pub said: Vec<i16>,
    /// Segmental SNR of the coder alone, without any radio; `None` if nothing was said.
    pub coder_snr_db: Option<f64>,
    /// What was heard: fixed and hopping, each clean and with interference.
    pub cases: Vec<Case>,
}

/// What was heard in one case.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// Its name, and that of its file.
    pub name: &'static str,
    /// Whether the net hopped.
    pub hopping: bool,
    /// Whether the scenario's interference was on the air.
    pub interference: bool,
    /// Slots of the voice that were heard.
    pub heard: usize,
    /// Slots that were lost.
    pub lost: usize,
    /// Slots that were late.
    pub late: usize,
    /// Segmental SNR; `None` if nothing was said.
    pub snr_db: Option<f64>,
    /// What was heard, at 8 kHz.
    pub samples: Vec<i16>,
}

/// Lets the first over that reaches a station carry a voice, and listens. The run itself stays as
/// it is: its scenario is carried out again, with interference and without.
///
/// # Errors
/// [`Diagnostic`] if no over reaches the station, or a traffic slot has no room for the voice.
pub fn listen(
    run: &Run,
    listener: usize,
    input: &str,
    (samples, rate): (&[i16], u32),
) -> Result<Audio, Diagnostic> {
    let scenario = &run.scenario;
    let over = over_for(run, listener)?;
    let share = share(scenario, &run.world.nodes()[over.node].station)?;
    let coded = filter::input(samples, rate);
    let mut encoder = Cvsd::default();
    let bits: Vec<bool> = coded.iter().map(|sample| encoder.encode(*sample)).collect();
    let released = over.end_us(run.world.now());
    let talk_us = released.saturating_sub(over.ahead_us.unwrap_or(over.pressed_us));
    let slots = talk_us / scenario.plan.timing().slot().us() + 2;
    let (channel, interfered) = fixed_channel(run, over);
    let voice = Voice {
        speaker: over.node,
        pressed_us: over.pressed_us,
        listener,
        fixed: channel,
        payloads: payloads(share, &bits, usize::try_from(slots).unwrap_or(usize::MAX)),
        said: Vec::new(),
    };
    let mut cases = Vec::new();
    for (interference, fixed, hopping) in [
        (false, "heard-fixed-clean", "heard-hopping-clean"),
        (true, "heard-fixed-interfered", "heard-hopping-interfered"),
    ] {
        let world = carried_out(scenario, voice.clone(), released, interference)?;
        let said = world.voice().map_or(&[][..], |voice| &voice.said);
        let stayed: Vec<_> = said.iter().map(|said| said.fixed.clone()).collect();
        let hopped: Vec<_> = said.iter().map(|said| said.heard.clone()).collect();
        cases.push(case(fixed, (false, interference), share, &stayed));
        cases.push(case(hopping, (true, interference), share, &hopped));
    }
    cases.sort_by_key(|case| case.hopping);
    let longest = cases.iter().map(|case| case.samples.len()).max().unwrap_or(0);
    let mut said = filter::output(&coded);
    // What the over had no time for was not said.
    said.truncate(longest);
    let mut decoder = Cvsd::default();
    let alone: Vec<i16> = bits.iter().map(|bit| decoder.decode(*bit)).collect();
    let coder_snr_db = snr::segmental(&said, &filter::output(&alone));
    for case in &mut cases {
        case.snr_db = snr::segmental(&said, &case.samples);
    }
    Ok(Audio {
        input: input.to_owned(),
        speaker: over.node,
        listener,
        pressed_us: over.pressed_us,
        fixed_channel: channel,
        fixed_interfered: interfered,
        longest_share: share.longest(),
        said,
        coder_snr_db,
        cases,
    })
}

/// The first over in the net's own time that a station is given to read.
fn over_for(run: &Run, listener: usize) -> Result<&Over, Diagnostic> {
    // What carries a message, or an order, carries no voice.
    let talk = |over: &&Over| !over.relayed && over.says == Says::Talk;
    let mut overs = run.world.trace().overs.iter().filter(talk);
    overs.find(|over| reaches(run, over, listener)).ok_or_else(|| {
        let stations = &run.scenario.radio.stations;
        let reached = |node: &usize| {
            let mut overs = run.world.trace().overs.iter().filter(talk);
            overs.any(|over| reaches(run, over, *node))
        };
        let names: Vec<&str> =
            (0..stations.len()).filter(reached).map(|node| stations[node].name.as_str()).collect();
        let what = format!("no over of the scenario reaches {}", stations[listener].name);
        let help = match names.as_slice() {
            [] => "add an [[over]] that is for the station".to_owned(),
            names => format!("listen at {}", names.join(", ")),
        };
        Diagnostic::new(what, help)
    })
}

fn share(
    scenario: &Scenario,
    station: &hopwright_core::station::Station<{ crate::world::CAPACITY }>,
) -> Result<Share, Diagnostic> {
    let tag = if scenario.relays.is_empty() { 0 } else { hopwright_core::relay::TAG_BYTES };
    let capacity = station.payload_capacity().saturating_sub(tag);
    let (slot, frame) = (scenario.plan.timing().slot(), scenario.plan.structure().frame);
    Share::new(cvsd::RATE, slot, frame, capacity).map_err(|error| {
        let what = format!("a voice of {} bit/s does not fit: {error}", cvsd::RATE);
        Diagnostic::new(what, "give the plan a higher link_bps, or longer frames")
    })
}

/// The payloads of `slots` slots; what is left of them after the voice is silence.
fn payloads(share: Share, bits: &[bool], slots: usize) -> Vec<Vec<u8>> {
    let mut sender = Sender::<MAX_SLOT_BYTES>::new(share);
    let byte = |bits: &[bool]| {
        let bits = bits.iter().enumerate();
        bits.fold(0_u8, |byte, (place, bit)| byte | u8::from(*bit) << (7 - place))
    };
    // A last piece of a byte is not worth a slot.
    let mut source = bits.chunks_exact(8).map(byte).peekable();
    let mut payloads = Vec::new();
    // Slots are numbered with 16 bits.
    for _ in 0..slots.min(1 << 16) {
        while let Some(next) = source.peek()
            && sender.push(*next).is_ok()
        {
            source.next();
        }
        let mut payload = [0; MAX_SLOT_BYTES];
        let length = sender.slot(&mut payload).unwrap_or(0);
        payloads.push(payload[..length].to_vec());
    }
    payloads
}

/// The channel that the scenario names; else the lowest of the speaker's hopset that interference
/// covers when he may speak; else the lowest. And whether interference covers it.
fn fixed_channel(run: &Run, over: &Over) -> (Channel, bool) {
    let at = over.ahead_us.unwrap_or(over.pressed_us);
    let medium = run.world.medium();
    let hopset = run.world.nodes()[over.node].station.sequence().hopset();
    let covered = || hopset.channels().iter().copied().find(|c| medium.interfered(*c, at));
    let lowest = hopset.channels().first().copied().unwrap_or_default();
    let channel = run.scenario.fixed_channel.or_else(covered).unwrap_or(lowest);
    (channel, medium.interfered(channel, at))
}

/// The scenario once more, with a voice, until a little after the over.
fn carried_out(
    scenario: &Scenario,
    voice: Voice,
    released_us: u64,
    interference: bool,
) -> Result<World, Diagnostic> {
    let mut radio: RadioPlan = scenario.radio.clone();
    if !interference {
        radio.interferers.clear();
        radio.adversaries.clear();
    }
    let mut world = Builder::new(&scenario.plan, &radio, scenario.seed())?.world(Timetable {
        messages: &scenario.messages,
        modes: &scenario.modes,
        ..Timetable::totals(&scenario.announces, &scenario.overs)
    })?;
    scenario.connect(&mut world)?;
    scenario.cut_texts(&mut world)?;
    world.set_voice(voice);
    let until = (released_us + 2_000_000).min(scenario.duration_us);
    // Power comes and goes, and keys change, as they did.
    scenario.carry_on(&mut world, &mut Progress::default(), until, |_| true)?;
    Ok(world)
}

/// What is heard of the slots of a voice, some of which were read.
fn case(
    name: &'static str,
    (hopping, interference): (bool, bool),
    share: Share,
    slots: &[Option<Vec<u8>>],
) -> Case {
    let (mut lost, mut late) = (slots.len(), 0);
    let mut bits: Vec<Option<Vec<u8>>> = vec![None; slots.len()];
    let receiver = Receiver::<{ 2 * DELAY as usize }, MAX_SLOT_BYTES>::new(share, DELAY);
    if let Some(mut receiver) = receiver {
        let turns = slots.iter().map(Option::as_deref);
        for read in turns.chain([None; DELAY as usize]) {
            // What is ignored is counted as lost or late when its turn comes.
            let _ = read.map(|payload| receiver.heard(payload));
            let Some(played) = receiver.play() else { continue };
            let Some(place) = bits.get_mut(usize::from(played.number)) else { continue };
            match played.mark {
                Mark::Heard(heard) => {
                    *place = Some(heard.to_vec());
                    lost -= 1;
                }
                Mark::Late => {
                    late += 1;
                    lost -= 1;
                }
                Mark::Lost => {}
            }
        }
    }
    let mut decoder = Cvsd::default();
    let mut samples = Vec::new();
    for (number, bits) in (0..=u16::MAX).zip(&bits) {
        for n in 0..share.bits(number) as usize {
            let bit = bits.as_ref().map(|bits| bits.get(n / 8).copied().unwrap_or(0));
            samples.push(match bit {
                Some(byte) => decoder.decode(byte & (0x80 >> (n % 8)) != 0),
                None => decoder.mute(),
            });
        }
    }
    Case {
        name,
        hopping,
        interference,
        heard: slots.len() - lost - late,
        lost,
        late,
        snr_db: None,
        samples: filter::output(&samples),
    }
}
