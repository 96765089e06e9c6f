"""Read every STL, OBJ and 3MF under a folder with pliant and with trimesh (3MF: lib3mf) and compare.

    python benchmarks/meshes_against.py FOLDER

Counts faces, extents and, for meshes both find closed, the volume. Prints one line per disagreement and the totals.
"""

import sys
import time
from pathlib import Path

import numpy as np
import trimesh

from pliant.errors import MeshError
from pliant.mesh.mesh_read import read_mesh
from pliant.mesh.repair import mesh_volume_mm3


def _other(path: Path) -> tuple[int, np.ndarray, float | None]:
    if path.suffix.lower() == ".3mf":
        import lib3mf

        model = lib3mf.get_wrapper().CreateModel()
        model.QueryReader("3mf").ReadFromFile(str(path))
        box = model.GetOutbox()
        extent = np.array(list(box.MaxCoordinate)) - np.array(list(box.MinCoordinate))
        return -1, extent, None
    mesh = trimesh.load_mesh(path, process=True)
    closed = mesh.is_watertight and mesh.is_winding_consistent
    return len(mesh.faces), mesh.extents, float(mesh.volume) if closed else None


def main(folder: Path) -> None:
    files = sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".stl", ".obj", ".3mf"))
    agree = refused = ours_s = theirs_s = closed = both = 0
    for path in files:
        begin = time.perf_counter()
        try:
            mesh = read_mesh(path)
        except MeshError as error:
            refused += 1
            print(f"refused    {error}")
            continue
        ours_s += time.perf_counter() - begin
        begin = time.perf_counter()
        try:
            faces, extent, volume = _other(path)
        except Exception as error:  # the yardstick may fail too
            print(f"yardstick  {path.name}: {type(error).__name__}")
            continue
        theirs_s += time.perf_counter() - begin
        wrong = []
        if not np.allclose(np.ptp(mesh.vertices, axis=0), extent, rtol=1e-5, atol=1e-9):
            wrong.append(f"extent {np.ptp(mesh.vertices, axis=0)} against {extent}")
        closed += mesh.open_edges == 0
        if volume is not None and mesh.open_edges == 0:
            both += 1
            mine = mesh_volume_mm3(mesh.vertices, mesh.faces)
            if not np.isclose(mine, abs(volume), rtol=1e-4):
                wrong.append(f"volume {mine:.6g} against {volume:.6g}")
        elif volume is not None:
            wrong.append(f"closed for the yardstick, {mesh.open_edges} open edges here")
        agree += not wrong
        for words in wrong:
            print(f"differs    {path.name}: {words}; {mesh.faces.shape[0]} faces against {faces}; {mesh.repairs}")
    print(f"{len(files)} meshes: {agree} agree, {refused} refused; {closed} closed here, {both} closed for both")
    print(f"time {ours_s:.1f} s against {theirs_s:.1f} s: ratio {theirs_s / max(ours_s, 1e-9):.2f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
