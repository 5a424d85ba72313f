//! How the pages look: pictures to be looked at, nothing outside the window, and no serious finding of axe-core.

use super::{PROJECTOR, TELEPHONE, answer, order, stage, start_lesson, take};
use crate::stand::browser::Browser;
use serde_json::Value;
use std::path::Path;

const AXE: &str = "target/peers-node/node_modules/axe-core/axe.min.js";

/// Everything that axe-core calls serious or critical.
fn findings(browser: &Browser) -> Vec<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(AXE);
    let axe = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}; try: tests/peers/install", path.display()));
    browser.later(&format!("{axe}; done(true);"));
    let found = browser.later(
        "axe.run(document, {resultTypes: ['violations']}).then((found) => done({rules: found.passes.length, bad: \
         found.violations.filter((one) => ['serious', 'critical'].includes(one.impact)).map((one) => one.id + ': ' + \
         one.nodes.map((node) => node.html + ' ' + node.failureSummary).join(' | '))}), (error) => done(String(error)));",
    );
    assert!(found["rules"].as_u64().is_some_and(|rules| rules > 5), "axe-core did not look: {found}");
    found["bad"].as_array().unwrap().iter().map(|one| one.as_str().unwrap().to_owned()).collect()
}

/// What is drawn stays inside the window, and the stop is in it.
#[track_caller]
fn fits(browser: &Browser, what: &str) {
    let over = browser.value("document.documentElement.scrollWidth - window.innerWidth");
    assert!(over.as_i64().unwrap() <= 0, "{what}: {over} points wider than the window");
    let stop = browser.value("(({top, bottom, left, right}) => [top, bottom, left, right])(document.getElementById('stop').getBoundingClientRect())");
    let edges: Vec<f64> = stop.as_array().unwrap().iter().map(|edge| edge.as_f64().unwrap()).collect();
    let (width, height) =
        (browser.value("innerWidth").as_f64().unwrap(), browser.value("innerHeight").as_f64().unwrap());
    if what.starts_with("hall") && what.contains("projector") {
        let over = browser.value("document.documentElement.scrollHeight - innerHeight").as_i64().unwrap();
        assert!(over <= 0, "{what}: {over} points higher than the window");
        let cut = "[...document.querySelectorAll('aside, aside dd, footer p, #state')].filter((one) => one.offsetParent && \
                   (one.getBoundingClientRect().bottom > innerHeight + 0.5 || one.scrollWidth > one.clientWidth + 1)).map((one) => one.id || one.tagName)";
        assert_eq!(browser.value(cut), serde_json::json!([]), "{what}: cut off");
    }
    let inside = edges[0] >= 0.0 && edges[1] <= height && edges[2] >= 0.0 && edges[3] <= width;
    assert!(inside && edges[1] - edges[0] >= 44.0, "{what}: the stop lies at {edges:?} of {width} x {height}");
}

/// Look at a page in both sizes and both looks.
#[track_caller]
fn looked_at(browser: &Browser, name: &str) {
    for (size, (width, height)) in [("projector", PROJECTOR), ("telephone", TELEPHONE)] {
        browser.resize(width, height);
        for look in ["dark", "light"] {
            browser.value(&format!("document.documentElement.dataset.look = '{look}'"));
            browser.later("requestAnimationFrame(() => requestAnimationFrame(() => done(true)));");
            let what = format!("{name}-{size}-{look}");
            let path = browser.picture(&what);
            println!("{}", path.display());
            fits(browser, &what);
            let found = findings(browser);
            assert!(found.is_empty(), "{what}: {found:#?}");
        }
    }
    browser.resize(PROJECTOR.0, PROJECTOR.1);
}

#[test]
fn agrees_with_axe_core_and_with_the_window_in_every_state() {
    let (mut bench, mut owner, address, browser) = stage("/");
    looked_at(&browser, "hall-idle");
    let desk = super::opened(&address, "/desk", PROJECTOR);
    desk.wait("document.querySelectorAll('#sequence option').length > 1");
    looked_at(&desk, "desk-idle");
    bench.control("local");
    desk.wait("document.getElementById('needed').textContent.includes('1 missing')");
    looked_at(&desk, "desk-lacking");
    bench.control("remote");
    desk.wait("document.getElementById('needed').textContent.includes('all there')");
    let key = take(&browser, "A. Tester");
    start_lesson(&browser, &key);
    answer(&browser, "line-up terrace", &key);
    browser.wait("(ramprig.picture.state.run?.question?.[1] ?? '').includes('How high')");
    assert_eq!(order(&browser, "guess", "{value_pa: 250000}", &key), 200);
    browser.wait("ramprig.chart.drawn.predicted && !document.getElementById('guess-row').hidden");
    looked_at(&browser, "hall-asked");
    browser.press("2");
    looked_at(&browser, "hall-asked-elevation");
    looked_at(&desk, "desk-asked");
    answer(&browser, "How high", &key);
    bench.witness().wait_on();
    browser.wait("ramprig.picture.newest > (ramprig.picture.cycleMarks()?.start ?? 1e9) + 4");
    looked_at(&browser, "hall-running-elevation");
    browser.press("1");
    looked_at(&browser, "hall-running");
    let step = browser.value("ramprig.picture.state.run.progress.step_number");
    assert_eq!(order(&browser, "skip", &format!("{{step: {step}}}"), &key), 200);
    bench.witness().wait_off();
    browser.wait("Boolean(ramprig.picture.state.run.end) && ramprig.picture.state.activity === 'idle'");
    looked_at(&browser, "hall-ended");
    browser.press("3");
    browser.wait("!document.getElementById('starters-table').hidden");
    looked_at(&browser, "hall-starters");
    looked_at(&desk, "desk-ended");
    assert_eq!(browser.value("ramprig.picture.state.run.end.aborted"), Value::Null);
    owner.kill();
    for (page, name) in [(&browser, "hall-lost"), (&desk, "desk-lost")] {
        page.wait("document.documentElement.dataset.lost === 'yes'");
        looked_at(page, name);
    }
}
