"""Changes to machine and spool that could help a job to feed, and what each of them buys, by recomputing.

Start with `hardware_changes`; `remedies_for` scores them on a job.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pliant.feed.envelope import Envelope
from pliant.feed.risk import jam_risk, speed_that_meets
from pliant.feed.warmth import hotter_c
from pliant.records.filament import Filament
from pliant.records.findings import Remedy, heat_words
from pliant.records.machine import Machine, Span
from pliant.say import number

__all__ = ["Changed", "hardware_changes", "remedies_for"]

_LONG_MM = 100.0  # [mm] a guide longer than this counts as a tube that could be shorter
_CLOSE_GAP_MM = 2.0


@dataclass(frozen=True)
class Changed:
    """The records with one thing changed, in words."""

    what: str
    machine: Machine
    filament: Filament


def hardware_changes(machine: Machine, filament: Filament) -> Iterator[Changed]:
    """Every change a user could make to this feed path or spool.

    Parameters
    ----------
    machine, filament
        The records as they are.

    Yields
    ------
    Changed
        Gap guided; guide shorter, tighter, or gone; larger nozzle; stiffer spool. Only what the path has room for.
    """
    for i, span in enumerate(machine.path):

        def with_span(new: Span, at: int = i) -> Machine:
            return replace(machine, path=(*machine.path[:at], new, *machine.path[at + 1 :]))

        length = span.length_mm
        if span.kind == "gap" and length.value > _CLOSE_GAP_MM:
            shorter = replace(span, length_mm=replace(length, value=_CLOSE_GAP_MM))
            yield Changed(f"guide the {length.value:g} mm open gap down to 2 mm", with_span(shorter), filament)
        if span.kind == "guide" and length.value > _LONG_MM:
            shorter = replace(span, length_mm=replace(length, value=length.value / 2))
            yield Changed(f"halve the {length.value:g} mm guide", with_span(shorter), filament)
            if span.bore_mm is not None and span.bore_mm.value > 1.95:
                tight = replace(span, bore_mm=replace(span.bore_mm, value=1.9))
                yield Changed("a guide of 1.9 mm bore", with_span(tight), filament)
            short = replace(span, length_mm=replace(length, value=40.0), turn_deg=0.0)
            yield Changed("a direct feed (40 mm of straight guide)", with_span(short), filament)
    gap = next((span for span in machine.path if span.kind == "gap"), None)
    tube = next((span for span in machine.path if span.kind == "guide"), None)
    if gap is not None and tube is not None and sum(s.length_mm.value for s in machine.path) > _LONG_MM:
        close = replace(gap, length_mm=replace(gap.length_mm, value=min(gap.length_mm.value, 1.5)))
        short = replace(tube, length_mm=replace(tube.length_mm, value=40.0), turn_deg=0.0)
        yield Changed(
            "a direct feed, guided to within 1.5 mm", replace(machine, path=(close, short)), filament
        )  # fmt: skip
    wide = replace(machine.nozzle_mm, value=machine.nozzle_mm.value * 1.5)
    yield Changed(f"a {number(wide.value)} mm nozzle", replace(machine, nozzle_mm=wide), filament)
    harder = replace(filament.youngs_modulus_mpa, value=filament.youngs_modulus_mpa.value * 2)
    yield Changed("a spool twice as stiff", machine, replace(filament, youngs_modulus_mpa=harder))


def _helps(remedy: Remedy, before: float, speed: float | None) -> bool:
    """Whether a change buys what the user wants: time at the same risk, or where no speed meets it, a way or less risk.

    Samples are shared by both sides, so that what is left of noise is well under the tenth and the fifth asked for.
    """
    if remedy.speed_share is not None:
        return speed is None or remedy.speed_share > 1.1 * speed
    return speed is None and remedy.jam_probability < 0.8 * before


def _hotter(course: Envelope, machine: Machine, filament: Filament) -> Envelope | None:
    """The job with its nozzle as hot as softens the spool for sure, or as allowed; None where it is so already."""
    least = hotter_c(machine, filament, float(course.nozzle_c.min(initial=np.inf)))
    return None if least is None else replace(course, nozzle_c=np.maximum(course.nozzle_c, least))


def remedies_for(
    course: Envelope, machine: Machine, filament: Filament, before: float, speed: float | None, target: float
) -> tuple[Remedy, ...]:
    """Recompute the chance of a jam with each change, and keep those that help.

    Parameters
    ----------
    course : Envelope
        Of the program.
    machine, filament
        The records as they are.
    before : float
        Chance of a jam as it is. [-]
    speed : float or None
        Speed, relative to the program's, that meets the target as it is; None for no speed. [-]
    target : float
        Chance of a jam to stay under. [-]

    Returns
    -------
    tuple of Remedy
        Best first.
    """
    scored = []
    for c in hardware_changes(machine, filament):
        chance = jam_risk(course, c.machine, c.filament, shares=False).probability
        factor = speed_that_meets(course, c.machine, c.filament, target)
        scored.append(Remedy(c.what, chance, factor))
    if (hot := _hotter(course, machine, filament)) is not None:
        chance = jam_risk(hot, machine, filament, shares=False).probability
        factor = speed_that_meets(hot, machine, filament, target)
        scored.append(Remedy(heat_words(float(hot.nozzle_c.min())), chance, factor))
    scored = [r for r in scored if _helps(r, before, speed)]
    return tuple(sorted(scored, key=lambda r: (-(r.speed_share or 0.0), r.jam_probability)))
