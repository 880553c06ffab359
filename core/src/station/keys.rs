//! Keys of calls, and changes of the net key (specification section 10).
//!
//! ```text
//!             take_order                    its slot                  a newer order
//!  Unchanged ────────────► Ordered ──────────────────────► Followed ────────────────► Ordered
//!                                     KeysChanged            │  ▲
//!                          Command::Order: the floor under   ▼  │  the former key,
//!                          for those who have missed it     visit
//! ```

use super::activity::{Activity, Basis, Verify};
use super::{Event, Mode, Payload, Refused, Station};
use crate::acquire::Interferers;
use crate::address::{Address, Target};
use crate::header::{self, HeaderKeys};
use crate::keys::{Label, NetKey, Subkey};
use crate::message::Origin;
use crate::sequence::Timeline;
use crate::tree::{Rekey, Share};
use crate::units::{Slot, Tick};

/// Where a station is in a change of the net key.
#[derive(Debug, Default)]
#[cfg_attr(feature = "_model", derive(Clone))]
pub(super) enum Change {
    /// None has been ordered in this session.
    #[default]
    None,
    /// It has the order, and waits for its slot.
    Ordered(Rekey),
    /// It has followed the order. Those who have missed it use this key.
    Followed {
        former: NetKey,
        slot: Slot,
        /// Whether there was room for the event.
        told: bool,
    },
}

/// What is left to be done before another key is in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Adopting {
    /// Everything: the sequence first.
    Sequence,
    /// The reader of the sequence, and the keys of headers and calls.
    Keys,
    /// Nothing.
    Done,
}

/// The key of a call, once it has been worked out.
#[derive(Debug)]
#[cfg_attr(feature = "_model", derive(Clone))]
pub(super) struct CallKey {
    source: Address,
    target: Target,
    key: Subkey,
}

/// What the keys of calls are drawn from: with a share of the tree its subkey; without one, or in
/// the clear, one key serves all.
pub(super) fn call_root(key: &NetKey, by_keys: bool) -> Subkey {
    key.subkey(if by_keys { Label::Tree } else { Label::Data })
}

impl<const N: usize> Station<N> {
    /// The net key, and the share of the key tree if there is one: for the storage, after
    /// [`Event::KeysChanged`].
    #[must_use]
    pub const fn keys(&self) -> (&NetKey, Option<&Share>) {
        (&self.key, self.share.as_ref())
    }

    /// Whether what the station sends now is under its net key, and not in the clear or, for those
    /// who have missed a change, under the one before.
    #[must_use]
    pub const fn uses_net_key(&self) -> bool {
        self.sealed() && !self.visiting
    }

    /// Takes the order of a change of the net key, as the planner made it. A station whose slot
    /// has come already, because it has missed the change, goes over with the next `poll`, if it knows that: by
    /// confirmed time, by its bound or by its watermark. One that was switched off across the slot may not; it
    /// goes over when a sending under the former key has given it time.
    ///
    /// `Ok` means the same as [`Event::Ordered`], which is told once, if there is room for it.
    ///
    /// The longest of all calls: not in a slot that matters. The work of [`Rekey::open`], which depends on the order's length and generation alone.
    ///
    /// # Errors
    /// [`Refused::NotForUs`] if it does not open with this station's share, under the present net
    /// key, and nobody can tell why; [`Refused::Full`] while the event of the change before waits
    /// for room, for its keys must be stored first. Nothing has changed then.
    pub fn take_order(&mut self, now: Tick, order: &[u8]) -> Result<(), Refused> {
        self.first_asked(now);
        // A key that is being gone over to is that of the order before: it is so wholly, or not at all.
        self.adopt_whole();
        if !self.tell_keys_changed() {
            return Err(Refused::Full);
        }
        let share = self.share.as_ref().ok_or(Refused::NotForUs)?;
        let tree = self.key.subkey(Label::Tree);
        let rekey = Rekey::open(share, &tree, self.address, order).ok_or(Refused::NotForUs)?;
        // The share takes note of it when the key changes: until then the two belong together.
        if let Change::Ordered(waiting) = &self.change
            && rekey.generation() <= waiting.generation()
        {
            return Err(Refused::NotForUs);
        }
        let slot = rekey.slot();
        self.change = Change::Ordered(rekey);
        // The action under way must not last beyond the slot.
        self.ask_anew();
        self.report(Event::Ordered { slot });
        Ok(())
    }

