//! One block: where its slots go, and what becomes of it.

use super::Point;
use crate::diagnostic::Diagnostic;
use crate::plan::{MAX_HOPSET, Plan};
use crate::world::child_seed;
use hopwright_core::coding::reed_solomon::{Positions, ReedSolomon};
use hopwright_core::keys::NetKey;
use hopwright_core::sequence::{Cursor, Draw, Sequence, SlotKind, Structure, Timeline};
use hopwright_core::units::{Channel, Lane, Slot};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Rows of a block that is really decoded.
const ROWS: usize = 2;

/// A stretch of traffic slots, each by the rank of its channel among those that traffic uses.
pub(super) struct Trial {
    ranks: Vec<u32>,
    seed: u64,
}

/// How many channels traffic uses in the plan's first lane.
pub(super) fn traffic_channels(plan: &Plan, draw: Draw) -> Result<u32, Diagnostic> {
    let structure = Structure { draw, ..plan.structure() };
    let sequence = plan.sequence_under(&plan.net_key(), structure, Lane::ZERO)?;
    Ok(u32::from(sequence.traffic_count()))
}

impl Trial {
    /// `count` traffic slots in a row, anywhere on the timeline of a net with a key of its own.
    pub(super) fn draw(
        plan: &Plan,
        draw: Draw,
        seed: u64,
        count: usize,
    ) -> Result<Self, Diagnostic> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut key = [0; 32];
        rng.fill_bytes(&mut key);
        let structure = Structure { draw, ..plan.structure() };
        let sequence = plan.sequence_under(&NetKey::new(key), structure, Lane::ZERO)?;
        let traffic = traffic_set(&sequence);
        let mut cursor = Box::new(Cursor::new(&sequence, Timeline::Home));
        // A traffic slot in the first sixteenth of the timeline, each as likely as any other.
        let first = loop {
            let slot = Slot::new(rng.next_u32() >> 4);
            if cursor.hop(&sequence, slot).kind == SlotKind::Traffic {
                break slot.number();
            }
        };
        let hops = (first..).map(|h| cursor.hop(&sequence, Slot::new(h)));
        let channels = hops.filter(|hop| hop.kind == SlotKind::Traffic).map(|hop| hop.channel);
        let rank = |channel| traffic.binary_search(&channel).unwrap_or_default();
        let ranks = channels.take(count).map(rank).filter_map(|rank| u32::try_from(rank).ok());
        Ok(Self { ranks: ranks.collect(), seed })
    }

    /// What becomes of a block that begins in the first slot, with the lowest channels jammed.
    /// (Which are, makes no difference: the key decides where a slot goes.)
    pub(super) fn count(&self, point: &mut Point, decode: bool) {
        let odds = point.odds;
        let damage = odds.damaged > 0.0;
        let mut rng = ChaCha8Rng::seed_from_u64(if damage {
            child_seed(self.seed, "damage")
        } else {
            self.seed
        });
        let (mut erased, mut damaged) = (Positions::NONE, Positions::NONE);
        for (position, rank) in (0..odds.n).zip(&self.ranks) {
            if *rank < odds.jammed {
                let hit = damage && share(&mut rng) < odds.damaged;
                if hit { &mut damaged } else { &mut erased }.insert(position);
            }
        }
        let lost = erased.len() + 2 * damaged.len() > u32::from(odds.n - odds.k);
        point.trials += 1;
        point.lost += u32::from(lost);
        if decode {
            point.decoded += 1;
            let whole = self.survives(&odds, &erased, &damaged, &mut rng);
            point.surprises += u32::from(whole != Some(!lost));
        }
    }

    /// Whether a real block comes back whole, by the core's own encoder and decoder; `None` if one
    /// row does and another does not, or there is no such code.
    fn survives(
        &self,
        odds: &super::Odds,
        erased: &Positions,
        damaged: &Positions,
        rng: &mut ChaCha8Rng,
    ) -> Option<bool> {
        let code: ReedSolomon = ReedSolomon::new(odds.n, odds.k).ok()?;
        let mut data = vec![0; ROWS * usize::from(odds.k)];
        rng.fill_bytes(&mut data);
        let mut words = vec![Vec::new(); ROWS];
        for position in 0..odds.n {
            let mut column = [0; ROWS];
            code.column(&data, position, &mut column);
            for (word, symbol) in words.iter_mut().zip(column) {
                let [noise, ..] = rng.next_u32().to_le_bytes();
                let wrong = if damaged.contains(position) { noise.max(1) } else { 0 };
                word.push(symbol ^ wrong);
            }
        }
        let mut whole = words.iter_mut().zip(data.chunks(odds.k.into())).map(|(word, data)| {
            code.decode(word, erased).is_ok() && word.get(..data.len()) == Some(data)
        });
        let first = whole.next()?;
        whole.all(|other| other == first).then_some(first)
    }
}

/// A number from 0 up to 1.
fn share(rng: &mut ChaCha8Rng) -> f64 {
    f64::from(rng.next_u32()) / 4_294_967_296.0
}

/// The channels that traffic uses, ascending.
fn traffic_set(sequence: &Sequence<MAX_HOPSET>) -> Vec<Channel> {
    let set_aside: Vec<Channel> =
        if sequence.structure().equal_use { sequence.rendezvous().collect() } else { Vec::new() };
    let hopset = sequence.hopset().channels().iter().copied();
    hopset.filter(|channel| !set_aside.contains(channel)).collect()
}
