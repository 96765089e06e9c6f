"""A cheapest way over the raster of a layer: the kernel beside general libraries for graphs, in the same run.

`python benchmarks/ways.py` prints processor time per way of the kernel (search alone), of Dijkstra's algorithm in SciPy
and of A* in networkx on the same cells and costs, and that all three find the same cost. Making their graphs, which the
kernel can do without, is told apart and not in the ratio.
"""

import math
import platform
import time
from typing import Any

import networkx
import numpy as np
import scipy
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from pliant.kernels.raster import AIR, SLANTED, STRAIGHT
from pliant.kernels.ways import cheapest_way
from pliant.mending.ways import Scratch, Ways

_STEPS = [(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if r or c]


def _graph(price: Any) -> csr_array:
    """The raster as a graph: into each neighbour for what its cell costs."""
    rows, columns = price.shape
    row, column = np.indices(price.shape)
    source, goal, cost = [], [], []
    for dr, dc in _STEPS:
        r, c = row + dr, column + dc
        inside = (r >= 0) & (r < rows) & (c >= 0) & (c < columns)
        source.append((row * columns + column)[inside])
        goal.append((r * columns + c)[inside])
        cost.append((STRAIGHT if dr == 0 or dc == 0 else SLANTED) * price[r[inside], c[inside]].astype(float))
    return csr_array((np.concatenate(cost), (np.concatenate(source), np.concatenate(goal))), (price.size,) * 2)


def _spent(work: Any) -> tuple[float, Any]:
    begin = time.process_time()
    found = work()
    return time.process_time() - begin, found


def main() -> None:
    """Measure and print."""
    print(f"{platform.machine()}, numpy {np.__version__}, scipy {scipy.__version__}, networkx {networkx.__version__}")
    rng = np.random.default_rng(3)
    walls = [(x, y, x + dx, y + dy) for x in range(5, 60, 11) for y in range(5, 60, 11) for dx, dy in ((8, 0), (0, 8))]
    ways = Ways(np.array(walls, dtype=float), 0.22, 0.2)
    price, scratch = ways._price, Scratch()
    rows, columns = price.shape
    places = rng.uniform([1, 1], [columns - 2, rows - 2], (20, 2, 2))

    def ours() -> list[Any]:
        found = []
        for (x0, y0), (x1, y1) in places:
            cells, scratch.pool = cheapest_way(price, x0, y0, x1, y1, math.inf, scratch.over(price.size))
            found.append(cells)
        return found

    ours()  # compiled
    mine_s, cells = _spent(ours)
    make_s, graph = _spent(lambda: _graph(price))
    at = [[int(y) * columns + int(x) for x, y in ends] for ends in places]
    scipy_s, costs = _spent(lambda: [dijkstra(graph, indices=start)[goal] for start, goal in at])
    grow_s, net = _spent(lambda: networkx.from_scipy_sparse_array(graph, create_using=networkx.DiGraph))

    def least(a: int, b: int) -> int:
        r, c = abs(a // columns - b // columns), abs(a % columns - b % columns)
        return STRAIGHT * max(r, c) + (SLANTED - STRAIGHT) * min(r, c)

    few = at[:4]
    net_s, net_costs = _spent(lambda: [networkx.astar_path_length(net, a, b, heuristic=least) for a, b in few])
    told = [float(scratch.cost[b]) if k == len(at) - 1 else None for k, (_, b) in enumerate(at)]
    assert told[-1] == costs[-1] and np.allclose(net_costs, costs[:4]) and all(len(c) for c in cells)
    n = len(places)
    print(f"raster of {price.size:,} cells, air costs {AIR} x bead; {n} ways of {rows} x {columns} cells")
    print(f"kernel    {1e3 * mine_s / n:.2f} ms a way")
    print(f"scipy     {1e3 * scipy_s / n:.1f} ms a way, {scipy_s / mine_s:.0f} x; its graph {1e3 * make_s:.0f} ms more")
    each = net_s / len(few)
    print(f"networkx  {1e3 * each:.0f} ms a way, {each * n / mine_s:.0f} x; its graph {grow_s:.1f} s more")


if __name__ == "__main__":
    main()
