"""`check`: will this job feed on this machine with this spool?"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.load import Job, Load, follow, jam_risk, speed_that_meets
from pliant.models.bead import bead_width_mm
from pliant.program.layers import Layering, find_layers
from pliant.program.read import read_program
from pliant.program.timing import Motion, Timing, time_program
from pliant.records.filament import Filament, read_filament
from pliant.records.findings import Findings, Moment, Remedy
from pliant.records.machine import Machine, Span, read_machine
from pliant.records.program import BEAD, Program
from pliant.workflows.read import facts_of

__all__ = ["FEEDS_BELOW", "JAMS_ABOVE", "Examined", "check", "examine", "passes_through_drive"]

FEEDS_BELOW = 0.02  # [-] chance of a jam that still counts as `feeds`; the target of design section 7
JAMS_ABOVE = 0.5  # [-] more likely to jam than not


def passes_through_drive(filament_mm: NDArray[np.float64]) -> int:
    """Largest number of times any stretch of filament crosses the drive."""
    position = np.concatenate([[0.0], np.cumsum(filament_mm)])
    turning = np.concatenate([[True], np.diff(np.sign(np.diff(position))) != 0, [True]])
    corner = position[turning] if position.size > 2 else position
    low, high = np.minimum(corner[:-1], corner[1:]), np.maximum(corner[:-1], corner[1:])
    real = high - low > 1e-9
    if not real.any():
        return 0
    at = np.concatenate([low[real] + 1e-9, high[real] - 1e-9])
    step = np.concatenate([np.ones(real.sum()), -np.ones(real.sum())])
    return int(np.cumsum(step[np.argsort(at, kind="stable")]).max())


def _weighted_median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def _job(program: Program, timing: Timing, layering: Layering, filament: Filament) -> tuple[Job, tuple[str, ...]]:
    """Split moves into phases and gather them into operating groups: temperature by first layer, above it, or air."""
    assumed: tuple[str, ...] = ()
    sheet = float(np.mean(filament.nozzle_c))
    nozzle = program.nozzle_c.copy()
    if np.isnan(nozzle).any():
        nozzle[np.isnan(nozzle)] = sheet
        assumed = (f"nozzle at {sheet:g} °C (middle of the data sheet) where the program sets no temperature",)
    bead = program.kind == BEAD
    place = np.where(bead, np.where(layering.layer == 0, 1, 2), 0)
    area = np.pi * filament.diameter_mm.value**2 / 4 * program.filament_mm
    area = np.divide(area, program.length_mm, out=np.zeros_like(area), where=bead & (program.length_mm > 0))
    gap = layering.gap_mm[np.maximum(layering.layer, 0)] if layering.gap_mm.size else np.zeros(bead.size)
    keys, group = np.unique(np.column_stack([nozzle, place]), axis=0, return_inverse=True)
    group = group.reshape(-1)
    widths, gaps = np.ones(len(keys)), np.full(len(keys), np.inf)
    for g, (_, where) in enumerate(keys):
        mine = (group == g) & (area > 0) & (gap > 0)
        if where == 0 or not mine.any():
            continue
        weight = program.filament_mm[mine]
        h, a = _weighted_median(gap[mine], weight), _weighted_median(area[mine], weight)
        gaps[g] = float(chain.squeeze_gap_mm(a, h))
        if np.isfinite(gaps[g]):
            widths[g] = float(bead_width_mm(a, h))
    share = np.divide(
        timing.phase_mm,
        timing.phase_mm.sum(axis=1)[:, None],
        out=np.zeros_like(timing.phase_mm),
        where=timing.phase_mm.sum(axis=1)[:, None] > 0,
    )
    return (
        Job(
            timing.phase_s.reshape(-1),
            (share * program.filament_mm[:, None]).reshape(-1),
            np.repeat(group, 3).astype(np.int64),
            keys[:, 0].copy(),
            widths,
            gaps,
            keys[:, 1] == 1,
        ),
        assumed,
    )


def _worst(program: Program, layering: Layering, job: Job, load: Load, count: int = 10) -> tuple[Moment, ...]:
    """The worst moments, no two within ten seconds of each other."""
    names = list(load.margins)
    stack = np.vstack([load.margins[k] for k in names])
    which, least = stack.argmin(axis=0), stack.min(axis=0)
    time = np.cumsum(job.phase_s)
    found: list[Moment] = []
    for i in np.argsort(least, kind="stable"):
        if len(found) == count or not np.isfinite(least[i]) or least[i] > 1e6:
            break
        if any(abs(time[i] - m.time_s) < 10.0 for m in found):
            continue
        name, move = names[which[i]], i // 3
        carries = float(load.capacities[name][i])
        push = name != "starve"
        found.append(
            Moment(
                int(program.line[move]),
                int(layering.layer[move]),
                float(time[i]),
                name,
                carries / float(least[i]) if push and least[i] > 0 else None,
                carries if push else None,
                float(least[i]),
            )
        )
    return tuple(found)


def _remedies(job: Job, machine: Machine, filament: Filament, before: float) -> tuple[Remedy, ...]:
    """Recompute the chance of a jam with each change the user could make to the hardware or the spool."""
    tried: list[tuple[str, Machine, Filament]] = []
    for i, span in enumerate(machine.path):

        def with_span(new: Span, at: int = i) -> Machine:
            return replace(machine, path=(*machine.path[:at], new, *machine.path[at + 1 :]))

        length = span.length_mm
        if span.kind == "gap" and length.value > 2.0:
            shorter = replace(span, length_mm=replace(length, value=2.0))
            tried.append((f"close the {length.value:g} mm open gap to 2 mm with a guide", with_span(shorter), filament))
        if span.kind == "guide" and length.value > 100.0:
            shorter = replace(span, length_mm=replace(length, value=length.value / 2))
            tried.append((f"halve the {length.value:g} mm guide", with_span(shorter), filament))
            if span.bore_mm is not None and span.bore_mm.value > 1.95:
                tight = replace(span, bore_mm=replace(span.bore_mm, value=1.9))
                tried.append(("a guide of 1.9 mm bore", with_span(tight), filament))
            short = replace(span, length_mm=replace(length, value=40.0), turn_deg=0.0)
            tried.append(("a direct feed (40 mm of straight guide)", with_span(short), filament))
    wide = replace(machine.nozzle_mm, value=machine.nozzle_mm.value * 1.5)
    tried.append((f"a {wide.value:g} mm nozzle", replace(machine, nozzle_mm=wide), filament))
    harder = replace(filament.youngs_modulus_mpa, value=filament.youngs_modulus_mpa.value * 2)
    tried.append(("a spool twice as stiff", machine, replace(filament, youngs_modulus_mpa=harder)))
    scored = [Remedy(what, jam_risk(job, m, f, n=400).probability) for what, m, f in tried]
    return tuple(sorted((r for r in scored if r.jam_probability < before - 0.01), key=lambda r: r.jam_probability))


def check(
    program: str | Path,
    machine: str | Path | Machine,
    filament: str | Path | Filament,
    *,
    dialect: str | None = None,
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

    Returns
    -------
    Findings
        Verdict, chance of a jam with its 90 % band, worst moments, what is assumed, what would help.

    Raises
    ------
    ProgramError, RecordError
        If one of the inputs cannot be used; the text names file, line or key and the way out.
    """
    return examine(program, machine, filament, dialect=dialect).findings


