"""h5py as somebody else's reader of our recordings.

    h5_reader.py watch FILE    open with swmr=True, print `rows N` each time every channel has grown, until killed
    h5_reader.py read FILE     print one JSON object about a closed file
"""

import hashlib
import json
import sys
import time

import h5py


def text(value):
    return value.decode() if isinstance(value, bytes) else str(value)


def watch(path):
    with h5py.File(path, "r", swmr=True) as file:
        samples = file["entry/samples"]
        channels = [samples[text(name)] for name in samples.attrs["channels"]]
        seen = -1
        while True:
            for channel in channels:
                channel.refresh()
            rows = min(len(channel) for channel in channels)
            if rows > seen:
                last = [int(channel[rows - 1]) for channel in channels] if rows else []
                print("rows", rows, *last, flush=True)
                seen = rows
            time.sleep(0.02)


def plotted(file):
    """Follow the NeXus attributes the way a general viewer does."""
    entry = file[text(file.attrs["default"])]
    data = entry[text(entry.attrs["default"])]
    signal = data[text(data.attrs["signal"])]
    axis = data[text(data.attrs["axes"])]
    assert text(data.attrs["NX_class"]) == "NXdata"
    assert signal.shape == axis.shape, (signal.shape, axis.shape)
    assert signal.dims[0][0] == axis, "the axis is no dimension scale of the signal"
    return {
        "signal": signal.name,
        "units": text(signal.attrs["units"]),
        "largest": float(signal[:].max()),
        "first_s": float(axis[0]),
        "last_s": float(axis[-1]),
    }


def read(path):
    with h5py.File(path, "r") as file:
        entry = file["entry"]
        samples = entry["samples"]
        names = [text(name) for name in samples.attrs["channels"]]
        scale = samples["time_ns"]
        for name in names:
            assert samples[name].dims[0][0] == scale, name
        prediction = entry["prediction"]
        found = {
            "format": int(file.attrs["format"]),
            "rig_text": text(entry["rig_text"][()]),
            "virtual": bool(entry.attrs["virtual"]),
            "complete": bool(entry.attrs["complete"]),
            "recovered": bool(entry.attrs["recovered"]),
            "rows": [len(samples[name]) for name in names],
            "sha256": [hashlib.sha256(samples[name][:].astype("<i4").tobytes()).hexdigest() for name in names],
            "filters": [samples[names[0]].compression, samples[names[0]].shuffle],
            "time_ns": [int(scale[0]), int(scale[-1])] if len(scale) else [],
            "marks": [[text(row["kind"]), int(row["cycle"]), float(row["at_s"])] for row in entry["marks"]],
            "events": [text(row["text"]) for row in entry["events"]],
            "stops": [text(row["outcome"]) for row in entry["stops"]],
            "header": json.loads(text(entry["header_json"][()]) or "null"),
            "band_rows": [len(prediction[f"band_{end}/{name}"]) for end in ("lower", "upper") for name in names],
            "band_holds_prediction": all(
                bool((prediction[f"band_lower/{name}"][:] <= prediction[f"series/{name}"][:]).all())
                and bool((prediction[f"band_upper/{name}"][:] >= prediction[f"series/{name}"][:]).all())
                for name in names
                if len(prediction[f"band_lower/{name}"])
            ),
            "predicted_rows": len(prediction["flow_m3_s"]),
            "stored_rig_s": [float(row["rig_s"]) for row in prediction["stored"]],
            "plotted": plotted(file) if len(scale) else None,
        }
    print(json.dumps(found))


if __name__ == "__main__":
    {"watch": watch, "read": read}[sys.argv[1]](sys.argv[2])
