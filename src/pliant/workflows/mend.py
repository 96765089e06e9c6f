"""`mend`: rewrite a program so that it feeds, and prove that the part is the same."""

import tempfile
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from pliant.constants import CAREFUL_MM_PER_S, FEEDS_BELOW
from pliant.errors import PliantError, ProgramError
from pliant.feed.pull import Pull
from pliant.feed.risk import AIM, jam_risk, stated_risk
from pliant.files import Source, replace_file, require_place, same_file
from pliant.job.job import Job, read_job
from pliant.job.slowed import flat_job
from pliant.job.tonight import LOST_CAUSE, AtFlat, proved
from pliant.job.verdict import Examined
from pliant.mending.factor import left_out, mean_push_n, metering_losses
from pliant.mending.passes import ADDED, PASSES, lay_proof, no_proof_why, run_passes, shape_feed, slow_again
from pliant.mending.shape_fit import require_shapeable, require_unshaped
from pliant.mending.stages import Stages
from pliant.program.dialects import BEHAVIOURS
from pliant.program.read import read_program
from pliant.progress import Progress, part_of, silent, told
from pliant.proving.asked import asked_along
from pliant.proving.certificate import PROOF, certify
from pliant.records.filament import Filament, read_filament
from pliant.records.findings import Findings, least_chance
from pliant.records.machine import Machine, read_machine
from pliant.records.mended import Flat, Mended
from pliant.records.mending import Certificate
from pliant.records.program import Program
from pliant.workflows.check import examine
from pliant.workflows.evidence import with_witnesses

__all__ = ["ADDED", "PASSES", "mend"]

# questions that decide where the nozzle goes or what it feeds; fans and flow factors are proved either way
_MATTERS = (
    "an E move after G90/G91", "E straight after a digit", "two commands on a line", "a letter twice on a line",
    "M82 after moves under M83", "G92 without words",
)  # fmt: skip
_ALWAYS = ("a line of bare axes", "a blank between a letter", "words before the command")
_LEFT = {"order": "left as written", "proof": "left out"}  # what is done without a pass that is not proved
AIMS = ("surest", "quickest")
MOST_HEIGHT_MM = 0.5  # more is another part: our bound


def _at_flat(seen: Examined) -> AtFlat:
    """The input with every bead at one safe speed; known where its tries were weighed."""
    if seen.weighed is not None:
        return seen.weighed.flat
    job = flat_job(seen.job)
    return AtFlat(job.envelope, job.course.time_s)


def _flat(stages: Stages, flat: AtFlat) -> Flat:
    """What it comes to at one safe speed, and ours at no more risk than that."""
    chance, time_s = jam_risk(flat.asks, stages.machine, stages.filament, shares=False).probability, flat.time_s
    ours = stages.plan(chance, 1 / AIM)  # both by the draws that searches see
    ours_s, ours_chance = (ours.course.time_s, ours.jam_probability) if ours.meets else (time_s, chance)
    return Flat(CAREFUL_MM_PER_S, time_s, chance, ours_s, ours_chance)


def _seen_first(
    source: Path, machine: Machine, filament: Filament, reading: str, progress: Progress | None
) -> Examined:
    """Examine the input, which must mean one thing to every controller it may be for."""
    first = read_program(source, reading, told(part_of(progress, 0.0, 0.1), "reading"))
    _demand_one_meaning(first)
    return examine(first, machine, filament, progress=part_of(progress, 0.1, 0.1))


def _no_room(error: OSError) -> PliantError:
    where = error.filename or tempfile.gettempdir()
    return PliantError(
        f"{where}: cannot be written ({error.strerror}); the input is untouched. Free space, or set TMPDIR to a folder "
        "with room"
    )


