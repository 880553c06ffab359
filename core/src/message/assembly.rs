//! One message in the making.
//!
//! Columns are kept as they came, one row after another, so that a code word lies in one piece.
//! First every row is decoded in a copy, and the tag worked out from the copies: a wrong guess
//! costs nothing, and columns that come later are still of use. Only when the tag fits are the
//! rows decoded again, moved together, and decrypted where they lie.

use super::fragment::{Fragment, REACH};
use super::inbox::{Message, Taken};
use super::{Layout, MAX_BLOCKS, Origin, Shape};
use crate::address::Address;
use crate::coding::reed_solomon::{MAX_WORD, Positions};
use crate::keys::{Subkey, put};
use crate::seal::{Mac, TAG_BYTES, Tag};
use core::fmt;
use zeroize::Zeroize;

/// Columns of each block.
type Columns = [Positions; MAX_BLOCKS as usize];

/// One message in the making.
pub(super) struct Assembly<const N: usize> {
    about: Option<About>,
    /// Columns that have come.
    have: Columns,
    /// Those of them that are in use.
    used: Columns,
    /// Whether any has come or gone since they were last put to use.
    changed: bool,
    phase: Phase,
    /// When it last heard of its source.
    touched: u32,
    bytes: [u8; N],
}

/// Which message it is.
#[derive(Debug)]
struct About {
    key: Subkey,
    first: Origin,
    length: u16,
    shape: Shape,
}

/// How far it has got.
#[derive(Debug)]
#[expect(clippy::large_enum_variant, reason = "there is nowhere to put a box, and one a source")]
enum Phase {
    /// Columns are missing, or others than those that were tried.
    Collecting,
    /// Rows are decoded in a copy, for the tag.
    Verifying { row: usize, mac: Mac, tag: Tag },
    /// The tag fits; rows are decoded and moved together.
    Joining { row: usize },
    /// The text has been delivered.
    Delivered,
    /// And wiped.
    Wiped,
}

/// What a step came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    Nothing,
    More,
    Ready,
}

impl<const N: usize> Assembly<N> {
    /// Nothing yet. (Not a constant: a constant would lie in the image with all its zeros.)
    pub(super) fn none() -> Self {
        Self {
            about: None,
            have: [Positions::NONE; MAX_BLOCKS as usize],
            used: [Positions::NONE; MAX_BLOCKS as usize],
            changed: false,
            phase: Phase::Wiped,
            touched: 0,
            bytes: [0; N],
        }
    }

    pub(super) fn source(&self) -> Option<Address> {
        self.about.as_ref().map(|about| about.first.source)
    }

    /// Whether columns would be lost with it.
    #[inline(never)]
    pub(super) const fn unfinished(&self) -> bool {
        !matches!(self.phase, Phase::Delivered | Phase::Wiped)
    }

    /// What is given up last is worth most.
    pub(super) const fn worth(&self) -> (bool, u32) {
        (self.unfinished(), self.touched)
    }

    /// Whether `first` begins another message that takes this one's place: a later one, or one so much
    /// earlier that no fragment on the way of this timeline can name it. Then the source has begun a
    /// timeline anew, as it does on a provisional one after a restart.
    pub(super) fn is_before(&self, first: Origin) -> bool {
        self.about.as_ref().is_none_or(|about| {
            let own = about.first;
            let ahead = first.slot.after(own.slot);
            own.source != first.source
                || own.stream != first.stream
                || !(-REACH..=0).contains(&ahead)
        })
    }

    /// Starts anew.
    pub(super) fn begin(&mut self, key: &Subkey, first: Origin, fragment: &Fragment<'_>) {
        let Fragment { length, shape, .. } = *fragment;
        self.about = Some(About { key: key.clone(), first, length, shape });
        self.have = [Positions::NONE; MAX_BLOCKS as usize];
        self.used = [Positions::NONE; MAX_BLOCKS as usize];
        self.changed = false;
        self.phase = Phase::Collecting;
        self.bytes.zeroize();
    }

    /// Stores a column.
    pub(super) fn store(
        &mut self,
        layout: &Layout,
        now: u32,
        first: Origin,
        fragment: &Fragment<'_>,
    ) -> Taken {
        let Some(about) = &self.about else { return Taken::Unreadable };
        if about.first != first {
            return Taken::Old;
        }
        if about.length != fragment.length {
            return Taken::Unreadable;
        }
        self.touched = now;
        let verifying = match self.phase {
            Phase::Collecting => false,
            Phase::Verifying { .. } => true,
            Phase::Joining { .. } | Phase::Delivered | Phase::Wiped => return Taken::Old,
        };
        let n = usize::from(layout.code().n());
        let block = usize::from(fragment.block);
        let rows = usize::from(about.shape.rows);
        let from = block.wrapping_mul(rows).wrapping_mul(n).wrapping_add(fragment.column.into());
        let places = self.bytes.iter_mut().skip(from).step_by(n.max(1)).zip(fragment.symbols);
        let (Some(have), Some(used)) = (self.have.get_mut(block), self.used.get(block)) else {
            return Taken::Unreadable;
        };
        if have.contains(fragment.column) {
            let mut places = places;
            if places.all(|(place, symbol)| *place == *symbol) {
                return Taken::Repeated;
            }
            have.remove(fragment.column);
            self.changed = true;
            return Taken::Conflicting;
        }
        if verifying && used.contains(fragment.column) {
            // It lies where a row may be decoded from any moment.
            return Taken::Repeated;
        }
        for (place, symbol) in places {
            *place = *symbol;
        }
        have.insert(fragment.column);
        self.changed = true;
        Taken::Stored
    }

