"""Solids made by formula, so that tests know volume, sections and overhang exactly."""

import struct
from itertools import pairwise

import numpy as np

__all__ = ["ascii_stl", "binary_stl", "box", "cylinder", "joined", "obj", "sphere", "torus", "turn"]


def box(x=20.0, y=20.0, z=20.0, at=(0.0, 0.0, 0.0)):
    v = np.array([[i, j, k] for i in (0, x) for j in (0, y) for k in (0, z)], dtype=float) + np.asarray(at)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return v, np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], dtype=np.int32)


def _rings(profile, n):
    """Revolve (r, z) points, running upwards along the outside, closed by poles where r is zero."""
    v, f, rows = [], [], []
    for r, z in profile:
        if r == 0:
            rows.append([len(v)] * n)
            v.append((0.0, 0.0, z))
        else:
            rows.append(list(range(len(v), len(v) + n)))
            v += [(r * np.cos(2 * np.pi * k / n), r * np.sin(2 * np.pi * k / n), z) for k in range(n)]
    for low, high in pairwise(rows):
        for k in range(n):
            a, b, c, d = low[k], low[(k + 1) % n], high[(k + 1) % n], high[k]
            f += [t for t in ((a, b, c), (a, c, d)) if len(set(t)) == 3]
    return np.array(v), np.array(f, dtype=np.int32)


def cylinder(r=10.0, h=30.0, n=96, at=(0.0, 0.0, 0.0)):
    v, f = _rings([(0, 0.0), (r, 0.0), (r, h), (0, h)], n)
    return v + np.asarray(at), f


def sphere(r=10.0, n=96, m=64):
    a = np.linspace(-np.pi / 2, np.pi / 2, m + 1)
    profile = [(0 if k in (0, m) else r * np.cos(t), r * np.sin(t)) for k, t in enumerate(a)]
    return _rings(profile, n)


def torus(big=20.0, small=6.0, n=120, m=60):
    a = 2 * np.pi * np.arange(m) / m
    v = [((big + small * np.cos(t)) * np.cos(s), (big + small * np.cos(t)) * np.sin(s), small * np.sin(t))
         for s in 2 * np.pi * np.arange(n) / n for t in a]  # fmt: skip
    f = []
    for i in range(n):
        for j in range(m):
            p, q = i * m + j, ((i + 1) % n) * m + j
            p2, q2 = i * m + (j + 1) % m, ((i + 1) % n) * m + (j + 1) % m
            f += [(p, q, q2), (p, q2, p2)]
    return np.array(v), np.array(f, dtype=np.int32)


def turn(v, axis, degrees):
    k = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    a = np.deg2rad(degrees)
    return v * np.cos(a) + np.cross(k, v) * np.sin(a) + np.outer(v @ k, k) * (1 - np.cos(a))


def joined(*solids):
    v, f, start = [], [], 0
    for points, faces in solids:
        v.append(points)
        f.append(faces + start)
        start += len(points)
    return np.vstack(v), np.vstack(f).astype(np.int32)


def binary_stl(v, f, header=b"made by a test", count=None):
    out = [header.ljust(80, b" ")[:80], struct.pack("<I", len(f) if count is None else count)]
    out += [np.concatenate([np.zeros(3), v[t].reshape(-1)]).astype("<f4").tobytes() + b"\0\0" for t in f]
    return b"".join(out)


def ascii_stl(v, f, name="part", end="\n"):
    out = [f"solid {name}"]
    for t in f:
        out += ["facet normal 0 0 0", "outer loop"]
        out += [f"vertex {x:.9g} {y:.9g} {z:.9g}" for x, y, z in v[t]]
        out += ["endloop", "endfacet"]
    return end.join([*out, f"endsolid {name}", ""]).encode()


def obj(v, f):
    lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in v] + [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in f]
    return "\n".join([*lines, ""]).encode()
