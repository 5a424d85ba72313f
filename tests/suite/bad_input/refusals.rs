//! What is refused before anything moves: exit code 2, the reason on standard error, no output ever on.

use crate::stand::bench::{Bench, rig_path};
use crate::stand::program::{Ended, Program, command, run};
use crate::stand::sequences::Cycle;
use std::net::TcpListener;

/// Refused, and the virtual rig has never had an output on.
#[track_caller]
fn refused(bench: &Bench, ended: &Ended, words: &str) {
    ended.expect(2).says(words);
    assert_eq!(ended.stdout, "", "nothing to say to a machine");
    assert_eq!(bench.witness().most_on(), 0, "an output was on");
}

fn confirmed(mut args: Vec<String>) -> Ended {
    args.extend(["--confirmed-by".into(), "virtual rig".into()]);
    run(args)
}

fn taken() -> (TcpListener, String) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    (listener, address)
}

/// An address at which nobody listens.
fn nobody() -> std::net::SocketAddr {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

#[test]
fn rejects_a_taken_port_of_the_api() {
    let bench = Bench::real_time();
    let (_listener, address) = taken();
    let mut serve = command(["serve", "--http", &address]);
    let ended = Program::start(serve.arg(rig_path()).args(bench.wires())).end();
    refused(&bench, &ended, &address);
}

#[test]
fn rejects_a_taken_port_of_the_virtual_rig() {
    let (_listener, address) = taken();
    for option in ["--modbus", "--samples"] {
        let other = if option == "--modbus" { "--samples" } else { "--modbus" };
        let mut args = command(["virtual", option, &address, other, "127.0.0.1:0"]);
        let ended = Program::start(args.arg(rig_path())).end();
        ended.expect(2).says(&address).says(option);
        assert_eq!(ended.stdout, "");
    }
}

#[test]
fn rejects_an_api_beyond_this_computer() {
    let bench = Bench::real_time();
    let ended = Program::start(command(["serve", "--http", "0.0.0.0:0"]).arg(rig_path()).args(bench.wires())).end();
    refused(&bench, &ended, "loopback");
}

#[test]
fn rejects_samples_that_nobody_serves() {
    let bench = Bench::real_time();
    let wires = bench.wires_by(bench.ready.modbus, nobody());
    let ended = confirmed(bench.run_args(wires, &Cycle::default().text(), "drive"));
    refused(&bench, &ended, "refused");
}

#[test]
fn rejects_a_link_that_nobody_serves() {
    let bench = Bench::real_time();
    let wires = bench.wires_by(nobody(), bench.ready.samples);
    let ended = confirmed(bench.run_args(wires, &Cycle::default().text(), "drive"));
    refused(&bench, &ended, "no link");
}

#[test]
fn rejects_a_device_that_is_another_than_the_map_says() {
    let bench = Bench::real_time();
    // Units of contactor and drive exchanged: each says who it is, and is not the one expected.
    let text = std::fs::read_to_string(rig_path()).unwrap();
    let text = text.replacen("unit = 1\n", "unit = 33\n", 1).replacen("unit = 3\n", "unit = 1\n", 1);
    let rig = bench.write("exchanged.toml", &text.replacen("unit = 33\n", "unit = 3\n", 1));
    let mut args = bench.run_args(bench.wires(), &Cycle::default().text(), "drive");
    args[1] = rig.display().to_string();
    refused(&bench, &confirmed(args), "identity");
}

#[test]
fn rejects_a_folder_that_cannot_be_written_before_anything_moves() {
    let bench = Bench::real_time();
    let file = bench.write("in-the-way", "");
    for folder in ["/proc/no-such-folder", "/proc", file.to_str().unwrap()] {
        let mut args = bench.run_args(bench.wires(), &Cycle::default().text(), "drive");
        let at = args.iter().position(|arg| arg == "--out").unwrap() + 1;
        args[at] = folder.to_owned();
        refused(&bench, &confirmed(args), "nothing has moved");
        let ended = run(["demo", "--fast", "--json", "--out", folder]);
        ended.expect(2).says(folder).says("nothing has moved");
        assert_eq!(ended.stdout, "");
    }
}

#[test]
fn rejects_an_unknown_starter_and_every_mistake_of_a_sequence() {
    let bench = Bench::real_time();
    let mut args = bench.run_args(bench.wires(), &Cycle::default().text(), "no-such-starter");
    refused(&bench, &run(&args), "contactor, soft, drive");
    let at = args.iter().position(|arg| arg == "no-such-starter").unwrap();
    args[at] = "drive".to_owned();
    let sequence = bench.write("bad.toml", "[sequence]\nid = \"x\"\n[[step]]\ndo = \"dance\"\n");
    args[2] = sequence.display().to_string();
    let ended = confirmed(args);
    refused(&bench, &ended, "bad.toml:4");
    ended.says("sequence.name").says("sequence.about");
}

#[test]
fn rejects_a_second_owner_and_names_the_first() {
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let mut serve = command(["serve", "--http", "127.0.0.1:0"]);
    let ended = Program::start(serve.arg(rig_path()).args(bench.wires())).end();
    refused(&bench, &ended, &address);
    ended.says(&owner.child.id().to_string());
}