    /// Wipes what has been delivered.
    pub(super) fn wipe_delivered(&mut self) {
        if matches!(self.phase, Phase::Delivered) {
            self.bytes.zeroize();
            self.phase = Phase::Wiped;
        }
    }

    /// Does one piece of work.
    #[inline(never)]
    pub(super) fn step(&mut self, layout: &Layout) -> Step {
        let Some(about) = &self.about else { return Step::Nothing };
        let words = about.shape.words();
        match &mut self.phase {
            Phase::Delivered | Phase::Wiped => Step::Nothing,
            Phase::Collecting => {
                let blocks = self.have.iter().take(about.shape.blocks.into());
                let enough = |columns: &Positions| columns.len() >= u32::from(layout.code().k());
                if !self.changed || !blocks.into_iter().all(enough) {
                    return Step::Nothing;
                }
                self.changed = false;
                self.used = self.have;
                let mac = Mac::new(&about.key, &about.first.nonce(), &[]);
                self.phase = Phase::Verifying { row: 0, mac, tag: Tag::default() };
                Step::More
            }
            Phase::Verifying { row, mac, tag } if *row < words => {
                let decoded =
                    decode(layout, about, (&self.have, &self.used), &mut self.bytes, *row, false);
                if let Some((word, k)) = decoded {
                    let data = word.get(..k).unwrap_or_default();
                    let from = row.wrapping_mul(k);
                    take_apart(data, from, about.length.into(), mac, tag);
                    *row = row.wrapping_add(1);
                } else {
                    self.phase = Phase::Collecting;
                }
                Step::More
            }
            phase @ Phase::Verifying { .. } => {
                let before = core::mem::replace(phase, Phase::Collecting);
                if let Phase::Verifying { mac, tag, .. } = before
                    && mac.fits(&tag)
                {
                    *phase = Phase::Joining { row: 0 };
                }
                Step::More
            }
            Phase::Joining { row } if *row < words => {
                let decoded =
                    decode(layout, about, (&self.have, &self.used), &mut self.bytes, *row, true);
                if let Some((word, k)) = decoded {
                    // A row moves to or before its own place, and never onto one to come: k < n.
                    put(&mut self.bytes, row.wrapping_mul(k), word.get(..k).unwrap_or_default());
                }
                *row = row.wrapping_add(1);
                Step::More
            }
            Phase::Joining { .. } => {
                self.phase = Phase::Delivered;
                let length = usize::from(about.length);
                let parts = self.bytes.split_at_mut_checked(length);
                let Some((text, rest)) = parts else { return Step::Nothing };
                let Some(tag) = rest.first_chunk::<TAG_BYTES>() else { return Step::Nothing };
                // Once more, over what is delivered: what the rows looked like before proves
                // nothing about what has become of them since.
                match about.key.open(&about.first.nonce(), &[], text, tag) {
                    Ok(()) => Step::Ready,
                    Err(_) => Step::More,
                }
            }
        }
    }

    /// Whether these bytes lie anywhere in it.
    #[cfg(test)]
    pub(super) fn holds(&self, text: &[u8]) -> bool {
        self.bytes.windows(text.len()).any(|window| window == text)
    }

    /// The message, when a step has said that it is ready.
    pub(super) fn message(&self) -> Option<Message<'_>> {
        let about = self.about.as_ref()?;
        let text = self.bytes.get(..usize::from(about.length))?;
        Some(Message { origin: about.first, text })
    }
}

/// Without what has been said.
impl<const N: usize> fmt::Debug for Assembly<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { about, have, phase, .. } = self;
        let mut shown = f.debug_struct("Assembly");
        shown.field("about", about).field("have", have).field("phase", phase);
        shown.finish_non_exhaustive()
    }
}

impl<const N: usize> Drop for Assembly<N> {
    fn drop(&mut self) {
        self.bytes.zeroize();
    }
}

/// Decodes a row in a copy; gives it and the number of its data symbols.
///
/// What was missing is written back where nothing has come, so that the row is as a rule found to
/// be a code word when it is looked at `again`. (A code word that has all the symbols in use, `k` or
/// more, is the only one.)
fn decode(
    layout: &Layout,
    about: &About,
    (have, used): (&Columns, &Columns),
    bytes: &mut [u8],
    row: usize,
    again: bool,
) -> Option<([u8; MAX_WORD], usize)> {
    let code = layout.code();
    let n = usize::from(code.n());
    let block = row.checked_div(about.shape.rows.into())?;
    let (have, used) = (have.get(block)?, used.get(block)?);
    let missing = used.missing(code.n());
    let from = row.wrapping_mul(n);
    let kept = bytes.get_mut(from..from.wrapping_add(n))?;
    let mut copy = [0; MAX_WORD];
    let word = copy.get_mut(..n)?;
    word.copy_from_slice(kept);
    if !(again && code.holds(word)) {
        code.decode(word, &missing).ok()?;
        for ((kept, symbol), position) in kept.iter_mut().zip(word).zip(0_u8..) {
            if missing.contains(position) && !have.contains(position) {
                *kept = *symbol;
            }
        }
    }
    Some((copy, code.k().into()))
}

/// Sorts the data of a row, which begin at byte `from` of the sealed message, into cipher text,
/// tag and the zeros behind.
fn take_apart(data: &[u8], from: usize, length: usize, mac: &mut Mac, tag: &mut Tag) {
    let (text, rest) = data.split_at_checked(length.saturating_sub(from)).unwrap_or((data, &[]));
    mac.absorb(text);
    let at = from.saturating_sub(length);
    put(tag, at, rest);
}
