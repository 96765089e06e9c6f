"""The frame of marks found in a picture, and the picture squared up to the frame's own millimetres.

A plane seen through a lens: a homography [1]_ and one radial term, fitted together to all corners of all marks. Left out:
higher terms of the lens, a sheet that is not flat; both show in what the fit misses, and past a bound are refused.

References
----------
.. [1] R. Hartley, A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., Cambridge 2004, ch. 4; for the
   radial term, ch. 7.4.
"""

# ruff: noqa: E501 (sentences stay whole)
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.photo.marks import CORNERS, EDGE_MM, FORM, MARK_MM, mark_places
from pliant.photo.picture import cv

__all__ = ["PIXEL_MM", "Squared", "fitted", "square_up"]

Floats = NDArray[np.float64]
PIXEL_MM = 0.05  # [mm] of the squared picture
_EVERY = 8  # pixels of it from one place that is worked out to the next
_LEAST_PX, _MOST_BLUR = 5.5, 0.2  # [pixels, -] a full bead is that many wide at least; an edge that soft, of it
_MOST_BEND, _MOST_MISS_MM = 0.2, 0.25  # [-, mm]
_PLACES = {0: "top left", 1: "top right", 2: "bottom right", 3: "bottom left", 4: "top", 5: "bottom"}


@dataclass(frozen=True)
class Squared:
    """A picture squared up: column and row are x and y of the frame, at `PIXEL_MM`, y up."""

    pixels: NDArray[np.uint8]  # (rows, columns, 3)
    miss_mm: float  # root mean square of what the fit misses at the marks
    bend: float  # radial term, at half the diagonal [-]
    px_per_mm: float  # of the picture as taken, the least at the window's corners
    blur_mm: float  # standard deviation of an edge
    way: "Way"  # from the frame's millimetres to the picture's pixels


def square_up(picture: NDArray[np.uint8], code: tuple[int, int], name: str, bead_mm: float) -> Squared:
    """Find the frame and square it up.

    Parameters
    ----------
    picture : ndarray
        As `read_picture` gives it.
    code : tuple of int
        The two marks of the piece, of `piece_code`.
    name : str
        Of the picture, for errors.
    bead_mm : float
        Width of the finest full bead: what the picture has to show. [mm]

    Returns
    -------
    Squared

    Raises
    ------
    PliantError
        If marks are missing, belong to another piece or form, or the picture is too bent, too small or blurred.
    """
    cv2 = cv()
    found = _found(picture, cv2)
    _require_frame(found, code, name)
    places = mark_places(code)
    half = MARK_MM / 2
    turn = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])  # as the standard numbers corners
    sheet = np.concatenate([np.array(places[i]) + turn for i in places])
    seen = np.concatenate([found[i] for i in places])
    way = fitted(sheet, seen, (picture.shape[1], picture.shape[0]), cv2)
    scale = min(way.px_per_mm(np.array(p)) for p in ((-50.0, -50.0), (50.0, -50.0), (50.0, 50.0), (-50.0, 50.0)))
    miss = float(np.sqrt(np.mean(np.sum((way(sheet) - seen) ** 2, axis=1)))) / scale
    if abs(way.bend) > _MOST_BEND or miss > _MOST_MISS_MM:
        raise PliantError(
            f"{name}: the marks lie {miss:.2f} mm beside where a flat sheet has them; press the sheet flat, hold the phone "
            "level above it and use the ordinary lens, not the wide one"
        )
    if scale * bead_mm < _LEAST_PX:
        raise PliantError(
            f"{name}: only {scale:.1f} pixels a millimetre, {_LEAST_PX / bead_mm:.1f} are the least; go nearer, until the frame "
            "fills the picture"
        )
    size = round(EDGE_MM / PIXEL_MM)
    middle = (np.arange(0, size, _EVERY) + _EVERY / 2) * PIXEL_MM - EDGE_MM / 2
    x, y = np.meshgrid(middle, -middle)
    at = way(np.column_stack([x.ravel(), y.ravel()])).astype(np.float32).reshape(*x.shape, 2)
    at = cv2.resize(at, (size, size), interpolation=cv2.INTER_LINEAR)  # smooth: between them it is straight
    flat = cv2.remap(picture, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    blur = _blur_mm(cv2.cvtColor(flat, cv2.COLOR_BGR2GRAY), places)
    if blur > _MOST_BLUR * bead_mm:
        raise PliantError(
            f"{name}: blurred, edges of the marks are {blur:.2f} mm soft and {_MOST_BLUR * bead_mm:.2f} is the most; rest the phone on "
            "something, tap on the piece to focus, use more light"
        )
    return Squared(flat, miss, way.bend, scale, blur, way)


def _found(picture: NDArray[np.uint8], cv2: Any) -> dict[int, Floats]:
    """Corners of the marks by number, `(4, 2)` each; one that is seen twice is none. [pixels]"""
    how = cv2.aruco.DetectorParameters()
    how.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), how)
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    corners, numbers, _ = detector.detectMarkers(grey)
    numbers = [] if numbers is None else [int(n) for n in np.ravel(numbers)]
    once = [n for n in numbers if numbers.count(n) == 1]
    return {n: np.asarray(c, dtype=float).reshape(4, 2) for n, c in zip(numbers, corners, strict=True) if n in once}


