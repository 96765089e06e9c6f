"""`batch`: many programs checked side by side, on one machine with one spool or on many, and which job goes where."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from pliant.errors import PliantError
from pliant.job.assign import assign as assigned
from pliant.progress import Progress
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.many import Batch, Matrix, Row
from pliant.workflows.check import check
from pliant.workflows.folder import programs_in, side_by_side
from pliant.workflows.matrix import matrix

__all__ = ["batch"]

Records = str | Path | Sequence[str | Path]


def batch(
    folder: str | Path,
    machine: Records,
    filament: Records,
    *,
    assign: str | None = None,
    spool_m: Mapping[str, float] | None = None,
    only: Mapping[str, str] | None = None,
    by_min: Mapping[str, float] | None = None,
    busy_min: Mapping[str, float] | None = None,
    on: str | None = None,
    resume: str | Path | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Batch | Matrix:
    """Check every program of a folder.

    Parameters
    ----------
    folder : str or Path
        Programs are told by their ending; folders inside are left out.
    machine, filament : str, Path or sequence of them
        The user's records, or folders of them.
    assign : {"soonest", "least-time", "surest"}, optional
        Also say which job goes where, and for what.
    spool_m : mapping of str to float, optional
        Filament left on a spool, by its name; goes with `assign`. [m]
    only : mapping of str to str, optional
        Programs that one spool alone may print; goes with `assign`.
    by_min : mapping of str to float, optional
        When a program has to be done, from now on; goes with `assign`. [min]
    busy_min : mapping of str to float, optional
        How long a machine still prints something else, by its name; goes with `assign`. [min]
    on : str, optional
        HOST:PORT of a Dask cluster that does the work; every combination in short then.
    resume : str or Path, optional
        File in which what is done is kept, and not done again; every combination in short then.
    workers : int, optional
        Processes; as many as there are cores when left out.
    progress : callable, optional
        Told the share of programs that are done.

    Returns
    -------
    Batch or Matrix
        All that `check` finds where one file of each record is given and no plan asked for; else every combination, in
        short.

    Raises
    ------
    PliantError
        If the folder holds no program, a record cannot be used, or no plan keeps to what was asked.
    """
    machines, filaments = _places(machine), _places(filament)
    for name, given in {"spool_m": spool_m, "only": only, "by_min": by_min, "busy_min": busy_min}.items():
        if given and assign is None:
            raise PliantError(f"`{name}` is for a plan; say `assign` too, or leave it out")
    short = assign is not None or on is not None or resume is not None
    if not short and len(machines) == len(filaments) == 1 and not machines[0].is_dir() | filaments[0].is_dir():
        return _checked(folder, machines[0], filaments[0], workers, progress)
    found = matrix(folder, machines, filaments, workers=workers, on=on, resume=resume, progress=progress)
    if assign is None:
        return found
    plan = assigned(found.combinations, assign, spool_m=spool_m, only=only, by_min=by_min, busy_min=busy_min)
    return replace(found, assignment=plan)


def _places(given: Records) -> list[Path]:
    return [Path(given)] if isinstance(given, str | Path) else [Path(one) for one in given]


def _checked(
    folder: str | Path, machine: Path, filament: Path, workers: int | None, progress: Progress | None
) -> Batch:
    """The findings of every program on one machine with one spool."""
    names = read_machine(machine).name, read_filament(filament).name  # a bad record is told before the work
    rows = side_by_side(_one, programs_in(folder), str(machine), str(filament), workers=workers, progress=progress)
    rows.sort(key=lambda r: -r.findings.jam_probability if r.findings is not None else 1.0)
    return Batch(tuple(rows), *names)


def _one(path: str, machine: str, filament: str) -> Row:
    name = Path(path).name
    try:
        return Row(name, check(path, machine, filament), None)
    except PliantError as error:
        return Row(name, None, str(error))
