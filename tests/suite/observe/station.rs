//! A station of which only what is watched is described: a rig file without pump, starters and trips.

use super::silence::{exchange, serial_line};
use crate::stand::program::{Program, command, run};
use crate::stand::wait_until;
use ramprig::fieldbus::observed::{Manner, manners};
use ramprig::observe::read_rows;
use ramprig::rig::register_map::{Field, Role};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

const SHIPPED: &str = "rig-configs/lift-station.toml";

fn text() -> String {
    ramprig::rig::shipped("lift-station").unwrap().to_owned()
}

fn problems(text: &str) -> Vec<String> {
    match ramprig::rig::parse(text, "station.toml") {
        Ok(_) => Vec::new(),
        Err(problems) => problems.0.into_iter().map(|problem| problem.found).collect(),
    }
}

/// `text` with one piece put in another's place.
fn with(old: &str, new: &str) -> String {
    let text = text();
    assert!(text.contains(old), "{old}");
    text.replacen(old, new, 1)
}

#[test]
fn accepts_a_station_of_two_pumps_of_which_only_the_wires_are_described() {
    let rig = ramprig::rig::parse(&text(), "lift-station.toml").unwrap_or_else(|problems| panic!("{problems}"));
    assert!(rig.logger && rig.station && rig.starters.is_empty() && rig.trips.is_empty());
    let watched: Vec<String> = rig.watched().into_iter().map(|device| device.id).collect();
    assert_eq!(watched, ["pump-1", "pump-2"]);
    assert_eq!(manners(&rig), [("station-bus".to_owned(), Manner::Listened)]);
}

#[test]
fn accepts_a_station_that_is_predicted_for_and_watched_and_keeps_the_two_apart() {
    let text = ramprig::rig::shipped("coil-loop").unwrap().to_owned()
        + "\n[source]\nid = \"logger\"\naddress = \"127.0.0.1:5520\"\nrate = \"5 kHz\"\n\
           [[link]]\nid = \"bus\"\naddress = \"127.0.0.1:5521\"\nreads_allowed = true\n\
           [[device]]\nid = \"soft\"\nkind = \"soft-starter\"\nlink = \"bus\"\nunit = 3\nmap = \"soft-starter\"\n";
    let rig = ramprig::rig::parse(&text, "coil.toml").unwrap_or_else(|problems| panic!("{problems}"));
    assert!(!rig.logger && rig.station && rig.starters.len() > 1);
    let watched: Vec<String> = rig.watched().into_iter().map(|device| device.id).collect();
    assert_eq!(watched, ["soft"], "starters that are predicted with have no wires");
}

#[test]
fn rejects_what_a_watched_station_cannot_have() {
    assert_eq!(problems(&text()), Vec::<String>::new());
    for (found, text) in [
        (
            "a link of a station on which nothing is looked at",
            with("[[channel]]", "[[link]]\nid = \"spare\"\naddress = \"127.0.0.1:1\"\n[[channel]]"),
        ),
        (
            "a transfer device of a station",
            text() + "[transfer]\nid = \"t\"\nlink = \"station-bus\"\nunit = 9\nmap = \"bench-unit\"\n",
        ),
        ("unit 11 on link \"station-bus\" again", with("unit = 12", "unit = 11")),
        ("no starter", with("[liquid]", "[motor]\nrated_power = \"1 kW\"\n[liquid]")),
        ("the unknown device that is looked at \"pump-3\"", with("device = \"pump-2\"", "device = \"pump-3\"")),
        ("the unknown link \"other\"", with("link = \"station-bus\"", "link = \"other\"")),
    ] {
        let told = problems(&text);
        assert!(told.iter().any(|said| said.starts_with(found)), "{found}: told {told:#?}");
    }
    let begin = text().find("[source]").unwrap();
    let end = text().find("[[link]]").unwrap();
    let without_source = text()[..begin].to_owned() + &text()[end..];
    assert!(problems(&without_source).iter().any(|said| said == "a station without pump and without source"));
}

