"""The optimiser: the speed and temperature of least time whose chance of a jam stays under the target.

All kinds of bead run at one flow, since a step of flow takes the lag to arrive; none runs faster than in the baseline.
The first layer, squeezed by an uneven bed, has a flow of its own and takes half of the target at most. Of temperatures
that save no more than 3 % of the time the coolest wins: hot melt oozes.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.feed.envelope import Envelope
from pliant.feed.risk import USEFUL_MM_PER_S, Risk, jam_risk, stated_risk
from pliant.models.bead import bead_area_mm2
from pliant.recipe.window import PART, At, Carry
from pliant.records.baseline import KINDS, Baseline
from pliant.records.filament import Filament
from pliant.records.limits import allowed_c
from pliant.records.machine import Machine

__all__ = [
    "SENSOR_C", "USEFUL_MM_PER_S", "Point", "areas_mm2", "baseline_point", "first_layer_at", "first_layer_flow",
    "flow_at_heights", "is_useful", "least_time", "risk_of", "round_down", "slowest", "temperatures_c",
]  # fmt: skip

SENSOR_C = 5.0  # [degC] sensor and melt differ by about this; common practice, no source
# share of the volume of a part of middling size, by kind of bead, and of its first layer: our own guess
_SHARE = {"sparse_inside": 0.35, "behind_outside": 0.2, "solid_layers": 0.2, "on_outside": 0.2, "over_air": 0.05}
_FIRST_SHARE = 0.05
_FIRST_RISK = 0.5  # [-] share of the target that the first layer may take; it is a small part of the time
_WORTH = 1.03  # [-] a hotter nozzle that saves less time than this is not worth its ooze: our choice
_FIRST_WIDER = 1.5  # [-] common practice, no source: first layer at 150 % width
_USEFUL_FIRST = 2.0  # [mm/s] a first layer slower than this is made thicker instead: our choice
_THICKEST = 0.75  # [-] layer height over nozzle; common practice, no source
_FLOW = (1e-3, 100.0)  # [mm3/s] where flows are looked for


@dataclass(frozen=True)
class Point:
    """An operating point of the whole recipe."""

    nozzle_c: float
    flow_mm3_per_s: float  # the level flow, before the baseline's own speeds limit a kind
    speed_mm_per_s: dict[str, float]
    first_speed_mm_per_s: float
    first_height_mm: float
    first_width_mm: float
    time_s_per_mm3: float

    @property
    def feeds(self) -> bool:
        """Whether any flow meets the target."""
        return self.flow_mm3_per_s > 0 and self.first_speed_mm_per_s > 0


def areas_mm2(baseline: Baseline, height_mm: float | None = None) -> dict[str, float]:
    """Section of each kind of bead. [mm2]"""
    h = baseline.layer_height_mm if height_mm is None else height_mm
    return {k: float(bead_area_mm2(max(baseline.width_mm[k], h), h)) for k in KINDS}


def temperatures_c(machine: Machine, filament: Filament, count: int = 9) -> NDArray[np.float64]:
    """Temperatures the optimiser may choose: sheet and liner, less what the sensor may be off. Empty: none. [degC]"""
    low, high = allowed_c(machine, filament)
    if low > high:
        return np.array([])
    top = max(low, high - SENSOR_C)
    return np.unique(np.rint(np.linspace(low, top, count)))


def baseline_point(baseline: Baseline) -> Point:
    """The baseline as it stands."""
    speed, first = dict(baseline.speed_mm_per_s), baseline.first_speed_mm_per_s
    area = areas_mm2(baseline)
    flow = max(speed[k] * area[k] for k in KINDS)
    time = sum(_SHARE[k] / (speed[k] * area[k]) for k in KINDS) * (1 - _FIRST_SHARE)
    time += _FIRST_SHARE / (first * float(bead_area_mm2(baseline.first_width_mm, baseline.first_height_mm)))
    return Point(
        baseline.nozzle_c, flow, speed, first, baseline.first_height_mm, baseline.first_width_mm, time
    )  # fmt: skip


def first_layer_at(baseline: Baseline, machine: Machine) -> tuple[float, float]:
    """Height and width of a soft first layer: full height, one and a half times as wide, under the face. [mm]"""
    height = max(baseline.layer_height_mm, baseline.first_height_mm)
    width = max(_FIRST_WIDER * baseline.width_mm["behind_outside"], baseline.first_width_mm)
    return height, round(max(min(width, machine.face_mm.value), baseline.width_mm["behind_outside"], height), 2)


def first_layer_flow(
    carried: Carry, nozzle_c: ArrayLike, height_mm: float, width_mm: float, target: float
) -> tuple[NDArray[np.float64], At]:
    """Largest flow of a first layer at each temperature `(k,)`. [degC, mm, mm, - -> mm3/s]"""
    at = carried.at(nozzle_c, width_mm, height_mm, first_layer=True)
    return _largest(lambda q: carried.chance(carried.least(q, at)), target, np.size(nozzle_c)), at


def least_time(carried: Carry, baseline: Baseline, target: float) -> Point:
    """Choose temperature and speeds together.

    Parameters
    ----------
    carried : Carry
        What the feed path carries.
    baseline : Baseline
        With its widths filled in; no speed rises above its own.
    target : float
        Chance of a jam to stay under. [-]

    Returns
    -------
    Point
        Of least time; `feeds` is false where no flow at any allowed temperature meets the target.
    """
    celsius = temperatures_c(carried.machine, carried.filament)
    height, width = first_layer_at(baseline, carried.machine)
    dead = Point(baseline.nozzle_c, 0.0, dict.fromkeys(KINDS, 0.0), 0.0, height, width, np.inf)
    if celsius.size == 0:
        return dead
    thickest = _THICKEST * carried.machine.nozzle_mm.value
    while True:  # a taller first layer dams less: taken only where the flat one would crawl
        first, at = first_layer_flow(carried, celsius, height, width, _FIRST_RISK * target)
        first_area = float(bead_area_mm2(width, height))
        if first.max() / first_area >= _USEFUL_FIRST or height + 0.025 > thickest:
            break
        height = round(height + 0.05, 3) if height + 0.05 <= thickest else round(thickest, 3)
        width = max(width, height)
    first = np.minimum(first, baseline.first_speed_mm_per_s * first_area)
    first_least = carried.least(np.maximum(first, _FLOW[0]), at)
    flow = _level_flow(carried, baseline, celsius, target, first_least)
    alive = (flow > 0) & (first > 0)
    if not alive.any():
        return replace(dead, first_height_mm=height, first_width_mm=width)
    points = []
    for c, q, q1 in zip(celsius[alive], flow[alive], first[alive], strict=True):
        points.append(_point(baseline, float(c), float(q), float(q1) / first_area, height, width))
    quick = min(p.time_s_per_mm3 for p in points)
    return next(p for p in points if p.time_s_per_mm3 <= _WORTH * quick)


def flow_at_heights(
    carried: Carry, baseline: Baseline, nozzle_c: float, heights_mm: ArrayLike, target: float
) -> NDArray[np.float64]:
    """Level flow at other layer heights, `(k,)`, at one temperature. [degC, mm, - -> mm3/s]"""
    out = []
    for h in np.atleast_1d(np.asarray(heights_mm, dtype=float)):
        narrow = max(min(baseline.width_mm.values()), float(h))
        at = carried.at([nozzle_c], narrow, h)
        out.append(float(_largest(lambda q, a=at: carried.chance(carried.least(q, a)), target, 1)[0]))
    return np.array(out)


def risk_of(
    point: Point, baseline: Baseline, machine: Machine, filament: Filament, *, shares: bool = True, stated: bool = False
) -> Risk:
    """Chance of a jam of the whole recipe at a point, by the machinery of `check`: as searches see it, or as stated."""
    area, height = areas_mm2(baseline), baseline.layer_height_mm
    flows = [point.speed_mm_per_s[k] * area[k] for k in KINDS]
    flows.append(point.first_speed_mm_per_s * float(bead_area_mm2(point.first_width_mm, point.first_height_mm)))
    widths = [*(baseline.width_mm[k] for k in KINDS), point.first_width_mm]
    gaps = [height, height, height, height, np.inf, point.first_height_mm]
    groups = Envelope.steady(flows, point.nozzle_c, widths, gaps, [False] * 5 + [True], passage=PART)
    chance_of = stated_risk if stated else jam_risk
    return chance_of(groups, machine, filament, shares=shares)


def is_useful(point: Point) -> bool:
    """Whether the point feeds, and not so slowly that it is no answer."""
    return point.feeds and min(point.speed_mm_per_s[k] for k in KINDS[:4]) >= USEFUL_MM_PER_S


def slowest(baseline: Baseline, machine: Machine, filament: Filament) -> Point:
    """The slowest point that would be of use, as hot as is allowed: what a refusal is measured by."""
    celsius = temperatures_c(machine, filament)
    height, width = first_layer_at(baseline, machine)
    speed = {k: min(USEFUL_MM_PER_S, v) for k, v in baseline.speed_mm_per_s.items()}
    hot = float(celsius[-1]) if celsius.size else allowed_c(machine, filament)[1]
    return _point(baseline, hot, 0.0, USEFUL_MM_PER_S / 2, height, width, speed)


def _point(
    baseline: Baseline, celsius: float, flow: float, first_speed: float, height: float, width: float,
    speed: dict[str, float] | None = None,
) -> Point:  # fmt: skip
    """Speeds as people set them, rounded down, and the time they take."""
    area = areas_mm2(baseline)
    speed = speed or {k: min(round_down(flow / area[k]), baseline.speed_mm_per_s[k]) for k in KINDS}
    first = min(round_down(first_speed), baseline.first_speed_mm_per_s)
    time = sum(_SHARE[k] / (speed[k] * area[k]) for k in KINDS) * (1 - _FIRST_SHARE)
    time += _FIRST_SHARE / (first * float(bead_area_mm2(width, height)))
    return Point(celsius, flow, speed, first, height, width, time)


def round_down(speed_mm_per_s: float) -> float:
    """Two digits, and half steps above ten: nobody sets more. [mm/s -> mm/s]"""
    step = 1.0 if speed_mm_per_s >= 20 else 0.5 if speed_mm_per_s >= 10 else 0.1 if speed_mm_per_s >= 1 else 0.01
    return max(round(float(np.floor(speed_mm_per_s / step + 1e-9) * step), 2), 0.01)


def _largest(chance: Any, target: Any, count: int) -> NDArray[np.float64]:
    """Largest flow `(k,)` whose chance `(k,)` meets the target; 0 where none does."""
    low, high = np.full(count, np.log(_FLOW[0])), np.full(count, np.log(_FLOW[1]))
    hopeless = chance(np.exp(low)) > target
    for _ in range(16):
        middle = (low + high) / 2
        meets = chance(np.exp(middle)) <= target
        low, high = np.where(meets, middle, low), np.where(meets, high, middle)
    return np.where(hopeless, 0.0, np.exp(low))


def _level_flow(
    carried: Carry, baseline: Baseline, celsius: NDArray[np.float64], target: float, first_least: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Largest flow common to all kinds at each temperature, the first layer running beside it."""
    area, height = areas_mm2(baseline), baseline.layer_height_mm
    most: dict[float, float] = {}  # kinds of one width differ only in the largest flow that the baseline lets them have
    for k in KINDS[:4]:
        width = baseline.width_mm[k]
        most[width] = max(most.get(width, 0.0), baseline.speed_mm_per_s[k] * area[k])
    most[np.inf] = baseline.speed_mm_per_s["over_air"] * area["over_air"]
    at = {
        w: carried.at(celsius, 1.0, np.inf) if np.isinf(w) else carried.at(celsius, max(w, height), height)
        for w in most
    }

    def chance(flow: Any) -> Any:
        least = first_least
        for w, top in most.items():
            least = np.minimum(least, carried.least(np.minimum(flow, top), at[w]))
        return carried.chance(least)

    return np.minimum(_largest(chance, target, celsius.size), max(most.values()))
