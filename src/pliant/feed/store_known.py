"""How well the store between drive and nozzle is known: its law over draws of the unknowns, for a steady bead."""

from dataclasses import dataclass

import numpy as np

from pliant.arrays import Floats
from pliant.feed import chain
from pliant.feed.along import law_through
from pliant.records.filament import Filament
from pliant.records.learned import StoreKnown
from pliant.records.machine import Machine

__all__ = ["SteadyBead", "laws_of", "store_known"]


@dataclass(frozen=True)
class SteadyBead:
    """A bead that is laid for long."""

    flow_mm3_per_s: float
    nozzle_c: float
    width_mm: float
    gap_mm: float


def laws_of(machine: Machine, theta: chain.Theta, bead: SteadyBead) -> tuple[Floats, Floats]:
    """Law of the store in a bead, for samples of the unknowns.

    Parameters
    ----------
    machine : Machine
        Order and kind of the spans.
    theta : mapping of str to ndarray
        Values of the unknowns, `(n, 1)`.
    bead : SteadyBead
        What is laid.

    Returns
    -------
    store_at_one_mm3, flow_index : ndarray
        `(n,)` each: S(q) = s1 q^n, through what the chain stores at that flow. [mm3, -]
    """

    def stored(flow: float) -> Floats:
        free = chain.free_pressure_mpa(flow, bead.nozzle_c, theta)
        pressure = free * chain.dam_ratio(bead.width_mm, bead.gap_mm, theta)
        return np.asarray(chain.compliance(machine, theta, pressure) * pressure, dtype=float).reshape(-1)

    store, index = law_through(stored, bead.flow_mm3_per_s)
    return np.asarray(store), np.asarray(index)


def store_known(
    machine: Machine, filament: Filament, bead: SteadyBead, *, count: int = 1000, seed: int = 7
) -> StoreKnown:
    """The store of a bead, as well as the records know it: medians and 90 % ranges."""
    theta, _, _ = chain.sample(machine, filament, count, np.random.default_rng(seed))
    s1, n = laws_of(machine, theta, bead)

    def span(values: Floats) -> tuple[float, float, float]:
        low, middle, high = np.quantile(values, [0.05, 0.5, 0.95]).tolist()
        return middle, low, high

    flow = bead.flow_mm3_per_s
    return StoreKnown(flow, span(s1), span(n), span(s1 * flow**n))
