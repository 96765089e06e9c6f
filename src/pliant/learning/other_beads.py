"""How well the limit is known on beads that no coupon laid: what learning is for."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.steps import log_limit
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["limit_spread_left", "log_limits"]

_DRAWS, _SEED = 2000, 11


def _beads(filament: Filament) -> tuple[tuple[float, float, float], ...]:
    """Nozzle temperature, width and gap of beads that differ in what they ask. [degC, mm, mm]"""
    low, high = filament.nozzle_c
    middle = filament.reference_c
    return (
        (middle, 0.45, 0.2), (middle, 0.8, 0.3), (middle, 0.45, 0.1), (high, 0.45, 0.2), (low, 0.6, 0.3),
        (middle, 0.45, np.inf),
    )  # fmt: skip


def log_limits(machine: Machine, filament: Filament, theta: dict[str, Any]) -> NDArray[np.float64]:
    """Logarithm of the flow at which each of six beads gives, at draws of the unknowns: `(n, 6)`. [mm3/s]

    The last is laid in the air. What no reading removes, that prints scatter, is left out.
    """
    return np.column_stack(
        [log_limit(machine, theta, nozzle_c=c, width_mm=w, gap_mm=g) for c, w, g in _beads(filament)]
    )


def limit_spread_left(before: tuple[Machine, Filament], after: tuple[Machine, Filament]) -> float:
    """Spread of those logarithms with the new records over that with the old ones, the median of the beads. [-]"""
    spread = [
        log_limits(*records, chain.sample(*records, _DRAWS, np.random.default_rng(_SEED))[0]).std(axis=0)
        for records in (before, after)
    ]
    return float(np.median(spread[1] / np.maximum(spread[0], 1e-9)))
