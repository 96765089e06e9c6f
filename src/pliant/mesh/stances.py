"""Ways to stand, measured on the facets: height, foot, overhang, islands born on air; and what they weigh.

Candidates come from here: faces of the convex hull on which the part rests stably, and small tilts that score better.
The weights order candidates and prove nothing.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError
from pliant.kernels.section import stand_measures
from pliant.mesh.repair import half_edge_twins
from pliant.records.part import Mesh

__all__ = ["ISLAND_SHARE", "Facets", "Limits", "refined", "resting_directions"]

_ANGLE_SLACK_DEG = 0.05  # a facet drawn at the limit stays within it after float32 rounding
# weights of the search among facets, in mm2 of overhang (own choice; they order candidates and prove nothing)
ISLAND_SHARE = 0.1  # of the part's surface, for each island born on air
_HEIGHT_SHARE = 0.05  # of the surface, for standing as tall as the part's longest direction
_FOOT_SHARE = 0.3  # of the surface, for having no footprint at all
_NO_FOOT = 1.0  # of the surface, more, for standing on less than the least foot
_TALL_SHARE, _STAND_SHARE = 0.02, 0.05  # of the surface: for height over the longest direction, for having no footprint


@dataclass(frozen=True)
class Limits:
    """What is taken to be printable without support; see the module's first lines."""

    overhang_deg: float = 45.0  # from the vertical; customary, Jiang, Xu, Stringer 2019 (second hand)
    ledge_mm: float = 0.5  # low end of 0.5-1.5, Mazlan et al. 2020 (abstract); beyond it is a doubt
    ledge_most_mm: float = 1.5  # high end; beyond it needs support
    bridge_mm: float = 10.0  # "10 mm rule", empirical, He et al. 2026 (second hand)
    foot_mm2: float = 25.0  # least first layer a part is stood on, 5 x 5 mm; own choice
    foot_share: float = 0.002  # of the height squared, where that is more; own choice

    def least_foot_mm2(self, height_mm: float) -> float:
        """Least first layer that a part of this height is stood on."""
        return max(self.foot_mm2, self.foot_share * height_mm**2)


@dataclass(frozen=True)
class Facets:
    """The mesh as the kernel wants it."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    normals: NDArray[np.float64]
    areas: NDArray[np.float64]
    edges: NDArray[np.int32]
    surface_mm2: float
    span_mm: float
    tie_mm: float

    @classmethod
    def of(cls, mesh: Mesh) -> "Facets":
        """From a closed mesh."""
        v, f = mesh.vertices, mesh.faces
        n = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
        size = np.linalg.norm(n, axis=1)
        normals = np.divide(n, size[:, None], out=np.zeros_like(n), where=size[:, None] > 0)
        twin = half_edge_twins(f)
        half = np.arange(twin.size)
        once = half[(half < twin) | (twin < 0)]
        edges = np.column_stack([f.reshape(-1)[once], np.roll(f, -1, axis=1).reshape(-1)[once]])
        span = float(np.linalg.norm(np.ptp(v, axis=0)))
        return cls(v, f, normals, size / 2, edges, float(size.sum() / 2), span, 1e-6 * span)

    def measure(self, ups: NDArray[np.float64], limits: Limits, contact_mm: float) -> NDArray[np.float64]:
        """Height, foot, overhang and islands born on air for each up direction, `(n, 4)`."""
        sine = np.sin(np.deg2rad(limits.overhang_deg + _ANGLE_SLACK_DEG))
        return stand_measures(self.vertices, self.faces, self.normals, self.areas, self.edges,
                              np.ascontiguousarray(ups), sine, contact_mm, self.tie_mm)  # fmt: skip

    def score(self, measured: NDArray[np.float64], limits: Limits, piece_share: float = ISLAND_SHARE) -> Any:
        """What a way to stand costs, `(n,)`; smaller is better. [mm2]"""
        height, foot, overhang, births = measured.T
        short = foot < np.maximum(limits.foot_mm2, limits.foot_share * height**2)
        return overhang + self.surface_mm2 * (
            piece_share * births
            + _HEIGHT_SHARE * height / self.span_mm
            + _FOOT_SHARE * self.lack(foot)
            + _NO_FOOT * short
        )

    def lack(self, foot_mm2: Any) -> Any:
        """How much of a plentiful foot, a tenth of the surface, is missing."""
        return 1 - np.minimum(foot_mm2 / (0.1 * self.surface_mm2), 1.0)

    def stand(self, height_mm: float, foot_mm2: float) -> tuple[float, float]:
        """What height and foot weigh in the last ranking."""
        return (
            self.surface_mm2 * _TALL_SHARE * height_mm / self.span_mm,
            self.surface_mm2 * _STAND_SHARE * float(self.lack(foot_mm2)),
        )


def resting_directions(mesh: Mesh) -> NDArray[np.float64]:
    """Up directions in which the part rests stably on a face of its convex hull, the largest sixty."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(mesh.vertices)
    except QhullError as error:
        raise MeshError(f"{mesh.file}: flat, it encloses no volume; save the part as a solid body") from error
    corner = mesh.vertices[hull.simplices]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 2
    key, group = np.unique(np.round(hull.equations[:, :3], 4), axis=0, return_inverse=True)
    group = group.reshape(-1)
    total = np.bincount(group, weights=area)
    centre = _centroid(mesh)
    found = []
    for g in np.argsort(-total)[:300]:
        mine = corner[group == g]
        down = key[g] / np.linalg.norm(key[g])
        foot = centre + down * float(np.dot(mine[0, 0] - centre, down))
        if any(_contains(t, foot, down) for t in mine):
            found.append(-down)
        if len(found) == 60:
            break
    return np.array(found).reshape(-1, 3)


def _contains(triangle: NDArray[np.float64], point: NDArray[np.float64], normal: NDArray[np.float64]) -> bool:
    sides = [
        float(np.dot(np.cross(triangle[(k + 1) % 3] - triangle[k], point - triangle[k]), normal)) for k in range(3)
    ]
    slack = 1e-9 * float(np.abs(triangle).max() ** 2 + 1)
    return all(s >= -slack for s in sides) or all(s <= slack for s in sides)


def _centroid(mesh: Mesh) -> NDArray[np.float64]:
    origin = mesh.vertices.mean(axis=0)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] - origin for k in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    return origin + (six[:, None] * (a + b + c)).sum(axis=0) / (4 * six.sum())


def refined(
    facets: Facets, up: NDArray[np.float64], limits: Limits, contact_mm: float, share: float
) -> tuple[NDArray[np.float64], int]:
    """Pattern search over small tilts; a step is taken only if it lowers the score by more than a thousandth."""
    tried = 0
    score = float(facets.score(facets.measure(up[None], limits, contact_mm), limits, share)[0])
    for step_deg in (6.0, 3.0, 1.5):
        while True:
            one = np.cross(up, [1.0, 0, 0] if abs(up[0]) < 0.9 else [0, 1.0, 0])
            one /= np.linalg.norm(one)
            two = np.cross(up, one)
            angle = np.arange(6) * np.pi / 3
            near = up + np.tan(np.deg2rad(step_deg)) * (np.cos(angle)[:, None] * one + np.sin(angle)[:, None] * two)
            near /= np.linalg.norm(near, axis=1)[:, None]
            cost = facets.score(facets.measure(near, limits, contact_mm), limits, share)
            tried += 6
            best = int(cost.argmin())
            if cost[best] > score - 1e-3 * abs(score) or tried > 120:
                break
            up, score = near[best], float(cost[best])
    return up, tried
