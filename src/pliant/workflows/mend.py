"""`mend`: rewrite a program so that it feeds, and prove that the part is the same."""

import os
import shutil
import tempfile
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError, ProgramError
from pliant.feed import chain
from pliant.feed.load import Job, follow
from pliant.feed.risk import jam_risk
from pliant.mend.certificate import certify
from pliant.mend.flow import plan_flow, slowed_changes
from pliant.mend.heat import allowed_c, mend_heat
from pliant.mend.leads import find_leads
from pliant.mend.order import mend_order
from pliant.mend.retract import mend_retraction
from pliant.mend.route import layer_region, mend_routes
from pliant.program.coverage import find_coverage
from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.program.sections import bead_sections
from pliant.program.timing import time_program
from pliant.program.write import Edits, rewrite
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.records.mended import Flat, Mended
from pliant.records.mending import Certificate, Change, Intent
from pliant.records.program import BEAD, Program
from pliant.workflows.check import FEEDS_BELOW, check, job_of, motion_of

__all__ = ["FLAT_MM_PER_S", "PASSES", "mend", "replace_file"]

PASSES = ("order", "route", "retract", "flow", "heat")
FLAT_MM_PER_S = 15.0  # common practice, no source: the speed that is called conservative and safe
_AIM = 0.95  # [-] of the target that speeds are planned for, so that what follows cannot carry it over
_ROUTING_SHARE = 0.04  # [-] of the job's time that detours may cost


@dataclass
class _Bench:
    """A program on its way through the passes; every stage is written to disk and read again."""

    folder: Path
    program: Program
    machine: Machine
    filament: Filament
    dialect: str
    origin: NDArray[np.int64]  # line of the input for each line of the current file; 0 for new lines
    changes: list[Change] = field(default_factory=list)
    stage: int = 0

    def job_at(self, speed_mm_per_s: NDArray[np.float64]) -> Job:
        """The program at other speeds, as the feed path sees it."""
        program = replace(self.program, speed_mm_per_s=speed_mm_per_s)
        layering = find_layers(program)
        sections = bead_sections(program, layering, self.filament.diameter_mm.value)
        timing = time_program(program, motion_of(self.machine))
        return job_of(program, timing, layering, sections, self.filament)[0]

    def time_at(self, speed_mm_per_s: NDArray[np.float64]) -> float:
        program = replace(self.program, speed_mm_per_s=speed_mm_per_s)
        return float(time_program(program, motion_of(self.machine)).move_s.sum())

    def write(self, edits: Edits, changes: list[Change]) -> None:
        """Make the edits, read the result again, and keep the changes in lines of the input."""
        if not changes:
            return
        self.changes += [replace(c, line=int(self.origin[c.line - 1])) for c in changes]
        self.stage += 1
        path = self.folder / f"stage-{self.stage}.gcode"
        lines = rewrite(self.program, edits, path)
        before = Path(self.program.path)
        self.origin = np.where(lines > 0, self.origin[np.maximum(lines, 1) - 1], 0)
        self.program = read_program(path, self.dialect)
        if before.parent == self.folder:
            before.unlink()


def _order(bench: _Bench) -> None:
    p, layering = bench.program, find_layers(bench.program)
    sections, edits = bead_sections(p, layering, bench.filament.diameter_mm.value), Edits.none(p)
    bench.write(edits, mend_order(p, edits, find_leads(p, layering), layering, sections))


def _route(bench: _Bench) -> None:
    p, layering = bench.program, find_layers(bench.program)
    sections, edits = bead_sections(p, layering, bench.filament.diameter_mm.value), Edits.none(p)
    coverage = find_coverage(p, layering, sections.width_mm)
    seconds = _ROUTING_SHARE * bench.time_at(p.speed_mm_per_s)
    region = layer_region(p, layering, sections)
    changes, _ = mend_routes(p, edits, find_leads(p, layering), coverage, region, seconds=seconds)
    bench.write(edits, changes)


def _retract(bench: _Bench) -> None:
    p, layering = bench.program, find_layers(bench.program)
    sections, edits = bead_sections(p, layering, bench.filament.diameter_mm.value), Edits.none(p)
    coverage = find_coverage(p, layering, sections.width_mm)
    leads = find_leads(p, layering)
    load = follow(bench.job_at(p.speed_mm_per_s), bench.machine, bench.filament)
    theta = chain.central(bench.machine, bench.filament)
    area = np.pi * theta["diameter_mm"] ** 2 / 4
    per_mpa = float(chain.compliance(bench.machine, theta)) / area
    air = np.array([coverage.open_mm[lead.first : lead.last].sum() for lead in leads])
    stored = np.array([load.end_mpa[lead.first - 1] * per_mpa for lead in leads])
    bench.write(edits, mend_retraction(p, edits, leads, air, stored))


