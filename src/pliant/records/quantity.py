"""A number as a user knows it: a value with a multiplicative spread, and where it came from."""

import math
from dataclasses import dataclass
from typing import Any

from pliant.errors import RecordError

__all__ = ["Quantity", "parse_quantity"]

_Z90 = 1.6449  # normal score of the 95 % point: a 90 % range lies this many spreads to each side


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
        return self.value * self.spread**-_Z90

    @property
    def high(self) -> float:
        """Upper end of the 90 % range."""
        return self.value * self.spread**_Z90

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
        If the number is missing, not finite, not positive, or the range is empty.
    """
    where = f"{file}: {key}"
    if isinstance(raw, list):
        if len(raw) != 2:
            raise RecordError(f"{where} as a range needs two numbers [low, high], got {len(raw)}")
        low, high = _number(raw[0], where), _number(raw[1], where)
        if low >= high:
            raise RecordError(f"{where}: a range needs low < high, got [{low:g}, {high:g}]")
        return Quantity(key, math.sqrt(low * high), (high / low) ** (1 / (2 * _Z90)), "record", False)
    if isinstance(raw, dict):
        unknown = set(raw) - {"value", "spread", "source"}
        if unknown:
            raise RecordError(f"{where}: unknown key {sorted(unknown)[0]!r}; allowed are value, spread, source")
        if "value" not in raw:
            raise RecordError(f"{where}: value is missing; write e.g. {{value = 6.0, spread = 1.1}}")
        spread = _number(raw.get("spread", default_spread), f"{where}.spread")
        if spread < 1:
            raise RecordError(f"{where}.spread must be >= 1 (a multiplicative standard deviation), got {spread:g}")
        return Quantity(key, _number(raw["value"], where), spread, str(raw.get("source", "record")), False)
    return Quantity(key, _number(raw, where), default_spread, "record", False)
