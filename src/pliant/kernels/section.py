"""Cut a closed triangle mesh by many level planes in one pass, and chain the cuts into outlines."""

import numpy as np

from pliant.arrays import Floats, Ints, Ints32
from pliant.kernels.compiler import njit
from pliant.kernels.joined import root_of

__all__ = ["cut_levels", "stand_measures"]


@njit(cache=True)
def cut_levels(points: Floats, faces: Ints32, twin: Ints, levels: Floats) -> tuple[Floats, Ints, Ints, int]:
    """(n,3), (m,3) int, (3m,) int, (l,) ascending -> outline points (s,2), loop starts (k+1,), loop level (k,), broken.

    A vertex exactly on a plane counts as above it, so every triangle that is cut has one edge going up and one going
    down; the outline leaves through the upward one into the twin triangle. Solid lies to the left.
    """
    m = faces.shape[0]
    first = np.empty(m, dtype=np.int64)
    offset = np.empty(m + 1, dtype=np.int64)
    total = 0
    for t in range(m):
        a, b, c = points[faces[t, 0], 2], points[faces[t, 1], 2], points[faces[t, 2], 2]
        offset[t] = total
        first[t] = np.searchsorted(levels, min(a, b, c), side="right")
        total += np.searchsorted(levels, max(a, b, c), side="right") - first[t]
    offset[m] = total
    out = np.empty((total, 2))
    done = np.zeros(total, dtype=np.bool_)
    starts = np.empty(total + 1, dtype=np.int64)
    level_of = np.empty(total, dtype=np.int64)
    at = loops = broken = 0
    for t0 in range(m):
        for s0 in range(offset[t0], offset[t0 + 1]):
            if done[s0]:
                continue
            level = first[t0] + s0 - offset[t0]
            z = levels[level]
            starts[loops], level_of[loops] = at, level
            t = t0
            s = s0
            closed = True
            while not done[s]:
                done[s] = True
                ahead = -1
                for k in range(3):
                    i, j = faces[t, k], faces[t, (k + 1) % 3]
                    if points[i, 2] >= z and points[j, 2] < z:  # the edge that goes down: this cut starts there
                        w = (z - points[j, 2]) / (points[i, 2] - points[j, 2])
                        out[at, 0] = points[j, 0] + w * (points[i, 0] - points[j, 0])
                        out[at, 1] = points[j, 1] + w * (points[i, 1] - points[j, 1])
                    elif points[i, 2] < z and points[j, 2] >= z:
                        ahead = twin[3 * t + k]
                at += 1
                if ahead < 0:
                    closed = False
                    break
                t = ahead // 3
                s = offset[t] + level - first[t]
            if not closed or s != s0:
                broken += 1
            loops += 1
    starts[loops] = at
    return out[:at], starts[: loops + 1], level_of[:loops], broken


@njit(cache=True)
def stand_measures(
    points: Floats,
    faces: Ints32,
    normals: Floats,
    areas: Floats,
    edges: Ints32,
    ups: Floats,
    sine: float,
    contact: float,
    tie: float,
) -> Floats:
    """(n,3), (m,3) int, (m,3), (m,), (e,2) int, (k,3), (), (), () -> (k,4): height, footprint, overhang, births on air.

    Overhang: area whose normal points down more steeply than `sine`, further than `contact` above the lowest point.
    A birth on air is a lowest place (a vertex or a level patch, heights within `tie` being equal) that has solid above
    it and is not on the bed: a new island starts there.
    """
    n = points.shape[0]
    out = np.zeros((ups.shape[0], 4))
    z = np.empty(n)
    parent = np.empty(n, dtype=np.int64)
    lowest = np.empty(n, dtype=np.bool_)
    facing = np.empty(n)
    for k in range(ups.shape[0]):
        ux, uy, uz = ups[k, 0], ups[k, 1], ups[k, 2]
        bottom = np.inf
        top = -np.inf
        for i in range(n):
            h = points[i, 0] * ux + points[i, 1] * uy + points[i, 2] * uz
            z[i] = h
            bottom = min(bottom, h)
            top = max(top, h)
            parent[i] = i
            lowest[i] = True
            facing[i] = 0.0
        bed = bottom + contact
        for t in range(faces.shape[0]):
            down = -(normals[t, 0] * ux + normals[t, 1] * uy + normals[t, 2] * uz)
            i, j, l = faces[t, 0], faces[t, 1], faces[t, 2]
            part = areas[t] * down
            facing[i] += part
            facing[j] += part
            facing[l] += part
            if down > 0.0:
                if max(z[i], z[j], z[l]) <= bed:
                    out[k, 1] += part
                elif down > sine:
                    out[k, 2] += areas[t]
        for e in range(edges.shape[0]):
            i, j = edges[e, 0], edges[e, 1]
            if z[i] < z[j] - tie:
                lowest[j] = False
            elif z[j] < z[i] - tie:
                lowest[i] = False
            else:
                a, b = root_of(parent, i), root_of(parent, j)
                if a != b:
                    parent[b] = a
        for i in range(n):  # a patch is lowest only if all of it is
            r = root_of(parent, i)
            if r != i:
                facing[r] += facing[i]
                if not lowest[i]:
                    lowest[r] = False
        for i in range(n):
            if parent[i] == i and lowest[i] and facing[i] > 0.0 and z[i] > bed:
                out[k, 3] += 1.0
        out[k, 0] = top - bottom
    return out
