//! A terminal window of its own, by tmux: keys are typed into it, and what stands in it is read.

use super::{DEADLINE, LOOK_EVERY};
use std::process::{Command, Output};
use std::time::{Duration, Instant};

/// Between two presses of a key that may be refused because it came too soon.
const PRESS_EVERY: Duration = Duration::from_millis(400);

/// A window with a program in it.
pub struct Window {
    folder: tempfile::TempDir,
}

impl Window {
    /// A window of this size (columns, rows) in which this shell command runs.
    pub fn of((width, height): (u16, u16), environment: &[(&str, &str)], command: &str) -> Self {
        let window = Self { folder: tempfile::tempdir().unwrap() };
        let (width, height) = (width.to_string(), height.to_string());
        let mut open = window.tmux();
        open.env_remove("NO_COLOR").envs(environment.iter().copied());
        open.args(["new-session", "-d", "-x", &width, "-y", &height, command]);
        let made = open.output().unwrap_or_else(|error| panic!("tmux: {error}; try: tests/peers/install"));
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        window
    }

    /// `ramprig` with these arguments, with UTF-8.
    pub fn ramprig(size: (u16, u16), args: &[&str]) -> Self {
        Self::of(size, &[("LC_ALL", "C.UTF-8")], &line(env!("CARGO_BIN_EXE_ramprig"), args))
    }

    fn tmux(&self) -> Command {
        let mut command = Command::new("tmux");
        command.env_remove("TMUX").env("TMUX_TMPDIR", self.folder.path()).args(["-u", "-f", "/dev/null"]);
        command
    }

    fn ask(&self, args: &[&str]) -> Output {
        self.tmux().args(args).output().unwrap()
    }

    /// Type letters as they are.
    pub fn types(&self, letters: &str) {
        assert!(self.ask(&["send-keys", "-l", "--", letters]).status.success(), "the window is gone");
    }

    /// Press keys by tmux's names for them (`Enter`, `Left`, `PageUp`).
    pub fn presses(&self, keys: &[&str]) {
        let args: Vec<&str> = ["send-keys"].into_iter().chain(keys.iter().copied()).collect();
        assert!(self.ask(&args).status.success(), "the window is gone");
    }

    /// What stands in the window, line by line.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.ask(&["capture-pane", "-p"]).stdout).into_owned()
    }

    /// The same with its colours and weights, as escape sequences (ECMA-48).
    pub fn painted(&self) -> String {
        String::from_utf8_lossy(&self.ask(&["capture-pane", "-p", "-e"]).stdout).into_owned()
    }

    /// What stands in the window in one line.
    pub fn words(&self) -> String {
        self.text().split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// Look until these words stand in the window.
    #[track_caller]
    pub fn wait(&self, words: &str) {
        self.wait_until(words, |text| text.contains(words));
    }

    /// Look until the words in the window are as wanted.
    #[track_caller]
    pub fn wait_until(&self, what: &str, wanted: impl Fn(&str) -> bool) {
        let begun = Instant::now();
        while !wanted(&self.words()) {
            assert!(begun.elapsed() < DEADLINE, "not within {DEADLINE:?}: {what}; the window shows:\n{}", self.text());
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Type a letter again and again, as somebody who reads in between, until words are there.
    #[track_caller]
    pub fn types_until(&self, letter: &str, what: &str, wanted: impl Fn(&str) -> bool) {
        let begun = Instant::now();
        let mut pressed: Option<Instant> = None;
        while !wanted(&self.words()) {
            assert!(begun.elapsed() < DEADLINE, "not within {DEADLINE:?}: {what}; the window shows:\n{}", self.text());
            if pressed.is_none_or(|at| at.elapsed() > PRESS_EVERY) {
                self.types(letter);
                pressed = Some(Instant::now());
            }
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Look until the program in the window has ended.
    #[track_caller]
    pub fn wait_closed(&self) {
        super::wait_until("the window closes", || !self.ask(&["has-session"]).status.success());
    }
}

impl Drop for Window {
    fn drop(&mut self) {
        // Its own server, by the socket in its own folder.
        let _ = self.ask(&["kill-server"]);
    }
}

/// A shell command out of a program and its arguments.
pub fn line(program: &str, args: &[&str]) -> String {
    let quoted = |word: &str| format!("'{}'", word.replace('\'', "'\\''"));
    let words: Vec<String> = std::iter::once(program).chain(args.iter().copied()).map(quoted).collect();
    format!("exec {}", words.join(" "))
}
