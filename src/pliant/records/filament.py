"""The filament record: hardness and data sheet, with defaults by hardness for what nobody measures."""

import math
from dataclasses import dataclass
from typing import Any

from pliant.errors import RecordError
from pliant.files import Source
from pliant.records.evidence import Evidence
from pliant.records.learned import Together, parse_together
from pliant.records.machine import load_toml, name_of, reject_swapped, reject_unknown
from pliant.records.materials import MELT, melt_range, modulus_by_hardness
from pliant.records.quantity import Quantity, parse_quantity
from pliant.records.starters import untouched

__all__ = ["Filament", "read_filament"]

_ALWAYS = {
    "flow_index": (0.45, 0.72, "about 0.70 published at high molar mass"),
    "activation_kj_per_mol": (34, 131, "both ends published"),
    "diffusivity_mm2_per_s": (0.078, 0.096, "producers' thermal data"),
    "density_kg_per_m3": (1100, 1250, "data sheets"),
    "model_factor": (0.7, 1.45, "our own honesty term"),
    "entry_factor": (0.76, 5.26, "measured entry losses exceed theory; default 2, spread 1.8"),
    "half_strain": (0.077, 0.292, "own fit to the few rows that give stress at several strains"),
}
_OPTIONAL = {
    "youngs_modulus_mpa", *MELT, *_ALWAYS, "diameter_mm", "consistency_at_c", "water_percent", "dry_c", "dry_h",
    "lag_factor", "together",
}  # fmt: skip


@dataclass(frozen=True)
class Filament:
    """A spool as its owner knows it, defaults filled in."""

    name: str
    shore: float
    scale: str
    diameter_mm: Quantity
    nozzle_c: tuple[float, float]
    youngs_modulus_mpa: Quantity
    consistency_pa_sn: Quantity
    flow_index: Quantity
    activation_kj_per_mol: Quantity
    soften_c: Quantity
    diffusivity_mm2_per_s: Quantity
    density_kg_per_m3: Quantity
    model_factor: Quantity
    entry_factor: Quantity
    half_strain: Quantity  # strain at which the secant modulus has halved
    assumed: tuple[str, ...]
    consistency_at_c: float | None = None  # where `consistency_pa_sn` was measured; None: the middle of `nozzle_c`
    water_percent: Quantity | None = None
    dry_c: tuple[float, float] | None = None  # the maker's drying temperature and hours; None: not in the record
    dry_h: tuple[float, float] | None = None
    lag_factor: Quantity | None = None  # on the volume stored under push; learned, not measured; None: 1
    together: Together | None = None
    evidence: Evidence | None = None  # prints that went well or not, and the trade's word; never in the file

    @property
    def reference_c(self) -> float:
        """Middle of the data sheet's range: what is not said otherwise is told here. [degC]"""
        return (self.nozzle_c[0] + self.nozzle_c[1]) / 2

    @property
    def section_mm2(self) -> float:
        """Section of the filament as its record has it. [mm2]"""
        return math.pi * self.diameter_mm.value**2 / 4

    @property
    def anchor_c(self) -> float:
        """Temperature of the melt at which `consistency_pa_sn` and its spread hold. [degC]

        The activation energy carries both from there. It is where the consistency was measured, or else the middle of
        the sheet's range: makers choose that so that the grade flows.
        """
        return self.reference_c if self.consistency_at_c is None else self.consistency_at_c


