"""From widths along a row to the two lengths: where the bead is half as wide, after the stop and after the start.

The width falls, or rises, all the way: of all courses that do so, the one that misses the profiles least (isotonic
regression [1]_ with the profiles' own costs, by dynamic programming) says where the width is from a quarter to three
quarters of the full one, and a straight line through it there says where it is half. Its spread is that of the
widths, and of what all widths may share (edges that the family of profiles does not know), over the slope.

References
----------
.. [1] R. E. Barlow, D. J. Bartholomew, J. M. Bremner, H. D. Brunk, Statistical Inference under Order Restrictions,
   Wiley 1972, ch. 1 and 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.photo.track import Row
from pliant.photo.widths import Widths

__all__ = ["Length", "falling", "lead_of", "tail_of"]

Floats = NDArray[np.float64]
_SHARED = (
    0.3  # [-] of the softness of an edge: what half a width may be off in a whole row; rendered pictures, docs/learn.md
)
_PLACE_MM = 0.15  # [mm] of a tooth along its lane
_AROUND = (0.25, 0.75)  # of the full width: the stretch that is fitted
_LEAST_POINTS, _ABRUPT = 6, 0.15


@dataclass(frozen=True)
class Length:
    """A length with its spread, or why there is none."""

    mm: float | None
    spread_mm: float = 0.0
    why: str = ""


def tail_of(w: Widths, row: Row, blur_mm: float) -> Length:
    """From the stop to half the width.

    Parameters
    ----------
    w : Widths
        Along the row.
    row : Row
        Its path.
    blur_mm : float
        Softness of an edge in the picture. [mm]

    Returns
    -------
    Length
    """
    at = (w.along_mm > row.stop_mm) & (w.along_mm < row.start_mm)
    course = w.grid_mm[falling(w.cost[at])]
    room = row.start_mm - row.stop_mm
    return _length(
        w.along_mm[at] - row.stop_mm, course / w.full_mm, (w.spread_mm, _SHARED * blur_mm), w.full_mm, room, "the tail"
    )


def lead_of(w: Widths, row: Row, blur_mm: float) -> Length:
    """From the start to half the width that the bead has before the second tooth; as `tail_of`.

    Parameters
    ----------
    w : Widths
        Along the row.
    row : Row
        Its path.
    blur_mm : float
        Softness of an edge in the picture. [mm]

    Returns
    -------
    Length
    """
    before = (w.along_mm > max((row.start_mm + row.second_mm) / 2, row.second_mm - 25)) & (w.along_mm < row.second_mm)
    full = float(np.median(w.width_mm[before]))
    # what is left of the tail may still lie where the bead starts: the course rises from its thinnest place on
    at = (w.along_mm > row.start_mm) & (w.along_mm < row.second_mm)
    course = w.grid_mm[falling(w.cost[at][::-1])][::-1]
    share = 1 - course / full  # falls as the tail does
    room = row.second_mm - row.start_mm
    return _length(w.along_mm[at] - row.start_mm, share, (w.spread_mm, _SHARED * blur_mm), full, room, "the thin start")


def falling(cost: Floats) -> NDArray[np.int64]:
    """The course that never rises and costs least.

    Parameters
    ----------
    cost : ndarray
        `(n, k)`, of each of k values at each of n places. [-]

    Returns
    -------
    ndarray
        Which value at each place, `(n,)`.

    Examples
    --------
    >>> falling(np.array([[9.0, 9.0, 0.0], [9.0, 0.0, 1.0], [9.0, 5.0, 0.0], [0.0, 9.0, 9.0]])).tolist()
    [2, 2, 2, 0]
    """
    n, k = cost.shape
    total, came = cost[0].copy(), np.zeros((n, k), dtype=np.int64)
    for i in range(1, n):
        best = np.minimum.accumulate(total[::-1])[::-1]  # over all values not below this one
        equal = np.where(total == best, np.arange(k), k)
        came[i] = np.minimum.accumulate(equal[::-1])[::-1]
        total = cost[i] + best
    path = np.empty(n, dtype=np.int64)
    path[-1] = int(np.argmin(total))
    for i in range(n - 1, 0, -1):
        path[i - 1] = came[i, path[i]]
    return path


def _length(x: Floats, share: Floats, off_mm: tuple[float, float], full_mm: float, room_mm: float, what: str) -> Length:
    """Where a share that falls all the way passes one half; `off_mm`: what one width is off, and what all share."""
    if len(x) < _LEAST_POINTS:
        return Length(None, why=f"{what} has no straight stretch to be read on")
    if share[-3] > 0.5:
        return Length(None, why=f"{what} is longer than the {room_mm:.0f} mm that are there")
    if share[2] < 0.5:
        return Length(None, why=f"{what} is shorter than the {x[2]:.1f} mm that can be read")
    k = int(np.argmax(share < 0.5))
    # from three quarters to a quarter a store takes most of such a length; a cover or a tear takes none
    thins = x[int(np.argmax(share < _AROUND[0])) or -1] - x[int(np.argmax(share < _AROUND[1]))]
    if thins < _ABRUPT * x[k] and x[k] > 3:
        return Length(None, why=f"{what} ends all at once after {x[k]:.0f} mm, as if covered or torn there")
    near = np.flatnonzero((share > _AROUND[0]) & (share < _AROUND[1]))
    near = near[np.abs(x[near] - x[k]) <= max(2.0, 0.5 * x[k])]
    if len(near) < _LEAST_POINTS:  # a short taper: its neighbours help, which lie on the two levels
        near = np.arange(max(k - 4, 0), min(k + 4, len(x)))
    slope, at = np.polyfit(x[near] - x[k], share[near], 1)
    if slope >= -1e-4:
        return Length(None, why=f"{what} does not thin out steadily")
    length = x[k] + (0.5 - at) / slope
    step = abs(length - x[k])  # between the line and the course itself
    one, shared = off_mm
    off = np.hypot(one / np.sqrt(len(near) / 2), shared) / full_mm  # neighbours share half of what they see
    spread = np.hypot(off / abs(slope), np.hypot(_PLACE_MM, step / 2))
    return Length(float(max(length, 0.1)), float(spread))
