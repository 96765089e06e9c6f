"""What each kind of record holds, what is allowed in it, and its checksum.

The same table serves writing, import, export and rescue, so that nothing enters the book by a side door. A field that
is not given is left out of the checksum; a later form of the book can therefore add fields to old records.
"""

import hashlib
import json
import math
import re
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from pliant.errors import BookError
from pliant.records.book import OUTCOMES, RETIRED

__all__ = ["KINDS", "Field", "Kind", "checked", "digest", "now", "record_text", "restored", "same_thing"]

MAX_NAME = 200
MAX_NOTE = 20_000
MAX_RECORD = 8 << 20  # [bytes]; a findings record is some tens of kB
_UID = re.compile(r"[0-9a-f]{16}")
_HASH = re.compile(r"[0-9a-f]{64}")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")


@dataclass(frozen=True)
class Field:
    """One column: its name, what kind of value, and whether it may be missing."""

    name: str
    what: str  # uid | moment | name | note | json | count | number | chance | flag | hash
    required: bool = True
    refers: str | None = None  # the kind a uid points to
    allowed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Kind:
    """One kind of record; `identity` names the fields that make two records the same thing."""

    name: str
    table: str
    fields: tuple[Field, ...]
    identity: tuple[str, ...] = ()
    unique: tuple[str, ...] = ()

    def field(self, name: str) -> Field:
        """Return the field of that name."""
        return next(f for f in self.fields if f.name == name)


def _refers(kind: str, name: str | None = None, required: bool = True) -> Field:
    return Field(name or kind, "uid", required, refers=kind)


_HEAD = (Field("uid", "uid"), Field("made_at", "moment"))
_VERSIONED = (Field("name", "name"), Field("version", "count"), Field("record", "json"))
_SAME = ("name", "version", "record")
_NV = ("name", "version")
_NOTE = Field("note", "note", False)
_ALL = (
    Kind("machine", "machines", (*_HEAD, *_VERSIONED, Field("text", "note", False)), _SAME, _NV),
    Kind("filament", "filaments", (*_HEAD, *_VERSIONED, Field("text", "note", False)), _SAME, _NV),
    Kind("recipe", "recipes", (*_HEAD, *_VERSIONED, _NOTE, _refers("recipe", "based_on", False)), _SAME, _NV),
    Kind(
        "program",
        "programs",
        (
            *_HEAD,
            Field("name", "name"),
            Field("sha256", "hash"),
            Field("size_bytes", "count", False),
            Field("lines", "count", False),
        ),
        ("sha256",),
        ("sha256",),
    ),
    Kind(
        "finding",
        "findings",
        (
            *_HEAD,
            _refers("program"),
            _refers("machine"),
            _refers("filament"),
            Field("verdict", "name", allowed=("feeds", "marginal", "jams")),
            Field("jam_probability", "chance"),
            Field("mechanism", "name"),
            Field("record", "json"),
        ),
    ),
    Kind(
        "course",
        "courses",
        (*_HEAD, _refers("program"), _refers("machine"), _refers("filament"), Field("record", "json")),
        ("program", "machine", "filament"),
        ("program", "machine", "filament"),
    ),
    Kind(
        "mended",
        "mended",
        (
            *_HEAD,
            _refers("program", "source"),
            _refers("program", "result"),
            _refers("machine"),
            _refers("filament"),
            Field("certified", "flag"),
            Field("record", "json"),
        ),
    ),
    Kind(
        "print",
        "prints",
        (
            *_HEAD,
            _refers("machine"),
            _refers("filament"),
            _refers("program", required=False),
            _refers("recipe", required=False),
            _refers("finding", required=False),
            _refers("mended", required=False),
            Field("printed_at", "moment", False),
            Field("printed_by", "name", False),
        ),
    ),
    Kind(
        "outcome",
        "outcomes",
        (
            *_HEAD,
            _refers("print"),
            Field("version", "count"),
            Field("outcome", "name", allowed=OUTCOMES),
            Field("at_line", "count", False),
            Field("at_time_s", "number", False),
            _NOTE,
            Field("at_layer", "count", False),
        ),
        unique=("print", "version"),
    ),
    Kind(
        "coupon",
        "coupons",
        (*_HEAD, _refers("machine"), _refers("filament"), Field("piece", "name"), Field("record", "json"), _NOTE),
    ),
    Kind(
        "fit",
        "fits",
        (*_HEAD, _refers("machine"), _refers("filament"), _refers("coupon", required=False), Field("record", "json")),
    ),
    Kind(
        "retirement",  # of a machine or a spool by name, of a print by identifier; the last word counts
        "retirements",
        (*_HEAD, Field("what", "name", allowed=RETIRED), Field("which", "name"), Field("retired", "flag"), _NOTE),
    ),
)
KINDS = {kind.name: kind for kind in _ALL}  # in an order in which nothing refers forward


