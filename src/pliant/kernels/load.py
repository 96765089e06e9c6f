"""Melt pressure over time: one compliance fed by the drive, drained by a nozzle whose law is a table.

Tables are uniform in logarithms, so that a look-up is an index and one interpolation.
"""

import math

import numpy as np
from numba import njit

__all__ = ["push_along", "smoothed_peak"]


@njit(cache=True, inline="always")
def _read(x, x0, step, ys):
    """Linear interpolation on a uniform grid, continued linearly beyond both ends."""
    at = (x - x0) / step
    i = int(at)
    i = min(max(i, 0), ys.size - 2)
    return ys[i] + (ys[i + 1] - ys[i]) * (at - i)


@njit(cache=True, inline="always")
def _phase(k, i, length, accel, v_in, v_peak, v_out, dwell):
    """Duration and path of phase k (0 gaining, 1 holding, 2 losing speed) of move i."""
    a = accel[i]
    up = (v_peak[i] * v_peak[i] - v_in[i] * v_in[i]) / (2.0 * a)
    down = (v_peak[i] * v_peak[i] - v_out[i] * v_out[i]) / (2.0 * a)
    if k == 0:
        return (v_peak[i] - v_in[i]) / a, up
    if k == 2:
        return (v_peak[i] - v_out[i]) / a, down
    hold = max(length[i] - up - down, 0.0)
    return (hold / v_peak[i] if v_peak[i] > 0.0 else 0.0) + dwell[i], hold


@njit(cache=True)
def push_along(
    length, accel, v_in, v_peak, v_out, dwell, volume, advance, table, ratio, q0, q_step, log_p, p0, p_step, log_q,
    compliance,
):  # fmt: skip
    """Step the pressure through every phase of every move.

    Moves (n,): kinematics; volume fed [mm3]; advance [s], the program's own compensation; table, index of the law;
    ratio, law of this place over the free law. Laws: ln P on ln Q (t, m) and ln Q on ln P (t, m).
    -> pressure: peak and at the end (n,), (n,); delivered: largest flow and volume (n,), (n,); total fed; final store.

    dP/dt = (Q_fed - Q(P)) / C with the secant conductance towards the steady pressure of the flow fed: exact for a
    linear law, never overshoots, conserves volume by construction.
    """
    n = length.size
    top = np.zeros(n, dtype=np.float32)
    end = np.zeros(n, dtype=np.float32)
    flow = np.zeros(n, dtype=np.float32)
    delivered = np.zeros(n)
    p = 0.0
    void = 0.0  # emptied by a retraction; the recover fills it before pressure rises
    ahead = 0.0  # volume the controller has pushed ahead of the commanded place
    total = 0.0
    for i in range(n):
        t = table[i]
        r = ratio[i]
        per_mm = volume[i] / length[i] if length[i] > 0.0 else 0.0
        high = p
        move_out = 0.0
        for k in range(3):
            dt, path = _phase(k, i, length, accel, v_in, v_peak, v_out, dwell)
            if dt <= 0.0:
                continue
            given = per_mm * path
            if advance[i] > 0.0:
                v_end = v_out[i] if k == 2 else v_peak[i]
                goal_ahead = advance[i] * max(per_mm, 0.0) * v_end
                given += goal_ahead - ahead
                ahead = goal_ahead
            elif ahead > 0.0:
                given -= ahead
                ahead = 0.0
            total += given
            filled = min(void, max(given, 0.0))
            void -= filled
            fed = (given - filled) / dt
            goal = 0.0
            if fed > 0.0:
                goal = r * math.exp(_read(math.log(fed), q0, q_step, log_p[t]))
            steps = 1
            h = dt
            out = 0.0
            j = 0
            while j < steps:
                q = 0.0
                if p > 1e-12:
                    q = math.exp(_read(math.log(p / r), p0[t], p_step[t], log_q[t]))
                gap = goal - p
                conductance = max((max(fed, 0.0) - q) / gap, 0.0) if abs(gap) > 1e-9 * (goal + p) + 1e-15 else 0.0
                if j == 0 and conductance > 0.0:
                    # half a local time constant per step at most, bounded for stiff filament
                    steps = min(64, max(1, math.ceil(2.0 * conductance * dt / compliance)))
                    h = dt / steps
                fade = math.exp(-conductance * h / compliance)
                new = goal - gap * fade if fed >= 0.0 else p * fade + fed * h / compliance
                out += fed * h - compliance * (new - p)
                p = max(new, 0.0)
                void += compliance * (p - new)
                high = max(high, p)
                j += 1
            move_out += out
            flow[i] = max(flow[i], out / dt)
        top[i] = high
        end[i] = p
        delivered[i] = move_out
    return top, end, flow, delivered, total, p * compliance - void


@njit(cache=True)
def smoothed_peak(length, accel, v_in, v_peak, v_out, dwell, volume, advance, group, n_groups, tau):
    """Largest first-order-smoothed flow of each group (n_groups, t) for time constants tau (t,). [mm3/s]"""
    peak = np.zeros((n_groups, tau.size))
    y = np.zeros(tau.size)
    void = np.zeros(tau.size)
    ahead = 0.0
    for i in range(length.size):
        per_mm = volume[i] / length[i] if length[i] > 0.0 else 0.0
        for k in range(3):
            dt, path = _phase(k, i, length, accel, v_in, v_peak, v_out, dwell)
            if dt <= 0.0:
                continue
            given = per_mm * path
            if advance[i] > 0.0:
                goal_ahead = advance[i] * max(per_mm, 0.0) * (v_out[i] if k == 2 else v_peak[i])
                given += goal_ahead - ahead
                ahead = goal_ahead
            elif ahead > 0.0:
                given -= ahead
                ahead = 0.0
            for c in range(tau.size):
                filled = min(void[c], max(given, 0.0))
                void[c] -= filled
                fed = (given - filled) / dt
                new = fed + (y[c] - fed) * math.exp(-dt / tau[c])
                void[c] += tau[c] * max(-new, 0.0)
                y[c] = max(new, 0.0)
                peak[group[i], c] = max(peak[group[i], c], y[c])
    return peak
