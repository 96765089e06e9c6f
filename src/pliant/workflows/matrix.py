"""Many programs on many machines with many spools, each program read once."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from pliant.ahead import compile_ahead
from pliant.errors import PliantError
from pliant.job.outlook import Outlook
from pliant.program.read import read_program
from pliant.progress import Progress
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.records.many import Combination, Matrix
from pliant.workflows.batch import programs_in

__all__ = ["matrix"]


def matrix(
    folder: str | Path,
    machines: Sequence[str | Path],
    filaments: Sequence[str | Path],
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Matrix:
    """Say for every program what it comes to on every machine with every spool.

    Parameters
    ----------
    folder : str or Path
        With the programs.
    machines, filaments : sequence of str or Path
        Records, or folders of them.
    workers : int, optional
        Processes; as many as there are cores when left out.
    progress : callable, optional
        Told the share of programs that are done.

    Returns
    -------
    Matrix
        The same to the last digit for any number of processes.

    Raises
    ------
    PliantError
        If a folder is empty, a record cannot be used, or two records have one name.
    """
    paths = programs_in(folder)
    records = (
        _records(machines, "machine", ".machine.toml", read_machine),
        _records(filaments, "spool", ".filament.toml", read_filament),
    )
    compile_ahead(progress)
    workers = max(1, min(len(paths), workers or os.cpu_count() or 1))
    done: list[tuple[list[Combination], str]] = []
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for k, found in enumerate(pool.map(_one, paths, [records] * len(paths)), 1):
            done.append(found)
            if progress is not None:
                progress("checking", k / len(paths))
    unread = {Path(path).name: why for path, (_, why) in zip(paths, done, strict=True) if why}
    return Matrix(tuple(c for found, _ in done for c in found), unread)


def _one(path: str, records: tuple[list[Machine], list[Filament]]) -> tuple[list[Combination], str]:
    """All combinations of one program, or why it cannot be read."""
    found, read = [], {}
    try:
        for machine in records[0]:
            if machine.dialect not in read:
                read[machine.dialect] = read_program(path, machine.dialect)
            outlook = Outlook(read[machine.dialect], Path(path).name, machine)
            found += [outlook.with_spool(filament) for filament in records[1]]
    except PliantError as error:
        return [], str(error)
    return found, ""


def _records(places: Sequence[str | Path], what: str, ending: str, read: Callable[[Any], Any]) -> list[Any]:
    """Records from files, and from folders those with the ending, else every .toml; named apart."""
    paths: list[Path] = []
    for place in map(Path, places):
        if place.is_dir():
            inside = sorted(p for p in place.iterdir() if p.name.endswith(ending)) or sorted(place.glob("*.toml"))
            if not inside:
                raise PliantError(f"{place}: no {what} in this folder; looked for names that end in {ending} or .toml")
            paths += inside
        else:
            paths.append(place)
    found = [read(path) for path in paths]
    seen: dict[str, Path] = {}
    for path, record in zip(paths, found, strict=True):
        if record.name in seen:
            other = seen[record.name]
            raise PliantError(
                f"{path}: its {what} is called {record.name!r}, as that of {other}; give one another name"
            )
        seen[record.name] = path
    return found
