"""The machine record: what lies between the spool and the melt, and how the axes move."""

import difflib
import re
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from statistics import NormalDist
from typing import Any

from pliant.constants import Z90
from pliant.errors import RecordError
from pliant.files import Source, open_source
from pliant.records.quantity import Quantity, parse_quantity
from pliant.records.starters import untouched
from pliant.records.tonight import Trying

__all__ = ["ORIGINS", "Machine", "Span", "load_toml", "name_of", "read_machine", "reject_swapped", "reject_unknown"]

_ENDS = ("pinned-pinned", "pinned-fixed", "fixed-fixed")
_DIALECTS = ("auto", "e-follows-g90", "e-on-its-own", "many-per-line")
_MEMORY = "from memory"
# key: spread of a bare number; value, spread and source of the default
_DRIVE = {
    "wheel_radius_mm": (1.02, 5.5, 1.1, "common practice"),
    "pinch_force_n": (1.2, 24.5, 1.347, _MEMORY),
    "grip_friction": (1.2, 0.49, 1.347, _MEMORY),
    "bite_mm2": (1.2, 3.0, 1.3, "pull before slip of three plastics, carried down to soft filament"),
    "motor_force_n": (1.1, 60.0, 1.2, _MEMORY),
    "warming_k": (1.2, 7.7, 1.78, _MEMORY + "; how far a warm drive heats the filament above the room"),
    "warming_min": (1.3, 12.0, 1.6, _MEMORY + "; time in which it gets two thirds of the way"),
}
_HOT_END = {
    "heated_length_mm": (1.15, 12.5, 1.2, "common practice; contact is not perfect"),
    "bore_mm": (1.02, 2.0, 1.02, "common practice"),
    "cone_half_angle_deg": (1.02, 30.0, 1.02, "common practice"),
    "nozzle_mm": (1.03, 0.4, 1.03, "common practice"),
    "land_mm": (1.1, 0.6, 1.2, "common practice"),
    "face_mm": (1.1, 1.0, 1.15, "common practice"),
    "break_mm": (1.2, 10.0, 1.524, _MEMORY + "; the warm stretch between the cold path and the melt"),
    "dam_halving": (1.1, 1.0, 1.25, "bracket: melt that spreads all round below the face gives 0.7"),
}
_MOTION = {
    "acceleration_mm_per_s2": 1000.0,
    "retract_acceleration_mm_per_s2": 1000.0,
    "corner_deviation_mm": 0.02,
}
_TOP_SPEED = (150.0, 150.0, 12.0, 60.0)
ORIGINS = ("corner", "centre")  # of the bed, where x and y are 0


@dataclass(frozen=True)
class Span:
    """One piece of the feed path, from the drive to the melt."""

    kind: str
    length_mm: Quantity
    ends: str = "pinned-fixed"
    bore_mm: Quantity | None = None
    turn_deg: float = 0.0
    friction: Quantity | None = None
    end_factor: Quantity | None = None  # of a gap: how its ends hold, times what `ends` says; learned, not measured
    # of a gap: which of two theories of bending holds, as centre and scale of a normal score; (0, 1): evenly between
    column_mix: tuple[float, float] = (0.0, 1.0)


@dataclass(frozen=True)
class Machine:
    """A machine as its owner describes it, defaults filled in."""

    name: str
    driven_wheels: int
    wheel_radius_mm: Quantity
    pinch_force_n: Quantity
    grip_friction: Quantity
    bite_mm2: Quantity  # over which the teeth of one wheel hold the filament
    motor_force_n: Quantity
    warming_k: Quantity  # above the room, of filament that leaves a drive long in use
    warming_min: Quantity
    path: tuple[Span, ...]
    spool_pull_n: Quantity
    heated_length_mm: Quantity
    bore_mm: Quantity
    cone_half_angle_deg: Quantity
    nozzle_mm: Quantity
    land_mm: Quantity
    face_mm: Quantity
    break_mm: Quantity  # heat break: filament warms here from the room to where it softens
    dam_halving: Quantity  # what the dam grows by with each halving of the gap, over what the slit says; about 0.2 mm
    liner: str
    acceleration_mm_per_s2: float
    retract_acceleration_mm_per_s2: float
    corner_deviation_mm: float
    max_speed_mm_per_s: tuple[float, ...]
    dialect: str
    assumed: tuple[str, ...]
    volume_mm: tuple[float, float, float] | None = None  # where the nozzle can go; None where the record does not say
    origin: str = "corner"  # of the bed, where x and y are 0
    grip_n: Quantity | None = None  # push at which the drive slips, measured; stands for friction and bite
    tries: Trying = field(default_factory=Trying)

    @property
    def reach_mm(self) -> tuple[tuple[float, ...], tuple[float, ...]] | None:
        """Lowest and highest place of x, y and z that the nozzle can go to. [mm]"""
        if self.volume_mm is None:
            return None
        x, y, z = self.volume_mm
        low = (-x / 2, -y / 2, 0.0) if self.origin == "centre" else (0.0, 0.0, 0.0)
        return low, (low[0] + x, low[1] + y, z)


