//! Bad rig files: every mistake has its problem, on its line. Refusals and losses of the whole program below.

mod losses;
mod refusals;
mod water;

use ramprig::rig::{
    self,
    problem::{Problem, Problems},
};
use std::path::{Path, PathBuf};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/rigs").join(name)
}

fn marked_lines(path: &Path) -> Vec<usize> {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines().enumerate().filter(|(_, line)| line.contains("# mistake")).map(|(i, _)| i + 1).collect()
}

#[test]
fn rejects_twelve_mistakes_with_twelve_problems_each_on_its_line() {
    let path = fixture("twelve-mistakes.toml");
    let map = fixture("maps/far-register.toml");
    let problems = rig::load(&path).unwrap_err();
    assert_eq!(problems.0.len(), 12, "{problems}");
    let lines_in = |file: &Path| {
        let name = file.display().to_string();
        problems.0.iter().filter(|problem| problem.file == name).map(|problem| problem.line).collect::<Vec<_>>()
    };
    assert_eq!(lines_in(&path), marked_lines(&path), "{problems}");
    assert_eq!(lines_in(&map), marked_lines(&map), "{problems}");
    for problem in &problems.0 {
        assert!(!problem.key_path.is_empty() && !problem.found.is_empty() && !problem.allowed.is_empty(), "{problem}");
    }
}

fn problems_of(text: &str) -> Problems {
    // `unwrap_err` on the outcome itself would print a whole rig.
    rig::parse(text, "bench.toml").map(|rig| rig.id).unwrap_err()
}

/// The shipped bench with one edit: exactly one problem, on the line of the edit, with these words.
fn one_problem(old: &str, new: &str, words: &str) -> Problem {
    let text = rig::shipped("terrace-bench").unwrap();
    assert!(text.contains(old), "the bench no longer says {old:?}");
    let broken = text.replacen(old, new, 1);
    let line = text[..text.find(old).unwrap()].matches('\n').count() + 1;
    let problems = problems_of(&broken);
    assert_eq!(problems.0.len(), 1, "{problems}");
    let problem = problems.0[0].clone();
    assert!(problem.to_string().contains(words), "{problem}");
    assert!((line..=line + new.matches('\n').count()).contains(&problem.line), "expected line {line}: {problem}");
    problem
}

/// As [`one_problem`], where the place of the problem is elsewhere by nature.
fn one_problem_elsewhere(old: &str, new: &str, words: &str) {
    let broken = rig::shipped("terrace-bench").unwrap().replacen(old, new, 1);
    assert_ne!(broken, rig::shipped("terrace-bench").unwrap(), "the bench no longer says {old:?}");
    let problems = problems_of(&broken);
    assert_eq!(problems.0.len(), 1, "{problems}");
    assert!(problems.0[0].to_string().contains(words), "{problems}");
}

#[test]
fn rejects_an_unknown_unit_and_proposes_a_known_one() {
    let problem = one_problem("\"6 m\"\nbore", "\"6 Mm\"\nbore", "unknown unit \"Mm\"");
    assert_eq!(problem.hint.as_deref(), Some("the unit mm"));
}

#[test]
fn rejects_a_number_without_a_unit_and_proposes_one() {
    let problem = one_problem("rated_head = \"16 m\"", "rated_head = 16", "the number 16 without a unit");
    assert_eq!(problem.hint.as_deref(), Some("\"16 m\""));
}

#[test]
fn rejects_a_decimal_comma() {
    one_problem("\"0.98 bar(a)\"", "\"0,98 bar(a)\"", "a decimal comma");
}

#[test]
fn rejects_gauge_where_absolute_is_wanted() {
    one_problem("\"0.98 bar(a)\"", "\"0.98 barg\"", "a gauge pressure");
}

#[test]
fn rejects_absolute_where_gauge_is_wanted() {
    one_problem("max_pressure = \"4 barg\"", "max_pressure = \"4 bar(a)\"", "an absolute pressure");
}

