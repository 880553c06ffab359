//! A second reading of specification sections 2 to 4, for the core to be compared with. It knows no
//! cursor and no closed form: it writes whole frames, windows and cycles down as lists, and looks
//! slots up in them.

use chacha20::cipher::{KeyIvInit, StreamCipher, StreamCipherSeek};
use chacha20::{ChaCha20, R20, hchacha};
use std::collections::BTreeSet;

/// Bit of the streams of a run's windows.
const RUN: u32 = 0x2000_0000;
/// Bit of the stream of sync words.
const SYNC: u32 = 0x8000_0000;

/// `HChaCha20(key, label padded with zeros)`.
#[must_use]
pub fn subkey(key: &[u8; 32], label: &str) -> [u8; 32] {
    let mut input = [0; 16];
    input[..label.len()].copy_from_slice(label.as_bytes());
    hchacha::<R20>(key.into(), (&input).into()).into()
}

/// `W(label, stream, i)` for `count` numbers `i` from `from` on.
#[must_use]
pub fn words(key: &[u8; 32], label: &str, stream: u32, from: u64, count: usize) -> Vec<u32> {
    let mut nonce = [0; 12];
    nonce[..4].copy_from_slice(&stream.to_le_bytes());
    let mut cipher = ChaCha20::new((&subkey(key, label)).into(), (&nonce).into());
    cipher.seek(from * 4);
    let mut bytes = vec![0; count * 4];
    cipher.apply_keystream(&mut bytes);
    let word = |four: &[u8]| u32::from_le_bytes([four[0], four[1], four[2], four[3]]);
    bytes.chunks(4).map(word).collect()
}

fn uniform(word: u32, n: usize) -> usize {
    usize::try_from((u64::from(word) * n as u64) >> 32).expect("less than n")
}

/// Brings a list into its keyed order.
fn shuffled<T: Copy>(mut list: Vec<T>, words: &[u32]) -> Vec<T> {
    let mut order = Vec::new();
    for word in words {
        // What Fisher and Yates put in place of the drawn one is the first that is left.
        let drawn = uniform(*word, list.len());
        order.push(list[drawn]);
        list[drawn] = list[0];
        list.remove(0);
    }
    order.extend(list);
    order
}

/// How channels are taken from those that are allowed.
#[derive(Debug, Clone)]
pub enum Take {
    /// All.
    All,
    /// One of each of so many strata, by key.
    Keyed(usize),
    /// The first of each of so many strata.
    Even(usize),
    /// These.
    Listed(Vec<u16>),
}

/// How nets share a raster.
#[derive(Debug, Clone, Copy)]
pub enum Share {
    /// There is one net.
    Alone,
    /// Groups of so many channels, dealt to so many lanes.
    Groups(u16, u16),
    /// So many lanes, each turned by its part of the hopset.
    Spaced(u16),
}

/// The channels of a lane, ascending, and by how many ranks it is turned. `None` if the plan does
/// not work.
#[must_use]
pub fn hopset(
    key: &[u8; 32],
    count: u16,
    allowed: &BTreeSet<u16>,
    take: &Take,
    share: Share,
    lane: u16,
) -> Option<(Vec<u16>, usize)> {
    let mine: Vec<u16> = match share {
        Share::Alone if lane > 0 => return None,
        Share::Groups(_, lanes) | Share::Spaced(lanes) if lane >= lanes => return None,
        Share::Alone | Share::Spaced(_) => allowed.iter().copied().collect(),
        Share::Groups(width, lanes) => {
            let groups = (0..count).step_by(width.into()).zip(0_u16..);
            let of_group = |(first, s): (u16, u16)| {
                let end = count.min(first + width);
                let positions: Vec<u16> = allowed.range(first..end).copied().collect();
                let words = words(key, "hopwright/lane", s.into(), 0, positions.len());
                shuffled(positions, &words).get(usize::from((lane + s) % lanes)).copied()
            };
            let mut mine: Vec<u16> = groups.filter_map(of_group).collect();
            mine.sort_unstable();
            mine
        }
    };
    let drawn_as = if let Share::Spaced(_) = share { 0 } else { lane };
    let stratum = |n: usize, k: usize| k * mine.len() / n..(k + 1) * mine.len() / n;
    let hopset: Vec<u16> = match take {
        Take::All => mine.clone(),
        Take::Keyed(n) | Take::Even(n) if *n == 0 || *n > mine.len() => return None,
        Take::Keyed(n) => {
            let words = words(key, "hopwright/pick", drawn_as.into(), 0, *n);
            let strata = (0..*n).map(|k| &mine[stratum(*n, k)]);
            strata.zip(words).map(|(stratum, word)| stratum[uniform(word, stratum.len())]).collect()
        }
        Take::Even(n) => (0..*n).map(|k| mine[stratum(*n, k).start]).collect(),
        Take::Listed(list) => {
            let set: BTreeSet<u16> = list.iter().copied().collect();
            if set.len() != list.len() || !set.iter().all(|channel| mine.contains(channel)) {
                return None;
            }
            set.into_iter().collect()
        }
    };
    let turned = match share {
        Share::Spaced(lanes) => usize::from(lane) * hopset.len() / usize::from(lanes),
        Share::Alone | Share::Groups(..) => 0,
    };
    (hopset.len() >= 4).then_some((hopset, turned))
}

