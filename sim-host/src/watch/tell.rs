//! Events in words.

use hopwright_core::address::Address;
use hopwright_core::station::Event;

/// What an event says of its station, behind the station's name; nothing if it is only for the
/// driver. `whom` names a station by its address.
pub(super) fn event(event: &Event, whom: impl Fn(Address) -> String) -> Option<String> {
    Some(match event {
        Event::InStep { .. } => "in step".to_owned(),
        Event::Coasting { .. } => "coasting: waits ahead of the slots".to_owned(),
        Event::OutOfStep => "out of step: searches".to_owned(),
        Event::AnnounceHeard { .. } => "in step already, hears an announce".to_owned(),
        Event::Call { source, target, .. } => {
            format!("called by {} (to {target})", whom(*source))
        }
        Event::Busy { .. } => "told that the net is busy".to_owned(),
        Event::Clear { .. } => "told that the over has ended".to_owned(),
        Event::HoldOff => "held off".to_owned(),
        Event::GoAhead { .. } => "told to go ahead".to_owned(),
        Event::Cut { .. } => "cut off: it has lost net time".to_owned(),
        Event::TimelineEnded => "at the end of the timeline".to_owned(),
        Event::CallWaiting => "asked for attention from outside".to_owned(),
        Event::WatchTraffic => "told of traffic on the watch channel".to_owned(),
        Event::Ordered { .. } => "given an order: a new net key".to_owned(),
        Event::KeysChanged { .. } => "on the new net key".to_owned(),
        _ => return None,
    })
}