@dataclass(frozen=True)
class Examined:
    """The findings, and what they were made from; `workflows.picture` draws it."""

    findings: Findings
    program: Program
    machine: Machine
    filament: Filament
    timing: Timing
    layering: Layering
    job: Job
    load: Load


def examine(
    program: str | Path, machine: str | Path | Machine, filament: str | Path | Filament, *, dialect: str | None = None
) -> Examined:
    """Do what `check` does, and keep the arrays."""
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    read = read_program(program, dialect or machine.dialect)
    motion = Motion(
        _number(machine.acceleration_mm_per_s2),
        _number(machine.retract_acceleration_mm_per_s2),
        _number(machine.corner_deviation_mm),
        tuple(_number(v) for v in machine.max_speed_mm_per_s),  # type: ignore[arg-type]
    )
    timing, layering = time_program(read, motion), find_layers(read)
    job, assumed = _job(read, timing, layering, filament)
    load, risk = follow(job, machine, filament), jam_risk(job, machine, filament)
    peak = float(load.push_n.max())
    verdict = "feeds" if risk.probability <= FEEDS_BELOW else "jams" if risk.probability > JAMS_ABOVE else "marginal"
    worst = _worst(read, layering, job, load)
    factor: float | None = 1.0
    remedies: tuple[Remedy, ...] = ()
    if verdict != "feeds":
        factor = speed_that_meets(job, machine, filament, FEEDS_BELOW)
        remedies = _remedies(job, machine, filament, risk.probability)
    mechanism = max(risk.by_mechanism, key=lambda k: risk.by_mechanism[k], default="none")
    if worst and not any(v > 0.0005 for v in risk.by_mechanism.values()):
        mechanism = worst[0].mechanism
    findings = Findings(
        verdict=verdict,
        jam_probability=risk.probability,
        jam_probability_low=risk.low,
        jam_probability_high=risk.high,
        mechanism=mechanism,
        peak_push_n=peak if np.isfinite(peak) else None,
        least_margin=min((m.margin for m in worst), default=float("inf")),
        by_mechanism=risk.by_mechanism,
        measure_next={k: v for k, v in list(risk.shares.items())[:5] if v > 0.02},
        worst=worst,
        speed_factor=factor,
        remedies=remedies,
        max_passes=passes_through_drive(read.filament_mm),
        facts=facts_of(
            read,
            timing,
            layering,
            filament.diameter_mm.value,
            (*assumed, *machine.assumed, *filament.assumed),
        ),
        cautions=_cautions(machine, verdict),
    )
    return Examined(findings, read, machine, filament, timing, layering, job, load)


def _number(value: object) -> float:
    return float(getattr(value, "value", value))  # type: ignore[arg-type]


def _cautions(machine: Machine, verdict: str) -> tuple[str, ...]:
    said = ["The hot end and the bed burn; melt gives off fumes: ventilate the room."]
    if machine.liner == "ptfe":
        said.append("This hot end is lined with PTFE: never go above the temperature on the liner maker's sheet.")
    if verdict != "feeds":
        said.append("Do not leave this job unattended, and follow your local fire rules.")
    return tuple(said)
