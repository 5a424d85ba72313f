//! TLS (feature `tls`), asked by OpenSSL.

use crate::stand::bench::Bench;
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
