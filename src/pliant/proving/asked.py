"""What each bead of a mended program is to lay, told by the input: beads are paired by geometry alone."""

import numpy as np
from numpy.typing import NDArray

from pliant.proving.case import Case
from pliant.records.mending import Intent
from pliant.records.program import Program

__all__ = ["asked_along"]


def asked_along(first: Program, second: Program, intent: Intent, diameter_mm: float) -> NDArray[np.float64]:
    """Filament that each move of a mended program is to lay.

    Parameters
    ----------
    first, second : Program
        The input and what was made of it.
    intent : Intent
        What was allowed.
    diameter_mm : float
        Of the filament. [mm]

    Returns
    -------
    ndarray, (n_moves,)
        Of the second; 0 beside beads. What is laid beside the part is to lay what it is fed. [mm]
    """
    case = Case(first, second, intent, diameter_mm, None)
    asked = np.bincount(case.pairs.b[case.on_bead], case.asked_mm, case.q.kind.size).astype(np.float64)
    asked[case.extra_beads] = case.q.filament_mm[case.extra_beads]
    moved = case.pairs.moved_b
    asked[moved] = case.q.filament_mm[moved]
    if case.proof is None:
        return asked
    begin, end = case.proof
    own = np.where(second.filament_mm[begin:end] > 0, second.filament_mm[begin:end], 0.0)
    return np.concatenate([asked[:begin], own, asked[begin:]])
