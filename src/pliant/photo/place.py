"""Where in the opening of its frame the piece lies, and whether it is this piece.

First the drawn path is slid and turned over what stands out from its ground; then a turn, a shift and a stretch are
fitted to the middles of its lanes, turns and teeth. The stretch is the scale of the printed frame: the lanes of the
piece are as long as the machine made them, whatever the paper says.
"""

# ruff: noqa: E501 (sentences stay whole)
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.photo.marks import EDGE_MM, WINDOW_MM
from pliant.photo.picture import cv
from pliant.photo.square import PIXEL_MM, Squared
from pliant.photo.track import LANES_MM, Row, straights

__all__ = ["Laid", "contrast", "find_piece"]

Floats = NDArray[np.float64]
_COARSE_MM, _GROUND_MM = 0.2, 5.0
_TURNS_DEG = np.arange(-8.0, 8.01, 0.4)
_LEAST_LIKENESS, _MOST_MISS_MM, _LEAST_FOUND = 0.25, 0.35, 0.8
_MOST_STRETCH = 0.06
_SIZES, _GOOD_LIKENESS = (1.0, 0.97, 1.03, 0.94), 0.55


@dataclass(frozen=True)
class Laid:
    """From the layout of the piece to the frame: `(x, y) -> (a x - b y + tx, b x + a y + ty)`, and how well it fits."""

    a: float
    b: float
    shift: tuple[float, float]
    miss_mm: float

    def __call__(self, p: Floats) -> Floats:
        """Places of the frame. [mm]"""
        return p @ np.array([[self.a, self.b], [-self.b, self.a]]) + np.array(self.shift)

    @property
    def stretch(self) -> float:
        """Frame's millimetres per millimetre of the piece."""
        return float(np.hypot(self.a, self.b))

    def across(self, direction: Floats) -> Floats:
        """A direction of the layout, of length one millimetre of the piece."""
        return direction @ np.array([[self.a, self.b], [-self.b, self.a]])


def contrast(squared: Squared) -> NDArray[np.float32]:
    """How far each pixel stands out from the ground around it, as a share of it, in the colour that shows most of it.

    Parameters
    ----------
    squared : Squared
        The picture.

    Returns
    -------
    ndarray
        `(rows, columns)`. [-]
    """
    cv2 = cv()
    inside = _inside(squared.pixels.shape[0])
    best = None
    for k in range(3):
        one = np.ascontiguousarray(squared.pixels[..., k])
        small = cv2.resize(one, None, fx=0.2, fy=0.2, interpolation=cv2.INTER_AREA)
        ground = cv2.medianBlur(small, 2 * round(_GROUND_MM / PIXEL_MM / 5 / 2) + 1)
        ground = cv2.GaussianBlur(ground.astype(np.float32), None, 3)
        ground = cv2.resize(ground, (one.shape[1], one.shape[0]), interpolation=cv2.INTER_LINEAR)
        out = one / np.maximum(ground, 8.0) - 1
        # the strongest tenth against what the bare ground does by itself
        size = np.abs(cv2.GaussianBlur(out[inside, inside], None, 2.5)[::4, ::4])
        worth = float(np.quantile(size, 0.985) / max(np.median(size), 1e-4)) * float(np.quantile(size, 0.985)) ** 0.25
        if best is None or worth > best[0]:
            best = (worth, out)
    assert best is not None
    return np.asarray(best[1], dtype=np.float32)


def _inside(rows: int) -> slice:
    rim = round((EDGE_MM - WINDOW_MM + 2) / 2 / PIXEL_MM)
    return slice(rim, rows - rim)


