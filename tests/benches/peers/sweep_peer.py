"""Many scenarios by characteristics in compiled Python: a peer of the bench `sweep`.

The same input, problem and answer as sweep_peer.c; every scenario by itself, both colours of the checkerboard, the pump
by the tables over the angle, head, flow and speed of the new level by Newton to a step of 1e-8 (what is left is its square).
"""

import math
import sys
import time

import numpy as np
from numba import njit


@njit(cache=False, fastmath=True)
def pump(table_h, table_t, rows, alpha, v):
    place = (math.pi + math.atan2(v, alpha)) / (2.0 * math.pi) * (rows - 1)
    low = min(int(place), rows - 2)
    step = 2.0 * math.pi / (rows - 1)
    rise_h, rise_t = table_h[low + 1] - table_h[low], table_t[low + 1] - table_t[low]
    head, torque = table_h[low] + rise_h * (place - low), table_t[low] + rise_t * (place - low)
    slope_h, slope_t = rise_h / step, rise_t / step
    square = alpha * alpha + v * v
    return (
        square * head, 2.0 * v * head + alpha * slope_h, 2.0 * alpha * head - v * slope_h,
        square * torque, 2.0 * v * torque + alpha * slope_t, 2.0 * alpha * torque - v * slope_t,
    )


@njit(cache=False, fastmath=True)
def run(numbers, cells, steps, table_h, table_t):
    rows = len(table_h)
    total = 0.0
    head, flow = np.empty(cells + 1), np.empty(cells + 1)
    new_head, new_flow = np.empty(cells + 1), np.empty(cells + 1)
    for i in range(len(numbers)):
        dt, b, r, z1, z2, qr, hr, wr, tr, inertia, kd, wd, open0, open1, t0, t1, q, w, loss_open = numbers[i]
        h, _, _, torque, _, _ = pump(table_h, table_t, rows, w / wr, q / qr)
        first, last = z1 + hr * h, z2 + loss_open / (open0 * open0) * q * q
        old_torque = kd * (wd - w) - tr * torque
        for k in range(cells + 1):
            head[k], flow[k] = first + (last - first) * k / cells, q
        theta = max(0.5, 1.0 - inertia / (kd * dt)) if kd * dt > 2.0 * inertia else 0.5
        per = dt / inertia
        for step in range(steps):
            for k in range(1, cells):
                qa, qb = flow[k - 1], flow[k + 1]
                cp = head[k - 1] + b * qa - r * qa * abs(qa)
                cm = head[k + 1] - b * qb + r * qb * abs(qb)
                new_head[k], new_flow[k] = 0.5 * (cp + cm), 0.5 * (cp - cm) / b
            q1 = flow[1]
            cm = head[1] - b * q1 + r * q1 * abs(q1)
            w0 = w
            for _ in range(12):
                h, h_q, h_w, t, t_q, t_w = pump(table_h, table_t, rows, w / wr, q / qr)
                e1 = z1 + hr * h - cm - b * q
                e2 = w - w0 - per * (theta * (kd * (wd - w) - tr * t) + (1.0 - theta) * old_torque)
                a, bb = hr * h_q / qr - b, hr * h_w / wr
                c, d = per * theta * tr * t_q / qr, 1.0 + per * theta * (kd + tr * t_w / wr)
                det = a * d - bb * c
                dq, dw = (e1 * d - bb * e2) / det, (a * e2 - e1 * c) / det
                q, w = q - dq, w - dw
                if abs(dq) <= 1e-8 * qr and abs(dw) <= 1e-8 * wr:
                    break
            t = pump(table_h, table_t, rows, w / wr, q / qr)[3]
            old_torque = kd * (wd - w) - tr * t
            new_flow[0], new_head[0] = q, cm + b * q
            qn = flow[cells - 1]
            cp = head[cells - 1] + b * qn - r * qn * abs(qn)
            share = min(max(((step + 1) * dt - t0) / (t1 - t0), 0.0), 1.0)
            loss = loss_open / (open0 + share * (open1 - open0)) ** 2
            over = cp - z2
            qv = 2.0 * abs(over) / (b + math.sqrt(b * b + 4.0 * loss * abs(over)))
            qv = -qv if over < 0.0 else qv
            new_flow[cells], new_head[cells] = qv, cp - b * qv
            head, new_head = new_head, head
            flow, new_flow = new_flow, flow
        total += w
    return total / len(numbers)


def main():
    words = iter(sys.stdin.readline, "")
    count, cells, rows = (int(word) for word in next(words).split())
    table_h = np.array([float(word) for word in next(words).split()])
    table_t = np.array([float(word) for word in next(words).split()])
    numbers = np.array([[float(word) for word in next(words).split()] for _ in range(count)])
    assert len(table_h) == rows
    run(numbers[:1], cells, 2, table_h, table_t)
    for line in words:
        start = time.process_time_ns()
        speed = run(numbers, cells, int(line), table_h, table_t)
        print(time.process_time_ns() - start, repr(speed), flush=True)


main()
