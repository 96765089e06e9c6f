"""The last step of every reader of meshes: check the numbers, weld and wind, and gather the record."""

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError
from pliant.mesh.repair import weld_and_wind
from pliant.records.part import Mesh
from pliant.say import number

__all__ = ["finish_mesh"]

_LARGEST_MM = 1e6  # a coordinate beyond a kilometre is damage, not a part


def finish_mesh(
    corners: NDArray[np.float64],
    faces: NDArray[np.int32],
    file: str,
    kind: str,
    unit: str,
    notes: list[str],
    close_mm: float = 0.0,
) -> Mesh:
    """Check the numbers, weld and wind, and gather the record; the last step of every reader."""
    if faces.shape[0] == 0:
        raise MeshError(f"{file}: no triangles; save the part as a solid body")
    bad = ~np.isfinite(corners).all(axis=1)
    if bad.any():
        vertex = int(np.flatnonzero(bad)[0])
        triangle = int(np.flatnonzero((faces == vertex).any(axis=1))[0]) if (faces == vertex).any() else -1
        raise MeshError(f"{file}: triangle {triangle + 1} has a coordinate that is not a finite number; save it again")
    largest = float(np.abs(corners).max())
    if largest > _LARGEST_MM:
        raise MeshError(
            f"{file}: a coordinate of {number(largest, 3)} mm lies beyond {_LARGEST_MM:g} mm; move the part "
            "to the origin"
        )
    welded = weld_and_wind(corners, faces, file, close_mm)
    extent = np.ptp(welded.vertices, axis=0).max()
    if extent < 1.0:
        notes.append(f"the part is {number(extent, 3)} mm across: if it was drawn in metres or inches, scale it")
    elif extent > 1000.0:
        notes.append(f"the part is {number(extent, 4)} mm across: if it was drawn in micrometres, scale it")
    return Mesh(
        vertices=welded.vertices,
        faces=welded.faces,
        file=file,
        kind=kind,
        unit=unit,
        shells=welded.shells,
        open_edges=sum(h.edges for h in welded.holes),
        repairs=tuple(welded.said),
        notes=tuple(notes),
        holes=welded.holes,
        patched=welded.patched,
    )