def find_piece(out: NDArray[np.float32], rows: Sequence[Row], name: str) -> Laid:
    """Find the piece in what stands out.

    Parameters
    ----------
    out : ndarray
        From `contrast`.
    rows : sequence of Row
        The paths of the piece.
    name : str
        Of the picture, for errors.

    Returns
    -------
    Laid

    Raises
    ------
    PliantError
        If there is no such piece in the opening.
    """
    starts, likeness = [], 0.0
    for size in _SIZES:  # of the frame on paper, the most likely first
        starts += _coarse(out, rows, 1 / size)
        likeness = max(like for _, like in starts)
        if likeness > _GOOD_LIKENESS:
            break
    starts.sort(key=lambda found: -found[1])
    if likeness < _LEAST_LIKENESS:
        raise PliantError(
            f"{name}: this piece is not to be seen in the frame (likeness {likeness:.2f}, {_LEAST_LIKENESS:g} is the least); "
            "lay the frame around it as it is drawn, first row below, on a ground that it stands out from; light from the "
            "side helps"
        )
    # lanes look alike, a lane further or upside down: the teeth say which it is
    tries = ((laid, lanes) for lanes in (0, 1, -1, 2, -2) for laid, like in starts if like > 0.8 * likeness)
    laid, found = starts[0][0], (0.0, 0.0)
    for start, lanes in tries:
        moved, share = _settled(out, rows, start, lanes)
        if min(share) > min(found) or sum(found) == 0:
            laid, found = moved, share
        if min(found) >= _LEAST_FOUND:
            break
    if min(found) < _LEAST_FOUND or laid.miss_mm > _MOST_MISS_MM or abs(laid.stretch - 1) > _MOST_STRETCH:
        raise PliantError(
            f"{name}: what lies in the frame is not this piece as it was printed ({found[0]:.0%} of its path found, {found[1]:.0%} of its teeth, "
            f"{laid.miss_mm:.2f} mm beside it, {laid.stretch:.3f} times its size); leave the piece on the bed, and give the "
            "readings file that came with it"
        )
    return laid


def _settled(out: NDArray[np.float32], rows: Sequence[Row], laid: Laid, lanes: int) -> tuple[Laid, tuple[float, float]]:
    """The fit from a start, moved by so many lanes: where it ends, and the share of path and of teeth found."""
    by = lanes * LANES_MM * laid.across(np.array((0.0, 1.0)))
    laid = replace(laid, shift=(laid.shift[0] + float(by[0]), laid.shift[1] + float(by[1])))
    for reach in (1.0, 0.7, 0.5):
        laid, found = _finer(out, rows, laid, reach)
    return laid, found


def _middle(rows: Sequence[Row]) -> Floats:
    c = np.array([p for row in rows for p in row.corners])
    return np.asarray((c.min(axis=0) + c.max(axis=0)) / 2)


