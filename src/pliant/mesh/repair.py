"""Weld corners that are the same point, make the winding consistent, and say what was done.

Repaired is what any reader has to bear: corners apart by rounding, triangles of no area or there twice, an edge that is
split on one side only. Holes are found and placed; those smaller than a size the caller names are closed by a fan.
Anything larger, self-crossings and thin walls are the author's.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError
from pliant.records.part import Hole
from pliant.say import count, quantity

__all__ = ["Welded", "half_edge_twins", "mesh_volume_mm3", "shells_of", "weld_and_wind"]

_ROUNDING = 4.0  # weld within this many float32 spacings of the largest coordinate; own choice
_NEAR_MM, _NEAR_SHARE = 1e-3, 1e-4  # weld at open edges within this, or within this share of the part; own choice
_MAX_SHELLS = 100_000
_MOST_PASSES = 8  # splits of one triangle, one edge at a time


def mesh_volume_mm3(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> float:
    """Volume enclosed, by the divergence theorem; positive when the outside is to the right-hand side. [mm3]"""
    a, b, c = (vertices[faces[:, k]] - vertices.mean(axis=0) for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def half_edge_twins(faces: NDArray[np.int32]) -> NDArray[np.int64]:
    """Opposite half-edge of each half-edge, -1 where there is none.

    Half-edge 3 t + k runs from corner k to corner k + 1 of triangle t. Where more than two triangles share an edge,
    opposite ones are paired in order: any such pairing closes the outlines of a section.
    """
    start = faces.reshape(-1).astype(np.int64)
    end = np.roll(faces, -1, axis=1).reshape(-1).astype(np.int64)
    key = np.minimum(start, end) * (int(faces.max()) + 1) + np.maximum(start, end)
    forward = start < end
    twin = np.full(key.size, -1, dtype=np.int64)
    up, down = np.flatnonzero(forward), np.flatnonzero(~forward)
    up, down = up[np.argsort(key[up], kind="stable")], down[np.argsort(key[down], kind="stable")]
    ku, kd = key[up], key[down]
    # the r-th forward half-edge of a key meets the r-th backward one
    ru = np.arange(ku.size) - np.searchsorted(ku, ku, side="left")
    at = np.searchsorted(kd, ku, side="left") + ru
    good = at < kd.size
    good[good] = kd[at[good]] == ku[good]
    twin[up[good]], twin[down[at[good]]] = down[at[good]], up[good]
    return twin


@dataclass(frozen=True)
class Welded:
    """A mesh after welding and winding, what was done, and what is left open."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    said: list[str]
    shells: int
    holes: tuple[Hole, ...]  # those that are left
    patched: tuple[Hole, ...]  # those that were closed


def weld_and_wind(corners: NDArray[np.float64], faces: NDArray[np.int32], file: str, close_mm: float = 0.0) -> Welded:
    """Repair what any reader has to bear, and close the holes that are smaller across than `close_mm`."""
    said: list[str] = []
    given = corners.shape[0]
    vertices, faces = _weld_exact(corners, faces)
    faces, gone = _drop_flat(vertices, faces, said)
    if not faces.shape[0]:
        raise MeshError(f"{file}: every triangle has zero area; save the part as a solid body")
    faces, twice = _drop_doubled(faces, said)
    gone += twice
    if _is_open(faces):
        vertices, faces = _weld_near(vertices, faces, _rounding_mm(vertices), said)
    if vertices.shape[0] < given and given >= 3 * (faces.shape[0] + gone):
        said.insert(0, f"welded {given} corners into {vertices.shape[0]} points")
    if _is_open(faces):
        faces = _wind(faces, said)
    near = min(_NEAR_MM, _NEAR_SHARE * float(np.ptp(vertices, axis=0).max()))
    if _is_open(faces):
        vertices, faces = _weld_near(vertices, faces, near, said)
    if _is_open(faces):
        faces = _drop_strays(vertices, faces, said)
    if _is_open(faces):
        faces = _split_edges(vertices, faces, near, said)
        if _is_open(faces):
            faces = _wind(faces, said)
    holes = _holes_of(vertices, faces)
    patched = tuple(h for h in holes if h.closed and h.across_mm < close_mm)
    if patched:
        vertices, faces = _patched(vertices, faces, patched)
        holes = _holes_of(vertices, faces)
    label, shells = shells_of(faces, vertices.shape[0])
    if shells > _MAX_SHELLS:
        raise MeshError(f"{file}: {shells} separate shells, more than {_MAX_SHELLS}; save one part at a time")
    if not holes:
        faces = _outside_out(vertices, faces, label, shells, said)
        _tell_edges(vertices, faces, said)
    return Welded(vertices, faces, said, shells, holes, patched)


