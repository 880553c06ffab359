//! A scenario seen in the terminal while it runs, and a hand in it.
//!
//! ```text
//! wall time ──loop──► Model (a World, piece by piece) ──view──► frame
//!     key ──keys──► Action ───┘
//! ```

pub mod keys;
mod model;
mod screen;
mod tell;
mod view;

pub use model::{Line, Mark, Model, SPEEDS, StationRow};
pub use screen::Screen;
pub use view::{LEAST, draw};

use crate::diagnostic::Diagnostic;
use crossterm::event::{self, Event};
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// A new picture about this often.
const FRAME: Duration = Duration::from_millis(50);
/// The simulation gets so much of the time at most, that keys may be answered.
const PATIENCE: Duration = Duration::from_millis(40);

/// Shows a model in this terminal until the user leaves.
///
/// # Errors
/// [`Diagnostic`] if this is no terminal, or it fails.
pub fn run(mut model: Model) -> Result<(), Diagnostic> {
    let mut screen = Screen::open()?;
    let told_to_go = told_to_go().map_err(|error| failed(&error))?;
    show(&mut model, &mut screen, &told_to_go).map_err(|error| failed(&error))
}

fn failed(error: &io::Error) -> Diagnostic {
    Diagnostic::new(format!("the terminal fails: {error}"), "use another terminal, or `run`")
}

/// Set when somebody outside wants this process to end: the terminal is put right first.
fn told_to_go() -> io::Result<Arc<AtomicBool>> {
    let flag = Arc::new(AtomicBool::new(false));
    #[cfg(unix)]
    for signal in
        [signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP, signal_hook::consts::SIGINT]
    {
        signal_hook::flag::register(signal, Arc::clone(&flag))?;
    }
    Ok(flag)
}

#[expect(clippy::disallowed_methods, reason = "what is shown is tied to wall time, no result is")]
fn show(model: &mut Model, screen: &mut Screen, told_to_go: &AtomicBool) -> io::Result<()> {
    let mut last = Instant::now();
    while !told_to_go.load(Ordering::Relaxed) {
        screen.draw(|frame| draw(frame, model))?;
        let mut wait = FRAME.saturating_sub(last.elapsed());
        while event::poll(wait)? {
            wait = Duration::ZERO;
            if let Event::Key(key) = event::read()?
                && let Some(action) = keys::action(key)
                && !model.act(action)
            {
                return Ok(());
            }
        }
        let now = Instant::now();
        // After having been stopped (a terminal's job control, a long skip) time goes on as usual.
        let gone = now.duration_since(last).min(4 * FRAME);
        last = now;
        let gone = u64::try_from(gone.as_micros()).unwrap_or(0);
        model.pass(gone, |_| now.elapsed() < PATIENCE);
    }
    Ok(())
}
