//! The terminal, in windows of tmux: a whole lesson by keys, the stop key on every screen, and what a poor terminal shows.

use crate::stand::bench::Bench;
use crate::stand::sequences::Cycle;
use crate::stand::tmux::{Window, line};
use crate::stand::view::View;
use futures_util::future::{BoxFuture, ready};
use ramprig::api::lead::{Lead, Measured, Order};
use ramprig::api::stage::{Grant, RigView};
use ramprig::api::{RunRequest, Service, ServiceError, Snapshot, StopReport, Update};
use ramprig::clock::WallClock;
use ramprig::sequence::ports::StopOutcome;
use ramprig::tui::{Look, Watching, watch};
use ramprig::units::display::System;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::sync::mpsc;

const SMALL: (u16, u16) = (80, 24);
/// What a presentation clicker, or a sleeve on the keyboard, presses.
const CLICKER: [&str; 8] = ["Space", "Enter", "Left", "Right", "Up", "Down", "PageUp", "PageDown"];

/// Press until the heading says what is wanted.
#[track_caller]
fn choose(window: &Window, key: &str, words: &str) {
    for _ in 0..40 {
        if window.words().contains(words) {
            return;
        }
        let before = window.words();
        window.presses(&[key]);
        window.wait_until("the choice moves", |text| text != before);
    }
    panic!("{key} does not come to {words}:\n{}", window.text());
}

/// The question that waits is answered by its key, and by no key of a clicker.
#[track_caller]
fn confirm(window: &Window, view: &mut View, words: &str) {
    let asks = |state: &Snapshot| {
        state.run.as_ref().and_then(|run| run.question.as_ref()).is_some_and(|(_, text)| text.contains(words))
    };
    let id = |state: &Snapshot| state.run.as_ref().and_then(|run| run.question.as_ref()).map(|(id, _)| *id);
    let asked = view.wait_state(words, asks);
    window.wait_until(words, |text| text.contains(words.split(' ').next().unwrap()));
    window.presses(&CLICKER);
    let seen_s = asked.rig_time_s;
    let later = view.wait_state("half a second of the rig", |state| state.rig_time_s > seen_s + 0.5);
    assert_eq!(id(&later), id(&asked), "a clicker's key answered");
    let before = id(&asked);
    loop {
        window.types("c");
        let seen_s = view.state.as_ref().unwrap().rig_time_s;
        let now = view.wait_state("the key is taken", |state| id(state) != before || state.rig_time_s > seen_s + 1.0);
        if id(&now) != before {
            return;
        }
    }
}

#[test]
fn leads_through_a_whole_lesson_by_keys_alone() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let window = Window::ramprig(SMALL, &["watch", "--at", &address, "--name", "A. Tester"]);
    window.wait("Needed for a start: all there");
    window.types("g");
    window.wait("take the controls first: t");
    window.types("t");
    window.wait("controls: A. Tester");
    choose(&window, "Down", "Sequence Lesson: held by speed");
    choose(&window, "Right", "Starter drive");
    window.presses(&["Space", "Enter", "PageUp", "PageDown"]);
    let idle = view.wait_state("a snapshot", |_| true);
    assert!(idle.run.is_none(), "a clicker's key started a run");
    window.types("g");
    confirm(&window, &mut view, "restrained");
    confirm(&window, &mut view, "line-up terrace");
    window.wait("ASKED: At which speed");
    window.wait("Notes: Write the guess down.");
    window.wait("dots predicted");
    assert_eq!(bench.witness().most_on(), 0, "the prediction stands there before anything is on");
    window.types("n1.0");
    window.wait("Guess in bar: 1.0_");
    window.presses(&["Enter"]);
    window.wait("guess 1.00 bar");
    confirm(&window, &mut view, "At which speed");
    bench.witness().wait_on();
    window.wait("Running: hold");
    window.wait("s left of");
    window.wait("All steps done");
    window.wait("Stop confirmed");
    bench.witness().assert_all_off();
    window.types("3");
    window.wait("drive, variable-sp");
    window.wait("1.00");
    window.types("4");
    window.wait("all steps done, stop confirmed");
    window.types("q");
    window.wait_closed();
    let ended = view.wait_state("the controls are free", |state| state.controller.is_none());
    let end = ended.run.unwrap().end.unwrap();
    assert_eq!((end.aborted, end.cycles), (None, 1));
}

#[test]
fn stops_by_its_key_on_every_screen_and_while_a_number_is_typed() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let cycle = Cycle { hold: "time = \"60 s\"", ..Cycle::brief_ramps() };
    for (keys, there) in [
        ("1", "Sequence"),
        ("2", "speed"),
        ("3", "highest"),
        ("4", "Log"),
        ("h", "Keys"),
        ("2tn1.5", "Guess in bar: 1.5_"),
    ] {
        let window = Window::ramprig(SMALL, &["watch", "--at", &address, "--name", "A. Tester"]);
        window.wait("VIRTUAL RIG");
        let run = bench.run(&cycle.text(), "drive");
        bench.witness().wait_on();
        window.wait("Running: hold");
        for key in keys.chars() {
            window.types(&key.to_string());
            if key == 't' {
                window.wait("controls: A. Tester");
            }
        }
        window.wait(there);
        window.types("s");
        bench.witness().wait_off();
        let ended = run.end();
        ended.expect(3);
        assert!(ended.object()["aborted"].as_str().unwrap().contains("A. Tester"), "{keys}: {}", ended.stdout);
        window.wait("Stop confirmed");
        bench.witness().assert_all_off();
        window.types("q");
        window.wait_closed();
    }
}

