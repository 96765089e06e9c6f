"""Names that were given up, and what stands in their place: what an older pliant wrote stays readable."""

import re
from pathlib import Path
from typing import Any

from pliant.errors import RecordError

__all__ = ["BEADS", "KEYS", "reject_renamed", "todays_names"]

BEADS = {
    "outer_walls": "on_outside", "inner_walls": "behind_outside", "infill": "sparse_inside", "skins": "solid_layers",
}  # fmt: skip
# keys of a recipe, in baseline.toml and in the ledger of `plan`
KEYS = {f"{table}.{old}": f"{table}.{new}" for table in ("bead_speed_mm_per_s", "bead_width_mm")
        for old, new in BEADS.items()} | {
    "retraction.length_mm": "stops.retraction_mm", "retraction.speed_mm_per_s": "stops.retraction_mm_per_s",
    "retraction.coast_mm": "stops.feed_ends_early_mm", "retraction.wipe_mm": "stops.back_over_bead_mm",
    "travel.speed_mm_per_s": "stops.travel_mm_per_s", "travel.route": "stops.travel_route",
    "around.priming_mm": "stops.priming_bead_mm", "bed_c": "part.bed_c", "fan_percent": "part.fan_percent",
    "around.supports": "part.supports", "around.raft": "part.raft",
}  # fmt: skip


def todays_names(data: Any) -> Any:
    """Plain data of findings or of a derived recipe as an older pliant wrote it, under the names of today.

    Parameters
    ----------
    data : plain data
        Whatever JSON can hold; keys that a user chose are left alone.

    Returns
    -------
    plain data
        The same where nothing was renamed since.

    Examples
    --------
    >>> todays_names({"jam_probability": 0.3, "speed_factor": 0.5})
    {'jam_probability': 0.3, 'speed_share': 0.5}
    """
    if isinstance(data, list):
        return [todays_names(v) for v in data]
    if not isinstance(data, dict):
        return data
    names: dict[str, str] = {}
    if "jam_probability" in data:  # findings, and each of their remedies
        names = {"speed_factor": "speed_share"}
    out = {names.get(k, k): todays_names(v) for k, v in data.items()}
    if isinstance(out.get("values"), dict) and isinstance(out.get("settings"), list):  # a recipe that `plan` derived
        out["values"] = {KEYS.get(k, k): v for k, v in out["values"].items()}
        out["settings"] = [_one(s, "key", lambda key: KEYS.get(key, key)) for s in out["settings"]]
        by_bead = lambda speeds: {BEADS.get(k, k): v for k, v in speeds.items()}  # noqa: E731
        out["by_height"] = [_one(row, "speed_mm_per_s", by_bead) for row in out.get("by_height", [])]
    return out


def _one(table: Any, key: str, change: Any) -> Any:
    return table | {key: change(table[key])} if isinstance(table, dict) and key in table else table


def reject_renamed(data: dict[str, Any], file: str) -> None:
    """Raise `RecordError` that names the first old key of a recipe, its line and its new name."""
    tables = [("", data), *((f"{name}.", inner) for name, inner in data.items() if isinstance(inner, dict))]
    flat = {name + key for name, table in tables for key in table}
    old = [key for key in KEYS if key in flat]
    if not old:
        return
    text = Path(file).read_text(encoding="utf-8")
    lines = {key: _line_of(key, text) for key in old}
    first = min(old, key=lambda key: lines[key] or len(text))
    where = f"{file}, line {lines[first]}" if lines[first] else file
    table, _, key = KEYS[first].rpartition(".")
    more = f" ({len(old) - 1} more keys have new names)" if len(old) > 1 else ""
    raise RecordError(f"{where}: {first} is now called {key}, in [{table}]; write that{more}. `new()` shows every name")


def _line_of(key: str, text: str) -> int | None:
    """Number of the line that sets a key; None where it is written in another way than one to a line."""
    table, _, name = key.rpartition(".")
    here = ""
    for number, line in enumerate(text.splitlines(), 1):
        if head := re.match(r"\s*\[\s*([\w.]+)\s*\]", line):
            here = head[1]
        elif (found := re.match(r"\s*([\w.]+)\s*=", line)) and (here, found[1]) in ((table, name), ("", key)):
            return number
    return None
