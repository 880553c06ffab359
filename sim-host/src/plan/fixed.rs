//! `[fixed]` and `[deputies]`: channels for those who do not hop with the net, and who may stand in
//! for the timekeeper.

use crate::diagnostic::Diagnostic;
use crate::input::Section;
use hopwright_core::band::{ChannelSet, Raster};
use hopwright_core::station::FixedChannels;
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Micros};

/// The keys of `[fixed]`.
const KEYS: &[&str] = &["calling_hz", "watch_hz", "lockout_s"];
/// Alerts rarer than one in a day are no alerts.
const LONGEST_LOCKOUT_S: u64 = 86_400;

/// Reads `[fixed]`; the channels must be left by ranges and exclusions, and are taken from them.
pub(super) fn read(
    root: &Section<'_>,
    raster: &Raster,
    allowed: &mut ChannelSet,
) -> Result<FixedChannels, Diagnostic> {
    let table = root.section("fixed", KEYS)?;
    let calling = channel(&table, "calling_hz", raster, allowed)?;
    let watch = channel(&table, "watch_hz", raster, allowed)?;
    let default = FixedChannels::NONE.lockout.us() / 1_000_000;
    let lockout = table.integer_or("lockout_s", 0..=LONGEST_LOCKOUT_S, default)?;
    if calling.is_none() && watch.is_none() && table.has("lockout_s") {
        let what = "`lockout_s` says how often a calling or watch channel may raise an alert, and \
                    there is neither";
        return Err(table.error("lockout_s", what, "add `calling_hz` or `watch_hz`"));
    }
    Ok(FixedChannels { calling, watch, lockout: Micros::from_millis(lockout * 1_000) })
}

fn channel(
    table: &Section<'_>,
    key: &str,
    raster: &Raster,
    allowed: &mut ChannelSet,
) -> Result<Option<Channel>, Diagnostic> {
    let Some(hz) = table.integer(key, 1..=u64::MAX >> 2)? else { return Ok(None) };
    let mut channels = (0..raster.count()).filter_map(Channel::new);
    let found = channels.find(|c| raster.frequency(*c).is_some_and(|f| f.hz() == hz.value));
    let Some(channel) = found else {
        let what =
            format!("`{key}` = {} Hz is not the centre of a channel of the raster", hz.value);
        let help = "use base_hz plus a whole multiple of spacing_hz, within the raster";
        return Err(table.error(key, what, help));
    };
    if !allowed.contains(channel) {
        let what = format!("`{key}` is channel {channel}, which the plan may not use");
        let help = "use a channel that no exclusion and no other fixed channel takes";
        return Err(table.error(key, what, help));
    }
    *allowed = allowed.iter().filter(|c| *c != channel).collect();
    Ok(Some(channel))
}

/// Three samples in a row, no two more than 1.5 s apart, raise an alert. Where frames (or, for the watch
/// channel, slots) are longer than this, samples are two of them apart, and would never be in a row.
const LONGEST_US: u64 = 700_000;

/// Whether the calling and watch channels can raise alerts with slots and frames so long.
pub(super) fn check(
    root: &Section<'_>,
    fixed: &FixedChannels,
    timing: &Timing,
    frame: u8,
) -> Result<(), Diagnostic> {
    let slot = timing.slot().us();
    let frame = slot * u64::from(frame);
    for (key, channel, what, us) in
        [("calling_hz", fixed.calling, "a frame", frame), ("watch_hz", fixed.watch, "a slot", slot)]
    {
        if channel.is_some() && us > LONGEST_US {
            let table = root.section("fixed", KEYS)?;
            let what = format!(
                "`{key}` would never raise an alert: {what} lasts {} ms, and three samples in a row, 1.5 s \
                 apart at most, need one of {} ms or less",
                us / 1_000,
                LONGEST_US / 1_000
            );
            return Err(table.error(key, what, "make slots or frames shorter, or leave it out"));
        }
    }
    Ok(())
}

/// Reads `[deputies]`: how long announces must be missing before a deputy may make one.
pub(super) fn deputies(root: &Section<'_>) -> Result<Micros, Diagnostic> {
    let table = root.section("deputies", &["after_s"])?;
    let after = table.integer_or("after_s", 1..=31 * 86_400, 600_u64)?;
    Ok(Micros::from_millis(after * 1_000))
}