#[test]
fn rejects_a_pressure_that_says_neither() {
    let problem =
        one_problem("max_pressure = \"4 barg\"", "max_pressure = \"4 bar\"", "neither gauge nor absolute said");
    assert!(problem.hint.unwrap().contains("4 bar(g)"));
}

#[test]
fn rejects_not_a_number_and_infinity() {
    one_problem("\"16 m\"", "\"nan m\"", "not a finite number");
    one_problem("\"16 m\"", "\"inf m\"", "not a finite number");
    one_problem("\"16 m\"", "\"1e999 m\"", "not a finite number");
    one_problem("rated_efficiency = 0.52", "rated_efficiency = nan", "a number from 0.01 to 0.95");
}

#[test]
fn rejects_a_negative_length() {
    one_problem("length = \"8 m\"", "length = \"-8 m\"", "a length above 0");
}

#[test]
fn rejects_a_wrong_dimension() {
    one_problem("length = \"8 m\"", "length = \"8 s\"", "\"8 s\", a time");
}

#[test]
fn rejects_a_missing_key_at_its_table() {
    one_problem("[motor]\nrated_power = \"4 kW\"\n", "[motor]\n", "motor.rated_power: found nothing");
}

#[test]
fn rejects_an_unknown_key_and_proposes_the_nearest() {
    let problem = one_problem("poles = 4", "poles = 4\nefficency = 0.8", "the unknown key \"efficency\"");
    assert_eq!(problem.hint.as_deref(), Some("efficiency"));
}

#[test]
fn rejects_a_node_that_is_not_in_elevations() {
    let problem = one_problem("to = \"riser_top\"", "to = \"riser_tob\"", "the unknown node \"riser_tob\"");
    assert_eq!(problem.hint.as_deref(), Some("riser_top"));
}

#[test]
fn rejects_a_node_that_nothing_touches() {
    one_problem("riser_top = \"6 m\"", "riser_top = \"6 m\"\nroof = \"20 m\"", "which nothing touches");
}

#[test]
fn rejects_a_network_in_two_pieces() {
    let loose = "[[pipe]]\nid = \"stray\"\nfrom = \"a\"\nto = \"b\"\nlength = \"2 m\"\nbore = \"50 mm\"\nwall = \"3 mm\"\n\
                 material = \"steel\"\nmax_pressure = \"10 barg\"\nmin_pressure = \"-1 barg\"\n\n[motor]";
    let text = rig::shipped("terrace-bench").unwrap();
    let broken =
        text.replacen("[motor]", loose, 1).replacen("riser_top = ", "a = \"0 m\"\nb = \"0 m\"\nriser_top = ", 1);
    let problems = problems_of(&broken);
    assert_eq!(problems.0.len(), 2, "{problems}");
    assert!(problems.0.iter().all(|problem| problem.found.contains("does not connect")), "{problems}");
}

#[test]
fn rejects_an_element_that_ends_where_it_begins() {
    let text = rig::shipped("terrace-bench").unwrap();
    let broken = text.replacen("to = \"hose_foot\"", "to = \"riser_top\"", 1);
    let problems = problems_of(&broken);
    assert!(problems.to_string().contains("where the element also begins"), "{problems}");
}

#[test]
fn rejects_a_pipe_shorter_than_its_rise() {
    let text = rig::shipped("terrace-bench").unwrap().replacen("length = \"8 m\"", "length = \"3 m\"", 1);
    let problems = problems_of(&text);
    assert!(problems.0.len() == 1 && problems.0[0].found.contains("over a rise of 3.5 m"), "{problems}");
}

#[test]
fn rejects_a_line_up_that_opens_and_closes_a_valve() {
    one_problem(
        "closed = [\"fill_valve\", \"return_valve\"]",
        "closed = [\"fill_valve\", \"return_valve\", \"throttle\"]",
        "set to 1 and to 0",
    );
}