def _flow(bench: _Bench, target: float, passes: Collection[str]) -> None:
    p, edits = bench.program, Edits.none(bench.program)
    changes = mend_heat(p, edits, bench.machine, bench.filament) if "heat" in passes else []
    if "flow" in passes:
        plan = plan_flow(p, bench.machine, bench.filament, target, bench.job_at, aim=_AIM)
        edits.speed_mm_per_s = plan.speed_mm_per_s
        why = (
            f"holds the chance of a jam under {100 * target:.2g} %" if plan.meets
            else "as slow as makes sense; the target is out of reach"
        )  # fmt: skip
        changes = changes + slowed_changes(p, plan.speed_mm_per_s, find_layers(p).layer, why)
    bench.write(edits, changes)


def _flat(bench: _Bench) -> Flat:
    """The input with every bead at one safe speed, and ours at no more risk than that."""
    p = bench.program
    flat = np.where(p.kind == BEAD, np.minimum(p.speed_mm_per_s, FLAT_MM_PER_S), p.speed_mm_per_s)
    chance = jam_risk(bench.job_at(flat), bench.machine, bench.filament, shares=False).probability
    ours = plan_flow(p, bench.machine, bench.filament, chance, bench.job_at)
    return Flat(FLAT_MM_PER_S, bench.time_at(flat), chance, bench.time_at(ours.speed_mm_per_s), ours.jam_probability)


def mend(
    program: str | Path,
    machine: str | Path | Machine,
    filament: str | Path | Filament,
    *,
    output: str | Path | None = None,
    in_place: bool = False,
    passes: Collection[str] = PASSES,
    target: float = FEEDS_BELOW,
    dialect: str | None = None,
) -> Mended:
    """Rewrite a program so that it feeds, and prove that the part is the same.

    Parameters
    ----------
    program : str or Path
        The motion program; left as it is unless `in_place`.
    machine, filament : str, Path or record
        The user's records.
    output : str or Path, optional
        Where the mended program goes; replaced as a whole or not at all.
    in_place : bool, default False
        Replace the input, as a post-processing step of whatever wrote it.
    passes : collection of str
        Which passes run, of `PASSES`.
    target : float, default 0.02
        Chance of a jam to stay under. [-]
    dialect : str, optional
        Overrides the machine's own.

    Returns
    -------
    Mended
        Before and after, the changes, and the certificate; `meets_target` says whether the target was reached.

    Raises
    ------
    PliantError
        If an input cannot be used, the output cannot be written, or an obligation of the certificate fails; nothing
        has been written then.
    """
    source = Path(program)
    for name in passes:
        if name not in PASSES:
            raise PliantError(f"unknown pass {name!r}; choose from {', '.join(PASSES)}")
    if not 0 < target < 1:
        raise PliantError(f"target must be a chance between 0 and 1, got {target:g}")
    goal = source if in_place else Path(output) if output is not None else None
    if goal is not None and not in_place and goal.exists() and goal.samefile(source):
        raise PliantError(f"{goal} is the input; use --in-place to replace it")
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    reading = dialect or machine.dialect
    before = check(source, machine, filament, dialect=reading)
    with tempfile.TemporaryDirectory(prefix="pliant-") as name:
        first = read_program(source, reading)
        bench = _Bench(Path(name), first, machine, filament, reading, np.arange(1, first.n_lines + 2))
        flat = _flat(bench)
        start = bench.time_at(first.speed_mm_per_s)
        for step, run in (("order", _order), ("route", _route)):
            if step in passes:
                run(bench)
        routing_s = bench.time_at(bench.program.speed_mm_per_s) - start
        _flow(bench, target, passes)
        if "retract" in passes:
            _retract(bench)
        final = Path(bench.program.path)
        intent = Intent(
            may_reorder_islands="order" in passes,
            may_change_retraction="retract" in passes,
            may_reroute="route" in passes,
            nozzle_c=allowed_c(machine, filament) if "heat" in passes else None,
        )
        certificate = certify(source, final, intent, dialect=reading, diameter_mm=filament.diameter_mm.value)
        _demand(certificate)
        after = check(final, machine, filament, dialect=reading) if bench.changes else before
        if goal is not None:
            replace_file(final, goal, like=source)
    return Mended(
        output=str(goal) if goal is not None else None,
        meets_target=after.jam_probability <= target,
        target=target,
        before=before,
        after=after,
        changes=tuple(sorted(bench.changes, key=lambda c: c.line)),
        certificate=certificate,
        flat=flat,
        routing_time_s=routing_s,
    )


def _demand(certificate: Certificate) -> None:
    failed = [o for o in certificate.obligations if not o.holds]
    if failed:
        told = "; ".join(f"{o.obligation}: {o.figure}" for o in failed)
        raise ProgramError(f"not certified, nothing written: {told}. Leave out a pass with --skip and tell us")


def replace_file(new: Path, goal: Path, *, like: Path) -> None:
    """Put a file in the place of another in one step; on any failure the other is as it was."""
    beside = goal.with_name(f".{goal.name}.{os.getpid()}.new")
    try:
        with new.open("rb") as source, beside.open("xb") as out:
            shutil.copyfileobj(source, out, 1 << 20)
            out.flush()
            os.fsync(out.fileno())
        shutil.copymode(like, beside)
        os.replace(beside, goal)
        folder = os.open(goal.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise PliantError(
            f"{goal}: cannot be written ({error.strerror}); the input is untouched. Free space or choose another folder"
        ) from error
