"""Many programs on many machines with many spools, each program read once."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pliant.errors import PliantError
from pliant.files import Text
from pliant.job.outlook import Outlook
from pliant.program.read import read_program
from pliant.progress import Progress
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.records.many import Combination, Matrix
from pliant.records.program import Program
from pliant.workflows.folder import programs_in, side_by_side
from pliant.workflows.kept import KeptCombinations

__all__ = ["matrix"]


def matrix(
    folder: str | Path,
    machines: Sequence[str | Path],
    filaments: Sequence[str | Path],
    *,
    workers: int | None = None,
    on: str | None = None,
    resume: str | Path | None = None,
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
    on : str, optional
        HOST:PORT of a Dask cluster that does it instead.
    resume : str or Path, optional
        File in which what is done is kept, program by program, and not done again.
    progress : callable, optional
        Told the share of programs that are done.

    Returns
    -------
    Matrix
        The same to the last digit for any number of processes and computers.

    Raises
    ------
    PliantError
        If a folder is empty, a record cannot be used, two records have one name, the cluster is not there or is lost,
        or the file holds anything else.
    """
    paths = programs_in(folder)
    rigs, spools = _files(machines, "machine", ".machine.toml"), _files(filaments, "spool", ".filament.toml")
    records = _records(rigs, "machine", read_machine), _records(spools, "spool", read_filament)
    done = None if resume is None else KeptCombinations(resume, [*rigs, *spools])
    found = side_by_side(_one, paths, *records, workers=workers, on=on, done=done, progress=progress)
    unread = {Path(path).name: why for path, (_, why) in zip(paths, found, strict=True) if why}
    return Matrix(tuple(c for row, _ in found for c in row), unread)


def _one(path: str | Text, machines: list[Machine], filaments: list[Filament]) -> tuple[list[Combination], str]:
    """All combinations of one program, or why no dialect of the machines can read it."""
    name, read, found = Path(path).name, dict[str, Program | PliantError](), list[Combination]()
    for machine in machines:
        if machine.dialect not in read:
            read[machine.dialect] = _read(path, machine.dialect)
        program = read[machine.dialect]
        if isinstance(program, Program):
            outlook = Outlook(program, name, machine)
            found += [outlook.with_spool(filament) for filament in filaments]
        else:
            found += [Combination.none(name, machine.name, filament.name, str(program)) for filament in filaments]
    wrong = [why for why in read.values() if isinstance(why, PliantError)]
    return ([], str(wrong[0])) if len(wrong) == len(read) else (found, "")


def _read(path: str | Text, dialect: str) -> Program | PliantError:
    try:
        return read_program(path, dialect)
    except PliantError as error:
        return error


def _files(places: Sequence[str | Path], what: str, ending: str) -> list[Path]:
    """Files of records, and of folders those with the ending, else every .toml."""
    paths: list[Path] = []
    for place in map(Path, places):
        if place.is_dir():
            inside = sorted(p for p in place.iterdir() if p.name.endswith(ending)) or sorted(place.glob("*.toml"))
            if not inside:
                raise PliantError(f"{place}: no {what} in this folder; looked for names that end in {ending} or .toml")
            paths += inside
        else:
            paths.append(place)
    return paths


def _records(paths: Sequence[Path], what: str, read: Callable[[Any], Any]) -> list[Any]:
    """The records, named apart."""
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
