//! Line-fill surge against the ramp, by the prediction of the shipped fill bench through the same drive: it falls with the
//! ramp only where the ramp outlasts the fill. The ordering is common practice, no source; the figures are the project's own.

use ramprig::prediction::filling::Filling;
use ramprig::prediction::rehearse;
use ramprig::rig::parse;
use ramprig::sequence::script::{Script, shipped};

/// Time that the line takes to fill from the start mark, and the surge at the hose's end, of the shipped bench with a hose of
/// `hose_m` and the suction full, through its drive with a ramp up of `ramp_s`.
fn filled_by_drive(hose_m: u32, ramp_s: f64) -> (f64, f64) {
    let text = ramprig::rig::shipped("fill-bench").unwrap();
    let hose = text.replace("length = \"40 m\"", &format!("length = \"{hose_m} m\""));
    let ramp = "ramp_up = \"6 s\", ramp_down = \"6 s\"";
    assert!(text.contains("length = \"40 m\"") && text.contains(ramp), "the bench no longer says so");
    let rig =
        parse(&hose.replace(ramp, &format!("ramp_up = \"{ramp_s} s\", ramp_down = \"6 s\"")), "bench.toml").unwrap();
    let sequence = shipped("line-fill").unwrap().replace("line_up = \"empty\"", "line_up = \"hose-empty\"");
    let sequence = sequence.replace("timeout = \"30 s\"", "timeout = \"300 s\"");
    let starter = rig.starter_index("drive").unwrap();
    let script = Script::parse(&sequence, "charged.toml", &rig, starter).unwrap();
    let filling = Filling::of(&rig, &rehearse(&rig, &script, starter).unwrap().prediction).unwrap();
    let surge = filling.surges.iter().find(|surge| surge.id == "p_hose_end").unwrap();
    let (full_s, surge_pa) = (filling.line_full_s.unwrap(), surge.surge_pa);
    println!("hose {hose_m} m, ramp {ramp_s} s: full after {full_s:.2} s, line-fill surge {surge_pa:.0} Pa");
    (full_s, surge_pa)
}

/// Only a ramp that outlasts the fill lets the front arrive slowly.
#[test]
fn law_a_ramp_longer_than_the_fill_lowers_the_line_fill_surge() {
    const SHORT_S: f64 = 1.0;
    const LONG_S: f64 = 60.0;
    let ((quick_full_s, quick_pa), (slow_full_s, slow_pa)) =
        (filled_by_drive(10, SHORT_S), filled_by_drive(10, LONG_S));
    assert!(SHORT_S < quick_full_s, "the short ramp is over after {SHORT_S} s, the line full after {quick_full_s} s");
    assert!(LONG_S > slow_full_s, "the long ramp outlasts the fill: {LONG_S} s, full after {slow_full_s} s");
    assert!(slow_pa < 0.5 * quick_pa, "slow {slow_pa} Pa, quick {quick_pa} Pa");
}

/// The surge of a fill that outlasts every ramp does not depend on the ramp.
#[test]
fn law_a_ramp_shorter_than_the_fill_does_not_lower_the_line_fill_surge() {
    const SHORT_S: f64 = 1.0;
    const LONG_S: f64 = 6.0;
    let ((quick_full_s, quick_pa), (slow_full_s, slow_pa)) =
        (filled_by_drive(40, SHORT_S), filled_by_drive(40, LONG_S));
    assert!(SHORT_S < quick_full_s && LONG_S < slow_full_s, "full after {quick_full_s} s and {slow_full_s} s");
    assert!(quick_pa > 0.1e5, "there is a surge to lower: {quick_pa} Pa");
    let difference = (quick_pa - slow_pa).abs() / quick_pa;
    assert!(difference < 0.05, "quick {quick_pa} Pa, slow {slow_pa} Pa, tolerance 5 %");
}
