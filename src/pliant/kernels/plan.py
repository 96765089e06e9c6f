"""Look-ahead speed planning: corner speeds, then one backward and one forward pass, then trapezoids."""

import math

import numpy as np
from numba import njit

__all__ = ["plan_speeds"]


@njit(cache=True)
def plan_speeds(direction_in, direction_out, length, speed, accel, joined, deviation):
    """(n,3), (n,3), (n,), (n,), (n,), (n,) bool, () -> v_in (n,), v_peak (n,), v_out (n,) in mm/s.

    `joined[i]`: move i follows move i-1 without a forced stop.
    """
    n = length.size
    v_in = np.zeros(n)
    v_out = np.zeros(n)
    v_peak = np.zeros(n)
    for i in range(1, n):
        if not joined[i]:
            continue
        a = min(accel[i - 1], accel[i])
        dot = 0.0
        for k in range(3):
            dot += direction_out[i - 1, k] * direction_in[i, k]
        # junction deviation: sin(theta/2) with cos(theta) = -dot, theta the interior angle
        sin_half = math.sqrt(max(0.0, 0.5 * (1.0 + dot)))
        cap = min(speed[i - 1], speed[i])
        if sin_half < 1.0 - 1e-12:
            cap = min(cap, math.sqrt(a * deviation * sin_half / (1.0 - sin_half)))
        v_in[i] = cap
    last = 0.0
    for i in range(n - 1, -1, -1):
        reach = math.sqrt(last * last + 2.0 * accel[i] * length[i])
        v_in[i] = min(v_in[i], reach)
        last = v_in[i]
    for i in range(n):
        reach = math.sqrt(v_in[i] * v_in[i] + 2.0 * accel[i] * length[i])
        if i + 1 < n:
            v_in[i + 1] = min(v_in[i + 1], reach)
            v_out[i] = v_in[i + 1]
        peak = math.sqrt(accel[i] * length[i] + 0.5 * (v_in[i] ** 2 + v_out[i] ** 2))
        v_peak[i] = max(min(speed[i], peak), v_in[i], v_out[i])
    return v_in, v_peak, v_out
