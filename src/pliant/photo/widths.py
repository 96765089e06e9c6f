"""How wide the bead is along a row: each profile across it against the row's own full bead, drawn in.

A pressed bead is a flat strip with round sides of half its height (`models.bead`), and ground that may be shaded on
either side: five levels side by side, as soft as the picture is. The full bead before the stop and before the second
tooth says which levels; then a narrower bead has the same ones, nearer together, and each profile is compared with that
family, its ground free. So neither blur nor light nor shadow passes for width. Left out: a bead that thins below the
height of its layer and lies lower, so widths under about twice the height are worth less the thinner they are.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.photo.place import Laid, sampled
from pliant.photo.track import Row, straights

__all__ = ["Widths", "widths_along"]

Floats = NDArray[np.float64]
STEP_MM = 0.25  # along the path
_ACROSS = np.arange(-1.35, 1.3501, 0.05)
_FULL_MM = 25.0  # so much of the full bead shows its edges
_BY_A_TOOTH_MM, _BY_A_TURN_MM = 1.0, 1.2
_GRID_MM, _ASIDE_MM = 0.01, 0.3
_WANDER_MM = 0.06  # [mm] how far a thin bead lies beside the line that the full one lies on; our choice
_SHADES_MM = (0.12, 0.4)  # how far a shade beside the bead reaches: close, and wide


@dataclass(frozen=True)
class Widths:
    """Width along one row."""

    along_mm: Floats  # from the row's beginning
    width_mm: Floats
    spread_mm: float  # of one, as the full bead shows it
    full_mm: float  # width before the stop
    clear: float  # contrast of the full bead over the noise of one profile [-]
    grid_mm: Floats  # widths that were tried
    cost: Floats  # (places, widths): what each width misses of the profile there, in squares of the noise


def widths_along(out: NDArray[np.float32], row: Row, laid: Laid, blur_mm: float) -> Widths:
    """Measure a row.

    Parameters
    ----------
    out : ndarray
        From `place.contrast`.
    row : Row
        Its path.
    laid : Laid
        Where it lies.
    blur_mm : float
        Softness of an edge in the picture. [mm]

    Returns
    -------
    Widths
        At straight lanes, but for what is close to a tooth or a turn.
    """
    along = _samples(row)
    grid = row.at(along)[:, None] + _ACROSS[None, :, None] * np.array((0.0, 1.0))
    profiles = sampled(out, laid(grid))
    ends = [(row.stop_mm - _FULL_MM, row.stop_mm)]
    ends.append((max(row.second_mm - _FULL_MM, (row.start_mm + row.second_mm) / 2), row.second_mm))
    full = np.any([(along > a) & (along < b) for a, b in ends], axis=0)
    mean, own = profiles[full].mean(axis=0), profiles[full]
    for _ in range(2):  # each profile of the full bead moved to where the mean of all has its middle
        own = _moved(profiles[full], _asides(profiles[full], mean))
        mean = own.mean(axis=0)
    shape = _shape_of(mean, row, blur_mm)
    bare = mean @ _BARE
    noise = max(float(np.std(own @ _BARE - bare)), 1e-5)
    grid_mm, cost = _costs(profiles, shape, noise)
    found = _least(grid_mm, cost)
    steady = found[full]
    middle = float(np.median(steady))
    return Widths(
        along, found * shape.wide_mm / middle, float(1.4826 * np.median(np.abs(steady - middle))), shape.wide_mm,
        float((bare.max() - bare.min()) / noise), grid_mm * shape.wide_mm / middle, cost,
    )  # fmt: skip


def _samples(row: Row) -> Floats:
    """Places along straight lanes, clear of teeth and turns."""
    found = []
    for a, b, across in straights(row):
        if across[1]:
            found.append(np.arange(a + (_BY_A_TURN_MM if a > 0 else 0.5), b - _BY_A_TURN_MM, STEP_MM))
    s = np.concatenate(found)
    clear = np.all([np.abs(s - tooth) > _BY_A_TOOTH_MM for tooth in (row.stop_mm, row.second_mm)], axis=0)
    return np.asarray(s[clear])


def _asides(profiles: Floats, mean: Floats) -> Floats:
    """How far each profile lies beside the mean. [mm]"""
    shifts = np.arange(-_ASIDE_MM, _ASIDE_MM + 1e-9, 0.02)
    moved = np.array([np.interp(_ACROSS - s, _ACROSS, mean) for s in shifts]) @ _BARE
    miss = (moved**2).sum(axis=1) - 2 * (profiles @ _BARE) @ moved.T
    return np.asarray(shifts[np.argmin(miss, axis=1)])


def _moved(profiles: Floats, asides: Floats) -> Floats:
    return np.array([np.interp(_ACROSS + s, _ACROSS, p) for p, s in zip(profiles, asides, strict=True)])


@dataclass(frozen=True)
class _Shape:
    """The full bead as the picture shows it: levels of its strips, and how soft they are."""

    levels: Floats
    middle_mm: float
    wide_mm: float
    soft_mm: float
    side_mm: float  # of a round side


def _strips(left: float, right: float, side: float, soft: float) -> Floats:
    """Levels of one: wide and close shade, round side, the whole bead, round side, close and wide shade; `(7, n)`."""
    from scipy.special import ndtr

    side = min(side, (right - left) / 2)
    near, far = _SHADES_MM
    at = np.array([left - far, left - near, left, left + side, right - side, right, right + near, right + far])
    steps = ndtr((_ACROSS[None] - at[:, None]) / soft)
    strips = steps[:-1] - steps[1:]
    strips[3] = steps[2] - steps[5]  # what a round side shows is told as what it differs by from the whole
    return np.asarray(strips)


def _shape_of(mean: Floats, row: Row, blur_mm: float) -> _Shape:
    """The strips that the mean of the full bead misses least."""
    from scipy.optimize import least_squares

    def levels(p: Floats) -> tuple[Floats, Floats]:
        made = _strips(p[0] - p[1] / 2, p[0] + p[1] / 2, row.height_mm / 2, p[2]) @ _BARE
        own = mean @ _BARE
        # sides differ, and shades are there, only as far as the picture asks: else they would pass for width
        tied = np.concatenate([made.T, np.diag(_TIED)])
        found, *_ = np.linalg.lstsq(tied, np.concatenate([own, np.zeros(7)]), rcond=None)
        return found, tied @ found - np.concatenate([own, np.zeros(7)])

    size = np.abs(mean @ _BARE)
    low = np.array([-_ASIDE_MM, 0.4 * row.width_mm, 0.8 * blur_mm])
    high = np.array([_ASIDE_MM, 2.0 * row.width_mm, 2.0 * blur_mm + 0.02])
    middle = float(np.clip((size**2 * _ACROSS).sum() / (size**2).sum(), -0.25, 0.25))
    tries = [
        least_squares(lambda p: levels(p)[1], (m, row.width_mm, 1.05 * blur_mm), bounds=(low, high), x_scale=0.05)
        for m in (middle - 0.04, middle + 0.04)
    ]
    best = min(tries, key=lambda t: float(t.cost)).x
    return _Shape(levels(best)[0], float(best[0]), float(best[1]), float(best[2]), row.height_mm / 2)


def _costs(profiles: Floats, shape: _Shape, noise: float) -> tuple[Floats, Floats]:
    """Widths, and what each misses of each profile, its ground free and its middle nearly where the full bead's is."""
    widths = np.arange(0.0, 1.5 * shape.wide_mm, _GRID_MM)
    asides = np.arange(-3 * _WANDER_MM, 3 * _WANDER_MM + 1e-9, _WANDER_MM / 2)
    own = profiles @ _BARE
    whole = (own**2).sum(axis=1)
    cost = np.empty((len(profiles), len(widths)))
    for k, w in enumerate(widths):
        share = min(1.0, w / (2 * shape.side_mm))  # a bead thinner than its sides throws less of a shade
        levels = shape.levels * np.array([share, share, 1, 1, 1, share, share])
        edges = ((shape.middle_mm + a - w / 2, shape.middle_mm + a + w / 2) for a in asides)
        members = np.array([levels @ _strips(*e, shape.side_mm, shape.soft_mm) for e in edges]) @ _BARE
        miss = whole[:, None] + (members**2).sum(axis=1) - 2 * own @ members.T
        cost[:, k] = (miss / noise**2 + (asides / _WANDER_MM) ** 2).min(axis=1)
    return widths, cost


def _least(grid_mm: Floats, cost: Floats) -> Floats:
    """The width that misses each profile least, between those tried. [mm]"""
    k = np.clip(np.argmin(cost, axis=1), 1, len(grid_mm) - 2)
    i = np.arange(len(cost))
    a, b, c = cost[i, k - 1], cost[i, k], cost[i, k + 1]
    bend = a - 2 * b + c
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where(bend > 0, 0.5 * (a - c) / bend, 0.0)
    return np.asarray((k + np.clip(step, -1, 1)) * _GRID_MM)


def _ground_off() -> Floats:
    """What takes a straight ground off a profile, `(n, n)`."""
    basis, _ = np.linalg.qr(np.column_stack([np.ones_like(_ACROSS), _ACROSS]))
    return np.asarray(np.eye(len(_ACROSS)) - basis @ basis.T)


_BARE = _ground_off()
_TIED = np.array([0.6, 0.6, 0.3, 0.0, 0.3, 0.6, 0.6])  # our choice: shades are weaker than sides
