//! The feature `parquet`: what is exported is read by pandas and DuckDB as it was written. Run by
//! `tests/peers/install parquet && cargo test --features parquet --test parquet`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs, reason = "tests")]

use ramprig::comparison::evaluate;
use ramprig::report::export::{Kind, Values, parquet, table};
use std::fs::File;
use std::path::Path;
use std::process::Command;

/// Sums of many numbers in another order, relative.
const SUM_TOLERANCE: f64 = 1e-9;

#[test]
fn is_read_by_pandas_and_duckdb_as_it_was_written() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let recording = std::fs::read_dir(root.join("recordings")).unwrap().map(|entry| entry.unwrap().path());
    let recording =
        recording.filter(|path| path.extension().is_some_and(|end| end == "h5")).min().expect("one is kept");
    let run = ramprig::recording::read(&recording).unwrap();
    let result = evaluate(&run);
    let folder = tempfile::tempdir().unwrap();
    let mut written = Vec::new();
    for kind in Kind::ALL {
        let place = folder.path().join(kind.name()).join(format!("rig={}", run.rig_id)).join("day=2026-01-31");
        std::fs::create_dir_all(&place).unwrap();
        let columns = table(kind, &run, &result);
        parquet::write(&columns, File::create(place.join("run.parquet")).unwrap()).unwrap();
        written.push((kind, columns));
    }
    let python = root.join("target/peers-venv/bin/python");
    let output =
        Command::new(python).arg(root.join("tests/peers/parquet_reader.py")).arg(folder.path()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    for (kind, columns) in &written {
        let of = &found[kind.name()];
        let rows = match &columns[0].values {
            Values::Times(values) => values.len(),
            Values::Whole(values) => values.len(),
            Values::Texts(values) => values.len(),
            other => panic!("{other:?}"),
        };
        assert!(rows > 0 || *kind == Kind::Events, "{}: nothing to read", kind.name());
        assert_eq!((&of["pandas_rows"], &of["duckdb_rows"]), (&rows.into(), &rows.into()), "{}: {of}", kind.name());
        assert_eq!(of["rigs"], format!("[{}]", run.rig_id), "{of}");
        assert_eq!(of["days"], "[2026-01-31]", "{of}");
        for column in columns {
            let type_of = of["types"][&column.name].as_str().unwrap_or_else(|| panic!("no {}: {of}", column.name));
            let values: Vec<f64> = match &column.values {
                Values::Times(values) => values.clone(),
                Values::Numbers(values) => values.to_vec(),
                Values::Whole(_) => {
                    assert_eq!(type_of, "int64", "{}", column.name);
                    continue;
                }
                Values::Flags(_) => {
                    assert_eq!(type_of, "bool", "{}", column.name);
                    continue;
                }
                Values::Texts(_) => continue,
            };
            assert_eq!(type_of, "float64", "{}", column.name);
            let missing = values.iter().filter(|value| !value.is_finite()).count();
            assert_eq!(of["nulls"][&column.name], missing, "{}: what is not there is null", column.name);
            let expected: f64 = values.iter().filter(|value| value.is_finite()).sum();
            let (got, size) = (
                of["sums"][&column.name].as_f64().unwrap(),
                values.iter().map(|v| v.abs()).filter(|v| v.is_finite()).sum::<f64>(),
            );
            assert!(
                (got - expected).abs() <= SUM_TOLERANCE * size.max(1.0),
                "{}: sum {got} by pandas, expected {expected}",
                column.name
            );
        }
    }
}
