//! The API as any other program sees it: HTTP and WebSocket written by hand, the foreign and the malformed refused.

use crate::stand::bench::Bench;
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use futures_util::{SinkExt, StreamExt};
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpStream;
use tokio_tungstenite::tungstenite::{Message, client::IntoClientRequest};

/// A request by hand; answers with status and body. The connection closes after it.
fn send(address: &str, text: &str, body: &[u8]) -> (u16, String) {
    let mut socket = TcpStream::connect(address).unwrap();
    socket.set_read_timeout(Some(crate::stand::DEADLINE)).unwrap();
    socket.write_all(text.as_bytes()).unwrap();
    // A server that has refused already may have closed: what counts is its answer.
    let _ = socket.write_all(body);
    let mut answer = Vec::new();
    let _ = socket.read_to_end(&mut answer);
    let answer = String::from_utf8_lossy(&answer).into_owned();
    let status = answer.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
    let body = answer.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default();
    (status, body)
}

fn head(method: &str, path: &str, host: &str, more: &str) -> String {
    format!("{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{more}\r\n")
}

fn get(address: &str, path: &str) -> (u16, String) {
    send(address, &head("GET", path, address, ""), b"")
}

fn post(address: &str, path: &str, body: &Value) -> (u16, String) {
    post_by("", address, path, body)
}

/// The same with the key of the controls.
fn post_by(key: &str, address: &str, path: &str, body: &Value) -> (u16, String) {
    let body = body.to_string();
    let key = if key.is_empty() { String::new() } else { format!("ramprig-control: {key}\r\n") };
    let more = format!("{key}Content-Type: application/json\r\nContent-Length: {}\r\n", body.len());
    send(address, &head("POST", path, address, &more), body.as_bytes())
}

/// Take the controls; their key.
fn take(address: &str, name: &str) -> String {
    let (status, body) = post(address, "/v0/control/take", &json!({"name": name}));
    assert_eq!(status, 200, "{body}");
    serde_json::from_str::<Value>(&body).unwrap()["key"].as_str().unwrap().to_owned()
}

#[test]
fn gives_the_state_and_takes_a_stop() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let (status, body) = get(&address, "/v0/state");
    let state: Value = serde_json::from_str(&body).unwrap();
    assert_eq!((status, &state["rig_id"], &state["activity"]), (200, &"terrace-bench".into(), &"idle".into()));
    for page in ["/", "/desk"] {
        let (status, body) = get(&address, page);
        assert!(status == 200 && body.contains("not the emergency stop"), "{status} {body}");
    }
    let run = json!({
        "sequence_text": Cycle { hold: "time = \"30 s\"", ..Cycle::brief_ramps() }.text(), "sequence_name": "s.toml",
        "starter": "drive", "attending": "", "confirmed_by": "virtual rig", "out_dir": bench.out(),
    });
    let (status, body) = post(&address, "/v0/run", &run);
    assert!(status == 403 && body.contains("needs the controls"), "{status} {body}");
    let key = take(&address, "A. Tester");
    assert_eq!(post_by(&key, &address, "/v0/run", &run), (200, "1".into()));
    let (status, body) = post_by(&key, &address, "/v0/run", &run);
    assert!(status == 409 && body.contains("a run is on"), "{status} {body}");
    assert!(View::of(&address).reaches_step("hold"));
    bench.witness().wait_on();
    let (status, body) = post(&address, "/v0/stop", &json!({"by": "a person at a terminal"}));
    assert!(status == 200 && body.contains("drive"), "{status} {body}");
    bench.witness().wait_off();
    let ended = View::of(&address).wait_state("end", |state| state.run.as_ref().is_some_and(|run| run.end.is_some()));
    assert!(ended.run.unwrap().end.unwrap().aborted.unwrap().contains("a person at a terminal"));
}

#[test]
fn rejects_actions_by_get_foreign_hosts_and_origins_and_bodies_that_are_no_orders() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let orders = ["stop", "run", "confirm", "guess", "skip", "control/take", "control/keep", "control/give"];
    for path in orders.map(|order| format!("/v0/{order}")) {
        let path = path.as_str();
        assert_eq!(get(&address, path).0, 405, "GET {path}");
        assert_eq!(get(&address, &format!("{path}?by=me")).0, 405);
    }
    assert_eq!(get(&address, "/v1/state").0, 404);
    for host in ["rig.example", "127.0.0.1.example", "0.0.0.0:80"] {
        assert_eq!(send(&address, &head("GET", "/v0/state", host, ""), b"").0, 403, "host {host}");
    }
    let json_type = "Content-Type: application/json\r\nContent-Length: 10\r\n";
    for origin in ["http://example.test", "null", "https://127.0.0.1"] {
        let more = format!("Origin: {origin}\r\n{json_type}");
        assert_eq!(
            send(&address, &head("POST", "/v0/stop", &address, &more), b"{\"by\":\"x\"}").0,
            403,
            "origin {origin}"
        );
    }
    // A form is what a foreign page can send without asking.
    let form = "Content-Type: text/plain\r\nContent-Length: 10\r\n";
    assert_eq!(send(&address, &head("POST", "/v0/stop", &address, form), b"{\"by\":\"x\"}").0, 415);
    for body in [json!({}), json!([]), json!({"by": 7}), json!("stop")] {
        assert_eq!(post(&address, "/v0/stop", &body).0 / 100, 4, "{body}");
    }
    // Longer than any order; the length alone is told first, then the bytes.
    let huge = "Content-Type: application/json\r\nContent-Length: 50000000\r\n";
    let key = format!("ramprig-control: {}\r\n{huge}", take(&address, "A. Tester"));
    assert_eq!(send(&address, &head("POST", "/v0/run", &address, &key), &vec![b' '; 4_000_000]).0, 413);
    assert_eq!(send(&address, "STOP!\r\n\r\n", b"").0 / 100, 4);
    assert_eq!(get(&address, "/v0/state").0, 200, "still served");
    assert_eq!(bench.witness().most_on(), 0);
}

