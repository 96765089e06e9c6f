"""Where along a job the jam comes first: the first passage of a margin that wanders, layer by layer.

The sums are those of `feed.passage`, told apart twice: by place along the program, and by what the bed's error shifts
(the first layer's beads) and what it does not (all the rest). How the margin runs along either part is taken at central
values; each draw of the unknowns shifts the two as a whole, each by its own amount. The chances are brought to the one
that is stated for the job, which shifts both parts alike.

Left out: that a draw may change the shape of the margin along one part.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.arrays import Floats
from pliant.feed.passage import BINS, NODE, NODE_WEIGHT, ONE, STRETCH_MM, WANDER
from pliant.records.findings import LayerShare

__all__ = ["MOST_ROWS", "SHIFT", "Parts", "Places", "held_by_row", "jam_by_layer", "places_of", "stretches_by_row"]

MOST_ROWS = 200  # of the answer; neighbouring layers of a taller job share one
SHIFT = np.arange(-2.5, 2.5 + 1e-9, 0.01)  # [-] of the table: beyond it a part jams, or does not


@dataclass(frozen=True)
class Parts:
    """Log margin of the first layer's beads and of all the rest, per draw, and how much each draw counts, `(n,)`."""

    first: Floats
    rest: Floats
    weight: Floats


@dataclass(frozen=True)
class Places:
    """A job as rows of neighbouring layers, and the stretches of filament of either part in each."""

    layers: tuple[tuple[int, int], ...]  # first and last of each row, counted from 0
    first: Floats  # (rows, bins) stretches by how far their margin lies above the least of the part
    rest: Floats


def places_of(log_margin: ArrayLike, filament_mm: ArrayLike, layer: ArrayLike, first_layer: ArrayLike) -> Places:
    """See a job as rows of layers, from its margins at the central values.

    Parameters
    ----------
    log_margin, filament_mm : array_like, (n_moves,)
        Logarithm of the margin, and filament fed; moves that feed none count for nothing. [-, mm]
    layer : array_like, (n_moves,)
        Layer of each move; what comes before the first is counted to it. [-]
    first_layer : array_like of bool, (n_moves,)
        Whether the bed's error shifts the margin. [-]

    Returns
    -------
    Places
        At most `MOST_ROWS` rows.

    Examples
    --------
    >>> places_of([0.3, 0.4], [600.0, 1200.0], [0, 1], [True, False]).layers
    ((0, 0), (1, 1))
    """
    margin, fed = np.asarray(log_margin, dtype=float), np.asarray(filament_mm, dtype=float)
    at = np.maximum(np.asarray(layer, dtype=np.int64), 0)
    count = int(at.max(initial=0)) + 1
    # the first layer, which the bed's error is about, stays alone
    each = max(-(-(count - 1) // (MOST_ROWS - 1)), 1)
    row = np.where(at == 0, 0, 1 + (at - 1) // each)
    rows = 1 + -(-(count - 1) // each)
    here, shifted = (fed > 0) & np.isfinite(margin), np.asarray(first_layer, dtype=bool)
    above = ((1 + k * each, min((k + 1) * each, count - 1)) for k in range(rows - 1))
    first, rest = (stretches_by_row(margin, fed, row, rows, here & part) for part in (shifted, ~shifted))
    return Places(((0, 0), *above), first, rest)


def jam_by_layer(parts: Parts, places: Places, top_mm: ArrayLike, probability: float) -> tuple[LayerShare, ...]:
    """Chance that the jam comes first in each row of layers.

    Parameters
    ----------
    parts : Parts
        Margins of the draws.
    places : Places
        The job.
    top_mm : array_like, (layers,)
        Height of the top of each layer. [mm]
    probability : float
        The chance of a jam that is stated; the shares sum to it. [-]

    Returns
    -------
    tuple of LayerShare
        In the order of the program; none where nothing is fed.
    """
    top = np.asarray(top_mm, dtype=float)
    if not top.size or not (places.first.any() or places.rest.any()):
        return ()
    chance = _comes_first(parts, places)
    total = float(chance.sum())
    share = chance * (probability / total) if total > 0 else chance
    return tuple(
        LayerShare(low, (low, high), float(top[high]), float(s))
        for (low, high), s in zip(places.layers, share, strict=True)
    )


def _comes_first(parts: Parts, places: Places) -> Floats:
    """Chance of each row that no earlier one jams and it does, `(rows,)`, before it is brought to the stated chance."""
    weight = (parts.weight[:, None] * NODE_WEIGHT).reshape(-1) / parts.weight.sum()
    by_job = ONE.shared * NODE  # what one job shares shifts both parts alike
    first, rest = ((log_margin[:, None] - by_job).reshape(-1) for log_margin in (parts.first, parts.rest))
    held_first = np.interp(first, SHIFT, held_by_row(places.first)[-1])  # all of it lies in the first row
    # a draw counts by how sure it is to have come through the first layer; its place on the grid is shared by two nodes
    at = np.clip((rest - SHIFT[0]) / (SHIFT[1] - SHIFT[0]), 0, SHIFT.size - 1 - 1e-9)
    low = at.astype(np.int64)
    counts = weight * held_first
    on_grid = np.bincount(low, counts * (1 - at + low), SHIFT.size)
    on_grid += np.bincount(low + 1, counts * (at - low), SHIFT.size)
    came_through = held_by_row(places.rest) @ on_grid
    return np.asarray(-np.diff(np.concatenate([[weight.sum()], came_through])))


def held_by_row(stretches: Floats) -> Floats:
    """Chance that no stretch up to the end of each row passes below one, `(rows, shifts)`."""
    from scipy.special import log_ndtr

    each = log_ndtr((SHIFT + BINS[:, None]) / np.log(WANDER))
    return np.asarray(np.exp(np.cumsum(stretches, axis=0) @ each))


def stretches_by_row(margin: Floats, fed: Floats, row: NDArray[np.int64], rows: int, here: NDArray[np.bool_]) -> Floats:
    """Stretches of filament by row and by how far the margin lies above the least of the part, `(rows, bins)`."""
    if not here.any():
        return np.zeros((rows, BINS.size))
    above = margin[here] - margin[here].min()
    bin_ = np.floor(above / (BINS[1] - BINS[0]) + 1e-9).astype(np.int64)
    near = bin_ < BINS.size
    place = row[here][near] * BINS.size + bin_[near]
    found = np.asarray(np.bincount(place, fed[here][near] / STRETCH_MM, rows * BINS.size), dtype=np.float64)
    found = found.reshape(rows, BINS.size)
    found[:, 0] *= np.maximum(1.0 / found[:, 0].sum(), 1.0)  # the least margin is passed once at least
    return found
