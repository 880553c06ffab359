//! How often each channel was used for traffic, and whether the plan's draw explains it.
//!
//! What is counted are payloads and headers in traffic slots of home time: sync slots and runs of
//! them visit the rendezvous channels by design, and are counted apart.
//!
//! Pearson's statistic is `X = sum (O - E)^2 / E` over the traffic channels (K. Pearson, 1900). Slots
//! of one cycle of a balanced draw over `n` channels are drawn without putting back: a channel is
//! among `L` of them with probability `p = L / n`, at most once, and cycles are independent. So
//! `E(O) = sum p` and `Var(O) = sum p (1 - p)` over the cycles, and the mean of `X` is
//! `sum Var(O) / E(O)` over the channels. With the independent draw every slot is a cycle of its
//! own and the mean is `n - 1`, that of the chi-square distribution with as many degrees of freedom.
//! The band is that distribution's central 99.9 %, scaled to the mean; its quantiles are those of
//! E. Wilson and M. Hilferty (1931). Citations from memory. For a balanced draw the scaled
//! distribution is an approximation that gets better with the number of cycles.

use crate::run::Run;
use crate::world::{Changed, Content, Says};
use hopwright_core::sequence::{Draw, Sequence};
use hopwright_core::units::{Channel, Lane};
use std::collections::{BTreeMap, BTreeSet};

/// Two-sided 99.9 % of the normal distribution.
const NORMAL_999: f64 = 3.290_527;
/// Fewer uses of a channel than this on average, and the approximations are worth nothing: a
/// common rule of thumb (W. G. Cochran, 1954, from memory).
const LEAST_EXPECTED: f64 = 5.0;

/// How often the channels of a net were used.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelUse {
    /// The net.
    pub lane: Lane,
    /// Every channel of its hopset, ascending.
    pub bars: Vec<Bar>,
    /// What the statistic says; `None` if there were too few slots for one.
    pub fit: Option<Fit>,
    /// Slots of traffic that count for it.
    pub slots: u64,
    /// Whether the plan's draw is balanced.
    pub balanced: bool,
    /// Slots that do not count: drawn under a key that nobody has any more.
    pub left_out: u64,
}

/// How often a channel was used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// The channel.
    pub channel: Channel,
    /// For payloads and headers in traffic slots.
    pub traffic: u64,
    /// For sync slots, announces and other runs.
    pub sync: u64,
    /// How often the draw puts traffic on it.
    pub expected: f64,
    /// The central 99.9 % of that.
    pub band: (f64, f64),
}

/// Pearson's statistic and where the draw puts it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// The statistic.
    pub statistic: f64,
    /// Degrees of freedom.
    pub freedom: u64,
    /// Its mean by the draw.
    pub mean: f64,
    /// The central 99.9 % of it by the draw.
    pub band: (f64, f64),
}

impl Fit {
    /// Whether the draw explains it.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.band.0 <= self.statistic && self.statistic <= self.band.1
    }
}

/// Slots that are drawn together.
#[derive(Debug, Clone)]
struct Group<'a> {
    /// From among these.
    channels: &'a BTreeSet<Channel>,
    /// How many.
    slots: u64,
}

/// The use of the channels by each net.
#[must_use]
pub fn channel_uses(run: &Run) -> Vec<ChannelUse> {
    run.scenario.radio.lanes().into_iter().filter_map(|lane| of_net(run, lane)).collect()
}

