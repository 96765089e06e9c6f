"""From widths along a row to the two lengths: where the bead is half as wide, after the stop and after the start.

The width falls, or rises, all the way: the least-squares curve that does so [1]_ says about where, and a straight line
through the widths around it says exactly. Its spread is that of the widths, and of what all widths may share (edges
that the family of profiles does not know), over the slope.

References
----------
.. [1] M. Ayer, H. D. Brunk, G. M. Ewing, W. T. Reid, E. Silverman, An empirical distribution function for sampling with
   incomplete information, Ann. Math. Statist. 26 (1955) 641-647 (pool adjacent violators).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.photo.track import Row
from pliant.photo.widths import Widths

__all__ = ["Length", "lead_of", "tail_of"]

Floats = NDArray[np.float64]
SHARED_MM = 0.02  # [mm] of half a width, common to a row: measured on rendered pictures, docs/learn.md
_PLACE_MM = 0.15  # [mm] of a tooth along its lane
_AROUND = (0.25, 0.75)  # of the full width: the stretch that is fitted
_LEAST_POINTS = 6


@dataclass(frozen=True)
class Length:
    """A length with its spread, or why there is none."""

    mm: float | None
    spread_mm: float = 0.0
    why: str = ""


def tail_of(w: Widths, row: Row) -> Length:
    """From the stop to half the width.

    Parameters
    ----------
    w : Widths
        Along the row.
    row : Row
        Its path.

    Returns
    -------
    Length
    """
    at = (w.along_mm > row.stop_mm) & (w.along_mm < row.start_mm)
    return _length(w.along_mm[at] - row.stop_mm, w.width_mm[at] / w.full_mm, w, row.start_mm - row.stop_mm, "the tail")


def lead_of(w: Widths, row: Row) -> Length:
    """From the start to half the width that the bead has before the second tooth; as `tail_of`.

    Parameters
    ----------
    w : Widths
        Along the row.
    row : Row
        Its path.

    Returns
    -------
    Length
    """
    before = (w.along_mm > max((row.start_mm + row.second_mm) / 2, row.second_mm - 25)) & (w.along_mm < row.second_mm)
    full = float(np.median(w.width_mm[before]))
    at = (w.along_mm > row.start_mm) & (w.along_mm < row.second_mm)
    share = 1 - w.width_mm[at] / full  # falls as the tail does
    return _length(w.along_mm[at] - row.start_mm, share, w, row.second_mm - row.start_mm, "the thin start")


def _length(x: Floats, share: Floats, w: Widths, room_mm: float, what: str) -> Length:
    """Where a falling share passes one half."""
    if len(x) < _LEAST_POINTS:
        return Length(None, why=f"{what} has no straight stretch to be read on")
    smooth = _falling(share)
    if smooth[-3] > 0.5:
        return Length(None, why=f"{what} is longer than the {room_mm:.0f} mm that are there")
    if smooth[2] < 0.5:
        return Length(None, why=f"{what} is shorter than the {x[2]:.1f} mm that can be read")
    k = int(np.argmax(smooth < 0.5))
    near = np.flatnonzero((smooth > _AROUND[0]) & (smooth < _AROUND[1]))
    # a short taper has few widths between: then its neighbours help, which lie on the two levels
    near = near if len(near) >= _LEAST_POINTS else np.arange(max(k - 4, 0), min(k + 4, len(x)))
    near = near[np.abs(x[near] - x[k]) <= max(2.0, 0.5 * x[k])]
    if len(near) < _LEAST_POINTS:
        near = np.arange(max(k - 4, 0), min(k + 4, len(x)))
    slope, at = np.polyfit(x[near] - x[k], share[near], 1)
    if slope >= -1e-4:
        return Length(None, why=f"{what} does not thin out steadily")
    length = x[k] + (0.5 - at) / slope
    if not x[near[0]] - 2 <= length <= x[near[-1]] + 2:
        length = x[k]
    one = np.std(share[near] - np.polyval([slope, at], x[near] - x[k]))
    random = max(one, w.spread_mm / w.full_mm) / np.sqrt(len(near) / 2)  # neighbours share half of what they see
    spread = np.hypot(np.hypot(random, SHARED_MM / w.full_mm) / abs(slope), _PLACE_MM)
    return Length(float(max(length, 0.1)), float(spread))


def _falling(y: Floats) -> Floats:
    """The least-squares curve that never rises."""
    values, counts = list[float](), list[int]()
    for v in -y:
        values.append(float(v))
        counts.append(1)
        while len(values) > 1 and values[-2] > values[-1]:
            b, m = values.pop(), counts.pop()
            values[-1] = (values[-1] * counts[-1] + b * m) / (counts[-1] + m)
            counts[-1] += m
    return -np.repeat(values, counts)
