"""Numbers as people read them: as many digits as mean something, a unit that fits, never an exponent."""

import math
import re
from collections.abc import Mapping

__all__ = ["count", "number", "percent", "quantity", "worded"]

# unit: from so many of it on, the next larger one, and how many of it make one of that
_LARGER = {
    "mm": (1000.0, "m", 1000.0), "mm3": (10_000.0, "cm3", 1000.0), "mm³": (10_000.0, "cm³", 1000.0),
    "mm2": (100_000.0, "m2", 1e6), "g": (1000.0, "kg", 1000.0), "s": (119.5, "min", 60.0),
    "min": (119.5, "h", 60.0), "h": (71.5, "days", 24.0), "days": (60.0, "months", 30.4),
    "months": (24.0, "years", 12.0),
}  # fmt: skip
_WHOLE = ("s", "min")  # nobody times a print more finely


def number(value: float, digits: int = 2) -> str:
    """A number with at most this many digits that mean something; all digits before the point stand. No exponent."""
    if not math.isfinite(value):
        return "beyond measure"
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def quantity(value: float, unit: str, digits: int = 2) -> str:
    """A number with its unit, in a larger unit where it grows long; 'under' where it is too small to tell.

    Parameters
    ----------
    value : float
        At least 0, in the unit named.
    unit : str
        As printed: mm, mm3, g, s, min, h, N, mm/s and so on.
    digits : int, default 2
        How many are known. [-]

    Returns
    -------
    str

    Examples
    --------
    >>> quantity(0.4, "mm"), quantity(172.3, "g"), quantity(10, "mm"), quantity(121200, "s"), quantity(7.3e-99, "N")
    ('0.4 mm', '170 g', '10 mm', '34 h', 'under 0.001 N')
    """
    size = abs(value)
    while unit in _LARGER and math.isfinite(size) and size >= _LARGER[unit][0]:
        _, larger, many = _LARGER[unit]
        size, value, unit = size / many, value / many, larger
    if unit in _WHOLE and size >= 1:
        return f"{value:.0f} {unit}"
    if 0 < size < 1e-3:
        return f"under 0.001 {unit}"
    if size >= 1e9:
        return f"over a thousand million {unit}" if math.isfinite(size) else "beyond measure"
    return f"{number(value, digits)} {unit}"


def percent(share: float) -> str:
    """A chance or share in per cent with no more digits than are known; 'under 1 %' and 'over 99 %' at the ends."""
    value = 100 * share
    if value < 1:
        return "under 1 %"
    return "over 99 %" if value > 99 else f"{value:.0f} %"


def count(n: int, one: str, many: str | None = None) -> str:
    """How many of a thing: '1 corner', '3 corners'."""
    return f"{n} {one if n == 1 else many or one + 's'}"


_ASKED = re.compile(r"`([a-z][a-z_0-9.]*(?:\(\))?)`")


def worded(text: str, names: Mapping[str, str]) -> str:
    """Say a message in the words of one shell.

    Below the shells a message names what can be asked for by its name in the library, in backticks: `` `dialect` `` is
    an argument, `` `book.rescue()` `` a job. The command line has options for them, the bench has fields and pages.

    Parameters
    ----------
    text : str
        The message.
    names : mapping of str to str
        Words of the shell, by such a name; a name that is not there stands as it is.

    Returns
    -------
    str

    Examples
    --------
    >>> worded("not settled; name yours as `dialect`", {"dialect": "--dialect"})
    'not settled; name yours as --dialect'
    """
    return _ASKED.sub(lambda m: names.get(m[1], m[0]), text)
