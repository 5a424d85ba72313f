"""Reads exported Parquet below a folder by pandas and by DuckDB; prints one JSON object."""

import json
import sys
from pathlib import Path

import duckdb
import pandas

folder = Path(sys.argv[1])
found = {}
for kind in ("samples", "cycles", "events", "predicted"):
    files = sorted(str(path) for path in (folder / kind).glob("**/*.parquet"))
    frame = pandas.concat(pandas.read_parquet(file) for file in files)
    place = str(folder / kind / "**" / "*.parquet")
    rows, rigs, days = duckdb.sql(
        f"SELECT count(*), list(DISTINCT rig)::VARCHAR, list(DISTINCT day::VARCHAR)::VARCHAR "
        f"FROM read_parquet('{place}', hive_partitioning = true)"
    ).fetchall()[0]
    found[kind] = {
        "pandas_rows": len(frame),
        "duckdb_rows": rows,
        "rigs": rigs,
        "days": days,
        "types": {name: str(kind) for name, kind in frame.dtypes.items()},
        "sums": {name: float(frame[name].sum()) for name in frame.columns if str(frame[name].dtype) == "float64"},
        "nulls": {name: int(frame[name].isna().sum()) for name in frame.columns},
    }
print(json.dumps(found))
