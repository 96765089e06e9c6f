"""Sections and orientations of a 130,000-triangle mesh: processor time, and ratio to trimesh, in one run.

python benchmarks/sections.py
"""

import platform
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import trimesh

from pliant.mesh.orient import best_orientations
from pliant.mesh.repair import half_edge_twins
from pliant.mesh.sections import cut
from pliant.records.part import Mesh

RUNS = 5


def _best(work: Callable[[], Any]) -> tuple[float, Any]:
    least, out = np.inf, None
    for _ in range(RUNS):
        begin = time.process_time()
        out = work()
        least = min(least, time.process_time() - begin)
    return least, out


def main() -> None:
    versions = f"python {platform.python_version()}, numpy {np.__version__}, trimesh {trimesh.__version__}"
    print(f"{platform.machine()}, {versions}")
    solid = trimesh.creation.torus(20, 6, major_sections=400, minor_sections=165)
    solid.apply_transform(trimesh.transformations.rotation_matrix(0.5, [1, 2, 3]))
    v, f = np.asarray(solid.vertices) - solid.bounds[0], np.asarray(solid.faces, dtype=np.int32)
    level = (np.arange(200) + 0.5) * v[:, 2].max() / 200
    cut(v, f, level)  # compile
    ours, found = _best(lambda: cut(v, f, level))
    plain = trimesh.Trimesh(v, f, process=False)
    theirs, flat = _best(lambda: plain.section_multiplane([0, 0, 0], [0, 0, 1], level))
    around = np.array([0.0 if p is None else p.length for p in flat])
    ring = []
    for k in range(200):
        ring.append(sum(np.linalg.norm(p - np.roll(p, 1, axis=0), axis=1).sum() for p in found.loops(k)))
    print(
        f"{len(f)} triangles, 200 sections: {1e3 * ours:.0f} ms, trimesh {1e3 * theirs:.0f} ms: "
        f"ratio {theirs / ours:.1f}"
    )
    print(f"largest difference in the length of outlines {np.abs(around - ring).max():.2g} mm")
    mesh = Mesh(v, f, "torus", "made here", "mm", 1, int((half_edge_twins(f) < 0).sum()), (), ())
    best_orientations(mesh, 0.2, directions=10)  # compile
    begin = time.process_time()
    stands, tried = best_orientations(mesh, 0.2, directions=500)
    spent = time.process_time() - begin
    begin = time.process_time()
    ups = np.random.default_rng(7).normal(size=(5, 3))
    for up in ups / np.linalg.norm(ups, axis=1)[:, None]:
        down = plain.face_normals @ up < -np.sqrt(0.5)
        plain.area_faces[down].sum(), np.ptp(plain.vertices @ up)
        turned = trimesh.Trimesh(v, f, process=False)
        turned.apply_transform(trimesh.geometry.align_vectors(up, [0, 0, 1]))
        z = turned.vertices[:, 2]
        turned.section_multiplane([0, 0, 0], [0, 0, 1], np.linspace(z.min(), z.max(), 12)[1:-1])
    each = (time.process_time() - begin) / 5
    print(f"{tried} orientations measured and {len(stands)} kept after the layer test: {spent:.1f} s")
    print(
        f"trimesh, facet area, height and ten sections of each: {each * tried:.1f} s: ratio {each * tried / spent:.1f}"
    )


if __name__ == "__main__":
    main()
