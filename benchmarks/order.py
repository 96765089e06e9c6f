"""Order of islands: our local search against a constraint solver that proves the optimum, and the nearest-next rule.

Run with `python benchmarks/order.py`. Prints machine, versions, times, the ratio of the times, and how far from the
proven lower bound we end. The solver gets 20 s and one thread.
"""

import itertools
import platform
import sys
import time

import numba
import numpy as np
import ortools
from ortools.sat.python import cp_model

from pliant.kernels.order import nearest_order, order_cost
from pliant.mending.order_islands import order_islands


def by_solver(cost, seconds):
    """Least length found and proven lower bound, start in row 0, free end."""
    model, arcs, fees = cp_model.CpModel(), [], []
    for a, b in itertools.permutations(range(len(cost)), 2):
        arcs.append((a, b, model.new_bool_var("")))
        if b != 0:
            fees.append(round(1e4 * cost[a, b]) * arcs[-1][2])
    model.add_circuit(arcs)
    model.minimize(sum(fees))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds, solver.parameters.num_workers = seconds, 1
    start = time.perf_counter()
    status = solver.solve(model)
    length = solver.objective_value / 1e4 if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else float("nan")
    return length, solver.best_objective_bound / 1e4, time.perf_counter() - start


def main():
    print(
        f"{platform.machine()} {platform.system()}, Python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"numba {numba.__version__}, ortools {ortools.__version__}"
    )
    start = time.perf_counter()
    order_islands(np.zeros((5, 2)), np.zeros((5, 2)), (0, 0))
    print(f"compile or load from cache: {time.perf_counter() - start:.2f} s")
    rng = np.random.default_rng(7)
    for n in (12, 40, 80, 500):
        enter = rng.uniform(0, 150, (n, 2))
        leave = enter + rng.normal(0, 3, (n, 2))  # islands of a few millimetres that end near their beginning
        start = time.perf_counter()
        found = order_islands(enter, leave, (0, 0))
        ours = time.perf_counter() - start
        out, into = np.vstack([[0, 0], leave]), np.vstack([[0, 0], enter])
        cost = np.hypot(*(out[:, None] - into[None]).transpose(2, 0, 1))
        greedy = order_cost(nearest_order(np.pad(cost, (0, 1))), np.pad(cost, (0, 1)))
        print(f"{n} islands: {ours * 1e3:.0f} ms, {found.cost:.1f} mm of {found.cost_before:.0f} as given", end="; ")
        print(f"nearest next {100 * (greedy / found.cost - 1):+.1f} %", end="; ", flush=True)
        if n > 100:
            print("too many for the solver in this time")
            continue
        judge, bound, theirs = by_solver(cost, 20.0)
        print(
            f"solver {theirs:.2f} s ({theirs / ours:.0f}x), {judge:.1f} mm, at least {bound:.1f}: "
            f"ours is at most {100 * (found.cost / bound - 1):.2f} % over the optimum"
        )


if __name__ == "__main__":
    main()
