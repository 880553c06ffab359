//! Simulated links against closed forms, through the whole world: stations that come into step,
//! speak and listen. What a radio hears of another must be what the books say.
//!
//! Sources: free space, ITU-R P.525 (`20 log f + 20 log d + 32.447783 dB` in MHz and km); thermal
//! noise, -173.975187 dBm/Hz at 290 K; non-coherent binary FSK, `exp(-g / 2) / 2` (J. Proakis and
//! M. Salehi, Digital Communications). The numbers are computed here again, apart from the code
//! under test. A word counts as heard with at most 3 of 32 bits wrong: common practice, no source.

mod closed_forms;

use closed_forms::{agrees, bit_error, word_accepted};
use hopwright_sim::plan::Plan;
use hopwright_sim::run::Run;
use hopwright_sim::scenario::{Scenario, built_in_plan};
use hopwright_sim::world::{Content, Detail, Sent};

/// The middle of the raster of the built-in plan, at which losses are taken.
const MHZ: f64 = 915.1;
const NOISE_FIGURE_DB: f64 = 8.0;
const LINK_BPS: f64 = 50_000.0;
const CHANNEL_HZ: f64 = 200_000.0;

fn run(text: &str, seed: u64) -> Run {
    let plan = built_in_plan().expect("built in");
    let scenario = Scenario::parse("physics", text, plan).expect("fits");
    Run::new(scenario, Some(seed), Detail::Transmissions, None).expect("a run")
}

/// Payload slots of a node that somebody waited for.
fn awaited(run: &Run, node: usize) -> Vec<&Sent> {
    let sent = run.world.trace().sent.iter();
    let some = |s: &&Sent| s.node == node && s.content == Content::Payload && s.listeners > 0;
    sent.filter(some).collect()
}

/// A strong timekeeper gives time to a weak station and to listeners; then the weak one speaks.
#[test]
fn weak_signals_are_heard_as_often_as_the_binomial_says() {
    // Metres to the listener, and powers that put the acceptance between 0.2 and 0.8.
    let metres = 5_000.0_f64;
    let loss_db = 20.0 * MHZ.log10() + 20.0 * (metres / 1e3).log10() + 32.447_783;
    let noise_dbm = -173.975_187 + NOISE_FIGURE_DB + 10.0 * LINK_BPS.log10();
    for (snr_db, seed) in [(3.6, 1), (4.5, 2), (5.4, 3)] {
        let power_dbm = noise_dbm + snr_db + loss_db;
        let text = format!(
            "[scenario]\nname = \"weak\"\nduration_s = 140\nplan = \"\"\n\
             [radio]\nnoise_figure_db = {NOISE_FIGURE_DB}\n\
             [[station]]\nname = \"strong\"\naddress = \"01\"\nrole = \"timekeeper\"\n\
             [[station]]\nname = \"weak\"\naddress = \"02\"\nx_m = 300\npower_dbm = {power_dbm}\n\
             [[station]]\nname = \"listener\"\naddress = \"03\"\nx_m = 300\ny_m = {metres}\n\
             [[announce]]\nat_s = 5\nby = \"strong\"\n\
             [[over]]\nat_s = 12\nfrom = \"weak\"\nto = \"03\"\ntalk_s = 120\n"
        );
        let run = run(&text, seed);
        assert_eq!(run.measured["stations.in_step"].value, 3.0);
        let p = word_accepted(bit_error(10.0_f64.powf(snr_db / 10.0)));
        assert!((0.2..=0.8).contains(&p), "{snr_db} dB: {p}");
        // The strong station sits 300 m away and hears everything: what is more than that is the
        // listener's.
        let slots = awaited(&run, 1);
        let both: Vec<_> = slots.iter().filter(|s| s.listeners == 2).collect();
        let heard: u32 = both.iter().map(|s| s.heard - 1).sum();
        assert!(both.len() > 4_000, "{}", both.len());
        agrees(heard, u32::try_from(both.len()).expect("few"), p, &format!("{snr_db} dB"));
    }
}

/// Traffic channels of the plan: all but the rendezvous channels.
fn clear_share(run: &Run) -> f64 {
    let sequence = run.scenario.plan.sequence(hopwright_core::units::Lane::ZERO).expect("lane 0");
    let rendezvous: Vec<_> = sequence.rendezvous().collect();
    let all = sequence.hopset().channels().iter();
    let traffic: Vec<_> = all.filter(|c| !rendezvous.contains(c)).collect();
    assert_eq!(traffic.len(), 112);
    let covered = |c: &hopwright_core::units::Channel| {
        run.world.medium().interferers().iter().any(|i| i.channels.contains(*c))
    };
    traffic.iter().filter(|c| !covered(c)).count() as f64 / traffic.len() as f64
}

