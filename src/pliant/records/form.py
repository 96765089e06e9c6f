"""A record as a form: its numbers one by one, and the text with those that somebody changed.

The text stays the owner's: comments, order and all that a form does not show are kept as they are (tomlkit).
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from pliant.errors import RecordError
from pliant.files import Text
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.records.quantity import LIMITS, Quantity
from pliant.say import number

__all__ = ["Line", "edited", "lines_of", "unit_of", "with_values"]

Place = tuple[str | int, ...]  # keys and places in lists, from the outermost table on

# longest first: what a key ends in is its unit
UNITS = (
    ("_mm3_per_s", "mm³/s"), ("_mm_per_s2", "mm/s²"), ("_mm2_per_s", "mm²/s"), ("_mm_per_s", "mm/s"),
    ("_n_per_mm", "N/mm"), ("_kj_per_mol", "kJ/mol"), ("_kg_per_m3", "kg/m³"), ("_pa_sn", "Pa·sⁿ"), ("_mpa", "MPa"),
    ("_mm3", "mm³"), ("_mm2", "mm²"), ("_mm", "mm"), ("_m", "m"), ("_deg", "°"), ("_c", "°C"), ("_n", "N"), ("_g", "g"),
    ("_s", "s"), ("_h", "h"), ("_min", "min"), ("_k", "K"),
)  # fmt: skip
_SPAN = ("length_mm", "bore_mm", "friction", "end_factor")
_DRIVE = ("grip_n", "pinch_force_n", "grip_friction", "bite_mm2", "motor_force_n", "warming_k", "warming_min")
_HOT_END = ("nozzle_mm", "land_mm", "face_mm", "cone_half_angle_deg", "bore_mm", "heated_length_mm", "break_mm")
_SPOOL = (
    "diameter_mm", "youngs_modulus_mpa", "soften_c", "consistency_pa_sn", "flow_index", "activation_kj_per_mol",
    "density_kg_per_m3", "diffusivity_mm2_per_s", "half_strain", "entry_factor", "model_factor",
)  # fmt: skip
_NUMBER = r"\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?"
_RANGE = re.compile(rf"\s*({_NUMBER})\s*(?:(?:to|-|–|\.\.)\s*({_NUMBER}))?\s*")


@dataclass(frozen=True)
class Line:
    """One number of a record."""

    name: str  # as unknowns are called
    place: Place  # in the text
    said: str  # as the record has it, or nothing where it does not say
    usual: str  # what is taken where it does not say
    unit: str
    least: float  # what any such machine or filament could have
    most: float


def lines_of(kind: str, text: str) -> tuple[Line, ...]:
    r"""The numbers of a machine or a filament that a form shows.

    Parameters
    ----------
    kind : {"machine", "filament"}
        Of the record.
    text : str
        TOML.

    Raises
    ------
    RecordError
        If the record cannot be read.

    Examples
    --------
    >>> text = 'name = "S"\nshore = 85\nnozzle_c = [210, 230]\ndiameter_mm = [1.7, 1.8]  # five places'
    >>> [line.said for line in lines_of("filament", text)][:4]
    ['85', '210 to 230', '1.7 to 1.8', '']
    """
    record: Machine | Filament = (
        read_machine(Text("the record", text)) if kind == "machine" else read_filament(Text("the record", text))
    )
    data, found = tomlkit.parse(text).unwrap(), []
    for name, place, q in _quantities(record):
        key, raw = str(place[-1]), _at(data, place)
        least, most = LIMITS.get(key, (0.0, float("inf")))
        found.append(Line(name, place, _said(raw), _usual(q) if raw is None else "", unit_of(key), least, most))
    return tuple(found)


def edited(kind: str, text: str, typed: dict[str, str], called: Callable[[str], str] = str) -> str:
    """The text of a record with the numbers that somebody changed in its form.

    Parameters
    ----------
    kind : {"machine", "filament"}
        Of the record.
    text : str
        TOML.
    typed : dict
        What stands in the form, by the names of `lines_of`: a number, or a range `5 to 7` that one is 90 % sure of.
        What reads as before stays as it was; what is emptied goes back to what is usual.
    called : callable, optional
        What a number is called, for messages, by its name.

    Raises
    ------
    RecordError
        If something typed is neither, or the record cannot hold it; the name, what is allowed and what came.
    """
    lines, values = {line.name: line for line in lines_of(kind, text)}, {}
    for name, words in typed.items():
        line = lines.get(name)
        if line is None:
            raise RecordError(f"{name}: the form has no such number; reload the page")
        if words.strip() != line.said:
            values[line.place] = _number_or_range(line, words, called(name)) if words.strip() else None
    new = with_values(text, values)
    lines_of(kind, new)  # the record's own reader judges it
    return new


def with_values(text: str, values: Mapping[Place, Any]) -> str:
    """The text of a record with some values set, each at its place, or taken out where it is None; the rest as it was.

    Raises
    ------
    RecordError
        If the record is written so that it cannot be edited like this.
    """
    try:
        whole = tomlkit.parse(text)
        for (*tables, key), value in values.items():
            table: Any = whole
            for step in tables:
                if isinstance(step, str) and step not in table:
                    table[step] = tomlkit.table()
                table = table[step]
            if value is not None:
                table[key] = value
            elif key in table:
                del table[key]
        return tomlkit.dumps(whole)
    except (TOMLKitError, TypeError) as error:
        raise RecordError(f"the record: cannot be edited line by line ({error}); edit its text") from error


def unit_of(key: str) -> str:
    """Unit that a key spells, in its last word or else in the one that holds it."""
    for word in reversed(key.split(".")):
        if word.endswith("_percent"):
            return "% of mass" if word.startswith("water") else "%"
        for end, unit in UNITS:
            if word.endswith(end):
                return unit
    return "–"


def _quantities(record: Machine | Filament) -> list[tuple[str, Place, Quantity | None]]:
    """Name, place in the text, and what holds now; in the order in which a person meets them."""
    if isinstance(record, Filament):
        needed: list[tuple[str, Place, Quantity | None]] = [
            ("shore", ("shore",), None), ("nozzle_c", ("nozzle_c",), None),
        ]  # fmt: skip
        return [*needed, *((key, (key,), getattr(record, key)) for key in _SPOOL)]
    rows: list[tuple[str, Place, Quantity | None]] = []
    for i, span in enumerate(record.path):
        for key in _SPAN:
            q = getattr(span, key)
            if q is not None:
                rows.append((f"path{i}.{key}", ("path", i, key), q))
    rows += [(key, ("hot_end", key), getattr(record, key)) for key in _HOT_END]
    rows += [(key, ("drive", key), getattr(record, key)) for key in _DRIVE]
    return [*rows, ("spool_pull_n", ("spool", "pull_n"), record.spool_pull_n)]


def _at(data: Any, place: Place) -> Any:
    for step in place:
        if isinstance(data, dict) and step not in data:
            return None
        data = data[step]
    return data


def _said(raw: Any) -> str:
    if raw is None:
        return ""
    if isinstance(raw, dict):
        raw = raw["value"]
    return f"{raw[0]:g} to {raw[1]:g}" if isinstance(raw, list) else f"{raw:g}"


def _usual(q: Quantity | None) -> str:
    return "" if q is None else f"{number(q.low)} to {number(q.high)}"


def _number_or_range(line: Line, words: str, name: str) -> Any:
    found = _RANGE.fullmatch(words)
    if found is None:
        raise RecordError(f"{name}: write a number, or a range such as 5 to 7, got {words[:40]!r}")
    values = [float(part.replace(",", ".")) for part in found.groups() if part is not None]
    if any(not line.least <= value <= line.most for value in values):
        unit = "" if line.unit == "–" else f" {line.unit}"
        raise RecordError(f"{name}: lies between {line.least:g} and {line.most:g}{unit}, got {words[:40]!r}")
    if len(values) == 2 and values[0] >= values[1]:
        raise RecordError(f"{name}: a range goes from the smaller to the larger number, got {words[:40]!r}")
    plain = [int(value) if value.is_integer() else value for value in values]
    return plain if len(plain) == 2 else plain[0]
