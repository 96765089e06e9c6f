"""The water in a spool: the temperature it may be dried at, what it holds now, and the hours it takes to leave.

Stands on `models.drying`. Left out: chemistry (one diffusivity for all grades), the box's own water.
"""

import csv
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import DomainError
from pliant.models.drying import drying_time_h
from pliant.records.dry import Band
from pliant.records.filament import Filament
from pliant.records.quantity import Quantity, parse_quantity
from pliant.say import number

__all__ = ["band", "drying_limit_c", "hours_to", "published_rows", "sample", "saturated_percent", "water_now"]

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


def sample(quantity: Quantity, score: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of a log-normal quantity at normal scores."""
    return quantity.value * quantity.spread**score


def hours_to(diffusivity: Any, diameter_mm: Any, now: Any, target: float, resting: float) -> NDArray[np.float64]:
    """Hours until a strand holds `target`; inf where the air does not let it. [h]"""
    if target <= resting:
        return np.where(now <= target, 0.0, np.inf)
    wanted = (target - resting) / np.maximum(now - resting, 1e-12)
    return np.asarray(drying_time_h(diffusivity, diameter_mm, np.minimum(wanted, 1.0)))


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
