//! What each station was doing, and from when to when: read off its events, the operators' presses
//! and the timetable.

use crate::run::Run;
use crate::scenario::Power;
use crate::world::Happened;
use hopwright_core::station::{Event, Mode};

/// What a station is doing. Of several, the one that says most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// It has no power.
    Off,
    /// It has no net time and searches.
    Searching,
    /// It has net time, and the net is free.
    InStep,
    /// After a long silence it waits ahead of the slots that it can no longer meet one by one.
    Coasting,
    /// An over is under way that is not for it.
    Busy,
    /// An over is under way that is for it.
    Called,
    /// Its operator has pressed and may not speak yet.
    Waiting,
    /// Its operator speaks, or it sends a message or an order.
    Speaking,
    /// It announces.
    Announcing,
    /// It has left the hopping net for the calling channel.
    Single,
}

impl State {
    /// All of them, in the order of their codes.
    pub const ALL: [Self; 10] = [
        Self::Off,
        Self::Searching,
        Self::InStep,
        Self::Coasting,
        Self::Busy,
        Self::Called,
        Self::Waiting,
        Self::Speaking,
        Self::Announcing,
        Self::Single,
    ];

    /// Its code in traces.
    #[must_use]
    pub const fn code(self) -> u8 {
        match self {
            Self::Off => 0,
            Self::Searching => 1,
            Self::InStep => 2,
            Self::Coasting => 3,
            Self::Busy => 4,
            Self::Called => 5,
            Self::Waiting => 6,
            Self::Speaking => 7,
            Self::Announcing => 8,
            Self::Single => 9,
        }
    }

    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Off => "off",
            Self::Searching => "searching",
            Self::InStep => "in step",
            Self::Coasting => "coasting",
            Self::Busy => "told busy",
            Self::Called => "called",
            Self::Waiting => "waiting to speak",
            Self::Speaking => "speaking",
            Self::Announcing => "announcing",
            Self::Single => "on the calling channel",
        }
    }
}

/// A state from a time on, until the next one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// True time in microseconds.
    pub from_us: u64,
    /// What the station is doing from then on.
    pub state: State,
}

/// Something that changes what a station is doing.
#[derive(Debug, Clone, Copy)]
enum Change {
    On,
    Off,
    Mode(Mode),
    Announces,
    Announced,
    Presses,
    Speaks,
    Done,
    Told(Event),
}

/// What is known of a station.
#[derive(Debug, Clone, Copy, Default)]
struct Known {
    on: bool,
    in_step: bool,
    coasting: bool,
    busy: bool,
    called: bool,
    waiting: bool,
    speaking: bool,
    announcing: bool,
    single: bool,
}

impl Known {
    fn after(self, change: Change) -> Self {
        let mut known = self;
        match change {
            // Nothing but what was stored outlives a loss of power.
            Change::On => known = Self { on: true, ..Self::default() },
            Change::Off => known = Self::default(),
            Change::Mode(mode) => known.single = mode != Mode::Hopping,
            Change::Announces => (known.announcing, known.in_step) = (true, true),
            Change::Announced => known.announcing = false,
            Change::Presses => known.waiting = true,
            Change::Speaks => (known.waiting, known.speaking) = (false, true),
            Change::Done => (known.waiting, known.speaking) = (false, false),
            Change::Told(event) => match event {
                Event::InStep { .. } => (known.in_step, known.coasting) = (true, false),
                Event::Coasting { .. } => known.coasting = true,
                Event::OutOfStep => {
                    known = Self { on: known.on, single: known.single, ..Self::default() };
                }
                Event::Call { .. } => (known.called, known.busy) = (true, false),
                Event::Busy { .. } => (known.called, known.busy) = (false, true),
                Event::Clear { .. } => (known.called, known.busy) = (false, false),
                Event::Cut { .. } => {
                    (known.announcing, known.waiting, known.speaking) = (false, false, false);
                }
                _ => {}
            },
        }
        known
    }

    const fn state(self) -> State {
        match self {
            Self { on: false, .. } => State::Off,
            Self { speaking: true, .. } => State::Speaking,
            Self { waiting: true, .. } => State::Waiting,
            Self { announcing: true, .. } => State::Announcing,
            Self { called: true, .. } => State::Called,
            Self { busy: true, .. } => State::Busy,
            Self { single: true, .. } => State::Single,
            Self { coasting: true, .. } => State::Coasting,
            Self { in_step: true, .. } => State::InStep,
            Self { .. } => State::Searching,
        }
    }
}

