//! The receiver's side.

use super::assembly::{Assembly, Step};
use super::fragment::Fragment;
use super::{Layout, Origin};
use crate::keys::Subkey;

/// What became of a payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
#[non_exhaustive]
pub enum Taken {
    /// A column that was missing.
    Stored,
    /// A column that was there already, byte for byte; or one that comes while it is being used.
    Repeated,
    /// A column that differs from the one that was there. Nobody can tell which is right: both
    /// count as lost.
    Conflicting,
    /// A column of a message that is complete, or older than the source's present one by no more than 65 535
    /// slots.
    Old,
    /// No fragment of a message, or a damaged one.
    Unreadable,
    /// A fragment of a message that this inbox has no room for.
    TooLong,
}

/// A message that has arrived whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message<'a> {
    /// Who sent it, on which stream, and its first slot.
    pub origin: Origin,
    /// The text.
    pub text: &'a [u8],
}

/// What a step of work came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[must_use]
pub enum Progress<'a> {
    /// Nothing to do before another payload comes.
    Waiting,
    /// There is more to do; call again.
    Working,
    /// A message. It is told once, and wiped with the next call.
    Ready(Message<'a>),
}

/// Messages on their way in, from up to `SOURCES` sources at a time, each with `N` bytes:
/// [`Layout::inbox_bytes`] for the longest text expected.
///
/// [`take`](Self::take) stores a payload at once; [`work`](Self::work) does the arithmetic, a
/// piece a call, whenever there is time (up to 166 000 instructions: `docs/measurements.md`). A source has one message: one that begins in a later slot,
/// or on another timeline, or so much earlier that it is another session's, replaces it. So what is played again
/// of a session without net time may be told again: a text is told at least once. A source without a place takes that of a finished message,
/// else of the one that has been quiet longest.
#[derive(Debug)]
pub struct Inbox<const N: usize, const SOURCES: usize = 2> {
    layout: Layout,
    /// Counts payloads, to tell which assembly has been quiet longest.
    clock: u32,
    abandoned: u32,
    assemblies: [Assembly<N>; SOURCES],
}

impl<const N: usize, const SOURCES: usize> Inbox<N, SOURCES> {
    /// An empty inbox.
    #[must_use]
    pub fn new(layout: Layout) -> Self {
        let assemblies = core::array::from_fn(|_| Assembly::none());
        Self { layout, clock: 0, abandoned: 0, assemblies }
    }

    /// The bytes of the longest text that the layout allows and the inbox holds. What is longer is not
    /// received: a net's outboxes take no more than its inboxes.
    #[must_use]
    pub fn longest(&self) -> u16 {
        self.layout.longest_in(N.checked_div(self.layout.code().n().into()).unwrap_or_default())
    }

    /// Messages given up unfinished because another took their place.
    #[must_use]
    pub const fn abandoned(&self) -> u32 {
        self.abandoned
    }

    /// Takes the payload of a traffic slot. `key` opens the messages of this call.
    ///
    /// A step for each row and the check of a fragment; at a message's first column its place is wiped, `N` bytes.
    pub fn take(&mut self, key: &Subkey, origin: Origin, payload: &[u8]) -> Taken {
        let Some(fragment) = Fragment::read(&self.layout, origin, payload) else {
            return Taken::Unreadable;
        };
        let bytes = fragment.shape.words().wrapping_mul(usize::from(self.layout.code().n()));
        if bytes > N {
            return Taken::TooLong;
        }
        let first = Origin { slot: fragment.first, ..origin };
        let of_source = |a: &&mut Assembly<N>| a.source() == Some(origin.source);
        let place = match self.assemblies.iter_mut().find(of_source) {
            Some(place) => place,
            None => {
                let quietest = self.assemblies.iter_mut().min_by_key(|a| a.worth());
                let Some(place) = quietest else { return Taken::TooLong };
                place
            }
        };
        self.clock = self.clock.saturating_add(1);
        if place.is_before(first) {
            self.abandoned = self.abandoned.saturating_add(u32::from(place.unfinished()));
            place.begin(key, first, &fragment);
        }
        place.store(&self.layout, self.clock, first, &fragment)
    }

    /// Whether these bytes lie anywhere in it.
    #[cfg(test)]
    pub(super) fn holds(&self, text: &[u8]) -> bool {
        self.assemblies.iter().any(|assembly| assembly.holds(text))
    }

    /// Does one piece of work: decodes one row, or opens a message all of whose rows are decoded.
    ///
    /// Each row is decoded once before the tag is compared and once after. If the tag does not
    /// fit, or a row cannot be restored, the message waits for further columns.
    pub fn work(&mut self) -> Progress<'_> {
        self.assemblies.iter_mut().for_each(Assembly::wipe_delivered);
        let mut steps = self.assemblies.iter_mut().map(|a| (a.step(&self.layout), a));
        match steps.find(|(step, _)| *step != Step::Nothing) {
            None | Some((Step::Nothing, _)) => Progress::Waiting,
            Some((Step::More, _)) => Progress::Working,
            Some((Step::Ready, assembly)) => {
                assembly.message().map_or(Progress::Working, Progress::Ready)
            }
        }
    }
}
