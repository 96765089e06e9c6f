"""What the feed path carries, as one set of samples over any grid of flows and temperatures.

Once it is warm, the margins of a feed path depend on the melt pressure alone, so they are worked out once per sample,
on a fine grid of pressures; every operating point after that costs one melt pressure and one look-up. `window_map`
recomputes in a fraction of a second. Start with `carry`. Agrees with `feed.risk.jam_risk` (same samples, steady flow):
tested.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.feed import chain
from pliant.feed.draws import Draws, tail_draws
from pliant.feed.envelope import FIRST_LAYER_S
from pliant.feed.load import bounded_gap_mm
from pliant.feed.passage import Passage
from pliant.feed.risk import BED_ERROR_MM
from pliant.models.bead import bead_area_mm2
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.records.recipe import WindowMap

__all__ = ["PART", "At", "Carry", "carry", "window_map"]

_LOG_P = np.linspace(np.log(1e-4), np.log(1e3), 200)  # [log MPa]
_STEP = _LOG_P[1] - _LOG_P[0]
_LEAST, _MOST = np.log(1e-6), np.log(1e6)
PART = Passage(stretches=(8.0,))  # a part of 5 m of filament, 14 g, all of it as hard to push: our choice


@dataclass(frozen=True)
class At:
    """A squeeze of the bead at some temperatures: what does not depend on the flow."""

    nozzle_c: NDArray[np.float64]  # (k,)
    ratio: NDArray[np.float64]  # (n_samples, k) or (n_samples, 1) pressure with the gap under the face over without
    starve_mm3_per_s: NDArray[np.float64]  # (n_samples, k)
    first_layer: bool = False


@dataclass(frozen=True)
class Carry:
    """Samples of the unknowns of one machine and spool, with the margins of the feed path over melt pressure."""

    machine: Machine
    filament: Filament
    draws: Draws
    log_margin: NDArray[np.float64]  # (n_samples, n_pressures) of all but the melt rate, the drive warm
    first_log_margin: NDArray[np.float64]  # the same while the first layer is laid

    @property
    def theta(self) -> dict[str, NDArray[np.float64]]:
        """Values of the unknowns, `(n_samples, 1)` by name."""
        return self.draws.theta

    @cached_property
    def _unit_mpa(self) -> NDArray[np.float64]:
        """Pressure at unit flow and consistency, `(n_samples, 1)`. [MPa]"""
        return np.asarray(chain.unit_drop_mpa(self.theta))

    @property
    def bed(self) -> NDArray[np.float64]:
        """Normal scores of the bed's error, `(n_samples, 1)`."""
        return self.draws.bed

    def at(self, nozzle_c: ArrayLike, width_mm: ArrayLike, gap_mm: ArrayLike, first_layer: bool = False) -> At:
        """Fix temperatures `(k,)` and the squeeze, one for all or one each. [degC, mm, mm]"""
        celsius = np.atleast_1d(np.asarray(nozzle_c, dtype=float))
        gap = np.asarray(gap_mm, dtype=float) - (BED_ERROR_MM * self.bed if first_layer else 0.0)
        height = bounded_gap_mm(np.asarray(gap_mm, dtype=float))
        ratio = np.broadcast_to(
            chain.dam_ratio(width_mm, bounded_gap_mm(gap), self.theta, height, self._unit_mpa),
            (self.bed.shape[0], max(np.size(width_mm), np.size(gap_mm))),
        )
        return At(celsius, ratio, chain.melt_limit_mm3_per_s(celsius, self.theta), first_layer)

    def pressure_mpa(self, flow_mm3_per_s: Any, at: At) -> Any:
        """Melt pressure: `(n_samples, k)`. [mm3/s -> MPa]"""
        return at.ratio * chain.free_pressure_mpa(flow_mm3_per_s, at.nozzle_c, self.theta, self._unit_mpa)

    def least(self, flow_mm3_per_s: Any, at: At) -> NDArray[np.float64]:
        """Log of the least margin at steady flows, `(n_samples, k)`. [mm3/s -> -]"""
        place = (np.log(np.maximum(self.pressure_mpa(flow_mm3_per_s, at), 1e-12)) - _LOG_P[0]) / _STEP
        place = np.clip(place, 0, _LOG_P.size - 1.001)
        left = place.astype(np.int32)
        row = np.arange(place.shape[0])[:, None]
        margin = self.first_log_margin if at.first_layer else self.log_margin
        low, high = margin[row, left], margin[row, left + 1]
        force = low + (place - left) * (high - low)
        with np.errstate(divide="ignore"):
            melt = np.log(at.starve_mm3_per_s / np.maximum(flow_mm3_per_s, 1e-9))
        return np.clip(np.minimum(force, melt), _LEAST, _MOST)

    def chance(self, log_margin: NDArray[np.float64]) -> NDArray[np.float64]:
        """Chance of a jam from log margins `(n_samples, …)`, the job-to-job scatter inside. [- -> -]"""
        return self.draws.chance(log_margin, PART)

    def critical_flow_mm3_per_s(self, at: At, target: float) -> NDArray[np.float64]:
        """Flow that each plain draw, were it known to be the truth, would carry at the target, `(n / 2,)`. [mm3/s]"""
        want = PART.needed(target)
        low = np.full((self.bed.shape[0], 1), np.log(1e-4))
        high = np.full_like(low, np.log(100.0))
        for _ in range(22):
            middle = (low + high) / 2
            holds = self.least(np.exp(middle), at) >= want
            low, high = np.where(holds, middle, low), np.where(holds, high, middle)
        return np.exp(low[self.draws.plain, 0])


