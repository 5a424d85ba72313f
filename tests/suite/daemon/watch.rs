//! The watch screen on a terminal of its own, with keys typed by a program.

use crate::stand::bench::Bench;
use crate::stand::peers::on_a_terminal;
use crate::stand::program::Program;
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use std::io::Write;
use std::process::Stdio;

fn watch(args: &[&str]) -> Program {
    Program::start(on_a_terminal(args).stdin(Stdio::piped()))
}

fn press(program: &mut Program, key: &str) {
    program.child.stdin.as_mut().unwrap().write_all(key.as_bytes()).unwrap();
}

#[test]
fn stops_the_plant_by_the_stop_key_and_leaves_it_alone_when_left() {
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let cycle = Cycle { hold: "time = \"60 s\"", ..Cycle::brief_ramps() };
    let run = bench.run(&cycle.text(), "drive");
    let mut view = View::of(&address);
    assert!(view.reaches_step("hold"));
    let witness = bench.witness();
    witness.wait_on();
    let mut leaving = watch(&["watch", "--at", &address]);
    leaving.stdout.wait_for_text("VIRTUAL");
    press(&mut leaving, "q");
    leaving.end().expect(0);
    assert_ne!(witness.outputs_on(), 0, "leaving the screen does not stop the plant");
    let mut stopping = watch(&["watch", "--at", &address, "--name", "A. Tester"]);
    stopping.stdout.wait_for_text("VIRTUAL");
    press(&mut stopping, "s");
    let ended = run.end();
    ended.expect(3);
    assert!(ended.object()["aborted"].as_str().unwrap().contains("A. Tester"), "{}", ended.stdout);
    witness.assert_all_off();
    stopping.stdout.wait_for_text("confirmed");
    press(&mut stopping, "q");
    stopping.end().expect(0);
    owner.interrupt();
    owner.end().expect(0);
}

#[test]
fn shows_the_demo_on_the_screen_and_its_table_afterwards() {
    let folder = tempfile::tempdir().unwrap();
    let mut demo = watch(&["demo", "--fast", "--watch", "--out", folder.path().to_str().unwrap()]);
    demo.stdout.wait_for_text("VIRTUAL");
    let ended = demo.end();
    ended.expect(0);
    for words in ["start surge", "report.html", "across the line"] {
        assert!(ended.stdout.contains(words), "the end lacks {words:?}:\n{}", ended.stdout);
    }
}
