"""The baseline record: the user's own recipe for a rigid filament, in our own keys."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pliant.errors import RecordError
from pliant.files import Source
from pliant.records.machine import Machine, load_toml, reject_swapped, reject_unknown
from pliant.records.renamed import reject_renamed

__all__ = ["BEAD_WORDS", "KINDS", "WIDE", "Baseline", "read_baseline", "with_widths"]

# kinds of bead by where they lie, those first that are commonly laid quickest and so push most
BEAD_WORDS = {
    "sparse_inside": "sparse grid inside", "behind_outside": "beads behind the outside",
    "solid_layers": "solid layers", "on_outside": "beads on the outside", "over_air": "beads over air",
}  # fmt: skip
KINDS = tuple(BEAD_WORDS)
_ROUTES = ("straight", "inside")
_SQUEEZED = KINDS[:4]
WIDE = 1.125  # [-] bead width over nozzle width; common practice, no source
# table, key: least, most, and the value taken where it is left out (None: see `read_baseline`)
_PLAIN: dict[str, dict[str, tuple[float, float, float | None]]] = {
    "": {
        "nozzle_c": (120, 450, None), "layer_height_mm": (0.03, 2, None), "flow_factor": (0.5, 2, 1.0),
    },
    "bead_speed_mm_per_s": dict.fromkeys(KINDS, (0.5, 1000, None)),
    "bead_width_mm": dict.fromkeys(_SQUEEZED, (0.05, 5, None)),
    "first_layer": {"height_mm": (0.03, 2, None), "speed_mm_per_s": (0.5, 1000, None), "width_mm": (0.05, 5, None)},
    "stops": {
        "priming_bead_mm": (0, 5000, 300.0), "feed_ends_early_mm": (0, 50, 0.0), "back_over_bead_mm": (0, 50, 0.0),
        "retraction_mm": (0, 20, 1.0), "retraction_mm_per_s": (1, 300, 30.0), "travel_mm_per_s": (5, 1000, 120.0),
    },
    "part": {"bed_c": (0, 200, 60.0), "fan_percent": (0, 100, 100.0)},
}  # fmt: skip


@dataclass(frozen=True)
class Baseline:
    """A rigid recipe as its owner uses it, defaults filled in; widths are 0 until the machine is known."""

    name: str
    nozzle_c: float
    layer_height_mm: float
    flow_factor: float
    speed_mm_per_s: dict[str, float]  # by kind of bead
    width_mm: dict[str, float]  # by kind of bead; one over air is laid like those behind the outside
    first_height_mm: float
    first_speed_mm_per_s: float
    first_width_mm: float
    priming_mm: float  # length of bead laid beside the part before it
    coast_mm: float  # the feed ends so far before the end of a run
    back_over_bead_mm: float  # so far back over the bead just laid before leaving it
    retract_mm: float
    retract_mm_per_s: float
    travel_mm_per_s: float
    route: str
    bed_c: float
    fan_percent: float
    supports: bool
    raft: bool
    assumed: tuple[str, ...]


def read_baseline(path: Source) -> Baseline:
    """Read a baseline record.

    Parameters
    ----------
    path : str, Path or Text
        TOML in pliant's own keys; needs `nozzle_c`, `layer_height_mm` and a speed of at least one kind of bead.

    Returns
    -------
    Baseline

    Raises
    ------
    RecordError
        One line that names the file, the key, what is allowed and the way out.
    """
    data, file = load_toml(path), str(path)
    reject_swapped(data, file, "recipe")
    reject_renamed(data, file)
    tables = {name: data.get(name, {}) for name in _PLAIN if name}
    reject_unknown(data, {"name", *_PLAIN[""], *tables}, file, "the record")
    words = {"stops": {"travel_route"}, "part": {"supports", "raft"}}
    for name, table in tables.items():
        reject_unknown(table, {*_PLAIN[name], *words.get(name, ())}, file, f"[{name}]")
    for key in ("nozzle_c", "layer_height_mm"):
        if key not in data:
            raise RecordError(f"{file}: {key} is missing; it is in the recipe you print rigid filament with")
    assumed: list[str] = []
    top = {key: _take(data, "", key, file, assumed) for key in _PLAIN[""]}
    speed = _speeds(tables["bead_speed_mm_per_s"], file, assumed)
    height = top["layer_height_mm"]
    widths = {kind: _take(tables["bead_width_mm"], "bead_width_mm", kind, file, assumed) for kind in _SQUEEZED}
    first = {key: _take(tables["first_layer"], "first_layer", key, file, assumed) for key in _PLAIN["first_layer"]}
    if not first["speed_mm_per_s"]:
        first["speed_mm_per_s"] = min(speed.values()) / 2
        assumed.append(f"first_layer.speed_mm_per_s {first['speed_mm_per_s']:g} (half the slowest bead)")
    if not first["height_mm"]:
        first["height_mm"] = height
        assumed.append(f"first_layer.height_mm {height:g} (as the other layers)")
    stops = {key: _take(tables["stops"], "stops", key, file, assumed) for key in _PLAIN["stops"]}
    part = {key: _take(tables["part"], "part", key, file, assumed) for key in _PLAIN["part"]}
    for kind in _SQUEEZED:
        if widths[kind] and widths[kind] < height:
            raise RecordError(
                f"{file}: bead_width_mm.{kind} must be at least the layer height {height:g}, got {widths[kind]:g}"
            )
    if first["width_mm"] and first["width_mm"] < first["height_mm"]:
        raise RecordError(
            f"{file}: first_layer.width_mm must be at least its height {first['height_mm']:g}, "
            f"got {first['width_mm']:g}"
        )
    return Baseline(
        name=str(data.get("name", Path(path).stem)),
        nozzle_c=top["nozzle_c"],
        layer_height_mm=height,
        flow_factor=top["flow_factor"],
        speed_mm_per_s=speed,
        width_mm={**widths, "over_air": widths["behind_outside"]},
        first_height_mm=first["height_mm"],
        first_speed_mm_per_s=first["speed_mm_per_s"],
        first_width_mm=first["width_mm"],
        priming_mm=stops["priming_bead_mm"],
        coast_mm=stops["feed_ends_early_mm"],
        back_over_bead_mm=stops["back_over_bead_mm"],
        retract_mm=stops["retraction_mm"],
        retract_mm_per_s=stops["retraction_mm_per_s"],
        travel_mm_per_s=stops["travel_mm_per_s"],
        route=_route(tables["stops"], file),
        bed_c=part["bed_c"],
        fan_percent=part["fan_percent"],
        supports=_yes(tables["part"], "supports", file),
        raft=_yes(tables["part"], "raft", file),
        assumed=tuple(assumed),
    )


def with_widths(baseline: Baseline, machine: Machine) -> Baseline:
    """Fill in the widths that the record leaves out, from the machine's nozzle, and refuse what it cannot lay.

    Parameters
    ----------
    baseline : Baseline
        As read.
    machine : Machine
        Supplies nozzle and face.

    Returns
    -------
    Baseline

    Raises
    ------
    RecordError
        If a layer is thicker than the nozzle is wide.
    """
    nozzle = machine.nozzle_mm.value
    for name, height in (
        ("layer_height_mm", baseline.layer_height_mm),
        ("first_layer.height_mm", baseline.first_height_mm),
    ):
        if height > nozzle:
            raise RecordError(
                f"baseline {baseline.name!r}: {name} must be at most the nozzle's {nozzle:g} mm, got {height:g}; "
                "is this the recipe for this machine?"
            )
    usual = round(max(WIDE * nozzle, baseline.layer_height_mm), 3)
    said = list(baseline.assumed)
    width = dict(baseline.width_mm)
    missing = [kind for kind in _SQUEEZED if not width[kind]]
    for kind in missing:
        width[kind] = usual
    if missing:
        said.append(f"bead_width_mm {usual:g} for {', '.join(BEAD_WORDS[k] for k in missing)} (nozzle x {WIDE:g})")
    width["over_air"] = width["behind_outside"]
    first = baseline.first_width_mm
    if not first:
        first = max(usual, baseline.first_height_mm)
        said.append(f"first_layer.width_mm {first:g} (as the other layers)")
    return replace(baseline, width_mm=width, first_width_mm=first, assumed=tuple(said))


def _take(table: dict[str, Any], where: str, key: str, file: str, assumed: list[str]) -> float:
    """A number inside its limits, or its default; 0 where the default depends on others."""
    least, most, default = _PLAIN[where][key]
    name = f"{where}.{key}" if where else key
    if key not in table:
        if default is None:
            return 0.0
        assumed.append(f"{name} {default:g} (common practice for rigid filament)")
        return float(default)
    raw = table[key]
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not least <= raw <= most:
        raise RecordError(f"{file}: {name} must be a number from {least:g} to {most:g}, got {raw!r}")
    return float(raw)


def _speeds(table: dict[str, Any], file: str, assumed: list[str]) -> dict[str, float]:
    speed = {kind: _take(table, "bead_speed_mm_per_s", kind, file, assumed) for kind in KINDS}
    given = [v for v in speed.values() if v]
    if not given:
        raise RecordError(
            f"{file}: [bead_speed_mm_per_s] is missing; give the speed of at least one of {', '.join(KINDS)}"
        )
    for kind, value in speed.items():
        if not value:
            speed[kind] = min(given)
            assumed.append(f"bead_speed_mm_per_s.{kind} {min(given):g} (the slowest one given)")
    return speed


def _route(table: dict[str, Any], file: str) -> str:
    route = table.get("travel_route", "straight")
    if route not in _ROUTES:
        raise RecordError(f"{file}: stops.travel_route must be one of {', '.join(_ROUTES)}, got {route!r}")
    return str(route)


def _yes(table: dict[str, Any], key: str, file: str) -> bool:
    raw = table.get(key, False)
    if not isinstance(raw, bool):
        raise RecordError(f"{file}: part.{key} must be true or false, got {raw!r}")
    return raw
