"""Coverage of travels: the kernel against polygons of a general geometry library, on the same layers.

Run with `python benchmarks/cover.py`. Prints machine, versions, times, and the ratio to the yardstick: for each layer
one union of the buffered beads, and each travel cut with it.
"""

import platform
import sys
import time

import numba
import numpy as np
import shapely

from pliant.kernels.cover import cover_travels


def layers(n_layers, beads, travels, size_mm, seed=7):
    """Invented layers: short wandering beads and travels all over them."""
    rng = np.random.default_rng(seed)
    start = rng.uniform(0, size_mm, (n_layers * beads, 2))
    bead = np.hstack([start, start + rng.normal(0, 1.5, start.shape)])
    travel = rng.uniform(0, size_mm, (n_layers * travels, 4))
    return (
        travel,
        np.repeat(np.arange(n_layers), travels),
        bead,
        rng.uniform(0.15, 0.3, len(bead)),
        np.repeat(np.arange(n_layers), beads),
    )


def by_polygons(travel, travel_layer, bead, half, bead_layer):
    covered = np.empty(len(travel))
    lines = shapely.linestrings(travel.reshape(-1, 2, 2))
    capsules = shapely.buffer(shapely.linestrings(bead.reshape(-1, 2, 2)), half, quad_segs=16)
    for k in np.unique(travel_layer):
        ink = shapely.union_all(capsules[bead_layer == k])
        shapely.prepare(ink)
        covered[travel_layer == k] = shapely.length(shapely.intersection(lines[travel_layer == k], ink))
    return covered


def timed(work, *args):
    start = time.perf_counter()
    result = work(*args)
    return result, time.perf_counter() - start


def main():
    print(
        f"{platform.machine()} {platform.system()}, Python {sys.version.split()[0]}, "
        f"numpy {np.__version__}, numba {numba.__version__}, shapely {shapely.__version__}"
    )
    _, compiling = timed(cover_travels, *layers(1, 10, 2, 10.0))
    print(f"compile or load from cache: {compiling:.2f} s")
    same = layers(4, 2500, 250, 60.0)
    got, ours = timed(cover_travels, *same)
    judge, theirs = timed(by_polygons, *same)
    print(f"10,000 beads, 1,000 travels, 4 layers: {ours * 1e3:.1f} ms against {theirs * 1e3:.0f} ms by polygons")
    print(f"ratio {theirs / ours:.0f}x; covered {got.sum():.1f} mm against {judge.sum():.1f} mm")
    for n_layers in (100, 200, 400):
        many = layers(n_layers, 2500, 250, 60.0)
        _, seconds = timed(cover_travels, *many)
        print(f"{n_layers * 2500:,} beads, {n_layers * 250:,} travels: {seconds:.2f} s")


if __name__ == "__main__":
    main()