fn of_net(run: &Run, lane: Lane) -> Option<ChannelUse> {
    let (scenario, trace) = (&run.scenario, run.world.trace());
    let before = scenario.plan.sequence(lane).ok()?;
    let structure = *before.structure();
    let stations = &scenario.radio.stations;
    // Changes of this net's key, which draw anew: of several only the first and the last key are known.
    let own = |c: &&Changed| stations[scenario.withdrawals[c.number].by].lane == lane;
    let changes = || trace.changes.iter().filter(own);
    let last = changes().count();
    let with_key = (0..stations.len())
        .find(|node| stations[*node].lane == lane && run.world.has_net_key(*node));
    let after = with_key.map(|node| run.world.nodes()[node].station.sequence());
    let sets = [Some(traffic_channels(&before)), after.map(traffic_channels)];
    let mut counted: BTreeMap<Channel, (u64, u64)> =
        before.hopset().channels().iter().map(|channel| (*channel, (0, 0))).collect();
    let mut groups: BTreeMap<(usize, u64), u64> = BTreeMap::new();
    let (mut slots, mut left_out) = (0, 0);
    for sent in trace.sent.iter().filter(|sent| stations[sent.node].lane == lane) {
        let Some(count) = counted.get_mut(&sent.channel) else { continue };
        let Some(slot) = sent.slot else { continue };
        if sent.content == Content::SyncHeader {
            count.1 += 1;
            continue;
        }
        // An order is sent under the key that it changes, also after the change.
        let says = sent.over.and_then(|over| trace.overs.get(over)).map(|over| over.says);
        let generation = match says {
            Some(Says::Order(order)) => trace.changes.iter().take(order).filter(own).count(),
            _ => changes().filter(|change| change.slot <= slot).count(),
        };
        let key = match generation {
            0 => 0,
            n if n == last && after.is_some() => 1,
            _ => {
                left_out += 1;
                continue;
            }
        };
        count.0 += 1;
        slots += 1;
        let cycle = match structure.draw {
            // Cycles count traffic slots. Which slot of a frame is not one is left open here: a
            // slot at the edge of a cycle may be taken for one of its neighbour.
            Draw::Balanced => {
                let frame = u64::from(structure.frame);
                let ordinal = u64::from(slot.number()) * (frame - 1) / frame;
                ordinal / u64::from(before.traffic_count()).max(1)
            }
            _ => slots,
        };
        *groups.entry((key, cycle)).or_default() += 1;
    }
    let groups: Vec<Group<'_>> = groups
        .iter()
        .filter_map(|((key, _), slots)| {
            Some(Group { channels: sets[*key].as_ref()?, slots: *slots })
        })
        .collect();
    let (expected, variance) = explained(&groups);
    let bars: Vec<Bar> = counted
        .iter()
        .map(|(channel, (traffic, sync))| {
            let mean = expected.get(channel).copied().unwrap_or_default();
            // Half a use more: counts are whole.
            let play = variance.get(channel).map_or(0.0, |v| NORMAL_999 * libm::sqrt(*v) + 0.5);
            let band = ((mean - play).max(0.0), mean + play);
            Bar { channel: *channel, traffic: *traffic, sync: *sync, expected: mean, band }
        })
        .collect();
    let balanced = structure.draw == Draw::Balanced;
    let fit = fit(&counted, &expected, &variance);
    Some(ChannelUse { lane, bars, fit, slots, balanced, left_out })
}

fn traffic_channels<const N: usize>(sequence: &Sequence<N>) -> BTreeSet<Channel> {
    let mut channels: BTreeSet<Channel> = sequence.hopset().channels().iter().copied().collect();
    if sequence.structure().equal_use {
        for channel in sequence.rendezvous() {
            channels.remove(&channel);
        }
    }
    channels
}

/// Mean and variance of the uses of each channel, by channel.
type Moments = BTreeMap<Channel, f64>;