/// A question to those who watch has no end of its own: with the terminal gone, the motor does not run on behind it.
#[test]
fn says_what_leaving_means_and_stops_a_motor_that_runs_behind_a_question() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let window = Window::ramprig(SMALL, &["watch", "--at", &address, "--name", "A. Tester"]);
    window.wait("Needed for a start: all there");
    window.types("t");
    window.wait("controls: A. Tester");
    choose(&window, "Down", "Sequence Lesson: three starters");
    window.types("g");
    for words in ["restrained", "line-up terrace", "Across the line"] {
        confirm(&window, &mut view, words);
    }
    bench.witness().wait_on();
    window.wait("Where is the lowest pressure");
    window.types("q");
    window.wait("the run hangs on this terminal");
    window.types("q");
    window.wait_closed();
    bench.witness().wait_off();
    let ended = |state: &Snapshot| state.run.as_ref().is_some_and(|run| run.end.is_some());
    let end = view.wait_state("the run ends without it", ended).run.unwrap().end.unwrap();
    assert!(end.aborted.as_ref().unwrap().contains("face"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::Confirmed);
    bench.witness().assert_all_off();
}

#[test]
fn shows_plain_signs_where_the_locale_is_not_utf_8_and_no_colour_where_none_is_wanted() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let program = env!("CARGO_BIN_EXE_ramprig");
    let environment = [("LC_ALL", "C"), ("NO_COLOR", "1")];
    let window = Window::of(SMALL, &environment, &line(program, &["watch", "--at", &address]));
    window.wait("VIRTUAL RIG");
    window.types("2");
    window.wait("line measured");
    window.wait_until("a trace", |text| text.contains('*'));
    assert!(window.text().is_ascii(), "{}", window.text());
    // ECMA-48, 8.3.117: 30 to 49 and 90 to 107 are colours.
    let coloured = |code: &str| code.parse::<u32>().is_ok_and(|n| (30..50).contains(&n) || (90..108).contains(&n));
    let painted = window.painted();
    let mut sequences = painted.split("\u{1b}[").skip(1).filter_map(|rest| rest.split_once('m'));
    assert!(
        !sequences.any(|(codes, _)| codes.split(';').any(|code| code != "39" && code != "49" && coloured(code))),
        "{painted:?}"
    );
}

#[test]
fn says_a_plain_sentence_where_the_window_is_too_small() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let window = Window::ramprig((20, 5), &["watch", "--at", &address]);
    window.wait("s STOP. No run is on. Window 20x5, needs 60x16.");
}

/// Goes well for a while.
struct Stumbling(AtomicU64);

impl WallClock for Stumbling {
    fn now_ns(&self) -> u64 {
        assert!(self.0.fetch_add(1, Ordering::SeqCst) < 10, "stumbled on purpose");
        0
    }
}

/// A daemon that says nothing.
struct Silent(std::sync::Mutex<Vec<mpsc::Sender<Update>>>);

fn nothing<T: Send + 'static>() -> BoxFuture<'static, Result<T, ServiceError>> {
    Box::pin(ready(Err(ServiceError::Refused { text: "nothing here".into() })))
}

impl Service for Silent {
    fn snapshot(&self) -> BoxFuture<'_, Result<Snapshot, ServiceError>> {
        nothing()
    }
    fn subscribe(&self) -> BoxFuture<'_, Result<mpsc::Receiver<Update>, ServiceError>> {
        let (sender, receiver) = mpsc::channel(1);
        self.0.lock().unwrap().push(sender);
        Box::pin(ready(Ok(receiver)))
    }
    fn subscribe_as(&self, _: String) -> BoxFuture<'_, Result<mpsc::Receiver<Update>, ServiceError>> {
        self.subscribe()
    }
    fn start_run(&self, _: RunRequest) -> BoxFuture<'_, Result<u32, ServiceError>> {
        nothing()
    }
    fn stop(&self, _: String) -> BoxFuture<'_, Result<StopReport, ServiceError>> {
        nothing()
    }
    fn confirm(&self, _: u32, _: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        nothing()
    }
}

impl Lead for Silent {
    fn rig(&self) -> BoxFuture<'_, Result<RigView, ServiceError>> {
        nothing()
    }
    fn measured(&self) -> BoxFuture<'_, Result<Measured, ServiceError>> {
        nothing()
    }
    fn hold(&self, _: String) -> BoxFuture<'_, Result<Grant, ServiceError>> {
        nothing()
    }
    fn keep(&self, _: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        nothing()
    }
    fn give_back(&self, _: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        nothing()
    }
    fn order(&self, _: String, _: Order) -> BoxFuture<'_, Result<Option<u32>, ServiceError>> {
        nothing()
    }
}

/// The other half of the test after it, in a process of its own.
#[test]
#[ignore = "panics; asked for by restores_the_terminal_after_a_panic"]
fn stumbles_on_a_terminal() {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let clock = Arc::new(Stumbling(AtomicU64::new(0)));
    let watching = Watching { name: None, system: System::Si, look: Look::default(), clock };
    let outcome = runtime.block_on(watch(Arc::new(Silent(std::sync::Mutex::default())), watching));
    panic!("did not stumble: {outcome:?}");
}

#[test]
fn restores_the_terminal_after_a_panic() {
    let this = std::env::current_exe().unwrap();
    let stumble = "terminal::stumbles_on_a_terminal";
    let command = format!(
        "'{}' --ignored --exact {stumble} --nocapture --test-threads 1; stty -a; echo THE END; read waits",
        this.display()
    );
    let window = Window::of((100, 40), &[("LC_ALL", "C.UTF-8"), ("RUST_BACKTRACE", "0")], &command);
    window.wait("THE END");
    let words = window.words();
    assert!(words.contains("stumbled on purpose"), "the screen was left, so that the panic is read: {words}");
    assert!(words.contains(" icanon ") && words.contains(" echo ") && words.contains(" isig "), "{words}");
}
