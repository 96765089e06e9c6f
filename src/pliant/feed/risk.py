"""The chance of a jam under ignorance: samples of the unknowns over the program's envelope."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.envelope import Envelope, envelope
from pliant.feed.load import DAM_RATIO, Course, bounded_gap_mm
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = [
    "BED_ERROR_MM", "JOB_SCATTER", "USEFUL_MM_PER_S",
    "Risk", "jam_risk", "log_margins", "speed_that_meets",
]  # fmt: skip

BED_ERROR_MM = 0.05  # [mm] standard deviation of the first layer's gap; common practice, no source
USEFUL_MM_PER_S = 3.0  # [mm/s] slower, a part of 10 cm3 takes half a day and more: our choice, not physics
_SLOWEST = 0.1  # [-] a job that takes ten times as long is no answer: our choice, not physics
JOB_SCATTER = 1.1  # [-] multiplicative spread from job to job that no measurement removes; from memory


@dataclass(frozen=True)
class Risk:
    """Chance of a jam, its 90 % band over what could be learned, by mechanism, and what drives it."""

    probability: float
    low: float
    high: float
    by_mechanism: dict[str, float]
    shares: dict[str, float]


def log_margins(
    course: Envelope, machine: Machine, theta: dict[str, Any], bed_shift_mm: Any, scale: float
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """Least margin of each mechanism over the envelope: `(n_samples,)` by name, and the push there. [-, N]"""
    store = chain.compliance(machine, theta)
    least: dict[str, Any] = {}
    most: Any = 0.0
    for g in range(course.nozzle_c.size):
        gap = bounded_gap_mm(course.gap_mm[g] - (bed_shift_mm if course.first_layer[g] else 0.0))
        celsius, ratio = (
            float(course.nozzle_c[g]),
            chain.dam_ratio(course.width_mm[g], gap, theta, bounded_gap_mm(course.gap_mm[g])),
        )
        flow = course.settled_mm3_per_s(g, scale, store, celsius, ratio, theta)
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
    course: Course | Envelope,
    machine: Machine,
    filament: Filament,
    *,
    scale: float = 1.0,
    n: int = 1000,
    seed: int = 7,
    shares: bool = True,
) -> Risk:
    """Chance that the job jams.

    Parameters
    ----------
    course : Course or Envelope
        The program as the feed path sees it, or its envelope where that is at hand.
    machine, filament
        The records; their spreads are the ignorance that is carried.
    scale : float, default 1.0
        Speed of the whole program relative to the one written. [-]
    n : int, default 1000
        Samples.
    seed : int, default 7
        Seed of the hypercube, so that a result can be repeated.
    shares : bool, default True
        Whether to work out what each unknown contributes; searches leave it out.

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
    at = course if isinstance(course, Envelope) else envelope(course, machine, filament)
    by_name, _ = log_margins(at, machine, theta, BED_ERROR_MM * bed[:, None], scale)
    if not by_name:
        return Risk(0.0, 0.0, 0.0, {}, {})
    order = list(by_name)
    margin = np.vstack([by_name[k] for k in order])
    stack = np.log(np.clip(margin, 1e-6, 1e6))
    least = stack.min(axis=0)
    chance = ndtr(-least / np.log(JOB_SCATTER))
    first = chain.cause_of(order, margin)
    by_mechanism = {k: float(chance[first == i].sum() / n) for i, k in enumerate(order)}
    part = _shares(np.column_stack([scores, bed]), least, [*names, "bed_error_mm"]) if shares else {}
    low, high = np.quantile(chance, [0.05, 0.95])
    mean = float(chance.mean())
    return Risk(mean, min(float(low), mean), max(float(high), mean), by_mechanism, part)


def _shares(scores: Any, log_margin: Any, names: list[str]) -> dict[str, float]:
    """Share of the variance of the log margin that each unknown brings, by a linear fit to its normal score.

    Unknowns that hang together share what they bring: slope times covariance, which for independent ones is the same
    as slope squared times variance.
    """
    y = np.clip(log_margin, -5, 5)
    slope, *_ = np.linalg.lstsq(np.column_stack([np.ones(y.size), scores]), y, rcond=None)
    together = (scores - scores.mean(axis=0)).T @ (y - y.mean()) / y.size
    part = np.maximum(slope[1:] * together, 0.0) / max(float(y.var()), 1e-12)
    return dict(sorted(zip(names, part.tolist(), strict=True), key=lambda kv: -kv[1]))


def speed_that_meets(course: Course | Envelope, machine: Machine, filament: Filament, target: float) -> float | None:
    """Largest speed, relative to the one written, at which the chance of a jam meets the target.

    Parameters
    ----------
    course : Course or Envelope
        The program as the feed path sees it, or its envelope.
    machine, filament
        The records.
    target : float
        Chance of a jam to stay under. [-]

    Returns
    -------
    float or None
        Found within 2 %; None where even `_SLOWEST` is too fast. [-]
    """
    at = course if isinstance(course, Envelope) else envelope(course, machine, filament)

    def meets(scale: float) -> bool:
        return jam_risk(at, machine, filament, scale=scale, shares=False).probability <= target

    if meets(1.0):
        return 1.0
    low, high = _SLOWEST, 1.0
    if not meets(low):
        return None
    while high / low > 1.02:
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if meets(middle) else (low, middle)
    return low
