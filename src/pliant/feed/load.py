"""The push through a whole job at the central values: every phase of every move through the lag and the melt law."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.arrays import Floats32
from pliant.checks import note_outside
from pliant.feed import chain
from pliant.feed.ends import ON_THE_BED
from pliant.kernels.load import Fed, Laws, push_along
from pliant.kernels.plan import move_seconds
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["DAM_RATIO", "Course", "Load", "bounded_gap_mm", "fed_along", "follow"]

DAM_RATIO = 2.0  # [-] a failing push is named `dam` where the gap under the face makes half of the pressure
LEAST_GAP_MM = 0.03  # [mm] our choice
_LEVELS = 16  # of warmth, so that the modulus is met within a percent
_LOG_FLOW = np.linspace(np.log(1e-5), np.log(300.0), 512)


@dataclass(frozen=True)
class Course:
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

    @property
    def time_s(self) -> float:
        """Time of the whole program. [s]"""
        return float(move_seconds(*fed_along(self, 1.0)[:6]).sum())

    def until(self, move: int) -> "Course":
        """The moves before one."""
        return replace(self, **{f.name: getattr(self, f.name)[:move] for f in fields(self) if f.name != "nozzle_c"})

    @classmethod
    def steady(
        cls,
        seconds: ArrayLike,
        filament_mm: ArrayLike,
        nozzle_c: float,
        width_mm: float = 0.45,
        gap_mm: float = np.inf,
        first_layer: bool = False,
    ) -> "Course":
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


def fed_along(course: Course, area_mm2: float) -> Fed:
    """What the drive does, as the kernels step through it."""
    return Fed(
        course.length_mm, course.acceleration_mm_per_s2, course.in_mm_per_s, course.peak_mm_per_s, course.out_mm_per_s,
        course.dwell_s, course.filament_mm * area_mm2, course.advance_s,
    )  # fmt: skip


def follow(course: Course, machine: Machine, filament: Filament) -> Load:
    """Run the job through the chain at the central values.

    Parameters
    ----------
    course : Course
        The program as the feed path sees it, `(n_moves,)`.
    machine, filament
        The records.

    Returns
    -------
    Load
        Per move; volume fed, delivered and stored balance to rounding.
    """
    theta = chain.central(machine, filament)
    law = np.log(np.stack([chain.free_pressure_mpa(np.exp(_LOG_FLOW), c, theta) for c in course.nozzle_c]))
    p0 = law[:, 0].copy()
    p_step = (law[:, -1] - p0) / (4 * _LOG_FLOW.size - 1)
    grid = p0[:, None] + p_step[:, None] * np.arange(4 * _LOG_FLOW.size)
    inverse = np.stack([np.interp(x, row, _LOG_FLOW) for x, row in zip(grid, law, strict=True)])
    area = np.pi * theta["diameter_mm"] ** 2 / 4
    ratio = chain.dam_ratio(course.width_mm, bounded_gap_mm(course.gap_mm), theta).astype(np.float32)
    laws = Laws(_LOG_FLOW[0], _LOG_FLOW[1] - _LOG_FLOW[0], law, p0, p_step, inverse)
    compliance = float(chain.compliance(machine, theta))
    pressure, end, flow, delivered, fed, stored = push_along(
        fed_along(course, float(area)), course.heat, ratio, laws, compliance
    )
    # margins depend on pressure, flow and temperature alone: a fine table per temperature, read by interpolation
    push = np.zeros_like(pressure)
    least = np.full_like(pressure, np.inf)
    which = np.zeros(pressure.size, dtype=np.uint8)
    top = max(float(pressure.max(initial=0.0)), 1e-3)
    table = np.geomspace(top * 1e-5, top * 1.001, 2000)
    step = np.log(table[1] / table[0])
    index = np.log(np.maximum(pressure, table[0]) / np.float32(table[0])) / np.float32(step)
    index = np.minimum(np.rint(index).astype(np.int32), table.size - 1)
    best, code, at_drive = _at_the_drive(machine, theta, table)
    level = _warm_level(course, theta)
    push[:], least[:], which[:] = at_drive[index], best[level, index], code[level, index]
    for h, c in enumerate(course.nozzle_c):
        here = slice(None) if course.nozzle_c.size == 1 else course.heat == h
        # where nothing is fed the store drains into the air: a surge, but of melt that is hot already
        asked = np.where(course.filament_mm[here] > 0, flow[here], 0)
        starve = np.float32(chain.melt_limit_mm3_per_s(float(c), theta)) / np.maximum(asked, np.float32(1e-9))
        worse = starve < least[here]
        which[here] = np.where(worse, chain.MECHANISMS.index("starve"), which[here])
        np.minimum(least[here], starve, out=starve)
        least[here] = starve
    capacity = _capacity(push, least)
    starved = which == chain.MECHANISMS.index("starve")
    which[(ratio >= DAM_RATIO) & ~starved] = chain.MECHANISMS.index("dam")
    return Load(pressure, end, flow, push, capacity, least, which, ratio, delivered, fed, stored)


def _at_the_drive(machine: Machine, theta: chain.Theta, table: Any) -> tuple[Any, Any, Any]:
    """Least margin and who gives `(n_levels, n)`, push at the drive `(n,)`, at pressures and levels of warmth."""
    best, code = [], []
    for share in np.arange(_LEVELS) / (_LEVELS - 1):
        seconds = -60 * theta["warming_min"] * np.log1p(-min(share, 1 - 1e-12))
        m, _, push = chain.push_margins(machine, chain.after(theta, seconds), table)
        stack = np.vstack(list(m.values()))
        best.append(stack.min(axis=0))
        code.append(np.array([chain.MECHANISMS.index(k) for k in m])[chain.cause_of(list(m), stack)])
    return np.array(best, dtype=np.float32), np.array(code, dtype=np.uint8), push.astype(np.float32)


def _warm_level(course: Course, theta: chain.Theta) -> NDArray[np.uint8]:
    """How far the drive has warmed at each move: 0 cold, `_LEVELS` - 1 warm through."""
    time = np.cumsum(move_seconds(*fed_along(course, 1.0)[:6]), dtype=np.float64).astype(np.float32)
    np.expm1(-time / np.float32(60 * theta["warming_min"]), out=time)
    return np.rint(-time * (_LEVELS - 1)).astype(np.uint8)


def _capacity(push: Floats32, least: Floats32) -> Floats32:
    """Push at the drive times margin; where the guide has locked nothing finite can be said."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isfinite(push), push * least, np.nan).astype(np.float32)


def bounded_gap_mm(gap_mm: ArrayLike) -> Any:
    """Keep a gap above `LEAST_GAP_MM`: thinner, it is a nozzle on the bed, and the slit has no meaning there."""
    note_outside(np.asarray(gap_mm) < LEAST_GAP_MM, ON_THE_BED)
    return np.maximum(gap_mm, LEAST_GAP_MM)
