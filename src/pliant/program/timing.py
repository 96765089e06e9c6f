"""Time along a program: look-ahead over the whole file, then speed in three phases inside each move.

Left out: finite look-ahead buffers (real ones give equal or longer times). Corner law: junction deviation, and the
axis step of M205 where the program gives one. Source: the equations and check values of Jeon (2011, weblog note of
24 Sep) and trapezoid algebra. Accelerations that the program sets (M204) are used; the rest is the machine's.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.plan import move_seconds, plan_motion
from pliant.records.program import Program

__all__ = ["Motion", "Timing", "square_corner_deviation_mm", "time_program"]


@dataclass(frozen=True)
class Motion:
    """What the machine's motion system can do, in mm and s."""

    acceleration_mm_per_s2: float = 1000.0
    retract_acceleration_mm_per_s2: float = 1000.0
    corner_deviation_mm: float = 0.02
    max_speed_mm_per_s: tuple[float, float, float, float] = (150.0, 150.0, 12.0, 60.0)


@dataclass(frozen=True)
class Timing:
    """Per move `(n_moves,)`: end speeds and peak along the path (of the filament where nothing else moves), and time.

    The three phases (gaining, holding, losing speed) follow from these; a dwell counts as holding.
    """

    length_mm: NDArray[np.float64]
    acceleration_mm_per_s2: NDArray[np.float64]
    in_mm_per_s: NDArray[np.float64]
    peak_mm_per_s: NDArray[np.float64]
    out_mm_per_s: NDArray[np.float64]
    dwell_s: NDArray[np.float64]
    too_fast_line: NDArray[np.int64]
    move_s: NDArray[np.float64]


def square_corner_deviation_mm(corner_mm_per_s: float, acceleration_mm_per_s2: float) -> float:
    """Junction deviation that gives `corner_mm_per_s` at a right angle. [mm/s, mm/s2 -> mm]

    Examples
    --------
    >>> square_corner_deviation_mm(5.0, 3000.0)
    0.0034518
    """
    return corner_mm_per_s**2 * (math.sqrt(2.0) - 1.0) / acceleration_mm_per_s2


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
        End speeds, peak speed and duration of each move.
    """
    motion = motion or Motion()
    states = getattr(program, "states", None)
    own = np.array(
        [motion.acceleration_mm_per_s2, motion.retract_acceleration_mm_per_s2, motion.acceleration_mm_per_s2]
    )
    if states is None:
        state = np.zeros(program.kind.size, dtype=np.int32)
        accels, junction, corner = own[None, :], np.array([motion.corner_deviation_mm]), np.array([np.nan])
    else:
        state = program.state
        said = np.column_stack([states["print_accel"], states["retract_accel"], states["travel_accel"]])
        accels = np.where(np.isnan(said), own, said)
        junction = np.where(np.isnan(states["junction_mm"]), motion.corner_deviation_mm, states["junction_mm"])
        corner = np.ascontiguousarray(states["corner_mm_per_s"])
    length, accel, v_in, v_peak, v_out, too_fast = plan_motion(
        program.point_mm, program.kind, program.length_mm, program.filament_mm, program.speed_mm_per_s,
        program.sweep_rad, program.centre_mm, state, accels, junction, corner,
        np.asarray(motion.max_speed_mm_per_s, dtype=float),
    )  # fmt: skip
    seconds = move_seconds(length, accel, v_in, v_peak, v_out, program.dwell_s)
    return Timing(length, accel, v_in, v_peak, v_out, program.dwell_s, program.line[too_fast], seconds)
