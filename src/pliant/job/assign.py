"""Which job goes to which machine with which spool: a mixed-integer programme, solved by HiGHS.

The task is that of unrelated parallel machines, R||Cmax in the three fields of R. L. Graham, E. L. Lawler, J. K.
Lenstra, A. H. G. Rinnooy Kan (Optimization and approximation in deterministic sequencing and scheduling, Annals of
Discrete Mathematics 5 (1979) 287), with spools that are used up, machines that are not free at once and jobs that are
due. One machine's jobs keep their times in some order just where they keep them in the order in which they are due (J.
R. Jackson, Scheduling a production line to minimize maximum tardiness, research report 43, University of California,
Los Angeles 1955; from memory), so no order has to be chosen. A job takes its expected time, jams counted in. Left out:
the minutes that a change of spools takes, one spool wanted by two machines at once, and what a print teaches.
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
    by_min: Mapping[str, float] | None = None,
    busy_min: Mapping[str, float] | None = None,
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
    by_min : mapping of str to float, optional
        When a program has to be done, by its expected time, counted from the begin of the plan. [min]
    busy_min : mapping of str to float, optional
        How long a machine still prints something else, by its name. [min]
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
    by_min, busy_min = dict(by_min or {}), dict(busy_min or {})
    _require_known(combinations, spool_m, only, by_min, busy_min)
    able = [
        c for c in combinations
        if c.expected_min is not None and only.get(c.program, c.filament) == c.filament
        and busy_min.get(c.machine, 0.0) + c.expected_min <= by_min.get(c.program, np.inf)
    ]  # fmt: skip
    programs = list(dict.fromkeys(c.program for c in combinations))
    if lost := [name for name in programs if not any(c.program == name for c in able)]:
        why = next((c.error for c in combinations if c.program == lost[0] and c.error), "")
        soonest = min((c.expected_min for c in combinations if c.program == lost[0] and c.expected_min), default=None)
        if not why and soonest is not None and lost[0] in by_min:
            why = f"it takes {soonest:.0f} min or more, and has to be done by {by_min[lost[0]]:g}"
        raise PliantError(
            f"{lost[0]}: no machine and spool can print it{f' ({why})' if why else ''}; take it out, or bring another "
            "machine or spool"
        )
    chosen, gap = _solve(able, programs, objective, spool_m, by_min, busy_min, seconds)
    return _told(chosen, objective, gap, by_min, busy_min)


def _require_known(
    combinations: Sequence[Combination], spool_m: Mapping[str, float], only: Mapping[str, str],
    by_min: Mapping[str, float], busy_min: Mapping[str, float],
) -> None:  # fmt: skip
    spools, programs = {c.filament for c in combinations}, {c.program for c in combinations}
    machines = {c.machine for c in combinations}
    for name in busy_min:
        if name not in machines:
            raise PliantError(f"no machine is called {name!r}; there are {', '.join(sorted(machines))}")
    for name in [*spool_m, *only.values()]:
        if name not in spools:
            raise PliantError(f"no spool is called {name!r}; there are {', '.join(sorted(spools))}")
    for name in [*only, *by_min]:
        if name not in programs:
            raise PliantError(f"no program is called {name!r}; there are {', '.join(sorted(programs))}")
    for name, length in spool_m.items():
        if not (np.isfinite(length) and length > 0):
            raise PliantError(f"{name}: the length left must be above 0 m, got {length:g}")
    for name, minutes in [*by_min.items(), *busy_min.items()]:
        if not (np.isfinite(minutes) and minutes >= 0):
            raise PliantError(f"{name}: minutes from now on must be 0 or more, got {minutes:g}")


def _solve(
    able: list[Combination], programs: list[str], objective: str, spool_m: Mapping[str, float],
    by_min: Mapping[str, float], busy_min: Mapping[str, float], seconds: float,
) -> tuple[list[Combination], float]:  # fmt: skip
    """The chosen combinations, one for each program, and the gap that is left."""
    n, machines = len(able), list(dict.fromkeys(c.machine for c in able))
    minutes = np.array([c.expected_min for c in able])
    chance = np.array([c.jam_probability for c in able], dtype=float)
    on = np.array([machines.index(c.machine) for c in able])
    busy = np.array([busy_min.get(name, 0.0) for name in machines])
    # a column for each combination, one for each machine (whether it is used), and the minute at which all is done
    width, done = n + len(machines) + 1, n + len(machines)
    rows = [_rows([programs.index(c.program) for c in able], np.ones(n), len(programs), width)]
    least, most = [np.ones(len(programs))], [np.ones(len(programs))]

    def at_most(row: coo_array, value: np.ndarray) -> None:
        rows.append(row)
        least.append(np.full(value.size, -np.inf))
        most.append(value)

    ends = _rows(on.tolist(), minutes, len(machines), width).tolil()
    for k in range(len(machines)):
        ends[k, n + k], ends[k, done] = busy[k], -1.0
    at_most(ends.tocoo(), np.zeros(len(machines)))
    if busy.any():  # a machine that is still at something else counts only where it gets a job
        used = _rows(list(range(n)), np.ones(n), n, width).tolil()
        used[np.arange(n), n + on] = -1.0
        at_most(used.tocoo(), np.zeros(n))
    # jobs of one machine, the one that is due first first, keep their times where those due by each of them fit before
    due = np.array([by_min.get(c.program, np.inf) for c in able])
    for by in sorted(set(by_min.values())):
        at_most(_rows(on.tolist(), np.where(due <= by, minutes, 0.0), len(machines), width), np.maximum(by - busy, 0.0))
    for name, length in spool_m.items():
        takes = np.array([(c.filament_mm or 0.0) / 1000 if c.filament == name else 0.0 for c in able])
        at_most(_rows([0] * n, takes, 1, width), np.array([length]))
    cost = np.zeros(width)
    if objective == "soonest":
        cost[done], cost[:n] = 1.0, 1e-6 * minutes  # of plans that end alike, the one with less work
    elif objective == "least-time":
        cost[:n] = minutes
    else:
        cost[:n] = -np.log(np.maximum(1 - chance, _LEAST_CHANCE)) + 1e-9 * minutes
    whole = np.arange(width) < n
    found = milp(
        cost, integrality=whole, bounds=Bounds(0.0, np.where(np.arange(width) < done, 1.0, np.inf)),
        constraints=LinearConstraint(vstack(rows), np.concatenate(least), np.concatenate(most)),
        options={"time_limit": seconds, "mip_rel_gap": 1e-6},
    )  # fmt: skip
    if found.x is None:
        raise PliantError(_why_none(found.status, spool_m, by_min))
    gap = float(found.mip_gap) if found.mip_gap is not None else 0.0
    return [c for c, x in zip(able, found.x[:n].tolist(), strict=True) if x > 0.5], gap


def _why_none(status: int, spool_m: Mapping[str, float], by_min: Mapping[str, float]) -> str:
    """Why there is no plan, and the way out."""
    if status == 1:
        return "no plan was found in the time that was given; take out a job, or leave out what it has to keep to"
    kept = [f"the spools are too short ({', '.join(f'{k} ({v:g} m)' for k, v in spool_m.items())})"] if spool_m else []
    kept += [f"not all is done by then ({', '.join(f'{k} by {v:g} min' for k, v in by_min.items())})"] if by_min else []
    return (
        "no plan keeps to what was asked" + (f": {' or '.join(kept)}" if kept else "")
        + "; take out a job, or bring another spool" + (" or machine" if by_min else "")
    )  # fmt: skip


def _rows(row: list[int], value: np.ndarray, height: int, width: int) -> coo_array:
    return coo_array((value, (row, np.arange(len(row)))), shape=(height, width))


def _told(
    chosen: list[Combination], objective: str, gap: float, by_min: Mapping[str, float], busy_min: Mapping[str, float]
) -> Assignment:
    """Jobs of one machine one after another: what is due first, then spool by spool, so that it is changed rarely."""

    def turn(c: Combination) -> tuple[str, float, str, float, str]:
        return c.machine, by_min.get(c.program, np.inf), c.filament, -(c.expected_min or 0.0), c.program

    plan, ends = [], dict[str, float]()
    for c in sorted(chosen, key=turn):
        start = ends.get(c.machine, busy_min.get(c.machine, 0.0))
        ends[c.machine] = start + (c.expected_min or 0.0)
        plan.append(Slot(c.machine, c.filament, c.program, start, ends[c.machine]))
    feed = float(np.prod([1 - (c.jam_probability or 0.0) for c in chosen]))
    total = float(sum(c.expected_min or 0.0 for c in chosen))
    return Assignment(tuple(plan), objective, max(ends.values(), default=0.0), total, feed, gap)
