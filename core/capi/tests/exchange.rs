//! As it should be: a net in C. A post, a gauge and a hut come into step; the post tells everyone
//! something, sends a message to the gauge alone, and withdraws the hut.

#![expect(unsafe_code, reason = "the interface is called as from C")]
#![expect(
    clippy::multiple_unsafe_ops_per_block,
    reason = "one reason holds for all of a test's calls"
)]

mod net;

use hopwright_capi::*;
use hopwright_core::band::Pick;
use hopwright_core::provision::Configuration;
use net::{CALLING, GAUGE, HUT, POST, Size};
use std::ptr::null;

/// A slot.
const SLOT_US: u64 = 20_000;
/// Miri takes a second for a header: it is given fewer of them, and smaller messages.
const SIZE: Size = if cfg!(miri) { Size::SMALL } else { Size::FULL };
/// From when on the changed key is in use.
const CHANGE: u32 = if cfg!(miri) { 150 } else { 300 };

/// A station, an inbox and what they have come to.
struct Node {
    memory: Box<Memory>,
    inbox: Box<Inbox>,
    /// What was said to everyone.
    said: Vec<Vec<u8>>,
    /// Messages that came whole, and the slot in which the last began.
    messages: Vec<Vec<u8>>,
    began: u32,
    events: Vec<Event>,
    /// The last payload, and its bits.
    last: Option<(Payload, Vec<u8>)>,
    /// Parts of messages that it has heard.
    parts: u32,
}

fn plan(configuration: &[u8]) -> Plan {
    let mut plan = Plan::default();
    // SAFETY: all of it is ours, and as long as it says.
    let status =
        unsafe { hw_read_plan(configuration.as_ptr(), configuration.len(), &raw mut plan) };
    assert_eq!(status, OK);
    plan
}

impl Node {
    fn new(configuration: &[u8]) -> Self {
        let (start, plan) = (Start::default(), plan(configuration));
        let mut node = Self {
            memory: Box::new(Memory { words: [0; MEMORY_BYTES / 8] }),
            inbox: Box::new(Inbox { words: [0; INBOX_BYTES / 8] }),
            said: Vec::new(),
            messages: Vec::new(),
            began: 0,
            events: Vec::new(),
            parts: 0,
            last: None,
        };
        let (bytes, length) = (configuration.as_ptr(), configuration.len());
        // SAFETY: all of it is ours, and as long as it says.
        unsafe {
            assert_eq!(hw_init(node.memory(), bytes, length, &raw const start), OK);
            assert_eq!(hw_inbox_init(node.inbox(), &raw const plan), OK);
        }
        node
    }

    fn memory(&mut self) -> *mut Memory {
        &raw mut *self.memory
    }

    fn inbox(&mut self) -> *mut Inbox {
        &raw mut *self.inbox
    }

    /// What the radio does. Where another key comes into use, the first answers are due at once.
    fn poll(&mut self, now: u64) -> Action {
        for _ in 0..8 {
            let mut action = Action::default();
            // SAFETY: all of it is ours.
            assert_eq!(unsafe { hw_poll(self.memory(), now, &raw mut action) }, OK);
            if action.until_us > now {
                return action;
            }
        }
        panic!("no more than five answers are due at once");
    }

    fn drain(&mut self) -> Vec<Event> {
        let (mut drained, mut event) = (Vec::new(), Event::default());
        // SAFETY: all of it is ours.
        while unsafe { hw_next_event(self.memory(), &raw mut event) } == OK {
            drained.push(event);
        }
        self.events.extend(&drained);
        drained
    }

    fn state(&mut self, now: u64) -> State {
        let mut state = State::default();
        // SAFETY: all of it is ours.
        assert_eq!(unsafe { hw_look(self.memory(), now, &raw mut state) }, OK);
        state
    }

    fn burst(&mut self) -> Vec<u8> {
        let (mut bits, mut length) = ([0_u8; 512], 0);
        // SAFETY: all of it is ours, and as long as it says.
        let status = unsafe { hw_burst(self.memory(), bits.as_mut_ptr(), 512, &raw mut length) };
        assert_eq!(status, OK);
        bits[..length].to_vec()
    }

    /// Reads the bits of a payload; `None` if it has no key to it.
    fn open(&mut self, payload: &Payload, bits: &[u8]) -> Option<Vec<u8>> {
        let (mut text, mut length) = ([0_u8; 128], 0);
        let out = text.as_mut_ptr();
        // SAFETY: all of it is ours, and as long as it says.
        let status = unsafe {
            let (from, count) = (bits.as_ptr(), bits.len());
            hw_open_payload(self.memory(), payload, from, count, out, 128, &raw mut length)
        };
        assert!(matches!(status, OK | NONE));
        (status == OK).then(|| text[..length].to_vec())
    }

