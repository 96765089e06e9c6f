"""A motion program as a frozen record of arrays: what moves, where, and how much filament goes in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BEAD", "DWELL", "HOME", "KIND_NAMES", "PRIME", "RECOVER", "RETRACT", "STATE_DTYPE", "TRAVEL", "Program"]

BEAD, TRAVEL, RETRACT, RECOVER, PRIME, DWELL, HOME = range(7)
KIND_NAMES = ("bead", "travel", "retract", "recover", "prime", "dwell", "home")

# What the words of the program have set. NaN where the program has not said.
STATE_DTYPE = np.dtype(
    [
        ("nozzle_c", "f8"),  # target; 0 after the program switched the heater off
        ("bed_c", "f8"),
        ("fan", "f8"),  # share of full speed, 0..1
        ("flow_factor", "f8"),  # M221
        ("speed_share", "f8"),  # M220
        ("print_accel", "f8"),  # M204 P or S [mm/s2]
        ("retract_accel", "f8"),  # M204 R [mm/s2]
        ("travel_accel", "f8"),  # M204 T or S [mm/s2]
        ("junction_mm", "f8"),  # M205 J
        ("corner_mm_per_s", "f8"),  # M205 X/Y, the smaller where both are given
        ("advance_s", "f8"),  # M900 K
        ("offset_mm", "f8", (3,)),  # physical position minus program value
        ("e_absolute", "?"),
        ("absolute", "?"),
        ("unit", "f8"),  # mm per unit of the program: 1.0 or 25.4
        ("filament_area_mm2", "f8"),  # 0 unless M200 made E a volume
        ("tool", "i4"),
    ]
)


@dataclass(frozen=True)
class Program:
    """Moves of a program, in order; every array has shape `(n_moves,)` unless said.

    Positions are physical millimetres (after G92, units and modes). `point_mm[i]` is where move i starts and
    `point_mm[i + 1]` where it ends, so a stretch the file does not tell (homing) is a move of kind `HOME`.
    """

    path: str
    dialect: str
    n_lines: int
    n_bytes: int
    line: NDArray[np.int64]  # 1-based source line
    kind: NDArray[np.uint8]  # index into KIND_NAMES
    point_mm: NDArray[np.float64]  # (n_moves + 1, 3)
    length_mm: NDArray[np.float64]  # path length; helix length for arcs
    filament_mm: NDArray[np.float64]  # signed, after the flow factor of the program
    speed_mm_per_s: NDArray[np.float64]  # commanded, along the path (or of the filament if nothing else moves)
    dwell_s: NDArray[np.float64]
    sweep_rad: NDArray[np.float64]  # 0 for straight moves; signed, counter-clockwise positive
    centre_mm: NDArray[np.float64]  # (n_moves, 2), NaN for straight moves; read-only where no move is an arc
    e_word: NDArray[np.float64]  # the number after E as written on the line; NaN where there is none
    f_word: NDArray[np.float64]  # the number after F as written on the line; NaN where there is none
    state: NDArray[np.int32]  # index into `states`
    states: NDArray[np.void]  # (n_states,) of STATE_DTYPE, distinct, in order of appearance
    questions: tuple[str, ...]  # what the file leaves to the controller, with lines
    warnings: tuple[str, ...]
    unknown_lines: tuple[int, ...] = ()  # of a start or an end whose content only the controller knows

    @property
    def nozzle_c(self) -> NDArray[np.float64]:
        """Nozzle target of each move; NaN where the program has not said. [°C]

        Switching the heater off keeps the last target: the moves that follow still draw on hot melt.
        """
        target: NDArray[np.float64] = self.states["nozzle_c"][self.state]
        off = target == 0
        if not off.any():
            return target
        last = np.maximum.accumulate(np.where(off, -1, np.arange(target.size)))
        return np.where(off, np.where(last >= 0, target[last], np.nan), target)
