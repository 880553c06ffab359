//! What a plan amounts to, in numbers.

use super::Survey;
use hopwright_core::band::{Exclusion, Lanes};
use hopwright_core::message::Layout;
use hopwright_core::sequence::Draw;
use serde::Serialize;

/// What a plan amounts to.
#[derive(Debug, Serialize)]
pub struct Summary {
    /// The net's name.
    pub name: String,
    /// Whether the key is a published one, fit for simulation only.
    pub training_key: bool,
    /// Channels of the raster.
    pub raster_channels: u16,
    /// Distance between neighbouring channels.
    pub spacing_hz: u64,
    /// Bandwidth that a channel occupies.
    pub occupied_hz: u64,
    /// Channels left by ranges and exclusions.
    pub allowed_channels: u16,
    /// The exclusions.
    pub excluded: Vec<ExclusionSummary>,
    /// How the hopset is picked: `all`, `keyed`, `even` or `listed`.
    pub pick: &'static str,
    /// How lanes keep apart: `none`, `disjoint` or `spaced`.
    pub lane_kind: &'static str,
    /// The lanes.
    pub lanes: Vec<LaneSummary>,
    /// Length of a slot.
    pub slot_us: u64,
    /// Bits that a slot carries after its unique word.
    pub bits_per_slot: u32,
    /// Hops in a second.
    pub hops_per_second: f64,
    /// Slots in a frame.
    pub frame: u8,
    /// Rendezvous channels.
    pub rendezvous: u8,
    /// Frames in a rendezvous window.
    pub window: u8,
    /// `balanced` or `independent`.
    pub draw: &'static str,
    /// Whether traffic keeps off the rendezvous channels.
    pub equal_use: bool,
    /// The longest time between two visits of running traffic to one rendezvous channel,
    /// `(r + w - 1) * m` slots.
    pub longest_gap_s: f64,
    /// Slots of an announce.
    pub announce_slots: u32,
    /// Length of an announce.
    pub announce_s: f64,
    /// The largest rate error of a clock.
    pub tolerance_ppb: u32,
    /// Messages.
    pub message: MessageSummary,
}

/// What a block of a message carries and survives.
#[derive(Debug, Serialize)]
pub struct MessageSummary {
    /// Slots of a block.
    pub n: u8,
    /// Slots of which any set suffices.
    pub k: u8,
    /// Rows of a full block.
    pub rows: u16,
    /// Bytes of a full block, 16 of the message's last one being its tag.
    pub block_bytes: u32,
    /// How long a block takes: `n` traffic slots and the sync slots between them.
    pub block_s: f64,
    /// The longest text.
    pub longest_bytes: u16,
}

/// An exclusion.
#[derive(Debug, Serialize)]
pub struct ExclusionSummary {
    /// The frequencies or channels, for people.
    pub what: String,
    /// The plan's reason.
    pub why: Option<String>,
    /// Channels of the raster that it takes by itself.
    pub takes: u16,
}

/// A lane.
#[derive(Debug, Serialize)]
pub struct LaneSummary {
    /// Its number.
    pub lane: u8,
    /// The channels of its hopset.
    pub channels: usize,
    /// Centre of the lowest.
    pub first_hz: u64,
    /// Centre of the highest.
    pub last_hz: u64,
}

impl Summary {
    pub(super) fn new(survey: &Survey<'_>) -> Self {
        let plan = survey.plan;
        let (s, timing) = (plan.structure(), plan.timing());
        let slot_s = survey.slot_us() as f64 / 1e6;
        let gap = (u32::from(s.rendezvous) + u32::from(s.window) - 1) * u32::from(s.frame);
        Self {
            name: plan.name().to_owned(),
            training_key: plan.training_key(),
            raster_channels: plan.raster().count(),
            spacing_hz: plan.raster().spacing().hz(),
            occupied_hz: plan.raster().occupied().hz(),
            allowed_channels: plan.allowed().len(),
            excluded: plan.excluded().iter().map(ExclusionSummary::new).collect(),
            pick: plan.pick().word(),
            lane_kind: lane_kind(survey),
            lanes: survey.lanes.iter().map(|lane| LaneSummary::new(survey, lane)).collect(),
            slot_us: survey.slot_us(),
            bits_per_slot: timing.bits(),
            hops_per_second: 1.0 / slot_s,
            frame: s.frame,
            rendezvous: s.rendezvous,
            window: s.window,
            draw: match s.draw {
                Draw::Balanced => "balanced",
                Draw::Independent | _ => "independent",
            },
            equal_use: s.equal_use,
            longest_gap_s: f64::from(gap) * slot_s,
            announce_slots: plan.announce_slots(),
            announce_s: f64::from(plan.announce_slots()) * slot_s,
            tolerance_ppb: plan.clock().tolerance.ppb(),
            message: MessageSummary::new(plan.message(), s.frame, slot_s),
        }
    }
}

impl MessageSummary {
    fn new(layout: Layout, frame: u8, slot_s: f64) -> Self {
        let (n, k) = (layout.code().n(), layout.code().k());
        Self {
            n,
            k,
            rows: layout.most_rows(),
            block_bytes: u32::from(layout.most_rows()) * u32::from(k),
            block_s: f64::from(n) * f64::from(frame) / f64::from(frame - 1) * slot_s,
            longest_bytes: layout.longest(),
        }
    }
}

fn lane_kind(survey: &Survey<'_>) -> &'static str {
    match survey.plan.lanes().map(Lanes::spaced) {
        None => "none",
        Some(true) => "spaced",
        Some(false) => "disjoint",
    }
}

impl LaneSummary {
    fn new(survey: &Survey<'_>, lane: &super::LaneSurvey) -> Self {
        let channels = lane.channels();
        let hz = |channel: Option<&_>| channel.map_or(0, |c| survey.hz(*c));
        Self {
            lane: lane.lane.number(),
            channels: channels.len(),
            first_hz: hz(channels.first()),
            last_hz: hz(channels.last()),
        }
    }
}

impl ExclusionSummary {
    fn new(excluded: &crate::plan::Excluded) -> Self {
        let what = match excluded.exclusion {
            Exclusion::Channels { from, to } if from == to => format!("channel {from}"),
            Exclusion::Channels { from, to } => format!("channels {from} to {to}"),
            Exclusion::Band { from, to } => {
                format!("{} to {}", Survey::mhz(from.hz()), Survey::mhz(to.hz()))
            }
            _ => "other".to_owned(),
        };
        Self { what, why: excluded.why.clone(), takes: excluded.takes }
    }
}
