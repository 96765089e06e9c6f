"""Turning a part: directions to try, the rotation that puts one up, words for it, and the turn that makes it fit."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.records.part import Mesh

__all__ = ["hull_points", "rotation_to", "sphere_directions", "spin_to_fit_deg", "turn_words"]


def sphere_directions(count: int) -> NDArray[np.float64]:
    """Near-uniform unit vectors (golden-angle spiral), shape (count, 3); the six axes come first."""
    k = np.arange(count) + 0.5
    z = 1 - 2 * k / count
    turn = np.pi * (1 + np.sqrt(5.0)) * k
    r = np.sqrt(1 - z**2)
    axes = np.array([[0, 0, 1], [0, 0, -1], [0, 1, 0], [0, -1, 0], [1, 0, 0], [-1, 0, 0]], dtype=float)
    return np.vstack([axes, np.column_stack([r * np.cos(turn), r * np.sin(turn), z])])


def rotation_to(up: Any) -> NDArray[np.float64]:
    """Rotation, first about x and then about y, that turns the direction `up` of the file to +z."""
    x, y, z = np.asarray(up, dtype=float) / np.linalg.norm(up)
    a, b = _turns(x, y, z)
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    return about_y @ about_x


def _turns(x: float, y: float, z: float) -> tuple[float, float]:
    flat = float(np.hypot(y, z))
    a = float(np.arctan2(y, z)) if flat > 1e-9 else 0.0
    return a, float(-np.arctan2(x, flat))


def turn_words(up: Any) -> str:
    """How to turn the part as drawn so that `up` points up."""
    x, y, z = np.asarray(up, dtype=float) / np.linalg.norm(up)
    a, b = (round(float(np.rad2deg(v)), 1) + 0.0 for v in _turns(x, y, z))
    if abs(a) < 0.1 and abs(b) < 0.1:
        return "as drawn"
    if abs(abs(a) - 180) < 0.1 and abs(b) < 0.1:
        return "upside down (180° about x)"
    steps = [f"{angle:.0f}° about {axis}" if angle == round(angle) else f"{angle:.1f}° about {axis}"
             for angle, axis in ((a, "x"), (b, "y")) if abs(angle) >= 0.1]  # fmt: skip
    return ("turned " + ", then ".join(steps)).replace("-", "−")


def hull_points(mesh: Mesh) -> NDArray[np.float64]:
    """Corners of the convex hull: where the part ends, however it is turned."""
    from scipy.spatial import ConvexHull

    return np.asarray(mesh.vertices[ConvexHull(mesh.vertices).vertices])


def spin_to_fit_deg(points: NDArray[np.float64], up: Any, reach_mm: tuple[float, float, float]) -> float | None:
    """Turn about the vertical at which a part standing on `-up` fits a box; 0 where it need not turn, None if never."""
    p = points @ rotation_to(up).T
    x, y, z = np.ptp(p, axis=0)
    if z > reach_mm[2] * (1 + 1e-9):
        return None
    if x <= reach_mm[0] * (1 + 1e-9) and y <= reach_mm[1] * (1 + 1e-9):
        return 0.0
    angle = np.deg2rad(np.arange(1.0, 180.0))
    along = np.ptp(p[:, :1] * np.cos(angle) - p[:, 1:2] * np.sin(angle), axis=0)
    across = np.ptp(p[:, :1] * np.sin(angle) + p[:, 1:2] * np.cos(angle), axis=0)
    room = (along <= reach_mm[0] * (1 + 1e-9)) & (across <= reach_mm[1] * (1 + 1e-9))
    return float(np.rad2deg(angle[np.argmax(room)])) if room.any() else None
