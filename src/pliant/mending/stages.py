"""A program on its way through the passes: every stage is written to disk and read again where it is needed."""

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pliant.feed import chain
from pliant.feed.load import Course
from pliant.feed.pull import Pull
from pliant.job.job import Job, read_job
from pliant.mending.flow import FlowPlan, plan_flow
from pliant.program.write import Edits, rewrite
from pliant.records.mending import Change, Intent
from pliant.records.program import PRIME, RECOVER, Program

__all__ = ["Stages", "Waiting"]


@dataclass(frozen=True)
class Waiting:
    """Edits that the next pass may add to, and the program at their speeds."""

    edits: Edits
    changes: list[Change]
    course: Course


class Stages:
    """The program as it is now, what was changed so far, and what the passes were allowed."""

    def __init__(
        self, folder: Path, job: Job, chance: float, dialect: str, target: float, height_mm: float = 0.0,
        pull: Pull | None = None, all_shows: bool = False,
    ) -> None:  # fmt: skip
        self.folder, self.dialect, self.target, self.height_mm = folder, dialect, target, height_mm
        self.all_shows = all_shows  # no cavity hides a thread
        self.machine, self.filament = job.machine, job.filament
        self.changes: list[Change] = []
        self.notes: list[str] = []
        self.intent = Intent()
        self.stage = 0
        self.routing_s = 0.0
        self.saved_s = 0.0  # by another order of runs, for detours to spend
        self.out_of_reach = False  # no speed meets the target
        self.waiting: Waiting | None = None
        self.pull = pull  # decided at the first retraction pass, unless asked for
        self.take(job, chance)
        p = job.program
        self.origin = np.arange(1, p.n_lines + 2)  # line of the input for each line of the current file
        alone = p.speed_mm_per_s[(p.kind == RECOVER) | (p.kind == PRIME)]
        self.fed_mm_per_s = float(alone.min()) if alone.size else 0.0  # slowest feed of filament alone in the input

    def take(self, job: Job, chance: float) -> None:
        """Go on from a job of the present file whose chance of a jam is known."""
        self.path = Path(job.program.path)
        self._job: Job | None = job.lean()
        self._chance: float | None = chance

    def keep(self, job: Job) -> None:
        """Take a job of the present file with all that is known of it."""
        self._job = job

    def shed(self) -> None:
        """Let go of what is large and rarely asked for again."""
        self._job = self._job and self._job.lean()

    @property
    def job(self) -> Job:
        """The job as it is now."""
        if self._job is None:
            self._job = read_job(self.path, self.machine, self.filament, self.dialect)
        return self._job

    @property
    def program(self) -> Program:
        """Its program."""
        return self.job.program

    def plan(self, target: float, aim: float = 1.0) -> FlowPlan:
        """The fastest speeds that meet a target."""
        return plan_flow(self.job, target, aim=aim, chance=self._chance)

    def stored_per_mpa(self) -> tuple[float, float]:
        """Compliance of the path, and the area of the filament. [mm3/MPa, mm2]"""
        theta = chain.central(self.machine, self.filament)
        return float(chain.compliance(self.machine, theta)), float(np.pi * theta["diameter_mm"] ** 2 / 4)

    def write(self, edits: Edits, changes: list[Change]) -> None:
        """Make the edits, and keep the changes in lines of the input."""
        if not changes:
            return
        lines_of_input = self.origin[[c.line - 1 for c in changes]].tolist()
        self.changes += [
            Change(line, c.pass_name, c.what, c.before, c.after, c.why)
            for line, c in zip(lines_of_input, changes, strict=True)
        ]
        self.stage += 1
        before, self.path = self.path, self._place(str(self.stage))
        lines = rewrite(self.program, edits, self.path)
        # a line put in is told by the line of the input that follows it
        follows = np.minimum.accumulate(np.where(lines > 0, np.arange(lines.size), lines.size - 1)[::-1])[::-1]
        self.origin = self.origin[np.maximum(lines[follows], 1) - 1]
        self._job = self._chance = None
        if self.folder in before.parents:
            before.unlink()

    def _place(self, stage: str) -> Path:
        """Where the file of a stage goes: by the same name in each, since the certificate may speak of it."""
        (self.folder / stage).mkdir(exist_ok=True)
        return self.folder / stage / "mended.gcode"

    def saved(self) -> dict[str, Any]:
        """All that a pass may change, to go back to."""
        self.flush()
        kept = self._place(f"kept-{self.stage}")
        shutil.copyfile(self.path, kept)
        state = {name: getattr(self, name) for name in ("intent", "stage", "origin", "_chance")}
        return state | {"path": kept, "changes": list(self.changes), "notes": list(self.notes)}

    def restore(self, saved: dict[str, Any]) -> None:
        """Go back to what was saved."""
        for name, value in saved.items():
            setattr(self, name, value)
        self._job = None  # its file has gone

    def flush(self) -> None:
        """Write what still waits."""
        if self.waiting is not None:
            waiting, self.waiting = self.waiting, None
            self.write(waiting.edits, waiting.changes)

    def note(self, name: str, why: str) -> None:
        """Remember why a pass that was asked for did nothing."""
        if why:
            self.notes.append(f"{name}: {why}")
