"""A number as a user knows it: a value with a multiplicative spread, and where it came from."""

import math
from dataclasses import dataclass
from typing import Any

from pliant.constants import Z90
from pliant.errors import RecordError

__all__ = ["LIMITS", "Quantity", "parse_quantity"]


_MOST_SPREAD = 10.0  # [-] ninety per cent between a fortieth and forty times: more is no knowledge at all
# what any such machine or filament could have, by the last word of the key: a slip of the keys lies outside
LIMITS = {
    "wheel_radius_mm": (1, 100), "pinch_force_n": (0.1, 1000), "grip_friction": (0.01, 5), "motor_force_n": (0.5, 5000),
    "pull_n": (0.001, 200), "length_mm": (0.05, 20_000), "bore_mm": (0.5, 20), "friction": (0.001, 3),
    "heated_length_mm": (1, 300), "cone_half_angle_deg": (1, 90), "nozzle_mm": (0.05, 5), "land_mm": (0.01, 20),
    "face_mm": (0.05, 50), "acceleration_mm_per_s2": (1, 1e6), "retract_acceleration_mm_per_s2": (1, 1e6),
    "corner_deviation_mm": (1e-5, 10), "max_speed_mm_per_s": (0.01, 1e5), "volume_mm": (10, 10_000),
    "diameter_mm": (0.5, 10), "youngs_modulus_mpa": (0.1, 10_000), "consistency_pa_sn": (1, 1e6),
    "flow_index": (0.1, 1.2),
    "activation_kj_per_mol": (1, 500), "soften_c": (30, 300), "diffusivity_mm2_per_s": (0.01, 1),
    "density_kg_per_m3": (300, 5000), "model_factor": (0.01, 100), "entry_factor": (0.01, 100),
    "half_strain": (0.01, 10), "break_mm": (0.5, 100), "bite_mm2": (0.01, 100), "grip_n": (0.1, 5000),
    "dam_halving": (0.2, 5),
    "warming_k": (0.1, 100), "warming_min": (0.1, 1000),
    "restart_min": (0.1, 10_000), "looks_in_every_min": (0.1, 10_000), "hardware_min": (0.1, 100_000),
}  # fmt: skip


@dataclass(frozen=True)
class Quantity:
    """A log-normal quantity: median, multiplicative standard deviation (at least 1), source, and whether assumed."""

    name: str
    value: float
    spread: float
    source: str
    assumed: bool

    @property
    def low(self) -> float:
        """Lower end of the 90 % range."""
        return self.value * self.spread**-Z90

    @property
    def high(self) -> float:
        """Upper end of the 90 % range."""
        return self.value * self.spread**Z90

    def sentence(self) -> str:
        """One line for the list of what was assumed."""
        span = _digits(self.value, 3) if self.spread == 1 else f"{_digits(self.low, 2)} to {_digits(self.high, 2)}"
        return f"{self.name} {span} ({self.source})"


def _digits(value: float, significant: int) -> str:
    """A number with so many significant digits and never an exponent."""
    text = f"{float(f'{value:.{significant}g}'):.{significant + 6}f}"
    return text.rstrip("0").rstrip(".")


def _number(raw: Any, where: str) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not math.isfinite(raw) or raw <= 0:
        raise RecordError(f"{where} must be a finite number > 0, a range [low, high] or {{value, spread}}, got {raw!r}")
    return float(raw)


def parse_quantity(raw: Any, key: str, default_spread: float, file: str = "record") -> Quantity:
    """Read one of the three ways to state a number.

    Parameters
    ----------
    raw : float, list or dict
        `6.0`, `[5.0, 7.0]` (90 % sure) or `{value = 6.0, spread = 1.1, source = "calliper"}`.
    key, file : str
        For messages.
    default_spread : float
        Multiplicative spread of a bare number. [-]

    Returns
    -------
    Quantity

    Raises
    ------
    RecordError
        If the number is missing, not finite, not positive or beyond `LIMITS`, or the range is empty.
    """
    where = f"{file}: {key}"
    if isinstance(raw, list):
        if len(raw) != 2:
            raise RecordError(f"{where} as a range needs two numbers [low, high], got {len(raw)}")
        low, high = _number(raw[0], where), _number(raw[1], where)
        if low >= high:
            raise RecordError(f"{where}: a range needs low < high, got [{low:g}, {high:g}]")
        _require_possible(where, key, low, high)
        return Quantity(key, math.sqrt(low * high), (high / low) ** (1 / (2 * Z90)), "record", False)
    if isinstance(raw, dict):
        unknown = set(raw) - {"value", "spread", "source"}
        if unknown:
            raise RecordError(f"{where}: unknown key {sorted(unknown)[0]!r}; allowed are value, spread, source")
        if "value" not in raw:
            raise RecordError(f"{where}: value is missing; write e.g. {{value = 6.0, spread = 1.1}}")
        spread = _number(raw.get("spread", default_spread), f"{where}.spread")
        if spread < 1:
            raise RecordError(f"{where}.spread must be >= 1 (a multiplicative standard deviation), got {spread:g}")
        if spread > _MOST_SPREAD:
            raise RecordError(f"{where}.spread must be at most {_MOST_SPREAD:g}, got {spread:g}")
        value = _number(raw["value"], where)
        _require_possible(where, key, value)
        return Quantity(key, value, spread, str(raw.get("source", "record")), False)
    value = _number(raw, where)
    _require_possible(where, key, value)
    return Quantity(key, value, default_spread, "record", False)


def _require_possible(where: str, key: str, *values: float) -> None:
    least, most = LIMITS.get(key.rsplit(".", maxsplit=1)[-1], (0.0, math.inf))
    for value in values:
        if not least <= value <= most:
            raise RecordError(f"{where} must lie between {least:g} and {most:g}, got {value:g}; check the unit")
