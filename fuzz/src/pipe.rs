//! The core behind a line of text: what another implementation is compared with through a pipe.
//! `docs/fuzzing.md` has the table of questions and answers.

use hopwright_core::address::{Address, Target};
use hopwright_core::band::{Hopset, Pick, Raster};
use hopwright_core::coding::golay;
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Cursor, Draw, Sequence, SlotKind, Structure, Timeline};
use hopwright_core::units::{Hertz, Lane, Micros, Slot};

/// Room for hopsets.
const ROOM: usize = 512;

/// Answers questions, one line each. What was set holds until it is set again.
#[derive(Debug, Default)]
pub struct Pipe {
    key: [u8; 32],
    plan: Option<(Sequence<ROOM>, Cursor<ROOM>, Cursor<ROOM>)>,
}

impl Pipe {
    /// The answer to a line; what is wrong with it, after `error:`, if it is no question.
    pub fn answer(&mut self, line: &str) -> String {
        let words: Vec<&str> = line.split_whitespace().collect();
        self.ask(&words).unwrap_or_else(|error| format!("error: {error}"))
    }

    fn ask(&mut self, words: &[&str]) -> Result<String, String> {
        match words {
            ["key", key] => {
                self.key = bytes(key)?;
                self.plan = None;
                Ok("ok".to_owned())
            }
            ["plan", channels, frame, rendezvous, window, draw] => {
                let structure = Structure {
                    frame: number("frame", frame)?,
                    rendezvous: number("rendezvous", rendezvous)?,
                    window: number("window", window)?,
                    draw: match *draw {
                        "balanced" => Draw::Balanced,
                        "independent" => Draw::Independent,
                        other => return Err(choice("draw", other, "balanced or independent")),
                    },
                    equal_use: false,
                };
                self.set_plan(number("channels", channels)?, structure)
            }
            ["hop", timeline, slot] => self.hop(timeline, number("slot", slot)?),
            ["golay-encode", message] => {
                let [high, low] = bytes(message)?;
                let message = u16::from_be_bytes([high, low]);
                if message > 0xFFF {
                    return Err(format!("a message has 12 bits; `{message:04x}` has more"));
                }
                Ok(format!("{:06x}", golay::encode(message)))
            }
            ["golay-decode", word] => {
                let [a, b, c] = bytes(word)?;
                let decoded = golay::decode(u32::from_be_bytes([0, a, b, c]));
                let corrected = decoded.corrected.map_or("-".to_owned(), |n| n.to_string());
                Ok(format!("{:04x} {corrected}", decoded.message))
            }
            ["seal", stream, slot, source, target, kind, quality, countdown] => {
                let countdown = number("countdown", countdown)?;
                if countdown > 15 {
                    return Err(format!("a countdown is 0 to 15, not {countdown}"));
                }
                let header = Header {
                    slot: Slot::new(number("slot", slot)?),
                    source: address(source)?,
                    target: read_target(target)?,
                    kind: read_kind(kind)?,
                    quality: read_quality(number("quality", quality)?)?,
                    countdown,
                };
                let bits = self.headers().to_bits(header, number("stream", stream)?);
                Ok(hex(&bits))
            }
            ["open", stream, bits] => {
                let bits = bytes(bits)?;
                Ok(match self.headers().from_bits(&bits, number("stream", stream)?) {
                    None => "none".to_owned(),
                    Some(header) => shown(header),
                })
            }
            [] => Err("an empty line; ask something, `hop home 0` say".to_owned()),
            [question, ..] => Err(format!(
                "no question `{question}` with {} words behind it; there are key, plan, hop, \
                 golay-encode, golay-decode, seal and open",
                words.len() - 1
            )),
        }
    }

    fn headers(&self) -> HeaderKeys {
        HeaderKeys::new(&NetKey::new(self.key))
    }

    fn set_plan(&mut self, channels: u16, structure: Structure) -> Result<String, String> {
        let (key, lane) = (NetKey::new(self.key), Lane::ZERO);
        let step = Hertz::new(25_000);
        let raster = Raster::new(Hertz::new(30_000_000), step, step, channels);
        let raster = raster.map_err(|error| error.to_string())?;
        let hopset = Hopset::derive(&key, &raster, &raster.all(), Pick::All, None, lane);
        let hopset = hopset.map_err(|error| error.to_string())?;
        let sequence = Sequence::new(&key, hopset, structure, lane, lane);
        let sequence = sequence.map_err(|error| error.to_string())?;
        let cursor = |timeline| Cursor::new(&sequence, timeline);
        let (home, cut_in) = (cursor(Timeline::Home), cursor(Timeline::CutIn));
        self.plan = Some((sequence, home, cut_in));
        Ok("ok".to_owned())
    }

    fn hop(&mut self, timeline: &str, slot: u32) -> Result<String, String> {
        let (sequence, home, cut_in) =
            self.plan.as_mut().ok_or("there is no plan yet; give one with `plan`")?;
        let cursor = match timeline {
            "home" => home,
            "cut-in" => cut_in,
            other => return Err(choice("timeline", other, "home or cut-in")),
        };
        let hop = cursor.hop(sequence, Slot::new(slot));
        let kind = if hop.kind == SlotKind::Sync { "sync" } else { "traffic" };
        Ok(format!("{kind} {} {:08x}", hop.channel.number(), hop.word))
    }
}

fn choice(what: &str, given: &str, choices: &str) -> String {
    format!("{what} `{given}`; it is {choices}")
}

fn number<T: std::str::FromStr>(what: &str, word: &str) -> Result<T, String> {
    word.parse().map_err(|_| format!("{what} `{word}` is no number in its range"))
}

