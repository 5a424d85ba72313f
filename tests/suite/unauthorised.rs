//! Orders without the right: 12 kinds, each varied, and not one may be taken. Whether one was taken is asked of the virtual
//! rig and of the state, not of the answers alone.

use crate::campaign;
use crate::stand::bench::{Bench, rig_path};
use crate::stand::view::View;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream, UdpSocket};

/// Attempts in full.
const ATTEMPTS: u32 = 10_000;
const KINDS: u32 = 12;
/// A token of the right form.
const TOKEN_CHARACTERS: usize = 64;

/// The address by which this computer is reached from elsewhere. Nothing is sent.
pub fn own_address() -> std::net::IpAddr {
    let socket = UdpSocket::bind("0.0.0.0:0").unwrap();
    // TEST-NET-1 of RFC 5737.
    socket.connect("192.0.2.1:9").expect("a network interface beside loopback");
    socket.local_addr().unwrap().ip()
}

/// A request written by hand; its status.
fn send(to: SocketAddr, text: &str) -> u16 {
    loop {
        let mut socket = TcpStream::connect(to).unwrap();
        socket.set_read_timeout(Some(crate::stand::DEADLINE)).unwrap();
        socket.write_all(text.as_bytes()).unwrap();
        let mut answer = Vec::new();
        let _ = socket.read_to_end(&mut answer);
        let answer = String::from_utf8_lossy(&answer).into_owned();
        let status = answer.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        // Asked again until it is judged by what it is, not by how many there are.
        if status != 429 {
            return status;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
}

struct Attempts<'a> {
    here: SocketAddr,
    afar: SocketAddr,
    token: String,
    /// Of the controls, held throughout.
    key: String,
    /// Given back.
    old_key: String,
    random: &'a mut ChaCha8Rng,
}

impl Attempts<'_> {
    fn pick<'s>(&mut self, from: &[&'s str]) -> &'s str {
        from[self.random.random_range(0..from.len())]
    }

    fn made_up(&mut self, length: usize) -> String {
        (0..length).map(|_| char::from(b"0123456789abcdef"[self.random.random_range(0..16)])).collect()
    }

    /// One character of a secret is another one, or one is too many or missing.
    fn nearly(&mut self, secret: &str) -> String {
        let at = self.random.random_range(0..secret.len());
        let mut near: Vec<char> = secret.chars().collect();
        match self.random.random_range(0..3) {
            0 => near[at] = if near[at] == '0' { '1' } else { '0' },
            1 => drop(near.remove(at)),
            _ => near.insert(at, '0'),
        }
        near.into_iter().collect()
    }

    /// An order that would move something, or lead to it.
    fn order(&mut self) -> (&'static str, Value) {
        let starter = self.pick(&["drive", "soft", "contactor"]).to_owned();
        let sequence = self.pick(&["three-starters", "quiet-cycle", "loss-of-communication"]).to_owned();
        match self.random.random_range(0..5) {
            0..=2 => ("run", json!({"sequence": sequence, "starter": starter, "confirmed_by": "virtual rig"})),
            3 if self.random.random_bool(0.5) => ("guess", json!({"value_pa": 1e5})),
            3 => ("confirm", json!({"question": self.random.random_range(0..5)})),
            _ => ("skip", json!({"step": self.random.random_range(0..9)})),
        }
    }

    fn post(&mut self, to: SocketAddr, order: &(&str, Value), headers: &str) -> u16 {
        let (path, body) = (order.0, order.1.to_string());
        let host = if headers.contains("Host: ") { String::new() } else { format!("Host: {to}\r\n") };
        send(
            to,
            &format!(
                "POST /v0/{path} HTTP/1.1\r\n{host}Connection: close\r\nContent-Type: application/json\r\n\
                 Content-Length: {}\r\n{headers}\r\n{body}",
                body.len()
            ),
        )
    }

    /// One attempt; its status.
    fn attempt(&mut self, kind: u32) -> u16 {
        let (here, afar) = (self.here, self.afar);
        let (token, key) =
            (format!("Authorization: Bearer {}\r\n", self.token), format!("ramprig-control: {}\r\n", self.key));
        let mut order = self.order();
        if kind <= 3 && self.random.random_bool(0.3) {
            order = ("stop", json!({"by": "nobody"}));
        }
        match kind {
            // From elsewhere: no token; a made-up one; nearly the right one; the right one where it does not belong.
            0 => self.post(afar, &order, &key),
            1 => {
                let made = self.made_up(TOKEN_CHARACTERS);
                self.post(afar, &order, &format!("{key}Authorization: Bearer {made}\r\n"))
            }
            2 => {
                let near = self.nearly(&self.token.clone());
                self.post(afar, &order, &format!("{key}Authorization: Bearer {near}\r\n"))
            }
            3 => {
                let scheme = self.pick(&["Basic", "bearer-", "Token", "Digest"]);
                let path = format!("{}?token={}", order.0, self.token);
                let headers =
                    format!("{key}Authorization: {scheme} {}\r\nCookie: token={}\r\n", self.token, self.token);
                self.post(afar, &(path.as_str(), order.1), &headers)
            }
            // The right token under a foreign name, as after a rebound address; and from a foreign page.
            4 => {
                let name = self.pick(&["rig.example", "127.0.0.1", "localhost", "192.0.2.99:8790", "[::1]:80", ""]);
                self.post(afar, &order, &format!("{token}{key}Host: {name}\r\n"))
            }
            5 => {
                let origin =
                    self.pick(&["http://rig.example", "null", "https://192.0.2.99", "file://", "http://127.0.0.1"]);
                self.post(afar, &order, &format!("{token}{key}Origin: {origin}\r\n"))
            }
            // Everything right, at a rig that is not commanded from elsewhere.
            6 if self.random.random_bool(0.2) => {
                self.post(afar, &("control/take", json!({"name": "C. Tester"})), &token)
            }
            6 => self.post(afar, &order, &format!("{token}{key}")),
            // From here: a foreign page, with the real key; no key; a made-up or nearly right one; one given back.
            7 => {
                let foreign = self.pick(&[
                    "Origin: http://rig.example\r\n",
                    "Origin: null\r\n",
                    "Sec-Fetch-Site: cross-site\r\n",
                    "Sec-Fetch-Site: same-site\r\n",
                    "Host: rig.example\r\n",
                ]);
                self.post(here, &order, &format!("{key}{foreign}"))
            }
            8 => self.post(here, &order, ""),
            9 => {
                let wrong =
                    if self.random.random_bool(0.5) { self.nearly(&self.key.clone()) } else { self.made_up(64) };
                self.post(here, &order, &format!("ramprig-control: {wrong}\r\n"))
            }
            10 => self.post(here, &order, &format!("ramprig-control: {}\r\n", self.old_key)),
            // A control action by GET, with everything in its place.
            _ => {
                let method = self.pick(&["GET", "HEAD", "OPTIONS", "PUT", "DELETE", "PATCH"]);
                let path = self.pick(&["run", "confirm", "skip", "guess", "stop", "control/take", "control/give"]);
                let query = self.pick(&["", "?starter=drive&sequence=three-starters", "?by=me", "?question=1"]);
                send(
                    here,
                    &format!("{method} /v0/{path}{query} HTTP/1.1\r\nHost: {here}\r\nConnection: close\r\n{key}\r\n"),
                )
            }
        }
    }
}

