"""The passes of `mend`, one after the other: each writes what it changed to disk, and the next one reads it again."""

from collections.abc import Callable, Collection
from dataclasses import replace

import numpy as np

from pliant.errors import PliantError
from pliant.feed import chain
from pliant.feed.load import follow
from pliant.feed.pull import pull_for_job, stored_mm
from pliant.feed.risk import USEFUL_MM_PER_S
from pliant.job.job import Job, read_job
from pliant.job.tonight import INSIDE, proof_over, proved
from pliant.mending.air import air_that_counts
from pliant.mending.coast import Melt, mend_coast
from pliant.mending.factor import mean_push_n, mend_factor, metering_losses
from pliant.mending.first_layer import mend_first_layer
from pliant.mending.flow import slowed_changes
from pliant.mending.heat import mend_heat
from pliant.mending.leads import find_leads
from pliant.mending.order import mend_order
from pliant.mending.pad import lay_pad
from pliant.mending.prime import mend_prime
from pliant.mending.retract import mend_retraction
from pliant.mending.route import layer_region, mend_routes
from pliant.mending.shape import mend_shape
from pliant.mending.shape_fit import compensation_off, require_shapeable, require_store, store_doubt
from pliant.mending.stages import Stages, Waiting
from pliant.program.write import Edits, rewrite
from pliant.progress import silent
from pliant.records.limits import allowed_c
from pliant.records.mending import Change
from pliant.records.program import BEAD
from pliant.say import number

__all__ = ["ADDED", "PASSES", "lay_proof", "no_proof_why", "run_passes", "shape_feed", "slow_again"]

PASSES = ("heat", "order", "route", "flow", "retract")
# run only when asked for: they alter what is laid
ADDED = ("prime", "first-layer", "factor", "coast", "proof", "shape")
# shares of the target that speeds are planned for, so that what follows does not carry it over; tried in turn
_AIMS = (0.95, 0.85, 0.7, 0.5)
_MOST_ROUNDS = 9
_HARDER, _MOST_HARDER = 1.08, 3  # by how much, and how often, a proof is fed harder that leaves too many jams
_SETTLED = 3.0  # [-] time constants until the flow has settled: within 5 % of a first-order lag


def run_passes(stages: Stages, passes: Collection[str], tell: Callable[[str, float], None] = silent) -> None:
    """Run the passes that were asked for, in the one order that fits; the intent says what they were allowed."""
    asked = [name for name in _RUNS if name in passes]
    routed = [name for name in ("order", "route") if name in passes]
    start = stages.job.course.time_s if routed else 0.0
    for name, run in _RUNS.items():
        if name not in passes:
            continue
        tell(f"rewriting: {name}", asked.index(name) / len(asked))
        if name == "prime" and ("proof" in passes or stages.job.proof is not None):
            stages.note("prime", "the proof fills the nozzle before the part")
            continue
        if name != "retract":  # moves filament alone, so it can be written together with new speeds
            stages.flush()
        run(stages)
        if routed and name == routed[-1]:
            stages.routing_s = stages.job.course.time_s - start
    stages.flush()
    # a stretch that is no longer fed covers no travel: what that opens is judged again
    for _ in range(_MOST_ROUNDS if stages.intent.coast_mm_per_run > 0 else 0):
        stage = stages.stage
        for name in ("route", "retract", "coast"):
            if name in passes:
                _RUNS[name](stages)
                stages.flush()
        if stages.stage == stage:
            break


def _heat(stages: Stages) -> None:
    edits = Edits.none(stages.program)
    stages.write(edits, mend_heat(stages.program, edits, stages.machine, stages.filament))
    stages.intent = replace(stages.intent, nozzle_c=allowed_c(stages.machine, stages.filament))


def _prime(stages: Stages) -> None:
    # at the speeds it will have, so that a second mending finds it primed
    load = follow(stages.plan(stages.target).course, stages.machine, stages.filament)
    p, edits = stages.program, Edits.none(stages.program)
    compliance, area = stages.stored_per_mpa()
    beads = np.flatnonzero(p.kind == BEAD)
    settled = float(np.median(load.pressure_mpa[beads])) if beads.size else 0.0
    index = chain.central(stages.machine, stages.filament)["flow_index"]
    changes, laid, why = mend_prime(p, edits, _SETTLED * float(index) * compliance * settled / area)
    stages.write(edits, changes)
    stages.note("prime", why)
    stages.intent = replace(stages.intent, prime_mm=laid)


