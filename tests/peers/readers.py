"""General programs as readers of what we write; each prints one JSON object.

    readers.py nexus FILE    a closed recording by nexusformat: what it would plot unasked
    readers.py tables DIR    the exported tables below a folder, by pandas and by DuckDB
"""

import json
import sys
from pathlib import Path


def nexus(path):
    from nexusformat.nexus import nxload

    root = nxload(path)
    plot = root.plottable_data
    axis = plot.nxaxes[0]
    return {
        "signal": plot.nxsignal.nxname,
        "axis": axis.nxname,
        "length": int(plot.nxsignal.shape[0]),
        "axis_length": int(axis.shape[0]),
        "units": str(plot.nxsignal.attrs["units"]),
        "largest": float(plot.nxsignal.nxdata.max()),
    }


def tables(folder):
    import duckdb
    import pandas

    found = {}
    for kind in ("samples", "cycles", "events", "predicted"):
        files = sorted(str(path) for path in Path(folder).glob(f"{kind}/**/*.csv"))
        frame = pandas.concat(pandas.read_csv(file) for file in files)
        rows = duckdb.sql(f"SELECT count(*) FROM read_csv({files!r}, header = true)").fetchall()[0][0]
        found[kind] = {"pandas_rows": len(frame), "duckdb_rows": rows, "columns": list(frame.columns)}
    pattern = str(Path(folder) / "cycles" / "**" / "*.csv")
    query = f"SELECT starter, avg(start_surge_pa) FROM read_csv('{pattern}', header = true) WHERE headline GROUP BY starter"
    found["surge_by_starter"] = dict(duckdb.sql(query).fetchall())
    return found


print(json.dumps({"nexus": nexus, "tables": tables}[sys.argv[1]](sys.argv[2])))
