//! What a station is busy with, with the data of that and of nothing else.

use crate::address::{Address, Target};
use crate::sequence::Timeline;
use crate::units::{Slot, Tick};

/// What a station is busy with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Activity {
    /// It has no time and waits on rendezvous channels.
    Search(Search),
    /// It has heard one header and waits for a second opinion.
    Verify(Verify),
    /// It has time and the net is silent: idle watch.
    Watch(Watch),
    /// It listens to an over or a run, slot by slot.
    Follow(Follow),
    /// It speaks, after a run if one is due.
    Speak(Speak),
    /// It announces.
    Announce(Announce),
    /// It waits on the calling channel, in a single-channel mode.
    Single,
}

/// Waiting without time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Search {
    /// Where, since when and until when; `None` before the first poll.
    pub(super) parked: Option<Parked>,
    /// The number of the next choice of a channel.
    pub(super) choice: u64,
    /// Stays broken off in a row because of energy.
    pub(super) hasty: u8,
}

/// A stay on one rendezvous channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Parked {
    /// Ascending rank of the channel in the rendezvous set.
    pub(super) rank: u32,
    pub(super) since: Tick,
    pub(super) until: Tick,
    /// Energy without a unique word was met: more of it before then follows directly, and ends the stay.
    pub(super) disturbed_until: Tick,
}

/// Idle watch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Watch {
    /// Whether the silence has lasted so long that slots can no longer be met one by one.
    pub(super) coasting: bool,
}

/// Waiting for a second opinion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Verify {
    /// The last slot that something was heard in: what is heard in it once more counts for nothing.
    pub(super) last: Slot,
    /// When to give up.
    pub(super) until: Slot,
    /// Traffic words met in their places.
    pub(super) words: u8,
    /// The end of the run that the header belonged to.
    pub(super) run_end: Option<Slot>,
    pub(super) basis: Basis,
}

/// What a station that waits for a second opinion goes by, and so what it falls back to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Basis {
    /// A first header. Without a second opinion it searches on.
    Header,
    /// A unique word that met a coasting station, which authenticates nothing: only a header
    /// confirms it, and without one the station coasts on.
    Word,
    /// A header from ahead of the station's own time: a later timeline of the net, which wins.
    /// Without a second opinion the station keeps the time that it had.
    Later,
}

/// Listening slot by slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Follow {
    /// Whose time this goes by.
    pub(super) timeline: Timeline,
    /// On the cut-in timeline: whether there is home time to return to.
    pub(super) resume: bool,
    /// Who speaks to whom, once a header has told.
    pub(super) call: Option<Call>,
    /// The last slot in which the speaker was heard.
    pub(super) last: Slot,
    /// The end of the run that is being followed.
    pub(super) run_end: Option<Slot>,
}

/// Who speaks to whom.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Call {
    pub(super) source: Address,
    pub(super) target: Target,
    /// Whether the over carries the order of a change of keys.
    pub(super) order: bool,
}

/// Speaking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Speak {
    /// Whose time this goes by.
    pub(super) timeline: Timeline,
    pub(super) target: Target,
    /// Whether the over carries the order of a change of keys.
    pub(super) order: bool,
    /// The first slot sent.
    pub(super) first: Slot,
    /// The first call header: behind the run of a cut-in or a lead-in, if there is one.
    pub(super) call: Slot,
    /// The first slot after the call headers.
    pub(super) talk: Slot,
    /// Whether the operator has been told to go ahead.
    pub(super) told: bool,
    /// The first closing header, once the end has been asked for.
    pub(super) closing: Option<Slot>,
}

/// Announcing: slots `first..end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Announce {
    pub(super) first: Slot,
    pub(super) end: Slot,
}

impl Activity {
    /// A search that has not begun.
    pub(super) const fn search() -> Self {
        Self::search_by(0)
    }

    /// The same, by choices from that number on.
    pub(super) const fn search_by(choice: u64) -> Self {
        Self::Search(Search { parked: None, choice, hasty: 0 })
    }

    /// An idle watch with a good grip on time.
    pub(super) const fn watch() -> Self {
        Self::Watch(Watch { coasting: false })
    }

    /// Whether the station has confirmed net time, home time that is.
    pub(super) const fn in_step(&self) -> bool {
        match self {
            // (Of a station in a single-channel mode its own field tells.)
            Self::Search(_) | Self::Verify(_) | Self::Single => false,
            Self::Follow(Follow {
                timeline: Timeline::CutIn | Timeline::Single, resume, ..
            }) => *resume,
            Self::Speak(Speak { timeline: Timeline::CutIn | Timeline::Single, .. }) => false,
            Self::Watch(_) | Self::Follow(_) | Self::Speak(_) | Self::Announce(_) => true,
        }
    }

    /// The end of the run that is listened to, if one is.
    pub(super) const fn run_end(&self) -> Option<Slot> {
        match self {
            Self::Verify(Verify { run_end, .. }) | Self::Follow(Follow { run_end, .. }) => *run_end,
            Self::Search(_)
            | Self::Watch(_)
            | Self::Speak(_)
            | Self::Announce(_)
            | Self::Single => None,
        }
    }

    /// The over that is followed, once a header has told.
    pub(super) const fn call(&self) -> Option<Call> {
        match self {
            Self::Follow(Follow { call, .. }) => *call,
            Self::Search(_)
            | Self::Verify(_)
            | Self::Watch(_)
            | Self::Speak(_)
            | Self::Announce(_)
            | Self::Single => None,
        }
    }

    /// Whose time the activity goes by.
    #[inline(never)]
    pub(super) const fn timeline(&self) -> Timeline {
        match self {
            Self::Follow(Follow { timeline, .. }) | Self::Speak(Speak { timeline, .. }) => {
                *timeline
            }
            Self::Search(_) | Self::Verify(_) | Self::Watch(_) | Self::Announce(_) => {
                Timeline::Home
            }
            Self::Single => Timeline::Single,
        }
    }
}
