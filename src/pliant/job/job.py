"""The job: a program on a machine with a spool. Every view of it is worked out when first asked for, and kept."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from pliant.errors import ProgramError
from pliant.feed import chain
from pliant.feed.along import BeadAlong, StoreLaw, follow_bead, squeeze_of, store_law
from pliant.feed.envelope import Envelope, Groups, envelope, operating_groups
from pliant.feed.load import Course, Load, follow
from pliant.feed.passage import Passage, passage_of
from pliant.files import Source
from pliant.job.laying import Laying
from pliant.program.beside import find_proof, moves_of, without_moves
from pliant.program.read import read_program
from pliant.program.shaped import levelled_mm, shaped_already
from pliant.program.timing import Motion
from pliant.progress import Share
from pliant.records.filament import Filament
from pliant.records.limits import require_fit
from pliant.records.machine import Machine
from pliant.records.program import BEAD, HOME, Program

__all__ = ["Job", "job_of", "motion_of", "read_job"]


def motion_of(machine: Machine) -> Motion:
    """The motion limits of a machine record."""
    x, y, z, e = machine.max_speed_mm_per_s
    return Motion(
        machine.acceleration_mm_per_s2,
        machine.retract_acceleration_mm_per_s2,
        machine.corner_deviation_mm,
        (x, y, z, e),
    )


def job_of(
    program: Program, machine: Machine, filament: Filament, asked_mm: NDArray[np.float64] | None = None,
    *, whole: bool = False,
) -> "Job":  # fmt: skip
    """See a program on a machine with a spool.

    Parameters
    ----------
    program : Program
        As read.
    machine, filament
        The records.
    asked_mm : ndarray, optional
        Filament that each move is to lay where its feed was shaped, `(n_moves,)`; else what it is fed. [mm]
    whole : bool, default False
        Whether a proof beside the part belongs to the job, as it does to what was printed.

    Returns
    -------
    Job
        Of the part; a proof that is laid beside it first is set apart, unless all of it is wanted.

    Raises
    ------
    RecordError
        If the filament does not fit the machine.
    ProgramError
        If the program lays no bead.
    """
    require_fit(machine, filament)
    if not np.any(program.kind == BEAD):
        raise ProgramError(
            f"{program.path}: this program lays no bead: no filament is fed while the nozzle moves across; choose the "
            "program of a print (or name the controller as `dialect`, if it reads E words otherwise)"
        )
    diameter, motion = filament.diameter_mm.value, motion_of(machine)
    if asked_mm is None and shaped_already(program):
        asked_mm = levelled_mm(program)
    span = None if whole else find_proof(program)
    if span is None:
        return Job(Laying(program, diameter, motion, asked_mm), machine, filament)
    if asked_mm is not None:
        asked_mm = np.delete(asked_mm, np.s_[span[0] : span[1]])
    part, proof = without_moves(program, *span), moves_of(program, *span)
    beside = Job(Laying(proof, diameter, motion), machine, filament)
    return Job(Laying(part, diameter, motion, asked_mm), machine, filament, beside)


def read_job(
    program: Source, machine: Machine, filament: Filament, dialect: str | None = None, progress: Share | None = None,
    *, whole: bool = False,
) -> "Job":  # fmt: skip
    """Read a program, and see it on a machine with a spool; errors of `read_program` and `job_of`.

    Parameters
    ----------
    program : str, Path or Text
        The motion program.
    machine, filament
        The records.
    dialect : str, optional
        How the controller reads the words that differ; the machine's own when left out.
    progress : callable, optional
        Called with the share of the file read so far, 0 to 1. [-]
    whole : bool, default False
        As in `job_of`.

    Returns
    -------
    Job
    """
    return job_of(read_program(program, dialect or machine.dialect, progress), machine, filament, whole=whole)


@dataclass(frozen=True, eq=False)
class Job:
    """A program, a machine and a filament; made by `job_of`."""

    laying: Laying
    machine: Machine
    filament: Filament
    proof: "Job | None" = None  # what is laid beside the part before it, a job of its own; the rest is the part alone

    @property
    def program(self) -> Program:
        """The moves."""
        return self.laying.program

    @cached_property
    def _asked(self) -> tuple[Course, tuple[str, ...]]:
        return _course_of(self.laying, self.filament)

    @property
    def course(self) -> Course:
        """The program as the feed path sees it."""
        return self._asked[0]

    @property
    def assumed(self) -> tuple[str, ...]:
        """Defaults taken where the program or a record is silent."""
        return (*self._asked[1], *self.machine.assumed, *self.filament.assumed)

    @cached_property
    def load(self) -> Load:
        """The push through it, at central values."""
        return follow(self.course, self.machine, self.filament)

    @cached_property
    def squeeze(self) -> NDArray[np.float64]:
        """How much more than in air each place asks for, `(n_moves,)`. [-]"""
        return squeeze_of(self.course, chain.central(self.machine, self.filament))

    @cached_property
    def store(self) -> StoreLaw:
        """What is stored between drive and nozzle, at which flow."""
        return store_law(self.course, self.asked_mm, self.machine, self.filament, ratio=self.squeeze)

    @property
    def asked_mm(self) -> NDArray[np.float64]:
        """Filament that each move is to lay, `(n_moves,)`; 0 beside beads. [mm]"""
        p, asked = self.program, self.laying.asked_mm
        return np.where(p.kind == BEAD, p.filament_mm, 0.0) if asked is None else asked

    @property
    def _goes(self) -> NDArray[np.bool_]:
        """Whether the nozzle goes anywhere in a move, `(n_moves,)`."""
        return np.asarray((self.program.length_mm > 0) | (self.program.kind == HOME))

    @cached_property
    def bead(self) -> BeadAlong:
        """Its bead along the way, at central values."""
        return self.bead_with(self.store)

    def bead_until(self, move: int) -> float:
        """Volume stored between drive and nozzle where a move begins. [mm3]"""
        here, area = slice(0, move), self.filament.section_mm2
        return follow_bead(
            self.course.until(move), self.asked_mm[here], self._goes[here], self.store, self.squeeze[here], area
        ).stored_mm3

    def bead_with(self, law: StoreLaw) -> BeadAlong:
        """Its bead along the way with another store."""
        p, area = self.program, self.filament.section_mm2
        start = 0.0
        if self.proof is not None:  # what is laid beside it ends with the pressure that the part begins with
            first = int(np.argmax(self.asked_mm > 0))
            flow = self.asked_mm[first] / max(p.length_mm[first], 1e-9) * area * self.course.peak_mm_per_s[first]
            start = float(law.stored_mm3(float(flow), float(self.squeeze[first])))
        return follow_bead(self.course, self.asked_mm, self._goes, law, self.squeeze, area, start)

    @cached_property
    def groups(self) -> Groups:
        """Moves that ask the same of the feed path."""
        return operating_groups(self.course)

    @cached_property
    def envelope(self) -> Envelope:
        """What it asks of the feed path at its worst, for any value of the unknowns."""
        return replace(envelope(self.course, self.machine, self.filament, self.groups), passage=self.passage)

    @cached_property
    def passage(self) -> Passage:
        """How its margin runs along the filament, at central values."""
        return passage_of(self.log_margin, self.course.filament_mm)

    @cached_property
    def log_margin(self) -> NDArray[np.float64]:
        """Logarithm of the margin of each move at central values, `(n_moves,)`. [-]"""
        return np.asarray(np.log(np.clip(self.load.margin, 1e-6, 1e6)))

    def at(self, speed_mm_per_s: NDArray[np.float64]) -> Self:
        """The same job at other speeds, `(n_moves,)`; what does not hang on them is shared. [mm/s]"""
        if speed_mm_per_s is self.program.speed_mm_per_s:
            return self
        laying = replace(self.laying, program=replace(self.program, speed_mm_per_s=speed_mm_per_s))
        _share(self.laying, laying, "layering", "sections", "coverage", "sight")
        return replace(self, laying=laying)

    def lean(self) -> Self:
        """The same job without what is large and rarely asked for again: times, loads, the envelope."""
        laying = replace(self.laying)
        _share(self.laying, laying, "layering", "sections", "coverage", "sight")
        lean = replace(self, laying=laying)
        _share(self, lean, "_asked", "groups")
        return lean


def _share(old: object, new: object, *names: str) -> None:
    """Hand on what is known already."""
    for name in names:
        if name in old.__dict__:
            new.__dict__[name] = old.__dict__[name]


def _course_of(laying: Laying, filament: Filament) -> tuple[Course, tuple[str, ...]]:
    """See a program as the feed path does: what is fed when, at which temperature, squeezed how much.

    Parameters
    ----------
    laying : Laying
        What is laid, where and when.
    filament : Filament
        Its data sheet gives the heat where the program sets none.

    Returns
    -------
    Course
    tuple of str
        What was assumed.
    """
    program, timing, sections = laying.program, laying.timing, laying.sections
    assumed: tuple[str, ...] = ()
    middle_c = filament.reference_c
    nozzle = program.states["nozzle_c"].copy()
    for i in range(1, nozzle.size):  # what follows a heater switched off still draws on hot melt
        nozzle[i] = nozzle[i - 1] if nozzle[i] == 0 else nozzle[i]
    nozzle[nozzle == 0] = np.nan  # switched off before it was ever set: the program says nothing of its heat
    if np.isnan(nozzle[np.unique(program.state[program.filament_mm > 0])]).any():
        assumed = (f"nozzle at {middle_c:g} °C (middle of the data sheet) where the program sets no temperature",)
    nozzle_c, heat = np.unique(np.where(np.isnan(nozzle), middle_c, nozzle), return_inverse=True)
    advance = np.nan_to_num(program.states["advance_s"])
    course = Course(
        length_mm=timing.length_mm,
        acceleration_mm_per_s2=timing.acceleration_mm_per_s2,
        in_mm_per_s=timing.in_mm_per_s,
        peak_mm_per_s=timing.peak_mm_per_s,
        out_mm_per_s=timing.out_mm_per_s,
        dwell_s=timing.dwell_s,
        filament_mm=program.filament_mm,
        advance_s=np.where(program.kind == BEAD, advance[program.state], 0.0),
        heat=heat.astype(np.int32).reshape(-1)[program.state],
        nozzle_c=nozzle_c,
        width_mm=sections.width_mm,
        gap_mm=sections.gap_mm,
        first_layer=laying.layering.layer == 0,
    )
    return course, assumed
