"""Flow: slow the beads just enough that the job feeds, each operating group to its own limit, and no further.

A bead's speed is its group's flow cap over its section, so the flow is level across runs of different width. What the
lag forgives (runs that end before the pressure has built up) is given back by raising all caps together until the
chance of a jam reaches the target again. No speed ever rises above the one written.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pliant.feed.caps import flow_caps
from pliant.feed.envelope import Groups, envelope
from pliant.feed.load import Course
from pliant.feed.risk import AIM, USEFUL_MM_PER_S, jam_risk
from pliant.job.job import Job
from pliant.kernels.level import level_stretches
from pliant.records.mending import Change
from pliant.records.program import BEAD, PRIME, Program
from pliant.say import quantity
from pliant.search import last_that_holds

__all__ = ["FlowPlan", "capped_speed", "plan_flow", "slowed_changes"]

_SAME_SPEED = 1.03  # [-] speeds of one stretch differ by less
_LEAST_RISE, _MOST_RISE = 1 / 8, 4.0
_LEAST_FEED_MM_PER_S = 0.2  # of filament alone; our choice, as USEFUL_MM_PER_S is
_CLOSE = 1.01  # [-] the common factor on all caps is found within this
_REFINE_MOVES = 400_000  # above this the caps are taken as they are when they meet the target


@dataclass(frozen=True)
class FlowPlan:
    """Speeds that meet the target, `(n_moves,)`, or the slowest of use where none does."""

    speed_mm_per_s: NDArray[np.float64]
    jam_probability: float
    meets: bool
    course: Course  # at these speeds


def capped_speed(
    program: Program, groups: Groups, caps: NDArray[np.float64], diameter_mm: float
) -> NDArray[np.float64]:
    """Speed of each move with its flow held under the cap of its group. [mm3/s, mm -> mm/s]"""
    area = np.pi * diameter_mm**2 / 4
    speed = program.speed_mm_per_s.copy()
    fed = np.flatnonzero(((program.kind == BEAD) | (program.kind == PRIME)) & (program.filament_mm > 0))
    moves = program.length_mm[fed] > 0
    per_mm = np.where(moves, program.filament_mm[fed] / np.where(moves, program.length_mm[fed], 1.0), 1.0) * area
    capped = np.minimum(speed[fed], caps[groups.index[fed]] / per_mm)
    # bounds of their own, not shares of what is written, so that mending again slows nothing further
    capped = np.maximum(capped, np.minimum(speed[fed], np.where(moves, USEFUL_MM_PER_S, _LEAST_FEED_MM_PER_S)))
    # neighbours that differ by the rounding of their words run at one speed, so that the program stays short
    speed[fed] = np.where(capped < speed[fed], np.minimum(level_stretches(capped, _SAME_SPEED), speed[fed]), speed[fed])
    return speed


def plan_flow(job: Job, target: float, *, aim: float = 1.0, chance: float | None = None) -> FlowPlan:
    """Find the fastest speeds whose chance of a jam meets the target.

    Parameters
    ----------
    job : Job
        At the speeds written.
    target : float
        Chance of a jam. [-]
    aim : float, default 1.0
        Share of the target to plan for where anything has to change at all. [-]
    chance : float, optional
        The job's chance of a jam, where it is at hand. [-]

    Returns
    -------
    FlowPlan
        With `meets` false where no speed down to the slowest of use meets the target: then that speed, or the program's
        own where it would not help.
    """
    program, machine, filament, course, groups = job.program, job.machine, job.filament, job.course, job.groups
    before = chance
    if before is None:
        before = jam_risk(job.envelope, machine, filament, shares=False).probability
    if before <= target:
        return FlowPlan(program.speed_mm_per_s, before, True, course)
    target = AIM * aim * target  # as searches see it; what is stated then meets it
    diameter = filament.diameter_mm.value

    def seconds_at(caps: NDArray[np.float64]) -> NDArray[np.float64]:
        return _at_cap_s(
            program, groups, job.at(capped_speed(program, groups, np.maximum(caps, 1e-2), diameter)).course
        )

    most = _most_asked(program, groups, diameter)
    # how the margin runs along the job depends on the caps: once round is enough
    caps = np.maximum(flow_caps(groups, machine, filament, target, passage=job.passage), 1e-2)
    passage = job.at(capped_speed(program, groups, caps, diameter)).passage
    caps = flow_caps(groups, machine, filament, target, passage=passage, seconds_at=seconds_at, most_mm3_per_s=most)
    caps = np.maximum(caps, 1e-2)

    def at(rise: float) -> FlowPlan:
        speed = capped_speed(program, groups, caps * rise, diameter)
        course = job.at(speed).course
        # neither squeeze nor heat depends on the speed
        flows = replace(envelope(course, machine, filament, groups), passage=passage)
        chance = jam_risk(flows, machine, filament, shares=False).probability
        return FlowPlan(speed, chance, chance <= target, course)

    tried: dict[float, FlowPlan] = {}

    def chance_at(rise: float) -> float:
        found = at(rise)
        if found.meets:
            tried.clear()  # the last that holds is the largest; each is as large as the program
            tried[rise] = found
        return found.jam_probability

    low, high, at_high = 1.0, _MOST_RISE, None
    at_low = chance_at(low)
    if tried and program.kind.size > _REFINE_MOVES:
        return tried[low]
    if not tried:
        low, high, at_high = _LEAST_RISE, 1.0, at_low
        at_low = chance_at(low)
    if not tried:
        low, high, at_high = _LEAST_RISE / 8, _LEAST_RISE, at_low
        slowest = at(0.0)
        if not slowest.meets:
            kept = FlowPlan(program.speed_mm_per_s, before, False, course)
            return slowest if slowest.jam_probability < before else kept
        tried[low], at_low = slowest, slowest.jam_probability
    last_that_holds(chance_at, target, low, at_low, high, at_high, _CLOSE)
    return next(iter(tried.values()))


def _most_asked(program: Program, groups: Groups, diameter_mm: float) -> NDArray[np.float64]:
    """The largest flow that the beads of each group ask for. [mm -> mm3/s]"""
    fed = np.flatnonzero((program.kind == BEAD) & (program.filament_mm > 0) & (program.length_mm > 0))
    flow = program.filament_mm[fed] / program.length_mm[fed] * program.speed_mm_per_s[fed]
    most = np.zeros(groups.gap_mm.size)
    np.maximum.at(most, groups.index[fed], np.pi * diameter_mm**2 / 4 * flow)
    return most


def _at_cap_s(program: Program, groups: Groups, course: Course) -> NDArray[np.float64]:
    """Time that slowed beads of each group spend at their speed, gaining and losing speed apart. [s]"""
    peak, a = course.peak_mm_per_s, course.acceleration_mm_per_s2
    hold = course.length_mm - (2 * peak**2 - course.in_mm_per_s**2 - course.out_mm_per_s**2) / (2 * a)
    laid = np.flatnonzero((program.kind == BEAD) & (hold > 0) & (peak < (1 - 1e-3) * program.speed_mm_per_s))
    return np.bincount(groups.index[laid], hold[laid] / peak[laid], groups.gap_mm.size).astype(np.float64)


def slowed_changes(program: Program, speed: NDArray[np.float64], layer: NDArray[np.int64], why: str) -> list[Change]:
    """One change for each stretch of neighbouring moves that is slowed to the same speed."""
    slowed = np.flatnonzero(speed < program.speed_mm_per_s * (1 - 1e-9))
    if slowed.size == 0:
        return []
    now, was = np.rint(speed[slowed] * 10), np.rint(program.speed_mm_per_s[slowed] * 10)
    new = np.ones(slowed.size, dtype=np.bool_)
    new[1:] = (np.diff(now) != 0) | (np.diff(was) != 0) | (np.diff(layer[slowed]) != 0)
    return [
        Change(
            int(program.line[i]), "first layer" if layer[i] == 0 else "flow", "bead speed",
            quantity(float(program.speed_mm_per_s[i]), "mm/s", 3), quantity(float(speed[i]), "mm/s", 3), why,
        )
        for i in slowed[new]
    ]  # fmt: skip
