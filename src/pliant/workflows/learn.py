"""`learn`: readings in, new versions of the records out, with what changed and what that does to a program."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pliant.constants import CAREFUL_MM_PER_S
from pliant.coupons.readings import read_readings
from pliant.coupons.writer import bead_of
from pliant.errors import PliantError, RecordError
from pliant.feed import chain
from pliant.feed.envelope import Envelope
from pliant.feed.limit import limit_speed
from pliant.feed.risk import stated_risk
from pliant.feed.steps import failing_flow_mm3_per_s
from pliant.feed.store_known import SteadyBead, laws_of, store_known
from pliant.feed.witness import Witnesses
from pliant.files import Source, write_new
from pliant.job.job import Job, read_job
from pliant.learning.checks import left_out
from pliant.learning.likelihood import Sheets, Space
from pliant.learning.other_beads import limit_spread_left
from pliant.learning.posterior import fit
from pliant.learning.summary import Summary, summarise, updated
from pliant.mending.shape import drive_for
from pliant.mending.shape_profile import errors_with
from pliant.models.bead import bead_area_mm2
from pliant.progress import Share
from pliant.records.coupon import FAILED, HELD, Readings
from pliant.records.evidence import Evidence
from pliant.records.filament import Filament, read_filament
from pliant.records.learned import Answer, Learned
from pliant.records.machine import Machine, read_machine
from pliant.records.versions import next_version, updated_filament, updated_machine
from pliant.say import count, number
from pliant.workflows.evidence import with_witnesses
from pliant.workflows.photo import read_with_photo

__all__ = ["envelope_of", "held_above", "learn"]

_DRAWS = 20000
_STORES = 150  # draws over which a shaped bead is tried


def envelope_of(program: str | Path, machine: Machine, filament: Filament) -> Envelope:
    """What a program asks of the feed path, boiled down."""
    return read_job(program, machine, filament).envelope


def learn(
    readings: Sequence[str | Path | Readings],
    machine: Source,
    filament: Source,
    *,
    folder: str | Path | None = None,
    program: str | Path | None = None,
    book: str | Path | None = None,
    photo: Source | None = None,
    write: bool = True,
    seed: int = 7,
    progress: Share | None = None,
) -> Learned:
    """Learn from readings what this machine and this spool really do.

    Parameters
    ----------
    readings : sequence of str, Path or Readings
        Filled-in sheets.
    machine, filament : str or Path
        The records they were printed with.
    folder : str or Path, optional
        Where the new versions go; beside the records when left out.
    program : str or Path, optional
        A program of the user's own, whose chance of a jam is told before and after.
    book : str or Path, optional
        Whose prints of this pair count beside the readings, or without any.
    photo : str or Path, optional
        A picture of the stop-start piece in its frame: it fills in the one sheet of such a piece among the readings.
    write : bool, default True
        Whether to write the new versions.
    seed : int, default 7
        Of the draws.
    progress : callable, optional
        Called with the share of the work done, 0 to 1. [-]

    Returns
    -------
    Learned

    Raises
    ------
    RecordError
        If a record or a sheet cannot be used, or a sheet was learned from before.
    NotConvergedError
        If the draws fail their own test.
    """
    own_machine, own_filament = read_machine(machine), read_filament(filament)
    sheets, seen = _sheets(readings, photo)
    said = with_witnesses(own_machine, own_filament, book, near=program).evidence
    prints = said if said is not None and said.prints else None
    if not sheets and prints is None:
        raise PliantError(_nothing(book, said))
    _require_same(sheets, own_machine, own_filament)
    marks = _marks(sheets, own_filament) + (said.marks if isinstance(said, Witnesses) else ())
    job = read_job(program, own_machine, own_filament) if program is not None else None
    space = Space(own_machine, own_filament, sheets)
    posterior = fit(Sheets(space, sheets, prints), seed=seed, progress=progress)
    draws = posterior.thinned(_DRAWS, np.random.default_rng(seed))
    summary = summarise(space, draws, marks, posterior.proposal.basis)
    odd, unpredicted = left_out(own_machine, own_filament, sheets, near=posterior.proposal, seed=seed)
    uncounted = tuple(f"not counted: {text}" for text in (said.left_out if said is not None else ()))
    learned_from = tuple(r.name or r.kind for r in sheets)
    learned_from += (count(prints.prints, "print"),) if prints is not None else ()
    source = "learned from " + ", ".join(learned_from)
    files = _written(machine, filament, folder, summary, source) if write else (None, None)
    new = updated(own_machine, own_filament, summary)
    own = own_machine, own_filament
    limits = _limit(*own), _limit(*new)
    before, after = (None if job is None else _answer(job, *pair) for pair in (own, new))
    return Learned(
        changed=summary.changed,
        noise=summary.noise,
        flow_factor=summary.flow_factor,
        suspects=odd,
        unpredicted=unpredicted,
        readings=learned_from,
        draws=posterior.flat.shape[0],
        autocorrelation_steps=posterior.autocorrelation_steps,
        acceptance=posterior.acceptance,
        machine_file=files[0],
        filament_file=files[1],
        program=None if program is None else Path(program).name,
        before=before,
        after=after,
        limit_before=limits[0],
        limit_after=limits[1],
        limit_spread_left=limit_spread_left(own, new),
        limit_nozzle_c=own_filament.reference_c,
        **_stores((own_machine, own_filament), new),
        notes=(*seen, *uncounted, *_notes(sheets), *held_above(sheets, limits[1][0], own_filament.reference_c)),
    )


def _sheets(readings: Sequence[str | Path | Readings], photo: Source | None) -> tuple[list[Readings], tuple[str, ...]]:
    """The sheets, and what a picture said of one."""
    if photo is not None:
        return read_with_photo(readings, photo)
    return [r if isinstance(r, Readings) else read_readings(r) for r in readings], ()


def _answer(job: Job, machine: Machine, filament: Filament) -> Answer:
    """What `check` says of a job with other records of the same machine and spool."""
    risk = stated_risk(job.envelope, machine, filament, shares=False)
    return Answer(risk.probability, risk.error, limit_speed(job.groups, machine, filament))


def _nothing(book: str | Path | None, said: Evidence | None) -> str:
    """Why there is nothing to learn from."""
    also = "" if book is None else f", and no print in {book} counts"
    why = "" if said is None else f" ({'; '.join(said.left_out[:3])})"
    return f"no readings{also}{why}; give at least one filled-in sheet"


def _written(
    machine: Source, filament: Source, folder: str | Path | None, summary: Summary, source: str
) -> tuple[str, str]:
    """Write the new versions of both records, and say where."""
    place = Path(folder) if folder is not None else None
    new_machine, new_filament = next_version(machine, place), next_version(filament, place)
    write_new(new_machine, updated_machine(machine, summary.machine, summary.mixes, source))
    write_new(new_filament, updated_filament(filament, summary.filament, summary.together, source))
    return str(new_machine), str(new_filament)


def _require_same(sheets: Sequence[Readings], machine: Machine, filament: Filament) -> None:
    for r in sheets:
        for what, told, own in (("machine", r.machine, machine.name), ("filament", r.filament, filament.name)):
            if told and told != own:
                raise RecordError(
                    f"{r.name}: was printed with the {what} {told!r}, but the record given is {own!r}; give the record "
                    f"of that {what}, or correct {what} in the readings if it only has another name now"
                )


def _marks(sheets: Sequence[Readings], filament: Filament) -> tuple[str, ...]:
    used = list(filament.together.readings) if filament.together else []
    for r in sheets:
        if r.mark and r.mark in used:
            raise RecordError(
                f"{r.name}: these readings were learned from already; learning twice from one print makes it count "
                "double. If you printed it again, say so in its notes"
            )
        used.append(r.mark)
    return tuple(m for m in used if m)


def _limit(machine: Machine, filament: Filament) -> tuple[float, float, float]:
    """Flow at which a bead of the coupons' size makes the path give: median and 90 % range. [mm3/s]"""
    width, height = bead_of(machine)
    nozzle_c = filament.reference_c
    flow = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle_c, width_mm=width, gap_mm=height)
    low, middle, high = np.quantile(flow, [0.05, 0.5, 0.95])
    return float(middle), float(low), float(high)


