"""The verdict on a job: does it feed, how sure is that, where is it worst, and what would help."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.constants import FEEDS_BELOW
from pliant.feed import chain
from pliant.feed.by_layer import jam_by_layer, places_of
from pliant.feed.limit import limit_speed
from pliant.feed.load import Load
from pliant.feed.pull import passes_through_drive, stored_mm
from pliant.feed.remedies import remedies_for
from pliant.feed.risk import Risk, speed_that_meets, stated_risk, verdict_of
from pliant.feed.validity import outside
from pliant.feed.warmth import cold_words, unsoftened_share
from pliant.job.job import Job
from pliant.job.tonight import Weighed
from pliant.job.trouble import heat_warnings, reach_warnings
from pliant.program.layers import Layering
from pliant.progress import Progress, silent
from pliant.records.evidence import AfterPrints, WithPractice
from pliant.records.findings import Findings, LayerShare, Levelling, Moment, Remedy
from pliant.records.machine import Machine
from pliant.records.program import Program

__all__ = ["Examined", "judge"]

_MODERATE = 1 / 3  # [-] share of the program's speed down to which we call the change moderate; our choice of words


@dataclass(frozen=True)
class Examined:
    """A job, what was found, and what it would take at other speeds."""

    job: Job
    findings: Findings
    weighed: Weighed | None = None  # None where it feeds


def judge(job: Job, progress: Progress | None = None, *, remedies: bool = True) -> Findings:
    """Say whether a job feeds.

    Parameters
    ----------
    job : Job
        The program on the machine with the spool.
    progress : callable, optional
        Told what is being done.
    remedies : bool, default True
        Whether to try out what would help.

    Returns
    -------
    Findings
        Verdict, chance of a jam with its 90 % band, worst moments, what is assumed, what would help.

    Raises
    ------
    ProgramError
        If it feeds through a nozzle that is cold.
    """
    tell, program, machine, filament = progress or silent, job.program, job.machine, job.filament
    tell("planning the motion", 0)
    timing, layering = job.laying.timing, job.laying.layering
    tell("comparing travel with beads", 0)
    _ = job.laying.coverage
    warned = (*heat_warnings(program, machine, filament), *reach_warnings(program, machine))
    tell("following the push", 0)
    load, flows, bead = job.load, job.envelope, job.bead
    tell("weighing what is not known", 0)
    risk = stated_risk(flows, machine, filament)
    peak = float(load.push_n.max())
    coldest_c = float(job.groups.nozzle_c.min()) if job.groups.nozzle_c.size else filament.reference_c
    verdict = verdict_of(risk.probability, risk.error)
    worst = _worst(program, layering, np.cumsum(timing.move_s), load)
    share: float | None = 1.0
    helps: tuple[Remedy, ...] = ()
    if verdict != "feeds":
        share = speed_that_meets(flows, machine, filament, FEEDS_BELOW)
    if verdict != "feeds" and remedies:
        helps = remedies_for(flows, machine, filament, risk.probability, share, FEEDS_BELOW)
    change = "refused" if share is None else "none" if share == 1 else "moderate" if share >= _MODERATE else "large"
    fed_mm3 = float(program.filament_mm.sum()) * filament.section_mm2
    mechanism = max(risk.by_mechanism, key=lambda k: risk.by_mechanism[k], default="none")
    if worst and not any(v > 0.0005 for v in risk.by_mechanism.values()):
        mechanism = worst[0].mechanism
    stored = float(stored_mm(machine, chain.central(machine, filament), float(load.end_mpa.max(initial=0.0))))
    return Findings(
        verdict=verdict,
        jam_probability=risk.probability,
        jam_probability_error=risk.error,
        limit_speed_mm_per_s=limit_speed(job.groups, machine, filament),
        validity=outside(job.groups, machine, filament),
        mechanism=mechanism,
        peak_push_n=peak if np.isfinite(peak) else None,
        least_margin=min((m.margin for m in worst), default=None),
        by_mechanism=risk.by_mechanism,
        jam_by_layer=_by_layer(job, risk),
        unsoftened_probability=unsoftened_share(filament, coldest_c),
        measure_next={k: v for k, v in list(risk.shares.items())[:5] if v > 0.02},
        levelling=Levelling.of(risk.levelling_share),
        worst=worst,
        speed_share=share,
        change=change,
        remedies=helps,
        max_passes=passes_through_drive(program.filament_mm),
        bead_error_rms=bead.rms,
        bead_error_worst=float(bead.error[bead.worst]) if bead.worst >= 0 else 0.0,
        bead_error_line=int(program.line[bead.move[bead.worst]]) if bead.worst >= 0 else None,
        ooze_mm3=bead.between_mm3,
        stored_length_mm=stored,
        mass_g=fed_mm3 * filament.density_kg_per_m3.value * 1e-6,
        facts=job.laying.facts(job.assumed, warned),
        cautions=(*cold_words(machine, filament, coldest_c), *_cautions(machine, verdict)),
        after_prints=AfterPrints.of(filament.evidence, risk.probability, risk.without, risk.effective),
        with_practice=WithPractice.of(filament.evidence, risk.probability, risk.without),
    )


def _by_layer(job: Job, risk: Risk) -> tuple[LayerShare, ...]:
    """Where along the job the jam comes first."""
    if risk.parts is None:
        return ()
    course, layering = job.course, job.laying.layering
    squeezed = course.first_layer & np.isfinite(course.gap_mm)  # what the bed's error shifts, as the envelope has it
    places = places_of(job.log_margin, course.filament_mm, layering.layer, squeezed)
    return jam_by_layer(risk.parts, places, layering.top_mm, risk.probability)


def _worst(
    program: Program, layering: Layering, time_s: NDArray[np.float64], load: Load, count: int = 10
) -> tuple[Moment, ...]:
    """The worst moments, no two of the same event: the same layer, or within ten seconds of each other."""
    found: list[Moment] = []
    margin = load.margin.copy()
    starve = chain.MECHANISMS.index("starve")
    while len(found) < count and margin.size:
        i = int(margin.argmin())
        least = float(margin[i])
        if not least < 1e4:
            break
        margin[(layering.layer == layering.layer[i]) | (np.abs(time_s - time_s[i]) < 10.0)] = np.inf
        force = load.mechanism[i] != starve
        push = float(load.push_n[i])
        finite = force and np.isfinite(push)
        found.append(
            Moment(
                int(program.line[i]),
                int(layering.layer[i]) if layering.layer[i] >= 0 else None,
                float(time_s[i]),
                chain.MECHANISMS[load.mechanism[i]],
                push if finite else None,
                float(load.capacity_n[i]) if finite else None,
                least,
            )
        )
    return tuple(found)


def _cautions(machine: Machine, verdict: str) -> tuple[str, ...]:
    said = ["The hot end and the bed burn; melt gives off fumes: ventilate the room."]
    if machine.liner == "ptfe":
        said.append("This hot end is lined with PTFE: never go above the temperature on the liner maker's sheet.")
    if verdict != "feeds":
        said.append("Do not leave this job unattended, and follow your local fire rules.")
    return tuple(said)
