"""One surface for the analysis: shells that overlap are united, voids are taken away (3MF core, positive fill rule).

Without this, faces buried in another shell would count as overhang and as islands born on air. The file is not
repaired by it: sections follow the same rule anyway, and what was done is said.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.mesh.repair import half_edge_twins, mesh_volume_mm3, shells_of
from pliant.mesh.sections import cut
from pliant.records.part import Mesh

__all__ = ["crossing_words", "united"]

_MOST_SHELLS = 2000
_LOOKS = 40  # sections along each axis in which crossings are looked for
_CROSSED_MM2, _CROSSED_SHARE = 0.02, 1e-4  # area that two outlines must share to count


def united(mesh: Mesh) -> Mesh:
    """Unite the shells of a closed mesh whose boxes overlap; the same mesh if there are none."""
    if mesh.shells < 2 or mesh.shells > _MOST_SHELLS:
        return mesh
    label, shells = shells_of(mesh.faces, mesh.vertices.shape[0])
    order = np.argsort(label, kind="stable")
    pieces = np.split(mesh.faces[order], np.searchsorted(label[order], np.arange(1, shells)))
    if not _boxes_meet(mesh.vertices, pieces):
        return mesh
    from manifold3d import Error, Manifold, OpType

    body: list[Any] = []
    void: list[Any] = []
    for piece in pieces:
        inward = mesh_volume_mm3(mesh.vertices, piece) < 0
        solid = _manifold(mesh.vertices, piece[:, ::-1] if inward else piece)
        if solid.status() != Error.NoError:
            return _left(mesh)
        (void if inward else body).append(solid)
    whole: Any = Manifold.batch_boolean(body, OpType.Add)
    if void:
        whole = whole - Manifold.batch_boolean(void, OpType.Add)
    out = whole.to_mesh64()
    vertices, faces = np.asarray(out.vert_properties)[:, :3].astype(np.float64), np.asarray(out.tri_verts)
    faces = faces.astype(np.int32)
    if not faces.size or (half_edge_twins(faces) < 0).any():
        return _left(mesh)
    _, left = shells_of(faces, vertices.shape[0])
    if left == shells and not void:
        return mesh
    note = f"{shells} shells that overlap or enclose one another were taken as one solid for the analysis"
    return replace(mesh, vertices=vertices, faces=faces, shells=left, notes=(*mesh.notes, note))


def crossing_words(mesh: Mesh) -> tuple[str, ...]:
    """Say where a closed surface crosses itself, seen in sections across all three axes; nothing if it does not.

    Where a surface crosses itself, its outlines wind around a place twice, or backwards. What is smaller than the
    distance of the sections, a fortieth of the part, may be missed.
    """
    for axis, name in ((2, "z"), (1, "y"), (0, "x")):
        turned = np.ascontiguousarray(np.roll(mesh.vertices, 2 - axis, axis=1))
        low, high = float(turned[:, 2].min()), float(turned[:, 2].max())
        level = low + (high - low) * (np.arange(_LOOKS) + 0.4142) / _LOOKS  # off the middle, where parts are symmetric
        found = cut(turned, mesh.faces, level)
        for k, signed in enumerate(found.area_mm2()):
            area = found.solid(k).area()
            if abs(signed - area) > _CROSSED_MM2 + _CROSSED_SHARE * area:
                return (
                    f"the surface crosses itself, first seen at {name} {level[k]:.1f} mm as drawn: what is inside "
                    "there is a guess; mend it in the program that made it",
                )
    return ()


def _left(mesh: Mesh) -> Mesh:
    words = "shells overlap and could not be united: faces buried in another shell count as overhang"
    return replace(mesh, notes=(*mesh.notes, words))


def _boxes_meet(vertices: NDArray[np.float64], pieces: list[NDArray[np.int32]]) -> bool:
    low = np.array([vertices[p].reshape(-1, 3).min(axis=0) for p in pieces])
    high = np.array([vertices[p].reshape(-1, 3).max(axis=0) for p in pieces])
    return any(
        ((low[k] <= high[k + 1 :]) & (low[k + 1 :] <= high[k])).all(axis=1).any() for k in range(len(pieces) - 1)
    )


def _manifold(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> Any:
    from manifold3d import Manifold, Mesh64

    used, place = np.unique(faces, return_inverse=True)
    return Manifold(Mesh64(vertices[used], place.reshape(-1, 3).astype(np.uint64)))
