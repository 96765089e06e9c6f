"""Run small jobs and print their answers; with `NUMBA_DISABLE_JIT=1` every kernel is plain Python, and is counted."""

import ast
import json
import os
import sys
from pathlib import Path

import numpy as np

import pliant
from habits import posts
from mesh import shapes
from other_writers import comb
from pliant.kernels.pieces import spanning_tree
from pliant.mending.order_search import order_by_cost
from recipes import filament, machine

KERNELS = Path(pliant.__file__).parent / "kernels"


def _answers(folder):
    found = []
    for name, habit in (
        ("plain", {"end": "last bead"}), ("odd", {"arcs": True, "firmware": True, "modal": True, "hop": True}),
    ):  # fmt: skip
        path, out = folder / f"{name}.gcode", folder / f"{name}.out.gcode"
        path.write_text("\n".join(posts(layers=2, **habit)) + "\n")
        found.append(pliant.read(path).to_json())
        pair = machine("open-gap"), filament("85A")
        found.append(pliant.mend(path, *pair, output=out, dialect="auto").to_json() | {"output": ""})
        found.append(out.read_text())
    path.write_text("\n".join(comb(2, 3)) + "\n")  # runs of one piece that change places
    pliant.mend(path, *pair, output=out, passes=("order", "route"))
    found.append(out.read_text())
    cost = np.random.default_rng(3).uniform(1.0, 9.0, (14, 14))  # more pieces than are put in order exactly
    best = order_by_cost(cost + cost.T, effort=0.05)
    found.append([best.order.tolist(), best.cost, spanning_tree(cost + cost.T)])
    (folder / "box.stl").write_bytes(shapes.binary_stl(*shapes.box(12.0, 8.0, 6.0)))
    found.append(pliant.part(folder / "box.stl", machine("open-gap"), filament("85A")).to_json())
    return json.dumps(found, default=str).replace(str(folder), "")


def main(folder):
    """Print the answers; the names of kernels that were never called go to the error stream."""
    called = set()
    if os.environ.get("NUMBA_DISABLE_JIT"):
        here = str(KERNELS)

        def count(frame, event, _):
            if event == "call" and frame.f_code.co_filename.startswith(here):
                called.add((Path(frame.f_code.co_filename).stem, frame.f_code.co_name))

        sys.setprofile(count)
    print(_answers(folder))
    sys.setprofile(None)
    every = {
        (path.stem, node.name)
        for path in KERNELS.glob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
    }
    print(json.dumps(sorted(".".join(k) for k in every - called)), file=sys.stderr)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
