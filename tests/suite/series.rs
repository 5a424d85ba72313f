//! `series`: many runs of one sequence, cut off and gone on with, and the table at the end.

use crate::campaign;
use crate::stand::bench::rig_path;
use crate::stand::program::{Program, command, run};
use crate::stand::sequences::Cycle;
use ramprig::comparison::RunData;
use ramprig::sequence::marks::MarkKind;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const HEAD: &str =
    "[series]\nid = \"short\"\nname = \"Short\"\nabout = \"made for a test\"\nsequence = \"cycle.toml\"\n";
const CONTACTOR: &str = "[[setting]]\nid = \"across the line\"\nstarter = \"contactor\"\n";
const SOFT: &str = "[[setting]]\nid = \"soft\"\nstarter = \"soft\"\nramp_up = \"1 s\"\nramp_down = \"0.5 s\"\n";
const DRIVE: &str = "[[grid]]\nstarter = \"drive\"\nramp_up = [\"1 s\"]\nramp_down = [\"0.5 s\"]\n";

/// Said directly before the motor starts.
const BEFORE_A_START: &str = "The hardwired emergency stop is the real one";

/// A folder with a series and its sequence.
struct Files {
    folder: TempDir,
    series: PathBuf,
}

impl Files {
    fn short(repeats: usize, settings: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let series = folder.path().join("series.toml");
        std::fs::write(&series, format!("{HEAD}repeats = {repeats}\nseed = 7\n{settings}")).unwrap();
        std::fs::write(folder.path().join("cycle.toml"), Cycle { hold: "time = \"3 s\"", ..Cycle::default() }.text())
            .unwrap();
        Self { folder, series }
    }

    /// The nine settings that are shipped, five runs each.
    fn shipped() -> Self {
        let series = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/series/starters-and-ramps.toml");
        Self { folder: tempfile::tempdir().unwrap(), series }
    }

    fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    fn args(&self, more: &[&str]) -> Vec<String> {
        let path = |path: &Path| path.display().to_string();
        let mut args = vec!["series".to_owned(), path(&rig_path()), path(&self.series), "--virtual".to_owned()];
        args.extend(["--band", "0", "--json", "--out"].map(str::to_owned));
        args.push(path(&self.out()));
        args.extend(more.iter().map(|arg| (*arg).to_owned()));
        args
    }

    fn start(&self, more: &[&str]) -> Program {
        Program::start(&mut command(self.args(more)))
    }

    fn state(&self) -> Value {
        serde_json::from_str(&std::fs::read_to_string(self.out().join("series.json")).unwrap()).unwrap()
    }
}

fn recordings(state: &Value) -> Vec<Option<String>> {
    let runs = state["runs"].as_array().unwrap();
    runs.iter().map(|planned| planned["recording"].as_str().map(str::to_owned)).collect()
}

/// Three starters, three settings or nine, interrupted by Ctrl-C in a run and by kill -9 in a later one.
#[test]
fn campaign_series_is_gone_on_with_after_two_interruptions_and_ranks_its_settings() {
    let full = campaign::is_full();
    let files = if full { Files::shipped() } else { Files::short(2, &format!("{CONTACTOR}{SOFT}{DRIVE}")) };
    let settings = if full { 9 } else { 3 };
    let total = settings * if full { 5 } else { 2 };

    let mut first = files.start(&["--fast"]);
    first.stderr.wait_for(&format!("run 2 of {total}"));
    first.stderr.wait_for(BEFORE_A_START);
    first.interrupt();
    let ended = first.end();
    ended.expect(3).says("the same command goes on");
    let after_first = recordings(&files.state());
    assert_eq!(after_first.iter().flatten().count(), 1, "the first run is done");

    let mut second = files.start(&["--fast"]);
    second.stderr.wait_for(&format!("1 of {total} runs done"));
    second.stderr.wait_for(&format!("run 4 of {total}"));
    second.stderr.wait_for(BEFORE_A_START);
    second.kill();
    drop(second);
    let after_second = recordings(&files.state());
    assert_eq!(after_second.iter().flatten().count(), 3, "three are done");

    let mut third = files.start(&["--fast"]);
    for number in 4..=total {
        third.stderr.wait_for(&format!("run {number} of {total}"));
    }
    let ended = third.end();
    let object = ended.expect(0).object();
    assert_eq!((object["runs"].as_u64(), object["done"].as_u64()), (Some(total), Some(total)));
    let state = files.state();
    let recorded = recordings(&state);
    for (before, now) in after_first.iter().chain(&after_second).zip(recorded.iter().chain(&recorded)) {
        assert!(before.is_none() || before == now, "a run that was done is not done again");
    }
    let distinct: BTreeSet<&String> = recorded.iter().flatten().collect();
    assert_eq!(distinct.len() as u64, total, "no run lost, none twice");
    let mut turns = BTreeSet::new();
    for (planned, path) in state["runs"].as_array().unwrap().iter().zip(recorded.iter().flatten()) {
        turns.insert((planned["variant"].as_u64().unwrap(), planned["repeat"].as_u64().unwrap()));
        let read = ramprig::recording::read(Path::new(path)).unwrap();
        assert!(read.complete, "{path}");
    }
    assert_eq!(turns.len() as u64, total, "every setting as often as was asked");
    let begun: Vec<u64> =
        state["runs"].as_array().unwrap().iter().map(|planned| planned["begun"].as_u64().unwrap()).collect();
    let again: Vec<usize> = (0..begun.len()).filter(|at| begun[*at] != 1).collect();
    assert_eq!(again, [1, 3], "only what was cut off was begun again: {begun:?}");

    let listed = |label: &str| {
        let place = files.out().join("runs").display().to_string();
        let found = run(["list", &place, "--label", label, "--json"]);
        found.expect(0);
        found.object()["recordings"].as_array().unwrap().iter().filter(|found| found["label"] == label).count() as u64
    };
    // Of the runs that were cut off there is a recording each, too.
    assert!((total / settings..=total / settings + 2).contains(&listed("across the line")));
    assert_eq!(listed("across"), 0, "a label is the whole label");

    let table = std::fs::read_to_string(files.out().join("series.csv")).unwrap();
    assert_eq!(table.lines().count() as u64, total + 1, "a row a run and a head:\n{table}");
    let ranking = object["ranking"].as_array().unwrap();
    assert_eq!(ranking.len() as u64, settings);
    let means: Vec<f64> = ranking.iter().map(|ranked| ranked["mean_pa"].as_f64().unwrap()).collect();
    assert!(means.is_sorted(), "{means:?}");
    assert_eq!(ranking[ranking.len() - 1]["variant"], "across the line", "the contactor is the harshest: {ranking:?}");
    let told: Vec<&Value> = ranking.iter().map(|ranked| &ranked["against_next"]["verdict"]).collect();
    println!("series: means {means:?} Pa, verdicts against the next {told:?}");
    if full {
        assert!(told.iter().any(|verdict| **verdict == "smaller"), "some differences are real: {told:?}");
    }
}

