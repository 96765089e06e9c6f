"""The islands of every layer, what each stands on, and the numbers that bending needs."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.mesh.sections import Sections

__all__ = ["Island", "islands_of", "principal", "second_moments"]

_SPECK_MM2 = 0.01  # smaller islands are rounding; under a tenth of a usual bead's section


@dataclass(frozen=True)
class Island:
    """One connected region of a layer."""

    level: int
    z_mm: float
    area_mm2: float
    centre_mm: NDArray[np.float64]  # (2,)
    moments_mm4: NDArray[np.float64]  # (2, 2): integral of r r^T about the centre
    weak_mm4: float  # its principal values
    strong_mm4: float
    contours: int
    below: tuple[int, ...]  # islands of the layer below that it overlaps
    solid: Any  # manifold3d CrossSection
    bounds: tuple[float, float, float, float]

    @property
    def thickness_mm(self) -> float:
        """Short side of the rectangle with the same area and least second moment. [mm]"""
        return float(np.sqrt(12 * max(self.weak_mm4, 0.0) / self.area_mm2))

    @property
    def length_mm(self) -> float:
        """Long side of that rectangle. [mm]"""
        return float(np.sqrt(12 * self.strong_mm4 / self.area_mm2))


def second_moments(rings: list[NDArray[np.float64]]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Area, centre and second moments about the centre of a region given by rings, holes running clockwise."""
    area, first, second = 0.0, np.zeros(2), np.zeros((2, 2))
    origin = rings[0].mean(axis=0)
    for ring in rings:
        x, y = (ring - origin).T
        x2, y2 = np.roll(x, -1), np.roll(y, -1)
        c = x * y2 - x2 * y
        area += c.sum() / 2
        first += np.array([((x + x2) * c).sum(), ((y + y2) * c).sum()]) / 6
        xy = ((x * y2 + 2 * x * y + 2 * x2 * y2 + x2 * y) * c).sum() / 24
        second += np.array([[((x * x + x * x2 + x2 * x2) * c).sum() / 12, xy],
                            [xy, ((y * y + y * y2 + y2 * y2) * c).sum() / 12]])  # fmt: skip
    centre = first / area
    return float(area), origin + centre, second - area * np.outer(centre, centre)


def principal(m: NDArray[np.float64]) -> tuple[float, float]:
    """Eigenvalues of a symmetric 2 x 2 matrix, the smaller first."""
    a, b, d = float(m[0, 0]), float(m[0, 1]), float(m[1, 1])
    middle, half = (a + d) / 2, math.hypot((a - d) / 2, b)
    return middle - half, middle + half


def islands_of(sections: Sections, chord_mm: float, bead_mm: float = 0.0) -> list[list[Island]]:
    """Islands by layer, lowest first.

    Outlines keep no detail finer than `chord_mm`. An island stands on those of the layer below that it comes within
    half of `bead_mm` of: a bead is at least that wide, however thin the section.
    """
    from manifold3d import JoinType

    layers: list[list[Island]] = []
    for level in range(sections.level_mm.size):
        under = layers[-1] if layers else []
        boxes = np.array([u.bounds for u in under]).reshape(-1, 4)
        here = []
        for piece in sections.solid(level).simplify(chord_mm).decompose():
            rings = piece.to_polygons()
            if piece.area() < _SPECK_MM2:
                continue
            area, centre, moments = second_moments(rings)
            box = piece.bounds()
            foot = piece.offset(bead_mm / 2, JoinType.Miter) if bead_mm > 0 else piece
            low_x, low_y, high_x, high_y = foot.bounds()
            near = np.flatnonzero(
                (boxes[:, 0] <= high_x) & (low_x <= boxes[:, 2]) & (boxes[:, 1] <= high_y) & (low_y <= boxes[:, 3])
            )
            below = tuple(int(i) for i in near if (under[i].solid ^ foot).area() > _SPECK_MM2 / 10)
            z = float(sections.level_mm[level])
            here.append(Island(level, z, area, centre, moments, *principal(moments), len(rings), below, piece, box))
        layers.append(here)
    return layers