def _first_layer(stages: Stages) -> None:
    p, edits, layering = stages.program, Edits.none(stages.program), stages.job.laying.layering
    if stages.height_mm <= 0:
        stages.note("first-layer", "no growth of the part is allowed; say how much with `height_mm`")
        return
    reason = "the gap under the nozzle dams the flow of the first layer"
    changes, factor, why = mend_first_layer(p, edits, layering, stages.height_mm, reason)
    stages.write(edits, changes)
    stages.note("first-layer", why)
    if changes:
        stages.intent = replace(
            stages.intent, first_layer_may_widen=True, height_mm=stages.height_mm, first_layer_factor=factor,
            prime_mm=stages.intent.prime_mm * factor,  # a priming run lies in the first layer
        )  # fmt: skip


def _factor(stages: Stages) -> None:
    p, edits = stages.program, Edits.none(stages.program)
    load = follow(stages.plan(stages.target).course, stages.machine, stages.filament)
    push = mean_push_n(p, load.push_n)
    changes, factor, why = mend_factor(p, edits, metering_losses(stages.machine, stages.filament, push))
    stages.write(edits, changes)
    stages.note("factor", why)
    stages.intent = replace(stages.intent, flow_factor=factor)


def _order(stages: Stages) -> None:
    p, layering = stages.program, stages.job.laying.layering
    sections, edits = stages.job.laying.sections, Edits.none(p)
    before_s = stages.job.course.time_s
    changes, why = mend_order(p, edits, layering, sections)
    stages.write(edits, changes)
    stages.saved_s = max(before_s - stages.job.course.time_s, 0.0) if changes else 0.0
    stages.note("order", why)
    stages.intent = replace(stages.intent, may_reorder_islands=True)


def _route(stages: Stages) -> None:
    p, edits = stages.program, Edits.none(stages.program)
    layering = stages.job.laying.layering
    region = layer_region(p, layering, stages.job.laying.sections)
    leads = find_leads(p, layering)
    air = air_that_counts(stages.job.laying, leads, p.speed_mm_per_s, all_shows=stages.all_shows)
    changes, _ = mend_routes(p, edits, leads, air.counts_mm, region, seen_mm=air.seen_mm, more_s=stages.saved_s)
    stages.saved_s = 0.0
    stages.write(edits, changes)
    stages.intent = replace(stages.intent, may_reroute=True)


def slow_again(stages: Stages, attempt: int) -> bool:
    """Plan the flow anew where later passes carried the chance of a jam over the target; False: no use."""
    if stages.out_of_reach or attempt >= len(_AIMS):
        return False
    stage = stages.stage
    _flow(stages, _AIMS[attempt])
    stages.flush()
    return stages.stage > stage


def no_proof_why(job: Job, over: float) -> str:
    """Why no proof could be laid before a job; empty where one could."""
    changes, _, _, why = lay_pad(job, Edits.none(job.program), over, job.machine.reach_mm)
    return "" if changes else why


def lay_proof(stages: Stages) -> None:
    """Lay a proof before a job that is mended otherwise, since its flow is told by the job's; see `pad`.

    A pad has turns, and its flow climbs with the lag: where it leaves too many jams as laid, it is fed harder.
    """
    stages.flush()
    job, trial = stages.job, stages.folder / "proof.gcode"
    over = proof_over(job) if job.proof is None else 1.0
    best: tuple[Edits, list[Change], float, float] | None = None
    said = ""
    for _ in range(_MOST_HARDER + 1):
        edits = Edits.none(job.program)
        changes, laid, flow, why = lay_pad(job, edits, over, stages.machine.reach_mm)
        if not changes:
            said = said if best is not None else why
            break
        best, said = (edits, changes, laid, flow), why  # a smaller one than was wanted
        rewrite(job.program, edits, trial)
        told = proved(read_job(trial, stages.machine, stages.filament, stages.dialect))
        if told is None or told.inside_probability <= INSIDE:
            break
        over *= _HARDER
    trial.unlink(missing_ok=True)
    stages.note("proof", said)
    if best is not None:
        edits, changes, laid, flow = best
        stages.write(edits, changes)
        stages.intent = replace(stages.intent, proof_mm=laid, proof_mm3_per_s=flow)


