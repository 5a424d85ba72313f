//! Water that cannot be as the rig file has it: refused or warned of with the reason and the number that shows it.

use super::problems_of;
use ramprig::prediction::rehearse;
use ramprig::rig::{self, derive};
use ramprig::sequence::script::Script;

/// A shipped rig with one edit.
fn edited(name: &str, old: &str, new: &str) -> String {
    let text = rig::shipped(name).unwrap();
    assert!(text.contains(old), "{name} no longer says {old:?}");
    text.replacen(old, new, 1)
}

/// What one cycle of a rig comes to, through its contactor.
fn refusal(text: &str) -> String {
    let rig = rig::parse(text, "rig.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let starter = rig.starter_index("contactor").unwrap();
    let cycle = ramprig::sequence::script::shipped("one-cycle").unwrap();
    let script = Script::parse(cycle, "one-cycle.toml", &rig, starter).unwrap();
    rehearse(&rig, &script, starter).map(|made| made.duration_s).unwrap_err().to_string()
}

#[test]
fn rejects_a_prediction_in_which_the_suction_tank_runs_dry() {
    // A tank of 0.02 m2 in place of 0.8 m2 stands 2 m above its outlet and lasts for seconds.
    let words = refusal(&edited("coil-loop", "area = \"0.8 m2\"", "area = \"0.02 m2\""));
    for part in ["tank `tank`: it ran dry at ", "level at its bottom 0.50 m", "what runs on would be air"] {
        assert!(words.contains(part), "expected `{part}` in `{words}`");
    }
}

#[test]
fn rejects_a_state_at_rest_that_the_atmosphere_cannot_hold() {
    // The coil's end, 24 m above the tank that fills it, stands under less than nothing.
    let text = edited("coil-loop", "coil_end = \"1.8 m\"", "coil_end = \"24 m\"");
    let problems = problems_of(&text);
    let words = problems.to_string();
    assert!(words.contains("Pa absolute, water boils below") && words.contains("elevation 24.00 m"), "{words}");
}

#[test]
fn warns_of_a_pump_that_does_not_reach_the_static_head_with_both_numbers() {
    let text = edited("coil-loop", "node = \"return\"\nlevel = \"2.5 m\"", "node = \"return\"\nlevel = \"60 m\"");
    let rig = rig::parse(&text, "rig.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let figures = derive(&rig);
    let why = figures.line_ups[0].no_useful_speed.clone().expect("no speed is of use");
    assert!(why.contains("m at shut-off") && why.contains("the static head is 57.50 m"), "{why}");
    let told = figures.notices.iter().any(|notice| notice.contains(&why));
    assert!(told, "{:?}", figures.notices);
}

#[test]
fn rejects_a_time_step_too_coarse_for_the_waves() {
    let problems = problems_of(&edited("coil-loop", "time_step = \"1 ms\"", "time_step = \"20 ms\""));
    let words = problems.to_string();
    assert!(words.contains("rig.time_step") && words.contains("20 ms"), "{words}");
}
