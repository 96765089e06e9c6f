"""The feed path at one moment: each span as a vessel, filled to what it must carry over what it can.

The chain is asked span by span: the push that enters a span is what the path below it makes of the melt pressure, so
the figures are those of `feed.chain`, not a second model. Start with `fill_vessels`.
"""

from dataclasses import replace
from typing import Any

import numpy as np

from pliant.feed import chain
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.records.trace import Vessel
from pliant.records.unknown import Unknown

__all__ = ["fill_vessels"]


def fill_vessels(
    machine: Machine,
    filament: Filament,
    *,
    pressure_mpa: float,
    flow_mm3_per_s: float,
    nozzle_c: float,
    after_s: float = 0.0,
) -> tuple[Vessel, ...]:
    """Fill every span of the feed path at one operating point, at the central values.

    Parameters
    ----------
    machine, filament : Machine, Filament
        The records.
    pressure_mpa, flow_mm3_per_s, nozzle_c : float
        Melt pressure before the model factor, delivered flow, nozzle temperature. [MPa, mm3/s, degC]
    after_s : float, default 0.0
        How long the drive has been at work. [s]

    Returns
    -------
    tuple of Vessel
        Drive, spans, hot end; the fullest one governs.
    """
    theta = chain.after(chain.central(machine, filament), after_s)
    area = np.pi * theta["diameter_mm"] ** 2 / 4 * theta["model_factor"]

    def ask(first: int, last: int, pressure: float) -> tuple[dict[str, Any], dict[str, Any], float]:
        """Margins of the spans first..last alone, with the melt pressure at their lower end."""
        part = replace(machine, path=machine.path[first:last])
        moved = {}
        for name, value in theta.items():
            unknown = Unknown.of(name)
            if unknown.span is None:
                moved[name] = value
            elif first <= unknown.span < last:
                moved[Unknown(unknown.key, unknown.span - first).name] = value
        found = chain.margins(part, moved, pressure_mpa=pressure, flow_mm3_per_s=flow_mm3_per_s, nozzle_c=nozzle_c)
        return found[0], found[1], float(found[2])

    count = len(machine.path)
    vessels: list[Vessel] = []
    margin, capacity, push = ask(count, count, pressure_mpa)
    if "starve" in margin:
        vessels.append(
            _vessel(
                "hot_end", "hot end", theta["heated_length_mm"], theta["bore_mm"], 0.0, margin, capacity, ("starve",)
            )
        )
    for i in range(count - 1, -1, -1):
        span = machine.path[i]
        margin, capacity, grown = ask(i, i + 1, push / area)
        names = ("bow", "swell") if span.kind == "gap" else ("lock", "swell")
        bore = None if span.bore_mm is None else span.bore_mm.value
        label = "open gap" if span.kind == "gap" else "guide"
        vessels.append(_vessel(span.kind, label, span.length_mm.value, bore, span.turn_deg, margin, capacity, names))
        push = grown
    margin, capacity, _ = ask(0, 0, push / area)
    vessels.append(
        _vessel("drive", "drive", 2 * machine.wheel_radius_mm.value, None, 0.0, margin, capacity, ("slip", "stall"))
    )
    vessels.reverse()
    fullest = max(range(len(vessels)), key=lambda k: vessels[k].fill)
    # above a locked guide everything is infinitely full; the guide that locked is the one nearest the melt
    fullest = max(k for k in range(len(vessels)) if vessels[k].fill == vessels[fullest].fill)
    return tuple(replace(v, governing=k == fullest) for k, v in enumerate(vessels))


def _vessel(
    kind: str,
    label: str,
    length_mm: float,
    bore_mm: float | None,
    turn_deg: float,
    margin: dict[str, Any],
    capacity: dict[str, Any],
    names: tuple[str, ...],
) -> Vessel:
    name = min((n for n in names if n in margin), key=lambda n: float(margin[n]))
    least, carries = float(margin[name]), float(capacity[name])
    return Vessel(
        kind=kind,
        label=label,
        length_mm=float(length_mm),
        bore_mm=None if bore_mm is None else float(bore_mm),
        turn_deg=float(turn_deg),
        demand=carries / least if least > 0 else np.inf,
        capacity=carries,
        unit="mm³/s" if name == "starve" else "N",
        fill=1 / least if least > 0 else np.inf,
        mechanism=name,
        governing=False,
    )
