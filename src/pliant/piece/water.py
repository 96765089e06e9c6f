"""The water in a spool: the temperature it may be dried at, what it holds now, and the hours it takes to leave.

Stands on `models.drying`. Left out: chemistry (one diffusivity for all grades), the box's own water.
"""

import csv
from dataclasses import dataclass
from importlib.resources import files
from typing import Self

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.errors import DomainError
from pliant.models.drying import (
    ACTIVATION_KJ_PER_MOL,
    DIFFUSIVITY_23C_M2_PER_S,
    SPOOL_FACTOR,
    drying_time_h,
    water_diffusivity_m2_per_s,
    water_left_fraction,
)
from pliant.records.dry import Band
from pliant.records.filament import Filament
from pliant.records.quantity import Quantity, parse_quantity
from pliant.sampling import normal_scores
from pliant.say import number

__all__ = ["Leaving", "band", "drying_limit_c", "published_rows", "saturated_percent", "water_now"]

_DRAWS, _SEED = 1000, 20250
# [% of mass] uptake of printed TPU in water, preprint 202604.1293 (2026), abstract: up to about 1.80 % for 60-85A,
# 1.18-1.42 % for 89-98A; lower end for the soft ones: 1.6 g per 100 cm3 (Schneider et al. 1968) at 1.2 g/cm3
_SATURATED_SOFT, _SATURATED_HARD = (1.33, 1.80), (1.18, 1.42)
_OPEN_SPOOL = (0.3, 0.9)  # [-] humidity of the room a spool of unknown past has stood in; our own bracket
_SPOOL_C = (50.0, 70.0)  # [degC] filament on a spool, common practice, from memory (data/drying.csv): 75A low, 95A high


def drying_limit_c(spool: Filament) -> tuple[float, float, bool, str]:
    """Low end and limit of the drying temperature, whether assumed, and where it comes from."""
    if spool.dry_c is not None:
        return *spool.dry_c, False, "dry_c of the record: the maker's sheet"
    soft = min(max((_shore_a(spool) - 75) / 20, 0.0), 1.0)
    limit = _SPOOL_C[0] + soft * (_SPOOL_C[1] - _SPOOL_C[0])
    source = (
        f"assumed for {spool.shore:g}{spool.scale}: filament on a spool is dried at 50 to 70 °C, softer at the lower "
        "end (common practice, from memory)"
    )
    return limit, limit, True, source


def _shore_a(spool: Filament) -> float:
    return spool.shore if spool.scale == "A" else max(95.0, spool.shore)


def saturated_percent(spool: Filament) -> tuple[float, float]:
    """Range of the water [% of mass] that a soaked strand of this hardness holds."""
    t = min(max((_shore_a(spool) - 85) / 4, 0.0), 1.0)
    return tuple((1 - t) * s + t * h for s, h in zip(_SATURATED_SOFT, _SATURATED_HARD, strict=True))  # type: ignore[return-value]


def water_now(spool: Filament, asked: float | None) -> Quantity:
    """Water in the spool now [% of mass]: as asked, as the record says, or by hardness and room; else DomainError."""
    if asked is not None:
        if not np.isfinite(asked) or not 0 < asked <= 5:
            raise DomainError(f"water_percent must be above 0 and at most 5 (percent of mass), got {asked:g}")
        return Quantity("water_percent", float(asked), 1.15, "asked for", False)
    if spool.water_percent is not None:
        return spool.water_percent
    low, high = saturated_percent(spool)
    q = parse_quantity([_OPEN_SPOOL[0] * low, _OPEN_SPOOL[1] * high], "water_percent", 1.0)
    source = f"published uptake {number(low)} to {number(high)} % when saturated, times room humidity of 30 to 90 %"
    return Quantity("water_percent", q.value, q.spread, source, True)


def _sample(quantity: Quantity, score: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of a log-normal quantity at normal scores."""
    return quantity.value * quantity.spread**score


@dataclass(frozen=True, eq=False)
class Leaving:
    """Water on its way out of a strand and of a wound spool, as each draw of what is not known sees it, `(n,)`."""

    diffusivity_m2_per_s: Floats
    diameter_mm: Floats
    now: Floats  # [% of mass]
    slower: Floats  # of a wound spool over a bare strand
    resting: float  # [% of mass] where it stops
    known: tuple[Quantity, Quantity, Quantity]  # diffusivity at 23 degC, its activation energy, wound over bare

    @classmethod
    def of(cls, spool: Filament, water: Quantity, at_c: float, resting: float) -> Self:
        """Draw what is not known."""
        d23 = parse_quantity(list(DIFFUSIVITY_23C_M2_PER_S), "diffusivity of water at 23 °C", 1.0)
        energy = parse_quantity(list(ACTIVATION_KJ_PER_MOL), "its activation energy", 1.0)
        wound = parse_quantity(list(SPOOL_FACTOR), "wound spool over bare strand", 1.0)
        rng = np.random.default_rng(_SEED)
        draw = [normal_scores(rng, _DRAWS) for _ in range(5)]
        diffusivity = water_diffusivity_m2_per_s(at_c, _sample(d23, draw[0]), _sample(energy, draw[1]))
        now, slower = _sample(water, draw[2]), _sample(wound, draw[3])
        diameter = _sample(spool.diameter_mm, draw[4])
        return cls(np.asarray(diffusivity), diameter, now, slower, resting, (d23, energy, wound))

    def hours_to(self, target: float) -> Floats:
        """Hours until a bare strand holds `target`; inf where the air does not let it. [h]"""
        if target <= self.resting:
            return np.where(self.now <= target, 0.0, np.inf)
        wanted = (target - self.resting) / np.maximum(self.now - self.resting, 1e-12)
        return np.asarray(drying_time_h(self.diffusivity_m2_per_s, self.diameter_mm, np.minimum(wanted, 1.0)))

    def left(self, time_h: float, *, wound: bool) -> Floats:
        """Water left after some hours. [% of mass]"""
        seconds = np.asarray(time_h) * 3600 / (self.slower if wound else 1.0)
        share = water_left_fraction(self.diffusivity_m2_per_s, self.diameter_mm, seconds)
        return np.asarray(self.resting + (self.now - self.resting) * share)


def band(values: NDArray[np.float64]) -> Band:
    """Median and 90 % range; None where it never happens."""
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95], method="nearest")
    return Band(*(float(v) if np.isfinite(v) else None for v in (middle, low, high)))


def published_rows(spool: Filament) -> tuple[str, ...]:
    """Rows of the drying table that speak of this hardness: the nearest on its scale, and those for any."""
    table = (files("pliant") / "data" / "drying.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(table.splitlines()))
    same = [r for r in rows if r["shore"].endswith(spool.scale)]
    nearest = min(same, key=lambda r: abs(float(r["shore"][:-1]) - spool.shore))
    chosen = [r for r in rows if r is nearest or r["material"].startswith("TPU")]
    said = []
    for r in chosen:
        what = f"{r['material']} {r['shore']}".strip()
        kind = "" if "spool" in what else "pellets, "
        time = "-".join(t for t in dict.fromkeys((r["time_low_h"], r["time_high_h"])) if t)
        span = "-".join(dict.fromkeys((r["T_low_C"], r["T_high_C"])))
        most = f", to {r['max_moisture_percent_mass']} %" if r["max_moisture_percent_mass"] else ""
        hours = f" for {time} h" if time else ""
        said.append(f"{kind}{what}: {span} °C{hours}{most} ({r['source']}; {r['verified']})")
    return tuple(said)