def _place_words(point: Any) -> str:
    """Say where a point of the file is."""
    x, y, z = (round(float(v), 2) + 0.0 for v in point)
    return f"x {x:g}, y {y:g}, z {z:g} mm"


def _is_open(faces: NDArray[np.int32]) -> bool:
    return bool((half_edge_twins(faces) < 0).any())


def _drop_doubled(faces: NDArray[np.int32], said: list[str]) -> tuple[NDArray[np.int32], int]:
    """Two triangles with the same corners and the same winding are one."""
    first = np.argmin(faces, axis=1)
    turned = faces[np.arange(faces.shape[0])[:, None], (first[:, None] + np.arange(3)) % 3]
    _, keep = np.unique(turned, axis=0, return_index=True)
    twice = faces.shape[0] - keep.size
    if twice:
        said.append(
            f"left out {twice} triangle{'s' if twice > 1 else ''} that lie{'' if twice > 1 else 's'} on another"
        )
    return faces[np.sort(keep)], twice


def _drop_strays(vertices: NDArray[np.float64], faces: NDArray[np.int32], said: list[str]) -> NDArray[np.int32]:
    """Leave out triangles of no area that no neighbour asks for."""
    needle = _area(vertices, faces) <= 1e-9 * float(np.ptp(vertices, axis=0).max()) ** 2
    rest = faces[~needle]
    if not needle.any() or not rest.size or (half_edge_twins(rest) < 0).sum() >= (half_edge_twins(faces) < 0).sum():
        return faces
    said.append(f"left out {count(int(needle.sum()), 'triangle')} of zero area that open the surface")
    return rest


def _split_edges(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], near_mm: float, said: list[str]
) -> NDArray[np.int32]:
    """Split triangles at corners of open edges that lie on an open edge of theirs, as the other side has it."""
    from scipy.spatial import cKDTree

    before = faces.shape[0]
    for _ in range(_MOST_PASSES):
        half = np.flatnonzero(half_edge_twins(faces) < 0)
        if not half.size:
            break
        start, end = faces.reshape(-1)[half], np.roll(faces, -1, axis=1).reshape(-1)[half]
        lone = np.unique(np.concatenate([start, end]))
        tree = cKDTree(vertices[lone])
        a, b = vertices[start], vertices[end]
        length = np.linalg.norm(b - a, axis=1)
        close = tree.query_ball_point((a + b) / 2, length / 2 + near_mm)
        fans, done = [], set()
        for k, found in enumerate(close):
            t = int(half[k]) // 3
            if t in done or len(found) < 3:
                continue
            point = lone[found]
            along = (vertices[point] - a[k]) @ (b[k] - a[k]) / length[k]
            off = np.linalg.norm(vertices[point] - a[k] - np.outer(along / length[k], b[k] - a[k]), axis=1)
            on = (off <= near_mm) & (along > near_mm) & (along < length[k] - near_mm)
            on &= (point != start[k]) & (point != end[k])
            if not on.any():
                continue
            chain = [int(start[k]), *point[on][np.argsort(along[on])].tolist(), int(end[k])]
            top = int(faces[t, (int(half[k]) % 3 + 2) % 3])
            fans += [(p, q, top) for p, q in pairwise(chain) if top not in (p, q)]
            done.add(t)
        if not done:
            break
        keep = np.ones(faces.shape[0], dtype=bool)
        keep[list(done)] = False
        faces = np.vstack([faces[keep], np.array(fans, dtype=np.int32).reshape(-1, 3)])
    if faces.shape[0] > before:
        said.append(
            f"split {count(faces.shape[0] - before, 'triangle')} where only the other side of an edge has a corner"
        )
    return faces


