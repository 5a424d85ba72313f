//! Debian's Chromium, driven over the WebDriver protocol (W3C) in plain HTTP by a client of our own.

use super::{DEADLINE, LOOK_EVERY};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

/// Member under which WebDriver hands out elements.
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// A driver that takes a free port on IPv4 takes the same one on IPv6, and ends where that is not free: so often it is begun again.
const TRIES: u32 = 10;

/// A driver that listens, and its port; what one said that ended is added to `said`.
fn listening(said: &mut Vec<String>) -> Option<(Child, u16)> {
    let mut driver = Command::new("chromedriver")
        .arg("--port=0")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap_or_else(|error| panic!("chromedriver: {error}; try: tests/peers/install"));
    let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
    let port = lines.find_map(|line| {
        let line = line.ok()?;
        let port = line.strip_suffix('.').and_then(|line| line.rsplit_once("started successfully on port "));
        let port = port.and_then(|(_, port)| port.parse().ok());
        said.push(line);
        port
    });
    let Some(port) = port else {
        // It has ended: its output came to its end.
        let ended = driver.wait();
        said.push(format!("{ended:?}"));
        return None;
    };
    // It must be able to go on writing.
    std::thread::spawn(move || lines.for_each(drop));
    Some((driver, port))
}

/// A browser with one window.
pub struct Browser {
    driver: Child,
    port: u16,
    session: String,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// A window of this size, in CSS points.
    pub fn of(width: u32, height: u32) -> Self {
        let profile = tempfile::tempdir().unwrap();
        let mut said = Vec::new();
        let (driver, port) = (0..TRIES)
            .find_map(|_| listening(&mut said))
            .unwrap_or_else(|| panic!("chromedriver never came to listen: {}", said.join("; ")));
        let mut browser = Self { driver, port, session: String::new(), _profile: profile };
        let folder = format!("--user-data-dir={}", browser._profile.path().display());
        let args = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--no-first-run",
            "--force-device-scale-factor=1",
            folder.as_str(),
        ];
        let wanted = json!({"capabilities": {"alwaysMatch": {
            "browserName": "chrome",
            "goog:chromeOptions": {"binary": "/usr/bin/chromium", "args": args},
            "goog:loggingPrefs": {"performance": "ALL", "browser": "ALL"},
        }}});
        let begun = browser.call("POST", "/session", &wanted);
        browser.session = begun["sessionId"].as_str().unwrap().to_owned();
        browser.resize(width, height);
        browser
    }

    /// The window's inside at this size.
    pub fn resize(&self, width: u32, height: u32) {
        let metrics = json!({"cmd": "Emulation.setDeviceMetricsOverride", "params": {
            "width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}});
        self.at("POST", "goog/cdp/execute", &metrics);
    }

    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let body = if method == "POST" { body.to_string() } else { String::new() };
        let mut socket = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        socket.set_read_timeout(Some(DEADLINE)).unwrap();
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\nContent-Type: application/json\r\n\
             Content-Length: {}\r\n\r\n",
            self.port,
            body.len()
        );
        socket.write_all(head.as_bytes()).unwrap();
        socket.write_all(body.as_bytes()).unwrap();
        let mut reader = BufReader::new(socket);
        let mut length = 0;
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).unwrap();
            if line.trim().is_empty() {
                break;
            }
            if let Some(told) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                length = told.trim().parse().unwrap();
            }
        }
        let mut answer = vec![0; length];
        reader.read_exact(&mut answer).unwrap();
        let answer: Value = serde_json::from_slice(&answer).unwrap();
        let error = answer["value"]["error"].as_str();
        assert!(error.is_none(), "{method} {path}: {answer}");
        answer["value"].clone()
    }

    fn at(&self, method: &str, path: &str, body: &Value) -> Value {
        self.call(method, &format!("/session/{}/{path}", self.session), body)
    }

    pub fn open(&self, url: &str) {
        self.at("POST", "url", &json!({"url": url}));
    }

    /// Value of an expression in the page.
    pub fn value(&self, expression: &str) -> Value {
        self.at("POST", "execute/sync", &json!({"script": format!("return ({expression});"), "args": []}))
    }

    /// Value that a script hands to `done`.
    pub fn later(&self, script: &str) -> Value {
        let script = format!("const done = arguments[arguments.length - 1]; {script}");
        self.at("POST", "execute/async", &json!({"script": script, "args": []}))
    }

    /// Look until an expression is true.
    #[track_caller]
    pub fn wait(&self, expression: &str) {
        let begun = Instant::now();
        while self.value(expression) != Value::Bool(true) {
            assert!(
                begun.elapsed() < DEADLINE,
                "not within {DEADLINE:?}: {expression}; the page says: {}\nits log: {}",
                self.value("document.body.innerText"),
                self.log("browser")
            );
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Text of an element by its id.
    pub fn text(&self, id: &str) -> String {
        self.value(&format!("document.getElementById('{id}').textContent")).as_str().unwrap().to_owned()
    }

    pub fn click(&self, id: &str) {
        let found = self.at("POST", "element", &json!({"using": "css selector", "value": format!("#{id}")}));
        let element = found[ELEMENT].as_str().unwrap().to_owned();
        self.at("POST", &format!("element/{element}/click"), &json!({}));
    }

    /// Keys as a person presses them, one after the other, wherever the focus is.
    pub fn press(&self, keys: &str) {
        let actions: Vec<Value> = keys
            .chars()
            .flat_map(|key| ["keyDown", "keyUp"].map(|kind| json!({"type": kind, "value": key.to_string()})))
            .collect();
        self.at("POST", "actions", &json!({"actions": [{"type": "key", "id": "keyboard", "actions": actions}]}));
    }

    /// A kind of the browser's own log since the last look, as text.
    pub fn log(&self, kind: &str) -> Value {
        self.at("POST", "se/log", &json!({"type": kind}))
    }

    /// Addresses that the page has asked for since the last look.
    pub fn requests(&self) -> Vec<String> {
        let log = self.log("performance");
        let entries = log.as_array().unwrap().iter();
        entries
            .filter_map(|entry| {
                let message: Value = serde_json::from_str(entry["message"].as_str()?).ok()?;
                let message = &message["message"];
                let url = match message["method"].as_str()? {
                    "Network.requestWillBeSent" => &message["params"]["request"]["url"],
                    "Network.webSocketCreated" => &message["params"]["url"],
                    _ => return None,
                };
                Some(url.as_str()?.to_owned())
            })
            .collect()
    }

    /// A picture of the window, kept below the tests' own folder.
    pub fn picture(&self, name: &str) -> PathBuf {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join(format!("{name}.png"));
        let text = self.at("GET", "screenshot", &Value::Null);
        std::fs::write(&path, bytes_of_base64(text.as_str().unwrap())).unwrap();
        path
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() && !std::thread::panicking() {
            self.call("DELETE", &format!("/session/{}", self.session), &Value::Null);
        } else if !self.session.is_empty() {
            let path = format!("/session/{}", self.session);
            let _ = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| self.call("DELETE", &path, &Value::Null)));
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// RFC 4648, as WebDriver sends pictures.
fn bytes_of_base64(text: &str) -> Vec<u8> {
    let value = |letter: u8| match letter {
        b'A'..=b'Z' => u32::from(letter - b'A'),
        b'a'..=b'z' => u32::from(letter - b'a') + 26,
        b'0'..=b'9' => u32::from(letter - b'0') + 52,
        b'+' => 62,
        _ => 63,
    };
    let letters: Vec<u8> = text.bytes().filter(|byte| !byte.is_ascii_whitespace() && *byte != b'=').collect();
    let mut bytes = Vec::with_capacity(letters.len() * 3 / 4);
    for group in letters.chunks(4) {
        let packed = group.iter().fold(0, |all, letter| (all << 6) | value(*letter)) << (6 * (4 - group.len()));
        bytes.extend(&packed.to_be_bytes()[1..group.len()]);
    }
    bytes
}

#[test]
fn reads_base64_as_rfc_4648_writes_it() {
    // RFC 4648, section 10.
    for (bytes, text) in [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")] {
        assert_eq!(bytes_of_base64(text), bytes.as_bytes());
    }
}
