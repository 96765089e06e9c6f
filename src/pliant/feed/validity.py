"""Where the models are asked for more than they were made for: counted over the draws, not hidden."""

from typing import Any

import numpy as np

from pliant.checks import counted
from pliant.feed import chain
from pliant.feed.draws import tail_draws
from pliant.feed.envelope import Groups
from pliant.feed.load import bounded_gap_mm
from pliant.feed.metered import losses_at
from pliant.feed.risk import BED_ERROR_MM
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["outside"]

_LEAST = 0.005  # shares smaller are not told
# what the models and the chain say of themselves, in words for the page; what has none here is told as it is
_IN_WORDS = {
    "effective length under two diameters": "the gap is too short for a column: the filament squashes and squeezes out "
    "sideways before it bows",
    "bore_mm over 1.83 diameters": "a guide is so wide that filament fills it only past the strain that was measured",
    "push_out_n over fill_force_n": "the push swells the filament to the guide's bore before it locks there",
    "strain over 0.2: linear": "filament is squeezed past a fifth of its length: its store is told by a law for less",
    "strain over 0.2 under the spool": "the spool stretches filament past a fifth: the law for it is one for less",
    "squash over": "the drive's pinch flattens the filament past what counts as a small contact: how much "
    "of what it feeds arrives is told by a law for less",
    "diffusivity_mm2_per_s outside": "heat goes through this filament at a rate that no polymer in the tables has",
}


def outside(groups: Groups, machine: Machine, filament: Filament) -> tuple[dict[str, Any], ...]:
    """Notes on models outside their range, each with the share of the draws in which it is so.

    Parameters
    ----------
    groups : Groups
        Of a job: its temperatures, widths and gaps.
    machine, filament
        The records.

    Returns
    -------
    tuple of dict
        `note` and `share`, the largest share first.

    Notes
    -----
    The chain is asked once, draw by draw, at the push at which each gives, since that is where a job is decided; the
    gap under the nozzle at every group, with its error of the bed. Every model counts where it is outside its range,
    and the chain where it takes a value at the end of one.
    """
    draws = tail_draws(machine, filament)
    # a plain mapping: what is kept for the draws would be counted no more
    t = {name: np.asarray(values)[draws.plain] for name, values in draws.theta.items()}
    shift = BED_ERROR_MM * draws.bed[draws.plain]
    at_one, _, _ = chain.push_margins(machine, t, 1.0)
    gives_mpa = np.minimum.reduce(np.broadcast_arrays(*at_one.values()))
    with counted() as heard:
        _, _, push = chain.push_margins(machine, t, gives_mpa)
        chain.compliance(machine, t, gives_mpa)
        chain.unit_drop_mpa(t)
        losses_at(machine, t, push, pull_n=t["spool_pull_n"], wheel_radius_mm=machine.wheel_radius_mm.value)
        chain.melt_limit_mm3_per_s(filament.reference_c, t)
        for g in np.flatnonzero(np.isfinite(groups.gap_mm)):
            gap = groups.gap_mm[g] - (shift if groups.first_layer[g] else 0.0)
            chain.dam_ratio(groups.width_mm[g], bounded_gap_mm(gap), t, bounded_gap_mm(groups.gap_mm[g]))
    found: dict[str, Any] = {}
    for message, where in heard:
        note = next((words for starts, words in _IN_WORDS.items() if message.startswith(starts)), message)
        found[note] = found.get(note, False) | np.asarray(where)
    found["the melt's flow index was drawn above 1 and taken as 1"] = t["flow_index"] >= 1.0
    coldest = float(groups.nozzle_c.min()) if groups.nozzle_c.size else filament.reference_c
    found["the hot end's wall is no hotter than what softens the filament"] = t["soften_c"] >= coldest
    shares = {note: float(np.mean(is_so)) for note, is_so in found.items()}
    told = sorted((note for note, share in shares.items() if share > _LEAST), key=lambda note: -shares[note])
    return tuple({"note": note, "share": shares[note]} for note in told)