    /// Hears what another sends, if it listens there and then.
    fn hear(&mut self, now: u64, sends: &Action, bits: &[u8]) {
        let listens = self.poll(now);
        let same =
            sends.word == listens.word || listens.complement == 1 && sends.word == !listens.word;
        if listens.radio != RADIO_LISTEN || sends.channel != listens.channel || !same {
            return;
        }
        let reception = Reception {
            at_us: sends.at_us,
            bits: bits.as_ptr(),
            length: bits.len(),
            word: sends.word,
            channel: sends.channel,
            unused: [0; 2],
        };
        let mut heard = Heard::default();
        let now = now + 19_500;
        // SAFETY: all of it is ours, and as long as it says.
        let status =
            unsafe { hw_heard_word(self.memory(), now, &raw const reception, &raw mut heard) };
        assert_eq!(status, OK);
        if heard.what == HEARD_PAYLOAD {
            let text = self.open(&heard.payload, bits).expect("it is called");
            self.take(&heard.payload, text);
            self.last = Some((heard.payload, bits.to_vec()));
        }
    }

    /// A payload: words, or a part of a message.
    fn take(&mut self, payload: &Payload, text: Vec<u8>) {
        let mut taken = 99;
        let mut message =
            Message { text: null(), length: 0, what: 9, slot: 0, source: 0, unused: [0; 7] };
        // SAFETY: all of it is ours, and as long as it says; the text is read before the next call.
        unsafe {
            let (bytes, length) = (text.as_ptr(), text.len());
            let status =
                hw_inbox_take(self.inbox(), self.memory(), payload, bytes, length, &raw mut taken);
            assert_eq!(status, OK);
            loop {
                assert_eq!(hw_inbox_work(self.inbox(), &raw mut message), OK);
                match message.what {
                    INBOX_WORKING => {}
                    INBOX_READY => {
                        assert_eq!(message.source, POST);
                        let whole = std::slice::from_raw_parts(message.text, message.length);
                        self.messages.push(whole.to_vec());
                        self.began = message.slot;
                    }
                    _ => break,
                }
            }
        }
        self.parts += u32::from(taken != TAKEN_UNREADABLE);
        if taken == TAKEN_UNREADABLE && !text.is_empty() {
            self.said.push(text);
        }
    }
}

/// What the post says.
struct Speaker {
    post: Node,
    outbox: Box<Outbox>,
    /// What it loads when it may go ahead: the target, and the text.
    whole: Option<(u8, u8, Vec<u8>)>,
    words: Option<Vec<u8>>,
    /// Where the last message began.
    first: u32,
    /// What the last call of `hw_outbox_send` has come to.
    sent: i32,
}

impl Speaker {
    /// A slot of the post, heard by the others unless it is lost on the way.
    fn slot(&mut self, slot: u64, others: [&mut Node; 2], lost: bool) {
        let now = slot * SLOT_US;
        let sends = self.post.poll(now);
        let post = self.post.memory();
        let outbox = &raw mut *self.outbox;
        for event in self.post.drain() {
            if event.what == EVENT_GO_AHEAD {
                // SAFETY: all of it is ours, and as long as it says.
                unsafe {
                    if let Some((address, form, text)) = &self.whole {
                        let (bytes, length) = (text.as_ptr(), text.len());
                        let load = |slot| {
                            hw_outbox_load(outbox, post, slot, *address, *form, bytes, length)
                        };
                        assert_eq!(load(event.slot), OK);
                        self.first = event.slot;
                        assert_eq!(load(event.slot + 1), REFUSED_FULL);
                    }
                    if let Some(words) = &self.words {
                        assert_eq!(hw_queue_payload(post, words.as_ptr(), words.len()), OK);
                        assert_eq!(
                            hw_queue_payload(post, words.as_ptr(), words.len()),
                            REFUSED_FULL
                        );
                    }
                }
            }
        }
        // SAFETY: all of it is ours.
        let sent = unsafe { hw_outbox_send(outbox, post) };
        assert!(matches!(sent, OK | NONE | REFUSED_FULL | REFUSED_NOT_SPEAKING), "{sent}");
        self.sent = sent;
        let bits = self.post.burst();
        assert_eq!(bits.is_empty(), sends.radio != RADIO_TRANSMIT);
        for node in others {
            if sends.radio == RADIO_TRANSMIT && !lost {
                node.hear(now, &sends, &bits);
            } else {
                node.poll(now);
            }
            node.drain();
        }
    }