#[test]
fn rejects_a_line_up_that_leaves_a_valve_out() {
    one_problem_elsewhere("open = [\"throttle\"]", "open = []", "no position for valve \"throttle\"");
}

#[test]
fn rejects_an_element_without_a_rating() {
    one_problem_elsewhere(
        "max_pressure = \"6 barg\"\nmin_pressure = \"-0.6 barg\" # hoops sewn into the jacket keep it round; a plain lay-flat hose would fold\n",
        "",
        "an element without a rated pressure",
    );
}

#[test]
fn rejects_a_rating_below_the_shut_off_head() {
    one_problem_elsewhere(
        "max_pressure = \"6 barg\"\nmin_pressure = \"-0.6 barg\"",
        "max_pressure = \"1.2 barg\"\nmin_pressure = \"-0.6 barg\"",
        "shut-off head at top speed",
    );
}

#[test]
fn rejects_two_channels_on_one_input() {
    one_problem("input = 7", "input = 6", "input 6, which channel \"i_line\"");
}

#[test]
fn rejects_a_hole_between_inputs() {
    one_problem("input = 7", "input = 9", "0 to 7: a frame holds as many inputs as there are channels");
}

#[test]
fn rejects_a_bandwidth_beyond_half_the_sample_rate() {
    one_problem("bandwidth = \"2 kHz\"", "bandwidth = \"6 kHz\"", "below half the sample rate");
}

#[test]
fn rejects_a_duplicate_id() {
    one_problem("id = \"p_hose_end\"", "id = \"p_hose_mid\"", "a channel id of its own");
}

#[test]
fn rejects_an_id_that_no_file_name_could_carry() {
    one_problem("id = \"terrace-bench\"", "id = \"terrace/bench\"", "lower-case letters");
}

#[test]
fn rejects_an_unknown_map_and_proposes_a_shipped_one() {
    let problem = one_problem("map = \"soft-starter\"", "map = \"soft-startr\"", "the unknown map");
    assert_eq!(problem.hint.as_deref(), Some("soft-starter"));
}

#[test]
fn rejects_a_map_without_a_role_that_the_starter_needs() {
    let text = rig::shipped("terrace-bench").unwrap();
    let problems = problems_of(&text.replacen("map = \"soft-starter\"", "map = \"contactor-aux\"", 1));
    assert!(problems.to_string().contains("has no ramp_up"), "{problems}");
}

#[test]
fn rejects_a_setting_outside_its_register() {
    one_problem_elsewhere(
        "comm_timeout = \"1 s\"",
        "comm_timeout = \"60 s\"",
        "what register 1 of map \"contactor-aux\" can hold",
    );
}

#[test]
fn rejects_a_setting_outside_its_allowed_span() {
    one_problem("ramp_up = \"3 s\"", "ramp_up = \"25 s\"", "from 0.5 to 20");
}

#[test]
fn rejects_a_setting_that_the_kind_of_starter_does_not_have() {
    one_problem(
        "settings = { ramp_up = \"6 s\"",
        "settings = { initial_voltage = 0.4, ramp_up = \"6 s\"",
        "initial_voltage",
    );
}

#[test]
fn rejects_two_starters_on_one_transfer_position() {
    one_problem("transfer_position = 3", "transfer_position = 2", "no two starters may ever be on");
}

#[test]
fn rejects_a_starter_without_a_transfer_position() {
    one_problem_elsewhere("transfer_position = 3\n", "", "no usable transfer_position");
}

#[test]
fn rejects_two_units_of_one_number_on_a_link() {
    one_problem("unit = 3", "unit = 2", "a unit of its own");
}

#[test]
fn rejects_an_unknown_link() {
    one_problem("link = \"bench\"\nunit = 2", "link = \"bensh\"\nunit = 2", "the unknown link");
}

#[test]
fn rejects_a_stop_delay_over_the_budget() {
    one_problem_elsewhere("timeout = \"250 ms\"", "timeout = \"700 ms\"", "a worst stop delay of 2800 ms");
}

