//! Propagation, fading and noise against published values and closed forms, through the whole
//! world: scenarios that are read, stations that come into step, speak and listen.
//!
//! Everything that a link is compared with is computed here again, apart from the code under test.

mod closed_forms;

use closed_forms::{NORMAL_999, agrees, bit_error, word_accepted};
use hopwright_sim::plan::Plan;
use hopwright_sim::run::Run;
use hopwright_sim::scenario::{Scenario, built_in_plan};
use hopwright_sim::world::{Content, Detail};
use std::path::Path;

const LIGHT_M_S: f64 = 299_792_458.0;
/// The middle of the built-in plan's raster, and its bit rate and bandwidth.
const HZ: f64 = 915.1e6;
const LINK_BPS: f64 = 50_000.0;
const CHANNEL_HZ: f64 = 200_000.0;

fn run_on(plan: Plan, text: &str, seed: u64) -> Run {
    let scenario = Scenario::parse("media", text, plan).expect("fits");
    Run::new(scenario, Some(seed), Detail::Frames, None).expect("a run")
}

fn run(text: &str, seed: u64) -> Run {
    run_on(built_in_plan().expect("built in"), text, seed)
}

fn vhf() -> Plan {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("plans/larkfell-vhf.toml");
    Plan::load(&file).expect("a shipped plan")
}

/// The mean of `f(g)` over Rayleigh fading: exponentially distributed `g`, integrated by the
/// midpoint rule over its quantiles.
fn over_rayleigh(mean: f64, f: impl Fn(f64) -> f64) -> f64 {
    let steps = 200_000;
    let quantile = |i: i32| -mean * (1.0 - (f64::from(i) + 0.5) / f64::from(steps)).ln();
    (0..steps).map(|i| f(quantile(i))).sum::<f64>() / f64::from(steps)
}

/// Of the payload slots of `node` that `listener` waited for: how many it heard, and how many.
fn heard(run: &Run, node: usize, listener: usize, interfered: Option<bool>) -> (u32, u32) {
    let trace = run.world.trace();
    let both = trace.sent.iter().zip(&trace.frames);
    let slots = both.filter(|(sent, frame)| {
        sent.node == node
            && sent.content == Content::Payload
            && frame.awaited_by.contains(&listener)
            && interfered.is_none_or(|wanted| sent.interfered == wanted)
    });
    slots.fold((0, 0), |(hits, n), (_, frame)| {
        (hits + u32::from(frame.heard_by.contains(&listener)), n + 1)
    })
}

/// A weak station, a strong timekeeper beside it, and a listener five kilometres off.
fn weak(power_dbm: f64, more: &str) -> String {
    format!(
        "[scenario]\nname = \"weak\"\nduration_s = 140\nplan = \"\"\n\
         [[station]]\nname = \"strong\"\naddress = \"01\"\nrole = \"timekeeper\"\npower_dbm = 60\n\
         [[station]]\nname = \"weak\"\naddress = \"02\"\nx_m = 300\npower_dbm = {power_dbm}\n\
         [[station]]\nname = \"listener\"\naddress = \"03\"\nx_m = 300\ny_m = 5_000\n\
         [[announce]]\nat_s = 5\nby = \"strong\"\n\
         [[over]]\nat_s = 12\nfrom = \"weak\"\nto = \"03\"\ntalk_s = 120\n{more}"
    )
}

/// The power at which the listener of [`weak`] gets the ratio `g` of energy per bit to the density
/// of thermal noise behind a figure of 8 dB (ITU-R P.525; kT at 290 K).
fn power_for(g_db: f64) -> f64 {
    let loss_db = 20.0 * (4.0 * std::f64::consts::PI * 5_000.0 * HZ / LIGHT_M_S).log10();
    -173.975_187 + 8.0 + 10.0 * LINK_BPS.log10() + g_db + loss_db
}