def _coarse(out: NDArray[np.float32], rows: Sequence[Row], stretch: float) -> list[tuple[Laid, float]]:
    """Best of all turns and shifts, upright and upside down, at one size, and its likeness."""
    cv2 = cv()
    inside = _inside(out.shape[0])
    share = PIXEL_MM / _COARSE_MM
    seen = cv2.GaussianBlur(np.minimum(np.abs(out[inside, inside]), 0.5), None, 2)
    seen = cv2.resize(seen, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    seen = np.minimum(seen, 2 * np.quantile(seen, 0.97))
    middle, wide = _middle(rows), seen.shape[0] * _COARSE_MM
    bests = []
    for base in (0.0, 180.0):
        best = (-1.0, 0.0, 0.0, 0.0)
        for turn in np.radians(base + _TURNS_DEG):
            laid = Laid(stretch * float(np.cos(turn)), stretch * float(np.sin(turn)), (0.0, 0.0), 0.0)
            lines = [laid(row.at(np.array([*np.arange(a, b, 1.0), b])) - middle) for row in rows for a, b in row.fed()]
            low = np.concatenate(lines).min(axis=0) - 1.5
            high = np.concatenate(lines).max(axis=0) + 1.5
            mask = np.zeros(tuple(np.ceil((high - low)[::-1] / _COARSE_MM).astype(int)), np.float32)
            if mask.shape[0] >= seen.shape[0] or mask.shape[1] >= seen.shape[1]:
                continue
            for line in lines:
                at = np.column_stack([line[:, 0] - low[0], high[1] - line[:, 1]]) / _COARSE_MM
                cv2.polylines(mask, [np.round(at * 8).astype(np.int32)], False, 1.0, 3, cv2.LINE_8, 3)
            like = cv2.matchTemplate(seen, cv2.GaussianBlur(mask, None, 0.8), cv2.TM_CCOEFF_NORMED)
            _, most, _, (column, row_) = cv2.minMaxLoc(like)
            if most > best[0]:
                x = column * _COARSE_MM - wide / 2 - low[0]
                y = wide / 2 - row_ * _COARSE_MM - high[1]
                best = (float(most), float(turn), float(x), float(y))
        likeness, turn, x, y = best
        laid = Laid(stretch * float(np.cos(turn)), stretch * float(np.sin(turn)), (0.0, 0.0), 0.0)
        moved = np.array((x, y)) - laid(middle[None])[0]
        bests.append((replace(laid, shift=(float(moved[0]), float(moved[1]))), likeness))
    return bests


def _finer(
    out: NDArray[np.float32], rows: Sequence[Row], laid: Laid, reach_mm: float
) -> tuple[Laid, tuple[float, float]]:
    """One step of the fit: where across the path the bead is, at lanes, turns and teeth."""
    places, normals, tooth = _probes(rows)
    across = np.arange(-reach_mm, reach_mm + 1e-9, PIXEL_MM)
    grid = places[:, None] + across[None, :, None] * normals[:, None]
    size = np.abs(sampled(out, laid(grid.reshape(-1, 2)).reshape(grid.shape)))
    size = np.maximum(size - np.quantile(size, 0.3, axis=1, keepdims=True), 0)
    inside = _inside(
        out.shape[0]
    )  # the bead is what stands out most: where there is none, its ground is not taken for it
    strong = max(np.median(size.max(axis=1)), 0.7 * np.quantile(np.abs(out[inside, inside][::4, ::4]), 0.98))
    size = size**2
    offset = (size * across).sum(axis=1) / np.maximum(size.sum(axis=1), 1e-9)
    ok = np.sqrt(size.max(axis=1)) > 0.4 * strong
    x, y = places.T
    # n . (M p + t) = n . (M p + t now) + offset, in the layout's own directions turned into the frame's
    n = laid.across(normals)
    n = n / np.hypot(*n.T)[:, None]
    rows_ = np.column_stack([n[:, 0] * x + n[:, 1] * y, -n[:, 0] * y + n[:, 1] * x, n[:, 0], n[:, 1]])
    goal = np.sum(n * laid(places), axis=1) + offset * laid.stretch
    for _ in range(4):
        p, *_ = np.linalg.lstsq(rows_[ok], goal[ok], rcond=None)
        left = goal - rows_ @ p
        spread = 1.4826 * np.median(np.abs(left[ok]))
        ok = ok & (np.abs(left) < max(3.5 * spread, 0.05))
    return (
        Laid(float(p[0]), float(p[1]), (float(p[2]), float(p[3])), float(np.sqrt(np.mean(left[ok] ** 2)))),
        (float(ok[~tooth].mean()), float(ok[tooth].mean())),
    )


def _probes(rows: Sequence[Row]) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Places where the bead is surely full, the direction across it there, and whether it is a tooth."""
    places, normals, teeth = [], [], []
    for row in rows:
        for a, b, across in straights(row):
            s = np.arange(a + 0.8, b - 0.8, 0.5 if b - a < 5 else 1.5)
            full = (s < row.stop_mm - 1.5) | (s > row.second_mm + 1.5)
            full |= (s > (row.start_mm + row.second_mm) / 2) & (s < row.second_mm - 1.5)
            places.append(row.at(s[full]))
            normals.append(np.tile(across, (int(full.sum()), 1)))
            teeth.append(np.zeros(int(full.sum()), bool))
        for tooth in (row.stop_mm, row.second_mm):
            up = np.arange(0.55, row.tooth_mm - 0.15, 0.05)
            places.append(row.at(np.full(len(up), tooth)) + np.column_stack([0 * up, up]))
            normals.append(np.tile((1.0, 0.0), (len(up), 1)))
            teeth.append(np.ones(len(up), bool))
    return np.concatenate(places), np.concatenate(normals), np.concatenate(teeth)


def sampled(field: NDArray[np.float32], at: Floats) -> Floats:
    """A field at places of the frame, between its pixels.

    Parameters
    ----------
    field : ndarray
        `(rows, columns)` at `PIXEL_MM`.
    at : ndarray
        `(..., 2)`. [mm]

    Returns
    -------
    ndarray
        Of the shape of `at` without its last.
    """
    cv2 = cv()
    column = ((at[..., 0] + EDGE_MM / 2) / PIXEL_MM - 0.5).astype(np.float32)
    row = ((EDGE_MM / 2 - at[..., 1]) / PIXEL_MM - 0.5).astype(np.float32)
    flat = cv2.remap(field, column.reshape(len(column), -1), row.reshape(len(row), -1), cv2.INTER_CUBIC)
    return np.asarray(flat, dtype=float).reshape(at.shape[:-1])
