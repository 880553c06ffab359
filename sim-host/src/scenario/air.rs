//! What is between the stations of a scenario: places, propagation, fading, noise.

use crate::diagnostic::Diagnostic;
use crate::input::Section;
use crate::plan::Plan;
use crate::world::Place;
use crate::world::noise::{EXTERNAL_HZ, Environment};
use crate::world::propagation::{Fading, Propagation};
use hopwright_core::units::Channel;

/// The keys of `[propagation]`.
const KEYS: &[&str] = &["model", "exponent", "shadowing_db", "fading", "k_db", "horizon_m"];
/// Heights of antennas over flat ground, metres.
const HEIGHTS_M: core::ops::RangeInclusive<f64> = 0.1..=20_000.0;

/// How signals get from one station to another.
pub(super) struct Air {
    pub(super) propagation: Propagation,
    pub(super) fading: Fading,
    /// The distance at which they end, if they do.
    pub(super) horizon_m: Option<f64>,
}

/// Reads `[propagation]`.
pub(super) fn read(root: &Section<'_>) -> Result<Air, Diagnostic> {
    let section = root.section("propagation", KEYS)?;
    Ok(Air {
        propagation: model(&section)?,
        fading: fading(&section)?,
        horizon_m: section.number_in("horizon_m", 1.0, 1e7)?,
    })
}

/// Which model of propagation.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Model {
    FreeSpace,
    TwoRay,
    LogDistance,
}

fn model(section: &Section<'_>) -> Result<Propagation, Diagnostic> {
    let exponent = section.number_in("exponent", 1.0, 8.0)?;
    let shadowing_db = section.number_in("shadowing_db", 0.0, 30.0)?;
    let others = [("two-ray", Model::TwoRay), ("log-distance", Model::LogDistance)];
    let model = section.choice("model", ("free-space", Model::FreeSpace), &others)?;
    if model != Model::LogDistance {
        let strangers = [(exponent, "exponent"), (shadowing_db, "shadowing_db")];
        if let Some((_, key)) = strangers.into_iter().find(|(value, _)| value.is_some()) {
            let what = format!("only the log-distance model has `{key}`");
            let help = format!("write model = \"log-distance\", or leave `{key}` out");
            return Err(section.error(key, what, help));
        }
    }
    match (model, exponent) {
        (Model::FreeSpace, _) => Ok(Propagation::FreeSpace),
        (Model::TwoRay, _) => Ok(Propagation::TwoRay),
        (Model::LogDistance, Some(exponent)) => {
            let shadowing_db = shadowing_db.unwrap_or(0.0);
            Ok(Propagation::LogDistance { exponent, shadowing_db })
        }
        (Model::LogDistance, None) => {
            let help = "add a line such as `exponent = 3.0`";
            Err(section.error("model", "the log-distance model needs an exponent", help))
        }
    }
}

fn fading(section: &Section<'_>) -> Result<Fading, Diagnostic> {
    let k_db = section.number_in("k_db", -30.0, 40.0)?;
    let rician = Fading::Rician { k_db: k_db.unwrap_or(0.0) };
    let others = [("rayleigh", Fading::Rayleigh), ("rician", rician)];
    let fading = section.choice("fading", ("none", Fading::None), &others)?;
    match (fading, k_db) {
        (Fading::Rician { .. }, None) => {
            let help = "add a line such as `k_db = 6`: the steady wave above all others";
            Err(section.error("fading", "Rician fading needs `k_db`", help))
        }
        (Fading::None | Fading::Rayleigh, Some(_)) => {
            let help = "write fading = \"rician\", or leave `k_db` out";
            Err(section.error("k_db", "only Rician fading has `k_db`", help))
        }
        (fading, _) => Ok(fading),
    }
}

/// The environmental category of `[radio]`; the law behind it must hold for every channel.
pub(super) fn environment(radio: &Section<'_>, plan: &Plan) -> Result<Environment, Diagnostic> {
    let named = |environment: Environment| (environment.name(), environment);
    let others = [
        Environment::City,
        Environment::Residential,
        Environment::Rural,
        Environment::QuietRural,
        Environment::Galactic,
    ];
    let first = named(Environment::None);
    let environment = radio.choice("environment", first, &others.map(named))?;
    let raster = plan.raster();
    let ends = [0, raster.count().saturating_sub(1)];
    let centres = ends.into_iter().filter_map(|i| raster.frequency(Channel::new(i)?));
    let outside = centres.map(|centre| centre.hz() as f64).find(|hz| !EXTERNAL_HZ.contains(hz));
    match outside {
        Some(hz) if environment != Environment::None => {
            let what = format!(
                "ITU-R P.372 tells this noise for 0.3 to 250 MHz, and the plan has a channel at {} MHz",
                hz / 1e6
            );
            let help =
                "leave `environment` out: well above 250 MHz the receiver's own noise prevails";
            Err(radio.error("environment", what, help))
        }
        _ => Ok(environment),
    }
}

/// The first key of a place that a table has.
pub(super) fn placed(section: &Section<'_>) -> Option<&'static str> {
    ["x_m", "y_m", "height_m"].into_iter().find(|key| section.has(key))
}

/// The place that a table gives; the origin, in the hand, where it does not.
pub(super) fn place(section: &Section<'_>) -> Result<Place, Diagnostic> {
    let metres = |key: &str| section.number_in(key, -1e7, 1e7);
    Ok(Place {
        x_m: metres("x_m")?.unwrap_or(Place::ORIGIN.x_m),
        y_m: metres("y_m")?.unwrap_or(Place::ORIGIN.y_m),
        height_m: height(section, "height_m")?.unwrap_or(Place::ORIGIN.height_m),
    })
}

/// A height over flat ground, in metres.
pub(super) fn height(section: &Section<'_>, key: &str) -> Result<Option<f64>, Diagnostic> {
    section.number_in(key, *HEIGHTS_M.start(), *HEIGHTS_M.end())
}