def shape_feed(stages: Stages) -> None:
    """Shape the feed of the part at the speeds it has now; see `shape`."""
    stages.flush()
    job, edits = stages.job, Edits.none(stages.program)
    require_shapeable(job.program)
    require_store(job)
    if stages.dialect == "auto" and np.any(stages.program.states["flow_factor"] != 1.0):
        raise PliantError(
            "controllers differ in whether a flow factor (M221) scales what is drawn back, so that "
            "no feed is right for all of them; name yours as `dialect`"
        )
    off, assumed = compensation_off(stages.program, edits)
    changes, promised = mend_shape(job, edits)
    stages.note("shape", assumed)
    stages.note("shape", store_doubt(job))
    stages.write(edits, [*off, *changes])
    stages.intent = replace(stages.intent, shaping=promised, may_change_retraction=True)


def _flow(stages: Stages, aim: float = _AIMS[0]) -> None:
    p, edits = stages.program, Edits.none(stages.program)
    plan = stages.plan(stages.target, aim)
    stages.out_of_reach = not plan.meets
    edits.speed_mm_per_s = plan.speed_mm_per_s
    why = f"holds the chance of a jam under {number(100 * stages.target)} %"
    if not plan.meets:
        why = f"as slow as is of use, since no speed meets the target of {number(100 * stages.target)} %"
        stages.note("flow", f"no speed down to {USEFUL_MM_PER_S:g} mm/s meets the target; slower is of no use")
    changes = slowed_changes(p, plan.speed_mm_per_s, stages.job.laying.layering.layer, why)
    stages.waiting = Waiting(edits, changes, plan.course)


def _retract(stages: Stages) -> None:
    p = stages.program
    waiting = stages.waiting or Waiting(Edits.none(p), [], stages.job.course)
    load, leads = follow(waiting.course, stages.machine, stages.filament), find_leads(p, stages.job.laying.layering)
    if stages.pull is None:
        written = stages.job.course
        stages.pull = pull_for_job(written, waiting.course, stages.machine, stages.filament, stages.target)
    theta = chain.central(stages.machine, stages.filament)
    stored = stored_mm(stages.machine, theta, load.end_mpa[leads.first - 1].astype(np.float64))
    air = air_that_counts(stages.job.laying, leads, waiting.edits.speed_mm_per_s, all_shows=stages.all_shows)
    counts, hidden = leads.sums(air.counts_mm), leads.sums(air.hidden_mm)
    changes, notes = mend_retraction(p, waiting.edits, leads, counts, stored, stages.pull, hidden)
    stages.notes = [note for note in stages.notes if not note.startswith("retract: ")]  # a later round says it anew
    for note in notes:
        stages.note("retract", note)
    stages.waiting = replace(waiting, changes=waiting.changes + changes)
    stages.intent = replace(stages.intent, may_change_retraction=True)


def _coast(stages: Stages) -> None:
    if stages.dialect == "auto" and np.any(stages.program.states["flow_factor"] != 1.0):
        stages.note("coast", "controllers differ in whether M221 scales what is given back; name yours as `dialect`")
        return
    p, edits, load = stages.program, Edits.none(stages.program), stages.job.load
    leads = find_leads(p, stages.job.laying.layering)
    compliance, area = stages.stored_per_mpa()
    ends = leads.first - 1
    index = float(chain.central(stages.machine, stages.filament)["flow_index"])
    pressure, flow = load.end_mpa[ends].astype(np.float64), load.flow_mm3_per_s[ends].astype(np.float64)
    melt = Melt(pressure, flow, compliance, index, area)
    changes, most, why = mend_coast(
        p, edits, leads, leads.sums(stages.job.laying.coverage.open_mm), melt, stages.fed_mm_per_s
    )
    stages.write(edits, changes)
    stages.note("coast", why if stages.intent.coast_mm_per_run == 0 else "")
    stages.intent = replace(stages.intent, coast_mm_per_run=max(most, stages.intent.coast_mm_per_run))


# what changes temperature, filament or place comes before what is judged by them
_RUNS: dict[str, Callable[[Stages], None]] = {
    "heat": _heat, "prime": _prime, "first-layer": _first_layer, "factor": _factor, "order": _order, "route": _route,
    "flow": _flow, "retract": _retract, "coast": _coast,
}  # fmt: skip