/// In flat Rayleigh fading the mean bit error probability is `1 / (2 + g)` (J. Proakis and M. Salehi),
/// which the integral below must give; the words that a radio recognises follow from the same
/// integral.
#[test]
fn words_in_rayleigh_fading() {
    for (g, wanted) in [(10.0, 0.083_333_3), (100.0, 9.803_922e-3)] {
        assert!((over_rayleigh(g, bit_error) - wanted).abs() < 1e-4 * wanted.max(1e-2));
    }
    for (g_db, seed) in [(6.0, 1), (10.0, 2), (16.0, 3)] {
        let fading = "[propagation]\nfading = \"rayleigh\"\n";
        let run = run(&weak(power_for(g_db), fading), seed);
        let p = over_rayleigh(10.0_f64.powf(g_db / 10.0), |g| word_accepted(bit_error(g)));
        assert!((0.2..=0.97).contains(&p), "{g_db} dB: {p}");
        let (hits, n) = heard(&run, 1, 2, None);
        assert!(n > 4_000, "{g_db} dB: {n}");
        agrees(hits, n, p, &format!("{g_db} dB"));
    }
}

/// A steady wave among others fades less: between no fading and Rayleigh fading, and the same as
/// either at its ends.
#[test]
fn a_steady_wave_fades_less() {
    let share = |fading: &str| {
        let (hits, n) = heard(&run(&weak(power_for(9.0), fading), 4), 1, 2, None);
        f64::from(hits) / f64::from(n)
    };
    let none = share("");
    let rician = share("[propagation]\nfading = \"rician\"\nk_db = 6\n");
    let rayleigh = share("[propagation]\nfading = \"rayleigh\"\n");
    assert!(none > rician + 0.02 && rician > rayleigh + 0.02, "{none} {rician} {rayleigh}");
    assert!((share("[propagation]\nfading = \"rician\"\nk_db = 40\n") - none).abs() < 0.02);
    assert!((share("[propagation]\nfading = \"rician\"\nk_db = -30\n") - rayleigh).abs() < 0.03);
}

/// Partial-band noise of a fixed whole power over a share of the band: `rho / 2 exp(-rho g / 2)`
/// (J. Proakis and M. Salehi; M. Simon, J. Omura, R. Scholtz, B. Levitt, Spread Spectrum Communications
/// Handbook, part 2, citation from memory). What a radio recognises in the covered channels follows
/// from the same error probability; in the others nothing is lost.
#[test]
fn partial_band_noise_of_a_fixed_power() {
    // A value of the published law at 10 dB over 40 % of the band.
    assert!((0.4 * bit_error(0.4 * 10.0) - 2.706_706e-2).abs() < 1e-7);
    for (rho, seed) in [(0.2, 1), (0.4, 2), (0.6, 3)] {
        // Strong against thermal noise; g is what the interference leaves.
        let g = 10.0_f64;
        let in_a_channel = CHANNEL_HZ / LINK_BPS / (rho * g);
        let more = format!(
            "[[interferer]]\nname = \"i\"\nshare = {rho}\nlayout = \"scattered\"\n\
             above_wanted_db = {}\nfrom_s = 11.5\n",
            10.0 * in_a_channel.log10()
        );
        // The strongest wanted signal is the weak station's, but for the announce.
        let text = weak(30.0, &more).replace("power_dbm = 60", "power_dbm = -40");
        let text = text.replace("x_m = 300\ny_m = 5_000", "x_m = 300\ny_m = 400");
        let run = run(&text, seed);
        let (hits, n) = heard(&run, 1, 2, Some(true));
        assert!(n > 800, "{rho}: {n}");
        agrees(hits, n, word_accepted(bit_error(rho * g)), &format!("{rho}, covered"));
        let (hits, n) = heard(&run, 1, 2, Some(false));
        assert_eq!(hits, n, "{rho}, clear");
        // How often a covered channel comes is the share of the band (a balanced draw varies less
        // than the binomial; the rendezvous channels may hold more or fewer).
        let (_, covered) = heard(&run, 1, 2, Some(true));
        let share = f64::from(covered) / f64::from(covered + n);
        assert!((share - rho).abs() < 0.1, "{rho}: {share}");
    }
}

/// The loss between two antennas over flat ground, from the complex sum of both waves.
fn two_rays_db(ground_m: f64, (one, other): (f64, f64), hz: f64) -> f64 {
    let k = 2.0 * std::f64::consts::PI * hz / LIGHT_M_S;
    let direct = ground_m.hypot(one - other);
    let reflected = ground_m.hypot(one + other);
    let (re, im) = (
        (k * direct).cos() / direct - (k * reflected).cos() / reflected,
        (k * direct).sin() / direct - (k * reflected).sin() / reflected,
    );
    -20.0 * (re.hypot(im) / (2.0 * k)).log10()
}