def load_toml(path: Source, else_: str = "`new()` writes a starter file") -> dict[str, Any]:
    """Read a small TOML file, or say in one line why not, and what else to do."""
    file = str(path)
    try:
        with open_source(path) as source:  # a device has no size to ask for
            content = source.read((1 << 20) + 1)
        if len(content) > 1 << 20:
            raise RecordError(f"{file}: larger than 1 MiB; a record is a page of text")
        return tomllib.loads(content.decode("utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise RecordError(f"{file}: {_not_toml(content.decode('utf-8', 'replace'), error)}") from error
    except RecursionError as error:
        raise RecordError(f"{file}: nested too deeply; a record has tables of plain values") from error
    except UnicodeDecodeError as error:
        raise RecordError(f"{file}: not UTF-8 text; save it as UTF-8") from error
    except OSError as error:
        raise RecordError(f"{file}: cannot be read ({error.strerror}); {else_}") from error


def _not_toml(text: str, error: tomllib.TOMLDecodeError) -> str:
    """Why a text is no record, where more can be said than what the parser says."""
    for number, line in enumerate(text.splitlines(), 1):
        if found := re.match(r"\s*([A-Za-z_]+)\s*=\s*(\d+),(\d+)\s*(?:#.*)?$", line):
            key, whole, part = found.groups()
            return f"line {number}: {key} = {whole},{part} has a comma; write a point, {key} = {whole}.{part}"
    if len(re.findall(r"^(?:N\d+\s*)?[GM]\d+\b", text, re.M)) > 1:
        return "this is a motion program, not a record; records are given as `machine` and `filament`"
    return f"not valid TOML: {error}"


_TELLING = {  # keys that only one kind of record has
    "machine": ("drive", "path", "hot_end"),
    "filament": ("shore", "consistency_pa_sn", "diameter_mm"),
    "recipe": ("bead_speed_mm_per_s", "bead_width_mm", "first_layer", "stops", "part"),
}


def reject_swapped(data: dict[str, Any], file: str, wanted: str) -> None:
    """Raise `RecordError` where a record is of another kind, as its keys tell."""
    for other, keys in _TELLING.items():
        if other != wanted and any(key in data for key in keys):
            way = "are the two swapped? `machine` takes the machine, `filament` the filament"
            if other == "recipe":
                way = "a recipe is for `plan()`"
            elif wanted == "recipe":
                way = "`baseline` takes your rigid recipe"
            raise RecordError(f"{file}: this is a {other} record, and a {wanted} record is wanted; {way}")


def reject_unknown(table: Any, allowed: set[str], file: str, where: str) -> None:
    """Raise `RecordError` that names the nearest allowed key."""
    if not isinstance(table, dict):
        raise RecordError(f"{file}: {where} must be a table of keys, got {table!r}")
    for key in table:
        if key not in allowed:
            near = difflib.get_close_matches(key, sorted(allowed), n=1, cutoff=0.0)
            raise RecordError(f"{file}: unknown key {key!r} in {where}; did you mean {near[0]!r}?")


def name_of(data: dict[str, Any], path: Source) -> str:
    """The name of a record; its file's, where it has none."""
    name = data.get("name", Path(path).stem)
    if not isinstance(name, str):
        raise RecordError(f'{path}: name must be text in quotes, such as "Bench 2", got {name!r}')
    return name


def _plain(raw: Any, where: str, file: str) -> float:
    return parse_quantity(raw, where, 1.0, file).value


def read_machine(path: Source) -> Machine:
    """Read a machine record.

    Parameters
    ----------
    path : str, Path or Text
        TOML in pliant's own keys.

    Returns
    -------
    Machine

    Raises
    ------
    RecordError
        One line that names the file, the key, what is allowed and the way out.
    """
    data, file = load_toml(path), str(path)
    reject_swapped(data, file, "machine")
    reject_unknown(
        data, {"name", "starter", "drive", "path", "spool", "hot_end", "motion", "program", "tries"}, file, "the record"
    )
    drive, hot_end, motion = data.get("drive", {}), data.get("hot_end", {}), data.get("motion", {})
    spool, program, spans = data.get("spool", {}), data.get("program", {}), data.get("path", [])
    reject_unknown(drive, {"driven_wheels", "grip_n", *_DRIVE}, file, "[drive]")
    reject_unknown(hot_end, {"liner", *_HOT_END}, file, "[hot_end]")
    reject_unknown(motion, {"max_speed_mm_per_s", "volume_mm", "origin", *_MOTION}, file, "[motion]")
    reject_unknown(spool, {"pull_n"}, file, "[spool]")
    reject_unknown(program, {"dialect"}, file, "[program]")
    values = _quantities(drive, hot_end, spool, file)
    wheels = drive.get("driven_wheels", 1)
    if wheels not in (1, 2) or isinstance(wheels, bool):
        raise RecordError(f"{file}: drive.driven_wheels must be 1 or 2, got {wheels!r}")
    if not isinstance(spans, list) or not spans:
        raise RecordError(f"{file}: [[path]] is missing; list the spans from the drive to the melt, gap or guide")
    path_spans = tuple(_span(raw, i, file) for i, raw in enumerate(spans))
    liner = _word(hot_end.get("liner", "none"), ("none", "ptfe"), f"{file}: hot_end.liner")
    dialect = _word(program.get("dialect", "auto"), _DIALECTS, f"{file}: program.dialect")
    top = motion.get("max_speed_mm_per_s", list(_TOP_SPEED))
    if not isinstance(top, list) or len(top) != 4:
        raise RecordError(f"{file}: motion.max_speed_mm_per_s needs four numbers [x, y, z, e], got {top!r}")
    volume = motion.get("volume_mm")
    if volume is not None and (not isinstance(volume, list) or len(volume) != 3):
        raise RecordError(f"{file}: motion.volume_mm needs three numbers [x, y, z], got {volume!r}")
    unused = ("grip_friction", "bite_mm2") if "grip_n" in drive else ()
    assumed = [q.sentence() for key, q in values.items() if q.assumed and key not in unused]
    for span in path_spans:
        assumed += [q.sentence() for q in (span.bore_mm, span.friction) if q is not None and q.assumed]
    assumed += [f"motion.{key} {value:g} (generic)" for key, value in _MOTION.items() if key not in motion]
    limits = {key: _plain(motion.get(key, value), f"motion.{key}", file) for key, value in _MOTION.items()}
    tries, ours = _trying(data.get("tries", {}), file)
    return Machine(
        name=name_of(data, path),
        driven_wheels=int(wheels),
        path=path_spans,
        liner=liner,
        max_speed_mm_per_s=tuple(_plain(v, "motion.max_speed_mm_per_s", file) for v in top),
        dialect=dialect,
        assumed=(*assumed, *ours, *untouched("machine", data, file)),
        tries=tries,
        volume_mm=None if volume is None else tuple(_plain(v, "motion.volume_mm", file) for v in volume),  # type: ignore[arg-type]
        grip_n=parse_quantity(drive["grip_n"], "drive.grip_n", 1.15, file) if "grip_n" in drive else None,
        origin=_word(motion.get("origin", "corner"), ORIGINS, f"{file}: motion.origin"),
        **values,  # type: ignore[arg-type]
        **limits,  # type: ignore[arg-type]
    )


def _quantities(drive: Any, hot_end: Any, spool: Any, file: str) -> dict[str, Quantity]:
    """The numbers with a spread, as given or as usual."""
    values: dict[str, Quantity] = {}
    for table, where, keys in ((drive, "drive", _DRIVE), (hot_end, "hot_end", _HOT_END)):
        for key, (own, value, spread, source) in keys.items():
            raw = table.get(key)
            given = raw is not None
            values[key] = (
                parse_quantity(raw, f"{where}.{key}", own, file)
                if given
                else Quantity(f"{where}.{key}", value, spread, source, True)
            )
    if values["nozzle_mm"].value >= values["bore_mm"].value:
        raise RecordError(
            f"{file}: hot_end.nozzle_mm must be smaller than hot_end.bore_mm, got {values['nozzle_mm'].value:g} and "
            f"{values['bore_mm'].value:g}; measure both"
        )
    pull = spool.get("pull_n")
    values["spool_pull_n"] = (
        parse_quantity(pull, "spool.pull_n", 1.3, file)
        if pull is not None
        else Quantity("spool.pull_n", 1.0, 1.524, _MEMORY, True)
    )
    return values


def _trying(table: Any, file: str) -> tuple[Trying, list[str]]:
    """What a jam costs, and a sentence for each guess of ours."""
    usual = {f.name: f.default for f in fields(Trying)}
    reject_unknown(table, set(usual), file, "[tries]")
    values: dict[str, float | None] = {}
    for key, raw in table.items():
        if raw == "nobody" and key == "looks_in_every_min":
            values[key] = None
        elif isinstance(raw, str) and key == "looks_in_every_min":
            raise RecordError(f'{file}: tries.{key} must be minutes or "nobody", got {raw!r}')
        else:
            values[key] = _plain(raw, f"tries.{key}", file)
    ours = [f"tries.{key} {value:g} (our guess)" for key, value in usual.items() if key not in table]
    return Trying(**values), ours  # type: ignore[arg-type]


def _word(raw: Any, allowed: tuple[str, ...], where: str) -> str:
    if raw not in allowed:
        raise RecordError(f"{where} must be one of {', '.join(allowed)}, got {raw!r}")
    return str(raw)


def _mix(raw: Any, where: str) -> tuple[float, float]:
    if raw is None:
        return 0.0, 1.0
    good = isinstance(raw, list) and len(raw) == 2
    if not good or not all(isinstance(v, float) for v in raw) or not 0 < raw[0] < raw[1] < 1:
        raise RecordError(
            f"{where}.column_mix must be a range [low, high] within 0 and 1, got {raw!r}; or leave it out"
        )
    low, high = (NormalDist().inv_cdf(v) for v in raw)
    return (low + high) / 2, (high - low) / (2 * Z90)


def _span(raw: Any, i: int, file: str) -> Span:
    where = f"path[{i}]"
    reject_unknown(
        raw,
        {"kind", "length_mm", "ends", "bore_mm", "turn_deg", "friction", "end_factor", "column_mix"},
        file,
        f"[[path]] number {i + 1}",
    )
    kind = _word(raw.get("kind"), ("gap", "guide"), f"{file}: {where}.kind")
    if "length_mm" not in raw:
        raise RecordError(f"{file}: {where}.length_mm is missing; measure the {kind}")
    length = parse_quantity(raw["length_mm"], f"{where}.length_mm", 1.1 if kind == "gap" else 1.03, file)
    if kind == "gap":
        ends, held = _word(raw.get("ends", "pinned-fixed"), _ENDS, f"{file}: {where}.ends"), raw.get("end_factor")
        factor = None if held is None else parse_quantity(held, f"{where}.end_factor", 1.15, file)
        return Span(kind, length, ends, end_factor=factor, column_mix=_mix(raw.get("column_mix"), f"{file}: {where}"))
    for key in ("end_factor", "column_mix"):
        if key in raw:
            raise RecordError(f"{file}: {where}.{key} belongs to a gap; this span is a guide")
    bore, friction = raw.get("bore_mm"), raw.get("friction")
    turn = raw.get("turn_deg", 0)
    if isinstance(turn, bool) or not isinstance(turn, int | float) or not 0 <= turn <= 7200:
        raise RecordError(f"{file}: {where}.turn_deg must be between 0 and 7200, got {turn!r}")
    return Span(
        kind,
        length,
        bore_mm=parse_quantity(bore, f"{where}.bore_mm", 1.01, file)
        if bore is not None
        else Quantity(f"{where}.bore_mm", 2.0, 1.02, "common practice", True),
        turn_deg=float(turn),
        friction=parse_quantity(friction, f"{where}.friction", 1.2, file)
        if friction is not None
        else Quantity(f"{where}.friction", 0.087, 1.397, "PTFE, a working guess from memory", True),
    )