#[test]
fn says_of_a_logger_what_it_watches_and_refuses_to_run_or_to_predict() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(SHIPPED);
    let checked = run(["check".as_ref(), root.as_os_str()]);
    checked.expect(0);
    for words in ["INVENTED", "only watched", "pump-1", "p_header", "pump-2-on"] {
        assert!(checked.stdout.contains(words), "{words}: {}", checked.stdout);
    }
    let sequence = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/sequences/one-cycle.toml");
    for verb in ["run", "predict"] {
        let ended = run([verb.as_ref(), root.as_os_str(), sequence.as_os_str()]);
        ended.expect(2);
        assert!(ended.stderr.contains("ramprig observe"), "{verb}: {}", ended.stderr);
    }
}

/// The shipped station on a child process that repeats one frame of counts, and a pseudo-terminal.
fn made_station(folder: &Path, port: &str) -> PathBuf {
    let frames = folder.join("frames");
    std::fs::write(&frames, vec![0_u8; 4 * 2 * 1000]).unwrap();
    let script = format!("while cat '{}'; do :; done", frames.display());
    let text = text()
        .replace(
            "address = \"127.0.0.1:5520\"",
            &format!("wire = \"command\"\ncommand = [\"sh\", \"-c\", \"{script}\"]\nframing = \"bare\""),
        )
        .replace("samples = \"L16\"", "samples = \"S16LE\"")
        .replace("payload_type = 97\n", "")
        .replace("max_age = \"500 ms\"", "max_age = \"60 s\"")
        .replace("/dev/serial/by-id/usb-adapter", port)
        .replace("pre = \"5 s\"", "pre = \"1 s\"")
        .replace("post = \"30 s\"", "post = \"1 s\"")
        .replace("longest = \"10 min\"", "longest = \"4 s\"");
    let path = folder.join("station.toml");
    std::fs::write(&path, text).unwrap();
    path
}

#[test]
fn keeps_the_start_of_the_second_pump_as_its_own_contactor_told_it() {
    let folder = tempfile::tempdir().unwrap();
    let (mut line, port) = serial_line();
    let station = made_station(folder.path(), &port);
    let rig = ramprig::rig::load(&station).unwrap_or_else(|problems| panic!("{problems}"));
    let out = folder.path().join("session");
    let program = Program::start(&mut command([
        "observe".as_ref(),
        station.as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
        "--state-dir".as_ref(),
        folder.path().as_os_str(),
    ]));
    let field = |pump: usize, role: Role| -> Field { *rig.devices[pump].map.field(role).unwrap() };
    let mut came_back = Vec::new();
    // The station's own master: both contactors, again and again, the second one on every other round.
    let mut rounds = 0_u32;
    let mut talk = || {
        rounds += 1;
        for pump in 0..2 {
            let unit = rig.devices[pump].unit;
            let identity = field(pump, Role::Identity);
            let on = u16::from(pump == 1 && rounds / 4 % 2 == 1);
            let said = exchange(unit, &identity, identity.expect.unwrap());
            for bytes in said.into_iter().chain(exchange(unit, &field(pump, Role::Running), on)) {
                // A full line (nobody reads yet) is tried again in the next round.
                let _ = line.write_all(&bytes);
            }
        }
        let mut chunk = [0; 256];
        while let Ok(count @ 1..) = line.read(&mut chunk) {
            came_back.extend_from_slice(&chunk[..count]);
        }
    };
    wait_until("an event of the second pump is kept", || {
        talk();
        out.join("events.csv").exists() && read_rows(&out).is_ok_and(|rows| !rows.is_empty())
    });
    program.interrupt();
    let ended = program.end();
    ended.expect(0);
    let row = read_rows(&out).unwrap().swap_remove(0);
    assert_eq!((row.trigger.as_str(), row.pump.as_deref()), ("pump-2-on", Some("pump-2")), "{row:?}");
    let kept = ramprig::recording::summary(&out.join(row.recording.unwrap())).unwrap();
    assert_eq!(kept.starter, "pump-2");
    assert_eq!(kept.starter_kind, Some(ramprig::starters::StarterKind::AcrossTheLine));
    assert!(ended.stderr.contains("link station-bus: listened to, nothing is sent"), "{}", ended.stderr);
    for danger in ["confined space", "gas", "classified area", "arc flash", "stored charge"] {
        assert!(ended.stderr.contains(danger), "{danger}: {}", ended.stderr);
    }
    assert_eq!(came_back.len(), 0, "bytes sent on the serial line: {came_back:02x?}");
}
