"""Melt pressure over time: one compliance fed by the drive, drained by a nozzle whose law is a table."""

import math

import numpy as np
from numba import njit

__all__ = ["pressure_along", "smoothed_peak"]


@njit(cache=True)
def _lookup(x, xs, ys):
    """Linear interpolation with linear continuation beyond both ends; xs ascending."""
    n = xs.size
    if x <= xs[0]:
        i = 0
    elif x >= xs[n - 1]:
        i = n - 2
    else:
        i = np.searchsorted(xs, x) - 1
    return ys[i] + (ys[i + 1] - ys[i]) * (x - xs[i]) / (xs[i + 1] - xs[i])


@njit(cache=True)
def pressure_along(dt, volume, table, log_flow, log_pressure, compliance):
    """(n,), (n,), (n,) int, (m,), (k,m), () -> peak pressure (n,), delivered volume (n,), final stored volume.

    dP/dt = (Q_fed - Q(P)) / C, stepped with the secant conductance towards the steady pressure of the flow
    fed: exact for a linear law, never overshoots, and conserves volume by construction.
    """
    n = dt.size
    pressure = np.zeros(n)
    delivered = np.zeros(n)
    p = 0.0
    void = 0.0  # emptied by a retraction; the recover fills it before pressure rises
    for i in range(n):
        if dt[i] <= 0.0:
            pressure[i] = p
            continue
        law = log_pressure[table[i]]
        filled = min(void, max(volume[i], 0.0))
        void -= filled
        fed = (volume[i] - filled) / dt[i]
        goal = 0.0
        if fed > 0.0:
            goal = math.exp(_lookup(math.log(fed), log_flow, law))
        steps = 1
        h = dt[i]
        top = p
        out = 0.0
        j = 0
        while j < steps:
            q = 0.0
            if p > 1e-12:
                q = math.exp(_lookup(math.log(p), law, log_flow))
            conductance = (max(fed, 0.0) - q) / (goal - p) if abs(goal - p) > 1e-12 else 0.0
            if j == 0 and conductance > 0.0:
                # half a local time constant per step at most, bounded for stiff filament
                steps = min(64, max(1, math.ceil(2.0 * conductance * dt[i] / compliance)))
                h = dt[i] / steps
            if fed >= 0.0:
                new = goal + (p - goal) * math.exp(-conductance * h / compliance)
            else:  # the drive pulls back: drain and withdraw together
                new = p * math.exp(-conductance * h / compliance) + fed * h / compliance
            out += fed * h - compliance * (new - p)
            p = max(new, 0.0)
            void += compliance * (p - new)
            top = max(top, p)
            j += 1
        pressure[i] = top
        delivered[i] = out
    return pressure, delivered, p * compliance - void


@njit(cache=True)
def smoothed_peak(dt, volume, group, n_groups, tau):
    """(n,), (n,), (n,) int, (), (t,) -> largest first-order-smoothed flow (n_groups, t), mm3/s."""
    peak = np.zeros((n_groups, tau.size))
    for k in range(tau.size):
        y = 0.0
        void = 0.0
        for i in range(dt.size):
            if dt[i] <= 0.0:
                continue
            filled = min(void, max(volume[i], 0.0))
            void -= filled
            fed = (volume[i] - filled) / dt[i]
            y = fed + (y - fed) * math.exp(-dt[i] / tau[k])
            void += tau[k] * max(-y, 0.0)
            y = max(y, 0.0)
            peak[group[i], k] = max(peak[group[i], k], y)
    return peak