/// What each station was doing: by node, the first span from 0 on, in order of time, no state
/// twice in a row.
#[must_use]
pub fn states(run: &Run) -> Vec<Vec<Span>> {
    let mut changes = changes(run);
    changes
        .iter_mut()
        .map(|own| {
            // What is told at one instant is told in the order in which it came.
            own.sort_by_key(|(at, _)| *at);
            let mut known = Known::default();
            let mut spans = vec![Span { from_us: 0, state: State::Off }];
            for (at, change) in own.iter().filter(|(at, _)| *at <= run.scenario.duration_us) {
                known = known.after(*change);
                note(&mut spans, Span { from_us: *at, state: known.state() });
            }
            spans
        })
        .collect()
}

/// Adds a span. What lasted for no time at all has not been.
fn note(spans: &mut Vec<Span>, span: Span) {
    if spans.last().is_some_and(|last| last.from_us == span.from_us) {
        spans.pop();
    }
    if spans.last().is_none_or(|last| last.state != span.state) {
        spans.push(span);
    }
}

fn changes(run: &Run) -> Vec<Vec<(u64, Change)>> {
    let (scenario, trace) = (&run.scenario, run.world.trace());
    let stations = &scenario.radio.stations;
    let mut changes: Vec<Vec<(u64, Change)>> =
        stations.iter().map(|station| vec![(station.on_us, Change::On)]).collect();
    for power in &scenario.powers {
        let change = if power.becomes == Power::Off { Change::Off } else { Change::On };
        changes[power.station].push((power.at_us, change));
    }
    for (at, node, mode) in &trace.modes {
        changes[*node].push((*at, Change::Mode(*mode)));
    }
    let slot_us = scenario.plan.timing().slot().us();
    let announce_us = u64::from(scenario.plan.announce_slots()) * slot_us;
    for (at, by) in &trace.announces {
        changes[*by].push((*at, Change::Announces));
        changes[*by].push((at + announce_us, Change::Announced));
    }
    for over in &trace.overs {
        let own = &mut changes[over.node];
        own.push((over.pressed_us, Change::Presses));
        own.extend(over.ahead_us.map(|at| (at, Change::Speaks)));
        own.extend(over.cut_us.or(over.released_us).map(|at| (at, Change::Done)));
    }
    for Happened { at_us, node, event } in &trace.events {
        changes[*node].push((*at_us, Change::Told(*event)));
    }
    changes
}

#[cfg(test)]
mod tests {
    use super::*;
    use hopwright_core::units::Slot;

    fn after(changes: &[Change]) -> State {
        changes.iter().fold(Known::default(), |known, change| known.after(*change)).state()
    }

    #[test]
    fn what_says_most_is_shown() {
        let in_step = Change::Told(Event::InStep { slot: Slot::ZERO });
        let busy = Change::Told(Event::Busy { slot: Slot::ZERO });
        let clear = Change::Told(Event::Clear { slot: Slot::ZERO });
        assert_eq!(after(&[]), State::Off);
        assert_eq!(after(&[Change::On]), State::Searching);
        assert_eq!(after(&[Change::On, in_step, busy]), State::Busy);
        assert_eq!(after(&[Change::On, in_step, busy, Change::Presses]), State::Waiting);
        assert_eq!(after(&[Change::On, in_step, busy, clear]), State::InStep);
        let told = [Change::On, in_step, Change::Presses, Change::Speaks];
        assert_eq!(after(&told), State::Speaking);
        let lost = [Change::On, in_step, busy, Change::Told(Event::OutOfStep)];
        assert_eq!(after(&lost), State::Searching);
        assert_eq!(after(&[Change::On, in_step, Change::Off, Change::On]), State::Searching);
    }

    #[test]
    fn states_of_no_length_and_repeated_states_are_left_out() {
        let mut spans = vec![Span { from_us: 0, state: State::Off }];
        for (from_us, state) in [
            (0, State::Searching),
            (5, State::Busy),
            (5, State::Called),
            (7, State::Called),
            (9, State::Searching),
            (9, State::Called),
        ] {
            note(&mut spans, Span { from_us, state });
        }
        let expected = [(0, State::Searching), (5, State::Called)];
        assert_eq!(spans, expected.map(|(from_us, state)| Span { from_us, state }));
    }

    #[test]
    fn codes_count_from_zero() {
        for (code, state) in State::ALL.iter().enumerate() {
            assert_eq!(usize::from(state.code()), code);
        }
    }
}
