"""`check`: will this job feed on this machine with this spool?"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.errors import ProgramError
from pliant.feed import chain
from pliant.feed.envelope import Groups, envelope, operating_groups
from pliant.feed.load import Job, Load, follow
from pliant.feed.pull import passes_through_drive
from pliant.feed.remedies import remedies_for
from pliant.feed.risk import jam_risk, speed_that_meets
from pliant.feed.warmth import cold_words, unsoftened_share
from pliant.program.coverage import Coverage, find_coverage
from pliant.program.layers import Layering, find_layers
from pliant.program.read import read_program
from pliant.program.sections import Sections, bead_sections
from pliant.program.timing import Motion, Timing, time_program
from pliant.records.filament import Filament, read_filament
from pliant.records.findings import Findings, Moment, Remedy
from pliant.records.limits import allowed_c, require_fit
from pliant.records.machine import Machine, read_machine
from pliant.records.program import BEAD, HOME, Program
from pliant.say import count, number
from pliant.workflows.part import told_of_part
from pliant.workflows.read import Progress, facts_of, told

__all__ = [
    "FEEDS_BELOW", "JAMS_ABOVE", "MODERATE", "Examined", "check", "examine", "job_of", "motion_of",
]  # fmt: skip

FEEDS_BELOW = 0.02  # [-] chance of a jam that still counts as `feeds`; the target of design section 7
JAMS_ABOVE = 0.5  # [-] more likely to jam than not
_WITHIN_MM = 0.01  # [mm] of rounding beyond the machine's reach
COLD_C = 60.0  # [degC] a nozzle set below this is not hot at all: no soft filament melts there
MODERATE = 1 / 3  # [-] share of the program's speed down to which we call the change moderate; our choice of words


def job_of(
    program: Program, timing: Timing, layering: Layering, sections: Sections, filament: Filament
) -> tuple[Job, tuple[str, ...]]:
    """See the program as the feed path does: what is fed when, at which temperature, squeezed how much."""
    assumed: tuple[str, ...] = ()
    sheet = float(np.mean(filament.nozzle_c))
    nozzle = program.states["nozzle_c"].copy()
    for i in range(1, nozzle.size):  # what follows a heater switched off still draws on hot melt
        nozzle[i] = nozzle[i - 1] if nozzle[i] == 0 else nozzle[i]
    nozzle[nozzle == 0] = np.nan  # switched off before it was ever set: the program says nothing of its heat
    if np.isnan(nozzle[np.unique(program.state[program.filament_mm > 0])]).any():
        assumed = (f"nozzle at {sheet:g} °C (middle of the data sheet) where the program sets no temperature",)
    nozzle_c, heat = np.unique(np.where(np.isnan(nozzle), sheet, nozzle), return_inverse=True)
    advance = np.nan_to_num(program.states["advance_s"])
    job = Job(
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
        first_layer=layering.layer == 0,
    )
    return job, assumed


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


def check(
    program: str | Path,
    machine: str | Path | Machine,
    filament: str | Path | Filament,
    *,
    dialect: str | None = None,
    progress: Progress | None = None,
    mesh: str | Path | None = None,
) -> Findings:
    """Say whether a program feeds.

    Parameters
    ----------
    program : str or Path
        The motion program.
    machine, filament : str, Path or record
        The user's records.
    dialect : str, optional
        Overrides the machine's own.
    progress : callable, optional
        Told what is being done, and the share of it that is done.
    mesh : str or Path, optional
        The part that the program lays, so that what is special about it is said too.

    Returns
    -------
    Findings
        Verdict, chance of a jam with its 90 % band, worst moments, what is assumed, what would help.

    Raises
    ------
    ProgramError, RecordError
        If one of the inputs cannot be used; the text names file, line or key and the way out.
    """
    return examine(program, machine, filament, dialect=dialect, progress=progress, mesh=mesh).findings


@dataclass(frozen=True)
class Examined:
    """The findings, and what they were made from; `workflows.picture` draws it."""

    findings: Findings
    program: Program
    machine: Machine
    filament: Filament
    timing: Timing
    layering: Layering
    coverage: Coverage
    job: Job
    load: Load
    groups: Groups


def examine(
    program: str | Path | Program,
    machine: str | Path | Machine,
    filament: str | Path | Filament,
    *,
    dialect: str | None = None,
    progress: Progress | None = None,
    mesh: str | Path | None = None,
) -> Examined:
    """Do what `check` does, of a file or of what was read from one, and keep the arrays."""
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    require_fit(machine, filament)
    tell = progress or _silent
    read = (
        program if isinstance(program, Program)
        else read_program(program, dialect or machine.dialect, told(progress, "reading"))
    )  # fmt: skip
    if not np.any(read.kind == BEAD):
        raise ProgramError(
            f"{read.path}: this program lays no bead: no filament is fed while the nozzle moves across; choose the "
            "program of a print (or name the controller with --dialect, if it reads E words otherwise)"
        )
    tell("planning the motion", 0)
    timing, layering = time_program(read, motion_of(machine)), find_layers(read)
    diameter = filament.diameter_mm.value
    sections = bead_sections(read, layering, diameter)
    tell("comparing travel with beads", 0)
    coverage = find_coverage(read, layering, sections.width_mm)
    told_off = (*_heat_warnings(read, machine, filament), *_reach_warnings(read, machine))
    job, assumed = job_of(read, timing, layering, sections, filament)
    tell("following the push", 0)
    load, groups = follow(job, machine, filament), operating_groups(job)
    flows = envelope(job, machine, filament, groups)
    tell("weighing what is not known", 0)
    risk = jam_risk(flows, machine, filament)
    peak = float(load.push_n.max())
    coldest_c = float(groups.nozzle_c.min(initial=filament.reference_c))
    verdict = "feeds" if risk.probability <= FEEDS_BELOW else "jams" if risk.probability > JAMS_ABOVE else "marginal"
    worst = _worst(read, layering, np.cumsum(timing.move_s), load)
    factor: float | None = 1.0
    remedies: tuple[Remedy, ...] = ()
    if verdict != "feeds":
        factor = speed_that_meets(flows, machine, filament, FEEDS_BELOW)
        remedies = remedies_for(flows, machine, filament, risk.probability, factor, FEEDS_BELOW)
    change = "refused" if factor is None else "none" if factor == 1 else "moderate" if factor >= MODERATE else "large"
    fed_mm3 = float(read.filament_mm.sum()) * np.pi * diameter**2 / 4
    mechanism = max(risk.by_mechanism, key=lambda k: risk.by_mechanism[k], default="none")
    if worst and not any(v > 0.0005 for v in risk.by_mechanism.values()):
        mechanism = worst[0].mechanism
    facts = facts_of(read, timing, layering, coverage, diameter, (*assumed, *machine.assumed, *filament.assumed))
    findings = Findings(
        verdict=verdict,
        jam_probability=risk.probability,
        jam_probability_low=risk.low,
        jam_probability_high=risk.high,
        mechanism=mechanism,
        peak_push_n=peak if np.isfinite(peak) else None,
        least_margin=min((m.margin for m in worst), default=None),
        by_mechanism=risk.by_mechanism,
        unsoftened_probability=unsoftened_share(filament, coldest_c),
        measure_next={k: v for k, v in list(risk.shares.items())[:5] if v > 0.02},
        worst=worst,
        speed_share=factor,
        change=change,
        remedies=remedies,
        max_passes=passes_through_drive(read.filament_mm),
        stored_length_mm=float(load.end_mpa.max(initial=0.0)) * stored_mm_per_mpa(machine, filament),
        mass_g=fed_mm3 * filament.density_kg_per_m3.value * 1e-6,
        facts=replace(facts, warnings=(*facts.warnings, *told_off)),
        cautions=(*cold_words(filament, coldest_c), *_cautions(machine, verdict)),
        part=told_of_part(mesh, machine, filament) if mesh is not None else (),
    )
    return Examined(findings, read, machine, filament, timing, layering, coverage, job, load, groups)


def stored_mm_per_mpa(machine: Machine, filament: Filament) -> float:
    """Filament pressed together between drive and melt per unit of melt pressure, at central values. [mm/MPa]"""
    theta = chain.central(machine, filament)
    return float(chain.compliance(machine, theta)) / (np.pi * theta["diameter_mm"] ** 2 / 4)


def _heat_warnings(program: Program, machine: Machine, filament: Filament) -> tuple[str, ...]:
    """Where the program feeds at a temperature that the data sheet or the liner does not allow, or with no heat."""
    fed = np.flatnonzero(program.filament_mm > 0)
    if not fed.size:
        return ()
    nozzle = program.states["nozzle_c"][program.state[fed]]
    lines = program.line[fed]
    off, set_ = nozzle == 0, nozzle > 0  # not a number where the program sets none, which is said under `assumed`
    if (cold := set_ & (nozzle < COLD_C)).any():
        at = int(cold.argmax())
        raise ProgramError(
            f"{program.path} line {lines[at]}: feeds with the nozzle set to {nozzle[at]:g} °C; filament melts from "
            f"about {filament.soften_c.value:.0f} °C: heat the nozzle first (M109)"
        )
    low, high = allowed_c(machine, filament)
    whose = "data sheet allows" if high == filament.nozzle_c[1] else "data sheet and the liner allow"
    told = []
    for wrong, word in ((set_ & (nozzle > high), "above"), (set_ & (nozzle < low), "below")):
        if wrong.any():
            at = int(wrong.argmax())
            allowed = f"{low:g} to {high:g} °C that the {whose}"
            told.append(f"line {lines[at]}: feeds at {nozzle[at]:g} °C, {word} the {allowed}")
    if off.any():
        told.append(f"line {lines[int(off.argmax())]}: feeds after the heater was switched off; taken as still hot")
    return tuple(told)


def _reach_warnings(program: Program, machine: Machine) -> tuple[str, ...]:
    """Where the program sends the nozzle out of the machine, if the record says how far it reaches."""
    if machine.reach_mm is None:
        return ()
    low, high = (np.array(v) for v in machine.reach_mm)
    ends = program.point_mm[1:]
    beyond = np.where(ends < low - _WITHIN_MM, low - ends, np.where(ends > high + _WITHIN_MM, ends - high, 0.0))
    beyond[program.kind == HOME] = 0.0
    out = np.flatnonzero((beyond > 0).any(axis=1))
    if not out.size:
        return ()
    axis = int(beyond[out[0]].argmax())
    return (
        f"line {program.line[out[0]]}: goes to {'XYZ'[axis]}{number(ends[out[0], axis], 4)}, outside the "
        f"{low[axis]:g} to {high[axis]:g} mm that motion.volume_mm allows; "
        f"{count(out.size, 'such move')}",
    )


def _silent(what: str, share: float) -> None:
    """Tell nobody."""


def motion_of(machine: Machine) -> Motion:
    """The motion limits of a machine record."""
    x, y, z, e = machine.max_speed_mm_per_s
    return Motion(
        machine.acceleration_mm_per_s2,
        machine.retract_acceleration_mm_per_s2,
        machine.corner_deviation_mm,
        (x, y, z, e),
    )


def _cautions(machine: Machine, verdict: str) -> tuple[str, ...]:
    said = ["The hot end and the bed burn; melt gives off fumes: ventilate the room."]
    if machine.liner == "ptfe":
        said.append("This hot end is lined with PTFE: never go above the temperature on the liner maker's sheet.")
    if verdict != "feeds":
        said.append("Do not leave this job unattended, and follow your local fire rules.")
    return tuple(said)
