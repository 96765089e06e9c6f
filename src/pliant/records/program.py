"""A motion program as a frozen record of arrays: what moves, where, and how much filament goes in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BEAD", "DWELL", "HOME", "KIND_NAMES", "PRIME", "RECOVER", "RETRACT", "TRAVEL", "Program"]

BEAD, TRAVEL, RETRACT, RECOVER, PRIME, DWELL, HOME = range(7)
KIND_NAMES = ("bead", "travel", "retract", "recover", "prime", "dwell", "home")


@dataclass(frozen=True)
class Program:
    """Moves of a program, in order; every array has shape `(n_moves,)` unless said.

    Positions are physical millimetres (after G92, units and modes). `point_mm[i]` is where move i starts and
    `point_mm[i + 1]` where it ends, so a stretch the file does not tell (homing) is a move of kind `HOME`.
    """

    path: str
    dialect: str
    n_lines: int
    line: NDArray[np.int64]  # 1-based source line
    kind: NDArray[np.uint8]  # index into KIND_NAMES
    point_mm: NDArray[np.float64]  # (n_moves + 1, 3)
    length_mm: NDArray[np.float64]  # path length; helix length for arcs
    filament_mm: NDArray[np.float64]  # signed, after the flow factor of the program
    speed_mm_per_s: NDArray[np.float64]  # commanded, along the path (or of the filament if nothing else moves)
    nozzle_c: NDArray[np.float64]  # target in force; NaN where the program has not said
    dwell_s: NDArray[np.float64]
    sweep_rad: NDArray[np.float64]  # 0 for straight moves; signed, counter-clockwise positive
    centre_mm: NDArray[np.float64]  # (n_moves, 2), NaN for straight moves
    questions: tuple[str, ...]  # what the file leaves to the controller, with lines
    warnings: tuple[str, ...]
