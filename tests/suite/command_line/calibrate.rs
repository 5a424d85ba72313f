//! `calibrate`: reference points of a channel, what follows from them, and recordings evaluated anew.

use crate::recording::made::finished;
use crate::stand::bench::rig_path;
use crate::stand::program::{Ended, run};
use ramprig::recording;
use ramprig::rig::calibration::read_file;
use std::path::Path;

/// What the rig file says of `p_discharge`: counts at 0 Pa, and counts a pascal.
const ZERO: f64 = -8.0e6 + 16.0e6 / 11.0;
const SLOPE: f64 = 16.0e6 / 11.0e5;

/// Points of a made-up sensor: counts of its own by bar, with an error of a few counts.
fn points(unit: &str, counts: impl Fn(f64) -> f64) -> String {
    let head = "channel = \"p_discharge\"\nreference_uncertainty = \"2 mbar\"\n[calibration]\ndate = \"2026-03-14\"\n\
                due = \"2027-03-14\"\ncertificate = \"MADE-UP-1\"\nreference = \"dead-weight tester, made up\"\nby = \"A. Made-up\"\n";
    let errors = [90.0, -140.0, 60.0, 110.0, -70.0, -120.0, 80.0];
    let rows = errors.iter().enumerate().map(|(k, error)| {
        let bar = 1.5 * k as f64;
        format!("[[point]]\nreference = \"{bar} {unit}(g)\"\ncounts = {}\n", (counts(bar * 1.0e5) + error).round())
    });
    head.to_owned() + &rows.collect::<String>()
}

fn calibrate(folder: &Path, text: &str, more: &[&str]) -> Ended {
    let file = folder.join("points.toml");
    std::fs::write(&file, text).unwrap();
    let rig = rig_path();
    run([&["calibrate", rig.to_str().unwrap(), file.to_str().unwrap()], more].concat())
}

#[test]
fn fits_points_says_how_sure_and_writes_a_file_that_evaluates_a_recording_anew() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let sensor = |p: f64| ZERO + 4_000.0 + 1.01 * SLOPE * p;
    let text = points("bar", sensor);
    let ended = calibrate(folder.path(), &text, &["--out", &at("made.toml"), "--plot", &at("made.svg"), "--json"]);
    ended.expect(0);
    let made = ended.object()["calibrated"].clone();
    let fit: Vec<f64> = made["calibration"]["fit"].as_array().unwrap().iter().map(|c| c.as_f64().unwrap()).collect();
    // The points' own errors move an end of the line by no more than the largest of them.
    assert!((fit[0] - ZERO - 4_000.0).abs() < 140.0 && (fit[1] / (1.01 * SLOPE) - 1.0).abs() < 1e-4, "{fit:?}");
    let u = made["standard_uncertainty"].as_f64().unwrap();
    // The reference's 2 mbar, and about 120 counts of scatter, 8 Pa.
    assert!((200.0..202.0).contains(&u), "{u}");
    let picture = std::fs::read_to_string(at("made.svg")).unwrap();
    assert!(picture.contains("residual"), "{picture}");

    // A recording of a channel of that name: every value is the curve's own for its counts.
    let path = folder.path().join("run.h5");
    recording::close(&finished(&path, 2), None).unwrap();
    let filed = std::fs::read_to_string(at("made.toml")).unwrap().replace("p_discharge", "p_high");
    std::fs::write(at("other.toml"), &filed).unwrap();
    let filed = read_file(&filed, "other.toml").unwrap();
    let (plain, mut anew) = (recording::read(&path).unwrap(), recording::read(&path).unwrap());
    let words = ramprig::comparison::recalibrate::recalibrate(&mut anew, &filed, "other.toml").unwrap();
    assert!(words.contains("2026-03-14") && words.contains("NOT CALIBRATED"), "{words}");
    let index = anew.channels.iter().position(|channel| channel.id.0 == "p_high").unwrap();
    let scaling = anew.channels[index].scaling;
    for (value, before) in anew.traces[index].values.iter().zip(&plain.traces[index].values).step_by(997) {
        let counts = (before - scaling.offset) / scaling.scale;
        let expected = (counts - fit[0]) / fit[1];
        assert!((value - expected).abs() < 1e-6 * expected.abs().max(1.0), "{value} for {counts} counts");
    }
    assert_eq!(anew.traces[1 - index].values.len(), plain.traces[1 - index].values.len());
    let file = path.to_str().unwrap();
    let compared = run(["compare", file, "--calibration", &at("other.toml"), "--json"]);
    compared.expect(0);
    let said = compared.object()["evaluated_anew"][0].as_str().unwrap().to_owned();
    assert!(said.contains("other.toml, sha256 "), "{said}");
    // The file as it was written names a channel that this recording has not.
    let missing = run(["compare", file, "--calibration", &at("made.toml")]);
    missing.expect(2);
    assert!(missing.stderr.contains("no channel `p_discharge`"), "{}", missing.stderr);
}

#[test]
fn refuses_points_that_no_calibration_follows_from_with_what_to_try() {
    let folder = tempfile::tempdir().unwrap();
    let sensor = |p: f64| ZERO + SLOPE * p;
    let refused = |text: &str, words: &[&str]| {
        let ended = calibrate(folder.path(), text, &[]);
        ended.expect(2);
        words.iter().for_each(|word| assert!(ended.stderr.contains(word), "{word}: {}", ended.stderr));
    };
    let good = points("bar", sensor);
    calibrate(folder.path(), &good, &[]).expect(0);
    refused(&points("psi", sensor), &["14.5", "typed in psi, but meant in bar"]);
    refused(&points("bar", |p| ZERO - SLOPE * p), &["-1.0000 times"]);
    let twice = format!("{good}{}", &good[good.rfind("[[point]]").unwrap()..]);
    refused(&twice, &["points 7 and 8", "typed twice"]);
    refused(&good.replace("p_discharge", "p_dischrge"), &["p_dischrge", "p_discharge"]);
    refused(&good.replace("2026-03-14", "14 March"), &["a date, such as"]);
    refused(&good.replace("(g)", ""), &["neither gauge nor absolute said"]);
    refused(
        &good[..good.rfind("[[point]]").unwrap()].replacen("counts", "shown = \"1 barg\"\ncounts", 1),
        &["both counts and shown"],
    );
    refused(&good[..good.find("[[point]]").unwrap()], &["0 points", "at least 3"]);
}

#[test]
fn tells_a_missing_and_an_expired_calibration_from_one_in_force() {
    use ramprig::rig::chain::{Calibration, CalibrationState};
    let of = |date: &str, due: &str| Calibration { date: date.into(), due: due.into(), ..Calibration::default() };
    let on = |calibration: &Calibration| calibration.state("2026-05-01T10:00:00Z");
    assert_eq!(on(&of("", "")), CalibrationState::Missing);
    assert_eq!(on(&of("2026-01-01", "")), CalibrationState::InForce);
    assert_eq!(on(&of("2026-01-01", "2026-05-01")), CalibrationState::InForce);
    assert_eq!(on(&of("2026-01-01", "2026-04-30")), CalibrationState::Expired);
    assert_eq!(on(&of("2026-06-01", "")), CalibrationState::Expired);
}
