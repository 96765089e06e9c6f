"""Where the models are asked for more than they were made for: counted over the draws, not hidden."""

from typing import Any

import numpy as np

from pliant.feed import chain
from pliant.feed.draws import tail_draws
from pliant.feed.envelope import Groups
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.records.unknown import Unknown

__all__ = ["outside"]

_LEAST = 0.005  # shares smaller are not told
_STEEPEST_DEG = 30.0  # of the cone's theory: models/pressure
_WIDEST = 1.83  # [-] bore over diameter that is filled at 70 % strain: models/guide


def outside(groups: Groups, machine: Machine, filament: Filament) -> tuple[dict[str, Any], ...]:
    """Notes on models outside their range, each with the share of the draws in which it is so.

    Parameters
    ----------
    groups : Groups
        Of a job: its temperatures.
    machine, filament
        The records.

    Returns
    -------
    tuple of dict
        `note` and `share`, the largest share first.
    """
    draws = tail_draws(machine, filament)
    t = {name: np.asarray(values)[draws.plain] for name, values in draws.theta.items()}
    found: dict[str, Any] = {}
    for i, span in enumerate(machine.path):
        if span.kind == "gap":
            short = chain.effective_length_mm(t, i, span.ends) < chain.COLUMN_DIAMETERS * t["diameter_mm"]
            note = "the gap is too short for a column: the filament squashes and squeezes out sideways before it bows"
            found[note] = np.maximum(found.get(note, 0.0), short)
        elif span.bore_mm is not None:
            wide = t[Unknown("bore_mm", i).name] > _WIDEST * t["diameter_mm"]
            note = "a guide is so wide that filament fills it only past the strain that was measured"
            found[note] = np.maximum(found.get(note, 0.0), wide)
    found["the nozzle's cone is steeper than its theory holds for: it is taken as 30 degrees"] = (
        t["cone_half_angle_deg"] > _STEEPEST_DEG
    )
    found["the melt's flow index was drawn above 1 and taken as 1"] = t["flow_index"] >= 1.0
    coldest = float(np.min(groups.nozzle_c, initial=filament.reference_c))
    found["the hot end's wall is no hotter than what softens the filament"] = t["soften_c"] >= coldest
    shares = {note: float(np.mean(is_so)) for note, is_so in found.items()}
    told = sorted((note for note, share in shares.items() if share > _LEAST), key=lambda note: -shares[note])
    return tuple({"note": note, "share": shares[note]} for note in told)
