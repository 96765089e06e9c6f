"""Which job goes to which machine with which spool: a mixed-integer programme, solved by HiGHS.

The task is that of unrelated parallel machines, R||Cmax in the three fields of R. L. Graham, E. L. Lawler, J. K.
Lenstra, A. H. G. Rinnooy Kan (Optimization and approximation in deterministic sequencing and scheduling, Annals of
Discrete Mathematics 5 (1979) 287), with spools that are used up. A job takes its expected time, jams counted in. Left
out: the minutes that a change of spools takes, one spool wanted by two machines at once, and what a print teaches.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, vstack

from pliant.errors import PliantError
from pliant.records.many import OBJECTIVES, Assignment, Combination, Slot

__all__ = ["assign"]

_SECONDS = 20.0  # the solver's time: what it has not proved by then stands as the gap
_LEAST_CHANCE = 1e-9


def assign(
    combinations: Sequence[Combination],
    objective: str = "soonest",
    *,
    spool_m: Mapping[str, float] | None = None,
    only: Mapping[str, str] | None = None,
    seconds: float = _SECONDS,
) -> Assignment:
    """Choose a machine and a spool for every program.

    Parameters
    ----------
    combinations : sequence of Combination
        Of all programs.
    objective : {"soonest", "least-time", "surest"}
        The last is done soonest; the sum of expected time is least; all feed at the first try most likely.
    spool_m : mapping of str to float, optional
        Filament left on a spool, by its name; others do not run out. [m]
    only : mapping of str to str, optional
        Programs that are printed with one spool and no other.
    seconds : float
        For the solver. [s]

    Returns
    -------
    Assignment

    Raises
    ------
    PliantError
        If a name is not known, or no plan keeps to what was asked.
    """
    if objective not in OBJECTIVES:
        raise PliantError(f"the objective must be one of {', '.join(OBJECTIVES)}, got {objective!r}")
    spool_m, only = dict(spool_m or {}), dict(only or {})
    _require_known(combinations, spool_m, only)
    able = [
        c for c in combinations
        if c.expected_min is not None and only.get(c.program, c.filament) == c.filament
    ]  # fmt: skip
    programs = list(dict.fromkeys(c.program for c in combinations))
    if lost := [name for name in programs if not any(c.program == name for c in able)]:
        why = next((c.error for c in combinations if c.program == lost[0] and c.error), "")
        raise PliantError(
            f"{lost[0]}: no machine and spool can print it{f' ({why})' if why else ''}; take it out, or bring another "
            "machine or spool"
        )
    chosen, gap = _solve(able, programs, objective, spool_m, seconds)
    return _told(chosen, objective, gap)


def _require_known(combinations: Sequence[Combination], spool_m: Mapping[str, float], only: Mapping[str, str]) -> None:
    spools, programs = {c.filament for c in combinations}, {c.program for c in combinations}
    for name in [*spool_m, *only.values()]:
        if name not in spools:
            raise PliantError(f"no spool is called {name!r}; there are {', '.join(sorted(spools))}")
    for name in only:
        if name not in programs:
            raise PliantError(f"no program is called {name!r}; there are {', '.join(sorted(programs))}")
    for name, length in spool_m.items():
        if not (np.isfinite(length) and length > 0):
            raise PliantError(f"{name}: the length left must be above 0 m, got {length:g}")


def _solve(
    able: list[Combination], programs: list[str], objective: str, spool_m: Mapping[str, float], seconds: float
) -> tuple[list[Combination], float]:
    """The chosen combinations, one for each program, and the gap that is left."""
    n = len(able)
    minutes = np.array([c.expected_min for c in able])
    chance = np.array([c.jam_probability for c in able], dtype=float)
    machines = list(dict.fromkeys(c.machine for c in able))
    # one column for each combination, and the last for the minute at which all is done
    rows = [_rows([programs.index(c.program) for c in able], np.ones(n), len(programs), n + 1)]
    least, most = [np.ones(len(programs))], [np.ones(len(programs))]
    busy = _rows([machines.index(c.machine) for c in able], minutes, len(machines), n + 1).tolil()
    busy[:, n] = -1.0
    rows.append(busy.tocoo())
    least.append(np.full(len(machines), -np.inf))
    most.append(np.zeros(len(machines)))
    for name, length in spool_m.items():
        takes = np.array([(c.filament_mm or 0.0) / 1000 if c.filament == name else 0.0 for c in able])
        rows.append(_rows([0] * n, takes, 1, n + 1))
        least.append(np.array([-np.inf]))
        most.append(np.array([length]))
    cost = np.zeros(n + 1)
    if objective == "soonest":
        cost[n], cost[:n] = 1.0, 1e-6 * minutes  # of plans that end alike, the one with less work
    elif objective == "least-time":
        cost[:n] = minutes
    else:
        cost[:n] = -np.log(np.maximum(1 - chance, _LEAST_CHANCE)) + 1e-9 * minutes
    whole = np.append(np.ones(n), 0.0)
    found = milp(
        cost, integrality=whole, bounds=Bounds(0.0, np.append(np.ones(n), np.inf)),
        constraints=LinearConstraint(vstack(rows), np.concatenate(least), np.concatenate(most)),
        options={"time_limit": seconds, "mip_rel_gap": 1e-6},
    )  # fmt: skip
    if found.x is None:
        short = ", ".join(f"{name} ({length:g} m)" for name, length in spool_m.items())
        raise PliantError(
            "no plan keeps to what was asked" + (f": the spools are too short ({short})" if short else "")
            + "; take out a job, or bring another spool"
        )  # fmt: skip
    gap = float(found.mip_gap) if found.mip_gap is not None else 0.0
    return [c for c, x in zip(able, found.x[:n].tolist(), strict=True) if x > 0.5], gap


def _rows(row: list[int], value: np.ndarray, height: int, width: int) -> coo_array:
    return coo_array((value, (row, np.arange(len(row)))), shape=(height, width))


def _told(chosen: list[Combination], objective: str, gap: float) -> Assignment:
    """Jobs of one machine one after another: spool by spool, so that it is changed rarely, the longest first."""
    plan, ends = [], dict[str, float]()
    for c in sorted(chosen, key=lambda c: (c.machine, c.filament, -(c.expected_min or 0.0), c.program)):
        start = ends.get(c.machine, 0.0)
        ends[c.machine] = start + (c.expected_min or 0.0)
        plan.append(Slot(c.machine, c.filament, c.program, start, ends[c.machine]))
    feed = float(np.prod([1 - (c.jam_probability or 0.0) for c in chosen]))
    total = float(sum(c.expected_min or 0.0 for c in chosen))
    return Assignment(tuple(plan), objective, max(ends.values(), default=0.0), total, feed, gap)
