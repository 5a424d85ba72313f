//! The desk of whoever leads, by keyboard alone.

use super::{PROJECTOR, opened, order, stage};
use serde_json::Value;

/// Keys of WebDriver (W3C, section 17.4.2) that a clicker has, or that press a button.
const CLICKER: &str = " \u{E006}\u{E007}\u{E012}\u{E014}\u{E013}\u{E015}\u{E00E}\u{E00F}";
const TAB: &str = "\u{E004}";

#[test]
fn leads_through_a_run_by_keyboard_alone_and_never_by_a_clickers_keys() {
    let (bench, _owner, address, browser) = stage("/desk");
    let hall = opened(&address, "/", PROJECTOR);
    browser.wait("document.querySelectorAll('#sequence option').length > 1");
    browser.value("document.getElementById('name').focus()");
    browser.press("A. Tester");
    assert_eq!(browser.text("stop-said"), "", "a name with an s in it stops nothing");
    browser.press(TAB);
    browser.press("t");
    browser.wait("Boolean(ramprig.key)");
    hall.wait("document.getElementById('controller').textContent === 'Controls: A. Tester, this computer'");
    browser.value(
        "(document.getElementById('sequence').value = 'three-starters', document.getElementById('starter').value = 'drive')",
    );
    for id in ["start", "repeat", "resume", "confirm"] {
        browser.value(&format!(
            "(document.getElementById('{id}').disabled = false, document.getElementById('{id}').focus())"
        ));
        browser.press(CLICKER);
    }
    browser.value("document.body.focus()");
    browser.press(CLICKER);
    let newest = browser.value("ramprig.picture.newest").as_f64().unwrap();
    browser.wait(&format!("ramprig.picture.newest > {}", newest + 0.5));
    assert_eq!(browser.value("ramprig.picture.state.run"), Value::Null, "a clicker's key started a run");
    browser.value("document.activeElement.blur()");
    browser.press("g");
    browser.wait("Boolean(ramprig.picture.state.run)");
    for words in ["area", "line-up"] {
        browser.wait(&format!("(ramprig.picture.state.run?.question?.[1] ?? '').includes('{words}')"));
        let question = browser.value("ramprig.picture.state.run.question[0]");
        browser.value("document.getElementById('confirm').focus()");
        browser.press(CLICKER);
        let newest = browser.value("ramprig.picture.newest").as_f64().unwrap();
        browser.wait(&format!("ramprig.picture.newest > {}", newest + 0.5));
        assert_eq!(browser.value("ramprig.picture.state.run.question?.[0]"), question, "a clicker's key confirmed");
        browser.press("c");
        browser.wait(&format!("ramprig.picture.state.run.question?.[0] !== {question}"));
    }
    bench.witness().wait_on();
    hall.wait("document.getElementById('state').textContent.startsWith('Running')");
    browser.press("s");
    bench.witness().wait_off();
    browser.wait("document.getElementById('state').textContent.includes('Stop confirmed')");
    hall.wait("document.getElementById('state').textContent.includes('Stop confirmed')");
    browser.wait("ramprig.picture.state.activity === 'idle'");
    let why = browser.value("ramprig.picture.state.run.end.aborted");
    assert!(why.as_str().unwrap().contains("A. Tester"), "{why}");
    assert!(
        !browser.value("document.getElementById('resume').disabled").as_bool().unwrap(),
        "an aborted run may be resumed"
    );
    bench.witness().assert_all_off();
}

#[test]
fn passes_over_a_step_that_may_be_passed_over_and_no_other() {
    let (bench, _owner, _address, browser) = stage("/desk");
    let key = super::take(&browser, "A. Tester");
    super::start_lesson(&browser, &key);
    super::answer(&browser, "line-up terrace", &key);
    browser.wait("(ramprig.picture.state.run?.question?.[1] ?? '').includes('How high')");
    assert!(browser.text("notes").contains("Let three people answer."), "{}", browser.text("notes"));
    assert_eq!(browser.text("next"), "Next: wait for shaft-at-rest and duty", "the step after it");
    let step = browser.value("ramprig.picture.state.run.progress.step_number").as_u64().unwrap();
    // Not the step that is on, then the one that is.
    assert_eq!(order(&browser, "skip", &format!("{{step: {}}}", step + 2), &key), 200);
    assert_eq!(order(&browser, "skip", &format!("{{step: {step}}}"), &key), 200);
    browser.wait("ramprig.picture.state.run.progress.step.startsWith('hold')");
    bench.witness().wait_on();
    let hold = browser.value("ramprig.picture.state.run.progress.step_number").as_u64().unwrap();
    // The hold of a minute ends when told to, and the ordinary stop follows.
    assert_eq!(order(&browser, "skip", &format!("{{step: {hold}}}"), &key), 200);
    bench.witness().wait_off();
    browser.wait("Boolean(ramprig.picture.state.run.end)");
    assert_eq!(browser.value("ramprig.picture.state.run.end.aborted"), Value::Null);
    assert_eq!(browser.value("ramprig.picture.state.run.end.stop"), "confirmed");
    let said = browser.value("ramprig.picture.log.map((event) => event.text)").to_string();
    for words in [format!("step {} cannot be passed over", step + 2), format!("step {hold} passed over")] {
        assert!(said.contains(&words), "{words} in {said}");
    }
}
