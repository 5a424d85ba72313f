//! The API against its own OpenAPI document, by schemathesis, which makes requests out of the document that are valid, nearly
//! valid and not valid at all, and holds every answer against it.

use crate::stand::bench::Bench;
use crate::stand::view::View;
use ramprig::api::lead::Lead;
use std::path::Path;
use std::process::Command;

/// Requests an operation at most, and the seed that they come from.
const EXAMPLES: u32 = 600;
const SEED: &str = "20261130";

/// Fuzz all operations but those whose path ends so.
fn fuzz(address: &str, but: &str, more: &[&str]) {
    let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/peers-venv/bin/schemathesis");
    let examples = crate::campaign::count(EXAMPLES).to_string();
    let document = format!("http://{address}/v0/openapi.json");
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(&program);
    command.current_dir(folder.path()).args(["run", &document, "--max-examples", &examples, "--seed", SEED]);
    command.args(["--rate-limit", "auto", "--continue-on-failure", "--exclude-path-regex", but]).args(more);
    let ended =
        command.output().unwrap_or_else(|error| panic!("{}: {error}; try: tests/peers/install", program.display()));
    let said = String::from_utf8_lossy(&ended.stdout);
    println!("{}", said.lines().rev().find(|line| line.contains("generated")).unwrap_or_default());
    assert!(ended.status.success(), "{said}{}", String::from_utf8_lossy(&ended.stderr));
    assert!(said.contains("generated"), "nothing was asked: {said}");
}

#[test]
fn campaign_fuzzed_api_agrees_with_its_document_and_moves_nothing() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    // The two WebSockets are no plain requests.
    fuzz(&address, "/(live|view)$", &[]);
    // Whoever took the controls in it gives no sign of life.
    let mut view = View::of(&address);
    view.wait_state("the controls are free", |state| state.controller.is_none());
    let key = view.ask(async |client| client.hold("A. Tester".into()).await).unwrap().key;
    // The same with the controls in hand, which are kept in hand.
    fuzz(&address, "/(live|view|control/give|control/take)$", &["-H", &format!("ramprig-control: {key}")]);
    assert_eq!(bench.witness().most_on(), 0, "a request out of a document started a motor");
}
