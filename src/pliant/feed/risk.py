"""The chance of a jam under ignorance: draws of the unknowns over the program's envelope.

Searches share one set of draws, so that what they compare differs by nothing else. What is stated to the user comes
from fresh ones (`stated_risk`), with its own error; a search aims a little below its target, so that the statement
meets it.
"""

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats, Number
from pliant.constants import FEEDS_BELOW
from pliant.feed import chain
from pliant.feed.by_layer import Parts
from pliant.feed.draws import Draws, tail_draws
from pliant.feed.envelope import Envelope, envelope
from pliant.feed.load import DAM_RATIO, Course, bounded_gap_mm
from pliant.records.filament import Filament
from pliant.records.findings import least_chance
from pliant.records.machine import Machine
from pliant.sampling import slopes
from pliant.search import last_that_holds

__all__ = [
    "AIM", "BED_ERROR_MM", "SLOWEST", "USEFUL_MM_PER_S",
    "Risk", "jam_risk", "log_least", "log_margins", "part_margins", "speed_that_meets",
    "stated_risk", "verdict_of",
]  # fmt: skip

BED_ERROR_MM = 0.05  # [mm] standard deviation of the first layer's gap; common practice, no source
USEFUL_MM_PER_S = 3.0  # [mm/s] slower, a part of 10 cm3 takes half a day and more: our choice, not physics
SLOWEST = 0.1  # [-] a job that takes ten times as long is no answer: our choice, not physics
AIM = 0.9  # [-] of the target, for searches: their draws and those of the statement differ by a twentieth, or two
_JAMS_ABOVE = 0.5  # [-] more likely to jam than not
_LEVELLING = "bed_error_mm"
_FRESH, _EACH = 8, 1000  # sets of draws of a statement, and draws in each


@dataclass(frozen=True)
class Risk:
    """Chance of a jam with its standard error, by mechanism, and what drives it."""

    probability: float
    error: float  # standard error of the chance: of the draws, not of what is unknown
    by_mechanism: dict[str, float]
    shares: dict[str, float]  # of what measuring removes, the largest first
    levelling_share: float = 0.0  # of the same variance: what is drawn anew with each levelling of the bed
    parts: Parts | None = None  # margins of the draws of a statement, for where along the job it jams
    without: dict[str, float] = field(default_factory=dict)  # the chance without a witness, by its name
    effective: float = 0.0  # draws of a statement that count, where there are witnesses


def log_margins(
    course: Envelope, machine: Machine, theta: dict[str, Any], bed_shift_mm: Number, scale: float
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """Least margin of each mechanism over the envelope: `(n_samples,)` by name, and the push there. [-, N]"""
    parts, most = part_margins(course, machine, theta, bed_shift_mm, scale)
    return _least_of(parts), most


def _least_of(parts: dict[bool, dict[str, NDArray[np.float64]]]) -> dict[str, NDArray[np.float64]]:
    least: dict[str, NDArray[np.float64]] = {}
    for found in parts.values():
        for name, values in found.items():
            least[name] = np.minimum(least[name], values) if name in least else values
    return least


def part_margins(
    course: Envelope, machine: Machine, theta: dict[str, Any], bed_shift_mm: Number, scale: float
) -> tuple[dict[bool, dict[str, NDArray[np.float64]]], NDArray[np.float64]]:
    """The same for the first layer's beads and for the rest, by whether it is the first."""
    store, unit = chain.compliance(machine, theta), chain.unit_drop_mpa(theta)
    pressed: dict[tuple[bool, bool], Any] = {}  # by first layer or not, dammed or not
    until: dict[bool, float] = {}
    starve: dict[bool, Any] = {}
    limits = {c: chain.melt_limit_mm3_per_s(c, theta) for c in np.unique(course.nozzle_c).tolist()}
    for g in range(course.nozzle_c.size):
        first, celsius = bool(course.first_layer[g]), float(course.nozzle_c[g])
        gap = bounded_gap_mm(course.gap_mm[g] - (bed_shift_mm if first else 0.0))
        ratio = chain.dam_ratio(course.width_mm[g], gap, theta, bounded_gap_mm(course.gap_mm[g]), unit)
        flow = course.settled_mm3_per_s(g, scale, store * ratio * unit, celsius, theta)
        pressure = ratio * chain.free_pressure_mpa(flow, celsius, theta, unit)
        starve[first] = np.minimum(starve.get(first, np.inf), limits[celsius] / np.maximum(flow, 1e-9))
        until[first] = max(until.get(first, 0.0), float(course.end_s[g]))
        for is_dam in (False, True):
            here = np.where((ratio >= DAM_RATIO) == is_dam, pressure, 0.0)
            pressed[first, is_dam] = np.maximum(pressed.get((first, is_dam), 0.0), here)
    if not course.nozzle_c.size:
        return {}, np.zeros(np.size(store))
    # every margin of the push falls as the pressure rises and the drive warms: of each kind of place the greatest
    # pressure decides, at the end of the job or of its first layer
    least: dict[bool, dict[str, Any]] = {first: {"starve": values} for first, values in starve.items()}
    most: Any = 0.0
    for (first, is_dam), pressure in pressed.items():
        if not np.any(pressure > 0):
            continue
        found, _, push = chain.push_margins(machine, chain.after(theta, until[first] / scale), pressure)
        most = np.maximum(most, push)
        for name, values in found.items():
            here, key = np.where(pressure > 0, values, np.inf), "dam" if is_dam else name
            least[first][key] = np.minimum(least[first].get(key, np.inf), here)
    shape = np.broadcast(np.asarray(most), np.asarray(store)).shape
    flat = {
        first: {k: np.broadcast_to(v, shape).reshape(-1) for k, v in found.items()} for first, found in least.items()
    }
    return flat, np.broadcast_to(most, shape).reshape(-1)


def log_least(by_name: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Logarithm of the least of the margins of all mechanisms, `(n_samples,)`. [-]"""
    return np.asarray(np.log(np.clip(np.minimum.reduce(list(by_name.values())), 1e-6, 1e6)))


def jam_risk(
    course: Course | Envelope,
    machine: Machine,
    filament: Filament,
    *,
    scale: float = 1.0,
    n: int = 2000,
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
    n : int, default 2000
        Samples.
    seed : int, default 7
        Seed of the hypercube, so that a result can be repeated.
    shares : bool, default True
        Whether to work out what each unknown contributes; searches leave it out.

    Returns
    -------
    Risk
        The mean chance (a job-to-job scatter of factor 1.1 inside); the mechanism that would fail first; and each
        unknown's share of the variance of the log margin.
    """
    at = course if isinstance(course, Envelope) else envelope(course, machine, filament)
    return _risk(at, machine, filament, tail_draws(machine, filament, n, seed), scale, shares)


def stated_risk(course: Course | Envelope, machine: Machine, filament: Filament, *, shares: bool = True) -> Risk:
    """The chance of a jam as it is told, from draws that no search has seen.

    Parameters
    ----------
    course : Course or Envelope
        The program as the feed path sees it, or its envelope.
    machine, filament
        The records.
    shares : bool, default True
        Whether to work out what each unknown contributes.

    Returns
    -------
    Risk
        Mean over sets of draws; the error from how far the sets differ.
    """
    at = course if isinstance(course, Envelope) else envelope(course, machine, filament)
    sets = [
        _risk(at, machine, filament, tail_draws(machine, filament, _EACH, 1000 + k), 1.0, False) for k in range(_FRESH)
    ]
    doubt = jam_risk(at, machine, filament) if shares else Risk(0.0, 0.0, {}, {})  # of what is unknown, not of the tail
    chances = np.array([s.probability for s in sets])
    names = {name for s in sets for name in s.by_mechanism}
    by_mechanism = {k: float(np.mean([s.by_mechanism.get(k, 0.0) for s in sets])) for k in sorted(names)}
    error = float(chances.std(ddof=1) / np.sqrt(_FRESH))
    parts = [s.parts for s in sets if s.parts is not None]
    whole = Parts(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Parts))) if parts else None
    without = {k: float(np.mean([s.without[k] for s in sets])) for k in sets[0].without}
    return Risk(
        float(chances.mean()), error, by_mechanism, doubt.shares, doubt.levelling_share, whole, without,
        sum(s.effective for s in sets),
    )  # fmt: skip