    /// The key with which a message of the call is sealed: of one that is heard
    /// ([`Payload`]), or with the own address as `source`, of the own over. `None` if the station
    /// has no part in such a call. At most twelve permutations; one when the call is under way.
    #[must_use]
    pub fn message_key(&mut self, source: Address, target: Target) -> Option<Subkey> {
        self.call_key(source, target).map(|key| key.subkey(Label::Text))
    }

    /// Where a payload was on the air, for an [`Inbox`](crate::message::Inbox).
    #[must_use]
    pub const fn origin(&self, payload: &Payload) -> Origin {
        let stream = header::stream(self.sequence.lane(), payload.timeline);
        Origin { source: payload.source, stream, slot: payload.slot }
    }

    /// What a message of the own over is sealed for, if it begins in `slot`, which
    /// [`Event::GoAhead`] names: for an [`Outbox`](crate::message::Outbox). The timeline is that of
    /// the over under way; without one this names a slot that the over has not.
    #[must_use]
    pub const fn own_origin(&self, slot: Slot) -> Origin {
        let stream = header::stream(self.sequence.lane(), self.activity.timeline());
        Origin { source: self.address, stream, slot }
    }

    /// Whether what is said is enciphered.
    #[inline(never)]
    pub(super) const fn sealed(&self) -> bool {
        !matches!(self.mode, Mode::SinglePlain)
    }

    /// Whether the station can say something to `target`.
    pub(super) fn reaches(&self, target: Target) -> bool {
        let share = self.share.as_ref().filter(|_| self.sealed());
        share.is_none_or(|share| share.reaches(self.address, target))
    }

    /// The key of what `source` says to `target`; worked out once for each call.
    pub(super) fn call_key(&mut self, source: Address, target: Target) -> Option<&Subkey> {
        self.adopt_whole();
        let sealed = self.sealed();
        let [own, others] = &mut self.call_keys;
        let place = if source == self.address { own } else { others };
        let known = place.take_if(|call| (call.source, call.target) == (source, target));
        let call = match (known, &self.share) {
            (Some(call), _) => call,
            (None, Some(share)) if sealed => {
                let key = share.traffic_key(&self.call_root, self.address, source, target)?;
                CallKey { source, target, key }
            }
            (None, Some(_) | None) => CallKey { source, target, key: self.call_root.clone() },
        };
        Some(&place.insert(call).key)
    }

    /// The key of what the station itself says to `target`, and the bits that are to go out.
    pub(super) fn own_call_key(&mut self, target: Target) -> (Option<&Subkey>, &mut [u8]) {
        let known = self.call_key(self.address, target).is_some();
        let [own, _] = &self.call_keys;
        (own.as_ref().filter(|_| known).map(|call| &call.key), &mut self.burst)
    }

    /// Another key comes into use for everything that is on the air from now on. The work is done
    /// piece by piece, in the polls that follow; whatever else is asked waits for all of it.
    pub(super) const fn adopt(&mut self) {
        self.adopting = Adopting::Sequence;
        self.current = None;
    }

    /// Does one piece of that, if there is one left.
    pub(super) fn adopt_step(&mut self) -> bool {
        let left = self.adopting != Adopting::Done;
        if left {
            self.adopt_piece();
        }
        left
    }

