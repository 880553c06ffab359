//! Sets that lose their power, and that are switched on again.

use super::read::{station_named, time};
use super::{Scenario, StationPlan};
use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::world::{World, child_seed};
use hopwright_core::station::{Station, Watermark};

/// A station's power goes, or comes back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PowerPlan {
    /// Whose.
    pub station: usize,
    /// When, in microseconds.
    pub at_us: u64,
    /// What becomes of it.
    pub becomes: Power,
}

/// What becomes of a station's power.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Power {
    /// It goes.
    Off,
    /// It is there, after having been away or at once; the station remembers what it had stored.
    On,
    /// The same, but what was stored cannot be read any more.
    OnStorageLost,
    /// The same for another set in its place, with a new plan and nothing stored.
    OnNewSet,
}

const KEYS: &[&str] = &["station", "at_s", "becomes"];

/// Reads the `[[power]]` tables, in order of time.
pub(super) fn read(
    root: &Section<'_>,
    stations: &[StationPlan],
    limit_us: u64,
) -> Result<Vec<PowerPlan>, Diagnostic> {
    let mut powers: Vec<PowerPlan> = Vec::new();
    for section in root.sections("power", KEYS)? {
        let station = station_named(&section, "station", stations)?;
        let at_us = time(&section, "at_s", limit_us)?;
        section.needed(section.text("becomes")?, "becomes", "\"off\"")?;
        let others = [
            ("on", Power::On),
            ("on, storage lost", Power::OnStorageLost),
            ("on, new set", Power::OnNewSet),
        ];
        let becomes = section.choice("becomes", ("off", Power::Off), &others)?;
        let name = &stations[station].name;
        if at_us <= stations[station].on_us {
            let what = format!("\"{name}\" has not been switched on before that");
            return Err(section.error("at_s", what, "use a time after its `on_s`"));
        }
        if powers.iter().any(|other| other.station == station && other.at_us == at_us) {
            let what = format!("the power of \"{name}\" cannot change twice at one time");
            return Err(section.error("at_s", what, "keep one of the two"));
        }
        powers.push(PowerPlan { station, at_us, becomes });
    }
    powers.sort_by_key(|power| power.at_us);
    Ok(powers)
}

/// How much of a timetable's powers and changes of keys has been carried out in a world.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Progress {
    powers: usize,
    withdrawals: usize,
}

impl Scenario {
    /// Runs a world of this scenario to its end, with the power going and coming as planned.
    ///
    /// # Errors
    /// [`Diagnostic`] never for a scenario that has been read.
    pub fn carry_out(&self, world: &mut World) -> Result<(), Diagnostic> {
        self.carry_on(world, &mut Progress::default(), self.duration_us, |_| true)
    }

    /// Runs a world of this scenario until true time `until_us`, or until `go_on` says no. Piece
    /// by piece with the same `progress` it comes to the same as in one go.
    ///
    /// # Errors
    /// [`Diagnostic`] if a change of keys has no order: for a scenario that has been read, only if
    /// somebody else has meddled with the world. (One whose sender has no net time is noted.)
    pub fn carry_on(
        &self,
        world: &mut World,
        progress: &mut Progress,
        until_us: u64,
        mut go_on: impl FnMut(&World) -> bool,
    ) -> Result<(), Diagnostic> {
        loop {
            let power = self.powers.get(progress.powers).map(|power| power.at_us);
            let withdrawal = self.withdrawals.get(progress.withdrawals).map(|plan| plan.at_us);
            // At the same time a change of keys comes first.
            let change = withdrawal.is_some_and(|at| power.is_none_or(|power| at <= power));
            let next = if change { withdrawal } else { power };
            let Some(at) = next.filter(|at| *at <= until_us) else {
                world.run_while(until_us, go_on);
                return Ok(());
            };
            world.run_while(at, &mut go_on);
            if !go_on(world) {
                return Ok(());
            }
            // Counted first: what fails is told once, and whoever goes on goes on behind it.
            if change {
                progress.withdrawals += 1;
                self.withdraw(world, progress.withdrawals - 1)?;
            } else {
                progress.powers += 1;
                self.switch(world, progress.powers - 1)?;
            }
        }
    }

    /// Lets the power of a station go or come.
    fn switch(&self, world: &mut World, index: usize) -> Result<(), Diagnostic> {
        let Some(power) = self.powers.get(index) else { return Ok(()) };
        let node = power.station;
        let storage = match power.becomes {
            Power::Off => {
                world.switch_off(node);
                return Ok(());
            }
            Power::On => world.storage(node),
            Power::OnStorageLost => Watermark::Lost,
            Power::OnNewSet => Watermark::Fresh,
        };
        let builder = self.builder()?;
        if power.becomes != Power::On {
            world.forget_stored(node);
        }
        let stored = world.stored_keys(node);
        let plan = &self.radio.stations[node];
        let station = builder.configure_with(plan, stored, |mut config| {
            config.watermark = storage;
            // Another session: other choices.
            config.seed = child_seed(config.seed, &format!("power/{index}"));
            Station::new(config)
        })?;
        world.restart_from(node, station, storage);
        world.hand_over_stored_order(node);
        Ok(())
    }
}
