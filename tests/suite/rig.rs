//! The rig description: shipped bench, checks, derived figures, `init`.

use ramprig::rig;
use std::path::Path;

fn bench() -> rig::model::Rig {
    let text = rig::shipped("terrace-bench").unwrap();
    rig::parse(text, "terrace-bench.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

#[test]
fn accepts_the_shipped_bench_from_its_folder_and_from_the_program() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/terrace-bench.toml");
    let loaded = rig::load(&path).unwrap_or_else(|problems| panic!("{problems}"));
    let built_in = bench();
    assert_eq!(loaded.text_sha256, built_in.text_sha256);
    assert_eq!(loaded.id, "terrace-bench");
    assert!(loaded.invented);
    assert_eq!(loaded.channels.len(), 8);
    assert_eq!(loaded.starters.len(), 3);
    assert_eq!(loaded.channels[loaded.headline].id.0, "p_discharge");
    assert_eq!(loaded.ratings.len(), loaded.network.elements.len());
}
