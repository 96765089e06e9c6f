"""Whether pulling back pays: one answer for `plan`, which sets it, and `mend`, which takes it out or bounds it.

A pull that takes the pressure off is as long as the filament that is pressed together between drive and melt. That
length is known within a range; where its high end is more than soft filament follows, no length is right.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.feed import chain
from pliant.feed.envelope import Envelope
from pliant.feed.load import Course
from pliant.feed.risk import speed_that_meets
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.say import number

__all__ = [
    "MOST_PASSES", "Pull", "often_crossed", "passes_through_drive", "pull_for", "pull_for_job", "stored_mm",
]  # fmt: skip

MOST_PASSES = 8  # from memory: a stretch of filament that goes through the teeth more often is chewed
_MOST_PULL_MM = 1.0  # [mm] a soft strand follows a short pull only; common practice, no source


@dataclass(frozen=True)
class Pull:
    """How long a retraction may be, and why it pays or does not."""

    most_mm: float  # 0: none
    why: str


def pull_for(low_mm: float, middle_mm: float, high_mm: float) -> Pull:
    """Decide on retraction from the filament that is pressed together between drive and melt.

    Parameters
    ----------
    low_mm, middle_mm, high_mm : float
        Its 90 % range and middle. [mm]

    Returns
    -------
    Pull
    """
    low, middle, high = (number(v) for v in (low_mm, middle_mm, high_mm))
    if high_mm <= _MOST_PULL_MM:
        return Pull(
            _MOST_PULL_MM,
            f"{middle} mm of filament are pressed together between drive and melt ({low} to {high}): a pull that short "
            "takes the pressure off and still leaves the filament taut.",
        )
    return Pull(
        0.0,
        f"None: the pull that would just take the pressure off lies anywhere from {low} to {high} mm; less stops no "
        "ooze, more tears the filament off its melt, and each one sends the same soft filament through the teeth "
        "twice more.",
    )


def pull_for_job(course: Course, slowed: Course, machine: Machine, filament: Filament, target: float) -> Pull:
    """Decide on retraction in a program, at the flow that `plan` would level it to.

    That is what its quickest bead asks for, or what the feed path carries at the target, whichever is less; never less
    than what is laid after slowing.

    Parameters
    ----------
    course, slowed : Course
        As written, and at the speeds it will have.
    machine, filament
        The records.
    target : float
        Chance of a jam to stay under. [-]

    Returns
    -------
    Pull
    """
    bead = (course.length_mm > 0) & (course.width_mm > 0)  # a recover is quick and lays nothing
    section = np.where(bead, course.filament_mm / np.maximum(course.length_mm, 1e-9), 0.0)
    section = section * filament.section_mm2
    asked, left = section * course.peak_mm_per_s, section * slowed.peak_mm_per_s
    if not (asked > 0).any():
        return pull_for(0.0, 0.0, 0.0)
    later = ~course.first_layer | course.first_layer.all()  # a first layer is squeezed and slow
    at = int(np.argmax(np.where(later, asked, asked * 1e-6)))
    celsius, width, gap = float(course.nozzle_c[course.heat[at]]), float(course.width_mm[at]), float(course.gap_mm[at])
    steady = Envelope.steady([asked[at]], celsius, [width], [gap], [False])
    scale = min(speed_that_meets(steady, machine, filament, target) or 0.0, 1.0)
    flow = max(scale * float(asked[at]), float(left[later].max(initial=0.0)))
    theta, _, _ = chain.sample(machine, filament, 1000, np.random.default_rng(7))
    unit = chain.unit_drop_mpa(theta)
    pressure = chain.free_pressure_mpa(flow, celsius, theta, unit)
    pressure = pressure * chain.dam_ratio(width, gap, theta, unit_mpa=unit)
    low, middle, high = np.quantile(stored_mm(machine, theta, pressure), [0.05, 0.5, 0.95]).tolist()
    return pull_for(low, middle, high)


def stored_mm(machine: Machine, theta: chain.Theta, pressure_mpa: ArrayLike) -> NDArray[np.float64]:
    """Filament pressed together between drive and melt at a melt pressure. [MPa -> mm]"""
    area = np.pi * np.asarray(theta["diameter_mm"]) ** 2 / 4
    pressure = np.asarray(pressure_mpa)
    return np.asarray(chain.compliance(machine, theta, pressure) * pressure / area)


def _crossings(filament_mm: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Places along the filament, and how often what follows each one crosses the drive. [mm, -]"""
    position = np.concatenate([[0.0], np.cumsum(filament_mm)])
    turning = np.concatenate([[True], np.diff(np.sign(np.diff(position))) != 0, [True]])
    corner = position[turning] if position.size > 2 else position
    low, high = np.minimum(corner[:-1], corner[1:]), np.maximum(corner[:-1], corner[1:])
    real = high - low > 1e-9
    at = np.concatenate([low[real] + 1e-9, high[real] - 1e-9])
    step = np.concatenate([np.ones(real.sum(), dtype=np.int64), -np.ones(real.sum(), dtype=np.int64)])
    order = np.argsort(at, kind="stable")
    return at[order], np.cumsum(step[order])


def passes_through_drive(filament_mm: NDArray[np.float64]) -> int:
    """Largest number of times any stretch of filament crosses the drive."""
    return int(_crossings(filament_mm)[1].max(initial=0))


def often_crossed(filament_mm: NDArray[np.float64]) -> list[tuple[float, int]]:
    """Where filament crosses the drive more than `MOST_PASSES` times: the worst place of each stretch, how often."""
    at, count = _crossings(filament_mm)
    edge = np.diff(np.concatenate([[0], (count > MOST_PASSES).astype(np.int8), [0]]))
    found = []
    for a, b in zip(np.flatnonzero(edge == 1).tolist(), np.flatnonzero(edge == -1).tolist(), strict=True):
        k = a + int(np.argmax(count[a:b]))
        found.append((float(at[k] + at[k + 1]) / 2, int(count[k])))
    return found
