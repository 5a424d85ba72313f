//! `check --machine`: what it measures on a bench that answers and on one that is not there.

use crate::stand::bench::{Bench, rig_path};
use crate::stand::program::{command, run};
use crate::stand::relay;
use serde_json::Value;

fn finding<'a>(object: &'a Value, what: &str) -> &'a Value {
    let found = object["findings"].as_array().unwrap().iter().find(|finding| finding["what"] == what);
    found.unwrap_or_else(|| panic!("no {what:?} in {object}"))
}

#[test]
fn measures_this_computer_against_a_rig_and_writes_to_no_device() {
    let bench = Bench::real_time();
    let bus = relay::bus(bench.ready.modbus);
    let mut args = vec!["check".to_owned(), rig_path().display().to_string(), "--machine".into(), "--json".into()];
    args.extend(["--out".into(), bench.folder().display().to_string()]);
    args.extend(bench.wires_by(bus.address, bench.ready.samples));
    let ended = crate::stand::program::Program::start(&mut command(args)).end();
    let object = ended.object();
    for what in ["wake lateness", "disk flush", "round trip of link bench"] {
        let finding = finding(&object, what);
        let (value_ms, most_ms) = (finding["value_ms"].as_f64().unwrap(), finding["most_ms"].as_f64().unwrap());
        assert!(value_ms > 0.0 && most_ms > 0.0, "{finding}");
        assert_eq!(finding["fit"], value_ms <= most_ms, "{finding}");
    }
    let fit = object["findings"].as_array().unwrap().iter().all(|finding| finding["fit"] == true);
    assert_eq!(object["fit"], fit);
    ended.expect(if fit { 0 } else { 1 });
    assert_eq!(bus.log().len(), 0, "written: {:?}", bus.log());
}

#[test]
fn shows_no_fitness_where_a_link_cannot_be_measured() {
    let folder = tempfile::tempdir().unwrap();
    let nobody = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let (link, rig) = (format!("bench={nobody}"), rig_path().display().to_string());
    let out = folder.path().join("none").display().to_string();
    let ended = run(["check", &rig, "--machine", "--link", &link, "--out", &out, "--json"]);
    ended.expect(1);
    let object = ended.object();
    assert_eq!(object["fit"], false);
    for what in ["disk flush", "round trip of link bench"] {
        let finding = finding(&object, what);
        assert!(finding["value_ms"].is_null() && finding["fit"] == false, "{finding}");
        assert!(finding["text"].as_str().unwrap().contains("NOT MEASURED"), "{finding}");
    }
}