#[test]
fn rejects_a_heartbeat_too_slow_for_the_loss_of_communication_timer() {
    one_problem_elsewhere("heartbeat = \"200 ms\"", "heartbeat = \"600 ms\"", "a heartbeat every 600 ms");
}

#[test]
fn rejects_a_rig_without_a_trip_for_a_lost_stream() {
    one_problem_elsewhere(
        "[[trip]]\nid = \"stream-lost\"\ncause = \"stream-lost\"\nstop = \"ramp\"\ndeadline = \"8 s\"\n",
        "",
        "no trip for a lost sample stream",
    );
}

#[test]
fn rejects_a_limit_in_the_wrong_quantity() {
    one_problem("above = \"3.5 barg\"", "above = \"35 A\"", "a current");
}

#[test]
fn rejects_a_permissive_on_a_field_that_the_map_lacks() {
    let problem = one_problem("field = \"remote\"", "field = \"remot\"", "the unknown field");
    assert_eq!(problem.hint.as_deref(), Some("remote"));
}

#[test]
fn rejects_two_wires_on_one_address() {
    one_problem("address = \"127.0.0.1:5021\"", "address = \"127.0.0.1:5020\"", "an address of its own");
}

#[test]
fn rejects_an_unreadable_file_by_its_name() {
    let problems = rig::load(Path::new("no/such/rig.toml")).unwrap_err();
    assert!(
        problems.to_string().starts_with("no/such/rig.toml:1: file: found a file that cannot be read"),
        "{problems}"
    );
}

#[test]
fn rejects_every_syntax_error_of_a_file() {
    let problems = rig::parse("[rig\nid = \n", "bad.toml").unwrap_err();
    assert!(!problems.0.is_empty() && problems.0[0].file == "bad.toml", "{problems}");
}

#[test]
fn rejects_a_map_with_address_conflicts_and_commands_that_cannot_be_written() {
    let text = "name = \"m\"\n[fields]\nidentity = { table = \"input\", address = 1, expect = 1 }\n\
                current = { table = \"input\", address = 1 }\nrun = { table = \"discrete-input\", address = 0 }\n\
                speed = { table = \"input\", address = 3 }\n";
    let problems = rig::maps::parse_map(text, "m.toml").unwrap_err();
    let lines: Vec<_> = problems.0.iter().map(|problem| problem.line).collect();
    assert_eq!(lines, [4, 5, 6], "{problems}");
}

#[test]
fn rejects_a_nameplate_that_describes_no_motor() {
    one_problem_elsewhere("poles = 4", "poles = 5", "5 poles");
    one_problem_elsewhere("pull_up_torque = 1.8", "pull_up_torque = 3.4", "pull-up torque 3.4");
}

#[test]
fn rejects_a_suction_lift_that_no_atmosphere_can_hold() {
    // 12 m of lift under 0.98 bar(a): water boils in the suction hose even at rest.
    let text = rig::shipped("terrace-bench").unwrap();
    let mut high = text.replacen("length = \"6 m\"", "length = \"16 m\"", 1);
    for node in ["pump_inlet", "pump_outlet", "riser_foot", "riser_top", "hose_foot"] {
        let start = high.find(&format!("{node} = \"")).unwrap();
        let end = start + high[start..].find('\n').unwrap();
        high.replace_range(start..end, &format!("{node} = \"12 m\""));
    }
    let problems = problems_of(&high);
    assert!(problems.to_string().contains("the column would part"), "{problems}");
    assert!(problems.to_string().contains("a suction lift of 12.00 m") && problems.0.len() == 1, "{problems}");
}

#[test]
fn rejects_a_trip_that_acts_only_beyond_a_rating() {
    one_problem_elsewhere(
        "channel = \"p_hose_mid\"\nabove = \"3.5 barg\"",
        "channel = \"p_hose_mid\"\nabove = \"6.5 barg\"",
        "a limit of 6.50 barg beside hose, rated 6.00 barg",
    );
}
