"""Flow after a stop and after a start, in closed or nearly closed form: one compliance, one power-law nozzle.

Time is counted in units of what the steady flow needs to empty the store, s = t Q0 / (C P0); flow and pressure in units
of the steady ones. Stop: p' = -p^(1/n); start: p' = 1 - p^(1/n) (reference: melt, section 4.2).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import require_not_negative, require_positive

__all__ = ["flow_after_stop", "pressure_after", "start_time", "stop_time"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)


def _open(flow_index: Number) -> NDArray[np.float64]:
    require_positive(flow_index=flow_index)
    return np.asarray(np.minimum(np.asarray(flow_index, dtype=float), 1 - 1e-6))


def flow_after_stop(time: Number, flow_index: Number) -> Any:
    """Flow over steady flow, a scaled time after the feed has stopped. [-, - -> -]"""
    require_not_negative(time=time)
    n = _open(flow_index)
    return (1 + (1 - n) / n * time) ** (-1 / (1 - n))


def stop_time(flow_ratio: Number, flow_index: Number, pressure_left: Number = 1.0) -> Any:
    """Scaled time after a stop until the flow has fallen to `flow_ratio`; 0 where it has at once. [-, -, - -> -]

    `pressure_left` is what a draw-back at the stop left of the steady pressure. At 1 it is the inverse of
    `flow_after_stop`.
    """
    require_positive(flow_ratio=flow_ratio)
    require_not_negative(pressure_left=pressure_left)
    n = _open(flow_index)
    left = np.maximum(np.asarray(pressure_left, dtype=float), 1e-12)
    time = n / (1 - n) * (np.asarray(flow_ratio, dtype=float) ** -(1 - n) - left ** (-(1 - n) / n))
    return np.maximum(time, 0.0)


def pressure_after(time: Number, flow_index: Number, pressure_left: Number = 1.0) -> Any:
    """Pressure over the steady one a scaled time after a stop that a draw-back left so much at. [-, -, - -> -]"""
    require_not_negative(time=time, pressure_left=pressure_left)
    n = _open(flow_index)
    left = np.asarray(pressure_left, dtype=float)
    r = (1 - n) / n
    return np.where(left > 0, (np.maximum(left, 1e-12) ** -r + r * time) ** (-1 / r), 0.0)


def start_time(flow_ratio: Number, flow_index: Number, pressure_left: Number = 0.0) -> Any:
    """Scaled time after a start at which the flow has risen to `flow_ratio`, under 1; 0 if it never fell below.

    `pressure_left` is what was left of the steady pressure when the feed started again. [-, -, - -> -]
    """
    require_positive(flow_ratio=flow_ratio)
    require_not_negative(pressure_left=pressure_left)
    n = _open(flow_index)
    top = np.asarray(flow_ratio, dtype=float) ** n
    low = np.minimum(pressure_left, top)
    half, middle = (top - low) / 2, (top + low) / 2
    p = middle[..., None] + half[..., None] * _NODES
    return half * np.sum(_WEIGHTS / (1 - p ** (1 / n[..., None])), axis=-1)
