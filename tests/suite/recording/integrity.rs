//! Digests and roots of closed recordings, and bytes that change afterwards.

use super::made::{finished, h5py_reads};
use crate::campaign;
use crate::stand::program::run;
use ramprig::recording::{self, Bytes};
use rand::RngExt;
use std::path::Path;

/// Changed bytes in the full campaign.
const FLIPS: u32 = 10_000;

#[test]
fn law_the_root_of_what_was_recorded_is_the_same_before_and_after_closing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let partial = finished(&path, 3);
    let before = recording::roots(&partial).unwrap();
    assert_eq!(recording::verify_bytes(&partial).unwrap(), Bytes::Unsealed);
    recording::close(&partial, Some("{\"made up\": true}")).unwrap();
    let after = recording::roots(&path).unwrap();
    assert_eq!(before.recorded, after.recorded);
    assert_ne!(before.derived, after.derived, "closing adds the small picture and results");
    assert_eq!(recording::verify_bytes(&path).unwrap(), Bytes::Intact(after.clone()));
    h5py_reads(&path);
    // One count more is another recording.
    let other = folder.path().join("other.h5");
    let longer = finished(&other, 4);
    assert_ne!(recording::roots(&longer).unwrap().recorded, before.recorded);
}

#[test]
fn names_the_dataset_and_the_rows_of_a_value_that_was_changed_by_another_program() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    recording::close(&finished(&path, 3), None).unwrap();
    let intact = run([Path::new("verify"), &path]);
    intact.expect(0);
    assert!(intact.stdout.contains("as it was closed"), "{}", intact.stdout);
    {
        let file = hdf5::File::open_rw(&path).unwrap();
        let counts = file.dataset("/entry/samples/p_low").unwrap();
        counts.write_slice(&[12_345_i32], 20_000..20_001).unwrap();
    }
    let changed = run([Path::new("verify"), &path, Path::new("--json")]);
    changed.expect(1);
    let places = &changed.object()["files"][0]["places"];
    assert_eq!(*places, serde_json::json!(["/entry/samples/p_low: block 1, rows 16384 to 29999"]));
    let missing = run(["verify", "no-such-file.h5"]);
    missing.expect(2);
}

/// Every change of a byte is reported, with the dataset and block where content is hit, and the program ends in order.
#[test]
fn campaign_changed_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    recording::close(&finished(&path, 2), Some("{\"made up\": true}")).unwrap();
    let whole = std::fs::read(&path).unwrap();
    let mut random = campaign::generator("changed-bytes");
    let (mut named, mut outside) = (0, 0);
    for _ in 0..campaign::count(FLIPS) {
        let mut bytes = whole.clone();
        let at = random.random_range(0..bytes.len());
        bytes[at] ^= random.random_range(1..=255_u8);
        std::fs::write(&path, &bytes).unwrap();
        let ended = run([Path::new("verify"), &path, Path::new("--json")]);
        let object = ended.object();
        let file = &object["files"][0];
        assert_eq!(file["verdict"], "changed", "byte {at}: {object}");
        ended.expect(1);
        let places = file["places"].as_array().unwrap();
        assert!(!places.is_empty(), "byte {at}: {object}");
        let is_outside = places[0].as_str().unwrap().starts_with("outside the content");
        if is_outside { outside += 1 } else { named += 1 }
    }
    eprintln!("changed-bytes: {named} named by dataset, {outside} outside the content");
    assert!(named > 0, "most of the file is content");
}
