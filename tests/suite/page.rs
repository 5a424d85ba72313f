//! The page for the hall and the desk, in Debian's Chromium: what people see and press, and what the virtual rig says of it.

mod desk;
mod hall;
mod lesson;
mod looks;
mod ready;

use crate::stand::bench::Bench;
use crate::stand::browser::Browser;

/// Size of a projector's picture.
pub const PROJECTOR: (u32, u32) = (1280, 720);
/// Size of a telephone's.
pub const TELEPHONE: (u32, u32) = (390, 844);

/// Say, ask, one cycle.
pub const LESSON: &str = "[sequence]\nid = \"lesson\"\nname = \"A lesson\"\nabout = \"made for a test\"\n\
    [[step]]\ndo = \"line-up\"\nline_up = \"terrace\"\n\
    [[step]]\ndo = \"say\"\ntext = \"The pump will start through the drive.\"\n\
    [[step]]\ndo = \"ask\"\ntext = \"How high will the pressure go?\"\nnotes = \"Let three people answer.\\nThen write one number down.\"\n\
    [[step]]\ndo = \"wait\"\nuntil = [\"shaft-at-rest\", \"duty\"]\ntimeout = \"30 s\"\n\
    [[step]]\ndo = \"start\"\nramp_up = \"1 s\"\nramp_down = \"1 s\"\n\
    [[step]]\ndo = \"hold\"\ntime = \"60 s\"\n\
    [[step]]\ndo = \"stop\"\n\
    [[step]]\ndo = \"settle\"\ntimeout = \"3 s\"\n";

/// A page of a daemon, opened and connected.
pub fn opened(address: &str, path: &str, (width, height): (u32, u32)) -> Browser {
    let browser = Browser::of(width, height);
    browser.open(&format!("http://{address}{path}"));
    browser.wait("Boolean(window.ramprig && window.ramprig.picture.state && window.ramprig.picture.traces.length > 0)");
    browser
}

/// A daemon with a page at it.
pub fn stage(path: &str) -> (Bench, crate::stand::program::Program, String, Browser) {
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let browser = opened(&address, path, PROJECTOR);
    (bench, owner, address, browser)
}

/// An order by the page's own means; its status.
pub fn order(browser: &Browser, path: &str, body: &str, key: &str) -> u64 {
    let script = format!(
        "fetch('/v0/{path}', {{method: 'POST', headers: {{'content-type': 'application/json', 'ramprig-control': '{key}'}}, \
         body: JSON.stringify({body})}}).then((answer) => done(answer.status), (error) => done(String(error)));"
    );
    browser.later(&script).as_u64().unwrap()
}

/// Take the controls by the page's own means, with a sign of life every two seconds; their key.
pub fn take(browser: &Browser, name: &str) -> String {
    let script = format!(
        "fetch('/v0/control/take', {{method: 'POST', headers: {{'content-type': 'application/json'}}, body: \
         JSON.stringify({{name: '{name}'}})}}).then((answer) => answer.json()).then((grant) => {{ setInterval(() => fetch('/v0/control/keep', \
         {{method: 'POST', headers: {{'ramprig-control': grant.key}}}}), 2000); done(grant.key); }});"
    );
    browser.later(&script).as_str().unwrap().to_owned()
}

/// Start the lesson by the page's own means.
pub fn start_lesson(browser: &Browser, key: &str) {
    let body = serde_json::json!({"sequence_text": LESSON, "sequence_name": "lesson", "starter": "drive", "band": 8});
    assert_eq!(order(browser, "run", &body.to_string(), key), 200);
}

/// Answer the question that waits once its words are these.
pub fn answer(browser: &Browser, words: &str, key: &str) {
    browser.wait(&format!("(ramprig.picture.state.run?.question?.[1] ?? '').includes('{words}')"));
    let question = browser.value("ramprig.picture.state.run.question[0]");
    assert_eq!(order(browser, "confirm", &format!("{{question: {question}}}"), key), 200);
}
