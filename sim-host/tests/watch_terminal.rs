//! `hopwright watch` in a pseudo-terminal: it draws, obeys keys, and leaves the terminal as it was.
#![cfg(unix)]

use hopwright_sim::scenario::Scenario;
use hopwright_sim::watch::{Model, Screen, draw};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Termios, Winsize, tcgetattr, tcsetwinsize};
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::process::{Child, Command, ExitStatus};

/// Says to the test that panics that it is the child.
const CHILD: &str = "HOPWRIGHT_TEST_PANICS_IN_A_TERMINAL";

/// A program in a pseudo-terminal of 100 columns and 30 rows.
struct Session {
    child: Child,
    master: File,
    terminal: OwnedFd,
    before: Termios,
    /// What it has written so far.
    written: String,
}

impl Session {
    fn start(mut command: Command) -> Self {
        let master =
            openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let terminal = rustix::fs::open(name.as_c_str(), flags, Mode::empty()).unwrap();
        let size = Winsize { ws_row: 30, ws_col: 100, ws_xpixel: 0, ws_ypixel: 0 };
        tcsetwinsize(&terminal, size).unwrap();
        let before = tcgetattr(&terminal).unwrap();
        assert!(before.local_modes.contains(LocalModes::ICANON | LocalModes::ECHO));
        let end = || terminal.try_clone().unwrap();
        let child = command.stdin(end()).stdout(end()).stderr(end()).spawn().unwrap();
        Self { child, master: File::from(master), terminal, before, written: String::new() }
    }

    fn type_keys(&mut self, keys: &str) {
        self.master.write_all(keys.as_bytes()).unwrap();
    }

    /// Reads until it has written this, for half a minute at most.
    fn wait_for(&mut self, what: &str) {
        for _ in 0..300 {
            if self.written.contains(what) {
                return;
            }
            self.read_some();
        }
        panic!("no {what:?} in {:?}", self.written);
    }

    fn read_some(&mut self) {
        let wait = Timespec { tv_sec: 0, tv_nsec: 100_000_000 };
        if poll(&mut [PollFd::new(&self.master, PollFlags::IN)], Some(&wait)).unwrap() > 0 {
            let mut bytes = [0; 65_536];
            let length = self.master.read(&mut bytes).unwrap();
            self.written.push_str(&String::from_utf8_lossy(&bytes[..length]));
        }
    }

    /// Waits for its end, for half a minute at most; everything it wrote is read.
    fn end(&mut self) -> ExitStatus {
        for _ in 0..300 {
            if let Some(status) = self.child.try_wait().unwrap() {
                self.read_some();
                return status;
            }
            self.read_some();
        }
        self.child.kill().unwrap();
        panic!("it does not end: {:?}", self.written);
    }

    fn raw(&self) -> bool {
        !tcgetattr(&self.terminal)
            .unwrap()
            .local_modes
            .intersects(LocalModes::ICANON | LocalModes::ECHO)
    }

    /// The terminal's settings are those of before, and the last that was said about its screen
    /// is that the former one is shown again, with a cursor.
    fn assert_given_back(&self) {
        let after = tcgetattr(&self.terminal).unwrap();
        assert_eq!(after.local_modes, self.before.local_modes);
        assert_eq!(after.input_modes, self.before.input_modes);
        assert_eq!(after.output_modes, self.before.output_modes);
        assert_eq!(after.control_modes, self.before.control_modes);
        for (on, off) in [("\x1b[?1049h", "\x1b[?1049l"), ("\x1b[?25l", "\x1b[?25h")] {
            let last = |what| self.written.rfind(what).unwrap_or_else(|| panic!("no {what:?}"));
            assert!(last(off) > last(on), "{:?}", self.written);
        }
    }
}

fn watch(args: &[&str]) -> Session {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hopwright"));
    command.arg("watch").args(args);
    Session::start(command)
}

#[test]
fn keys_are_obeyed_and_the_terminal_is_given_back() {
    for leave in ["q", "\x1b", "\x03"] {
        let mut session = watch(&["--speed", "20"]);
        session.wait_for("RUNNING");
        session.wait_for("control post");
        assert!(session.raw(), "while it runs keys come one by one, and are not echoed");
        session.type_keys(" ");
        session.wait_for("PAUSED");
        session.type_keys("?");
        // Only what differs from the picture before is written.
        session.wait_for("+-----------");
        session.type_keys(leave);
        let status = session.end();
        assert_eq!(status.code(), Some(0), "{leave:?}: {:?}", session.written);
        session.assert_given_back();
    }
}

#[test]
fn who_is_told_to_end_gives_the_terminal_back() {
    let mut session = watch(&[]);
    session.wait_for("RUNNING");
    let pid = Pid::from_child(&session.child);
    kill_process(pid, Signal::TERM).unwrap();
    assert_eq!(session.end().code(), Some(0));
    session.assert_given_back();
}

#[test]
fn another_size_is_another_picture() {
    let mut session = watch(&[]);
    session.wait_for("RUNNING");
    let size = Winsize { ws_row: 10, ws_col: 50, ws_xpixel: 0, ws_ypixel: 0 };
    tcsetwinsize(&session.terminal, size).unwrap();
    session.wait_for("small:");
    session.type_keys("q");
    assert_eq!(session.end().code(), Some(0));
    session.assert_given_back();
}

#[test]
fn a_panic_gives_the_terminal_back_and_is_told_there() {
    if std::env::var_os(CHILD).is_some() {
        let mut screen = Screen::open().unwrap();
        let model = Model::new(Scenario::built_in().unwrap(), None, 1.0).unwrap();
        screen.draw(|frame| draw(frame, &model)).unwrap();
        panic!("on purpose");
    }
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--exact", "a_panic_gives_the_terminal_back_and_is_told_there", "--nocapture"]);
    command.env(CHILD, "1");
    let mut session = Session::start(command);
    let status = session.end();
    assert!(!status.success());
    session.assert_given_back();
    let told = session.written.rfind("on purpose").expect("the panic is told");
    let back = session.written.find("\x1b[?1049l").unwrap();
    assert!(told > back, "on the former screen: {:?}", session.written);
}
