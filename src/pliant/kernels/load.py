"""Melt pressure over time: one compliance fed by the drive, drained by a nozzle whose law is a table.

Tables are uniform in logarithms, so that a look-up is an index and one interpolation.
"""

import math

import numpy as np
from numba import njit

__all__ = ["push_along", "smoothed_peak"]

_BLOCK = 3 * 1024  # [phases] held at a time


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
def _phases(first, length, accel, v_in, v_peak, v_out, dwell, volume, advance, ahead, dt, given, of):
    """Gather the phases that take time, of whole moves from `first` on, until the block is full.

    Duration, volume that the drive gives and the move go into dt, given and of (_BLOCK,) -> phases, the move to go on
    from, volume pushed ahead. What works through them stays a plain loop: several times as fast as one over moves.
    """
    n, i = 0, first
    while i < length.size and n + 3 <= dt.size:
        per_mm = volume[i] / length[i] if length[i] > 0.0 else 0.0
        pushed = advance[i] * max(per_mm, 0.0)
        for k in range(3):
            seconds, path = _phase(k, i, length, accel, v_in, v_peak, v_out, dwell)
            if seconds <= 0.0:
                continue
            goal_ahead = pushed * (v_out[i] if k == 2 else v_peak[i])
            dt[n], given[n], of[n] = seconds, per_mm * path + (goal_ahead - ahead), i
            ahead = goal_ahead
            n += 1
        i += 1
    return n, i, ahead


@njit(cache=True, error_model="numpy")
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
    top, end, flow = np.zeros(n, np.float32), np.zeros(n, np.float32), np.zeros(n, np.float32)
    delivered = np.zeros(n)
    dt_of, given_of, of = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK, np.int64)
    p = 0.0
    void = 0.0  # emptied by a retraction; the recover fills it before pressure rises
    ahead = 0.0  # volume the controller has pushed ahead of the commanded place
    total = 0.0
    first = 0
    while first < n:
        first_of_block = first
        count, first, ahead = _phases(
            first, length, accel, v_in, v_peak, v_out, dwell, volume, advance, ahead, dt_of, given_of, of
        )
        here = first_of_block
        for m in range(count):
            i = of[m]
            while here < i:  # moves without a phase
                top[here], end[here] = p, p
                here += 1
            dt, given, r, t = dt_of[m], given_of[m], ratio[i], table[i]
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
            high = p
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
            top[i] = max(top[i], high)
            end[i] = p
            delivered[i] += out
            flow[i] = max(flow[i], out / dt)
            here = max(here, i + (m + 1 == count or of[m + 1] != i))
        while here < first:
            top[here], end[here] = p, p
            here += 1
    return top, end, flow, delivered, total, p * compliance - void


@njit(cache=True, error_model="numpy")
def smoothed_peak(length, accel, v_in, v_peak, v_out, dwell, volume, advance, group, n_groups, tau):
    """Largest first-order-smoothed flow of each group (n_groups, t) for time constants tau (t,). [mm3/s]"""
    peak = np.zeros((n_groups, tau.size))
    flow, void = np.zeros(tau.size), np.zeros(tau.size)
    dt, given, fed, fade = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK)
    of = np.empty(_BLOCK, np.int64)
    first, ahead = 0, 0.0
    while first < length.size:
        n, first, ahead = _phases(
            first, length, accel, v_in, v_peak, v_out, dwell, volume, advance, ahead, dt, given, of
        )
        for j in range(n):
            fed[j] = given[j] / dt[j]
            of[j] = group[of[j]]
        for c in range(tau.size):
            y, emptied = flow[c], void[c]
            for j in range(n):
                fade[j] = math.exp(-dt[j] / tau[c])
            for j in range(n):
                if emptied == 0.0 and given[j] >= 0.0:
                    y = fed[j] + (y - fed[j]) * fade[j]
                else:  # a retraction empties; what follows fills up first
                    filled = min(emptied, max(given[j], 0.0))
                    left = (given[j] - filled) / dt[j]
                    new = left + (y - left) * fade[j]
                    emptied += tau[c] * max(-new, 0.0) - filled
                    y = max(new, 0.0)
                peak[of[j], c] = max(peak[of[j], c], y)
            flow[c], void[c] = y, emptied
    return peak
