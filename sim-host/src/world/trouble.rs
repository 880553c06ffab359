//! What goes wrong on purpose: losses, copies, power cycles, clocks, stations out of range.

use super::chance::{mix, unit};
use super::watch::{Rule, Watch};
use super::{CAPACITY, Due, Oscillator, Transmission, World, child_seed};
use hopwright_core::clock::Grip;
use hopwright_core::sequence::Timeline;
use hopwright_core::station::{Action, Heard, Mode, Radio, Reception, Station, Watermark};
use hopwright_core::units::{Channel, Micros};

/// What goes wrong besides interference, each with its probability for one reception.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Faults {
    /// A word that was recognised is lost all the same.
    pub loss: f64,
    /// A reception is handed to the station twice.
    pub duplicates: f64,
    /// A transmission that opens with the sync word is recorded and played again on its channel,
    /// a slot to ten minutes later.
    pub replays: f64,
}

/// Troubles under way.
#[derive(Debug, Default)]
pub(super) struct Trouble {
    faults: Faults,
    /// A share of receptions that is lost, and until when.
    burst: (f64, u64),
    /// The group of each station, and until when groups are out of each other's range.
    groups: Vec<u8>,
    parted_until: u64,
    /// Stations without power: all, until they are switched on.
    off: Vec<bool>,
    /// Transmissions that somebody has recorded; played once each.
    recorded: Vec<Option<Recorded>>,
}

/// A transmission that somebody has recorded.
#[derive(Debug, Clone)]
struct Recorded {
    channel: Channel,
    word: u32,
    bits: Vec<u8>,
    start: u64,
}

impl Trouble {
    pub(super) fn new(stations: usize) -> Self {
        Self { groups: vec![0; stations], off: vec![true; stations], ..Self::default() }
    }
}

impl World {
    /// From now on these things go wrong.
    pub fn set_faults(&mut self, faults: Faults) {
        self.trouble.faults = faults;
    }

    /// Until true time `until`, this share of all receptions is lost.
    pub fn lose(&mut self, share: f64, until: u64) {
        self.trouble.burst = (share, until);
    }

    /// Until true time `until`, stations hear only those of their own group. `group` tells each
    /// station's.
    pub fn part(&mut self, group: impl FnMut(usize) -> u8, until: u64) {
        self.trouble.groups = (0..self.nodes.len()).map(group).collect();
        self.trouble.parted_until = until;
    }

    /// Whether some stations are out of the range of others.
    #[must_use]
    pub const fn parted(&self) -> bool {
        self.now < self.trouble.parted_until
    }

    /// Whether `to` is within the range of `from`.
    pub(super) fn in_range(&self, from: usize, to: usize) -> bool {
        !self.parted() || self.trouble.groups[from] == self.trouble.groups[to]
    }

    /// Whether a station has not been switched on yet, has lost its power, or has been switched off.
    #[must_use]
    pub fn is_off(&self, node: usize) -> bool {
        self.trouble.off[node]
    }

    /// What a station's storage would tell it now if its power came back.
    #[must_use]
    pub fn storage(&self, node: usize) -> Watermark {
        self.watches[node].storage
    }

    /// A station has power from now on.
    pub(super) fn power_on(&mut self, node: usize) {
        self.trouble.off[node] = false;
    }

    /// The power of a station fails: it neither hears nor sends until it is restarted.
    pub fn switch_off(&mut self, node: usize) {
        self.wake_all();
        self.untune(node);
        self.trouble.off[node] = true;
        self.nodes[node].action = None;
        self.nodes[node].end_recording();
        // Caught up on silence a station may have gone to rest again; nobody shall wake it.
        self.nodes[node].dormant_since = None;
        self.nodes[node].talking = false;
        self.nodes[node].poll_token = self.nodes[node].poll_token.wrapping_add(1);
        self.cut_over(node);
        self.talk[node] = None;
        self.forget_letters(node);
        let _ = self.speech.take(node);
        self.relay_lost_power(node);
        // What was due and has not begun never begins.
        let now = self.now;
        for index in std::mem::take(&mut self.on_air) {
            let not_begun = |t: &Transmission| t.node == node && t.start > now;
            if self.transmissions[index].as_ref().is_some_and(not_begun) {
                self.transmissions[index] = None;
            } else {
                self.on_air.push(index);
            }
        }
    }

