//! A whole lesson at the desk by keyboard alone: nothing is clicked, focused or set by a script.

use super::{PROJECTOR, opened, stage};
use crate::stand::browser::Browser;
use serde_json::Value;

/// Keys of WebDriver (W3C, section 17.4.2).
const TAB: &str = "\u{E004}";
const DOWN: &str = "\u{E015}";
const ENTER: &str = "\u{E007}";

/// Tab on until an element has the focus.
#[track_caller]
fn tab_to(browser: &Browser, id: &str) {
    for _ in 0..60 {
        if browser.value("document.activeElement?.id") == id {
            return;
        }
        browser.press(TAB);
    }
    panic!("{id} is not reached by Tab");
}

/// An arrow key until a list shows what is wanted.
#[track_caller]
fn choose(browser: &Browser, id: &str, value: &str) {
    tab_to(browser, id);
    for _ in 0..30 {
        if browser.value(&format!("document.getElementById('{id}').value")) == value {
            return;
        }
        browser.press(DOWN);
    }
    panic!("{value} is not in {id}");
}

/// Confirm the question that waits, once its words are these.
#[track_caller]
fn confirm(browser: &Browser, words: &str) {
    browser.wait(&format!("document.getElementById('question').textContent.includes('{words}')"));
    browser.wait("!document.getElementById('confirm').disabled");
    browser.press("c");
    browser.wait(&format!("!document.getElementById('question').textContent.includes('{words}')"));
}

#[test]
fn is_led_from_beginning_to_end_by_keyboard_alone() {
    let (bench, _owner, address, browser) = stage("/desk");
    let hall = opened(&address, "/", PROJECTOR);
    browser.wait("document.querySelectorAll('#sequence option').length > 1");
    tab_to(&browser, "name");
    browser.press("A. Tester");
    browser.press(TAB);
    browser.press("t");
    browser.wait("Boolean(ramprig.key)");
    choose(&browser, "sequence", "lesson-held-by-speed");
    choose(&browser, "starter", "drive");
    // In a list letters choose; behind it they are keys again.
    browser.press(TAB);
    browser.press("g");
    browser.wait("Boolean(ramprig.picture.state.run)");
    confirm(&browser, "restrained");
    confirm(&browser, "line-up terrace");
    browser.wait("document.getElementById('question').textContent.includes('At which speed')");
    hall.wait("document.getElementById('said').textContent.includes('At which speed')");
    assert!(browser.text("notes").contains("Write the guess down"), "{}", browser.text("notes"));
    tab_to(&browser, "guess");
    browser.press("1.05");
    tab_to(&browser, "put-down");
    browser.press(ENTER);
    hall.wait("document.getElementById('guess').textContent === '1.05 bar'");
    confirm(&browser, "At which speed");
    bench.witness().wait_on();
    browser.wait("Boolean(ramprig.picture.state.run.end)");
    assert_eq!(browser.value("ramprig.picture.state.run.end.aborted"), Value::Null);
    assert_eq!(browser.value("ramprig.picture.state.run.end.stop"), "confirmed");
    bench.witness().assert_all_off();
}
