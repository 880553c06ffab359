//! The follower: how much it destroys, by its reaction time.

use super::jamming::{OPPOSED, air_us, talk_of, what_lost};
use super::scene::{SETTLED, Scene, TALK};
use super::{Ask, Curve, Finding, Name, Point, Report};
use crate::diagnostic::Diagnostic;
use crate::scenario::{BehaviourPlan, StationPlan};
use crate::trials::share_of;
use crate::world::adversary::{header_survives, share_hit};
use crate::world::physics::{LIGHT_M_S, bit_error, microseconds, ratio};
use crate::world::propagation::free_space_db;
use crate::world::{Content, Level, Place};

/// Reactions that are tried, in microseconds: detection and retuning together.
const REACTIONS: [u64; 24] = [
    100, 300, 600, 1_000, 2_000, 3_000, 4_000, 4_600, 5_000, 5_200, 5_400, 5_600, 5_800, 6_000,
    8_000, 10_000, 12_000, 14_000, 16_000, 17_000, 17_800, 18_000, 20_000, 40_000,
];
/// Where the speaker, the listener and the follower are, in metres.
const SPEAKER: (f64, f64) = (0.0, 0.0);
const LISTENER: (f64, f64) = (1_000.0, 0.0);
const FOLLOWER: (f64, f64) = (0.0, 6_000.0);
/// The powers of a station and of the follower.
const STATION_DBM: f64 = 30.0;
const FOLLOWER_DBM: f64 = 90.0;

fn metres(a: (f64, f64), b: (f64, f64)) -> f64 {
    libm::hypot(a.0 - b.0, a.1 - b.1)
}

/// How much longer the way over the follower is than the straight one, in microseconds.
fn flight_us() -> u64 {
    let delay = |a, b| microseconds(metres(a, b) / LIGHT_M_S);
    delay(SPEAKER, FOLLOWER) + delay(FOLLOWER, LISTENER) - delay(SPEAKER, LISTENER)
}

/// The bit error probability under the follower's noise, from the geometry.
fn error_under_noise(ask: &Ask<'_>) -> f64 {
    let loss = |a, b| free_space_db(metres(a, b), 9e8);
    let wanted = STATION_DBM - loss(SPEAKER, LISTENER);
    let noise = FOLLOWER_DBM - loss(FOLLOWER, LISTENER);
    let spread = ask.plan.raster().occupied().hz() as f64 / f64::from(ask.plan.timing().link_bps());
    bit_error(ratio(wanted - noise) * spread)
}

/// The follower's row and curve.
pub(super) fn follower(ask: &Ask<'_>, report: &mut Report) -> Result<(), Diagnostic> {
    let mut curve = Curve {
        file: "follower",
        title: "Follower (simulated): what is lost, by its reaction time".to_owned(),
        x: "detection, retuning and flight in us",
        y: "share",
        legend_below: true,
        columns: ["payload slots lost", "headers lost", "payload bits hit"],
        points: Vec::new(),
    };
    let error = error_under_noise(ask);
    let bps = f64::from(ask.plan.timing().link_bps());
    for reaction in REACTIONS {
        let whole = reaction + flight_us();
        // One third is spent on detecting.
        let (detect_us, retune_us) = (reaction / 3, reaction - reaction / 3);
        let talk = talk_of(ask, &format!("follower/{reaction}"), |seed| {
            let mut scene = Scene::new(seed, 2).over(0, SETTLED, TALK);
            for (station, (x_m, y_m)) in scene.stations.iter_mut().zip([SPEAKER, LISTENER]) {
                let place = Place::at(x_m, y_m);
                *station = StationPlan { place, power_dbm: STATION_DBM, ..station.clone() };
            }
            let place = Place::at(FOLLOWER.0, FOLLOWER.1);
            let level = Level::At { place, power_dbm: FOLLOWER_DBM };
            scene.against(BehaviourPlan::Follower { detect_us, retune_us }, level, OPPOSED)
        })?;
        let mut point = Point { x: whole as f64, values: Vec::new() };
        for content in [Content::Payload, Content::SyncHeader] {
            let lost = talk.lost(content);
            let air = air_us(ask, content);
            // The first bit that is hit is the one under way.
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "bits of a slot"
            )]
            let (first, bits) =
                ((whole as f64 * bps / 1e6) as u32, libm::round(air * bps / 1e6) as u32);
            let detected = (detect_us as f64) < air && first < bits;
            let survives = match (detected, content) {
                (false, _) => 1.0,
                // Nothing protects payload: one wrong bit is enough.
                (true, Content::Payload) => libm::pow(1.0 - error, f64::from(bits - first)),
                (true, _) => header_survives(first, error),
            };
            let closed = 1.0 - survives;
            let tried = format!("reaction {whole} us, slot on the air {air:.0} us");
            let finding = Finding::share(Name::Follower, tried, what_lost(content), lost);
            let finding = match content {
                Content::Payload => finding.matching(closed, lost, 0.002),
                // The code promises three wrong bits in a word. It does better when they are all
                // in the parity, which is sent last.
                _ => finding.bounded(closed),
            };
            let (measured, interval) = share_of(lost.0, lost.1);
            point.values.push((measured, interval, closed));
            let shown = [1_000, 4_000, 5_000, 5_400, 8_000, 16_000, 18_000, 40_000];
            if shown.contains(&reaction) || finding.verdict == super::Verdict::Fails {
                let beyond = whole as f64 >= air;
                report.findings.push(if beyond { finding.at_most(0.0) } else { finding });
            }
        }
        let reach = talk.reach(Content::Payload);
        let hit = reach.bits_hit as f64 / reach.bits.max(1) as f64;
        let closed = share_hit(whole as f64, air_us(ask, Content::Payload));
        point.values.push((hit, (hit, hit), closed));
        curve.points.push(point);
    }
    // One line for the whole curve: the share of bits, against max(0, 1 - reaction / air).
    let apart = curve.points.iter().filter_map(|point| point.values.get(2));
    let worst = apart.map(|(hit, _, closed)| (hit - closed).abs()).fold(0.0, f64::max);
    let tried = format!("{} reactions from 0.1 to 40 ms", REACTIONS.len());
    let what = "share of bits hit, largest distance from max(0, 1 - reaction/air)";
    // A bit under way when the noise begins is hit as a whole: one bit of the slot, rounded up.
    let bit = libm::ceil(1e10 / bps / air_us(ask, Content::Payload)) / 1e4;
    report.findings.push(Finding::value(Name::Follower, tried, what, "", worst).at_most(bit));
    report.curves.push(curve);
    Ok(())
}