/// Values of the exact two-ray sum, computed independently, and the sum above; then what a scenario
/// makes of heights, also while a station climbs.
#[test]
fn two_rays_in_a_scenario() {
    for (mhz, heights, db) in
        [(50.0, (10.0, 2.0), 93.9809), (225.0, (10.0, 2.0), 93.9932), (900.0, (30.0, 1.5), 88.0119)]
    {
        assert!((two_rays_db(1_000.0, heights, mhz * 1e6) - db).abs() < 1e-4);
    }
    let text = "[scenario]\nname = \"rays\"\nduration_s = 20\nplan = \"\"\n\
        [propagation]\nmodel = \"two-ray\"\n\
        [[station]]\nname = \"mast\"\naddress = \"01\"\nrole = \"timekeeper\"\nheight_m = 30\n\
        [[station]]\nname = \"hand\"\naddress = \"02\"\nx_m = 3_000\nheight_m = 1.5\n\
        [[station]]\nname = \"car\"\naddress = \"03\"\nx_m = 4_000\n\
        [[move]]\nstation = \"car\"\nat_s = 2\nto_x_m = 8_000\nto_y_m = 0\nto_height_m = 300\nover_s = 10\n\
        [[announce]]\nat_s = 5\nby = \"mast\"\n";
    let run = run(text, 1);
    let loss = |from, to| 30.0 - run.world.medium().received_dbm(from, to);
    assert!((loss(0, 1) - two_rays_db(3_000.0, (30.0, 1.5), HZ)).abs() < 1e-6);
    assert!((loss(1, 0) - loss(0, 1)).abs() < 1e-9);
    assert!((loss(0, 2) - two_rays_db(8_000.0, (30.0, 300.0), HZ)).abs() < 1e-6);
    assert_eq!(run.world.nodes()[2].place.height_m, 300.0);
}

/// Shadowing is normal in dB with the given deviation, the same both ways, different for each pair,
/// and belongs to names and not to places in a list.
#[test]
fn shadowing_belongs_to_pairs() {
    let sigma = 8.0;
    let text = |names: &[u32], sigma: f64| {
        let mut text = format!(
            "[scenario]\nname = \"shadows\"\nduration_s = 1\nplan = \"\"\n\
             [propagation]\nmodel = \"log-distance\"\nexponent = 3\nshadowing_db = {sigma}\n"
        );
        for i in names {
            text += &format!(
                "[[station]]\nname = \"s{i}\"\naddress = \"{i:02x}\"\nx_m = {}\ny_m = {}\n",
                i * 37,
                (i * i) % 1_000
            );
        }
        text
    };
    let names: Vec<u32> = (0..60).collect();
    let shadowed = run(&text(&names, sigma), 1);
    let plain = run(&text(&names, 0.0), 1);
    let mut deviates = Vec::new();
    for i in 0..60 {
        for j in 0..i {
            let db = |run: &Run, a, b| run.world.medium().received_dbm(a, b);
            assert!((db(&shadowed, i, j) - db(&shadowed, j, i)).abs() < 1e-9);
            deviates.push((db(&plain, i, j) - db(&shadowed, i, j)) / sigma);
        }
    }
    let n = deviates.len() as f64;
    let mean = deviates.iter().sum::<f64>() / n;
    let variance = deviates.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0);
    assert!(mean.abs() < NORMAL_999 / n.sqrt(), "{mean}");
    // The variance of a sample variance of normal deviates is 2 / (n - 1) (elementary).
    assert!((variance - 1.0).abs() < NORMAL_999 * (2.0 / (n - 1.0)).sqrt(), "{variance}");
    // The 90 % margin of a lognormal of 8 dB is 10.2524 dB (the normal quantile).
    let beyond = deviates.iter().map(|x| u32::from(x * sigma > 10.2524)).sum();
    agrees(beyond, 60 * 59 / 2, 0.1, "beyond the 90 % margin");
    let backwards: Vec<u32> = (0..60).rev().collect();
    let backwards = run(&text(&backwards, sigma), 1);
    for (i, j) in [(0, 1), (5, 40), (59, 3)] {
        let there = shadowed.world.medium().received_dbm(i, j);
        let here = backwards.world.medium().received_dbm(59 - i, 59 - j);
        assert!((there - here).abs() < 1e-9, "{i} {j}");
    }
}

