"""Order of islands: our local search against a general routing solver and against the nearest-next rule.

Run with `python benchmarks/order.py`. Prints machine, versions, times, and the ratio of time and of length. The
solver (ortools, guided local search) gets ten times our time, but at least a second.
"""

import platform
import sys
import time

import numba
import numpy as np
import ortools
from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from pliant.kernels.order import nearest_order, order_cost
from pliant.mend.order_islands import order_islands


def by_solver(enter, leave, seconds):
    """Least length found for a start at the origin and a free end."""
    n = len(enter)
    out, into = np.vstack([[0, 0], leave]), np.vstack([[0, 0], enter])
    whole = np.zeros((n + 2, n + 2), dtype=np.int64)
    whole[: n + 1, : n + 1] = np.round(1e4 * np.hypot(*(out[:, None] - into[None]).transpose(2, 0, 1)))
    table = whole.tolist()
    index = pywrapcp.RoutingIndexManager(n + 2, 1, [0], [n + 1])
    model = pywrapcp.RoutingModel(index)
    fee = model.RegisterTransitCallback(lambda a, b: table[index.IndexToNode(a)][index.IndexToNode(b)])
    model.SetArcCostEvaluatorOfAllVehicles(fee)
    search = pywrapcp.DefaultRoutingSearchParameters()
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    search.time_limit.FromMilliseconds(int(1000 * seconds))
    return model.SolveWithParameters(search).ObjectiveValue() / 1e4


def main():
    print(
        f"{platform.machine()} {platform.system()}, Python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"numba {numba.__version__}, ortools {ortools.__version__}"
    )
    start = time.perf_counter()
    order_islands(np.zeros((5, 2)), np.zeros((5, 2)), (0, 0))
    print(f"compile or load from cache: {time.perf_counter() - start:.2f} s")
    rng = np.random.default_rng(7)
    for n in (12, 40, 150, 500, 1500):
        enter = rng.uniform(0, 150, (n, 2))
        leave = enter + rng.normal(0, 3, (n, 2))  # islands of a few millimetres that end near their beginning
        start = time.perf_counter()
        found = order_islands(enter, leave, (0, 0))
        ours = time.perf_counter() - start
        out, into = np.vstack([[0, 0], leave, [0, 0]]), np.vstack([[0, 0], enter, [0, 0]])
        cost = np.hypot(*(out[:, None] - into[None]).transpose(2, 0, 1))
        cost[:, -1] = 0.0
        greedy = order_cost(nearest_order(cost), cost)
        given = max(1.0, 10 * ours)
        judge = by_solver(enter, leave, given)
        print(
            f"{n} islands: {ours * 1e3:.0f} ms, {found.cost:.0f} mm of {found.cost_before:.0f} as given; "
            f"solver in {given:.1f} s {judge:.0f} mm (we are {100 * (found.cost / judge - 1):+.1f} %), "
            f"nearest next {greedy:.0f} mm ({100 * (greedy / judge - 1):+.1f} %)"
        )


if __name__ == "__main__":
    main()