fn explained(groups: &[Group<'_>]) -> (Moments, Moments) {
    let (mut mean, mut variance) = (Moments::new(), Moments::new());
    for group in groups {
        let p = (group.slots as f64 / group.channels.len() as f64).min(1.0);
        for channel in group.channels {
            *mean.entry(*channel).or_default() += p;
            *variance.entry(*channel).or_default() += p * (1.0 - p);
        }
    }
    (mean, variance)
}

fn fit(
    counted: &BTreeMap<Channel, (u64, u64)>,
    expected: &Moments,
    variance: &Moments,
) -> Option<Fit> {
    let least = expected.values().copied().fold(f64::INFINITY, f64::min);
    if expected.len() < 2 || least < LEAST_EXPECTED {
        return None;
    }
    let (mut statistic, mut mean) = (0.0, 0.0);
    for (channel, e) in expected {
        let observed = counted.get(channel).map_or(0, |(traffic, _)| *traffic);
        let off = observed as f64 - e;
        statistic += off * off / e;
        mean += variance.get(channel).copied().unwrap_or_default() / e;
    }
    let freedom = expected.len() as u64 - 1;
    let scale = mean / freedom as f64;
    let band = (scale * quantile(freedom, -NORMAL_999), scale * quantile(freedom, NORMAL_999));
    Some(Fit { statistic, freedom, mean, band })
}

/// The chi-square quantile that a normal deviate `z` belongs to.
fn quantile(freedom: u64, z: f64) -> f64 {
    let n = freedom as f64;
    let share = 2.0 / (9.0 * n);
    let root = (1.0 - share + z * libm::sqrt(share)).max(0.0);
    n * root * root * root
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    #[test]
    fn quantiles_are_those_of_published_tables() {
        // NIST/SEMATECH e-Handbook 1.3.6.7.4, from memory: 0.001 lower and upper, z = 3.0902. The
        // approximation is poorest for few degrees of freedom; it is off to the side of a wider band.
        for (freedom, lower, upper, play) in
            [(10, 1.479, 29.588, 0.07), (50, 24.674, 86.661, 0.005)]
        {
            let (low, high) = (quantile(freedom, -3.090_232), quantile(freedom, 3.090_232));
            assert!(
                (1.0 - play..=1.0).contains(&(low / lower)),
                "{freedom}: {low} against {lower}"
            );
            assert!((high / upper - 1.0).abs() < 0.01, "{freedom}: {high} against {upper}");
        }
    }

    fn below(rng: &mut ChaCha8Rng, n: usize) -> usize {
        usize::try_from((u64::from(rng.next_u32()) * n as u64) >> 32).expect("small")
    }

    /// A campaign of its own: 400 runs of 40 pieces of cycles.
    fn campaign(balanced: bool, biased: bool) -> (f64, f64, usize) {
        let channels: BTreeSet<Channel> = (0..60).filter_map(Channel::new).collect();
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let (mut sum, mut mean, mut within) = (0.0, 0.0, 0);
        for _ in 0..400 {
            let mut counted: BTreeMap<Channel, (u64, u64)> =
                channels.iter().map(|c| (*c, (0, 0))).collect();
            let mut groups = Vec::new();
            for _ in 0..40 {
                let mut left: Vec<Channel> = channels.iter().copied().collect();
                let length = 5 + below(&mut rng, 50);
                for _ in 0..length {
                    let mut index = below(&mut rng, left.len());
                    if biased && below(&mut rng, 6) == 0 {
                        index = 0;
                    }
                    let channel = if balanced { left.swap_remove(index) } else { left[index] };
                    counted.get_mut(&channel).expect("one of them").0 += 1;
                }
                let pieces = if balanced { vec![length] } else { vec![1; length] };
                groups
                    .extend(pieces.iter().map(|n| Group { channels: &channels, slots: *n as u64 }));
            }
            let (expected, variance) = explained(&groups);
            let fit = fit(&counted, &expected, &variance).expect("enough slots");
            sum += fit.statistic / 400.0;
            mean += fit.mean / 400.0;
            within += usize::from(fit.holds());
        }
        (sum, mean, within)
    }

    #[test]
    fn the_mean_is_that_of_both_draws_and_the_band_holds_nearly_all() {
        let (independent, mean, within) = campaign(false, false);
        assert!((mean - 59.0).abs() < 1e-9, "{mean}");
        // Standard deviation of the mean of 400: sqrt(2 * 59 / 400) = 0.54.
        assert!((independent - 59.0).abs() < 4.0 * 0.54, "{independent}");
        assert!(within >= 396, "{within}");
        let (balanced, mean, within) = campaign(true, false);
        assert!((balanced / mean - 1.0).abs() < 0.04, "{balanced} against {mean}");
        assert!(mean < 40.0, "the balanced draw is more even: {mean}");
        assert!(within >= 396, "{within}");
    }

    #[test]
    fn a_draw_that_prefers_a_channel_is_found_out() {
        let (_, _, within) = campaign(false, true);
        assert_eq!(within, 0);
    }

    #[test]
    fn a_handful_of_slots_has_no_statistic() {
        let channels: BTreeSet<Channel> = (0..10).filter_map(Channel::new).collect();
        let counted = channels.iter().map(|c| (*c, (4, 0))).collect();
        let (expected, variance) = explained(&[Group { channels: &channels, slots: 4 }]);
        assert_eq!(fit(&counted, &expected, &variance), None);
    }
}
