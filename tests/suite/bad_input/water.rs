//! Water that cannot be as the rig file has it: refused or warned of with the reason and the number that shows it.

use super::problems_of;
use ramprig::rig::{self, derive};

/// A shipped rig with one edit.
fn edited(name: &str, old: &str, new: &str) -> String {
    let text = rig::shipped(name).unwrap();
    assert!(text.contains(old), "{name} no longer says {old:?}");
    text.replacen(old, new, 1)
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
fn rejects_a_time_step_too_coarse_for_the_waves_with_both_times() {
    // 20 ms: two of them are two periods of the supply.
    let problems = problems_of(&edited("coil-loop", "time_step = \"1 ms\"", "time_step = \"20 ms\""));
    let words = problems.to_string();
    assert!(words.contains("rig.time_step") && words.contains("a time step of 20.000 ms"), "{words}");
    assert!(words.contains("a period of the motor's supply is 20.0 ms"), "{words}");
    // A coil of 1.5 m is over before one step is.
    let short = edited("coil-loop", "length = \"180 m\"", "length = \"1.5 m\"");
    let short = short.replace("time_step = \"1 ms\"", "time_step = \"9 ms\"");
    let words = problems_of(&short).to_string();
    assert!(
        words.contains("2L/a of the delivery line is ") && words.contains("back before one step is over"),
        "{words}"
    );
}

/// Two pipes side by side without friction or fittings: any flow may go round in them.
#[test]
fn rejects_a_loop_without_resistance_with_the_pipe_that_closes_it() {
    let coil = "[[pipe]]\nid = \"coil\"";
    let text = rig::shipped("coil-loop").unwrap();
    let at = text.find(coil).expect("the coil has its table");
    let end = at + text[at..].find("\n\n").unwrap();
    let smooth = text[at..end].replace("minor_loss = 6 # the curvature of the coil", "darcy_friction_factor = 0");
    assert!(smooth.contains("darcy_friction_factor"), "{smooth}");
    let twin = smooth.replace("id = \"coil\"", "id = \"twin\"");
    let alone = text.replacen(&text[at..end], &smooth, 1);
    assert!(rig::parse(&alone, "rig.toml").is_ok(), "one pipe without resistance is no loop");
    let words = problems_of(&text.replacen(&text[at..end], &format!("{smooth}\n\n{twin}"), 1)).to_string();
    assert!(words.contains("element `twin`: it closes a loop of 2 elements with no resistance at all"), "{words}");
}

/// The lift is looked at in every line-up, whose levels may differ from the tank's own.
#[test]
fn rejects_a_suction_lift_that_only_one_line_up_has() {
    let first = "[[line_up]]\nid = \"empty\"";
    let low = "[[line_up]]\nid = \"low\"\nopen = [\"throttle\", \"nozzle\"]\nlevels = { sump = \"-0.4 m\" }\n\n";
    let text = edited("fill-bench", first, &format!("{low}{first}"));
    let text = text.replace("level = \"0 m\"\nheld = true", "level = \"0 m\"\narea = \"2 m2\"\nheld = true");
    for node in ["pump_inlet", "pump_outlet", "riser_foot"] {
        assert!(text.contains(&format!("{node} = \"2.5 m\"")));
    }
    // 9.75 m over the sump's own level, 10.15 m over the low one; the atmosphere carries 9.84 m
    let text = ["pump_inlet", "pump_outlet", "riser_foot"]
        .iter()
        .fold(text, |text, node| text.replace(&format!("{node} = \"2.5 m\""), &format!("{node} = \"9.75 m\"")));
    let text = text
        .replace("riser_top = \"6 m\"", "riser_top = \"10 m\"")
        .replace("hose_foot = \"6 m\"", "hose_foot = \"10 m\"");
    let text = text.replace("length = \"6 m\"", "length = \"12 m\"");
    let words = problems_of(&text).to_string();
    assert!(words.contains("a suction lift of 10.15 m in line-up low"), "{words}");
    assert!(!words.contains("9.75 m in line-up"), "{words}");
}
