"""Weld corners that are the same point, make the winding consistent, and say what was done. Nothing else is repaired.

An open mesh stays open: it is counted and named, never closed. Holes, self-crossings and thin walls are the author's.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError

__all__ = ["half_edge_twins", "mesh_volume_mm3", "shells_of", "weld_and_wind"]

_ROUNDING = 4.0  # weld within this many float32 spacings of the largest coordinate; own choice
_MAX_SHELLS = 100_000


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


def weld_and_wind(
    corners: NDArray[np.float64], faces: NDArray[np.int32], file: str
) -> tuple[NDArray[np.float64], NDArray[np.int32], list[str], int, int]:
    """Vertices, faces, what was done, open edges, shells."""
    said: list[str] = []
    given = corners.shape[0]
    vertices, faces = _weld_exact(corners, faces)
    faces, gone = _drop_flat(vertices, faces, said)
    if not faces.shape[0]:
        raise MeshError(f"{file}: every triangle has zero area; save the part as a solid body")
    twin = half_edge_twins(faces)
    if (twin < 0).any():
        vertices, faces = _weld_near(vertices, faces, said)
        twin = half_edge_twins(faces)
    _refuse_doubled(faces, file)
    if vertices.shape[0] < given and given >= 3 * (faces.shape[0] + gone):
        said.insert(0, f"welded {given} corners into {vertices.shape[0]} points")
    if (twin < 0).any():
        faces = _wind(faces, said)
        twin = half_edge_twins(faces)
    open_edges = int((twin < 0).sum())
    label, shells = shells_of(faces, vertices.shape[0])
    if shells > _MAX_SHELLS:
        raise MeshError(f"{file}: {shells} separate shells, more than {_MAX_SHELLS}; save one part at a time")
    if open_edges == 0:
        faces = _outside_out(vertices, faces, label, shells, said)
    return vertices, faces, said, open_edges, shells


def _refuse_doubled(faces: NDArray[np.int32], file: str) -> None:
    """Two triangles with the same corners and the same winding count the same skin twice."""
    first = np.argmin(faces, axis=1)
    turned = faces[np.arange(faces.shape[0])[:, None], (first[:, None] + np.arange(3)) % 3]
    twice = faces.shape[0] - np.unique(turned, axis=0).shape[0]
    if twice:
        raise MeshError(
            f"{file}: {twice} triangles lie on another one, corner on corner; save the part once, not doubled"
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
        said.append(f"left out {int(same.sum())} triangles of zero area")
    if needle.any():
        said.append(f"kept {int(needle.sum())} triangles of zero area with three different corners, as seams")
    return faces[~same], int(same.sum())


def _area(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> NDArray[np.float64]:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2


def _weld_near(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], said: list[str]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Join points closer than the rounding of the format; kept only if it closes edges."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    near = _ROUNDING * float(np.spacing(np.float32(np.abs(vertices).max())))
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
    said.append(f"joined {n - first.size} points that lay within {near:.2g} mm of another")
    if not keep.all():
        said.append(f"left out {int((~keep).sum())} triangles that shrank to nothing by that")
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
        said.append(f"turned {int(wrong.sum())} triangles round so that neighbours agree")
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
