"""The chain at steady steps: what a coupon asks of the feed path, and where it would give.

A step holds flow, temperature and squeeze for several time constants, so the lag plays no part. Everything is samples
down and steps across.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.feed import chain
from pliant.feed.load import bounded_gap_mm
from pliant.feed.passage import JOB_SCATTER
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = [
    "COUPON_S",
    "SLOWEST_MM3_PER_S",
    "failing_flow_mm3_per_s",
    "failing_gap_mm",
    "log_limit",
    "step_log_margins",
]

COUPON_S = 300.0  # [s] into a test piece, which never lasts over 900
SLOWEST_MM3_PER_S = 0.02  # [mm3/s] that limits are looked for at: a bead at a quarter of a millimetre a second
_CLIP = np.log(1e6)


def step_log_margins(
    machine: Machine,
    theta: dict[str, Any],
    *,
    flow_mm3_per_s: Number,
    nozzle_c: Number,
    width_mm: Number,
    gap_mm: Number,
    height_mm: Number | None = None,
    after_s: float = COUPON_S,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Logarithm of the least margin at steady steps.

    Parameters
    ----------
    machine : Machine
        Order and kind of the spans.
    theta : dict of str to ndarray
        Values of the unknowns, `(n, 1)`.
    flow_mm3_per_s, nozzle_c, width_mm, gap_mm : ndarray
        The steps, `(s,)` or `(n, s)`; an infinite gap is in air. [mm3/s, degC, mm, mm]
    height_mm : ndarray, optional
        Height of the layer where an uneven bed makes the gap another. [mm]
    after_s : float, default COUPON_S
        How long the drive has been at work. [s]

    Returns
    -------
    log_margin, pressure_mpa, push_n : ndarray
        `(n, s)`. [-, MPa, N]
    """
    flow, gap = np.asarray(flow_mm3_per_s, dtype=float), bounded_gap_mm(np.asarray(gap_mm, dtype=float))
    theta = chain.after(theta, after_s)
    height = None if height_mm is None else bounded_gap_mm(np.asarray(height_mm, dtype=float))
    unit = chain.unit_drop_mpa(theta)
    ratio = chain.dam_ratio(width_mm, gap, theta, height, unit)
    pressure = chain.free_pressure_mpa(flow, nozzle_c, theta, unit) * ratio
    margins, _, push = chain.margins(machine, theta, pressure_mpa=pressure, flow_mm3_per_s=flow, nozzle_c=nozzle_c)
    least = np.minimum.reduce(np.broadcast_arrays(*margins.values()))
    with np.errstate(divide="ignore"):
        return np.clip(np.log(least), -_CLIP, _CLIP), pressure, push


def _crossing(log_margin: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where each row of falling log margins passes zero, by interpolation; an end of the grid where it never does."""
    failed = np.minimum.accumulate(log_margin, axis=1) < 0
    k = np.where(failed.any(axis=1), failed.argmax(axis=1), at.size)
    right = np.clip(k, 1, at.size - 1)
    rows = np.arange(log_margin.shape[0])
    a, b = log_margin[rows, right - 1], log_margin[rows, right]
    share = np.clip(a / np.where(np.abs(a - b) > 1e-12, a - b, 1.0), 0.0, 1.0)
    found = at[right - 1] + share * (at[right] - at[right - 1])
    return np.asarray(np.where(k == 0, at[0], np.where(k == at.size, at[-1], found)))


def _theta(machine: Machine, filament: Filament, n: int, seed: int) -> dict[str, Any]:
    return chain.sample(machine, filament, n, np.random.default_rng(seed))[0]


def failing_flow_mm3_per_s(
    machine: Machine,
    filament: Filament,
    *,
    nozzle_c: float,
    width_mm: float,
    gap_mm: float,
    after_s: float = COUPON_S,
    n: int = 1000,
    seed: int = 7,
    theta: dict[str, Any] | None = None,
) -> NDArray[np.float64]:
    """Flow at which the path gives, job-to-job scatter included, one for each sample of the unknowns, `(n,)`.

    `theta` are n samples of them, `(n, 1)` by name; drawn from the records where left out.
    """
    flow = np.geomspace(SLOWEST_MM3_PER_S, 60.0, 160)
    theta = _theta(machine, filament, n, seed) if theta is None else theta
    log_margin, _, _ = step_log_margins(
        machine, theta, flow_mm3_per_s=flow, nozzle_c=nozzle_c, width_mm=width_mm, gap_mm=gap_mm, after_s=after_s
    )
    return np.exp(_crossing(log_margin + _scatter(n, seed), np.log(flow)))


def log_limit(
    machine: Machine, theta: dict[str, Any], *, nozzle_c: float, width_mm: float, gap_mm: float
) -> NDArray[np.float64]:
    """Logarithm of the flow at which a steady bead gives, at values of the unknowns, `(n,)`; no scatter. [mm3/s]"""
    flow = np.geomspace(0.02, 60.0, 80)
    log_margin, _, _ = step_log_margins(
        machine, theta, flow_mm3_per_s=flow, nozzle_c=nozzle_c, width_mm=width_mm, gap_mm=gap_mm
    )
    return _crossing(log_margin, np.log(flow))


def failing_gap_mm(
    machine: Machine,
    filament: Filament,
    *,
    flow_mm3_per_s: float,
    nozzle_c: float,
    width_mm: float,
    widest_mm: float,
    bed_error_mm: float,
    n: int = 1000,
    seed: int = 7,
) -> NDArray[np.float64]:
    """Nominal gap below the face at which a falling first layer gives, bed error included, `(n,)`. [mm]"""
    gap = np.geomspace(widest_mm, 0.02, 80)
    theta = _theta(machine, filament, n, seed)
    shift = bed_error_mm * np.random.default_rng(seed + 2).standard_normal(n)[:, None]
    log_margin, _, _ = step_log_margins(
        machine,
        theta,
        flow_mm3_per_s=flow_mm3_per_s,
        nozzle_c=nozzle_c,
        width_mm=width_mm,
        gap_mm=gap - shift,
        height_mm=gap,
    )
    return np.exp(_crossing(log_margin + _scatter(n, seed), np.log(gap)))


def _scatter(n: int, seed: int) -> NDArray[np.float64]:
    return np.asarray(np.log(JOB_SCATTER) * np.random.default_rng(seed + 1).standard_normal(n)[:, None])
