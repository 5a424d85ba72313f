//! The page for the hall.

use super::{PROJECTOR, answer, opened, order, stage, start_lesson, take};
use crate::stand::bench::Bench;
use std::time::Instant;

/// A lost daemon is said within this.
const SAID_WITHIN_MS: u128 = 2000;

#[test]
fn shows_the_stream_as_it_comes_and_asks_nobody_else_for_anything() {
    let (_bench, _owner, address, browser) = stage("/");
    let seen = || browser.value("ramprig.picture.newest").as_f64().unwrap();
    let drawn = "document.getElementById('trace-canvas').toDataURL()";
    browser.wait("Boolean(ramprig.chart.drawn)");
    let (before, picture) = (seen(), browser.value(drawn));
    browser.wait(&format!("ramprig.picture.newest > {}", before + 1.0));
    assert_ne!(browser.value(drawn), picture, "the chart stands still");
    assert_eq!(browser.text("rig"), "Hillside terrace bench");
    browser.wait("!document.getElementById('virtual').hidden");
    let asked = browser.requests();
    assert!(asked.iter().any(|url| url.contains("/v0/view")) && asked.len() > 8, "{asked:?}");
    for url in &asked {
        // The browser's own first page, before ours.
        if ["chrome://", "chrome-untrusted://"].iter().any(|own| url.starts_with(own)) {
            continue;
        }
        let own = ["http", "ws"].iter().any(|scheme| url.starts_with(&format!("{scheme}://{address}/")));
        assert!(own || url.starts_with("data:"), "asked {url}");
    }
    let severe: Vec<String> =
        browser.log("browser").as_array().unwrap().iter().map(|entry| entry["message"].to_string()).collect();
    assert!(severe.is_empty(), "{severe:?}");
}

#[test]
fn shows_the_prediction_before_the_start_and_the_question_before_the_answer() {
    let (bench, _owner, _address, browser) = stage("/");
    let key = take(&browser, "A. Tester");
    start_lesson(&browser, &key);
    answer(&browser, "line-up terrace", &key);
    browser.wait("document.getElementById('said').textContent.includes('How high will the pressure go?')");
    browser.wait("ramprig.chart.drawn.predicted");
    assert_eq!(browser.value("ramprig.picture.state.run.anchor"), serde_json::Value::Null, "not started yet");
    assert_eq!(bench.witness().outputs_on(), 0);
    assert_ne!(browser.text("predicted"), "--");
    assert!(browser.text("between").contains("to"), "{}", browser.text("between"));
    assert_eq!(order(&browser, "guess", "{value_pa: 321000}", &key), 200);
    browser.wait("document.getElementById('guess').textContent === '3.21 bar'");
    answer(&browser, "How high", &key);
    bench.witness().wait_on();
    browser.wait("ramprig.picture.highest > 1e5");
    assert_eq!(browser.text("guess"), "3.21 bar", "guess, prediction and measurement stand together");
    assert!(browser.text("highest").contains("bar"));
    // Anybody stops, by the button that is on every page.
    browser.click("stop");
    bench.witness().wait_off();
    browser.wait("document.getElementById('state').textContent.includes('Stop confirmed')");
    browser.wait("ramprig.picture.state.activity === 'idle'");
    assert_eq!(bench.recordings(".h5").len(), 1, "without out_dir the recording lies where the daemon keeps its own");
}

#[test]
fn orders_nothing_without_the_controls_but_a_stop() {
    let (bench, _owner, _address, browser) = stage("/");
    let run = "{sequence: 'three-starters', starter: 'drive'}";
    for (path, body) in [("run", run), ("confirm", "{question: 1}"), ("skip", "{step: 1}"), ("guess", "{value_pa: 1}")]
    {
        assert_eq!(order(&browser, path, body, ""), 403, "{path}");
        assert_eq!(order(&browser, path, body, "0123456789abcdef0123456789abcdef"), 403, "{path} with a made-up key");
    }
    // Whatever a viewer sends down its connection orders nothing.
    browser.value(
        "(ramprig.page.link.socket.send('{\"id\":1,\"call\":\"start-run\"}'), \
         ramprig.page.link.socket.send('{\"call\":\"stop\",\"with\":{\"by\":\"x\"}}'))",
    );
    let before = browser.value("ramprig.picture.newest").as_f64().unwrap();
    browser.wait(&format!("ramprig.picture.newest > {}", before + 0.5));
    assert_eq!(browser.value("ramprig.picture.state.run"), serde_json::Value::Null);
    assert_eq!(bench.witness().most_on(), 0);
    assert_eq!(order(&browser, "stop", "{by: 'anybody'}", ""), 200);
}

#[test]
fn says_within_two_seconds_that_the_daemon_is_lost_and_finds_it_again() {
    let bench = Bench::real_time();
    let (mut owner, address) = bench.serve();
    let browser = opened(&address, "/", PROJECTOR);
    browser.wait("document.documentElement.dataset.lost === 'no'");
    let lost = "document.documentElement.dataset.lost === 'yes' && \
                document.getElementById('connection').textContent.includes('NO CONNECTION')";
    // Told by the page's own clock: from the newest message to the words.
    browser.value(&format!(
        "(window.seen = null, setInterval(() => {{ if (window.seen === null && {lost}) \
         window.seen = performance.now() - ramprig.page.link.heard; }}, 20))"
    ));
    let begun = Instant::now();
    owner.kill();
    browser.wait("window.seen !== null");
    let by_page = browser.value("window.seen").as_f64().unwrap();
    println!(
        "lost daemon said {by_page:.0} ms after its last message (asked {} ms after the kill)",
        begun.elapsed().as_millis()
    );
    assert!(by_page < SAID_WITHIN_MS as f64, "{by_page} ms");
    let (_again, _) = bench.serve_at(&address, &[]);
    browser.wait("document.documentElement.dataset.lost === 'no'");
    let before = browser.value("ramprig.picture.newest").as_f64().unwrap();
    browser.wait(&format!("ramprig.picture.newest > {}", before + 0.2));
}