def _seen_again(
    stages: Stages, before: Findings, push_n: float, kept: Job | None, may_slow: bool
) -> tuple[Findings, float, Job | None]:
    """Examine what the passes wrote, and slow it once more where they carried the chance of a jam over the target."""
    now, chance = kept, before.least_chance

    def again() -> tuple[Job, float]:
        """The job as it is now and its chance of a jam: all else is told of the last one alone."""
        job = read_job(stages.path, stages.machine, stages.filament, stages.dialect)
        risk = stated_risk(job.envelope, stages.machine, stages.filament, shares=False)
        return job, least_chance(risk.probability, risk.error)

    if stages.changes:
        now, chance = again()
    attempt = 1
    while may_slow and chance > stages.target:
        if now is not None:
            stages.take(now, chance)
        if not slow_again(stages, attempt):
            break
        now, chance = again()
        attempt += 1
    if not stages.changes or now is None:
        return before, push_n, kept
    after = examine(now, stages.machine, stages.filament).findings
    stages.keep(now)
    return after, mean_push_n(now.program, now.load.push_n), now if kept is not None else None


def _shaped(
    source: Path, stages: Stages, after: Findings, now: Job | None, may_slow: bool
) -> tuple[Findings, Job | None]:
    """Shape the feed; where runs charged at once carry the chance of a jam over the target, slow them and do it again.

    The bead is told by what the input asks each piece to lay.
    """
    attempt, first, diameter = 1, read_program(source, stages.dialect), stages.filament.diameter_mm.value
    while True:
        plain = stages.saved()
        shape_feed(stages)
        second = read_program(stages.path, stages.dialect)
        asked = asked_along(first, second, stages.intent, diameter)
        seen = examine(second, stages.machine, stages.filament, asked_mm=asked)
        if not may_slow or seen.findings.least_chance <= stages.target:
            break
        shaped = stages.saved()
        stages.restore(plain)
        if not slow_again(stages, attempt):
            stages.restore(shaped)
            break
        attempt += 1
    return seen.findings, seen.job if now is not None else None