def _require_frame(found: dict[int, Floats], code: tuple[int, int], name: str) -> None:
    """Refuse a picture without the frame of this piece, and say what is missing."""
    known = {*CORNERS, *FORM}
    others = sorted(set(found) - known)
    if not found:
        raise PliantError(
            f"{name}: no marks found; lay the frame that was printed with this piece around it, all eight marks in the "
            "picture, and take it again in even light"
        )
    if all(i in found for i in CORNERS) and not any(i in found for i in FORM):
        raise PliantError(
            f"{name}: is a frame of another version; print the sheet of this piece again and use its frame"
        )
    wrong = [n for n in others if n not in code]
    if wrong and not any(n in code for n in others):
        raise PliantError(
            f"{name}: the frame belongs to another piece (its side marks are {', '.join(map(str, wrong))}, this one's "
            f"{code[0]} and {code[1]}); give the readings file of that piece, or the picture of this one"
        )
    words = _PLACES | {code[0]: "left", code[1]: "right"}
    lost = [words[i] for i in (*CORNERS, *FORM, *code) if i not in found]
    if lost:
        raise PliantError(
            f"{name}: {'marks' if len(lost) > 1 else 'mark'} not found: {', '.join(lost)}; all eight must be in the picture, "
            "whole, uncovered, without shine or hard shadow on them"
        )


@dataclass(frozen=True)
class Way:
    """From the frame's millimetres to the picture's pixels."""

    plane: Floats  # (3, 3), to normalised coordinates
    bend: float
    centre: Floats
    radius: float  # half the diagonal

    def __call__(self, sheet: Floats) -> Floats:
        """Places of the picture. [pixels]"""
        p = np.column_stack([sheet, np.ones(len(sheet))]) @ self.plane.T
        q = p[:, :2] / p[:, 2:]
        return self.centre + self.radius * q * (1 + self.bend * np.sum(q**2, axis=1, keepdims=True))

    def px_per_mm(self, at: Floats) -> float:
        """Pixels of one millimetre there, in the direction that has the fewer."""
        steps = self(at + 0.1 * np.array([(0, 0), (1, 0), (0, 1)]))
        return float(np.linalg.svd((steps[1:] - steps[0]) / 0.1, compute_uv=False)[-1])


def fitted(sheet: Floats, seen: Floats, size: tuple[int, int], cv2: Any) -> Way:
    """The way from the sheet to the picture that misses the marks' corners least.

    Parameters
    ----------
    sheet : ndarray
        `(n, 2)`. [mm]
    seen : ndarray
        `(n, 2)`. [pixels]
    size : tuple of int
        Columns and rows of the picture. [pixels]
    cv2 : module
        OpenCV.

    Returns
    -------
    Way
    """
    from scipy.optimize import least_squares

    centre, radius = np.array(size) / 2.0, float(np.hypot(*size)) / 2
    start, _ = cv2.findHomography(sheet, (seen - centre) / radius)
    if start is None or not np.all(np.isfinite(start)):
        raise PliantError("the marks lie on one line; hold the phone level above the frame")

    def way(p: Floats) -> Way:
        return Way(np.append(p[:8], 1.0).reshape(3, 3), float(p[8]), centre, radius)

    first = np.append((start / start[2, 2]).ravel()[:8], 0.0)
    best = least_squares(lambda p: (way(p)(sheet) - seen).ravel(), first, x_scale=np.maximum(np.abs(first), 1e-5))
    return way(best.x)


def _blur_mm(flat: NDArray[np.uint8], places: dict[int, tuple[float, float]]) -> float:
    """Softness of the outer edges of the marks: standard deviation of the edge's derivative, the worst mark's. [mm]"""
    worst = 0.0
    reach, half = round(1.0 / PIXEL_MM), MARK_MM / 2
    for x, y in places.values():
        column, row = (x - half + EDGE_MM / 2) / PIXEL_MM, (EDGE_MM / 2 - y) / PIXEL_MM
        rise = []
        for turned in (False, True):
            a, b = (column, row) if not turned else ((EDGE_MM / 2 - y - half) / PIXEL_MM, (x + EDGE_MM / 2) / PIXEL_MM)
            view = flat.T if turned else flat
            strip = view[int(b) - 80 : int(b) + 80, int(a) - reach : int(a) + reach].mean(axis=0)
            rise.append(_softness(strip))
        worst = max(worst, *rise)
    return worst * PIXEL_MM


def _softness(edge: Floats) -> float:
    """Distance between the places where an edge has 16 and 84 % of its step, halved. [pixels]"""
    low, high = np.median(edge[:8]), np.median(edge[-8:])
    if abs(high - low) < 15:
        return 0.0  # no edge to judge by
    share = np.maximum.accumulate(np.clip((edge - low) / (high - low), 0, 1))
    at = np.interp([0.16, 0.84], share + 1e-9 * np.arange(len(share)), np.arange(len(share)))
    return float(at[1] - at[0]) / 2