    fn left(&mut self) -> u16 {
        let mut left = 0;
        // SAFETY: all of it is ours.
        assert_eq!(unsafe { hw_outbox_left(&raw mut *self.outbox, &raw mut left) }, OK);
        left
    }
}

/// The whole life of a net: announce, call, message, withdrawal.
#[test]
fn a_net_in_c() {
    let configurations = [POST, GAUGE, HUT].map(|address| net::configuration_of(address, SIZE));
    let [post, mut gauge, mut hut] = [0, 1, 2].map(|i| Node::new(&configurations[i]));
    let mut speaker = Speaker {
        post,
        outbox: Box::new(Outbox { words: [0; OUTBOX_BYTES / 8] }),
        whole: None,
        words: None,
        first: 0,
        sent: NONE,
    };
    let (post, plan) = (speaker.post.memory(), plan(&configurations[0]));
    let outbox = &raw mut *speaker.outbox;
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!(hw_outbox_init(outbox, &raw const plan), OK);
        assert_eq!(hw_outbox_send(outbox, post), NONE);
        assert_eq!(hw_announce(gauge.memory(), 0), REFUSED_NOT_TIMEKEEPER);
        assert_eq!(hw_announce(post, 0), OK);
        assert_eq!(hw_announce(post, 0), REFUSED_SPEAKING);
    }
    let mut slot = 0;
    let mut run = |speaker: &mut Speaker,
                   gauge: &mut Node,
                   hut: &mut Node,
                   until: &dyn Fn(&mut Speaker, u64) -> bool,
                   lossy: bool| {
        let last = slot + 400;
        while !until(speaker, slot) {
            assert!(slot < last, "it takes too long");
            speaker.slot(slot, [gauge, hut], lossy && slot % 3 == 0);
            slot += 1;
        }
        slot * SLOT_US
    };
    let begin = u64::from(SIZE.announce) + 4;
    let now = run(&mut speaker, &mut gauge, &mut hut, &|_, slot| slot == begin, false);
    for node in [&mut gauge, &mut hut] {
        let state = node.state(now);
        assert_eq!((state.in_step, state.has_share, state.generation), (1, 1, 0));
        assert_eq!((u64::from(state.slot), state.cuts_in), (begin, 0));
        assert!(state.half_width_us < 500, "{state:?}");
    }

    // To everyone.
    speaker.words = Some(b"41 cm and rising".to_vec());
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!(hw_press(post, now, HUT, 8), REFUSED_NO_KEY, "not in the directory");
        assert_eq!(hw_press(post, now, 0, 0), OK);
        assert_eq!(hw_set_mode(post, now, MODE_SINGLE_SEALED), REFUSED_SPEAKING);
    }
    let now = run(&mut speaker, &mut gauge, &mut hut, &|_, slot| slot == begin + 16, false);
    assert_eq!(speaker.post.state(now).holds_floor, 1);
    // SAFETY: all of it is ours.
    assert_eq!(unsafe { hw_release(post, now) }, OK);
    let now = run(&mut speaker, &mut gauge, &mut hut, &|_, slot| slot == begin + 22, false);
    assert!(gauge.said == [b"41 cm and rising"] && hut.said == gauge.said);

    // A message is for an over: before it there is no timeline that its slot could be of.
    let early = b"too early";
    // SAFETY: all of it is ours, and as long as it says.
    let status = unsafe { hw_outbox_load(outbox, post, 9, GAUGE, 8, early.as_ptr(), early.len()) };
    assert_eq!(status, REFUSED_NOT_SPEAKING);

    // A message to the gauge alone; every third slot is lost on the way.
    let text: Vec<u8> = (0..200_u8).map(|i| i.wrapping_mul(37)).collect();
    (speaker.words, speaker.whole) = (None, Some((GAUGE, 8, text.clone())));
    // SAFETY: all of it is ours.
    assert_eq!(unsafe { hw_press(post, now, GAUGE, 8) }, OK);
    let begun = now / SLOT_US + 12;
    let sent = |speaker: &mut Speaker, slot: u64| slot > begun && speaker.sent == NONE;
    let now = run(&mut speaker, &mut gauge, &mut hut, &sent, true);
    // SAFETY: all of it is ours.
    assert_eq!(unsafe { hw_release(post, now) }, OK);
    let now = run(&mut speaker, &mut gauge, &mut hut, &|_, slot| slot == now / SLOT_US + 6, false);
    assert_eq!(gauge.messages, [text]);
    assert_eq!(gauge.began, speaker.first);
    assert!(hut.messages.is_empty());
    assert!(hut.events.iter().any(|event| event.what == EVENT_BUSY));
    // The hut has no key to what it may have heard.
    let (payload, bits) = gauge.last.clone().expect("the gauge was called");
    assert!(gauge.open(&payload, &bits).is_some());
    assert!(hut.open(&payload, &bits).is_none());
    let mut taken = 99;
    // SAFETY: all of it is ours, and as long as it says.
    let status = unsafe {
        let (bytes, length) = (bits.as_ptr(), bits.len());
        hw_inbox_take(hut.inbox(), hut.memory(), &raw const payload, bytes, length, &raw mut taken)
    };
    assert_eq!((status, taken), (NONE, 99));

    // The hut is withdrawn: the order comes over the air, as a message to everyone.
    let order = net::order(CHANGE);
    speaker.whole = Some((0, 0, order.clone()));
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        assert_eq!(hw_order(post, now), REFUSED_NO_ORDER);
        assert_eq!(hw_order(gauge.memory(), now), REFUSED_NOT_TIMEKEEPER);
        assert_eq!(hw_take_order(post, now, order.as_ptr(), order.len() - 1), REFUSED_NOT_FOR_US);
        assert_eq!(hw_take_order(post, now, order.as_ptr(), order.len()), OK);
        assert_eq!(hw_take_order(post, now, order.as_ptr(), order.len()), REFUSED_NOT_FOR_US);
        assert_eq!(hw_order(post, now), OK);
    }
    let begun = now / SLOT_US + 12;
    let sent = |speaker: &mut Speaker, slot: u64| slot > begun && speaker.sent == NONE;
    let before = gauge.parts;
    let now = run(&mut speaker, &mut gauge, &mut hut, &sent, false);
    assert_eq!(speaker.left(), 0);
    // SAFETY: all of it is ours.
    assert_eq!(unsafe { hw_release(post, now) }, OK);
    let now = run(&mut speaker, &mut gauge, &mut hut, &|_, slot| slot == now / SLOT_US + 6, false);
    assert!(now / SLOT_US < CHANGE.into(), "in time");
    assert_eq!(gauge.parts - before, u32::from(plan.code_n), "released behind the last column");
    assert_eq!(gauge.last.as_ref().map(|(payload, _)| payload.order), Some(1));
    for (node, status) in [(&mut gauge, OK), (&mut hut, REFUSED_NOT_FOR_US)] {
        let came = node.messages.pop().expect("a message to everyone");
        assert_eq!(came, order);
        // SAFETY: all of it is ours, and as long as it says.
        let taken = unsafe { hw_take_order(node.memory(), now, came.as_ptr(), came.len()) };
        assert_eq!(taken, status);
    }
    let after = u64::from(CHANGE) + 2;
    let now = run(&mut speaker, &mut gauge, &mut hut, &|_, slot| slot == after, false);
    speaker.whole = None;
    speaker.words = Some(b"without the hut".to_vec());
    // SAFETY: all of it is ours.
    assert_eq!(unsafe { hw_press(post, now, 0, 0) }, OK);
    let now = run(&mut speaker, &mut gauge, &mut hut, &|_, slot| slot == after + 20, false);
    assert_eq!(gauge.said.last().map(Vec::as_slice), Some(&b"without the hut"[..]));
    assert_eq!(hut.said.len(), 1, "it hears no more");
    let changed = |node: &Node| {
        node.events.iter().any(|event| event.what == EVENT_KEYS_CHANGED && event.slot == CHANGE)
    };
    assert!(changed(&speaker.post) && changed(&gauge) && !changed(&hut));
    assert_eq!((gauge.state(now).generation, hut.state(now).generation), (1, 0));
    assert_eq!(gauge.state(now).uses_net_key, 1);

    renewed(&mut gauge, &configurations[1]);
    hut_alone(&mut hut, now);
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!(hw_outbox_end(outbox), OK);
        for node in [&mut speaker.post, &mut gauge, &mut hut] {
            assert_eq!((hw_end(node.memory()), hw_inbox_end(node.inbox())), (OK, OK));
            assert!(node.memory.words.iter().chain(&node.inbox.words).all(|word| *word == 0));
        }
    }
    assert!(speaker.outbox.words.iter().all(|word| *word == 0), "wiped");
}

