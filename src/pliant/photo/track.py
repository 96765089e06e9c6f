"""The path of one row of a stop-start piece: where the nozzle went, with the places where the feed stopped and started.

Everything along a row is told by the length from its beginning, teeth left out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LANES_MM", "Row", "straights"]

Floats = NDArray[np.float64]
LANES_MM = 3.0  # from one lane of a piece to the next


@dataclass(frozen=True)
class Row:
    """Corners of a row's path, and what lies where along it."""

    corners: tuple[tuple[float, float], ...]  # as laid out, teeth left out [mm]
    stop_mm: float  # from the beginning: first tooth, the feed stops
    start_mm: float  # the feed starts
    second_mm: float  # second tooth
    width_mm: float  # of the bead that was asked for
    height_mm: float  # of the layer
    tooth_mm: float  # how far a tooth goes to +y

    @property
    def length_mm(self) -> float:
        """Of the whole row."""
        return float(self._lengths()[-1])

    def _lengths(self) -> Floats:
        c = np.array(self.corners)
        return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(c, axis=0).T))])

    def at(self, along_mm: Floats) -> Floats:
        """Places of the row, `(n, 2)`. [mm]"""
        c, s = np.array(self.corners), self._lengths()
        return np.column_stack([np.interp(along_mm, s, c[:, i]) for i in (0, 1)])

    def fed(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Where there is a bead, or should be: from, to. [mm]"""
        return (0.0, self.stop_mm), (self.start_mm, self.length_mm)


def straights(row: Row) -> list[tuple[float, float, Floats]]:
    """Straight stretches of a row: from, to, and the direction across, +y or +x.

    Parameters
    ----------
    row : Row
        The path.

    Returns
    -------
    list of tuple
        `(from, to, (2,))`. [mm, mm, -]
    """
    c, s = np.array(row.corners), row._lengths()
    found = []
    for k in range(len(c) - 1):
        lane = abs(c[k + 1, 0] - c[k, 0]) > abs(c[k + 1, 1] - c[k, 1])
        found.append((float(s[k]), float(s[k + 1]), np.array((0.0, 1.0) if lane else (1.0, 0.0))))
    return found