/// The share of the hopset that is jammed is the share that is lost, wherever it lies (check
/// values 6, band-hit arithmetic): 40 dB above the wanted signal nothing gets through, and beside
/// the interference nothing is lost. A balanced draw varies less than the binomial distribution
/// allows (sampling without replacement).
#[test]
fn partial_band_interference_costs_its_share() {
    for layout in ["contiguous", "scattered"] {
        for (share, seed) in [(0.0, 1), (0.2, 2), (0.4, 3), (0.7, 4)] {
            let text = format!(
                "[scenario]\nname = \"band\"\nduration_s = 60\nplan = \"\"\n\
                 [[station]]\nname = \"a\"\naddress = \"01\"\nrole = \"timekeeper\"\n\
                 [[station]]\nname = \"b\"\naddress = \"02\"\nx_m = 4_000\n\
                 [[interferer]]\nname = \"i\"\nshare = {share}\nlayout = \"{layout}\"\n\
                 above_wanted_db = 40\nfrom_s = 9.5\n\
                 [[announce]]\nat_s = 5\nby = \"a\"\n\
                 [[over]]\nat_s = 10\nfrom = \"a\"\nto = \"all\"\ntalk_s = 40\n"
            );
            let run = run(&text, seed);
            let clear = clear_share(&run);
            // 128 channels of the hopset, of which a rounded share is covered; 16 of them carry
            // no traffic.
            assert!((clear - (1.0 - share)).abs() <= 16.5 / 112.0, "{layout} {share}: {clear}");
            let slots = awaited(&run, 0);
            assert!(slots.len() > 1_500, "{layout} {share}: {}", slots.len());
            assert!(slots.iter().all(|s| (s.heard == 1) != s.interfered), "{layout} {share}");
            let heard: u32 = slots.iter().map(|s| s.heard).sum();
            let n = u32::try_from(slots.len()).expect("few");
            agrees(heard, n, clear, &format!("{layout} {share}"));
        }
    }
}

/// Two stations of one net press at the same moment and speak over each other, slot by slot on
/// the same channels, equally far from a listener. The other's signal is noise over the channel's
/// bandwidth: `g = (bandwidth / bit rate) * ratio`. A radio follows one of them in each slot.
#[test]
fn the_stronger_of_two_is_captured() {
    for (ratio_db, seed) in [(0.0, 1), (10.0, 2), (20.0, 3)] {
        let text = format!(
            "[scenario]\nname = \"capture\"\nduration_s = 80\nplan = \"\"\n\
             [[station]]\nname = \"listener\"\naddress = \"01\"\nrole = \"timekeeper\"\n\
             [[station]]\nname = \"one\"\naddress = \"02\"\nx_m = 2_000\npower_dbm = 30\n\
             [[station]]\nname = \"two\"\naddress = \"03\"\nx_m = -2_000\npower_dbm = {}\n\
             [[announce]]\nat_s = 5\nby = \"listener\"\n\
             [[over]]\nat_s = 10\nfrom = \"one\"\nto = \"all\"\ntalk_s = 60\n\
             [[over]]\nat_s = 10\nfrom = \"two\"\nto = \"all\"\ntalk_s = 60\n",
            30.0 - ratio_db
        );
        let run = run(&text, seed);
        let accepted =
            |db: f64| word_accepted(bit_error(CHANNEL_HZ / LINK_BPS * 10.0_f64.powf(db / 10.0)));
        let (strong, weak) = (accepted(ratio_db), accepted(-ratio_db));
        let (one, two) = (awaited(&run, 1), awaited(&run, 2));
        // The same slot of both: their clocks differ by some tens of microseconds, and in the run
        // at 0 dB one overtakes the other.
        let together = |a: &Sent, b: &Sent| a.at_us.abs_diff(b.at_us) < 1_000;
        let pairs: Vec<(&Sent, &Sent)> = one
            .iter()
            .filter_map(|a| two.iter().find(|b| together(a, b)).map(|b| (*a, *b)))
            .collect();
        let n = u32::try_from(pairs.len()).expect("few");
        assert!(n > 2_500, "{ratio_db} dB: {n}");
        assert!(pairs.iter().all(|(a, b)| a.channel == b.channel && a.heard + b.heard <= 1));
        let heard_one: u32 = pairs.iter().map(|(a, _)| a.heard).sum();
        let heard_two: u32 = pairs.iter().map(|(_, b)| b.heard).sum();
        // Whichever comes first is taken if it is accepted, else the other.
        let either = 1.0 - (1.0 - strong) * (1.0 - weak);
        agrees(heard_one + heard_two, n, either, &format!("{ratio_db} dB, either"));
        if ratio_db > 0.0 {
            assert!(weak < 1e-4 && strong > 0.999_9, "{ratio_db} dB: {weak}, {strong}");
            assert_eq!((heard_one, heard_two), (n, 0), "{ratio_db} dB");
        }
        // Each pair on the air is counted once.
        let overlapping = run.world.trace().totals.overlapping;
        assert!((2_900..=3_100).contains(&overlapping), "{ratio_db} dB: {overlapping}");
    }
}

/// The plan's numbers that the closed forms above take for granted.
#[test]
fn the_plan_is_the_one_that_the_closed_forms_assume() {
    let plan: Plan = built_in_plan().expect("built in");
    assert_eq!(f64::from(plan.timing().link_bps()), LINK_BPS);
    assert_eq!(plan.raster().occupied().hz() as f64, CHANNEL_HZ);
    let middle = hopwright_core::units::Channel::new(plan.raster().count() / 2);
    let hz = middle.and_then(|c| plan.raster().frequency(c)).expect("a channel").hz();
    assert_eq!(hz as f64 / 1e6, MHZ);
}