/// What the gauge stores after the change makes a station with the new key.
fn renewed(gauge: &mut Node, before: &[u8]) {
    let (mut bytes, mut length) = (vec![0xEE; 700], 0);
    let memory = gauge.memory();
    // SAFETY: all of it is ours, and as long as it says.
    unsafe {
        let mut renew = |room| {
            let (from, count) = (before.as_ptr(), before.len());
            hw_renew(memory, from, count, bytes.as_mut_ptr(), room, &raw mut length)
        };
        assert_eq!(renew(100), TOO_SMALL);
        assert!(bytes[..100].iter().all(|byte| *byte == 0), "half a key is none");
        let mut renew = |room| {
            let (from, count) = (before.as_ptr(), before.len());
            hw_renew(memory, from, count, bytes.as_mut_ptr(), room, &raw mut length)
        };
        assert_eq!(renew(700), OK);
        let hut = net::configuration(HUT);
        let room = bytes.as_mut_ptr();
        let others = hw_renew(memory, hut.as_ptr(), hut.len(), room, 0, &raw mut length);
        assert_eq!((others, length), (CONFIGURATION, 0), "the hut's is not the gauge's");
        let fewer = net::configuration_with(GAUGE, Size::FULL, Pick::Keyed(127));
        let other = hw_renew(memory, fewer.as_ptr(), fewer.len(), room, 0, &raw mut length);
        assert_eq!((other, length), (CONFIGURATION, 0), "nor is that of another hopset");
    }
    let old = Configuration::<128>::decode(before).unwrap();
    let length = before.len();
    let new = Configuration::<128>::decode(&bytes[..length]).unwrap();
    assert!(!new.key.same(&old.key));
    new.key.expose(|key| assert_eq!(key, &[0x5B; 32]));
    let key_name = new.key.fingerprint();
    assert_eq!(plan(&bytes[..length]), Plan { generation: 1, key_name, ..plan(before) });
    let mut node = Node::new(&bytes[..length]);
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!((hw_end(node.memory()), hw_inbox_end(node.inbox())), (OK, OK));
    }
}