def _holes_of(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> tuple[Hole, ...]:
    """Chain the open edges into rims, the largest hole first."""
    half = np.flatnonzero(half_edge_twins(faces) < 0)
    start, end = faces.reshape(-1)[half].tolist(), np.roll(faces, -1, axis=1).reshape(-1)[half].tolist()
    after: dict[int, list[int]] = {}
    for p, q in zip(start, end, strict=True):
        after.setdefault(p, []).append(q)
    found = []
    for first in list(after):
        while after[first]:
            rim = [first]
            here = after[first].pop()
            while here != first and after.get(here):
                rim.append(here)
                here = after[here].pop()
            points = vertices[rim]
            low, high = points.min(axis=0), points.max(axis=0)
            x, y, z = ((low + high) / 2).tolist()
            closed = here == first and len(rim) > 2
            found.append(Hole((x, y, z), float(np.linalg.norm(high - low)), len(rim), closed, tuple(rim)))
    return tuple(sorted(found, key=lambda h: -h.across_mm))


def _patched(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], holes: tuple[Hole, ...]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Close rims, each by a fan from the middle of its corners."""
    middles, fans = [], []
    for k, hole in enumerate(holes):
        rim = list(hole.rim)
        middles.append(vertices[rim].mean(axis=0))
        fans += [(q, p, vertices.shape[0] + k) for p, q in zip(rim, rim[1:] + rim[:1], strict=True)]
    return np.vstack([vertices, *middles]), np.vstack([faces, np.array(fans, dtype=np.int32)])


def _tell_edges(vertices: NDArray[np.float64], faces: NDArray[np.int32], said: list[str]) -> None:
    """Say where a closed surface meets itself in a line."""
    ends = np.sort(np.column_stack([faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)]), axis=1)
    edge, many = np.unique(ends, axis=0, return_counts=True)
    shared = edge[many > 2]
    if len(shared):
        where = _place_words(vertices[shared[0]].mean(axis=0))
        n = len(shared)
        said.append(
            f"{n} edge{'s' if n > 1 else ''} with more than two triangles, the first at {where}: surfaces meet there "
            "in a line, which no bead can hold; let them overlap or keep them apart"
        )


def _weld_exact(
    corners: NDArray[np.float64], faces: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    corners = corners + 0.0  # minus zero is zero
    order = np.lexsort(corners.T)
    tidy = corners[order]
    fresh = np.concatenate([[True], (tidy[1:] != tidy[:-1]).any(axis=1)])
    place = np.empty(order.size, dtype=np.int32)
    place[order] = np.cumsum(fresh) - 1
    used = place[faces]
    vertices = tidy[fresh]
    seen = np.zeros(vertices.shape[0], dtype=bool)
    seen[used] = True
    renumber = np.cumsum(seen) - 1
    return vertices[seen], renumber[used].astype(np.int32)


def _drop_flat(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], said: list[str]
) -> tuple[NDArray[np.int32], int]:
    """Leave out triangles two of whose corners are one point; needles of three points stay, they join neighbours."""
    same = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    needle = ~same & (_area(vertices, faces) == 0)
    if same.any():
        said.append(f"left out {count(int(same.sum()), 'triangle')} of zero area")
    if needle.any():
        said.append(f"kept {count(int(needle.sum()), 'triangle')} of zero area with three different corners, as seams")
    return faces[~same], int(same.sum())


def _area(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> NDArray[np.float64]:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2


def _rounding_mm(vertices: NDArray[np.float64]) -> float:
    return _ROUNDING * float(np.spacing(np.float32(np.abs(vertices).max())))


def _weld_near(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], near: float, said: list[str]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Join points at open edges that are closer than `near`; kept only if it closes edges."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    single = half_edge_twins(faces) < 0
    lone = np.unique(np.concatenate([faces.reshape(-1)[single], np.roll(faces, -1, axis=1).reshape(-1)[single]]))
    pairs = cKDTree(vertices[lone]).query_pairs(near, output_type="ndarray")
    if not pairs.size:
        return vertices, faces
    n = vertices.shape[0]
    a, b = lone[pairs[:, 0]], lone[pairs[:, 1]]
    _, label = connected_components(coo_matrix((np.ones(a.size), (a, b)), shape=(n, n)), directed=False)
    _, first, place = np.unique(label, return_index=True, return_inverse=True)
    joined = place[faces].astype(np.int32)
    keep = ~(joined == np.roll(joined, 1, axis=1)).any(axis=1)
    if not keep.any() or (half_edge_twins(joined[keep]) < 0).sum() >= single.sum():
        return vertices, faces
    said.append(f"joined {count(n - first.size, 'point')} that lay within {quantity(near, 'mm')} of another")
    if not keep.all():
        said.append(f"left out {count(int((~keep).sum()), 'triangle')} that shrank to nothing by that")
    return vertices[first], joined[keep]


def _wind(faces: NDArray[np.int32], said: list[str]) -> NDArray[np.int32]:
    """Turn triangles so that neighbours across an edge of exactly two triangles run opposite ways."""
    start, end = faces.reshape(-1).astype(np.int64), np.roll(faces, -1, axis=1).reshape(-1).astype(np.int64)
    key = np.minimum(start, end) * (int(faces.max()) + 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    k = key[order]
    run = np.flatnonzero(np.concatenate([[True], k[1:] != k[:-1]]))
    pair = run[np.diff(np.concatenate([run, [k.size]])) == 2]
    one, two = order[pair], order[pair + 1]
    clash = start[one] == start[two]
    if not clash.any():
        return faces
    # breadth first over triangles, a whole front at a time
    n = faces.shape[0]
    t = np.concatenate([one // 3, two // 3])
    u = np.concatenate([two // 3, one // 3])
    odd = np.concatenate([clash, clash])
    order = np.argsort(t, kind="stable")
    t, u, odd = t[order], u[order], odd[order]
    begin = np.searchsorted(t, np.arange(n + 1))
    turned = np.full(n, -1, dtype=np.int8)
    part = np.zeros(n, dtype=np.int64)
    parts = 0
    for seed in range(n):
        if turned[seed] >= 0:
            continue
        turned[seed], part[seed] = 0, parts
        front = np.array([seed])
        while front.size:
            many = begin[front + 1] - begin[front]
            at = np.repeat(begin[front] - np.concatenate([[0], np.cumsum(many)[:-1]]), many) + np.arange(many.sum())
            to, value = u[at], turned[np.repeat(front, many)] ^ odd[at]
            new = turned[to] < 0
            turned[to[new]], part[to[new]] = value[new], parts
            front = np.unique(to[new])
        parts += 1
    # the majority of each connected piece keeps the side it was given
    flips = np.bincount(part, weights=turned, minlength=parts) > np.bincount(part, minlength=parts) / 2
    wrong = turned.astype(bool) ^ flips[part]
    if wrong.any():
        faces = faces.copy()
        faces[wrong] = faces[wrong][:, ::-1]
        said.append(f"turned {count(int(wrong.sum()), 'triangle')} round so that neighbours agree")
    return faces


def shells_of(faces: NDArray[np.int32], n_vertices: int) -> tuple[NDArray[np.int64], int]:
    """Label of each triangle's connected shell."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    i = np.concatenate([faces[:, 0], faces[:, 1]])
    j = np.concatenate([faces[:, 1], faces[:, 2]])
    graph = coo_matrix((np.ones(i.size, dtype=np.int8), (i, j)), shape=(n_vertices, n_vertices))
    _, label = connected_components(graph, directed=False)
    _, shell = np.unique(label[faces[:, 0]], return_inverse=True)
    return shell.astype(np.int64), int(shell.max()) + 1


def _outside_out(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], label: NDArray[np.int64], shells: int, said: list[str]
) -> NDArray[np.int32]:
    """Turn shells that are inside out, unless they lie inside another shell: those are voids and stay."""
    centre = vertices.mean(axis=0)
    a, b, c = (vertices[faces[:, k]] - centre for k in range(3))
    volume = np.bincount(label, weights=np.einsum("ij,ij->i", a, np.cross(b, c)), minlength=shells) / 6
    if shells == 1 or (volume < 0).all():
        if volume.sum() < 0:
            said.append("turned the whole mesh inside out: its triangles faced inwards")
            return faces[:, ::-1].copy()
        return faces
    wrong = []
    for shell in np.flatnonzero(volume < 0):
        point = vertices[faces[np.argmax(label == shell), 0]]
        if not _inside(point, vertices, faces[label != shell]):
            wrong.append(shell)
    if wrong:
        turned = np.isin(label, wrong)
        faces = faces.copy()
        faces[turned] = faces[turned][:, ::-1]
        said.append(f"turned {len(wrong)} of {shells} shells inside out: they faced inwards but lie in no other")
    return faces


def _inside(point: NDArray[np.float64], vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> bool:
    """Whether a ray in a skew direction leaves more surface than it enters."""
    ray = np.array([0.5377, 0.1834, 0.8228])  # no axis, so that ties with drawn edges are unlikely
    a, b, c = (vertices[faces[:, k]] - point for k in range(3))
    # signs of the three volumes ray-edge; Moeller-Trumbore in the form that also gives the crossing direction
    u = np.einsum("ij,j->i", np.cross(b, c), ray)
    v = np.einsum("ij,j->i", np.cross(c, a), ray)
    w = np.einsum("ij,j->i", np.cross(a, b), ray)
    out = (u > 0) & (v > 0) & (w > 0)
    into = (u < 0) & (v < 0) & (w < 0)
    ahead = np.einsum("ij,ij->i", a, np.cross(b, c))
    return bool((out & (ahead > 0)).sum() - (into & (ahead < 0)).sum() > 0)