/// Rig time is wall time here: between a stop and the next start lies the whole rest that the rig file asks for.
#[test]
fn waits_out_the_rest_of_motor_and_starter_in_real_time() {
    let files = Files::short(2, CONTACTOR);
    let ended = files.start(&[]).end();
    ended.expect(0).says("rests");
    let state = files.state();
    let runs: Vec<RunData> = recordings(&state)
        .into_iter()
        .map(|path| ramprig::recording::read(Path::new(&path.unwrap())).unwrap())
        .collect();
    let at_s = |run: &RunData, kind: MarkKind| run.marks.iter().find(|mark| mark.kind == kind).unwrap().at_s;
    let started = |run: &RunData| run.started_utc.parse::<jiff::Timestamp>().unwrap().as_millisecond() as f64 * 1e-3;
    let (start, stop) = (MarkKind::Start { cycle: 1 }, MarkKind::Stop { cycle: 1 });
    let rest_s = at_s(&runs[1], start.clone()) - at_s(&runs[0], stop);
    assert!(rest_s >= 6.0, "{rest_s} s from the order to stop to the next order to start, 6 s of rest are asked for");
    let rig_s = at_s(&runs[1], start.clone()) - at_s(&runs[0], start);
    let wall_s = started(&runs[1]) - started(&runs[0]);
    // From start to start and from file to file; what lies between file and start differs by less than half of it.
    assert!(wall_s > 0.5 * rig_s, "{wall_s} s on the wall for {rig_s} s of rig time");
}

#[test]
fn refuses_other_files_than_it_was_begun_with_and_moves_nothing() {
    let files = Files::short(1, CONTACTOR);
    let begun = files.start(&["--fast"]).end();
    begun.expect(0);
    let again = files.start(&["--fast"]).end();
    again.expect(0).says("1 of 1 runs done");
    assert!(!again.stderr.contains("VIRTUAL rig"), "nothing to do, nothing started:\n{}", again.stderr);
    let text = std::fs::read_to_string(&files.series).unwrap();
    std::fs::write(&files.series, text.replace("repeats = 1", "repeats = 2")).unwrap();
    run(files.args(&["--fast"])).expect(2).says("the series file changed");
}

#[test]
fn tells_every_mistake_of_a_series_file_before_anything_moves() {
    let files = Files::short(1, "[[setting]]\nid = \"a\"\nstarter = \"contactor\"\nramp_up = \"2 s\"\n");
    run(files.args(&["--fast"])).expect(2).says("a setting that the starter has");
    assert!(!files.out().exists(), "nothing is written for a series that cannot be run");
    let files = Files::short(0, "[[setting]]\nid = \"a\"\nstarter = \"drvie\"\n");
    let ended = run(files.args(&["--fast"]));
    ended.expect(2).says("a starter of the rig: contactor, soft, drive").says("repeats");
}

/// On a rig that is no child of the series' own, answers given beforehand count as nobody at the rig.
#[test]
fn refuses_to_run_unattended_without_a_proof_of_loss_of_communication() {
    let files = Files::short(1, CONTACTOR);
    let mut args: Vec<String> = files.args(&[]).into_iter().filter(|arg| arg != "--virtual").collect();
    let state = files.folder.path().join("state").display().to_string();
    args.extend(["--attending", "A. Tester", "--confirmed-by", "A. Tester", "--state-dir", &state].map(str::to_owned));
    let ended = run(args);
    ended.expect(2).says("an unattended series is refused: contactor: loss of communication was never proven");
    assert!(!files.out().exists(), "nothing was begun");
}
