//! Which key means what.

use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

/// What the user wants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// Stop the time, or let it go on.
    Pause,
    /// One slot further, while the time stands.
    Step,
    /// The next higher speed.
    Faster,
    /// The next lower speed.
    Slower,
    /// The station above.
    Up,
    /// The station below.
    Down,
    /// The operator of the chosen station presses to speak to all, or releases.
    Press,
    /// Choose the next interferer.
    Interferer,
    /// Switch it on or off.
    Switch,
    /// Move it down the band.
    Lower,
    /// Move it up the band.
    Higher,
    /// On to the next transmission.
    Skip,
    /// Show the keys, or hide them.
    Help,
    /// Leave.
    Quit,
}

/// The keys and what they do, for people.
pub const HELP: [(&str, &str); 12] = [
    ("space", "pause, run"),
    (". or right", "one slot further (paused)"),
    ("+ and -", "faster, slower"),
    ("n", "on to the next transmission"),
    ("up, down", "choose a station"),
    ("t", "press to speak to all; again: release"),
    ("i", "choose an interferer"),
    ("o", "switch it on or off, for good"),
    ("< and >", "move it down or up the band"),
    ("?", "show or hide this"),
    ("q or Esc", "leave"),
    ("Ctrl-C", "leave"),
];

/// What a key means; nothing for most keys.
#[must_use]
pub fn action(key: KeyEvent) -> Option<Action> {
    if key.kind == KeyEventKind::Release {
        return None;
    }
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        return (key.code == KeyCode::Char('c')).then_some(Action::Quit);
    }
    Some(match key.code {
        KeyCode::Char(' ') => Action::Pause,
        KeyCode::Char('.') | KeyCode::Right => Action::Step,
        KeyCode::Char('+') => Action::Faster,
        KeyCode::Char('-') => Action::Slower,
        KeyCode::Up => Action::Up,
        KeyCode::Down => Action::Down,
        KeyCode::Char('t') => Action::Press,
        KeyCode::Char('i') => Action::Interferer,
        KeyCode::Char('o') => Action::Switch,
        KeyCode::Char('<') => Action::Lower,
        KeyCode::Char('>') => Action::Higher,
        KeyCode::Char('n') => Action::Skip,
        KeyCode::Char('?') => Action::Help,
        KeyCode::Char('q') | KeyCode::Esc => Action::Quit,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_means_what_the_help_says() {
        let plain = |code| action(KeyEvent::new(code, KeyModifiers::NONE));
        let with_control = |c| action(KeyEvent::new(KeyCode::Char(c), KeyModifiers::CONTROL));
        for (key, wanted) in [
            (' ', Action::Pause),
            ('.', Action::Step),
            ('+', Action::Faster),
            ('-', Action::Slower),
            ('n', Action::Skip),
            ('t', Action::Press),
            ('i', Action::Interferer),
            ('o', Action::Switch),
            ('<', Action::Lower),
            ('>', Action::Higher),
            ('?', Action::Help),
            ('q', Action::Quit),
        ] {
            assert_eq!(plain(KeyCode::Char(key)), Some(wanted), "{key}");
        }
        assert_eq!(plain(KeyCode::Right), Some(Action::Step));
        assert_eq!(plain(KeyCode::Up), Some(Action::Up));
        assert_eq!(plain(KeyCode::Down), Some(Action::Down));
        assert_eq!(plain(KeyCode::Esc), Some(Action::Quit));
        assert_eq!(with_control('c'), Some(Action::Quit));
        assert_eq!(with_control('t'), None);
        assert_eq!(plain(KeyCode::Char('z')), None);
        let mut released = KeyEvent::new(KeyCode::Char('t'), KeyModifiers::NONE);
        released.kind = KeyEventKind::Release;
        assert_eq!(action(released), None, "a key that is let go says nothing");
    }
}
