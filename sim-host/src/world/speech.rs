//! What is said in overs: numbered texts, a voice, or what a relay has read.

use super::medium::Hop;
use super::{Order, Over, Relayed, Says, Spoken, Transmission, World};
use hopwright_core::relay::{TAG_BYTES, Tag};
use hopwright_core::sequence::Timeline;
use hopwright_core::station::Payload;
use hopwright_core::timing::MAX_SLOT_BYTES;
use hopwright_core::units::{Channel, Slot};

/// What waits to be said, and what is to be heard.
#[derive(Debug)]
pub(super) struct Speech {
    /// The payload that each station has been handed for its next traffic slot.
    waiting: Vec<Option<Vec<u8>>>,
    voice: Option<Voice>,
}

/// A voice in one over, and whoever listens to it.
#[derive(Debug, Clone)]
pub struct Voice {
    /// Who speaks.
    pub speaker: usize,
    /// The true time at which he presses, in microseconds: which of his overs it is.
    pub pressed_us: u64,
    /// Who listens.
    pub listener: usize,
    /// The channel of the comparison: what the listener would read were the same bits sent there.
    pub fixed: Channel,
    /// The payloads, slot by slot.
    pub payloads: Vec<Vec<u8>>,
    /// What has been said.
    pub said: Vec<Said>,
}

/// A slot of a voice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The number of its transmission.
    number: u64,
    /// True time at which its unique word started, in microseconds.
    pub at_us: u64,
    /// The channel that it was sent on.
    pub channel: Channel,
    slot: Option<Slot>,
    /// What the listener's station read in it, if it heard it.
    pub heard: Option<Vec<u8>>,
    /// What it would have read, had the same bits been sent at the same time on the one channel on
    /// which it always listens: the same distance, keys, noise, interference and chance, and no
    /// hopping.
    pub fixed: Option<Vec<u8>>,
}

impl Speech {
    pub(super) fn new(nodes: usize) -> Self {
        Self { waiting: vec![None; nodes], voice: None }
    }

    /// Whether a station has yet to send what it was handed.
    pub(super) fn pending(&self, node: usize) -> bool {
        self.waiting[node].is_some()
    }

    /// What a station has been handed for the slot that it prepares.
    pub(super) fn said(&self, node: usize) -> &[u8] {
        self.waiting[node].as_deref().unwrap_or_default()
    }

    /// The payload that a station has just sent.
    pub(super) fn take(&mut self, node: usize) -> Option<Vec<u8>> {
        self.waiting[node].take()
    }
}

impl World {
    /// Lets a voice be said in an over instead of texts, and keeps what becomes of it.
    pub fn set_voice(&mut self, voice: Voice) {
        self.speech.voice = Some(voice);
    }

    /// The voice, with what has been said of it so far.
    #[must_use]
    pub const fn voice(&self) -> Option<&Voice> {
        self.speech.voice.as_ref()
    }

    /// A slot of the voice has been sent: reads it as the fixed channel would have brought it, with the
    /// place and the keys that the listener has now. Before the listener goes on: it may be its last
    /// slot under them.
    pub(super) fn note_fixed(&mut self, transmission: &Transmission) {
        let Some(mut voice) = self.speech.voice.take() else { return };
        let own = |said: &Said| said.number == transmission.number;
        if let Some(index) = voice.said.iter().rposition(own) {
            voice.said[index].fixed = self.read_fixed(&voice, &voice.said[index], transmission);
        }
        self.speech.voice = Some(voice);
    }

    fn read_fixed(
        &mut self,
        voice: &Voice,
        said: &Said,
        transmission: &Transmission,
    ) -> Option<Vec<u8>> {
        let (speaker, listener) = (voice.speaker, voice.listener);
        if self.is_off(listener) || !self.audible(speaker, listener) {
            return None;
        }
        let own = |over: &&Over| (over.node, over.pressed_us) == (speaker, voice.pressed_us);
        let over = self.trace.overs.iter().find(own)?;
        let payload = Payload {
            timeline: Timeline::Home,
            slot: said.slot?,
            source: self.nodes[speaker].station.address(),
            target: over.target,
            order: false,
        };
        let station = &mut self.nodes[listener].station;
        let hop = Hop { number: said.number, key: u64::from(station.address().number()) };
        let arrival = self.medium.arrival((speaker, listener), voice.fixed, said.at_us, hop, &[]);
        let received = self.medium.receive(arrival, hop, &transmission.bits)?;
        let bits = received.bits.as_deref().unwrap_or(&transmission.bits);
        let mut text = [0; MAX_SLOT_BYTES];
        let length = station.open_payload(&payload, bits, &mut text)?;
        text.get(..length).map(|text| self.body(text).to_vec())
    }

    /// Hands a speaking station what it says next.
    pub(super) fn queue_payload(&mut self, node: usize) {
        let Some(payload) = self.next_payload(node) else { return };
        if self.nodes[node].queue_payload(&payload).is_ok() {
            self.nodes[node].payloads += 1;
            self.speech.waiting[node] = Some(payload);
        }
    }

