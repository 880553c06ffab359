//! The terminal: taken over, and given back whatever happens.

use crate::diagnostic::Diagnostic;
use crossterm::cursor::{Hide, Show};
use crossterm::execute;
use crossterm::terminal::{
    EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use ratatui::backend::CrosstermBackend;
use ratatui::{Frame, Terminal};
use std::io::{self, IsTerminal, Stdout};
use std::panic;

/// The terminal of this process while it is ours. Dropping it gives the terminal back as it was;
/// so does a panic, before it is told.
#[derive(Debug)]
pub struct Screen {
    terminal: Terminal<CrosstermBackend<Stdout>>,
}

impl Screen {
    /// Takes the terminal over.
    ///
    /// # Errors
    /// [`Diagnostic`] if standard input or output is no terminal, or it fails.
    pub fn open() -> Result<Self, Diagnostic> {
        for (name, is_terminal) in [
            ("standard output", io::stdout().is_terminal()),
            ("standard input", io::stdin().is_terminal()),
        ] {
            if !is_terminal {
                let what = format!("{name} is no terminal, and this command draws on one");
                return Err(Diagnostic::new(what, "start it in a terminal, or use `run`"));
            }
        }
        let opened = || -> io::Result<Self> {
            let terminal = Terminal::new(CrosstermBackend::new(io::stdout()))?;
            // From here on dropping it puts the terminal right, however far this gets.
            let screen = Self { terminal };
            let before = panic::take_hook();
            panic::set_hook(Box::new(move |info| {
                give_back();
                before(info);
            }));
            enable_raw_mode()?;
            execute!(io::stdout(), EnterAlternateScreen, Hide)?;
            Ok(screen)
        };
        opened().map_err(|error| {
            let what = format!("the terminal cannot be drawn on: {error}");
            Diagnostic::new(what, "use another terminal, or `run`")
        })
    }

    /// Draws a picture.
    ///
    /// # Errors
    /// Whatever the terminal gives.
    pub fn draw(&mut self, picture: impl FnOnce(&mut Frame<'_>)) -> io::Result<()> {
        self.terminal.draw(picture).map(|_| ())
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        give_back();
    }
}

/// Puts the terminal back as it was. Who does that has no use for an error.
fn give_back() {
    let _ = execute!(io::stdout(), LeaveAlternateScreen, Show);
    let _ = disable_raw_mode();
}