    #[inline(never)]
    fn adopt_piece(&mut self) {
        let key = match &self.change {
            _ if !self.sealed() => NetKey::of_the_clear(),
            Change::Followed { former, .. } if self.visiting => former.copy(),
            Change::None | Change::Ordered(_) | Change::Followed { .. } => self.key.copy(),
        };
        self.adopting = match self.adopting {
            Adopting::Sequence => {
                self.sequence.rekey(&key);
                Adopting::Keys
            }
            Adopting::Keys | Adopting::Done => {
                self.read_anew(self.cursor_timeline);
                // Ranks were those of another rendezvous set.
                self.interferers = Interferers::default();
                self.header_keys = HeaderKeys::new(&key);
                self.call_root = call_root(&key, self.share.is_some() && self.sealed());
                self.call_keys = [None, None];
                Adopting::Done
            }
        };
    }

    /// Does all that is left of it.
    #[inline(never)]
    pub(super) fn adopt_whole(&mut self) {
        while self.adopt_step() {}
    }

    /// Goes over to the former key, for an over to those who have missed the change.
    pub(super) const fn visit_former(&mut self) -> bool {
        let followed = matches!(self.change, Change::Followed { .. });
        if followed {
            self.visiting = true;
            self.adopt();
        }
        followed
    }

    /// Whether there is an order to send.
    pub(super) const fn has_order(&self) -> bool {
        matches!(self.change, Change::Ordered(_) | Change::Followed { .. })
    }

    /// Goes over to the ordered key when its slot has come for certain: by the clock of a station
    /// in step, by the bound or the storage of another.
    pub(super) fn change_keys_when_due(&mut self, now: Tick) {
        match &self.change {
            Change::None => {}
            Change::Followed { .. } => {
                let _ = self.tell_keys_changed();
            }
            Change::Ordered(rekey) => {
                let slot = rekey.slot();
                let start = self.timing.start_of(slot);
                // A header that nothing has confirmed changes no keys.
                let (clock, certain) = match self.activity {
                    Activity::Verify(Verify { basis, .. }) => (&self.guest, basis != Basis::Header),
                    Activity::Search(_)
                    | Activity::Watch(_)
                    | Activity::Follow(_)
                    | Activity::Speak(_)
                    | Activity::Announce(_)
                    | Activity::Single => (&self.clock, self.in_step()),
                };
                let time = clock
                    .as_ref()
                    .map(|clock| if certain { clock.net_us(now) } else { clock.bound(now).0 });
                let stored = self.floor.is_some_and(|floor| floor >= slot);
                // A cut-in of our own knows no time, and ends soon.
                if (stored || time.is_some_and(|time| time >= start)) && !self.cuts_in() {
                    self.change_keys(now, slot);
                }
            }
        }
    }

    /// Tells of the last change, if there was no room for that before; `false` if there still is none.
    fn tell_keys_changed(&mut self) -> bool {
        let Change::Followed { slot, told: false, .. } = self.change else { return true };
        let queued = self.report(Event::KeysChanged { slot });
        if let Change::Followed { told, .. } = &mut self.change {
            *told = queued;
        }
        queued
    }

    fn change_keys(&mut self, now: Tick, slot: Slot) {
        if self.activity.timeline() == Timeline::CutIn {
            // Whoever cuts in now is not one of those who go over.
            self.end_over(Timeline::CutIn, slot, now);
        }
        let Change::Ordered(rekey) = core::mem::take(&mut self.change) else { return };
        if let Some(share) = &mut self.share {
            share.accept(&rekey);
        }
        let former = core::mem::replace(&mut self.key, rekey.key().copy());
        let told = self.report(Event::KeysChanged { slot });
        self.change = Change::Followed { former, slot, told };
        // There is none under the new key's name yet.
        self.saved = false;
        self.visiting = false;
        self.adopt();
        if let Activity::Search(_) = self.activity {
            self.enter(Activity::search());
        }
    }

    /// When the ordered key comes into use, by the clock of a station in step.
    pub(super) fn change_at(&self) -> Option<Tick> {
        let Change::Ordered(rekey) = &self.change else { return None };
        let clock = self.clock.as_ref().filter(|_| self.in_step())?;
        Some(clock.start_of(&self.timing, rekey.slot()))
    }
}
