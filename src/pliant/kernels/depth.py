"""A depth buffer for line drawings: which of the lines of a part are not hidden behind it."""

import math

import numpy as np

from pliant.arrays import Bools, Floats, Ints32
from pliant.kernels.compiler import njit

__all__ = ["nearest_depth", "visible_share"]


@njit(cache=True)
def nearest_depth(points: Floats, faces: Ints32, width: int, height: int) -> Floats:
    """(n,3) in pixels with depth growing away from the eye, (m,3) int -> (height, width) least depth, inf if empty."""
    out = np.full((height, width), np.inf)
    for t in range(faces.shape[0]):
        x0, y0, z0 = points[faces[t, 0]]
        x1, y1, z1 = points[faces[t, 1]]
        x2, y2, z2 = points[faces[t, 2]]
        area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        if abs(area) < 1e-12:
            continue
        left, right = max(0, math.ceil(min(x0, x1, x2) - 0.5)), min(width - 1, math.floor(max(x0, x1, x2) - 0.5))
        low, high = max(0, math.ceil(min(y0, y1, y2) - 0.5)), min(height - 1, math.floor(max(y0, y1, y2) - 0.5))
        for j in range(low, high + 1):
            for i in range(left, right + 1):
                px, py = i + 0.5, j + 0.5
                w1 = ((px - x0) * (y2 - y0) - (x2 - x0) * (py - y0)) / area
                w2 = ((x1 - x0) * (py - y0) - (px - x0) * (y1 - y0)) / area
                if w1 < 0.0 or w2 < 0.0 or w1 + w2 > 1.0:
                    continue
                z = z0 + w1 * (z1 - z0) + w2 * (z2 - z0)
                out[j, i] = min(out[j, i], z)
    return out


@njit(cache=True)
def visible_share(start: Floats, end: Floats, depth: Floats, bias: float, pieces: int) -> Bools:
    """(k,3), (k,3), (h,w), (), () int -> (k, pieces) bool: is the middle of each piece of each line in sight."""
    h, w = depth.shape
    out = np.zeros((start.shape[0], pieces), dtype=np.bool_)
    for k in range(start.shape[0]):
        for p in range(pieces):
            s = (p + 0.5) / pieces
            x = start[k, 0] + s * (end[k, 0] - start[k, 0])
            y = start[k, 1] + s * (end[k, 1] - start[k, 1])
            z = start[k, 2] + s * (end[k, 2] - start[k, 2])
            i, j = math.floor(x), math.floor(y)
            # in sight if any pixel around it shows nothing nearer: lines run along the rim of what they bound
            for dj in range(-1, 2):
                for di in range(-1, 2):
                    a, b = j + dj, i + di
                    if a < 0 or b < 0 or a >= h or b >= w or z <= depth[a, b] + bias:
                        out[k, p] = True
    return out
