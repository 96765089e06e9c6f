"""Time along a program: look-ahead over the whole file, then speed in three phases inside each move.

Left out: finite look-ahead buffers (real ones give equal or longer times) and corner laws other than junction
deviation. Source: the equations and check values of Jeon (2011, weblog note of 24 Sep) and trapezoid algebra.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.plan import plan_speeds
from pliant.records.program import DWELL, HOME, Program

__all__ = ["Motion", "Timing", "time_program"]


@dataclass(frozen=True)
class Motion:
    """What the machine's motion system can do, in mm and s."""

    acceleration_mm_per_s2: float = 1000.0
    retract_acceleration_mm_per_s2: float = 1000.0
    corner_deviation_mm: float = 0.02
    max_speed_mm_per_s: tuple[float, float, float, float] = (150.0, 150.0, 12.0, 60.0)


@dataclass(frozen=True)
class Timing:
    """Phases of each move: durations `(n_moves, 3)` (gaining, holding, losing speed) and path covered in each."""

    phase_s: NDArray[np.float64]
    phase_mm: NDArray[np.float64]
    peak_mm_per_s: NDArray[np.float64]
    too_fast_line: NDArray[np.int64]

    @property
    def move_s(self) -> NDArray[np.float64]:
        """Duration of each move. [s]"""
        return self.phase_s.sum(axis=1)


def time_program(program: Program, motion: Motion | None = None) -> Timing:
    """Plan the speed of every move.

    Parameters
    ----------
    program : Program
        The moves, `(n_moves,)`.
    motion : Motion, optional
        Limits of the machine; generic defaults when left out.

    Returns
    -------
    Timing
        Duration and length of three phases per move; dwell time is counted as holding.
    """
    motion = motion or Motion()
    chord = np.diff(program.point_mm, axis=0)
    norm = np.linalg.norm(chord, axis=1)
    moving = (program.length_mm > 0) & (program.kind != HOME) & (program.kind != DWELL)
    only_filament = ~moving & (program.filament_mm != 0) & (program.kind != HOME)
    unit = np.zeros_like(chord)
    np.divide(chord, norm[:, None], out=unit, where=norm[:, None] > 0)
    unit_in, unit_out = unit.copy(), unit.copy()
    arc = program.sweep_rad != 0
    for target, at in ((unit_in, program.point_mm[:-1]), (unit_out, program.point_mm[1:])):
        radius = at[arc, :2] - program.centre_mm[arc]
        sense = np.sign(program.sweep_rad[arc])[:, None]
        tangent = sense * np.column_stack([-radius[:, 1], radius[:, 0]])
        flat = np.abs(program.sweep_rad[arc]) * np.hypot(radius[:, 0], radius[:, 1])
        rise = chord[arc, 2]
        vector = np.column_stack([tangent / np.hypot(*tangent.T)[:, None] * flat[:, None], rise])
        target[arc] = vector / np.linalg.norm(vector, axis=1)[:, None]
    length = np.where(moving, program.length_mm, np.where(only_filament, np.abs(program.filament_mm), 0.0))
    accel = np.where(only_filament, motion.retract_acceleration_mm_per_s2, motion.acceleration_mm_per_s2)
    # share of the path speed that each axis sees; arcs may point anywhere in the plane
    share = np.abs(unit)
    share[arc, :2] = 1.0
    filament_share = np.divide(np.abs(program.filament_mm), length, out=np.zeros_like(length), where=length > 0)
    limit = np.full(length.size, np.inf)
    for k, top in enumerate(motion.max_speed_mm_per_s):
        part = np.where(moving, share[:, k], 0.0) if k < 3 else filament_share
        np.minimum(limit, np.divide(top, part, out=np.full_like(limit, np.inf), where=part > 0), out=limit)
    too_fast = program.line[(length > 0) & (program.speed_mm_per_s > limit * (1 + 1e-9))]
    speed = np.minimum(program.speed_mm_per_s, limit)
    joined = np.zeros(length.size, dtype=np.bool_)
    joined[1:] = moving[1:] & moving[:-1]
    v_in, v_peak, v_out = plan_speeds(unit_in, unit_out, length, speed, accel, joined, motion.corner_deviation_mm)
    d_up = (v_peak**2 - v_in**2) / (2 * accel)
    d_down = (v_peak**2 - v_out**2) / (2 * accel)
    d_hold = np.maximum(length - d_up - d_down, 0.0)
    hold = np.divide(d_hold, v_peak, out=np.zeros_like(length), where=v_peak > 0) + program.dwell_s
    phase_s = np.column_stack([(v_peak - v_in) / accel, hold, (v_peak - v_out) / accel])
    return Timing(phase_s, np.column_stack([d_up, d_hold, d_down]), v_peak, too_fast)
