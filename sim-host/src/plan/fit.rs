//! Whether the parts of a plan fit one another, in every lane.

use super::band::Tables;
use super::{MAX_HOPSET, PickRule, Plan};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use hopwright_core::address::Address;
use hopwright_core::band::{HopsetError, LaneKind, MIN_HOPSET};
use hopwright_core::provision::PlanDigest;
use hopwright_core::provision::manual::Rank;
use hopwright_core::sequence::{MAX_FRAME, MAX_RENDEZVOUS};
use hopwright_core::station::{ConfigError, Station, Watermark};
use hopwright_core::units::{Channel, Lane};

/// Derives every lane's sequence and explains the first that cannot be.
pub(super) fn check(
    plan: &Plan,
    tables: &Tables<'_>,
    slots: &Section<'_>,
    (lanes, clock): (&Section<'_>, &Section<'_>),
) -> Result<(), Diagnostic> {
    let disjoint = plan.lanes().is_some_and(|l| matches!(l.kind(), LaneKind::Disjoint { .. }));
    if disjoint && matches!(plan.pick(), PickRule::Listed(_)) {
        return Err(tables.hopset.error(
            "pick",
            "pick = \"listed\" cannot be dealt out among disjoint lanes",
            "use pick = \"all\", \"keyed\" or \"even\", or take the table [lanes] away",
        ));
    }
    let scarce = Scarce { plan, tables, lanes, disjoint };
    if plan.allowed().len() < MIN_HOPSET {
        return Err(scarce.too_few(None, plan.allowed().len(), MIN_HOPSET));
    }
    let mut sizes = Vec::new();
    for lane in plan.lane_numbers() {
        match plan.band.hopset(&plan.band_key(), plan.lanes(), lane) {
            Ok(hopset) => sizes.push((lane, hopset.len())),
            Err(HopsetError::TooFew { found, needed }) => {
                return Err(scarce.too_few(disjoint.then_some(lane), found, needed));
            }
            Err(error) => return Err(listed(plan, tables, &error)),
        }
    }
    for (lane, size) in &sizes {
        fits_structure(plan, slots, disjoint.then_some(*lane), *size)?;
    }
    let smallest = sizes.iter().map(|(_, n)| *n).min().unwrap_or_default();
    for (lane, size) in &sizes {
        equal_use(plan, slots, disjoint.then_some(*lane), *size, smallest)?;
        // What this module has not foreseen, the core still refuses.
        plan.sequence(*lane).map_err(|error| slots.error("", error.what(), error.help()))?;
    }
    makes_a_station(plan, slots, clock)
}

/// Makes a station of the plan and drops it, as a station does with what it is given: what makes
/// none is no plan.
fn makes_a_station(
    plan: &Plan,
    slots: &Section<'_>,
    clock: &Section<'_>,
) -> Result<(), Diagnostic> {
    // Any address and lane: what is left to refuse is the same for all.
    let (address, rank, lane) = (Address::new(0), Rank::Timekeeper, Lane::ZERO);
    let configuration = plan
        .public()
        .configuration::<MAX_HOPSET>(
            PlanDigest::new([0; 16]),
            plan.net_key(),
            plan.named_band_key().as_ref(),
            address,
            rank,
            lane,
        )
        .map_err(|error| slots.error("", error.to_string(), "change [hopset] or [lanes]"))?;
    let Err(error) = Station::new(configuration.config(Watermark::Lost, 0)) else { return Ok(()) };
    match error {
        ConfigError::Guard { guard_us, needed_us } => {
            let what = format!(
                "`guard_us` = {guard_us} does not cover twice `jitter_us` and `wander_us`, and the \
                 delay over `range_m`: {needed_us} us ({})",
                plan.clock().first_spread_text()
            );
            let help = format!(
                "use `guard_us` = {} or more, or less of them in [clock]",
                needed_us.saturating_add(1)
            );
            // Where the plan leaves the guard as it is, what it asks of it is the likelier slip.
            let given =
                ["wander_us", "jitter_us", "range_m"].into_iter().find(|key| clock.has(key));
            match given.filter(|_| !slots.has("guard_us")) {
                Some(key) => Err(clock.error(key, what, help)),
                None => Err(slots.error("guard_us", what, help)),
            }
        }
        error => {
            let help = "change [slots], [clock], [fixed] or [announce]";
            Err(slots.error("", error.to_string(), help))
        }
    }
}

/// What there is to know when channels run short.
struct Scarce<'a> {
    plan: &'a Plan,
    tables: &'a Tables<'a>,
    lanes: &'a Section<'a>,
    disjoint: bool,
}

