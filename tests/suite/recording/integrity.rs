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
    assert_eq!(recording::verify_bytes(&path).unwrap(), Bytes::Intact { roots: after.clone(), key: None });
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

/// A signed file is held against its key by this program and, without it, by another one (RFC 8032, RFC 8410).
#[test]
fn another_program_finds_the_signature_good_and_another_key_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let path = at("run.h5");
    recording::close(&finished(&path, 2), None).unwrap();
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    let (key, other, file) = (text(&at("key.pem")), text(&at("other.pem")), text(&path));
    run(["verify", &file, "--key", "no-such-key"]).expect(2);
    run(["sign", "--make-key", "--key", &key, &file]).expect(0);
    let made =
        std::process::Command::new("openssl").args(["genpkey", "-algorithm", "ed25519", "-out", &other]).status();
    assert!(made.unwrap().success());
    let public = format!("{key}.pub");
    run(["verify", &file, "--key", &public]).expect(0);
    let refused = run(["verify", &file, "--key", &other, "--json"]);
    refused.expect(1);
    assert_eq!(refused.object()["files"][0]["verdict"], "signature");
    // The private key is for its owner's eyes.
    use std::os::unix::fs::PermissionsExt;
    assert_eq!(std::fs::metadata(&key).unwrap().permissions().mode() & 0o077, 0);
    run(["sign", "--make-key", "--key", &key]).expect(2);

    let head = std::fs::read(&path).unwrap()[..512].to_vec();
    let head = String::from_utf8(head).unwrap();
    let (lines, rest) = head.split_at(head.find("ed25519 key:").unwrap());
    let signature = rest.lines().nth(1).unwrap().strip_prefix("signature: ").unwrap();
    std::fs::write(at("lines"), lines).unwrap();
    std::fs::write(at("signature"), hex::decode(signature).unwrap()).unwrap();
    let openssl = std::process::Command::new("openssl")
        .args(["pkeyutl", "-verify", "-pubin", "-inkey", &public, "-rawin", "-in", &text(&at("lines"))])
        .args(["-sigfile", &text(&at("signature"))])
        .output()
        .unwrap();
    assert!(openssl.status.success(), "{openssl:?}");
    // Its own key works as well, and one digit of a signature is enough to be noticed.
    run(["sign", "--key", &other, &file]).expect(0);
    run(["verify", &file, "--key", &other]).expect(0);
    let mut bytes = std::fs::read(&path).unwrap();
    let place = head.find("signature: ").unwrap() + 40;
    bytes[place] = if bytes[place] == b'0' { b'1' } else { b'0' };
    std::fs::write(&path, bytes).unwrap();
    run(["verify", &file]).expect(1);
}

#[test]
fn a_note_is_signed_is_read_by_h5py_and_leaves_what_was_recorded_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    recording::close(&finished(&path, 2), Some("{\"made up\": true}")).unwrap();
    let before = recording::roots(&path).unwrap();
    let keys = ["a.pem", "b.pem"].map(|name| folder.path().join(name).to_str().unwrap().to_owned());
    let file = path.to_str().unwrap();
    run(["sign", "--make-key", "--key", &keys[1]]).expect(0);
    run(["sign", "--make-key", "--key", &keys[0], file]).expect(0);
    run(["note", file, "  ", "--by", "A. Made-up", "--key", &keys[0]]).expect(2);
    run(["note", file, "valve V2 was half shut", "--by", "A. Made-up", "--key", &keys[0]]).expect(0);
    run(["note", file, "seen again, it was", "--by", "B. Made-up", "--key", &keys[1]]).expect(0);
    assert_eq!(recording::roots(&path).unwrap(), before);
    h5py_reads(&path);
    let found = recording::notes(&path).unwrap();
    assert_eq!(
        found.iter().map(|note| note.text.as_str()).collect::<Vec<_>>(),
        ["valve V2 was half shut", "seen again, it was"]
    );
    assert!(found.iter().all(|note| note.holds) && found[0].key != found[1].key);
    run(["verify", file]).expect(0);
    // The first key signed neither the second note nor the file that has it.
    let demanded = run(["verify", file, "--key", &keys[0], "--json"]);
    demanded.expect(1);
    assert_eq!(demanded.object()["files"][0]["faults"].as_array().unwrap().len(), 2, "{}", demanded.stdout);
    assert!(run(["show", file]).stdout.contains("note by A. Made-up"));
    // A note altered by another program is named, and takes no further note.
    {
        let data = hdf5::File::open_rw(&path).unwrap().dataset("/entry/notes/note_1/author").unwrap();
        let text = "C. Made-up".parse::<hdf5::types::FixedUnicode<10>>().unwrap();
        data.write_scalar(&text).unwrap();
    }
    let changed = run(["verify", file, "--json"]);
    changed.expect(1);
    let places = changed.object()["files"][0]["places"].clone();
    assert_eq!(places, serde_json::json!(["/entry/notes/note_1/author"]));
    run(["note", file, "one more", "--by", "A. Made-up", "--key", &keys[0]]).expect(2);
}
