//! What a start needs, told at the desk; and who holds the controls, told on every face.

use super::{PROJECTOR, opened, stage};
use crate::stand::tmux::Window;
use serde_json::{Value, json};

const TAB: &str = "\u{E004}";

#[test]
fn tells_what_a_start_lacks_the_line_up_and_what_will_be_asked() {
    let (mut bench, _owner, _address, browser) = stage("/desk");
    let needed = |words: &str| browser.wait(&format!("document.getElementById('needed').textContent === '{words}'"));
    needed("Needed for a start: all there");
    let texts =
        |of: &str| browser.value(&format!("[...document.querySelectorAll('{of}')].map((one) => one.textContent)"));
    assert_eq!(texts("#line-up tr"), json!(["throttleopen", "fill_valveshut", "return_valveshut"]));
    assert_eq!(browser.text("line-up-name"), "terrace (stands so)");
    let duty = texts("#needs li").to_string();
    assert!(duty.contains("ok duty of drive: may start") && duty.contains("bar (-0.60 to 0.10 bar)"), "{duty}");
    browser.wait("document.querySelectorAll('#sequence option').length > 1");
    browser.value(
        "(document.getElementById('sequence').value = 'lesson-three-starters', \
         document.getElementById('sequence').dispatchEvent(new Event('change')))",
    );
    let asked = texts("#confirms li").to_string();
    assert!(asked.contains("everybody knows the emergency stop") && asked.contains("line-up terrace"), "{asked}");
    assert!(texts("#warnings li").to_string().contains("The pump starts by remote command"));
    bench.control("local");
    needed("Needed for a start: 1 missing: selector");
    assert_eq!(texts("#needs li[data-holds=no]"), json!(["NO selector: LOCAL; needs: remote"]));
    let button =
        "document.getElementById(document.getElementById('start').getAttribute('aria-describedby')).textContent";
    assert_eq!(browser.value(button), "Needed for a start: 1 missing: selector", "what is read with the start button");
    bench.control("remote");
    needed("Needed for a start: all there");
    browser.press("u");
    browser.wait("document.getElementById('needs').textContent.includes('psi (-8.7 to 1.5 psi)')");
    assert_eq!(browser.value("ramprig.picture.state.run"), Value::Null);
    assert_eq!(bench.witness().most_on(), 0);
}

#[test]
fn shows_who_holds_the_controls_handed_over_and_timed_out_on_page_and_terminal() {
    let (_bench, _owner, address, desk) = stage("/desk");
    let hall = opened(&address, "/", PROJECTOR);
    let window = Window::ramprig((100, 30), &["watch", "--at", &address, "--name", "B. Tester"]);
    window.wait("controls: nobody");
    desk.value("document.getElementById('name').focus()");
    desk.press("A. Tester");
    desk.press(TAB);
    desk.press("t");
    desk.wait("Boolean(ramprig.key)");
    window.wait("controls: A. Tester (this computer)");
    window.types("t");
    window.wait("A. Tester (this computer) holds the controls");
    desk.press("b");
    let all = |words: &str| {
        for page in [&desk, &hall] {
            page.wait(&format!("document.getElementById('controller').textContent === 'Controls: {words}'"));
        }
    };
    all("nobody; given back by A. Tester");
    window.wait("controls: nobody, given back by A. Tester");
    window.types("t");
    all("B. Tester, this computer");
    assert!(desk.value("document.getElementById('take').disabled").as_bool().unwrap(), "one at a time");
    // Gone without a word.
    drop(window);
    for page in [&desk, &hall] {
        page.wait("document.getElementById('controller').textContent.includes('B. Tester, this computer; no sign of life for')");
    }
    all("nobody; B. Tester gave no sign of life");
    desk.press("t");
    all("A. Tester, this computer");
}