def carry(machine: Machine, filament: Filament, *, n: int = 2000, seed: int = 7) -> Carry:
    """Draw the unknowns and work out what the feed path carries.

    Parameters
    ----------
    machine, filament
        The records.
    n, seed : int
        Samples, and the seed of the hypercube; the defaults are those of `feed.risk.jam_risk`.

    Returns
    -------
    Carry
    """
    draws = tail_draws(machine, filament, n, seed)

    def table(after_s: float) -> NDArray[np.float64]:
        found, _, _ = chain.push_margins(machine, chain.after(draws.theta, after_s), np.exp(_LOG_P))
        forces = [np.broadcast_to(v, (n, _LOG_P.size)) for v in found.values()]
        with np.errstate(divide="ignore"):
            return np.clip(np.log(np.minimum.reduce(forces)), _LEAST, _MOST)

    return Carry(machine, filament, draws, table(np.inf), table(FIRST_LAYER_S))


def window_map(
    carried: Carry,
    *,
    bead: str,
    width_mm: float,
    squeezed_width_mm: float,
    layer_height_mm: float,
    speed_mm_per_s: ArrayLike,
    nozzle_c: ArrayLike,
    allowed_c: tuple[float, float],
    baseline: tuple[float, float],
    recipe: tuple[float, float] | None = None,
) -> WindowMap:
    """Chance of a jam over speed and temperature.

    Parameters
    ----------
    carried : Carry
        From `carry`; keep it while only speed, temperature or bead change.
    bead : str
        Name of the kind of bead.
    width_mm, layer_height_mm : float
        Of that bead: with the speed they give the flow. [mm]
    squeezed_width_mm : float
        Width of the narrowest bead that runs at the same flow: it is squeezed hardest. [mm]
    speed_mm_per_s, nozzle_c : array_like, (n_speeds,) and (n_temperatures,)
        The grid. [mm/s, degC]
    allowed_c : (float, float)
        What data sheet and liner allow. [degC]
    baseline, recipe : (float, float)
        Speed and temperature of the two points. [mm/s, degC]

    Returns
    -------
    WindowMap
    """
    speed, celsius = np.asarray(speed_mm_per_s, dtype=float), np.asarray(nozzle_c, dtype=float)
    flow = speed * float(bead_area_mm2(width_mm, layer_height_mm))
    at = carried.at(celsius, squeezed_width_mm, layer_height_mm)
    chance = np.empty((celsius.size, speed.size))
    for i in range(celsius.size):
        here = At(celsius[i : i + 1], at.ratio, at.starve_mm3_per_s[:, i : i + 1])
        chance[i] = carried.chance(carried.least(flow, here))
    return WindowMap(
        bead, width_mm, layer_height_mm, tuple(speed.tolist()), tuple(celsius.tolist()),
        tuple(tuple(row) for row in chance.tolist()), allowed_c, recipe, baseline,
    )  # fmt: skip
