"""The section of each bead: width from volume per length and layer height, and whether the nozzle face squeezes it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.program.layers import Layering
from pliant.records.program import BEAD, Program

__all__ = ["Sections", "bead_sections"]


@dataclass(frozen=True)
class Sections:
    """Per move `(n_moves,)`; zero and infinite where nothing is laid."""

    width_mm: NDArray[np.float32]  # of a squeezed bead, or the diameter of a free strand
    gap_mm: NDArray[np.float32]  # below the nozzle face; infinite where the strand hangs free of it


def bead_sections(
    program: Program, layering: Layering, diameter_mm: float, asked_mm: NDArray[np.float64] | None = None
) -> Sections:
    """Width and gap of each bead.

    Parameters
    ----------
    program, layering
        The moves and their layers.
    diameter_mm : float
        Filament diameter. [mm]
    asked_mm : ndarray, optional
        Filament that each bead is to have, where its feed was shaped; else what it is fed. [mm]

    Returns
    -------
    Sections
        A bead whose free strand is thinner than its gap is not squeezed: it keeps the strand's diameter.
    """
    n = program.kind.size
    width, gap = np.zeros(n, dtype=np.float32), np.full(n, np.inf, dtype=np.float32)
    filament = program.filament_mm if asked_mm is None else asked_mm
    at = np.flatnonzero((program.kind == BEAD) & (program.length_mm > 0) & (filament > 0))
    if at.size == 0:
        return Sections(width, gap)
    area = np.pi * diameter_mm**2 / 4 * filament[at] / program.length_mm[at]
    strand = np.sqrt(4 * area / np.pi)
    height = layering.gap_mm[layering.layer[at]]
    squeezed = (height > 0) & (height < strand)
    flat = np.divide(area, height, out=strand.copy(), where=squeezed) + np.where(squeezed, (1 - np.pi / 4) * height, 0)
    width[at] = flat
    gap[at] = np.where(squeezed, height, np.inf)
    return Sections(width, gap)