def read_filament(path: Source) -> Filament:
    """Read a filament record.

    Parameters
    ----------
    path : str, Path or Text
        TOML in pliant's own keys; needs `shore` and `nozzle_c` (the maker's data sheet).

    Returns
    -------
    Filament

    Raises
    ------
    RecordError
        One line that names the file, the key, what is allowed and the way out.
    """
    data, file = load_toml(path), str(path)
    reject_swapped(data, file, "filament")
    reject_unknown(data, {"name", "starter", "shore", "scale", "nozzle_c", *_OPTIONAL}, file, "the record")
    for key in ("shore", "nozzle_c"):
        if key not in data:
            raise RecordError(f"{file}: {key} is missing; it is on the maker's data sheet")
    shore, scale = parse_quantity(data["shore"], "shore", 1.0, file).value, data.get("scale", "A")
    if scale not in ("A", "D"):
        raise RecordError(f"{file}: scale must be A or D, got {scale!r}")
    if not 20 <= shore < 100:
        raise RecordError(f"{file}: shore must be between 20 and 99, got {shore:g}")
    nozzle = data["nozzle_c"]
    if not isinstance(nozzle, list) or len(nozzle) != 2:
        raise RecordError(f"{file}: nozzle_c needs the data sheet's range [low, high], got {nozzle!r}")
    sheet = parse_quantity(nozzle, "nozzle_c", 1.0, file)
    low_c, high_c = float(nozzle[0]), float(nozzle[1])
    if not 120 <= low_c < high_c <= 350:
        raise RecordError(f"{file}: nozzle_c must lie between 120 and 350 °C, got {sheet.low:.0f} to {sheet.high:.0f}")
    values: dict[str, Quantity] = {}
    middle, spread, source = modulus_by_hardness(shore, scale)
    default = Quantity("youngs_modulus_mpa", middle, spread, source, True)
    values["youngs_modulus_mpa"] = _given(data, "youngs_modulus_mpa", file) or default
    for key in MELT:  # D readings of soft grades start where A ends: melt values of 95A
        *ends, source = melt_range(key, shore if scale == "A" else 95.0)
        values[key] = _given(data, key, file) or _from_range(key, ends[0], ends[1], source)
    for key, (low, high, source) in _ALWAYS.items():
        values[key] = _given(data, key, file) or _from_range(key, low, high, source)
    diameter = data.get("diameter_mm", 1.75)
    return Filament(
        name=name_of(data, path),
        shore=shore,
        scale=scale,
        diameter_mm=parse_quantity(diameter, "diameter_mm", 1.01, file),
        nozzle_c=(low_c, high_c),
        assumed=(*(q.sentence() for q in values.values() if q.assumed), *untouched("filament", data, file)),
        consistency_at_c=_measured_at(data, file),
        water_percent=_water(data, file),
        dry_c=_sheet_range(data, "dry_c", 30, 120, "°C", file),
        dry_h=_sheet_range(data, "dry_h", 0.5, 96, "h", file),
        lag_factor=parse_quantity(data["lag_factor"], "lag_factor", 1.4, file) if "lag_factor" in data else None,
        together=parse_together(data.get("together"), file),
        **values,  # type: ignore[arg-type]
    )


def _given(data: dict[str, Any], key: str, file: str) -> Quantity | None:
    # a softening point is printed to a few degrees, and a factor of 1.15 on it would be thirty; from memory
    return parse_quantity(data[key], key, 1.03 if key == "soften_c" else 1.15, file) if key in data else None


def _from_range(key: str, low: float, high: float, source: str) -> Quantity:
    q = parse_quantity([low, high], key, 1.0)
    return Quantity(key, q.value, q.spread, source, True)


def _measured_at(data: dict[str, Any], file: str) -> float | None:
    if "consistency_at_c" not in data:
        return None
    if "consistency_pa_sn" not in data:
        raise RecordError(
            f"{file}: consistency_at_c says where consistency_pa_sn was measured; give that too, or leave both out"
        )
    at = parse_quantity(data["consistency_at_c"], "consistency_at_c", 1.0, file).value
    if isinstance(data["consistency_at_c"], list) or not 120 <= at <= 350:
        raise RecordError(
            f"{file}: consistency_at_c must be one temperature from 120 to 350 °C, got {data['consistency_at_c']!r}"
        )
    return at


def _water(data: dict[str, Any], file: str) -> Quantity | None:
    if "water_percent" not in data:
        return None
    water = parse_quantity(data["water_percent"], "water_percent", 1.15, file)
    if water.value > 5:
        raise RecordError(f"{file}: water_percent must be at most 5 (percent of mass), got {water.value:g}")
    return water


def _sheet_range(
    data: dict[str, Any], key: str, least: float, most: float, unit: str, file: str
) -> tuple[float, float] | None:
    """A value or range printed on a data sheet: no spread of our own is added."""
    if key not in data:
        return None
    q = parse_quantity(data[key], key, 1.0, file)
    low, high = (float(v) for v in data[key]) if isinstance(data[key], list) else (q.value, q.value)
    if not least <= low <= high <= most:
        raise RecordError(f"{file}: {key} must lie between {least:g} and {most:g} {unit}, got {low:g} to {high:g}")
    return low, high