def _notes(sheets: Sequence[Readings]) -> tuple[str, ...]:
    said = []
    for r in sheets:
        if r.mass_g is not None and any(x.answer == FAILED for x in r.results):
            said.append(f"{r.name or r.kind}: mass_g not used, as the piece was not finished")
    return tuple(said)


def held_above(sheets: Sequence[Readings], limit_mm3_per_s: float, nozzle_c: float) -> tuple[str, ...]:
    """Say of each sheet why a step could hold that lies above the limit told.

    Parameters
    ----------
    sheets : sequence of Readings
        Whatever was read.
    limit_mm3_per_s : float
        Middle of the limit of a wide, flat bead. [mm3/s]
    nozzle_c : float
        Temperature that it is told at. [degC]

    Returns
    -------
    tuple of str
    """
    said = []
    for r in sheets:
        held = [s for s, x in zip(r.steps, r.results, strict=True) if x.answer == HELD]
        most = max(held, key=lambda s: s.flow_mm3_per_s, default=None)
        if most is None or most.flow_mm3_per_s <= limit_mm3_per_s:
            continue
        if math.isinf(most.gap_mm):
            why = "it ran in the air, where nothing dams up under the nozzle"
        elif most.nozzle_c > nozzle_c + 1:
            why = f"it was printed at {most.nozzle_c:g} °C, the limit is told at {nozzle_c:g} °C"
        elif any(x.answer == FAILED for x in r.results):
            why = "the step that failed, and everything known before, count as well: the limit is where half of all "
            why += "prints fail, and one step that held is one print"
        else:
            why = "one step that held is one print; everything known before counts as well. Go on to faster steps: "
            why += "a piece that never fails does not tell where the limit is"
        said.append(
            f"{r.name or r.kind}: a step held at {number(most.flow_mm3_per_s)} mm³/s, above the limit of "
            f"{number(limit_mm3_per_s)}: {why}"
        )
    return tuple(said)


def _stores(old: tuple[Machine, Filament], new: tuple[Machine, Filament]) -> dict[str, Any]:
    """The store before and after, and how a bead that is shaped with either fares where the truth is as known now."""
    width, gap = bead_of(old[0])
    section = float(bead_area_mm2(width, gap))
    flow, celsius = section * CAREFUL_MM_PER_S, old[1].reference_c
    bead = SteadyBead(flow, celsius, width, gap)
    before, after = (store_known(*records, bead) for records in (old, new))
    theta, _, _ = chain.sample(*new, _STORES, np.random.default_rng(11))
    true = laws_of(new[0], theta, bead)
    machine, filament = old
    errors = [
        float(
            np.median(
                errors_with(
                    (known.stored_mm3[0] / flow ** known.flow_index[0], known.flow_index[0]), true,
                    flow_mm3_per_s=flow, speed_mm_per_s=CAREFUL_MM_PER_S,
                    area_mm2=filament.section_mm2,
                    acceleration_mm_per_s2=machine.acceleration_mm_per_s2, drive=drive_for(machine),
                )
            )
        )
        for known in (before, after)
    ]  # fmt: skip
    return {
        "store_before": before, "store_after": after, "bead_error_before": errors[0], "bead_error_after": errors[1],
    }  # fmt: skip
