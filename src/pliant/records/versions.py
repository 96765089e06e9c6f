"""New versions of records: a changed record is a new file beside the old one, never over it."""

import json
import math
import re
from collections.abc import Mapping
from pathlib import Path
from statistics import NormalDist
from typing import Any

from pliant.constants import Z90
from pliant.errors import RecordError
from pliant.files import Source
from pliant.records.learned import Together
from pliant.records.machine import load_toml
from pliant.records.unknown import Unknown

__all__ = ["next_version", "updated_filament", "updated_machine"]

_DRIVE = (
    "pinch_force_n", "grip_friction", "bite_mm2", "grip_n", "motor_force_n", "warming_k", "warming_min"
)  # fmt: skip


def next_version(path: Source, folder: str | Path | None = None) -> Path:
    """Name of the next version: `spool.toml` -> `spool-learned-1.toml`, the first number not yet taken."""
    path = Path(path)
    base = re.sub(r"-learned-\d+$", "", path.name.removesuffix(".toml"))
    place = Path(folder) if folder is not None else path.parent
    number = 1
    while (place / f"{base}-learned-{number}.toml").exists():
        number += 1
    return place / f"{base}-learned-{number}.toml"


def updated_machine(
    path: Source, learned: Mapping[str, tuple[float, float]], mixes: Mapping[int, tuple[float, float]], source: str
) -> str:
    """Text of the machine record with learned numbers in place.

    Parameters
    ----------
    path : str or Path
        The record it starts from; everything else in it is kept, comments apart.
    learned : mapping of str to (float, float)
        Value and multiplicative spread by the chain's name, `path0.friction` and the like included.
    mixes : mapping of int to (float, float)
        Centre and scale of the score of `column_mix`, by span.
    source : str
        What the numbers were learned from.

    Returns
    -------
    str
        TOML.
    """
    data = load_toml(path)
    spans = [dict(s) for s in data.get("path", [])]
    drive, hot_end, spool = (dict(data.get(name, {})) for name in ("drive", "hot_end", "spool"))
    for name, (value, spread) in learned.items():
        at = Unknown.of(name)
        if at.span is not None:
            spans[at.span][at.key] = _quantity(value, spread, source)
        elif name == "spool_pull_n":
            spool["pull_n"] = _quantity(value, spread, source)
        else:
            (drive if name in _DRIVE else hot_end)[name] = _quantity(value, spread, source)
    for span, (centre, scale) in mixes.items():
        ends = (NormalDist().cdf(centre + sign * Z90 * scale) for sign in (-1, 1))
        spans[span]["column_mix"] = [round(min(max(v, 1e-4), 1 - 1e-4), 4) for v in ends]
    data |= {"drive": drive, "hot_end": hot_end, "path": spans} | ({"spool": spool} if spool else {})
    return _text(data, f"# Learned: a new version of {Path(path).name}; that file is unchanged. Source: {source}")


def updated_filament(path: Source, learned: Mapping[str, tuple[float, float]], together: Together, source: str) -> str:
    """Text of the filament record with learned numbers in place, and how they hang together; see `updated_machine`."""
    data = load_toml(path)
    data |= {name: _quantity(value, spread, source) for name, (value, spread) in learned.items()}
    data["together"] = {
        "machine": together.machine,
        "readings": list(together.readings),
        "names": list(together.names),
        "correlation": [[round(v, 4) for v in row] for row in together.correlation],
    }
    if together.rows:
        data["together"] |= {
            "directions": [list(row) for row in together.directions], "rows": [list(row) for row in together.rows],
        }  # fmt: skip
    head = f"# Learned: a new version of {Path(path).name}; that file is unchanged. Source: {source}\n"
    head += "# [together]: a ladder tells one unknown over another. Delete it if you change a number above by hand."
    return _text(data, head)


def _quantity(value: float, spread: float, source: str) -> dict[str, Any]:
    return {"value": float(f"{value:.5g}"), "spread": float(f"{max(spread, 1.0):.5g}"), "source": source}


def _text(data: dict[str, Any], head: str) -> str:
    plain = {k: v for k, v in data.items() if not _is_table(k, v)}
    lines = [*head.splitlines(), *(f"{k} = {_value(v)}" for k, v in plain.items())]
    for key, value in data.items():
        if key in plain or not value:
            continue
        for table in value if isinstance(value, list) else [value]:
            lines += ["", f"[[{key}]]" if isinstance(value, list) else f"[{key}]"]
            lines += [f"{k} = {_value(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"


def _is_table(key: str, value: Any) -> bool:
    if isinstance(value, dict):
        return key in ("drive", "spool", "hot_end", "motion", "program", "tries", "together")
    return key == "path"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        if value and all(isinstance(v, list) for v in value):
            return "[\n" + "".join(f"    {_value(v)},\n" for v in value) + "]"
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, int | float) and math.isfinite(value):
        return repr(value)
    raise RecordError(f"a value of the record cannot be written back: {value!r}")
