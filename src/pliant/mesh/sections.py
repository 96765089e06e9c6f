"""Sections of a part at many heights: outlines, areas, islands.

The cutting is exact for the triangles given (linear interpolation along edges). Overlapping shells are united, voids
subtracted: a point is solid where the outlines wind around it a positive number of times (3MF core, fill rule).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.section import cut_levels
from pliant.mesh.repair import half_edge_twins

__all__ = ["Sections", "cut", "layer_levels_mm", "turned"]


@dataclass(frozen=True)
class Sections:
    """Outlines at ascending heights; loop k is `points[starts[k]:starts[k + 1]]`, solid to its left."""

    level_mm: NDArray[np.float64]  # (n_levels,)
    points: NDArray[np.float64]  # (n_points, 2)
    starts: NDArray[np.int64]  # (n_loops + 1,)
    loops_of: NDArray[np.int64]  # (n_levels + 1,): loops of level i are loops_of[i] to loops_of[i + 1]
    broken: int  # outlines that do not close, of an open mesh

    def loops(self, level: int) -> list[NDArray[np.float64]]:
        """Outlines of one level, each (n, 2)."""
        return [
            self.points[self.starts[k] : self.starts[k + 1]]
            for k in range(self.loops_of[level], self.loops_of[level + 1])
        ]

    def area_mm2(self) -> NDArray[np.float64]:
        """Signed area of the outlines of each level (a place inside two overlapping shells counts twice). [mm2]"""
        if not self.points.size:
            return np.zeros(self.level_mm.size)
        after = np.arange(1, self.points.shape[0] + 1)
        after[self.starts[1:] - 1] = self.starts[:-1]
        x, y = self.points.T
        cross = (x * y[after] - x[after] * y) / 2
        total = np.concatenate([[0.0], np.cumsum(cross)])
        return np.diff(total[self.starts[self.loops_of]])

    def solid(self, level: int) -> Any:
        """The level as a polygon set (manifold3d CrossSection) free of crossings."""
        from manifold3d import CrossSection, FillRule

        loops = [p for p in self.loops(level) if p.shape[0] > 2]
        return CrossSection(loops, FillRule.Positive) if loops else CrossSection()


def cut(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    level_mm: NDArray[np.float64],
    twin: NDArray[np.int64] | None = None,
) -> Sections:
    """Cut a mesh at ascending heights.

    Parameters
    ----------
    vertices : ndarray
        Points, shape (n, 3), already turned so that z is up. [mm]
    faces : ndarray
        Triangles, shape (m, 3), the outside to the right-hand side.
    level_mm : ndarray
        Heights, ascending, shape (n_levels,). [mm]
    twin : ndarray, optional
        Result of `half_edge_twins(faces)`, to cut the same mesh again without finding it again.

    Returns
    -------
    Sections
    """
    level = np.ascontiguousarray(level_mm, dtype=np.float64)
    twin = half_edge_twins(faces) if twin is None else twin
    points, starts, level_of, broken = cut_levels(np.ascontiguousarray(vertices), faces, twin, level)
    if level_of.size and (np.diff(level_of) < 0).any():
        order = np.argsort(level_of, kind="stable")
        length = np.diff(starts)[order]
        fresh = np.concatenate([[0], np.cumsum(length)])
        take = np.repeat(starts[:-1][order] - fresh[:-1], length) + np.arange(points.shape[0])
        points, starts, level_of = points[take], fresh, level_of[order]
    loops_of = np.searchsorted(level_of, np.arange(level.size + 1))
    return Sections(level, points, starts, loops_of, int(broken))


def layer_levels_mm(vertices: NDArray[np.float64], step_mm: float) -> NDArray[np.float64]:
    """Middle height of every layer of a part whose z is up; at least one. [mm]"""
    low, high = float(vertices[:, 2].min()), float(vertices[:, 2].max())
    count = max(1, round((high - low) / step_mm))
    return np.asarray(low + (np.arange(count) + 0.5) * min(step_mm, (high - low) / count), dtype=np.float64)


def turned(vertices: NDArray[np.float64], rotation: Any) -> NDArray[np.float64]:
    """Points of the part as it stands: lowest at z = 0, the middle of its outline at the origin."""
    points: NDArray[np.float64] = vertices @ np.asarray(rotation, dtype=float).T
    low, high = points.min(axis=0), points.max(axis=0)
    points -= np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2]])
    return points