def verdict_of(probability: float, error: float) -> str:
    """Say in a word what a chance of a jam with its standard error means: `feeds`, `marginal` or `jams`."""
    if least_chance(probability, error) <= FEEDS_BELOW:
        return "feeds"
    return "jams" if probability > _JAMS_ABOVE else "marginal"


def _risk(at: Envelope, machine: Machine, filament: Filament, draws: Draws, scale: float, shares: bool) -> Risk:
    by_part, _ = part_margins(at, machine, draws.theta, BED_ERROR_MM * draws.bed, scale)
    by_name = _least_of(by_part)
    if not by_name:
        return Risk(0.0, 0.0, {}, {})
    order, least = list(by_name), log_least(by_name)
    chance = draws.weight * at.passage.chance(least)
    first = chain.cause_of(order, np.vstack([by_name[k] for k in order]))
    by_mechanism = {k: float(chance[first == i].sum() / chance.size) for i, k in enumerate(order)}
    without = {k: float(np.mean(weight * at.passage.chance(least))) for k, weight in draws.without.items()}
    plain = draws.plain
    scores = np.column_stack([draws.scores, draws.bed])[plain]
    part = _shares(scores, least[plain], [*draws.names, _LEVELLING]) if shares else {}
    never = np.full(chance.size, np.log(1e6))
    first_, rest = (log_least(by_part[key]) if key in by_part else never for key in (True, False))
    parts = Parts(first_, rest, draws.weight)
    return Risk(
        min(float(chance.mean()), 1.0), float(chance.std() / np.sqrt(chance.size)), by_mechanism,
        {name: share for name, share in part.items() if name != _LEVELLING}, part.get(_LEVELLING, 0.0), parts,
        without, draws.effective,
    )  # fmt: skip


def _shares(scores: Floats, log_margin: Floats, names: list[str]) -> dict[str, float]:
    """Share of the variance of the log margin that each unknown brings, by a linear fit to its normal score.

    Unknowns that hang together share what they bring: slope times covariance, which for independent ones is the same
    as slope squared times variance.
    """
    y = np.clip(log_margin, -5, 5)
    together = (scores - scores.mean(axis=0)).T @ (y - y.mean()) / y.size
    part = np.maximum(slopes(scores, y) * together, 0.0) / max(float(y.var()), 1e-12)
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
        Found within 2 %; None where even `SLOWEST` is too fast. [-]
    """
    at = course if isinstance(course, Envelope) else envelope(course, machine, filament)

    def chance(scale: float) -> float:
        return jam_risk(at, machine, filament, scale=scale, shares=False).probability

    if (as_written := chance(1.0)) <= AIM * target:
        return 1.0
    if (slowest := chance(SLOWEST)) > AIM * target:
        return None
    return last_that_holds(chance, AIM * target, SLOWEST, slowest, 1.0, as_written, 1.02)
