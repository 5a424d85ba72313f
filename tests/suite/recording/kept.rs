//! The recording that is kept in `recordings/`: made once by format number 1 on the virtual rig, read for ever.

use super::made::h5py_reads;
use ramprig::comparison::evaluate;
use ramprig::recording::{self, Bytes};
use ramprig::sequence::ports::StopOutcome;
use std::path::{Path, PathBuf};

fn kept() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/terrace-bench-soft-format-1.h5")
}

/// What was read from it when it was made; a later program may know more figures, but not other ones.
const FRAMES: u64 = 20_208;
const START_SURGE_PA: f64 = 42_346.815_183;
const STOP_TROUGH_PA: f64 = -57_986.714_261;

#[test]
fn is_read_as_on_the_day_it_was_made() {
    let run = recording::read(&kept()).unwrap();
    assert!(run.complete && run.is_virtual);
    assert_eq!((run.frames, run.frames_missing), (FRAMES, 0));
    assert_eq!(run.stop_outcomes, [StopOutcome::Confirmed]);
    assert!(run.prediction.is_some() && run.header.is_some());
    let result = evaluate(&run);
    for (id, expected) in [("start_surge", START_SURGE_PA), ("stop_trough", STOP_TROUGH_PA)] {
        let got = result.mean_measured(id).unwrap();
        assert!((got - expected).abs() < 1e-3, "{id}: expected {expected} Pa, got {got} Pa");
    }
    assert!(matches!(recording::verify_bytes(&kept()).unwrap(), Bytes::Intact { .. }));
    assert_eq!(h5py_reads(&kept())["rows"][0], FRAMES);
}