/// A rural place in VHF: noise by ITU-R P.372 (`c - d log f`, rural: 67.2 and 27.7) on top of a receiver
/// of 10 dB, and free-space loss, each at the channel's own frequency. The share of words heard is
/// the mean over the channels that are in use.
#[test]
fn noise_of_a_rural_place() {
    let plan = vhf();
    let raster = plan.raster();
    let hopset = plan.hopset(hopwright_core::units::Lane::ZERO).expect("lane 0");
    for (power_dbm, seed) in [(-27.0, 1), (-25.0, 2)] {
        let accepted = |hz: f64| {
            let mhz = hz / 1e6;
            let external = 10.0_f64.powf((67.2 - 27.7 * mhz.log10()) / 10.0);
            let receiver = 10.0_f64.powf(10.0 / 10.0);
            let noise_mw_hz = 1.380_649e-20 * 290.0 * (external + receiver - 1.0);
            let loss_db = 20.0 * (4.0 * std::f64::consts::PI * 5_000.0 * hz / LIGHT_M_S).log10();
            let mw = 10.0_f64.powf((power_dbm - loss_db) / 10.0);
            word_accepted(bit_error(mw / 20_000.0 / noise_mw_hz))
        };
        let channels = hopset.channels().iter();
        let all: Vec<f64> = channels
            .map(|channel| accepted(raster.frequency(*channel).expect("a channel").hz() as f64))
            .collect();
        let p = all.iter().sum::<f64>() / all.len() as f64;
        assert!((0.1..=0.9).contains(&p), "{power_dbm} dBm: {p}");
        let more = "[radio]\nnoise_figure_db = 10\nenvironment = \"rural\"\n";
        let run = run_on(vhf(), &weak(power_dbm, more), seed);
        let (hits, n) = heard(&run, 1, 2, None);
        assert!(n > 3_500, "{power_dbm} dBm: {n}");
        agrees(hits, n, p, &format!("{power_dbm} dBm"));
        // Losses and noise go with the frequency: one taken in the middle of the band would differ.
        let middle = accepted(59e6);
        assert!((p - middle).abs() > 0.015, "{p} and {middle} cannot be told apart");
    }
}

const GROUPS: &str = "[scenario]\nname = \"groups\"\nduration_s = 600\nplan = \"\"\n\
    [[station]]\nname = \"post\"\naddress = \"00\"\nrole = \"timekeeper\"\n\
    [[group]]\nname = \"gauge\"\ncount = 40\nfirst_address = \"10\"\nx_m = 1_000\nradius_m = 500\n\
    [[group]]\nname = \"mast\"\ncount = 3\nfirst_address = \"F0\"\nheight_m = 30\npower_dbm = 20\n\
    [[announce]]\nat_s = 3\nby = \"post\"\n\
    [[traffic]]\nname = \"morning\"\nfrom_s = 15\nbusy = 0.3\ntalk_s = 4\n";

/// Groups are stations like others: named and addressed in order, on a disc about their place.
#[test]
fn groups_are_stations() {
    let run = run(GROUPS, 1);
    let stations = &run.scenario.radio.stations;
    assert_eq!(stations.len(), 44);
    assert_eq!(run.measured["stations.in_step"].value, 44.0);
    let (first, last) = (&stations[1], &stations[40]);
    assert_eq!((first.name.as_str(), first.address.number()), ("gauge 1", 0x10));
    assert_eq!((last.name.as_str(), last.address.number()), ("gauge 40", 0x37));
    assert_eq!(stations[43].address.number(), 0xF2);
    assert_eq!((stations[43].place.height_m, stations[43].power_dbm), (30.0, 20.0));
    let away = |i: usize| (stations[i].place.x_m - 1_000.0).hypot(stations[i].place.y_m);
    assert!((1..=40).all(|i| away(i) <= 500.0), "outside the disc");
    // Even over the area: half of them within 1 / sqrt(2) of the radius (elementary).
    let inner = (1..=40).map(|i| u32::from(away(i) < 500.0 / 2.0_f64.sqrt())).sum();
    agrees(inner, 40, 0.5, "inner half of the area");
    assert!((1..=40).all(|i| (1..i).all(|j| stations[i].place != stations[j].place)));
}

