//! What a run changed at a starter is there again afterwards, however the run ends.

use crate::stand::bench::Bench;
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use ramprig::rig::register_map::Role;

const SOFT: usize = 1;
const ROLES: [Role; 3] = [Role::RampUp, Role::RampDown, Role::CommTimeout];

fn held(bench: &Bench) -> [f64; 3] {
    ROLES.map(|role| bench.witness().holds(SOFT, role))
}

/// As the starter left the works, its watch over its master longer than the rig wants it.
fn works(bench: &mut Bench) -> [f64; 3] {
    bench.control("comm-timeout 4s");
    bench.witness().wait_until("its own timer", |witness| witness.holds(SOFT, Role::CommTimeout) > 3.9);
    held(bench)
}

#[test]
fn puts_settings_back_after_all_steps_a_trip_and_an_interrupt() {
    let mut bench = Bench::real_time();
    let found = works(&mut bench);
    let brief = Cycle::brief_ramps().text();
    bench.run(&brief, "soft").end().expect(0);
    assert_eq!(held(&bench), found, "all steps done");

    let long = Cycle { hold: "time = \"60 s\"", ..Cycle::brief_ramps() }.text();
    let mut program = bench.run(&long, "soft");
    assert!(View::of_run(&mut program).reaches_step("hold"));
    assert_ne!(held(&bench), found, "the run's own while it is on");
    program.interrupt();
    program.end().expect(3);
    assert_eq!(held(&bench), found, "interrupted");

    // A limit that the running pump passes.
    let text = bench.rig.text.clone();
    assert!(text.contains("above = \"3.5 barg\""));
    let low = bench.write("low.toml", &text.replacen("above = \"3.5 barg\"", "above = \"0.7 barg\"", 1));
    bench.rig_file_for_runs(low);
    let ended = bench.run(&long, "soft").end();
    ended.expect(3);
    assert!(ended.object()["aborted"].as_str().unwrap().contains("trip discharge-high"), "{}", ended.stdout);
    assert_eq!(held(&bench), found, "tripped");
    bench.witness().assert_all_off();
}