def now() -> str:
    """Return this moment in UTC, in the one form the book uses."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def record_text(value: Any, where: str = "record") -> str:
    """Plain data as compact JSON, keys in the order given.

    Parameters
    ----------
    value : dict
        Keys are text; values are text, finite numbers, true, false, null, lists and tables of these.
    where : str
        What to call it in a message.

    Returns
    -------
    str
        ASCII text; reading it back gives an equal value.

    Raises
    ------
    BookError
        If it holds anything else, naming the key.

    Examples
    --------
    >>> record_text({"speed_mm_per_s": 20.0, "why": "85A"})
    '{"speed_mm_per_s":20.0,"why":"85A"}'
    """
    if not isinstance(value, dict):
        raise BookError(f"{where} must be a table of keys, got {_short(value)}")
    try:
        _plain(value, where)
        text = json.dumps(value, separators=(",", ":"), allow_nan=False)
    except RecursionError:
        raise BookError(f"{where} is nested too deeply") from None
    except ValueError as error:  # integers beyond Python's limit of digits
        raise BookError(f"{where}: {error}") from error
    if len(text) > MAX_RECORD:
        raise BookError(f"{where} takes {len(text)} bytes; at most {MAX_RECORD} fit in one record")
    return text


def checked(kind: Kind, values: dict[str, Any]) -> dict[str, Any]:
    """Check every field of a record.

    Parameters
    ----------
    kind : Kind
        What it should be.
    values : dict
        Field by field; `json` fields as text made by `record_text`.

    Returns
    -------
    dict
        All fields of the kind in their fixed order, `None` where nothing was given.

    Raises
    ------
    BookError
        Naming the key, what is allowed and what came.
    """
    for key in values:
        if all(key != f.name for f in kind.fields):
            allowed = ", ".join(f.name for f in kind.fields)
            raise BookError(f"{kind.name}: unknown key {key!r}; allowed are {allowed}")
    clean: dict[str, Any] = {}
    for f in kind.fields:
        raw = values.get(f.name)
        if raw is None and f.required:
            raise BookError(f"{kind.name}: {f.name} is missing")
        clean[f.name] = None if raw is None else _value(f, raw, f"{kind.name}: {f.name}")
    if kind.name == "outcome":
        _sensible(clean)
    return clean


def _canonical(kind: Kind, row: dict[str, Any]) -> str:
    """The one text of a record that its checksum covers."""
    given = {f.name: row[f.name] for f in kind.fields if row.get(f.name) is not None}
    return json.dumps({"kind": kind.name, **given}, sort_keys=True, separators=(",", ":"))


def digest(kind: Kind, row: dict[str, Any]) -> str:
    """Checksum of a record, SHA-256 over its _canonical text."""
    return hashlib.sha256(_canonical(kind, row).encode("ascii")).hexdigest()


def restored(kind: Kind, row: dict[str, Any], where: str) -> dict[str, Any]:
    """Return the given fields of a stored row as plain data, its checksum verified."""
    try:
        if digest(kind, row) != row["digest"]:
            raise ValueError("checksum")
        return {
            f.name: json.loads(row[f.name]) if f.what == "json" else row[f.name]
            for f in kind.fields
            if row[f.name] is not None
        }
    except (ValueError, TypeError, RecursionError):
        raise BookError(
            f"{where}: {kind.name} {row['uid']} does not match its checksum, so the book is damaged; "
            f"`book.rescue()` saves all that is whole into a new book"
        ) from None


def same_thing(kind: Kind, values: dict[str, Any]) -> str:
    """Identifier of a record: made of what it is where two books should agree on it, random where it is an event."""
    if not kind.identity:
        return secrets.token_hex(8)
    what = json.dumps([kind.name, *(values[name] for name in kind.identity)])
    return hashlib.sha256(what.encode("ascii")).hexdigest()[:16]


def _sensible(row: dict[str, Any]) -> None:
    outcome = row["outcome"]
    for key in ("at_line", "at_time_s", "at_layer"):
        if outcome == "ok" and row[key] is not None:
            raise BookError(
                f"outcome: {key} says where a print went wrong, but the outcome is ok; leave one of them out"
            )
    if outcome == "not-sure" and all(row[key] is None for key in ("note", "at_line", "at_time_s", "at_layer")):
        raise BookError("outcome: not-sure needs a note, at_line or at_time_s; write down what you saw")


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _plain(value: Any, where: str) -> None:
    if isinstance(value, dict):
        for key, inner in value.items():
            if not isinstance(key, str):
                raise BookError(f"{where}: a key must be text, got {_short(key)}")
            _plain(inner, f"{where}.{key}")
    elif isinstance(value, list | tuple):
        for i, inner in enumerate(value):
            _plain(inner, f"{where}[{i}]")
    elif isinstance(value, float) and not math.isfinite(value):
        raise BookError(f"{where} must be a finite number, got {value!r}")
    elif value is not None and not isinstance(value, str | int | float | bool):
        raise BookError(f"{where} must be text, a number, true, false, a list or a table, got {_short(value)}")


def _value(f: Field, raw: Any, where: str) -> Any:
    return _CHECKS[f.what](f, raw, where)


def _matching(pattern: re.Pattern[str], wants: str) -> Any:
    def check(_: Field, raw: Any, where: str) -> str:
        if not isinstance(raw, str) or not pattern.fullmatch(raw):
            raise BookError(f"{where} must be {wants}, got {_short(raw)}")
        return raw

    return check


def _moment(f: Field, raw: Any, where: str) -> str:
    text = _matching(_MOMENT, "a moment like 2025-03-01T09:30:00.000000Z")(f, raw, where)
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise BookError(f"{where} must be a moment that exists, got {_short(raw)}") from None
    return str(text)


def _words(raw: Any, where: str, most: int) -> str:
    if not isinstance(raw, str) or not raw.strip():
        raise BookError(f"{where} must be text, got {_short(raw)}")
    if len(raw) > most:
        raise BookError(f"{where} is {len(raw)} characters long; at most {most} are kept")
    if "\0" in raw or any("\ud800" <= c <= "\udfff" for c in raw):
        raise BookError(f"{where} holds a character that no text file can keep; type it again")
    return raw


def _name(f: Field, raw: Any, where: str) -> str:
    text = _words(raw, where, MAX_NAME)
    if not text.isprintable():
        raise BookError(f"{where} must be one line of printable text, got {_short(raw)}")
    if f.allowed and text not in f.allowed:
        raise BookError(f"{where} must be one of {', '.join(f.allowed)}, got {_short(raw)}")
    return text


def _note(_: Field, raw: Any, where: str) -> str:
    return _words(raw, where, MAX_NOTE if where.endswith("note") else 1 << 20)


def _json(_: Field, raw: Any, where: str) -> str:
    if not isinstance(raw, str) or not raw.startswith("{"):
        raise BookError(f"{where} must be a table of keys, got {_short(raw)}")
    return raw


def _count(f: Field, raw: Any, where: str) -> int:
    least = 0 if f.name in ("size_bytes", "lines") else 1
    if isinstance(raw, bool) or not isinstance(raw, int) or not least <= raw < 2**53:
        raise BookError(f"{where} must be a whole number of at least {least}, got {_short(raw)}")
    return raw


def _number(_: Field, raw: Any, where: str) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not 0 <= raw <= 1e8:
        raise BookError(f"{where} must be a number from 0 to 1e8, got {_short(raw)}")
    return float(raw) + 0.0  # -0.0 would not survive a database


def _chance(_: Field, raw: Any, where: str) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not 0 <= raw <= 1:
        raise BookError(f"{where} must be a number from 0 to 1, got {_short(raw)}")
    return float(raw) + 0.0


def _flag(_: Field, raw: Any, where: str) -> bool:
    if not isinstance(raw, bool):
        raise BookError(f"{where} must be true or false, got {_short(raw)}")
    return raw


_CHECKS: dict[str, Any] = {
    "uid": _matching(_UID, "an identifier of 16 hexadecimal digits"),
    "hash": _matching(_HASH, "a SHA-256 of 64 hexadecimal digits"),
    "moment": _moment,
    "name": _name,
    "note": _note,
    "json": _json,
    "count": _count,
    "number": _number,
    "chance": _chance,
    "flag": _flag,
}