    /// A power cycle of a set with new storage: the station is what has just been built, and knows
    /// nothing but that.
    pub fn restart(&mut self, node: usize, station: Station<CAPACITY>) {
        self.restart_from(node, station, Watermark::Fresh);
    }

    /// A power cycle: the station is what has just been built with `storage`, and knows nothing
    /// but that.
    pub fn restart_from(&mut self, node: usize, station: Station<CAPACITY>, storage: Watermark) {
        self.switch_off(node);
        self.power_on(node);
        if self.nodes[node].station.mode() != Mode::Hopping {
            self.trace.modes.push((self.now, node, Mode::Hopping));
        }
        *self.nodes[node].station = station;
        self.watches[node] = Watch::new(storage);
        self.poll(node);
    }

    /// A station's oscillator changes its rate to `ppb`, and its clock steps ahead by `step_us`.
    pub fn set_clock(&mut self, node: usize, ppb: i64, step_us: u64) {
        self.wake_all();
        let before = self.nodes[node].local(self.now).plus(Micros::new(step_us));
        // The epoch that makes the new clock show the same now.
        let plain = Oscillator::new(0, ppb).local(self.now);
        let Some(epoch) = before.us().checked_sub(plain.us()) else { return };
        self.nodes[node].oscillator = Oscillator::new(epoch, ppb);
        if let Some(Action { radio: Radio::Transmit { at, .. }, .. }) = self.nodes[node].action {
            // It has been arranged already, by the clock as it was.
            self.last_start[node] = self.nodes[node].oscillator.true_us(at);
        }
        if !self.is_off(node) {
            self.poll(node);
        }
    }

    /// Whether a reception is lost to chance.
    pub(super) fn lost(&self, number: u64, key: u64) -> bool {
        let (burst, until) = self.trouble.burst;
        let share = if self.now < until { burst } else { self.trouble.faults.loss };
        share > 0.0 && self.chance(number, key, "loss") < share
    }

    /// Whether a reception is handed over twice.
    pub(super) fn doubled(&self, number: u64, key: u64) -> bool {
        let share = self.trouble.faults.duplicates;
        share > 0.0 && self.chance(number, key, "duplicate") < share
    }

    /// A number in `0.0..1.0` that depends on nothing but the world's seed, a transmission, a receiver
    /// and a purpose.
    fn chance(&self, number: u64, key: u64, what: &str) -> f64 {
        unit(child_seed(self.medium.seed ^ mix(number ^ (key << 48)), what))
    }

    /// Records a transmission, now and then, to be played later.
    pub(super) fn record(&mut self, transmission: &Transmission) {
        let share = self.trouble.faults.replays;
        if share <= 0.0 || self.chance(transmission.number, 0, "replay") >= share {
            return;
        }
        let Transmission { number, channel, word, start, .. } = *transmission;
        let slot = self.timing.slot().us();
        let later = slot + child_seed(self.medium.seed ^ mix(number), "later") % 600_000_000;
        let index = self.trouble.recorded.len();
        let bits = transmission.bits.clone();
        self.trouble.recorded.push(Some(Recorded { channel, word, bits, start }));
        self.push(self.now + later, Due::Replay { index });
    }