def mend(
    program: str | Path,
    machine: Source | Machine,
    filament: Source | Filament,
    *,
    output: str | Path | None = None,
    in_place: bool = False,
    passes: Collection[str] = PASSES,
    target: float | None = None,
    aim: str | None = None,
    proof: bool = True,
    height_mm: float = 0.0,
    retraction: bool = True,
    all_shows: bool = False,
    dialect: str | None = None,
    progress: Progress | None = None,
    look: Callable[[Job, Job], None] | None = None,
    book: str | Path | None = None,
    practice: bool = False,
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
        Which passes run, of `PASSES` and `ADDED`.
    target : float, default 0.02
        Chance of a jam to stay under; naming one is to aim for the surest. [-]
    aim : {"quickest", "surest"}, optional
        `quickest` stays under the chance at which the part is expected soonest, the first of the tries of `tonight`,
        where that is more than the target; for a print that somebody looks at. `surest` stays under the target. Without
        a word it is the quickest where speeds may change, somebody looks at the print, a try is worth its restarts, and
        no target is named.
    proof : bool, default True
        Whether `quickest` adds the pass `proof` to a program that does not feed as it is.
    height_mm : float, default 0
        How much taller the pass `first-layer` may make the part. [mm]
    retraction : bool, default True
        Whether any retraction may stay; the pass `retract` takes out all of them between runs otherwise.
    all_shows : bool, default False
        Whether travel over air counts even where the finished part hides it: clear filament, a part to be cut open.
    dialect : str, optional
        Overrides the machine's own.
    progress : callable, optional
        Told what is being done, and the share of the whole that is done.
    look : callable, optional
        Shown the input and the certified result as jobs, before the one takes the place of the other.
    book : str or Path, optional
        Whose prints of this pair count; it is only read.
    practice : bool, default False
        Whether what practitioners report counts too.

    Returns
    -------
    Mended
        Before and after, the changes, and the certificate; `meets_target` says whether the target was reached.

    Raises
    ------
    PliantError
        If an input cannot be used, the output cannot be written, or an obligation of the certificate fails; nothing
        has been written then.

    Notes
    -----
    Long on purpose: one walk from the input to the file, in one temporary folder, and one record filled field by field.
    """
    source, tell = Path(program), progress or silent
    named, target = target is not None, FEEDS_BELOW if target is None else target
    _require_asked(passes, target, height_mm, retraction, aim)
    goal = _goal(source, output, in_place, (machine, filament))
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    if filament.evidence is None:
        filament = with_witnesses(machine, filament, book, practice=practice, near=source)
    reading = dialect or machine.dialect
    seen = _seen_first(source, machine, filament, reading, progress)
    require_unshaped(seen.job.program)
    if "shape" in passes:
        require_shapeable(seen.job.program)
    before, push_n = seen.findings, mean_push_n(seen.job.program, seen.job.load.push_n)
    aim, why_aim = (
        (aim, "") if aim is not None else ("surest", "") if named or "flow" not in passes else _own_aim(before, machine)
    )
    proof &= aim == "quickest" and before.tonight is not None and before.tonight.proof is not None
    passes = (*passes, "proof") if proof and "proof" not in passes else tuple(passes)
    asked = passes
    if why_none := _no_proof(seen.job, before) if "proof" in passes else "":
        passes = tuple(name for name in passes if name != "proof")
    target = _aimed(aim, target, before, machine, proof="proof" in passes)
    factor, why = 1.0, ""
    try:
        with tempfile.TemporaryDirectory(prefix="pliant-") as name:
            pull = None if retraction else Pull(0.0, "you asked for none")
            stages = Stages(Path(name), seen.job, before.least_chance, reading, target, height_mm, pull, all_shows)
            stages.note("proof", why_none)
            stages.note("aim", why_aim)
            kept = seen.job if look is not None else None
            at_flat = _at_flat(seen)
            del seen  # as large as the program
            tell("comparing with one safe speed", 0.2)
            flat = _flat(stages, at_flat)
            run_passes(stages, passes, part_of(tell, 0.25, 0.4) or tell)
            tell("checking what came of it", 0.65)
            after, push_n, now = _seen_again(stages, before, push_n, kept, "flow" in passes)
            if "proof" in passes:
                tell("laying a proof beside the part", 0.7)
                lay_proof(stages)
            stages.shed()
            laid = proved(stages.job)
            if "shape" in passes:
                tell("shaping the feed", 0.72)
                after, now = _shaped(source, stages, after, now, "flow" in passes)
            if "factor" not in passes:
                factor, why = left_out(stages.program, metering_losses(machine, filament, push_n))
            final = stages.path
            tell("proving that the part is the same", 0.75)
            certificate = certify(
                source, final, stages.intent, dialect=reading, diameter_mm=filament.diameter_mm.value,
                reach_mm=machine.reach_mm,
            )  # fmt: skip
            doubted, refused = _refused(certificate, stages)
            if doubted:
                again = mend(
                    source, machine, filament, output=output, in_place=in_place,
                    passes=[name for name in passes if name != doubted], target=target, height_mm=height_mm,
                    retraction=retraction, all_shows=all_shows, dialect=dialect, look=look,
                    progress=part_of(progress, 0.85, 0.15),
                )  # fmt: skip
                ran = tuple(name for name in (*PASSES, *ADDED) if name in asked)
                notes = [f"proof: {why_none}"] if why_none else []
                notes.append(f"{doubted}: {_LEFT[doubted]}: {refused}")
                return replace(again, passes=ran, aim=aim, notes=(*notes, *again.notes))
            _demand(certificate)
            if look is not None and kept is not None and now is not None:
                tell("drawing", 0.85)
                look(kept, now)
            if goal is not None:
                replace_file(final, goal, like=goal if goal.exists() else source)
    except OSError as error:
        raise _no_room(error) from error
    return Mended(
        output=str(goal) if goal is not None else None,
        meets_target=after.least_chance <= target,
        target=target,
        before=before,
        after=after,
        changes=tuple(sorted(stages.changes, key=lambda c: c.line)),
        certificate=certificate,
        flat=flat,
        routing_time_s=stages.routing_s,
        passes=tuple(name for name in (*PASSES, *ADDED) if name in asked),
        notes=tuple(stages.notes),
        aim=aim,
        proof=laid,
        wanted_flow_factor=factor,
        wanted_why=why,
    )


def _no_proof(job: Job, before: Findings) -> str:
    """Why no proof can be laid before this job: told before speeds are chosen that count on one."""
    told = before.tonight.proof if before.tonight is not None else None
    if told is not None and told.laid:
        return "the program begins with one"
    return no_proof_why(job, told.flow_over_worst if told is not None else 1.0)


def _own_aim(before: Findings, machine: Machine) -> tuple[str, str]:
    """What is aimed for where nobody says, and why it is not the quickest."""
    if before.verdict == "feeds":
        return "surest", ""
    if not machine.tries.watched:
        return "surest", "surest, since nobody looks at a print by the machine's record (tries.looks_in_every_min)"
    tries = before.tonight.tries if before.tonight is not None else ()
    if not tries or np.prod([t.jam_probability for t in tries]) > LOST_CAUSE:
        return "surest", "surest, since no try of this program is worth its restarts"
    return "quickest", ""


def _aimed(aim: str, target: float, before: Findings, machine: Machine, *, proof: bool) -> float:
    """The chance of a jam to stay under. [-]"""
    if aim == "surest" or before.tonight is None or not before.tonight.tries:
        return target
    if not machine.tries.watched:
        raise PliantError(
            f"{machine.name}: its record says that nobody looks at a print (tries.looks_in_every_min), and quickest "
            "may jam; leave out `aim`, or change the record"
        )
    told = before.tonight.proof
    if told is not None and told.laid:  # the speeds that it was laid for
        return max(target, before.least_chance)
    return max(target, told.jam_probability if proof and told is not None else before.tonight.tries[0].jam_probability)


def _require_asked(passes: Collection[str], target: float, height_mm: float, retraction: bool, aim: str | None) -> None:
    """Refuse what cannot be asked for, before anything is read."""
    for name in passes:
        if name not in PASSES + ADDED:
            raise PliantError(f"unknown pass {name!r}; choose from {', '.join(PASSES + ADDED)}")
    if not 0 < target < 1:
        raise PliantError(f"target must be a chance between 0 and 1, got {target:g}")
    if aim not in (None, *AIMS):
        raise PliantError(f"`aim` must be one of {', '.join(AIMS)}, or a chance, got {aim!r}")
    if not 0 <= height_mm <= MOST_HEIGHT_MM:
        raise PliantError(f"height_mm must be between 0 and {MOST_HEIGHT_MM:g}, got {height_mm:g}")
    if height_mm and "first-layer" not in passes:
        raise PliantError("height_mm is for the pass first-layer, which is not asked for; ask for it, or leave it out")
    if "shape" in passes and "coast" in passes:
        raise PliantError("shape ends runs by itself, and coast would end them twice; ask for one of the two `passes`")
    if not retraction and "retract" not in passes:
        raise PliantError("taking out all retraction is done by the pass retract, which is left out; ask for it")


def _goal(source: Path, output: str | Path | None, in_place: bool, records: tuple[Any, ...]) -> Path | None:
    """Where the result goes; through links to the file they lead to, so that the link stays a link."""
    goal = source if in_place else Path(output) if output is not None else None
    if goal is None:
        return None
    goal = goal.resolve() if goal.is_symlink() else goal
    if not in_place and same_file(goal, source):
        raise PliantError(f"{goal} is the input; `in_place` replaces it")
    return require_place(goal, records, "the mended program")


def _demand_one_meaning(program: Program) -> None:
    """Refuse a program whose moves mean one thing to one controller and another to the next, unless one is named."""
    if program.dialect != "auto":
        return
    others = [text for text in program.questions if text.startswith(tuple(BEHAVIOURS))]
    asked = [text for text in program.questions if text.startswith(_ALWAYS) or (others and text.startswith(_MATTERS))]
    if asked:
        raise ProgramError(
            f"{program.path}: means different things to different controllers: {asked[0]}; nothing was written. "
            f"Name yours as `dialect` or in the machine record: {', '.join(BEHAVIOURS)}"
        )


def _refused(certificate: Certificate, stages: Stages) -> tuple[str, str]:
    """The pass that can be left out where the certificate does not hold, and what it says; empty where it holds."""
    wrong = [o for o in certificate.obligations if not o.holds]
    ran = {change.pass_name for change in stages.changes}
    if not wrong:
        return "", ""
    doubted = (
        "proof" if "proof" in ran and any(o.obligation == PROOF for o in wrong) else "order" if "order" in ran else ""
    )
    return doubted, f"{wrong[0].obligation}: {wrong[0].figure}" if doubted else ""


def _demand(certificate: Certificate) -> None:
    failed = [o for o in certificate.obligations if not o.holds]
    if failed:
        told = "; ".join(f"{o.obligation}: {o.figure}" for o in failed)
        raise ProgramError(f"not certified, nothing written: {told}. Leave out one of the `passes` and tell us")
