"""How a run is begun and ended: the charge before it, the feed of its first and last stretches, the draw-back after it.

The nozzle leaks while it is charged, and the axes gain speed while the melt flows already: a full charge makes a knob.
So a part of the charge is given on the way. How much, and how fast, is tried out on a straight run with the store's
own law, for the least error of the bead; what is found is a share of the store, and serves all runs alike.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pliant.arrays import Floats
from pliant.feed.along import CELL_MM
from pliant.kernels.bead import bead_along, count_cells
from pliant.kernels.load import Fed

__all__ = ["MOST_FACTOR", "STRETCH_S", "Drive", "Profile", "errors_with", "profile_for", "pull_s"]

STRETCH_S = 0.04  # [s] shortest stretch that is planned, so that a controller's queue of lines is never starved
MOST_FACTOR = 20.0  # [-] of the filament that a stretch would be fed, forward or back: our choice
_HARDLY = 0.1
_FACTORS = (1.5, 2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0, 20.0)
_LEAST_CHARGE = 0.1  # [-] of the store, given before the first bead
_RUN_MM = 40.0  # of the run that is tried; a shorter one is tried at its own length
_LOOK_MM = 20.0  # in which a start shows
_WORST = 0.2  # [-] what the worst millimetre counts beside the mean error: our choice
_GRAIN = 0.1  # [-] runs whose figures differ by less are begun alike


@dataclass(frozen=True)
class Drive:
    """What the drive may do: filament alone, and steps of its speed under way."""

    speed_mm_per_s: float
    acceleration_mm_per_s2: float
    step_mm_per_s: float  # between neighbouring stretches


@dataclass(frozen=True)
class Profile:
    """The start and the end of a run; charge and draw-back as shares of what the run stores."""

    charge: float  # before the first bead
    begin: tuple[tuple[float, float], ...]  # stretches: time at full speed, share of the store that is given more
    end: tuple[tuple[float, float], ...]  # likewise, the last one last; below 0 it is fed less


def pull_s(filament_mm: float, drive: Drive) -> float:
    """Time that a move of filament alone takes. [mm -> s]"""
    v, a = drive.speed_mm_per_s, drive.acceleration_mm_per_s2
    if filament_mm < v * v / a:
        return 2 * math.sqrt(max(filament_mm, 0.0) / a)
    return filament_mm / v + v / a


def profile_for(
    flow_mm3_per_s: float, speed_mm_per_s: float, store_mm3: float, index: float, length_mm: float, area_mm2: float,
    acceleration_mm_per_s2: float, drive: Drive,
) -> Profile:  # fmt: skip
    """Begin and end a run for the least error of its bead.

    Parameters
    ----------
    flow_mm3_per_s, speed_mm_per_s, store_mm3 : float
        Of the run at its level; what is stored at that flow. [mm3/s, mm/s, mm3]
    index : float
        Of the store's law. [-]
    length_mm, area_mm2 : float
        Of the run; of the filament. [mm, mm2]
    acceleration_mm_per_s2 : float
        Of the axes. [mm/s2]
    drive : Drive
        What it may.

    Returns
    -------
    Profile
        The same for runs that differ by less than a tenth.
    """

    def rough(value: float) -> float:
        return float(np.exp(np.rint(np.log(max(value, 1e-6)) / _GRAIN) * _GRAIN))

    length = _RUN_MM if length_mm >= _RUN_MM else max(rough(length_mm), 0.5)
    return _found(
        rough(flow_mm3_per_s), rough(speed_mm_per_s), rough(store_mm3), round(index, 2), length, round(area_mm2, 3),
        rough(acceleration_mm_per_s2), drive,
    )  # fmt: skip


def errors_with(
    planned: tuple[float, float], true: tuple[Floats, Floats], *, flow_mm3_per_s: float, speed_mm_per_s: float,
    area_mm2: float, acceleration_mm_per_s2: float, drive: Drive,
) -> Floats:  # fmt: skip
    """Error of a bead that is planned with one store where another is true.

    Parameters
    ----------
    planned : tuple of float
        Volume stored at 1 mm3/s, and index, that the plan is made with. [mm3, -]
    true : tuple of ndarray
        The same as they may be, `(n,)` each.
    flow_mm3_per_s, speed_mm_per_s : float
        Of the bead, a straight one of 40 mm. [mm3/s, mm/s]
    area_mm2, acceleration_mm_per_s2 : float
        Of the filament; of the axes. [mm2, mm/s2]
    drive : Drive
        What it may.

    Returns
    -------
    ndarray
        Root mean square over the length, `(n,)`. [-]
    """
    s1, n = planned
    store = s1 * flow_mm3_per_s**n
    profile = profile_for(
        flow_mm3_per_s, speed_mm_per_s, store, n, _RUN_MM, area_mm2, acceleration_mm_per_s2, drive
    )  # fmt: skip
    run = _Run(flow_mm3_per_s, speed_mm_per_s, store, n, _RUN_MM, area_mm2, acceleration_mm_per_s2, drive)
    found = []
    for at_one, index in zip(true[0].tolist(), true[1].tolist(), strict=True):
        run.at_one, run.index = at_one, index
        error, way = run.error(profile)
        found.append(float(np.sqrt((way * error**2).sum() / way.sum())))
    return np.array(found)


class _Run:
    """A straight run that is begun and ended in some way, and its bead."""

    def __init__(
        self, flow: float, speed: float, store: float, index: float, length: float, area: float, accel: float,
        drive: Drive,
    ) -> None:  # fmt: skip
        self.per_mm, self.v, self.store, self.index = flow / speed, speed, store, index
        self.length, self.area, self.accel, self.drive = length, area, accel, drive
        self.at_one = store / flow**index

    def most_factor(self) -> float:
        """Largest share of its own feed that a stretch may be fed: the drive's speed, and no flood. [-]"""
        return float(min(MOST_FACTOR, self.drive.speed_mm_per_s * self.area / (self.per_mm * self.v)))

    def down(self, most: float, seconds: float) -> tuple[tuple[float, float], ...]:
        """Stretches from the largest feed down to the run's own, by what the drive's speed may step. [-, s]"""
        own, found, factor = self.per_mm * self.v / self.store, [], most
        while factor > 1 + 1e-9:
            found.append((seconds, (factor - 1) * own * seconds))
            factor, seconds = factor - self._step(), STRETCH_S
        return tuple(found)

    def back(self, before_s: float, least: float, last_s: float) -> tuple[tuple[float, float], ...]:
        """Stretches at the end: one that is hardly fed, then ever more drawn back on the way. [s, -, s]"""
        own, found, factor = self.per_mm * self.v / self.store, [], 1.0
        if before_s > 0:
            factor = max(_HARDLY, 1 - self._step())
            found.append((before_s, (factor - 1) * own * before_s))
        while factor > least + 1e-9:
            factor = max(factor - self._step(), least)
            seconds = STRETCH_S if factor > least + 1e-9 else last_s
            found.append((seconds, (factor - 1) * own * seconds))
        return tuple(found)

    def _step(self) -> float:
        """What the drive's speed may step, over the run's own feed. [-]"""
        return self.drive.step_mm_per_s * self.area / (self.per_mm * self.v)

    def factor(self, seconds: float, extra: float) -> float:
        """Feed of a stretch over what it would be, where a share of the store comes on top. [s, - -> -]"""
        return 1 + extra * self.store / (self.per_mm * self.v * seconds)

    def allowed(self, stretches: Sequence[tuple[float, float]]) -> bool:
        """Whether stretches lie within what may be asked, and within the run."""
        most, way = self.most_factor() + 1e-9, sum(s * self.v for s, _ in stretches)
        inside = all(-most <= self.factor(s, x) <= most for s, x in stretches)
        return inside and way <= 0.8 * self.length

    def error(self, profile: Profile) -> tuple[Floats, Floats]:
        """Error of the bead and length of its cells. [-, mm]"""
        begin, end = (
            [(s * self.v, self.factor(s, x)) for s, x in profile.begin],
            [(s * self.v, self.factor(s, x)) for s, x in profile.end],
        )
        rest = self.length - sum(s for s, _ in begin) - sum(s for s, _ in end)
        pieces = [*begin, (rest, 1.0), *end]
        back = profile.charge + sum(x for _, x in profile.begin) + sum(x for _, x in profile.end)
        n = len(pieces) + 3
        length, v_in, top, v_out, volume, asked = (np.zeros(n) for _ in range(6))
        goes = np.ones(n, dtype=np.bool_)
        accel = np.full(n, self.accel)
        for k, share in ((0, profile.charge), (n - 2, -back)):
            length[k] = abs(share) * self.store / self.area
            accel[k] = self.drive.acceleration_mm_per_s2
            top[k] = min(self.drive.speed_mm_per_s, math.sqrt(accel[k] * length[k]))
            volume[k], goes[k] = share * self.store, False
        way = 0.0
        for k, (piece, factor) in enumerate(pieces, 1):
            v_in[k] = min(self.v, math.sqrt(2 * self.accel * way))
            way += piece
            v_out[k] = min(self.v, math.sqrt(2 * self.accel * max(self.length - way, 0.0)))
            v_out[k] = min(v_out[k], math.sqrt(v_in[k] ** 2 + 2 * self.accel * piece))
            top[k] = min(self.v, math.sqrt(self.accel * piece + (v_in[k] ** 2 + v_out[k] ** 2) / 2))
            top[k] = max(top[k], v_in[k], v_out[k])
            length[k], asked[k] = piece, piece * self.per_mm
            volume[k] = asked[k] * factor
        length[-1], top[-1] = 10.0, 100.0
        fed = Fed(length, accel, v_in, top, v_out, np.zeros(n), volume, np.zeros(n))
        room = count_cells(length, asked, CELL_MM)
        found = bead_along(
            fed, goes, asked, np.ones(n), self.at_one, self.index, 0.0, 1.0, 0.0, CELL_MM, room
        )  # fmt: skip
        return found[4] / found[3] - 1, found[2].astype(np.float64)

    def cost(self, profile: Profile, *, at_end: bool = False) -> float:
        """What a profile costs: the mean error near the start or the end, and a part of the worst."""
        error, way = self.error(profile)
        if at_end:
            error, way = error[::-1], way[::-1]
        near = np.cumsum(way) - way < _LOOK_MM
        error, way = error[near], way[near]
        return float(np.sqrt((way * error**2).sum() / way.sum()) + _WORST * np.abs(error).max())


