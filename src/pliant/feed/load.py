"""The push through a whole job: deterministic at the central values, then the chance of a jam under ignorance.

Exact for the central values: every phase of every move goes through the lag and the melt law. The chance of a jam uses
the program's envelope: the largest flow that a first-order lag of given time constant lets through, at each
temperature, on the first layer and above it. `tests/feed` holds the two against each other.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.kernels.load import pressure_along, smoothed_peak
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["BED_ERROR_MM", "Job", "Load", "Risk", "follow", "jam_risk", "speed_that_meets"]

BED_ERROR_MM = 0.05  # [mm] standard deviation of the first layer's gap; common practice, no source
_JOB_SCATTER = 1.1  # [-] multiplicative spread from job to job that no measurement removes; from memory
_TAU_S = np.geomspace(0.005, 60.0, 14)
_FLOW = np.geomspace(1e-4, 200.0, 160)


@dataclass(frozen=True)
class Job:
    """A program as the feed path sees it; arrays are per phase, three to a move."""

    phase_s: NDArray[np.float64]
    filament_mm: NDArray[np.float64]
    group: NDArray[np.int64]  # index into the operating groups below
    nozzle_c: NDArray[np.float64]  # (n_groups,)
    width_mm: NDArray[np.float64]  # (n_groups,)
    gap_mm: NDArray[np.float64]  # (n_groups,); infinite where the strand hangs free
    first_layer: NDArray[np.bool_]  # (n_groups,)


@dataclass(frozen=True)
class Load:
    """The deterministic run: per phase, pressure and push at the drive; per mechanism, the margins."""

    pressure_mpa: NDArray[np.float64]
    delivered_mm3: NDArray[np.float64]
    stored_mm3: float
    push_n: NDArray[np.float64]
    margins: dict[str, NDArray[np.float64]]
    capacities: dict[str, NDArray[np.float64]]


@dataclass(frozen=True)
class Risk:
    """Chance of a jam, its 90 % band over what could be learned, by mechanism, and what drives it."""

    probability: float
    low: float
    high: float
    by_mechanism: dict[str, float]
    shares: dict[str, float]


def _free_where_first(gap: Any, first: Any, shift: Any) -> Any:
    return np.where(first & np.isfinite(gap), np.maximum(gap - shift, 0.03), gap)


def follow(job: Job, machine: Machine, filament: Filament) -> Load:
    """Run the job through the chain at the central values."""
    theta = chain.central(machine, filament)
    k = job.nozzle_c.size
    law = np.empty((k, _FLOW.size))
    for g in range(k):
        law[g] = chain.melt_pressure_mpa(_FLOW, job.nozzle_c[g], job.width_mm[g], job.gap_mm[g], theta)
    area = np.pi * theta["diameter_mm"] ** 2 / 4
    pressure, delivered, stored = pressure_along(
        job.phase_s,
        job.filament_mm * area,
        job.group,
        np.log(_FLOW),
        np.log(law),
        chain.compliance(machine, theta),
    )
    flow = np.divide(delivered, job.phase_s, out=np.zeros_like(delivered), where=job.phase_s > 0)
    # margins depend on pressure, flow and temperature alone: a fine table per temperature, read by interpolation
    push = np.zeros_like(pressure)
    margins: dict[str, NDArray[np.float64]] = {}
    capacities: dict[str, NDArray[np.float64]] = {}
    grid = np.geomspace(1e-4, max(float(pressure.max()), 1e-3) * 1.001, 400)
    for c in np.unique(job.nozzle_c):
        here = np.isin(job.group, np.flatnonzero(job.nozzle_c == c))
        m, cap, at_drive = chain.margins(machine, theta, pressure_mpa=grid, flow_mm3_per_s=1.0, nozzle_c=float(c))
        p = np.maximum(pressure[here], grid[0])
        index = np.minimum(np.searchsorted(grid, p), grid.size - 1)
        push[here] = at_drive[index]
        for name, values in m.items():
            row = margins.setdefault(name, np.full(pressure.size, np.inf))
            carry = capacities.setdefault(name, np.zeros(pressure.size))
            if name == "starve":
                row[here] = float(cap[name]) / np.maximum(flow[here], 1e-9)
                carry[here] = float(cap[name])
            else:
                row[here] = values[index]
                carry[here] = np.broadcast_to(cap[name], grid.shape)[index]
    return Load(pressure, delivered, stored, push, margins, capacities)


def envelope(job: Job, diameter_mm: float) -> NDArray[np.float64]:
    """Largest smoothed flow `(n_groups, n_tau)` for each time constant of the grid. [mm3/s]"""
    area = np.pi * diameter_mm**2 / 4
    return smoothed_peak(job.phase_s, job.filament_mm * area, job.group, job.nozzle_c.size, _TAU_S)


def log_margins(
    job: Job,
    flows: NDArray[np.float64],
    machine: Machine,
    theta: dict[str, Any],
    bed_shift_mm: Any,
    scale: float,
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """Least margin of each mechanism over the envelope: `(n_samples,)` by name, and the push there."""
    store = chain.compliance(machine, theta)
    least: dict[str, Any] = {}
    most = 0.0
    log_tau = np.log(_TAU_S)
    for g in range(job.nozzle_c.size):
        curve = flows[g] * scale
        if curve.max() <= 0:
            continue
        gap = _free_where_first(job.gap_mm[g], job.first_layer[g], bed_shift_mm)
        at = (float(job.nozzle_c[g]), float(job.width_mm[g]), gap)
        flow = np.full_like(np.asarray(store, dtype=float), curve.max())
        for _ in range(4):  # lag and flow depend on one another; a few passes settle it
            p = chain.melt_pressure_mpa(flow, *at, theta)
            tau = np.clip(store * theta["flow_index"] * p / np.maximum(flow, 1e-9), _TAU_S[0], _TAU_S[-1])
            # slowing the program by `scale` stretches its time, so the lag looks shorter by the same factor
            flow = np.interp(np.log(tau * scale), log_tau, curve)
        p = chain.melt_pressure_mpa(flow, *at, theta)
        m, _, push = chain.margins(machine, theta, pressure_mpa=p, flow_mm3_per_s=flow, nozzle_c=at[0])
        most = np.maximum(most, push)
        for name, values in m.items():
            least[name] = np.minimum(least.get(name, np.inf), values)
    shape = np.broadcast(np.asarray(most), np.asarray(store)).shape
    return {k: np.broadcast_to(v, shape).reshape(-1) for k, v in least.items()}, np.broadcast_to(most, shape).reshape(
        -1
    )


def jam_risk(
    job: Job, machine: Machine, filament: Filament, *, scale: float = 1.0, n: int = 1000, seed: int = 7
) -> Risk:
    """Chance that the job jams.

    Parameters
    ----------
    job : Job
        The program as the feed path sees it.
    machine, filament
        The records; their spreads are the ignorance that is carried.
    scale : float, default 1.0
        Speed of the whole program relative to the one written. [-]
    n : int, default 1000
        Samples.
    seed : int, default 7
        Seed of the hypercube, so that a result can be repeated.

    Returns
    -------
    Risk
        The mean chance; its 5-95 % band over the unknowns (a job-to-job scatter of factor 1.1 remains inside);
        the mechanism that would fail first; and each unknown's share of the variance of the log margin.
    """
    from scipy.special import ndtr

    rng = np.random.default_rng(seed)
    theta, scores, names = chain.sample(machine, filament, n, rng)
    bed = rng.standard_normal(n)
    flows = envelope(job, filament.diameter_mm.value)
    by_name, _ = log_margins(job, flows, machine, theta, BED_ERROR_MM * bed[:, None], scale)
    if not by_name:
        return Risk(0.0, 0.0, 0.0, {}, {})
    order = list(by_name)
    stack = np.log(np.maximum(np.vstack([by_name[k] for k in order]), 1e-6))
    least = stack.min(axis=0)
    chance = ndtr(-least / np.log(_JOB_SCATTER))
    first = stack.argmin(axis=0)
    by_mechanism = {k: float(chance[first == i].sum() / n) for i, k in enumerate(order)}
    columns = np.column_stack([scores, bed])
    y = np.clip(least, -5, 5)
    slope, *_ = np.linalg.lstsq(np.column_stack([np.ones(n), columns]), y, rcond=None)
    part = slope[1:] ** 2 * columns.var(axis=0) / max(float(y.var()), 1e-12)
    shares = dict(sorted(zip([*names, "bed_error_mm"], part.tolist(), strict=True), key=lambda kv: -kv[1]))
    low, high = np.quantile(chance, [0.05, 0.95])
    mean = float(chance.mean())
    return Risk(mean, min(float(low), mean), max(float(high), mean), by_mechanism, shares)


def speed_that_meets(job: Job, machine: Machine, filament: Filament, target: float) -> float | None:
    """Largest speed, relative to the one written, at which the chance of a jam meets the target; None below 5 %."""
    if jam_risk(job, machine, filament, n=400).probability <= target:
        return 1.0
    low, high = 0.05, 1.0
    if jam_risk(job, machine, filament, scale=low, n=400).probability > target:
        return None
    for _ in range(7):
        middle = float(np.sqrt(low * high))
        if jam_risk(job, machine, filament, scale=middle, n=400).probability <= target:
            low = middle
        else:
            high = middle
    return low
