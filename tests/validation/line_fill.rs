//! Line-fill surge against the ramp, by the prediction of the shipped fill bench: it falls with the ramp only where the ramp
//! outlasts the fill. The ordering is common practice, no source; the figures are the project's own.

use ramprig::prediction::filling::Filling;
use ramprig::prediction::rehearse;
use ramprig::rig::model::Rig;
use ramprig::rig::parse;
use ramprig::sequence::script::{Script, shipped};

/// Only a ramp that outlasts the fill lets the front arrive slowly.
#[test]
fn law_a_ramp_longer_than_the_fill_lowers_the_line_fill_surge() {
    let text = ramprig::rig::shipped("fill-bench").unwrap();
    let text = text.replace("length = \"40 m\"", "length = \"10 m\"");
    let slow = text.replace("ramp_up = \"6 s\", ramp_down = \"6 s\"", "ramp_up = \"60 s\", ramp_down = \"6 s\"");
    assert_ne!(text, slow);
    let sequence = shipped("line-fill").unwrap();
    let charged = sequence.replace("line_up = \"empty\"", "line_up = \"hose-empty\"");
    let charged =
        charged.replace("time = \"45 s\"", "time = \"25 s\"").replace("timeout = \"30 s\"", "timeout = \"300 s\"");
    let figures = |rig: &Rig, starter: &str| {
        let starter = rig.starter_index(starter).unwrap();
        let script = Script::parse(&charged, "charged.toml", rig, starter).unwrap();
        Filling::of(rig, &rehearse(rig, &script, starter).unwrap().prediction).unwrap()
    };
    let surge_pa = |filling: &Filling| filling.surges.iter().find(|surge| surge.id == "p_hose_end").unwrap().surge_pa;
    let quick = figures(&parse(&text, "quick.toml").unwrap(), "contactor");
    let slow = figures(&parse(&slow, "slow.toml").unwrap(), "drive");
    assert!(slow.line_full_s.unwrap() < 50.0, "the ramp outlasts the fill: {slow:?}");
    assert!(surge_pa(&slow) < 0.5 * surge_pa(&quick), "slow {} Pa, quick {} Pa", surge_pa(&slow), surge_pa(&quick));
}

/// The surge of a fill that outlasts every ramp does not depend on the ramp.
#[test]
fn law_a_ramp_shorter_than_the_fill_does_not_lower_the_line_fill_surge() {
    let rig = parse(ramprig::rig::shipped("fill-bench").unwrap(), "fill-bench.toml").unwrap();
    let surge_pa = |starter: &str| {
        let index = rig.starter_index(starter).unwrap();
        let script = Script::parse(shipped("line-fill").unwrap(), "line-fill.toml", &rig, index).unwrap();
        let filling = Filling::of(&rig, &rehearse(&rig, &script, index).unwrap().prediction).unwrap();
        filling.surges.iter().find(|surge| surge.id == "p_hose_end").unwrap().surge_pa
    };
    let (contactor_pa, drive_pa) = (surge_pa("contactor"), surge_pa("drive"));
    let difference = (contactor_pa - drive_pa).abs() / contactor_pa;
    assert!(difference < 0.05, "contactor {contactor_pa} Pa, drive {drive_pa} Pa, tolerance 5 %");
}