@lru_cache(maxsize=4096)
def _found(
    flow: float, speed: float, store: float, index: float, length: float, area: float, accel: float, drive: Drive
) -> Profile:
    run = _Run(flow, speed, store, index, length, area, accel, drive)
    ways: list[tuple[tuple[float, float], ...]] = [()]
    for most in _FACTORS:
        ways += [run.down(min(most, run.most_factor()), first * STRETCH_S) for first in (1.0, 2.0, 3.0)]
    best, least = Profile(1.0, (), ()), math.inf
    for begin in dict.fromkeys(way for way in ways if run.allowed(way)):
        for whole in (0.7, 0.8, 0.88, 0.94, 1.0) if not begin else (0.94, 1.0):
            charge = whole - sum(x for _, x in begin)
            if charge < _LEAST_CHARGE:
                continue
            profile = Profile(charge, begin, ())
            if (cost := run.cost(profile)) < least:
                best, least = profile, cost
    found, least = best, run.cost(best, at_end=True)
    given = best.charge + sum(x for _, x in best.begin)
    depths = [f for f in (_HARDLY, -1.0, -2.5, -5.0, -8.0, -12.0, -16.0, -20.0) if f >= -run.most_factor()]
    for before in (0.0, 0.04, 0.1, 0.2, 0.3, 0.4):
        for depth in depths:
            for last in (1.0, 2.0):
                end = run.back(before, depth, last * STRETCH_S)
                if given + sum(x for _, x in end) <= 0 or not run.allowed(best.begin + end):
                    continue
                tried_end = Profile(best.charge, best.begin, end)
                if (cost := run.cost(tried_end, at_end=True)) < least:
                    found, least = tried_end, cost
    return found
