"""Everything of an HDF5 file, out of its compression, as bytes: texts as they are, numbers as little-endian doubles.

    h5_bytes.py all FILE
"""

import sys

import h5py
import numpy


def put(value):
    out = sys.stdout.buffer
    if isinstance(value, numpy.ndarray) and value.dtype.names:
        for name in value.dtype.names:
            put(value[name])
    elif isinstance(value, (numpy.ndarray, numpy.generic)) and numpy.issubdtype(value.dtype, numpy.number):
        out.write(numpy.asarray(value).astype("<f8").tobytes())
        out.write(repr(numpy.asarray(value).ravel()[:1000].tolist()).encode())
    else:
        for item in numpy.asarray(value).ravel():
            out.write(item if isinstance(item, bytes) else str(item).encode())
            out.write(b"\n")


def visit(name, item):
    for key, value in item.attrs.items():
        sys.stdout.buffer.write(f"{name} {key} ".encode())
        if not isinstance(value, h5py.Reference) and key not in ("DIMENSION_LIST", "REFERENCE_LIST"):
            put(value)
    if isinstance(item, h5py.Dataset):
        sys.stdout.buffer.write(f"{name} ".encode())
        put(item[()])


if __name__ == "__main__":
    with h5py.File(sys.argv[2], "r") as file:
        visit("/", file)
        file.visititems(visit)
