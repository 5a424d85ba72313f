//! The sequence file.

use super::world::terrace;
use ramprig::sequence::script::{Script, shipped};
use ramprig::sequence::step::Step;
use ramprig::starters::StopKind;

const HEAD: &str = "[sequence]\nid = \"t\"\nname = \"T\"\nabout = \"t\"\n";

fn problems(steps: &str) -> Vec<String> {
    let read = Script::parse(&format!("{HEAD}{steps}"), "t.toml", &terrace(), 2);
    let problems = read.map(|script| script.program.len()).unwrap_err();
    problems.0.iter().map(ToString::to_string).collect()
}

#[test]
fn accepts_the_shipped_sequence_for_each_starter() {
    let rig = terrace();
    for starter in 0..rig.starters.len() {
        let script = Script::parse(shipped("three-starters").unwrap(), "s.toml", &rig, starter).unwrap();
        assert_eq!((script.cycles, script.program.len()), (2, 3 + 2 * 6));
        assert_eq!(script.starters_used(), [starter]);
        assert_eq!(script.first_line_up(), Some(0));
        let cycles: Vec<_> = script.program.iter().map(|instruction| instruction.cycle).collect();
        assert_eq!(cycles, [0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2]);
        assert_eq!(script.text_sha256.len(), 64);
    }
}

#[test]
fn compiles_the_starters_ordinary_stop_and_its_ramp() {
    let rig = terrace();
    let stops: Vec<_> = (0..3)
        .map(|starter| {
            let script = Script::parse(shipped("three-starters").unwrap(), "s.toml", &rig, starter).unwrap();
            script.program.iter().find_map(|i| match &i.step {
                Step::Stop(stop) => Some((stop.kind, stop.time_s)),
                _ => None,
            })
        })
        .collect();
    let expected = [(StopKind::ContactorOff, 3.0), (StopKind::Ramp, 8.0), (StopKind::Ramp, 11.0)];
    assert_eq!(stops, expected.map(Some));
}

#[test]
fn accepts_settings_and_another_starter_for_one_start() {
    let text = format!(
        "{HEAD}[[step]]\ndo = \"line-up\"\nline_up = \"terrace\"\n[[step]]\ndo = \"start\"\nstarter = \"soft\"\nramp_up = \"2 s\"\n\
         [[step]]\ndo = \"stop\"\nhow = \"coast\"\n"
    );
    let script = Script::parse(&text, "t.toml", &terrace(), 2).unwrap();
    let Step::Start(start) = &script.program[1].step else { panic!("{:?}", script.program) };
    assert_eq!((start.starter, start.settings.ramp_up_s, start.settings.ramp_down_s), (1, Some(2.0), Some(3.0)));
    let Step::Stop(stop) = &script.program[2].step else { panic!("{:?}", script.program) };
    assert_eq!((stop.starter, stop.kind), (1, StopKind::Coast));
}

#[test]
fn rejects_every_mistake_at_once_with_its_line() {
    let steps = "[[step]]\ndo = \"confirm\"\n\
                 [[step]]\ndo = \"dance\"\n\
                 [[step]]\ndo = \"line-up\"\nline_up = \"terace\"\n\
                 [[step]]\ndo = \"wait\"\nuntil = [\"shaft-at-rest\", \"noon\"]\ntimeout = \"5 bar\"\n\
                 [[step]]\ndo = \"hold\"\ntime = \"4\"\n\
                 [[step]]\ndo = \"start\"\nramp_up = \"90 s\"\ninitial_voltage = 0.5\n\
                 [[step]]\ndo = \"start\"\nstarter = \"drives\"\n\
                 [[step]]\ndo = \"stop\"\nhow = \"gently\"\n\
                 [[step]]\ndo = \"settle\"\n\
                 [[step]]\ndo = \"repeat\"\ntimes = 0\n";
    let found = problems(steps);
    let wanted = [
        "t.toml:5: step[0].text: found nothing",
        "t.toml:8: step[1].do: found \"dance\"",
        "t.toml:11: step[2].line_up: found \"terace\"; allowed a line-up of the rig: terrace, fill-terrace, return; try: terrace",
        "t.toml:14: step[3].until: found \"noon\"",
        "t.toml:15: step[3].timeout: found",
        "t.toml:16: step[4]: found a hold while the motor is stopped",
        "t.toml:18: step[4].time: found",
        "t.toml:21: step[5].ramp_up: found",
        "t.toml:22: step[5].initial_voltage: found initial_voltage for a starter without it",
        "t.toml:23: step[6]: found a start while the motor runs",
        "t.toml:25: step[6].starter: found \"drives\"; allowed a starter of the rig: contactor, soft, drive; try: drive",
        "t.toml:28: step[7].how: found \"gently\"",
        "t.toml:29: step[8].timeout: found nothing",
        "t.toml:33: step[9].times: found 0",
        "step[9].step: found no nested step",
    ];
    for text in wanted {
        assert!(found.iter().any(|problem| problem.contains(text)), "no {text:?} in {found:#?}");
    }
    assert_eq!(found.len(), wanted.len(), "{found:#?}");
}

#[test]
fn rejects_orders_of_steps_that_make_no_sense() {
    let line_up = "[[step]]\ndo = \"line-up\"\nline_up = \"terrace\"\n";
    let cases = [
        ("[[step]]\ndo = \"start\"\n[[step]]\ndo = \"stop\"\n".to_owned(), "a start without a line-up"),
        (format!("{line_up}[[step]]\ndo = \"start\"\n"), "an end with the motor running"),
        (format!("{line_up}[[step]]\ndo = \"stop\"\n"), "a stop while the motor is stopped"),
        (format!("{line_up}[[step]]\ndo = \"settle\"\ntimeout = \"5 s\"\n"), "a settle without a stop"),
        (
            format!("{line_up}[[step]]\ndo = \"start\"\n{line_up}[[step]]\ndo = \"stop\"\n"),
            "a line-up while the motor runs",
        ),
        (
            format!(
                "{line_up}[[step]]\ndo = \"repeat\"\ntimes = 2\n[[step.step]]\ndo = \"start\"\n[[step]]\ndo = \"stop\"\n"
            ),
            "a start while the motor runs",
        ),
        (String::new(), "no step"),
    ];
    for (steps, wanted) in cases {
        let found = problems(&steps);
        assert_eq!(found.len(), 1, "{found:#?}");
        assert!(found[0].contains(wanted), "wanted {wanted:?}, got {found:#?}");
    }
}

#[test]
fn rejects_a_program_that_never_ends() {
    let mut steps = "[[step]]\ndo = \"repeat\"\ntimes = 1000\n".to_owned();
    steps.push_str("[[step.step]]\ndo = \"repeat\"\ntimes = 1000\n[[step.step.step]]\ndo = \"say\"\ntext = \"x\"\n");
    let found = problems(&steps);
    assert!(found[0].contains("more than 10000 steps"), "{found:#?}");
}