#[test]
fn rejects_frames_that_are_no_calls_and_goes_on() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let foreign = {
            let mut request = format!("ws://{address}/v0/live").into_client_request().unwrap();
            request.headers_mut().insert("Origin", "http://example.test".parse().unwrap());
            tokio_tungstenite::connect_async(request).await
        };
        assert!(foreign.is_err(), "a page of another site opened the live connection");
        let (mut socket, _) = tokio_tungstenite::connect_async(format!("ws://{address}/v0/live")).await.unwrap();
        let odd = [
            "",
            "{",
            "null",
            "{\"id\":1}",
            "{\"id\":1,\"call\":\"fly\"}",
            "{\"id\":1,\"call\":\"stop\"}",
            "\u{0}",
            "[[[[[[",
        ];
        for text in odd {
            socket.send(Message::text(text)).await.unwrap();
            let answer = socket.next().await.unwrap().unwrap().into_text().unwrap();
            assert!(answer.contains("not a call"), "{text:?} was answered by {answer}");
        }
        socket.send(Message::binary(vec![0_u8; 100])).await.unwrap();
        socket.send(Message::text("{\"id\":5,\"call\":\"snapshot\"}")).await.unwrap();
        let answer = socket.next().await.unwrap().unwrap().into_text().unwrap();
        assert!(answer.contains("terrace-bench"), "{answer}");
        // Deep nesting and great length end the connection or are refused; the daemon lives.
        let deep = "[".repeat(200_000);
        socket.send(Message::text(deep)).await.unwrap();
        let _ = socket.next().await;
        let (mut socket, _) = tokio_tungstenite::connect_async(format!("ws://{address}/v0/live")).await.unwrap();
        let _ = socket.send(Message::text("x".repeat(3_000_000))).await;
        let _ = socket.next().await;
    });
    assert_eq!(get(&address, "/v0/state").0, 200, "still served");
}

#[test]
fn gives_the_controls_to_one_named_person_at_a_time_and_always_says_to_whom() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let state = || serde_json::from_str::<Value>(&get(&address, "/v0/state").1).unwrap();
    assert_eq!(state()["controller"], Value::Null);
    assert_eq!(post(&address, "/v0/control/take", &json!({"name": " "})).0, 409);
    let key = take(&address, "A. Tester");
    assert_eq!(state()["controller"], json!({"name": "A. Tester", "from": "this computer"}));
    let (status, body) = post(&address, "/v0/control/take", &json!({"name": "B. Tester"}));
    assert!(status == 409 && body.contains("A. Tester"), "{status} {body}");
    // Another face, the terminal's or `run`'s, is told who holds them.
    let view = View::of(&address);
    let refused = view.ask(async |client| ramprig::api::Service::confirm(client, 1, "B. Tester".into()).await);
    assert!(refused.unwrap_err().to_string().contains("A. Tester"));
    let orders =
        [("run", json!({"sequence": "three-starters", "starter": "drive"})), ("confirm", json!({"question": 1}))];
    for (order, body) in &orders {
        for wrong in ["", "0", &key[1..], key.to_uppercase().as_str()] {
            let (status, said) = post_by(wrong, &address, &format!("/v0/{order}"), body);
            assert_eq!(status, 403, "{order} with key {wrong:?}: {said}");
        }
    }
    let other = json!({"sequence": "three-starters", "starter": "drive", "attending": "B. Tester"});
    assert_eq!(post_by(&key, &address, "/v0/run", &other).0, 409, "who holds the controls attends");
    assert_eq!(post_by(&key, &address, "/v0/run", &json!({"sequence": "no-such", "starter": "drive"})).0, 409);
    assert_eq!(post_by(&key, &address, "/v0/control/keep", &json!(null)).0, 200);
    assert_eq!(post_by(&key, &address, "/v0/control/give", &json!(null)).0, 200);
    assert_eq!(state()["controller"], Value::Null);
    assert_eq!(post_by(&key, &address, "/v0/control/keep", &json!(null)).0, 403, "an old key holds nothing");
    assert_eq!(bench.witness().most_on(), 0);
}

/// The document says what is answered: other people's JSON Schema library holds the answers against it.
#[test]
fn answers_as_the_openapi_document_says() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let folder = bench.folder().join("answers");
    std::fs::create_dir(&folder).unwrap();
    for (path, schema) in [("state", "State"), ("rig", "Rig")] {
        let (status, body) = get(&address, &format!("/v0/{path}"));
        assert_eq!(status, 200);
        std::fs::write(folder.join(format!("{schema}.json")), body).unwrap();
    }
    let grant = post(&address, "/v0/control/take", &json!({"name": "A. Tester"})).1;
    std::fs::write(folder.join("Grant.json"), grant).unwrap();
    let refused = post(&address, "/v0/control/take", &json!({"name": "B. Tester"})).1;
    std::fs::write(folder.join("Refused.json"), refused).unwrap();
    let document = get(&address, "/v0/openapi.json").1;
    std::fs::write(folder.join("openapi.json"), document).unwrap();
    let said = crate::stand::peers::python("openapi_check.py", "check", &folder);
    let found: Value = serde_json::from_slice(&said.stdout).unwrap();
    assert_eq!(found.as_object().unwrap().len(), 4, "{found}");
    for (name, wrong) in found.as_object().unwrap() {
        assert_eq!(wrong, &json!([]), "{name}");
    }
}