    /// Plays a recording to every radio that waits for its word on its channel. Nobody in step may
    /// take one of home time. (A recorded cut-in that a station has not followed may be joined: it
    /// costs that station's attention, and never home time.)
    pub(super) fn play(&mut self, index: usize) {
        self.wake_all();
        let Some(recorded) = self.trouble.recorded[index].take() else { return };
        let Recorded { channel, word, bits, start } = recorded;
        let late = self.now - start;
        let waiting = |node: &usize| {
            self.nodes[*node].tuned.is_some_and(|tuned| tuned.waits_for(word))
                && self.nodes[*node].followed.1 < self.now
        };
        let mut nodes: Vec<usize> =
            self.listeners[channel.index()].iter().copied().filter(waiting).collect();
        nodes.sort_unstable();
        for node in nodes {
            let local = self.nodes[node].local(self.now);
            let station = &self.nodes[node].station;
            let play = station.clock().filter(|_| station.in_step()).map(|clock| {
                // Guard or spread, and what a reception may be late by itself.
                let spread = clock.spread(local).us().max(self.timing.guard().us());
                let coasts = !matches!(clock.grip(&self.timing, local), Grip::Locked);
                (spread + self.timing.guard().us(), coasts)
            });
            let before = self.watches[node].refuses(station);
            let reception = Reception { channel, word, at: local, bits: &bits };
            self.trace.totals.replays += 1;
            let outcome = self.receive(node, local, reception);
            let in_its_place = play.is_some_and(|(play, coasts)| coasts && late <= play);
            let home = matches!(outcome, Heard::Header { timeline: Timeline::Home, .. });
            // One from a later timeline gives hope of that one; without a second opinion the
            // station keeps its time.
            let stays = self.nodes[node].station.in_step();
            if before && stays && home && !in_its_place {
                self.broke(node, Rule::ReplayTaken);
            }
            self.poll(node);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::{Builder, RadioPlan, StationPlan, Timetable, built_in_plan};
    use crate::world::Order;
    use hopwright_core::address::{Address, Target};
    use hopwright_core::station::Role;

    /// Which receptions are lost, doubled or recorded follows from the world's seed, and from nothing
    /// else.
    #[test]
    fn each_seed_has_losses_of_its_own() {
        let plan = built_in_plan().unwrap();
        let radio = RadioPlan::of(vec![StationPlan::member("one".to_owned(), Address::new(1))]);
        let lost = |seed: u64| -> Vec<bool> {
            let builder = Builder::new(&plan, &radio, seed).unwrap();
            let mut world = builder.world(Timetable::totals(&[], &[])).unwrap();
            world.set_faults(Faults { loss: 0.5, duplicates: 0.5, replays: 0.0 });
            (0..500).flat_map(|n| [world.lost(n, 1), world.doubled(n, 1)]).collect()
        };
        let (one, other) = (lost(1), lost(2));
        assert_eq!(one, lost(1));
        let alike = one.iter().zip(&other).filter(|(a, b)| a == b).count();
        // Half of 1000, and five standard deviations of sqrt(250).
        assert!(alike.abs_diff(500) < 80, "{alike}");
    }

    /// A loss of power takes along what its operator was about to say: half a message, a payload.
    #[test]
    fn a_loss_of_power_forgets_what_was_to_be_said() {
        let plan = built_in_plan().unwrap();
        let post = StationPlan {
            role: Role::Timekeeper,
            ..StationPlan::member("post".to_owned(), Address::new(1))
        };
        let boat = StationPlan::member("boat".to_owned(), Address::new(2));
        let radio = RadioPlan::of(vec![post, boat]);
        let builder = Builder::new(&plan, &radio, 1).unwrap();
        let mut world = builder.world(Timetable::totals(&[(1_000_000, 0)], &[])).unwrap();
        world.set_layout(plan.message());
        let text = world.add_text(&[b'x'; 5_000]);
        world.order(10_000_000, Order::Send { node: 0, target: Target::ALL, text });
        world.run_until(11_500_000);
        assert!(world.speech.pending(0) && world.sends_letter(0));
        world.switch_off(0);
        assert!(!world.speech.pending(0) && !world.sends_letter(0));
    }
}
