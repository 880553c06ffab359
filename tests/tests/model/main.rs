//! Proves, by exploring every course of events within small bounds, what a station may never do:
//! specification section 12, invariants 1, 2, 3, 4 and 6. The transition function is the real
//! `hopwright_core::station::Station`; the exploration is that of the library `stateright`.
//!
//! | file | what |
//! |---|---|
//! | [`seat`] | one station, what is known of it, and what is asserted after each of its calls |
//! | [`net`] | three of them on one medium, and what takes its course between two choices |
//! | [`choice`] | who chooses what |
//! | [`bounds`] | how much of what may happen: the cases that are explored |
//!
//! Whoever has a choice: the medium and an opponent for each transmission and each listener
//! ([`choice::Fate`]), operators at regular instants, and the power. Each draws on a budget, so that
//! the whole is finite; within the budgets nothing is left out. A case fails if an assertion is
//! broken in any state, and also if something that it is about is never reached.
//!
//! `HOPWRIGHT_MODEL=large cargo test --release -p hopwright-tests --test model -- --nocapture`
//! explores more. `docs/soak-and-model.md` has the bounds and what was explored.

mod bounds;
mod choice;
mod net;
mod seat;

use bounds::Bounds;
use choice::{Choice, Seen};
use hopwright_tests as _;
use net::Net;
use seat::{Invariant, Plant};
use stateright::{Checker, HasDiscoveries, Model, Property};

/// A case to explore.
struct Explored(Bounds);

impl Model for Explored {
    type State = Net;
    type Action = Choice;

    fn init_states(&self) -> Vec<Net> {
        vec![Net::start(&self.0)]
    }

    fn actions(&self, net: &Net, choices: &mut Vec<Choice>) {
        net.choices(choices);
    }

    fn next_state(&self, net: &Net, choice: Choice) -> Option<Net> {
        let mut next = net.clone();
        next.choose(&self.0, choice);
        Some(next)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        let mut list = vec![
            Property::always("1: transmits in its hopset only", |_, n: &Net| {
                !n.broken(Invariant::Hopset)
            }),
            Property::always("2: speaks with time and a go-ahead only", |_, n: &Net| {
                !n.broken(Invariant::Floor)
            }),
            Property::always(
                "3: forged, changed, doubled and replayed change nothing",
                |_, n: &Net| !n.broken(Invariant::Replay),
            ),
            Property::always("4: bounds contain true net time", |_, n: &Net| {
                !n.broken(Invariant::Bound)
            }),
            Property::always("6: back on the home time that it had", |_, n: &Net| {
                !n.broken(Invariant::CutIn)
            }),
        ];
        let reached: [(&'static str, Seen, fn(&Self, &Net) -> bool); 9] = [
            ("announce heard", Seen::ANNOUNCE, |_, n| n.seen(Seen::ANNOUNCE)),
            ("call heard", Seen::CALL, |_, n| n.seen(Seen::CALL)),
            ("payload heard", Seen::PAYLOAD, |_, n| n.seen(Seen::PAYLOAD)),
            ("over closed", Seen::CLEAR, |_, n| n.seen(Seen::CLEAR)),
            ("cut-in followed", Seen::FOLLOWED, |_, n| n.seen(Seen::FOLLOWED)),
            ("returned from a cut-in", Seen::RETURNED, |_, n| n.seen(Seen::RETURNED)),
            ("replay refused", Seen::REFUSED, |_, n| n.seen(Seen::REFUSED)),
            ("coasted", Seen::COASTED, |_, n| n.seen(Seen::COASTED)),
            ("second timeline", Seen::SECOND, |_, n| n.seen(Seen::SECOND)),
        ];
        let wanted = reached.into_iter().filter(|(_, seen, _)| self.0.reaches.contains(*seen));
        list.extend(wanted.map(|(name, _, reached)| Property::sometimes(name, reached)));
        list
    }
}

/// Explores a case completely; gives the assertions that were broken.
fn explore(bounds: Bounds) -> Vec<&'static str> {
    let name = bounds.name;
    let checker = Explored(bounds).checker().threads(2).spawn_bfs().join();
    let found = checker.discoveries();
    let mut broken = Vec::new();
    for property in checker.model().properties() {
        let is_found = found.contains_key(property.name);
        if property.expectation.discovery_is_failure() {
            if is_found {
                broken.push(property.name);
            }
        } else {
            assert!(is_found, "{name}: never reached: {}", property.name);
        }
    }
    println!(
        "{name}: {} states, {} of them different, {} choices deep",
        checker.state_count(),
        checker.unique_state_count(),
        checker.max_depth(),
    );
    for name in &broken {
        let path = &found[name];
        println!("{name}: {:?}", path.clone().into_actions());
    }
    broken
}

#[test]
fn overs_within_the_bounds_break_nothing() {
    assert_eq!(explore(bounds::overs()), [""; 0]);
}

#[test]
fn the_start_of_a_net_within_the_bounds_breaks_nothing() {
    assert_eq!(explore(bounds::start()), [""; 0]);
}

#[test]
fn power_cycles_within_the_bounds_break_nothing() {
    assert_eq!(explore(bounds::power()), [""; 0]);
}

#[test]
fn cut_ins_within_the_bounds_break_nothing() {
    assert_eq!(explore(bounds::cut_ins()), [""; 0]);
}

#[test]
fn coasting_within_the_bounds_breaks_nothing() {
    assert_eq!(explore(bounds::coasting()), [""; 0]);
}

/// The model must be able to fail: a station with a fault that is planted on purpose is found out,
/// and by the assertion that is about it.
#[test]
fn planted_faults_are_found() {
    let planted = |plant, bounds: Bounds| {
        let bounds = Bounds { plant, reaches: Seen::default(), ..bounds };
        let model = Explored(bounds);
        let first = model.checker().threads(2).finish_when(HasDiscoveries::AnyFailures);
        let names: Vec<_> = first.spawn_bfs().join().discoveries().into_keys().collect();
        // The explorers stop where they are: one may have come across what follows from it.
        move |invariant: &str| names.iter().any(|name| name.starts_with(invariant))
    };
    assert!(planted(Plant::ForgetsHome, bounds::cut_ins())("6:"));
    assert!(planted(Plant::TakesReplays, bounds::overs())("3:"));
    assert!(planted(Plant::TalksEarly, bounds::overs())("2:"));
    assert!(planted(Plant::ForgetsWatermark, bounds::power())("3:"));
}
