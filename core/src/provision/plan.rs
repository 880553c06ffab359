//! The public part of a plan: everything that is the same for all of its stations and no secret.

use super::cbor::Writer;
use super::configuration::{
    Configuration, MessageCode, PlanDigest, write_clock, write_code, write_fixed, write_structure,
    write_timing,
};
use super::manual::Rank;
use crate::address::Address;
use crate::band::{ChannelSet, Hopset, HopsetError, LaneKind, Lanes, Pick, Raster};
use crate::clock::ClockPlan;
use crate::keys::NetKey;
use crate::record::Sink;
use crate::sequence::Structure;
use crate::station::FixedChannels;
use crate::timing::Timing;
use crate::units::{Channel, Dbm, Hertz, Lane, MAX_CHANNELS, Micros, Ppb};

/// A plan without its key. With a key and the name of a station it makes a [`Configuration`]; a
/// station that holds it needs only [`manual::Entry`](super::manual::Entry) to be complete.
#[derive(Debug, Clone, Copy)]
pub struct PublicPlan<'a> {
    /// The net's name, 1 to 256 bytes.
    pub name: &'a str,
    /// The raster.
    pub raster: Raster,
    /// The channels that may be used at all.
    pub allowed: &'a ChannelSet,
    /// How the hopset is picked from them.
    pub pick: Pick<'a>,
    /// The lanes, if there are any.
    pub lanes: Option<Lanes>,
    /// The shape of the timeline.
    pub structure: Structure,
    /// The anatomy of a slot.
    pub timing: Timing,
    /// Tolerances and distances, as they are for a member.
    pub clock: ClockPlan,
    /// How far a timekeeper's own oscillator may be from its nominal frequency.
    pub timekeeper_tolerance: Ppb,
    /// After which silence a deputy may take over.
    pub deputies_after: Micros,
    /// Slots of an announce.
    pub announce_slots: u16,
    /// Received power from which a channel without a unique word counts as interfered with.
    pub energy_threshold: Dbm,
    /// Channels outside the hopset on which others are heard.
    pub fixed: FixedChannels,
    /// The code that protects messages.
    pub code: MessageCode,
}

impl<'a> PublicPlan<'a> {
    /// The configuration of one station. `digest` is the plan's: it goes along so that two
    /// stations can be compared. `band_key` is what the hopset is drawn with, if the net key has been
    /// changed since the plan was new: the net key that it had then (specification section 10).
    ///
    /// # Errors
    /// [`HopsetError`] if the plan has no such lane, or its hopset does not fit.
    pub fn configuration<const N: usize>(
        &self,
        digest: PlanDigest,
        key: NetKey,
        band_key: Option<&NetKey>,
        address: Address,
        rank: Rank,
        lane: Lane,
    ) -> Result<Configuration<'a, N>, HopsetError> {
        let lanes = self.lanes.as_ref();
        let drawn_with = band_key.unwrap_or(&key);
        let hopset =
            Hopset::derive(drawn_with, &self.raster, self.allowed, self.pick, lanes, lane)?;
        let spaced = lanes.is_some_and(Lanes::spaced);
        Ok(Configuration {
            address,
            role: rank.role(self.deputies_after),
            name: self.name,
            plan: digest,
            key,
            hopset,
            structure: self.structure,
            lane,
            draw_lane: if spaced { Lane::ZERO } else { lane },
            timing: self.timing,
            clock: match rank {
                Rank::Timekeeper => {
                    ClockPlan { own_tolerance: self.timekeeper_tolerance, ..self.clock }
                }
                Rank::Member | Rank::Deputy => self.clock,
            },
            announce_slots: self.announce_slots,
            energy_threshold: self.energy_threshold,
            fixed: self.fixed,
            code: self.code,
            share: None,
        })
    }

    /// Writes the plan's one encoding, which its digest is taken of (`docs/provisioning.cddl`,
    /// `plan`).
    pub fn encode(&self, sink: &mut impl Sink) {
        let mut out = Writer::new(sink);
        out.map(11);
        out.unsigned(0);
        out.unsigned(super::VERSION);
        out.unsigned(1);
        out.text(self.name);
        out.unsigned(2);
        out.array(4);
        out.unsigned(self.raster.frequency(Channel::default()).map_or(0, Hertz::hz));
        out.unsigned(self.raster.spacing().hz());
        out.unsigned(self.raster.occupied().hz());
        out.unsigned(self.raster.count().into());
        out.unsigned(3);
        write_channels(&mut out, self.allowed);
        out.unsigned(4);
        match self.pick {
            Pick::All => {
                out.array(1);
                out.unsigned(0);
            }
            Pick::Keyed(n) | Pick::Even(n) => {
                out.array(2);
                out.unsigned(if matches!(self.pick, Pick::Keyed(_)) { 1 } else { 2 });
                out.unsigned(n.into());
            }
            Pick::Listed(list) => {
                let mut listed = ChannelSet::new();
                list.iter().for_each(|channel| listed.insert(*channel));
                out.array(3);
                out.unsigned(3);
                write_set(&mut out, &listed);
            }
        }
        out.unsigned(5);
        // Width 0 stands for spaced lanes.
        let (count, width) = match self.lanes.map(|lanes| (lanes.count(), lanes.kind())) {
            None => (1, 1),
            Some((count, LaneKind::Spaced)) => (count, 0),
            Some((count, LaneKind::Disjoint { width })) => (count, width),
        };
        out.array(if self.lanes.is_some() { 2 } else { 0 });
        if self.lanes.is_some() {
            out.unsigned(count.into());
            out.unsigned(width.into());
        }
        out.unsigned(6);
        write_structure(&mut out, self.structure);
        out.unsigned(7);
        write_timing(&mut out, &self.timing);
        out.unsigned(8);
        out.array(5);
        write_clock(&mut out, self.clock);
        out.unsigned(self.timekeeper_tolerance.ppb().into());
        out.unsigned(self.deputies_after.us());
        out.unsigned(self.announce_slots.into());
        out.signed(self.energy_threshold.dbm().into());
        out.unsigned(9);
        write_fixed(&mut out, self.fixed);
        out.unsigned(10);
        write_code(&mut out, self.code);
    }
}

/// A set as an array of the first channel and a bit map from there on.
fn write_channels<S: Sink>(out: &mut Writer<'_, S>, set: &ChannelSet) {
    out.array(2);
    write_set(out, set);
}

/// The two items of a set.
fn write_set<S: Sink>(out: &mut Writer<'_, S>, set: &ChannelSet) {
    let all = (0..MAX_CHANNELS).filter_map(Channel::new);
    super::configuration::write_bitmap(out, all.filter(|channel| set.contains(*channel)));
}