    fn next_payload(&mut self, node: usize) -> Option<Vec<u8>> {
        if self.relays_for(node) {
            return self.relay_next(node);
        }
        if let Some(talk) = self.talk[node].filter(|talk| talk.says != Says::Talk) {
            let column = self.next_column(node);
            if column.is_none() {
                // Everything is on the air: the slot under way is the last.
                self.order(self.now, Order::EndOver { node, over: talk.over });
                return None;
            }
            return column.map(|column| self.tagged(node, &column));
        }
        let number = self.nodes[node].payloads;
        let over = self.talk[node].map_or(0, |talk| talk.over);
        let body = match self.voice_of(node).and_then(|voice| voice.payloads.get(number as usize)) {
            Some(payload) => payload.clone(),
            None if self.posts.is_empty() => payload_text(number).to_vec(),
            None => identified_text(over, number).to_vec(),
        };
        Some(self.tagged(node, &body))
    }

    /// A payload behind its tag, where there are relays.
    fn tagged(&self, node: usize, body: &[u8]) -> Vec<u8> {
        if self.posts.is_empty() {
            return body.to_vec();
        }
        [&Tag::of(self.nodes[node].lane()).to_bytes()[..], body].concat()
    }

    /// The voice, if it is what a station says in its present over.
    fn voice_of(&self, node: usize) -> Option<&Voice> {
        let over = &self.trace.overs[self.talk[node]?.over];
        let voice = self.speech.voice.as_ref()?;
        // The slots of a cut-in have numbers of their own; a voice is said in the net's time.
        let home = !self.nodes[node].station.cuts_in();
        (home && voice.speaker == node && voice.pressed_us == over.pressed_us).then_some(voice)
    }

    /// A payload goes on the air, in the transmission of this number.
    pub(super) fn note_said(
        &mut self,
        node: usize,
        (number, channel, at_us): (u64, Channel, u64),
        payload: &[u8],
    ) {
        if !self.posts.is_empty()
            && !self.relays_for(node)
            && let Some((over, said)) = identity(self.body(payload))
        {
            self.trace.spoken.push(Spoken { over, number: said, at_us });
        }
        if self.voice_of(node).is_none_or(|voice| voice.said.len() >= voice.payloads.len()) {
            return;
        }
        let slot = self.nodes[node].station.slot(self.nodes[node].local(at_us));
        if let Some(voice) = &mut self.speech.voice {
            voice.said.push(Said { number, at_us, channel, slot, heard: None, fixed: None });
        }
    }

    /// A station has been given a payload to read.
    pub(super) fn note_payload(
        &mut self,
        transmission: &Transmission,
        node: usize,
        payload: &Payload,
        read: Option<&[u8]>,
    ) {
        let Some(Some(talk)) = self.talk.get(transmission.node) else { return };
        let over = &mut self.trace.overs[talk.over];
        if let Some(heard) = over.payloads_heard.get_mut(node) {
            *heard += 1;
        }
        let same = match (&transmission.payload, read) {
            (Some(sent), Some(read)) => sent == read,
            (None, Some(read)) => read.is_empty(),
            (_, None) => false,
        };
        over.payloads_garbled += u32::from(!same);
        let Some(read) = read else { return };
        let body = self.body(read).to_vec();
        self.take_column(transmission.node, node, payload, &body);
        if let Some(voice) = &mut self.speech.voice
            && voice.listener == node
            && let Some(said) = voice.said.iter_mut().rfind(|s| s.number == transmission.number)
        {
            said.heard = Some(body.clone());
        }
        if self.posts.is_empty() {
            return;
        }
        let relays = Tag::split(read).map_or(0, |(tag, _)| tag.relays());
        // What is garbled could be taken for another.
        if same
            && relays > 0
            && let Some((over, number)) = identity(&body)
        {
            let at_us = transmission.start;
            self.trace.relayed.push(Relayed { over, number, node, at_us, relays });
        }
        self.relay_read(node, read);
    }

    /// A payload without its tag. Tags are used where there are relays.
    fn body<'a>(&self, payload: &'a [u8]) -> &'a [u8] {
        if self.posts.is_empty() { payload } else { payload.get(TAG_BYTES..).unwrap_or_default() }
    }
}

/// The text of the payload with a given number: enough to tell it from any other of its over.
fn payload_text(number: u32) -> [u8; 16] {
    let mut text = *b"slot text 0000..";
    text[10..14].copy_from_slice(&number.to_be_bytes());
    text
}

/// The same with the over, so that it is known on another net.
fn identified_text(over: usize, number: u32) -> [u8; 16] {
    let mut text = payload_text(number);
    text[14..].copy_from_slice(&u16::try_from(over).unwrap_or(u16::MAX).to_be_bytes());
    text
}

/// The over and the number in such a text.
fn identity(text: &[u8]) -> Option<(usize, u32)> {
    let rest = text.strip_prefix(b"slot text ")?;
    let (number, over) = rest.split_first_chunk()?;
    let over = u16::from_be_bytes(over.try_into().ok()?);
    Some((usize::from(over), u32::from_be_bytes(*number)))
}
