//! TLS (feature `tls`): the server asked by OpenSSL, the clients at that server.

use crate::stand::bench::{Bench, rig_path};
use crate::stand::program::{Program, command};
use crate::stand::sequences::Cycle;
use crate::stand::tmux::{Window, line};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};

/// A certificate for this address, made by OpenSSL, and its key.
fn papers(folder: &Path, address: &str) -> (String, String) {
    let (certificate, key) = (folder.join("certificate.pem"), folder.join("key.pem"));
    let (certificate, key) = (certificate.to_str().unwrap().to_owned(), key.to_str().unwrap().to_owned());
    let names = format!("subjectAltName=IP:{address}");
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"])
        .args(["-subj", "/CN=bench.example", "-addext", &names, "-keyout", &key, "-out", &certificate])
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    (certificate, key)
}

/// A request through OpenSSL, which trusts this certificate alone; the answer.
fn ask(address: &str, certificate: &str, request: &str) -> String {
    let mut client = Command::new("openssl")
        .args(["s_client", "-quiet", "-verify_return_error", "-CAfile", certificate, "-connect", address])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut input = client.stdin.take().unwrap();
    input.write_all(request.as_bytes()).unwrap();
    let mut answer = String::new();
    client.stdout.take().unwrap().read_to_string(&mut answer).unwrap();
    drop(input);
    client.wait().unwrap();
    answer
}

#[test]
fn serves_another_address_encrypted_and_nothing_in_the_clear() {
    let bench = Bench::real_time();
    let own = crate::unauthorised::own_address().to_string();
    let (certificate, key) = papers(bench.folder(), &own);
    let token_file = bench.folder().join("token");
    let token_file = token_file.to_str().unwrap();
    let terms = ["--token-file", token_file, "--certificate", &certificate, "--key", &key];
    let (_owner, address) = bench.serve_at(&format!("{own}:0"), &terms);
    let token = std::fs::read_to_string(token_file).unwrap();
    // Somebody who begins and says nothing keeps nobody else waiting.
    let _silent = TcpStream::connect(&address).unwrap();
    let get = |more: &str| format!("GET /v0/state HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{more}\r\n");
    let without = ask(&address, &certificate, &get(""));
    assert!(without.starts_with("HTTP/1.1 401"), "{without}");
    let shown = ask(&address, &certificate, &get(&format!("Authorization: Bearer {}\r\n", token.trim())));
    assert!(shown.starts_with("HTTP/1.1 200") && shown.contains("terrace-bench"), "{shown}");
    let mut clear = TcpStream::connect(&address).unwrap();
    clear.set_read_timeout(Some(crate::stand::DEADLINE)).unwrap();
    clear.write_all(get("").as_bytes()).unwrap();
    let mut answer = Vec::new();
    let _ = clear.read_to_end(&mut answer);
    assert!(!answer.starts_with(b"HTTP"), "{}", String::from_utf8_lossy(&answer));
}

/// What `watch` says who has no terminal; its exit code is that of usage or configuration.
#[track_caller]
fn says(args: &[&str], token: Option<&str>, words: &str) {
    let mut watch = command(["watch"]);
    watch.args(args).stdin(Stdio::null()).env_remove("RAMPRIG_TOKEN");
    let ended = Program::start(watch.envs(token.map(|token| ("RAMPRIG_TOKEN", token)))).end();
    ended.expect(2).says(words);
}

#[test]
fn is_watched_commanded_and_stopped_by_those_who_trust_its_certificate() {
    let text = std::fs::read_to_string(rig_path()).unwrap();
    let bench = Bench::described(&text.replacen("[rig]\n", "[rig]\nremote_start = true\n", 1));
    let own = crate::unauthorised::own_address().to_string();
    let (certificate, key) = papers(bench.folder(), &own);
    let other = tempfile::tempdir().unwrap();
    let (stranger, _) = papers(other.path(), &own);
    let token_file = bench.folder().join("token");
    let token_file = token_file.to_str().unwrap();
    let terms = ["--token-file", token_file, "--certificate", &certificate, "--key", &key];
    let (_owner, address) = bench.serve_at(&format!("{own}:0"), &terms);
    let token = std::fs::read_to_string(token_file).unwrap();
    let at = ["--at", &address];
    says(&[&at[..], &["--token-file", token_file]].concat(), None, "--trust FILE");
    says(&[&at[..], &["--trust", &stranger]].concat(), Some(token.trim()), "no TLS that is trusted");
    says(&[&at[..], &["--trust", &certificate]].concat(), None, "wants its token");
    says(&[&at[..], &["--trust", &certificate]].concat(), Some(token.trim()), "draws on a terminal");
    says(&[&at[..], &["--trust", token_file]].concat(), Some(token.trim()), "no certificate in it");
    let reach = ["--trust", &certificate, "--token-file", token_file];
    let mut run = bench.run_args(bench.wires(), &Cycle { hold: "time = \"60 s\"", ..Cycle::default() }.text(), "drive");
    run.extend(reach.map(str::to_owned));
    let run = Program::start(&mut command(run));
    let watch = [&["watch"], &at[..], &["--trust", &certificate, "--name", "A. Tester"]].concat();
    let environment = [("LC_ALL", "C.UTF-8"), ("RAMPRIG_TOKEN", token.trim())];
    let window = Window::of((100, 30), &environment, &line(env!("CARGO_BIN_EXE_ramprig"), &watch));
    window.wait("CONFIRM AT THE RIG");
    assert_eq!(bench.witness().most_on(), 0);
    window.types("t");
    window.wait("controls: A. Tester");
    window.types_until("c", "the motor is on", |text| text.contains("Running: hold"));
    bench.witness().wait_on();
    window.types("s");
    bench.witness().wait_off();
    let ended = run.end();
    ended.expect(3);
    assert!(ended.object()["aborted"].as_str().unwrap().contains("A. Tester"), "{}", ended.stdout);
    window.wait("Stop confirmed");
    window.types("q");
    window.wait_closed();
    bench.witness().assert_all_off();
}
