"""Look-ahead speed planning: corner speeds, one backward and one forward pass; trapezoids follow."""

import math

import numpy as np

from pliant.arrays import Bools, Bytes, Floats, Ints32
from pliant.kernels.compiler import njit

__all__ = ["move_seconds", "plan_motion"]

_BEAD, _TRAVEL, _HOME, _DWELL = 0, 1, 6, 5


@njit(cache=True)
def _direction(point, i, sweep, centre, end, out):
    """Unit tangent of move i at its start or end into out (3,); zero where nothing moves. Returns the chord."""
    chord = 0.0
    for k in range(3):
        out[k] = point[i + 1, k] - point[i, k]
        chord += out[k] * out[k]
    chord = math.sqrt(chord)
    if sweep[i] != 0.0:
        at = i + 1 if end else i
        rx, ry = point[at, 0] - centre[i, 0], point[at, 1] - centre[i, 1]
        sense = 1.0 if sweep[i] > 0.0 else -1.0
        turn = abs(sweep[i])
        out[0], out[1] = -ry * sense * turn, rx * sense * turn
        norm = math.sqrt(out[0] ** 2 + out[1] ** 2 + out[2] ** 2)
    else:
        norm = chord
    for k in range(3):
        out[k] = out[k] / norm if norm > 0.0 else 0.0
    return chord


@njit(cache=True)
def plan_motion(
    point: Floats,
    kind: Bytes,
    path: Floats,
    filament: Floats,
    speed: Floats,
    sweep: Floats,
    centre: Floats,
    state: Ints32,
    accels: Floats,
    junction: Floats,
    corner: Floats,
    top: Floats,
) -> tuple[Floats, Floats, Floats, Floats, Floats, Bools]:
    """Plan every move of a program.

    (n+1,3), (n,), (n,), (n,), (n,), (n,), (n,2), (n,) int, (s,3) [print, retract, travel], (s,), (s,), (4,)
    -> length (n,), accel (n,), v_in (n,), v_peak (n,), v_out (n,), too_fast (n,) bool. mm and s throughout.
    Long on purpose: three passes over the same arrays, which as functions of their own would be compiled thrice.
    Speed at a corner: junction deviation, and where `corner` is not NaN no axis steps by more than it.
    """
    n = kind.size
    length = np.zeros(n)
    accel = np.empty(n)
    v_in = np.zeros(n)
    v_peak = np.zeros(n)
    v_out = np.zeros(n)
    cap = np.empty(n)
    too_fast = np.zeros(n, dtype=np.bool_)
    here = np.zeros(3)
    last = np.zeros(3)
    joined = False  # the move before was an axis move that ends where this one starts
    for i in range(n):
        s = state[i]
        moving = path[i] > 0.0 and kind[i] != _HOME and kind[i] != _DWELL
        only = not moving and filament[i] != 0.0 and kind[i] != _HOME
        limit = math.inf
        if moving:
            length[i] = path[i]
            accel[i] = accels[s, 0] if filament[i] > 0.0 else accels[s, 2]
            _direction(point, i, sweep, centre, False, here)
            for k in range(3):
                share = abs(here[k])
                if sweep[i] != 0.0 and k < 2:
                    share = 1.0  # an arc may point anywhere in its plane
                if share > 0.0:
                    limit = min(limit, top[k] / share)
            if filament[i] != 0.0:
                limit = min(limit, top[3] * length[i] / abs(filament[i]))
        elif only:
            length[i] = abs(filament[i])
            accel[i] = accels[s, 1]
            limit = top[3]
        else:
            accel[i] = accels[s, 2]
            cap[i] = 0.0
            joined = False
            continue
        too_fast[i] = speed[i] > limit * (1 + 1e-9)
        cap[i] = min(speed[i], limit)
        if moving and joined:
            a = min(accel[i - 1], accel[i])
            dot = 0.0
            for k in range(3):
                dot += last[k] * here[k]
            # sin(theta/2) with cos(theta) = -dot, theta the interior angle
            sin_half = math.sqrt(max(0.0, 0.5 * (1.0 + dot)))
            v = min(cap[i - 1], cap[i])
            if sin_half < 1.0 - 1e-12:
                v = min(v, math.sqrt(a * junction[s] * sin_half / (1.0 - sin_half)))
            if not math.isnan(corner[s]):
                for k in range(3):
                    step = abs(here[k] - last[k])
                    if step > 1e-12:
                        v = min(v, corner[s] / step)
            v_in[i] = v
        joined = moving
        if moving:
            _direction(point, i, sweep, centre, True, last)
    after = 0.0
    for i in range(n - 1, -1, -1):
        v_in[i] = min(v_in[i], math.sqrt(after * after + 2.0 * accel[i] * length[i]))
        after = v_in[i]
    for i in range(n):
        reach = math.sqrt(v_in[i] * v_in[i] + 2.0 * accel[i] * length[i])
        if i + 1 < n:
            v_in[i + 1] = min(v_in[i + 1], reach)
            v_out[i] = v_in[i + 1]
        peak = math.sqrt(accel[i] * length[i] + 0.5 * (v_in[i] ** 2 + v_out[i] ** 2))
        v_peak[i] = max(min(cap[i], peak), v_in[i], v_out[i])
    return length, accel, v_in, v_peak, v_out, too_fast


@njit(cache=True)
def move_seconds(length: Floats, accel: Floats, v_in: Floats, v_peak: Floats, v_out: Floats, dwell: Floats) -> Floats:
    """Time of each move: two ramps and the middle at the peak. (n,) each -> (n,)"""
    out = np.empty(length.size)
    for i in range(length.size):
        p, a, b = v_peak[i], v_in[i], v_out[i]
        hold = max(length[i] - (2.0 * (p * p) - a * a - b * b) / (2.0 * accel[i]), 0.0)
        out[i] = (2.0 * p - a - b) / accel[i] + dwell[i] + (hold / p if p > 0.0 else 0.0)
    return out
