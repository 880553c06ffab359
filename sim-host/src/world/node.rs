//! A virtual station: the core's state machine, a clock, an antenna.

use super::digest::Digest;
use super::oscillator::Oscillator;
use super::places::Place;
use hopwright_core::record::{self, Input};
use hopwright_core::station::{
    Action, Command, Event, Heard, Radio, Reception, Refused, Station, Watermark,
};
use hopwright_core::units::{Channel, Dbm, Lane, Tick};

/// The largest hopset of a virtual station.
pub const CAPACITY: usize = 4096;

/// A virtual station.
#[derive(Debug)]
pub struct Node {
    /// What the account calls it.
    pub name: String,
    /// Where its antenna is.
    pub place: Place,
    /// Radiated power.
    pub power_dbm: f64,
    /// The clock that the station sees.
    pub oscillator: Oscillator,
    /// The very type that firmware embeds.
    pub station: Box<Station<CAPACITY>>,
    /// What the station's storage says when it is switched on.
    pub storage: Watermark,
    /// What the station last told its radio to do.
    pub(super) action: Option<Action>,
    /// What its radio is tuned to.
    pub(super) tuned: Option<Tuned>,
    /// Which poll event is the valid one.
    pub(super) poll_token: u32,
    /// Set while the world leaves the station alone because nothing happens.
    pub(super) dormant_since: Option<u64>,
    /// Whether anything is due to be sent in the payload of its over.
    pub(super) talking: bool,
    pub(super) payloads: u32,
    /// True times at which the last recognised word began and its transmission ended here.
    pub(super) followed: (u64, u64),
    digest: Option<Digest>,
    recording: Option<Vec<u8>>,
    /// The session that is recorded is over: the power failed.
    recorded_whole: bool,
    /// Inputs in the recording.
    inputs: u64,
}

/// A listening radio.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tuned {
    pub(super) channel: Channel,
    pub(super) word: u32,
    pub(super) complement: bool,
    /// True time since when.
    pub(super) since: u64,
    /// True time until when, if nothing intervenes.
    pub(super) until: u64,
    /// Place in the list of listeners on the channel.
    pub(super) place: usize,
    /// Tells this stay from later ones.
    pub(super) serial: u32,
    /// When energy is looked for next; in the past if it is not.
    pub(super) sensing: u64,
    /// When power was told last: once for each slot's time of listening.
    pub(super) told: u64,
}

impl Node {
    /// A station that is switched off until the world switches it on.
    #[must_use]
    pub fn new(
        name: String,
        place: Place,
        power_dbm: f64,
        oscillator: Oscillator,
        station: Station<CAPACITY>,
        storage: Watermark,
    ) -> Self {
        Self {
            name,
            place,
            power_dbm,
            oscillator,
            station: Box::new(station),
            storage,
            action: None,
            tuned: None,
            poll_token: 0,
            dormant_since: None,
            talking: false,
            payloads: 0,
            followed: (0, 0),
            digest: None,
            recording: None,
            recorded_whole: false,
            inputs: 0,
        }
    }

    /// Keeps a digest of everything that the station puts out.
    pub fn keep_digest(&mut self) {
        self.digest = Some(Digest::default());
    }

    /// Keeps a recording of everything that the station is given, behind `head`, its
    /// configuration.
    pub fn keep_recording(&mut self, head: Vec<u8>) {
        self.recording = Some(head);
    }

    /// The digest, if one was kept.
    #[must_use]
    pub const fn digest(&self) -> Option<&Digest> {
        self.digest.as_ref()
    }

    /// The recording so far, whole, if one was kept.
    #[must_use]
    pub fn recording(&self) -> Option<Vec<u8>> {
        let mut recording = self.recording.clone()?;
        crate::replay::seal(&mut recording, self.inputs);
        Some(recording)
    }

    /// The net that the station belongs to.
    #[must_use]
    pub fn lane(&self) -> Lane {
        self.station.sequence().lane()
    }

    /// The station's clock at true time `us`.
    #[must_use]
    pub fn local(&self, us: u64) -> Tick {
        self.oscillator.local(us)
    }

    pub(super) fn poll(&mut self, now: Tick) -> Action {
        self.note(Input::Poll(now));
        let action = self.station.poll(now);
        if let Some(digest) = &mut self.digest {
            record::write_action(&action, self.station.burst(), digest);
        }
        action
    }

    pub(super) fn heard(&mut self, now: Tick, reception: Reception<'_>) -> Heard {
        self.note(Input::Heard(now, reception));
        let heard = self.station.heard(now, reception);
        if let Some(digest) = &mut self.digest {
            record::write_heard(heard, digest);
        }
        heard
    }

    pub(super) fn energy(&mut self, now: Tick, channel: Channel, level: Dbm) {
        self.note(Input::Energy(now, channel, level));
        self.station.energy(now, channel, level);
    }

    pub(super) fn command(&mut self, now: Tick, command: Command) -> Result<(), Refused> {
        self.note(Input::Command(now, command));
        let answer = self.station.command(now, command);
        if let Some(digest) = &mut self.digest {
            record::write_answer(answer, digest);
        }
        answer
    }

    pub(super) fn take_order(&mut self, now: Tick, order: &[u8]) -> Result<(), Refused> {
        self.note(Input::Order(now, order));
        let answer = self.station.take_order(now, order);
        if let Some(digest) = &mut self.digest {
            record::write_answer(answer, digest);
        }
        answer
    }

    pub(super) fn queue_payload(&mut self, bytes: &[u8]) -> Result<(), Refused> {
        self.note(Input::Payload(bytes));
        let answer = self.station.queue_payload(bytes);
        if let Some(digest) = &mut self.digest {
            record::write_answer(answer, digest);
        }
        answer
    }

    pub(super) fn next_event(&mut self) -> Option<Event> {
        let event = self.station.next_event()?;
        if let Some(digest) = &mut self.digest {
            record::write_event(event, digest);
        }
        Some(event)
    }

    /// What follows is another session, and not in the recording.
    pub(super) fn end_recording(&mut self) {
        self.recorded_whole = true;
    }

    fn note(&mut self, input: Input<'_>) {
        if let Some(recording) = self.recording.as_mut().filter(|_| !self.recorded_whole) {
            input.encode(&mut |bytes: &[u8]| recording.extend_from_slice(bytes));
            self.inputs += 1;
        }
    }
}

impl Tuned {
    /// Whether the radio waits for `word`.
    pub(super) const fn waits_for(&self, word: u32) -> bool {
        word == self.word || (self.complement && word == !self.word)
    }
}

/// What a listening action tunes to.
pub(super) const fn listening(radio: Radio) -> Option<(Channel, u32, bool)> {
    match radio {
        Radio::Listen { channel, word, complement } => Some((channel, word, complement)),
        _ => None,
    }
}