/// One slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slot {
    /// Whether it is the sync slot of its frame.
    pub sync: bool,
    /// Where.
    pub channel: u16,
    /// The unique word.
    pub word: u32,
}

/// A net's timelines.
#[derive(Debug, Clone)]
pub struct Net {
    /// The net key.
    pub key: [u8; 32],
    /// The channels, ascending.
    pub hopset: Vec<u16>,
    /// By how many ranks the lane is turned.
    pub turned: usize,
    /// Slots of a frame.
    pub frame: usize,
    /// Rendezvous channels.
    pub rendezvous: usize,
    /// Frames of a window.
    pub window: usize,
    /// Whether each cycle has every channel once.
    pub balanced: bool,
    /// Whether traffic keeps off the rendezvous channels.
    pub equal_use: bool,
    /// The lane, and the one whose draw is followed.
    pub lane: u32,
    /// The same for spaced lanes: 0.
    pub draw_lane: u32,
}

impl Net {
    /// Ranks of the rendezvous channels.
    fn meeting(&self) -> Vec<usize> {
        let (n, r) = (self.hopset.len(), self.rendezvous);
        let words = words(&self.key, "hopwright/meet", self.draw_lane, 0, r);
        let strata = (0..r).map(|k| (k * n / r, (k + 1) * n / r));
        strata.zip(words).map(|((lo, hi), word)| lo + uniform(word, hi - lo)).collect()
    }

    /// The channel of a rank.
    fn channel(&self, rank: usize) -> u16 {
        self.hopset[(rank + self.turned) % self.hopset.len()]
    }

    /// The rendezvous channels.
    #[must_use]
    pub fn rendezvous_channels(&self) -> Vec<u16> {
        self.meeting().into_iter().map(|rank| self.channel(rank)).collect()
    }

    /// The ranks of all visits of the window in which visit `index` lies, and its first visit.
    fn visits(&self, turn: u32, index: u64) -> (u64, Vec<usize>) {
        let (r, w) = (self.rendezvous as u64, self.window as u64);
        let places: Vec<usize> = (0..self.rendezvous).collect();
        let beta = shuffled(
            places,
            &words(&self.key, "hopwright/meet", self.draw_lane, r, self.rendezvous),
        );
        let first = index / w * w;
        let from = usize::try_from(first % r).expect("less than r");
        let window = beta[from..from + self.window].to_vec();
        let window =
            shuffled(window, &words(&self.key, "hopwright/turn", turn, first, self.window));
        let meeting = self.meeting();
        (first, window.into_iter().map(|place| meeting[place]).collect())
    }

    /// The ranks that traffic may use.
    fn traffic(&self) -> Vec<usize> {
        let meeting = self.meeting();
        let may = |rank: &usize| !self.equal_use || !meeting.contains(rank);
        (0..self.hopset.len()).filter(may).collect()
    }

    /// The sync word.
    #[must_use]
    pub fn sync_word(&self) -> u32 {
        words(&self.key, "hopwright/word", self.lane | SYNC, 0, 1)[0]
    }

