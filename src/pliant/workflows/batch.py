"""`batch`: many programs checked side by side, each in a process of its own pool."""

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from pliant.errors import PliantError
from pliant.progress import Progress
from pliant.records.filament import read_filament
from pliant.records.findings import Findings
from pliant.records.machine import read_machine
from pliant.records.many import Combination
from pliant.workflows.check import check

__all__ = ["Batch", "Row", "batch", "programs_in"]

_ENDINGS = {".gcode", ".gco", ".g", ".nc", ".ngc", ".tap"}  # common practice, no source


@dataclass(frozen=True)
class Row:
    """One program of a batch: its findings, or why it could not be checked."""

    program: str  # file name
    findings: Findings | None
    error: str | None  # why it could not be checked; None where it was


@dataclass(frozen=True)
class Batch:
    """All programs of a folder, the riskiest first; those that could not be read last."""

    rows: tuple[Row, ...]
    machine: str
    filament: str

    def combinations(self) -> list[Combination]:
        """The rows as combinations of one pair."""
        return [
            Combination(
                r.program, self.machine, self.filament, f.jam_probability,
                None if f.tonight is None else f.tonight.expected_min,
                f.tonight.tries[0].speed_share if f.tonight is not None and f.tonight.tries else None, f.mechanism,
                f.facts.filament_forward_mm - f.facts.filament_back_mm, "",
            )
            for r in self.rows if (f := r.findings) is not None
        ]  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return {
            "programs": [
                {"program": r.program, "error": r.error}
                | ({"findings": r.findings.to_json()} if r.findings is not None else {})
                for r in self.rows
            ],
            "combinations": [asdict(c) for c in self.combinations()],
        }


def _one(path: str, machine: str, filament: str) -> Row:
    name = Path(path).name
    try:
        return Row(name, check(path, machine, filament), None)
    except PliantError as error:
        return Row(name, None, str(error))


def programs_in(folder: str | Path) -> list[str]:
    """Programs of a folder, told by their ending, in order of their names; refused where there is none."""
    place = Path(folder)
    if not place.is_dir():
        raise PliantError(f"{place}: is no folder; give the folder that holds the programs")
    paths = sorted(str(p) for p in place.iterdir() if p.suffix.lower() in _ENDINGS and p.is_file())
    if not paths:
        raise PliantError(f"{place}: no programs; looked for {', '.join(sorted(_ENDINGS))}")
    return paths


def batch(folder: str | Path, machine: str | Path, filament: str | Path, *, progress: Progress | None = None) -> Batch:
    """Check every program of a folder.

    Parameters
    ----------
    folder : str or Path
        Programs are told by their ending; folders inside are left out.
    machine, filament : str or Path
        The user's records.
    progress : callable, optional
        Told the share of programs that are done.

    Returns
    -------
    Batch

    Raises
    ------
    PliantError
        If the folder holds no program or cannot be read, or a record cannot be used.
    """
    names = read_machine(machine).name, read_filament(filament).name  # a bad record is told before the work
    paths = programs_in(folder)
    rows: list[Row] = []
    workers = max(1, min(len(paths), os.cpu_count() or 1))
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        jobs = [pool.submit(_one, path, str(machine), str(filament)) for path in paths]
        for done, job in enumerate(jobs, 1):
            rows.append(job.result())
            if progress is not None:
                progress("checking", done / len(jobs))
    rows.sort(key=lambda r: -r.findings.jam_probability if r.findings is not None else 1.0)
    return Batch(tuple(rows), *names)