/// The hut goes over to the calling channel, where nobody needs a net.
fn hut_alone(hut: &mut Node, now: u64) {
    let memory = hut.memory();
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!(hw_set_mode(memory, now, 3), RANGE);
        assert_eq!(hw_set_mode(memory, now, MODE_SINGLE_PLAIN), OK);
    }
    let state = hut.state(now);
    assert_eq!((state.mode, state.uses_net_key), (MODE_SINGLE_PLAIN, 0));
    let action = hut.poll(now);
    assert_eq!((action.radio, action.channel), (RADIO_LISTEN, CALLING));
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!(hw_press(memory, now, 0, 0), OK);
        let action = hut.poll(now);
        assert_eq!((action.radio, action.channel), (RADIO_TRANSMIT, CALLING));
        assert_eq!(hw_release(memory, now), OK);
    }
}

#[test]
fn a_station_without_time_cuts_in() {
    let mut gauge = Node::new(&net::configuration(GAUGE));
    // SAFETY: all of it is ours.
    assert_eq!(unsafe { hw_press(gauge.memory(), 0, 0, 0) }, OK);
    let unknown = gauge.state(0);
    assert_eq!((unknown.cuts_in, unknown.half_width_us), (0, u64::MAX));
    assert_eq!(gauge.poll(0).radio, RADIO_LISTEN);
    // Once it has listened for two seconds.
    assert_eq!(gauge.poll(2_000_000).radio, RADIO_TRANSMIT);
    let state = gauge.state(2_000_000);
    assert_eq!((state.cuts_in, state.holds_floor, state.in_step), (1, 1, 0));
    // SAFETY: all of it is ours.
    unsafe {
        assert_eq!((hw_end(gauge.memory()), hw_inbox_end(gauge.inbox())), (OK, OK));
    }
}

/// Whatever a plan's code is, what an outbox takes an inbox holds. Words of 16 of 64 bytes: the inbox holds
/// 102, the outbox 153; a text of 102 words less a tag of 16 bytes.
#[test]
fn an_outbox_takes_no_more_than_an_inbox_holds() {
    let configuration = net::configuration(POST);
    for (k, expected) in [(24, 102 * 24 - 16), (16, 102 * 16 - 16), (48, 51 * 48 - 16)] {
        let plan = Plan { code_k: k, ..plan(&configuration) };
        let mut outbox = Outbox { words: [0; OUTBOX_BYTES / 8] };
        let (outbox, mut longest) = (&raw mut outbox, 0);
        // SAFETY: all of it is ours.
        unsafe {
            assert_eq!(hw_outbox_init(outbox, &raw const plan), OK);
            assert_eq!(hw_outbox_longest(outbox, &raw mut longest), OK);
            assert_eq!(hw_outbox_end(outbox), OK);
        }
        assert_eq!(longest, expected, "{k}");
    }
}
