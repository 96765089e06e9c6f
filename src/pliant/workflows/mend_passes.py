"""The passes of `mend`, one after the other: each writes what it changed to disk, and the next one reads it again."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.envelope import Groups
from pliant.feed.load import Job, Load, follow
from pliant.feed.pull import Pull, pull_for_job, stored_mm
from pliant.feed.risk import USEFUL_MM_PER_S
from pliant.mend.coast import Melt, mend_coast
from pliant.mend.factor import mean_push_n, mend_factor, metering_losses
from pliant.mend.first_layer import mend_first_layer
from pliant.mend.flow import FlowPlan, plan_flow, slowed_changes
from pliant.mend.heat import mend_heat
from pliant.mend.leads import find_leads
from pliant.mend.order import mend_order
from pliant.mend.prime import mend_prime
from pliant.mend.retract import mend_retraction
from pliant.mend.route import layer_region, mend_routes
from pliant.program.coverage import Coverage, find_coverage
from pliant.program.layers import Layering, find_layers
from pliant.program.read import read_program
from pliant.program.sections import Sections, bead_sections
from pliant.program.timing import time_program
from pliant.program.write import Edits, rewrite
from pliant.records.limits import allowed_c
from pliant.records.mending import Change, Intent
from pliant.records.program import BEAD, PRIME, RECOVER, Program
from pliant.say import number
from pliant.workflows.check import Examined, job_of, motion_of

__all__ = ["ADDED", "PASSES", "Bench", "run_passes", "slow_again"]

PASSES = ("heat", "order", "route", "flow", "retract")
ADDED = ("prime", "first-layer", "factor", "coast")  # run only when asked for: they alter what is laid
# shares of the target that speeds are planned for, so that what follows does not carry it over; tried in turn
_AIMS = (0.95, 0.85, 0.7, 0.5)
_MOST_ROUNDS = 4
_SETTLED = 3.0  # [-] time constants until the flow has settled: within 5 % of a first-order lag


@dataclass(frozen=True)
class _Waiting:
    """Edits that the next pass may add to, and the job at their speeds."""

    edits: Edits
    changes: list[Change]
    job: Job


class Bench:
    """A program on its way through the passes; every stage is written to disk and read again where it is needed."""

    def __init__(
        self, folder: Path, seen: Examined, dialect: str, target: float, height_mm: float = 0.0,
        pull: Pull | None = None,
    ) -> None:  # fmt: skip
        self.folder, self.dialect, self.target, self.height_mm = folder, dialect, target, height_mm
        self.machine, self.filament = seen.machine, seen.filament
        self.changes: list[Change] = []
        self.notes: list[str] = []
        self.intent = Intent()
        self.stage = 0
        self.routing_s = 0.0
        self.out_of_reach = False  # no speed meets the target
        self.waiting: _Waiting | None = None
        self.pull = pull  # decided at the first retraction pass, unless asked for
        self.take(seen)
        p = seen.program
        self.origin = np.arange(1, p.n_lines + 2)  # line of the input for each line of the current file
        alone = p.speed_mm_per_s[(p.kind == RECOVER) | (p.kind == PRIME)]
        self.fed_mm_per_s = float(alone.min()) if alone.size else 0.0  # slowest feed of filament alone in the input

    def take(self, seen: Examined) -> None:
        """Go on from what an examination of the present file has worked out."""
        self.path = Path(seen.program.path)
        self._program: Program | None = seen.program
        self._shape: tuple[Layering, Sections] | None = seen.layering, Sections(seen.job.width_mm, seen.job.gap_mm)
        self._coverage: Coverage | None = seen.coverage
        self._known: tuple[Job, float, Groups] | None = seen.job, seen.findings.jam_probability, seen.groups

    @property
    def program(self) -> Program:
        """The program as it is now."""
        if self._program is None:
            self._program = read_program(self.path, self.dialect)
        return self._program

    @property
    def layering(self) -> Layering:
        """Layers of the program as it is now."""
        if self._shape is None:
            layering = find_layers(self.program)
            self._shape = layering, bead_sections(self.program, layering, self.filament.diameter_mm.value)
        return self._shape[0]

    @property
    def sections(self) -> Sections:
        """Widths and gaps of its beads."""
        _ = self.layering
        assert self._shape is not None
        return self._shape[1]

    @property
    def coverage(self) -> Coverage:
        """How much of its travel lies over bead."""
        if self._coverage is None:
            self._coverage = find_coverage(self.program, self.layering, self.sections.width_mm)
        return self._coverage

    def job_at(self, speed_mm_per_s: NDArray[np.float64]) -> Job:
        """The program at other speeds, as the feed path sees it."""
        program = self.program
        if self._known is not None and speed_mm_per_s is program.speed_mm_per_s:
            return self._known[0]
        program = replace(program, speed_mm_per_s=speed_mm_per_s)
        timing = time_program(program, motion_of(self.machine))
        return job_of(program, timing, self.layering, self.sections, self.filament)[0]

    def time_s(self) -> float:
        """Time of the program as it is now. [s]"""
        return self.job_at(self.program.speed_mm_per_s).time_s

    def load(self) -> Load:
        """The push through the program as it is now."""
        return follow(self.job_at(self.program.speed_mm_per_s), self.machine, self.filament)

    def plan(self, target: float, aim: float = 1.0) -> FlowPlan:
        """The fastest speeds that meet a target."""
        return plan_flow(self.program, self.machine, self.filament, target, self.job_at, aim=aim, known=self._known)

    def stored_per_mpa(self) -> tuple[float, float]:
        """Compliance of the path, and the area of the filament. [mm3/MPa, mm2]"""
        theta = chain.central(self.machine, self.filament)
        return float(chain.compliance(self.machine, theta)), float(np.pi * theta["diameter_mm"] ** 2 / 4)

    def write(self, edits: Edits, changes: list[Change]) -> None:
        """Make the edits, read the result again, and keep the changes in lines of the input."""
        if not changes:
            return
        lines_of_input = self.origin[[c.line - 1 for c in changes]].tolist()
        self.changes += [
            Change(line, c.pass_name, c.what, c.before, c.after, c.why)
            for line, c in zip(lines_of_input, changes, strict=True)
        ]
        self.stage += 1
        before, self.path = self.path, self.folder / f"stage-{self.stage}.gcode"
        lines = rewrite(self.program, edits, self.path)
        # a line put in is told by the line of the input that follows it
        follows = np.minimum.accumulate(np.where(lines > 0, np.arange(lines.size), lines.size - 1)[::-1])[::-1]
        self.origin = self.origin[np.maximum(lines[follows], 1) - 1]
        self._program = self._shape = self._coverage = self._known = None
        if before.parent == self.folder:
            before.unlink()

    def flush(self) -> None:
        """Write what still waits."""
        if self.waiting is not None:
            waiting, self.waiting = self.waiting, None
            self.write(waiting.edits, waiting.changes)

    def note(self, name: str, why: str) -> None:
        """Remember why a pass that was asked for did nothing."""
        if why:
            self.notes.append(f"{name}: {why}")


def run_passes(
    bench: Bench, passes: Collection[str], tell: Callable[[str, float], None] = lambda what, share: None
) -> None:
    """Run the passes that were asked for, in the one order that fits; the intent says what they were allowed."""
    asked = [name for name in _RUNS if name in passes]
    routed = [name for name in ("order", "route") if name in passes]
    start = bench.time_s() if routed else 0.0
    for name, run in _RUNS.items():
        if name not in passes:
            continue
        tell(f"rewriting: {name}", asked.index(name) / len(asked))
        if name != "retract":  # moves filament alone, so it can be written together with new speeds
            bench.flush()
        run(bench)
        if routed and name == routed[-1]:
            bench.routing_s = bench.time_s() - start
    bench.flush()
    # a stretch that is no longer fed covers no travel: what that opens is judged again
    for _ in range(_MOST_ROUNDS if bench.intent.coast_mm_per_run > 0 else 0):
        stage = bench.stage
        for name in ("route", "retract", "coast"):
            if name in passes:
                _RUNS[name](bench)
                bench.flush()
        if bench.stage == stage:
            break


def _heat(bench: Bench) -> None:
    edits = Edits.none(bench.program)
    bench.write(edits, mend_heat(bench.program, edits, bench.machine, bench.filament))
    bench.intent = replace(bench.intent, nozzle_c=allowed_c(bench.machine, bench.filament))


def _prime(bench: Bench) -> None:
    p, edits, load = bench.program, Edits.none(bench.program), bench.load()
    compliance, area = bench.stored_per_mpa()
    beads = np.flatnonzero(p.kind == BEAD)
    settled = float(np.median(load.pressure_mpa[beads])) if beads.size else 0.0
    index = chain.central(bench.machine, bench.filament)["flow_index"]
    changes, laid, why = mend_prime(p, edits, _SETTLED * float(index) * compliance * settled / area)
    bench.write(edits, changes)
    bench.note("prime", why)
    bench.intent = replace(bench.intent, prime_mm=laid)


def _first_layer(bench: Bench) -> None:
    p, edits, layering = bench.program, Edits.none(bench.program), bench.layering
    if bench.height_mm <= 0:
        bench.note("first-layer", "no growth of the part is allowed; say how much with --height-mm")
        return
    reason = "the gap under the nozzle dams the flow of the first layer"
    changes, factor, why = mend_first_layer(p, edits, layering, bench.height_mm, reason)
    bench.write(edits, changes)
    bench.note("first-layer", why)
    if changes:
        bench.intent = replace(
            bench.intent, first_layer_may_widen=True, height_mm=bench.height_mm, first_layer_factor=factor,
            prime_mm=bench.intent.prime_mm * factor,  # a priming run lies in the first layer
        )  # fmt: skip


def _factor(bench: Bench) -> None:
    p, edits = bench.program, Edits.none(bench.program)
    load = follow(bench.plan(bench.target).job, bench.machine, bench.filament)
    push = mean_push_n(p, load.push_n)
    changes, factor, why = mend_factor(p, edits, metering_losses(bench.machine, bench.filament, push))
    bench.write(edits, changes)
    bench.note("factor", why)
    bench.intent = replace(bench.intent, flow_factor=factor)


def _order(bench: Bench) -> None:
    p, layering = bench.program, bench.layering
    sections, edits = bench.sections, Edits.none(p)
    bench.write(edits, mend_order(p, edits, find_leads(p, layering), layering, sections))
    bench.intent = replace(bench.intent, may_reorder_islands=True)


def _route(bench: Bench) -> None:
    p, edits = bench.program, Edits.none(bench.program)
    layering = bench.layering
    region = layer_region(p, layering, bench.sections)
    changes, _ = mend_routes(p, edits, find_leads(p, layering), bench.coverage, region)
    bench.write(edits, changes)
    bench.intent = replace(bench.intent, may_reroute=True)


def slow_again(bench: Bench, attempt: int) -> bool:
    """Plan the flow anew where later passes carried the chance of a jam over the target; False: no use."""
    if bench.out_of_reach or attempt >= len(_AIMS):
        return False
    stage = bench.stage
    _flow(bench, _AIMS[attempt])
    bench.flush()
    return bench.stage > stage


def _flow(bench: Bench, aim: float = _AIMS[0]) -> None:
    p, edits = bench.program, Edits.none(bench.program)
    plan = bench.plan(bench.target, aim)
    bench.out_of_reach = not plan.meets
    edits.speed_mm_per_s = plan.speed_mm_per_s
    why = f"holds the chance of a jam under {number(100 * bench.target)} %"
    if not plan.meets:
        why = f"as slow as is of use, since no speed meets the target of {number(100 * bench.target)} %"
        bench.note("flow", f"no speed down to {USEFUL_MM_PER_S:g} mm/s meets the target; slower is of no use")
    changes = slowed_changes(p, plan.speed_mm_per_s, bench.layering.layer, why)
    bench.waiting = _Waiting(edits, changes, plan.job)


def _retract(bench: Bench) -> None:
    p = bench.program
    waiting = bench.waiting or _Waiting(Edits.none(p), [], bench.job_at(p.speed_mm_per_s))
    load, leads = follow(waiting.job, bench.machine, bench.filament), find_leads(p, bench.layering)
    if bench.pull is None:
        written = bench.job_at(p.speed_mm_per_s)
        bench.pull = pull_for_job(written, waiting.job, bench.machine, bench.filament, bench.target)
    theta = chain.central(bench.machine, bench.filament)
    stored = stored_mm(bench.machine, theta, load.end_mpa[leads.first - 1].astype(np.float64))
    air = leads.sums(bench.coverage.open_mm)
    changes, notes = mend_retraction(p, waiting.edits, leads, air, stored, bench.pull)
    bench.notes = [note for note in bench.notes if not note.startswith("retract: ")]  # a later round says it anew
    for note in notes:
        bench.note("retract", note)
    bench.waiting = replace(waiting, changes=waiting.changes + changes)
    bench.intent = replace(bench.intent, may_change_retraction=True)


def _coast(bench: Bench) -> None:
    if bench.dialect == "auto" and np.any(bench.program.states["flow_factor"] != 1.0):
        bench.note("coast", "controllers differ in whether M221 scales what is given back; say --dialect")
        return
    p, edits, load = bench.program, Edits.none(bench.program), bench.load()
    leads = find_leads(p, bench.layering)
    compliance, area = bench.stored_per_mpa()
    ends = leads.first - 1
    index = float(chain.central(bench.machine, bench.filament)["flow_index"])
    pressure, flow = load.end_mpa[ends].astype(np.float64), load.flow_mm3_per_s[ends].astype(np.float64)
    melt = Melt(pressure, flow, compliance, index, area)
    changes, most, why = mend_coast(p, edits, leads, leads.sums(bench.coverage.open_mm), melt, bench.fed_mm_per_s)
    bench.write(edits, changes)
    bench.note("coast", why if bench.intent.coast_mm_per_run == 0 else "")
    bench.intent = replace(bench.intent, coast_mm_per_run=max(most, bench.intent.coast_mm_per_run))


# what changes temperature, filament or place comes before what is judged by them
_RUNS: dict[str, Callable[[Bench], None]] = {
    "heat": _heat, "prime": _prime, "first-layer": _first_layer, "factor": _factor, "order": _order, "route": _route,
    "flow": _flow, "retract": _retract, "coast": _coast,
}  # fmt: skip