    /// The sync word of single channels.
    #[must_use]
    pub fn single_word(&self) -> u32 {
        words(&self.key, "hopwright/word", self.lane | SYNC, 0, 2)[1]
    }

    /// `count` slots from `from` on; `timeline` is the bit of its streams.
    ///
    /// # Panics
    /// If the plan is none that the core would take.
    #[must_use]
    pub fn slots(&self, timeline: u32, from: u32, count: usize) -> Vec<Slot> {
        let (draw, own) = (self.draw_lane | timeline, self.lane | timeline);
        let m = self.frame as u64;
        let (first, end) = (u64::from(from), u64::from(from) + count as u64);
        let (frame, frames) = (first / m, (end.div_ceil(m) - first / m));
        let frames = usize::try_from(frames).expect("few");
        let when = words(&self.key, "hopwright/when", draw, frame, frames);
        let traffic = self.traffic();
        // All frames from their first slot to their last: where the sync slot stands, and the
        // number of each traffic slot.
        let mut rows = Vec::new();
        for (f, when) in (frame..).zip(when) {
            let sync = uniform(when, self.frame);
            let mut number = f * (m - 1);
            for place in 0..self.frame {
                rows.push(if place == sync { Err(f) } else { Ok(number) });
                number += u64::from(place != sync);
            }
        }
        let numbers: Vec<u64> = rows.iter().filter_map(|row| row.ok()).collect();
        let ranks = self.traffic_ranks(draw, &numbers, &traffic);
        let sync_word = self.sync_word();
        let opening = words(&self.key, "hopwright/word", own, frame * m, rows.len());
        let mut ranks = ranks.into_iter();
        let mut window = (u64::MAX, Vec::new());
        let whole: Vec<Slot> = rows
            .into_iter()
            .zip(opening)
            .map(|(row, word)| match row {
                Ok(_) => {
                    let channel = self.channel(ranks.next().expect("one each"));
                    Slot { sync: false, channel, word }
                }
                Err(f) => {
                    if window.0 != f / self.window as u64 * self.window as u64 {
                        window = self.visits(draw, f);
                    }
                    let entry = usize::try_from(f - window.0).expect("less than w");
                    Slot { sync: true, channel: self.channel(window.1[entry]), word: sync_word }
                }
            })
            .collect();
        let skip = usize::try_from(first % m).expect("less than m");
        whole[skip..skip + count].to_vec()
    }

    /// The ranks of the traffic slots with these numbers, which follow each other.
    fn traffic_ranks(&self, draw: u32, numbers: &[u64], traffic: &[usize]) -> Vec<usize> {
        let (Some(first), Some(last)) = (numbers.first(), numbers.last()) else {
            return Vec::new();
        };
        let size = traffic.len() as u64;
        let (from, end) = if self.balanced {
            (first / size * size, (last / size + 1) * size)
        } else {
            (*first, last + 1)
        };
        let count = usize::try_from(end - from).expect("few");
        let hop = words(&self.key, "hopwright/hop", draw, from, count);
        let all: Vec<usize> = if self.balanced {
            hop.chunks(traffic.len()).flat_map(|words| shuffled(traffic.to_vec(), words)).collect()
        } else {
            hop.iter().map(|word| traffic[uniform(*word, traffic.len())]).collect()
        };
        let index = |n: &u64| usize::try_from(n - from).expect("few");
        numbers.iter().map(|n| all[index(n)]).collect()
    }

    /// `count` slots of a run, in which every slot is a sync slot.
    ///
    /// # Panics
    /// If the plan is none that the core would take.
    #[must_use]
    pub fn run(&self, timeline: u32, from: u32, count: usize) -> Vec<Slot> {
        let word = self.sync_word();
        let turn = self.draw_lane | timeline | RUN;
        let first = u64::from(from);
        let mut window = (u64::MAX, Vec::new());
        (first..first + count as u64)
            .map(|h| {
                if window.0 != h / self.window as u64 * self.window as u64 {
                    window = self.visits(turn, h);
                }
                let entry = usize::try_from(h - window.0).expect("less than w");
                Slot { sync: true, channel: self.channel(window.1[entry]), word }
            })
            .collect()
    }
}