/// Traffic keeps the net busy for its share of the time, with speakers of the net, one at a time.
#[test]
fn traffic_is_busy_for_its_share() {
    let text = GROUPS.replace("duration_s = 600", "duration_s = 4_000");
    let run = run(&text, 1);
    let overs = &run.scenario.overs;
    let talk_s = overs.iter().map(|over| over.talk_us as f64 / 1e6).sum::<f64>();
    // The number of overs in a time T is a renewal count: mean T b / talk, variance close to
    // (1 - b)^2 of that, since pauses are exponential and talks constant (elementary).
    let n = 0.3 * 3_985.0 / 4.0;
    let play = NORMAL_999 * 0.7 * f64::sqrt(n) * 4.0;
    assert!((talk_s - n * 4.0).abs() < play, "{talk_s} s, not {} +- {play}", n * 4.0);
    assert!(overs.windows(2).all(|pair| pair[0].at_us + pair[0].talk_us <= pair[1].at_us));
    let speakers: std::collections::BTreeSet<usize> = overs.iter().map(|over| over.from).collect();
    assert!(speakers.len() > 40, "{speakers:?}");
    // They were really said.
    let trace = run.world.trace();
    let said = trace.overs.iter().filter(|over| over.payload_slots > 100).count();
    assert!(said * 100 > overs.len() * 98, "{said} of {}", overs.len());
    assert_eq!(trace.refused.len(), 0);
}

/// Addresses belong to a net: two nets may use the same.
#[test]
fn each_lane_has_addresses_of_its_own() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("plans/larkfell-lanes.toml");
    let text = "[scenario]\nname = \"twice\"\nduration_s = 30\nplan = \"\"\n\
        [[station]]\nname = \"a\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"b\"\naddress = \"11\"\n\
        [[station]]\nname = \"c\"\naddress = \"10\"\nlane = 1\nrole = \"timekeeper\"\n\
        [[station]]\nname = \"d\"\naddress = \"11\"\nlane = 1\n\
        [[announce]]\nat_s = 3\nby = \"a\"\n[[announce]]\nat_s = 4\nby = \"c\"\n\
        [[over]]\nat_s = 12\nfrom = \"a\"\nto = \"11\"\ntalk_s = 5\n\
        [[over]]\nat_s = 12\nfrom = \"c\"\nto = \"11\"\ntalk_s = 5\n";
    let run = run_on(Plan::load(&file).expect("a shipped plan"), text, 1);
    assert_eq!(run.measured["calls.missed"].value, 0.0);
    assert_eq!(run.measured["calls.strays"].value, 0.0);
    let trace = run.world.trace();
    let called: Vec<_> = trace.overs.iter().map(|over| over.called.clone()).collect();
    assert_eq!(called, [vec![1], vec![3]]);
    assert_eq!(run.measured["payload.garbled"].value, 0.0);
}

/// A seed decides places and overs too, whether it stands in the text or is given besides.
#[test]
fn groups_and_traffic_follow_the_seed() {
    let read = |seed: u64| {
        let text = GROUPS.replace("duration_s", &format!("seed = {seed}\nduration_s"));
        Scenario::parse("media", &text, built_in_plan().expect("built in")).expect("fits")
    };
    let places = |scenario: &Scenario| -> Vec<(f64, f64)> {
        scenario.radio.stations.iter().map(|s| (s.place.x_m, s.place.y_m)).collect()
    };
    let own = run(GROUPS, 1).scenario;
    for seed in [1, 2, 3] {
        let (given, written) = (run(GROUPS, seed), read(seed));
        assert_eq!(given.scenario.radio, written.radio, "seed {seed}");
        assert_eq!(given.scenario.overs, written.overs, "seed {seed}");
        let again = Run::new(written, None, Detail::Frames, None).expect("a run");
        assert_eq!(again.world.digest(), given.world.digest(), "seed {seed}");
        if seed != 1 {
            assert_ne!(places(&given.scenario), places(&own), "seed {seed}");
            assert_ne!(given.scenario.overs, own.overs, "seed {seed}");
        }
    }
    // And back: nothing of another seed stays.
    let mut back = read(2);
    back.reseed(1);
    assert_eq!((&back.radio, &back.overs), (&own.radio, &own.overs));
}
