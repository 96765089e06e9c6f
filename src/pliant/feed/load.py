"""The push through a whole job: deterministic at the central values, then the chance of a jam under ignorance.

Exact for the central values: every phase of every move goes through the lag and the melt law. The chance of a jam uses
the program's envelope: the largest flow that a first-order lag of given time constant lets through, at each
temperature and squeeze of the bead. `tests/feed` holds the two against each other.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.feed import chain
from pliant.kernels.load import push_along, smoothed_peak
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = [
    "BED_ERROR_MM", "DAM_RATIO", "SLOWEST", "Envelope", "Job", "Load", "Risk", "envelope", "follow", "jam_risk",
    "log_margins", "speed_that_meets",
]  # fmt: skip

BED_ERROR_MM = 0.05  # [mm] standard deviation of the first layer's gap; common practice, no source
DAM_RATIO = 2.0  # [-] a failing push is named `dam` where the gap under the face makes half of the pressure
SLOWEST = 0.1  # [-] a job that takes ten times as long is no answer: our choice, not physics
_JOB_SCATTER = 1.1  # [-] multiplicative spread from job to job that no measurement removes; from memory
_TAU_S = np.geomspace(0.005, 60.0, 14)
_LOG_FLOW = np.linspace(np.log(1e-5), np.log(300.0), 512)
_MOST_GROUPS = 24


@dataclass(frozen=True)
class Job:
    """A program as the feed path sees it; arrays are per move `(n_moves,)` unless said."""

    length_mm: NDArray[np.float64]
    acceleration_mm_per_s2: NDArray[np.float64]
    in_mm_per_s: NDArray[np.float64]
    peak_mm_per_s: NDArray[np.float64]
    out_mm_per_s: NDArray[np.float64]
    dwell_s: NDArray[np.float64]
    filament_mm: NDArray[np.float64]
    advance_s: NDArray[np.float64]  # compensation that the program asks its controller for
    heat: NDArray[np.int32]  # index into nozzle_c
    nozzle_c: NDArray[np.float64]  # (n_heats,)
    width_mm: NDArray[np.float32]
    gap_mm: NDArray[np.float32]  # infinite where the strand hangs free
    first_layer: NDArray[np.bool_]

    @classmethod
    def steady(
        cls,
        seconds: ArrayLike,
        filament_mm: ArrayLike,
        nozzle_c: float,
        width_mm: float = 0.45,
        gap_mm: float = np.inf,
        first_layer: bool = False,
    ) -> "Job":
        """Stretches of constant speed, one after the other. [s, mm, degC, mm, mm]"""
        time, filament = np.asarray(seconds, dtype=float), np.asarray(filament_mm, dtype=float)
        n = time.size
        ones, zeros = np.ones(n), np.zeros(n)
        return cls(
            time, ones, ones, ones, ones, zeros, filament, zeros, np.zeros(n, dtype=np.int32), np.array([nozzle_c]),
            np.full(n, width_mm, dtype=np.float32), np.full(n, gap_mm, dtype=np.float32), np.full(n, first_layer),
        )  # fmt: skip


@dataclass(frozen=True)
class Load:
    """The deterministic run, per move `(n_moves,)`: worst pressure, push at the drive and margin, and who gives."""

    pressure_mpa: NDArray[np.float32]
    end_mpa: NDArray[np.float32]
    flow_mm3_per_s: NDArray[np.float32]
    push_n: NDArray[np.float32]
    capacity_n: NDArray[np.float32]  # push at the drive at which something would give
    margin: NDArray[np.float32]
    mechanism: NDArray[np.uint8]  # index into chain.MECHANISMS
    dam_ratio: NDArray[np.float32]
    delivered_mm3: NDArray[np.float64]
    fed_mm3: float
    stored_mm3: float


@dataclass(frozen=True)
class Risk:
    """Chance of a jam, its 90 % band over what could be learned, by mechanism, and what drives it."""

    probability: float
    low: float
    high: float
    by_mechanism: dict[str, float]
    shares: dict[str, float]


def _kinematics(job: Job) -> Any:
    return (
        job.length_mm, job.acceleration_mm_per_s2, job.in_mm_per_s, job.peak_mm_per_s, job.out_mm_per_s, job.dwell_s,
    )  # fmt: skip


def follow(job: Job, machine: Machine, filament: Filament) -> Load:
    """Run the job through the chain at the central values.

    Parameters
    ----------
    job : Job
        The program as the feed path sees it, `(n_moves,)`.
    machine, filament
        The records.

    Returns
    -------
    Load
        Per move; volume fed, delivered and stored balance to rounding.
    """
    theta = chain.central(machine, filament)
    law = np.log(np.stack([chain.free_pressure_mpa(np.exp(_LOG_FLOW), c, theta) for c in job.nozzle_c]))
    p0 = law[:, 0].copy()
    p_step = (law[:, -1] - p0) / (4 * _LOG_FLOW.size - 1)
    grid = p0[:, None] + p_step[:, None] * np.arange(4 * _LOG_FLOW.size)
    inverse = np.stack([np.interp(x, row, _LOG_FLOW) for x, row in zip(grid, law, strict=True)])
    area = np.pi * theta["diameter_mm"] ** 2 / 4
    ratio = chain.dam_ratio(job.width_mm, _bounded(job.gap_mm), theta).astype(np.float32)
    pressure, end, flow, delivered, fed, stored = push_along(  # type: ignore[call-arg]
        *_kinematics(job), job.filament_mm * area, job.advance_s, job.heat, ratio, _LOG_FLOW[0],
        _LOG_FLOW[1] - _LOG_FLOW[0], law, p0, p_step, inverse, float(chain.compliance(machine, theta)),
    )  # fmt: skip
    # margins depend on pressure, flow and temperature alone: a fine table per temperature, read by interpolation
    push = np.zeros_like(pressure)
    least = np.full_like(pressure, np.inf)
    which = np.zeros(pressure.size, dtype=np.uint8)
    top = max(float(pressure.max(initial=0.0)), 1e-3)
    table = np.geomspace(top * 1e-5, top * 1.001, 2000)
    step = np.log(table[1] / table[0])
    index = np.log(np.maximum(pressure, table[0]) / np.float32(table[0])) / np.float32(step)
    index = np.minimum(np.rint(index).astype(np.int32), table.size - 1)
    for h, c in enumerate(job.nozzle_c):
        m, cap, at_drive = chain.margins(machine, theta, pressure_mpa=table, flow_mm3_per_s=1.0, nozzle_c=float(c))
        names = [k for k in m if k != "starve"]
        stack = np.vstack([m[k] for k in names])
        best, code = stack.min(axis=0), np.array([chain.MECHANISMS.index(k) for k in names])[stack.argmin(axis=0)]
        here = slice(None) if job.nozzle_c.size == 1 else job.heat == h
        at = index[here]
        push[here] = at_drive.astype(np.float32)[at]
        least[here] = best.astype(np.float32)[at]
        which[here] = code.astype(np.uint8)[at]
        starve = np.float32(cap["starve"]) / np.maximum(flow[here], np.float32(1e-9))
        worse = starve < least[here]
        which[here] = np.where(worse, chain.MECHANISMS.index("starve"), which[here])
        np.minimum(least[here], starve, out=starve)
        least[here] = starve
    capacity = _capacity(push, table, least, which)
    starved = which == chain.MECHANISMS.index("starve")
    which[(ratio >= DAM_RATIO) & ~starved] = chain.MECHANISMS.index("dam")
    return Load(pressure, end, flow, push, capacity, least, which, ratio, delivered, fed, stored)


def _capacity(push: Any, table: Any, least: Any, which: Any) -> Any:
    """Push at the drive times margin; where the guide has locked nothing finite can be said."""
    with np.errstate(invalid="ignore"):
        capacity = np.where(np.isfinite(push), push * least, np.nan)
    return capacity.astype(np.float32)


def _bounded(gap_mm: Any) -> Any:
    """A gap thinner than 0.03 mm is a nozzle on the bed; the slit has no meaning there."""
    return np.maximum(gap_mm, 0.03)


@dataclass(frozen=True)
class Envelope:
    """Operating groups that no other group outdoes: `(g,)`, and their largest smoothed flow `(g, n_tau)`."""

    nozzle_c: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    gap_mm: NDArray[np.float64]
    first_layer: NDArray[np.bool_]
    flow_mm3_per_s: NDArray[np.float64]


def envelope(job: Job, diameter_mm: float) -> Envelope:
    """Gather the moves into operating groups and find the largest smoothed flow of each.

    Groups share temperature, first layer or not, gap within 5 % and width within 10 %; a group stands at its smallest
    gap and width. One that another group outdoes in flow and squeeze at the same temperature is left out.
    """
    squeezed = np.isfinite(job.gap_mm) & (job.filament_mm > 0)
    with np.errstate(divide="ignore"):
        gap_bin = np.where(squeezed, np.rint(np.log(np.maximum(job.gap_mm, 0.01)) / 0.05) + 200, 0).astype(np.int64)
        width_bin = np.where(squeezed, np.rint(np.log(np.maximum(job.width_mm, 0.01)) / 0.1) + 100, 0)
    gap_bin, width_bin = np.clip(gap_bin, 0, 399), np.clip(width_bin.astype(np.int64), 0, 199)
    code = ((job.heat.astype(np.int64) * 2 + (job.first_layer & squeezed)) * 400 + gap_bin) * 200 + width_bin
    present = np.flatnonzero(np.bincount(code))
    index = np.zeros(int(present[-1]) + 1 if present.size else 1, dtype=np.int32)
    index[present] = np.arange(present.size)
    group = index[code]
    gap, width = np.full(present.size, np.inf), np.full(present.size, np.inf)
    np.minimum.at(gap, group[squeezed], job.gap_mm[squeezed])
    np.minimum.at(width, group[squeezed], job.width_mm[squeezed])
    width[~np.isfinite(width)] = 1.0
    heat, first = present // (2 * 400 * 200), (present // (400 * 200)) % 2 == 1
    area = np.pi * diameter_mm**2 / 4
    flow = smoothed_peak(  # type: ignore[call-arg]
        *_kinematics(job), job.filament_mm * area, job.advance_s, group, present.size, _TAU_S
    )
    keep = []
    for i in range(present.size):
        if flow[i].max() <= 0:
            continue
        outdone = (
            (heat == heat[i])
            & ((first == first[i]) | (first & ~first[i]) | ~np.isfinite(gap[i]))
            & (gap <= gap[i])
            & ((width <= width[i]) | ~np.isfinite(gap[i]))
            & (flow >= flow[i]).all(axis=1)
        )
        outdone[i] = False
        twin = outdone & (gap == gap[i]) & (width == width[i]) & (first == first[i]) & (flow == flow[i]).all(axis=1)
        if (outdone & ~(twin & (np.arange(present.size) > i))).any():
            continue
        keep.append(i)
    # what is left beyond a bound is dropped from the end that squeezes and flows least
    keep = sorted(keep, key=lambda i: -float(flow[i].max() / min(gap[i], 1.0)))[:_MOST_GROUPS]
    return Envelope(job.nozzle_c[heat[keep]], width[keep], gap[keep], first[keep], flow[keep])


def log_margins(
    job: Envelope, machine: Machine, theta: dict[str, Any], bed_shift_mm: Any, scale: float
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """Least margin of each mechanism over the envelope: `(n_samples,)` by name, and the push there. [-, N]"""
    store = chain.compliance(machine, theta)
    least: dict[str, Any] = {}
    most: Any = 0.0
    log_tau = np.log(_TAU_S)
    for g in range(job.nozzle_c.size):
        curve = job.flow_mm3_per_s[g] * scale
        gap = _bounded(job.gap_mm[g] - (bed_shift_mm if job.first_layer[g] else 0.0))
        celsius, ratio = float(job.nozzle_c[g]), chain.dam_ratio(job.width_mm[g], gap, theta)
        flow = np.full_like(np.asarray(store, dtype=float), curve.max())
        for _ in range(4):  # lag and flow depend on one another; a few passes settle it
            p = ratio * chain.free_pressure_mpa(flow, celsius, theta)
            tau = np.clip(store * theta["flow_index"] * p / np.maximum(flow, 1e-9), _TAU_S[0], _TAU_S[-1])
            # slowing the program by `scale` stretches its time, so the lag looks shorter by the same factor
            flow = np.interp(np.log(tau * scale), log_tau, curve)
        p = ratio * chain.free_pressure_mpa(flow, celsius, theta)
        m, _, push = chain.margins(machine, theta, pressure_mpa=p, flow_mm3_per_s=flow, nozzle_c=celsius)
        most = np.maximum(most, push)
        dammed = ratio >= DAM_RATIO
        for name, values in m.items():
            if name == "starve":
                least[name] = np.minimum(least.get(name, np.inf), values)
                continue
            least[name] = np.minimum(least.get(name, np.inf), np.where(dammed, np.inf, values))
            least["dam"] = np.minimum(least.get("dam", np.inf), np.where(dammed, values, np.inf))
    shape = np.broadcast(np.asarray(most), np.asarray(store)).shape
    flat = {k: np.broadcast_to(v, shape).reshape(-1) for k, v in least.items()}
    return flat, np.broadcast_to(most, shape).reshape(-1)


def jam_risk(
    job: Job | Envelope, machine: Machine, filament: Filament, *, scale: float = 1.0, n: int = 1000, seed: int = 7
) -> Risk:
    """Chance that the job jams.

    Parameters
    ----------
    job : Job or Envelope
        The program as the feed path sees it, or its envelope where that is at hand.
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
    at = job if isinstance(job, Envelope) else envelope(job, filament.diameter_mm.value)
    by_name, _ = log_margins(at, machine, theta, BED_ERROR_MM * bed[:, None], scale)
    if not by_name:
        return Risk(0.0, 0.0, 0.0, {}, {})
    order = list(by_name)
    stack = np.log(np.clip(np.vstack([by_name[k] for k in order]), 1e-6, 1e6))
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


def speed_that_meets(job: Job | Envelope, machine: Machine, filament: Filament, target: float) -> float | None:
    """Largest speed, relative to the one written, at which the chance of a jam meets the target.

    Parameters
    ----------
    job : Job or Envelope
        The program as the feed path sees it, or its envelope.
    machine, filament
        The records.
    target : float
        Chance of a jam to stay under. [-]

    Returns
    -------
    float or None
        Found within 2 %; None where even `SLOWEST` is too fast. [-]
    """
    at = job if isinstance(job, Envelope) else envelope(job, filament.diameter_mm.value)

    def meets(scale: float) -> bool:
        return jam_risk(at, machine, filament, scale=scale, n=1000).probability <= target

    if meets(1.0):
        return 1.0
    low, high = SLOWEST, 1.0
    if not meets(low):
        return None
    while high / low > 1.02:
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if meets(middle) else (low, middle)
    return low