/// Take the controls on this computer.
fn take(here: SocketAddr, name: &str) -> String {
    let body = json!({"name": name}).to_string();
    let mut socket = TcpStream::connect(here).unwrap();
    let head = format!(
        "POST /v0/control/take HTTP/1.1\r\nHost: {here}\r\nConnection: close\r\nContent-Type: application/json\r\n\
         Content-Length: {}\r\n\r\n{body}",
        body.len()
    );
    socket.write_all(head.as_bytes()).unwrap();
    let mut answer = String::new();
    socket.read_to_string(&mut answer).unwrap();
    let (_, body) = answer.split_once("\r\n\r\n").unwrap();
    serde_json::from_str::<Value>(body).unwrap()["key"].as_str().unwrap().to_owned()
}

#[test]
fn campaign_unauthorised_attempts_of_twelve_kinds_are_never_accepted() {
    let mut random = campaign::generator("unauthorised");
    let bench = Bench::real_time();
    let token_file = bench.folder().join("token");
    let terms = ["--unencrypted", "--token-file", token_file.to_str().unwrap()];
    let (owner, address) = bench.serve_at("0.0.0.0:0", &terms);
    let token = std::fs::read_to_string(&token_file).unwrap().trim().to_owned();
    let port = address.parse::<SocketAddr>().unwrap().port();
    let (here, afar) = (SocketAddr::from(([127, 0, 0, 1], port)), SocketAddr::new(own_address(), port));
    let old_key = take(here, "B. Tester");
    let give = format!(
        "POST /v0/control/give HTTP/1.1\r\nHost: {here}\r\nConnection: close\r\nContent-Length: 0\r\nramprig-control: {old_key}\r\n\r\n"
    );
    assert_eq!(send(here, &give), 200);
    let key = take(here, "A. Tester");
    let keep = format!(
        "POST /v0/control/keep HTTP/1.1\r\nHost: {here}\r\nConnection: close\r\nContent-Length: 0\r\nramprig-control: {key}\r\n\r\n"
    );
    let mut attempts = Attempts { here, afar, token: token.clone(), key: key.clone(), old_key, random: &mut random };
    let count = campaign::count(ATTEMPTS);
    let mut refused = vec![std::collections::BTreeMap::<u16, u32>::new(); KINDS as usize];
    for number in 0..count {
        let kind = number % KINDS;
        let status = attempts.attempt(kind);
        *refused[kind as usize].entry(status).or_default() += 1;
        assert!((400..500).contains(&status), "attempt {number} of kind {kind} was answered by {status}");
        if number % 50 == 0 {
            assert_eq!(send(here, &keep), 200, "the controls stay where they are");
        }
    }
    for (kind, answers) in refused.iter().enumerate() {
        println!("kind {kind}: {answers:?}");
    }
    println!("0 of {count} unauthorised attempts accepted");
    let view = View::of(&here.to_string());
    let state = view.ask(async |client| ramprig::api::Service::snapshot(client).await).unwrap();
    assert!(state.run.is_none(), "{:?}", state.run);
    assert_eq!(state.controller.map(|by| by.name), Some("A. Tester".to_owned()));
    assert_eq!(bench.witness().most_on(), 0);
    // What is allowed still is: a token holder stops, from elsewhere.
    let body = json!({"by": "a token holder"}).to_string();
    let stop = format!(
        "POST /v0/stop HTTP/1.1\r\nHost: {afar}\r\nConnection: close\r\nAuthorization: Bearer {token}\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    assert_eq!(send(afar, &stop), 200);
    owner.interrupt();
    let ended = owner.end();
    ended.expect(0);
    assert!(ended.stderr.contains("refused"), "refused attempts stand in the log");
    assert!(!ended.stderr.contains(&token) && !ended.stderr.contains(&key), "a secret stands in the log");
    let lines = ended.stderr.lines().filter(|line| line.contains("refused")).count();
    assert!(lines < 2000, "{lines} lines: whoever is refused can fill the disk");
}

#[test]
fn commands_from_elsewhere_where_the_rig_file_allows_it() {
    let text = std::fs::read_to_string(rig_path()).unwrap().replacen("[rig]\n", "[rig]\nremote_start = true\n", 1);
    let bench = Bench::described(&text);
    let token_file = bench.folder().join("token");
    let terms = ["--unencrypted", "--token-file", token_file.to_str().unwrap()];
    let (_owner, address) = bench.serve_at("0.0.0.0:0", &terms);
    let token = std::fs::read_to_string(&token_file).unwrap().trim().to_owned();
    let port = address.parse::<SocketAddr>().unwrap().port();
    let (here, afar) = (SocketAddr::from(([127, 0, 0, 1], port)), SocketAddr::new(own_address(), port));
    let key = take(here, "A. Tester");
    let mut random = campaign::generator("remote start");
    let headers = format!("Authorization: Bearer {token}\r\nramprig-control: {key}\r\n");
    let mut attempts = Attempts { here, afar, token, key, old_key: String::new(), random: &mut random };
    let beforehand = ("run", json!({"sequence": "quiet-cycle", "starter": "drive", "confirmed_by": "virtual rig"}));
    assert_eq!(attempts.post(afar, &beforehand, &headers), 409, "nothing is confirmed beforehand from elsewhere");
    let elsewhere = ("run", json!({"sequence": "quiet-cycle", "starter": "drive", "out_dir": "/tmp"}));
    assert_eq!(attempts.post(afar, &elsewhere, &headers), 409, "no folder is named from elsewhere");
    let run = ("run", json!({"sequence": "quiet-cycle", "starter": "drive", "band": 0}));
    assert_eq!(attempts.post(afar, &run, &headers), 200);
    let mut view = View::of(&here.to_string());
    view.wait_state("a question", |state| state.run.as_ref().is_some_and(|run| run.question.is_some()));
    assert_eq!(attempts.post(afar, &("stop", json!({"by": "A. Tester"})), &headers), 200);
    let ended = view.wait_state("the end", |state| state.run.as_ref().is_some_and(|run| run.end.is_some()));
    assert!(ended.run.unwrap().end.unwrap().aborted.unwrap().contains("A. Tester"));
    bench.witness().assert_all_off();
}