/// Exactly `N` bytes in hexadecimal digits.
fn bytes<const N: usize>(word: &str) -> Result<[u8; N], String> {
    let wrong = || format!("{} hexadecimal digits are needed, not `{word}`", 2 * N);
    if word.len() != 2 * N || !word.bytes().all(|digit| digit.is_ascii_hexdigit()) {
        return Err(wrong());
    }
    let mut bytes = [0; N];
    for (at, byte) in bytes.iter_mut().enumerate() {
        let digits = word.get(2 * at..2 * at + 2).ok_or_else(wrong)?;
        *byte = u8::from_str_radix(digits, 16).map_err(|_| wrong())?;
    }
    Ok(bytes)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn address(word: &str) -> Result<Address, String> {
    let [byte] = bytes(word)?;
    Ok(Address::new(byte))
}

/// `40/4` for a prefix, `!41` for everyone but one.
fn read_target(word: &str) -> Result<Target, String> {
    if let Some(one) = word.strip_prefix('!') {
        return Ok(Target::all_but(address(one)?));
    }
    let (first, length) = word
        .split_once('/')
        .ok_or_else(|| choice("target", word, "a prefix such as 40/4, or everyone but one: !41"))?;
    Target::prefix(address(first)?, number("length", length)?)
        .ok_or_else(|| format!("`{word}` is no prefix: bits behind its length are set"))
}

const KINDS: [(&str, Kind); 6] = [
    ("announce", Kind::Announce),
    ("over", Kind::Over),
    ("cut-in", Kind::CutIn),
    ("closing", Kind::Closing),
    ("rekey", Kind::Rekey),
    ("lead-in", Kind::LeadIn),
];

fn read_kind(word: &str) -> Result<Kind, String> {
    let known = KINDS.iter().find(|(name, _)| *name == word);
    known
        .map(|(_, kind)| *kind)
        .ok_or_else(|| choice("kind", word, "announce, over, cut-in, closing, rekey or lead-in"))
}

fn read_quality(nibble: u8) -> Result<Quality, String> {
    if nibble > 15 {
        return Err(format!("a quality is 0 to 15, not {nibble}"));
    }
    Ok(Quality::of(Micros::new(16 << nibble)))
}

fn shown(header: Header) -> String {
    let kind = KINDS.iter().find(|(_, kind)| *kind == header.kind).map_or("?", |(name, _)| name);
    let first = header.target.address().number();
    let target = match header.target.prefix_length() {
        Some(length) => format!("{first:02x}/{length}"),
        None => format!("!{first:02x}"),
    };
    let (slot, source) = (header.slot.number(), header.source.number());
    let quality = header.quality.nibble();
    format!("{slot} {source:02x} {target} {kind} {quality} {}", header.countdown)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(lines: &[&str]) -> String {
        let mut pipe = Pipe::default();
        lines.iter().map(|line| pipe.answer(line)).last().expect("a line")
    }

    #[test]
    fn a_header_comes_back_as_it_was_sealed() {
        let mut pipe = Pipe::default();
        assert_eq!(pipe.answer(&format!("key {}", "1f".repeat(32))), "ok");
        let bits = pipe.answer("seal 0 123456 41 40/4 over 3 1");
        assert_eq!(bits.len(), 66);
        assert_eq!(pipe.answer(&format!("open 0 {bits}")), "123456 41 40/4 over 3 1");
        assert_eq!(pipe.answer(&format!("open 1 {bits}")), "none");
    }

    #[test]
    fn golay_words_are_those_of_the_core() {
        assert_eq!(ask(&["golay-encode 0abc"]), "abc23c");
        assert_eq!(ask(&["golay-decode abc23b"]), "0abc 3");
        assert_eq!(ask(&["golay-decode abc233"]), "0abc -");
    }

    #[test]
    fn hops_need_a_plan() {
        assert!(ask(&["hop home 7"]).starts_with("error: there is no plan yet"));
        assert_eq!(ask(&["plan 64 8 8 4 balanced"]), "ok");
        let hop = ask(&["plan 64 8 8 4 balanced", "hop home 7"]);
        let net = crate::naive::Net {
            key: [0; 32],
            hopset: (0..64).collect(),
            turned: 0,
            frame: 8,
            rendezvous: 8,
            window: 4,
            balanced: true,
            equal_use: false,
            lane: 0,
            draw_lane: 0,
        };
        let slot = net.slots(0, 7, 1)[0];
        let kind = if slot.sync { "sync" } else { "traffic" };
        assert_eq!(hop, format!("{kind} {} {:08x}", slot.channel, slot.word));
    }

    #[test]
    fn what_is_no_question_is_told_so() {
        for (line, told) in [
            ("", "error: an empty line"),
            ("hup home 1", "error: no question `hup` with 2 words"),
            ("key 00", "error: 64 hexadecimal digits are needed"),
            ("plan 3 8 8 4 balanced", "error: 3 channels are left and 4 are needed"),
            ("plan 64 8 8 4 some", "error: draw `some`"),
            ("golay-encode f000", "error: a message has 12 bits"),
            ("seal 0 1 41 43/4 over 0 0", "error: `43/4` is no prefix"),
            ("seal 0 1 41 40/4 over 16 0", "error: a quality is 0 to 15"),
            ("seal 0 1 41 40/4 loud 0 0", "error: kind `loud`"),
            ("open 0 zz", "error: 66 hexadecimal digits"),
        ] {
            assert!(ask(&[line]).starts_with(told), "{line}: {}", ask(&[line]));
        }
    }
}