impl Scarce<'_> {
    fn too_few(&self, lane: Option<Lane>, found: u16, needed: u16) -> Diagnostic {
        let left = left(found);
        let whose = lane.map_or(String::new(), |lane| format!(" for lane {lane}"));
        if let PickRule::Keyed(n) | PickRule::Even(n) = self.plan.pick()
            && needed == *n
        {
            let what = format!("`channels` asks for {n}, and {left}{whose}");
            let lower = format!("lower `channels` in [hopset] to {found} or less");
            return self.tables.hopset.error(
                "channels",
                what,
                self.or_exclude_less(&lower, needed),
            );
        }
        let what = format!("{left}{whose}, and a hopset needs {needed}");
        if self.disjoint && lane.is_some() {
            let help = self.or_exclude_less("lower `count` or `width` in [lanes]", needed);
            let key = if self.lanes.has("count") { "count" } else { "width" };
            return self.lanes.error(key, what, help);
        }
        if matches!(self.plan.pick(), PickRule::Listed(_)) {
            return self.tables.hopset.error("list", what, "list more channels in [hopset]");
        }
        // What is too little before anything is excluded is no exclusion's fault.
        let ranges = self.tables.hopset.has("ranges");
        match self.tables.exclude.last() {
            Some(last) if self.plan.band.offered >= needed => {
                let more =
                    if ranges { "widen `ranges` in [hopset]" } else { "raise `count` in [raster]" };
                last.error("", what, format!("shorten or take away an [[exclude]], or {more}"))
            }
            _ if ranges => self.tables.hopset.error("ranges", what, "widen `ranges` in [hopset]"),
            _ => self.tables.raster.error("count", what, "raise `count` in [raster]"),
        }
    }

    /// A way out, and the other one where exclusions take something that would be enough.
    fn or_exclude_less(&self, way_out: &str, needed: u16) -> String {
        let band = &self.plan.band;
        let matters = band.excluded.iter().any(|excluded| excluded.takes > 0);
        if matters && band.offered >= needed {
            format!("{way_out}, or take away an [[exclude]]")
        } else {
            way_out.to_owned()
        }
    }
}

fn left(found: u16) -> String {
    match found {
        0 => "no channel is left".to_owned(),
        1 => "1 channel is left".to_owned(),
        n => format!("{n} channels are left"),
    }
}

/// Explains what is wrong with a list of channels, at the very entry.
fn listed(plan: &Plan, tables: &Tables<'_>, error: &HopsetError) -> Diagnostic {
    let (channel, nth) = match error {
        HopsetError::NotAllowed(c) => (*c, 0),
        HopsetError::Twice(c) => (*c, 1),
        HopsetError::Lane { .. } | HopsetError::TooFew { .. } | HopsetError::TooMany { .. } | _ => {
            return tables.hopset.error("list", error.to_string(), "change [hopset]");
        }
    };
    let (what, help) = if nth == 1 {
        (error.to_string(), "list each channel once")
    } else if excluded(plan, channel) {
        (
            format!("channel {channel} is listed and excluded"),
            "take it out of `list`, or change the [[exclude]] that covers it",
        )
    } else {
        (error.to_string(), "take it out of `list`, or widen `ranges`")
    };
    // Already read once without error.
    let entries = tables.hopset.integers("list", &(0..=u16::MAX)).ok().flatten();
    let entry = entries
        .into_iter()
        .flatten()
        .filter(|entry| entry.value == channel.number())
        .nth(nth)
        .map_or_else(|| tables.hopset.place("list"), |entry| entry.span);
    tables.hopset.source().error(entry, what, help)
}

fn excluded(plan: &Plan, channel: Channel) -> bool {
    let takes = |e: &super::Excluded| plan.raster().excluded_by(e.exclusion).contains(channel);
    plan.excluded().iter().any(takes)
}

fn of_lane(lane: Option<Lane>) -> String {
    lane.map_or(String::new(), |lane| format!(" of lane {lane}"))
}

fn fits_structure(
    plan: &Plan,
    slots: &Section<'_>,
    lane: Option<Lane>,
    size: u16,
) -> Result<(), Diagnostic> {
    let r = plan.structure().rendezvous;
    if u16::from(r) <= size {
        return Ok(());
    }
    let what =
        format!("`rendezvous` = {r} is more than the hopset{} has: {size} channels", of_lane(lane));
    let help = format!("use `rendezvous` = {size} or less, and a `window` that divides it");
    Err(slots.error("rendezvous", what, help))
}

fn equal_use(
    plan: &Plan,
    slots: &Section<'_>,
    lane: Option<Lane>,
    size: u16,
    smallest: u16,
) -> Result<(), Diagnostic> {
    let s = plan.structure();
    let (r, m) = (u16::from(s.rendezvous), u16::from(s.frame));
    if !s.equal_use || r * m == size {
        return Ok(());
    }
    let what = format!(
        "`equal_use` needs N = r * m: the hopset{} has N = {size} channels, `rendezvous` r = {r} \
         and `frame` m = {m} make {}",
        of_lane(lane),
        r * m
    );
    let mut ways = Vec::new();
    if r * m <= smallest && !matches!(plan.pick(), PickRule::Listed(_)) {
        ways.push(format!("set pick = \"keyed\" and `channels` = {} in [hopset]", r * m));
    }
    if let Some((r, m)) = nearest_product(size, r, m) {
        // The window has to divide the new `rendezvous` too.
        let w = (1..=u16::from(s.window)).rev().find(|w| r.is_multiple_of(*w)).unwrap_or(1);
        ways.push(format!("set `rendezvous` = {r}, `frame` = {m} and `window` = {w}"));
    }
    ways.push("set `equal_use` = false".to_owned());
    Err(slots.error("equal_use", what, ways.join(", or ")))
}

/// The `r * m = size` whose frame is nearest to the present one.
fn nearest_product(size: u16, r: u16, m: u16) -> Option<(u16, u16)> {
    (2..=u16::from(MAX_FRAME))
        .filter(|frame| size.is_multiple_of(*frame) && size / frame <= u16::from(MAX_RENDEZVOUS))
        .map(|frame| (size / frame, frame))
        .min_by_key(|(rendezvous, frame)| (frame.abs_diff(m), rendezvous.abs_diff(r)))
}
