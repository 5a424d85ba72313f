"""What follows a run, by SciPy and NumPy: a peer of the bench `analysis`.

Argument: a file of 8 channels of float64, one after the other. Each line of the input is a task; the answer is the
processor time it took, ns, and a figure of its result.
"""

import sys
import time

import numpy as np
from scipy import signal

data = np.fromfile(sys.argv[1]).reshape(8, -1)


def filtered(corner_hz, rate_hz):
    sections = signal.butter(2, float(corner_hz), fs=float(rate_hz), output="sos")
    out = signal.sosfiltfilt(sections, data, axis=1, padtype="constant")
    return out[:, data.shape[1] // 2].sum()


def lag():
    x, y = data[0] - data[0].mean(), data[1] - data[1].mean()
    return float(np.argmax(signal.correlate(y, x, "full", "fft")) - (len(x) - 1))


def ends(across):
    groups = data.reshape(8, int(across), -1)
    return (groups.max(axis=2) - groups.min(axis=2)).sum()


TASKS = {"filter": filtered, "lag": lag, "ends": ends}

for line in sys.stdin:
    name, *arguments = line.split()
    begun = time.process_time_ns()
    answer = TASKS[name](*arguments)
    print(time.process_time_ns() - begun, repr(float(answer)), flush=True)
