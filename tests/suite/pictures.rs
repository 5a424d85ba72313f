//! The pictures of the README: a lesson on the virtual rig, led by keys, seen at the terminal and on the page for the hall.
//! `.ci/pictures` renews them.

use crate::page::{PROJECTOR, opened};
use crate::stand::bench::Bench;
use crate::stand::svg_screen::svg;
use crate::stand::tmux::Window;
use std::path::{Path, PathBuf};

const SIZE: (u16, u16) = (110, 32);
/// Pictures larger than this do not belong in a repository.
const LARGEST_BYTES: u64 = 200_000;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(".pictures")
}

fn keep(name: &str, bytes: &[u8]) {
    std::fs::create_dir_all(folder()).unwrap();
    std::fs::write(folder().join(name), bytes).unwrap();
    println!("{name}: {} bytes", bytes.len());
}

fn keep_window(window: &Window, name: &str) {
    keep(name, svg(&window.painted(), SIZE, "ramprig at a terminal, on an invented virtual rig").as_bytes());
}

/// Go on whenever somebody is asked, until words stand in the window.
#[track_caller]
fn go_on_until(window: &Window, words: &str) {
    let waits = |text: &str| text.contains("ASKED:") || text.contains("CONFIRM AT");
    loop {
        window.wait_until(words, |text| text.contains(words) || waits(text));
        if window.words().contains(words) {
            return;
        }
        window.types_until("c", "the next step", |text| text.contains(words) || !waits(text));
    }
}

#[test]
#[ignore = "writes into the repository; asked for by .ci/pictures"]
fn renews_the_pictures_of_the_readme() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let browser = opened(&address, "/", PROJECTOR);
    browser.value("document.documentElement.dataset.look = 'dark'");
    let window = Window::ramprig(SIZE, &["watch", "--at", &address, "--name", "A. Trainer"]);
    window.wait("Needed for a start: all there");
    for _ in 0..20 {
        if window.words().contains("Sequence Lesson: three starters") {
            break;
        }
        let before = window.words();
        window.presses(&["Down"]);
        window.wait_until("the choice moves", |text| text != before);
    }
    window.types("t");
    window.wait("controls: A. Trainer");
    keep_window(&window, "terminal-ready.svg");
    window.types("g");
    go_on_until(&window, "Across the line: how high");
    window.types("n2.4");
    window.presses(&["Enter"]);
    window.wait("guess 2.40 bar");
    keep("page-question.png", &std::fs::read(browser.picture("question")).unwrap());
    go_on_until(&window, "Running: hold");
    browser.wait("ramprig.picture.newest > (ramprig.picture.cycleMarks()?.start ?? 1e9) + 3");
    keep_window(&window, "terminal-run.svg");
    keep("page-run.png", &std::fs::read(browser.picture("run")).unwrap());
    go_on_until(&window, "All steps done");
    bench.witness().assert_all_off();
    window.types("3");
    window.wait("drive, variable-speed");
    window.wait("line contactor");
    // Two guesses that nobody made, and no lowest pressure that is not there yet.
    window.wait_until("the last stop", |text| text.split_whitespace().filter(|word| *word == "--").count() == 2);
    keep_window(&window, "terminal-results.svg");
    browser.press("3");
    browser.wait("!document.getElementById('starters-table').hidden");
    browser.later("requestAnimationFrame(() => requestAnimationFrame(() => done(true)));");
    keep("page-starters.png", &std::fs::read(browser.picture("starters")).unwrap());
}

/// What the README shows is there, small, and said to be invented.
#[test]
fn are_there_small_and_said_to_be_invented() {
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    let shown: Vec<&str> =
        readme.split("](.pictures/").skip(1).filter_map(|rest| rest.split_once(')')).map(|(name, _)| name).collect();
    assert!(shown.len() >= 3, "{shown:?}");
    for name in shown {
        let bytes = std::fs::metadata(folder().join(name)).unwrap_or_else(|error| panic!("{name}: {error}")).len();
        assert!(bytes < LARGEST_BYTES, "{name}: {bytes} bytes");
    }
    assert!(readme.contains("invented virtual rig"), "the caption says that the rig is invented");
}
