"""Write into the book: one transaction a call, nothing ever overwritten.

A machine, filament or recipe of a known name gets the next version number; the same content as the newest version adds
nothing. Everything else is an event and stands for itself.
"""

import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, insert, select
from sqlalchemy.exc import IntegrityError

from pliant.book.fields import KINDS, Kind, checked, digest, now, record_text, same_thing
from pliant.book.open_book import Book
from pliant.book.retired import is_retired
from pliant.book.schema import TABLES
from pliant.errors import BookError, NotInBookError
from pliant.files import Source, open_source, text_of
from pliant.records.book import Added
from pliant.records.filament import read_filament
from pliant.records.machine import load_toml, read_machine
from pliant.records.renamed import todays_names

__all__ = [
    "Prepared",
    "add_outcome",
    "add_prepared",
    "add_print",
    "add_recipe",
    "check_outcome",
    "prepare_program",
    "prepare_toml",
    "remember_check",
    "remember_coupon",
    "remember_fit",
    "remember_mended",
    "retire",
]

_T = TypeVar("_T")
_ATTEMPTS = 50


@dataclass(frozen=True)
class Prepared:
    """A machine, filament or program from the user's files, checked, to be written with what refers to it."""

    kind: str
    values: dict[str, Any]


def prepare_toml(kind: str, path: Source) -> Prepared:
    """Read a machine.toml or filament.toml with its own strict reader, keeping it as plain data and word for word."""
    record = read_machine(path) if kind == "machine" else read_filament(path)
    data = load_toml(path)
    values = {
        "name": record.name,
        "record": record_text({k: v for k, v in data.items() if k != "name"}, str(path)),
        "text": text_of(path),
    }
    return Prepared(kind, values)


def prepare_program(path: Source) -> Prepared:
    """Hash a program, whatever its size, and count its lines."""
    file, whole, size, lines, last = Path(path), hashlib.sha256(), 0, 0, b"\n"
    try:
        with open_source(path) as source:
            while block := source.read(1 << 20):
                whole.update(block)
                size, lines, last = size + len(block), lines + block.count(b"\n"), block
    except OSError as error:
        raise BookError(f"{file}: cannot be read ({error.strerror})") from error
    name = "".join(c if c.isprintable() else "?" for c in file.name)[:200]
    lines += not last.endswith(b"\n")
    return Prepared("program", {"name": name, "sha256": whole.hexdigest(), "size_bytes": size, "lines": lines})


def add_prepared(book: Book, what: Prepared) -> Added:
    """Keep one of the user's files by itself; a machine or a spool that was retired is in use again."""

    def work(c: Connection) -> Added:
        made = _kept(c, what)
        if is_retired(c, what.kind, what.values | {"uid": made.uid}):
            _event(c, KINDS["retirement"], {"what": what.kind, "which": what.values["name"], "retired": False})
        return made

    return _in_one(book, work)


def add_recipe(
    book: Book, name: str, values: dict[str, Any], note: str | None = None, based_on: str | None = None
) -> Added:
    """Keep a recipe as the next version of its name.

    Parameters
    ----------
    book : Book
        An open book.
    name : str
        Name of the recipe.
    values : dict
        Any keys; plain data.
    note : str, optional
        Why this version.
    based_on : str, optional
        Identifier of the recipe it was made from.
    """
    row = {"name": name, "record": record_text(values, "recipe"), "note": note, "based_on": based_on}
    return _in_one(book, lambda c: _version(c, KINDS["recipe"], row))


def check_outcome(
    outcome: str, at_line: int | None, at_time_s: float | None, note: str | None, at_layer: int | None = None
) -> None:
    """Refuse nonsense before a book is opened or begun."""
    row = {"uid": "0" * 16, "made_at": now(), "print": "0" * 16, "version": 1, "outcome": outcome, "note": note}
    checked(KINDS["outcome"], row | {"at_line": at_line, "at_time_s": at_time_s, "at_layer": at_layer})


def add_print(
    book: Book,
    machine: str | Prepared,
    filament: str | Prepared,
    *,
    outcome: str,
    at_line: int | None = None,
    at_time_s: float | None = None,
    at_layer: int | None = None,
    note: str | None = None,
    course: dict[str, Any] | None = None,
    program: str | Prepared | None = None,
    recipe: str | None = None,
    finding: str | None = None,
    mended: str | None = None,
    printed_at: str | None = None,
    printed_by: str | None = None,
) -> tuple[Added, Added]:
    """Keep a print and how it went, in one transaction.

    Parameters
    ----------
    book : Book
        An open book.
    machine, filament, program, recipe, finding, mended : str
        Identifiers of records in the book, or files made ready by `prepare_toml` and `prepare_program`; the last four
        may be missing. Finding and mending are looked up if none is given.
    outcome : str
        `ok`, `jammed`, `stopped` or `not-sure`.
    at_line : int, optional
        Line of the program at which it went wrong. [1]
    at_time_s : float, optional
        Time into the job at which it went wrong. [s]
    at_layer : int, optional
        Layer at which it went wrong, counted from 1.
    note : str, optional
        What was seen.
    course : dict, optional
        What the program asks of the feed path, to be kept with it.
    printed_at : str, optional
        When, in UTC; default is not known.
    printed_by : str, optional
        Who printed it: any name.

    Returns
    -------
    print, outcome : Added
    """

    def work(c: Connection) -> tuple[Added, Added]:
        on, of, ran = (
            _kept(c, x).uid if isinstance(x, Prepared) else x for x in (machine, filament, program)
        )  # fmt: skip
        known = finding
        if known is None and ran is not None:
            t = TABLES["finding"]
            same = (t.c.program == ran) & (t.c.machine == on) & (t.c.filament == of)
            known = c.execute(select(t.c.uid).where(same).order_by(t.c.made_at.desc()).limit(1)).scalar()
        made_by = mended
        if made_by is None and ran is not None:
            t = TABLES["mended"]
            made_by = c.execute(
                select(t.c.uid).where((t.c.result == ran) & (t.c.source != ran)).order_by(t.c.made_at.desc()).limit(1)
            ).scalar()
        print_row = {
            "machine": on, "filament": of, "program": ran, "recipe": recipe, "finding": known,
            "mended": made_by, "printed_at": printed_at, "printed_by": printed_by,
        }  # fmt: skip
        made = _event(c, KINDS["print"], print_row)
        _line_exists(c, ran, at_line)
        if course is not None and ran is not None:
            _course(c, ran, str(on), str(of), course)
        return made, _outcome(c, made.uid, outcome, at_line, at_time_s, note, at_layer)

    return _in_one(book, work)


def add_outcome(
    book: Book, print_uid: str, outcome: str, at_line: int | None = None, at_time_s: float | None = None,
    note: str | None = None,
) -> Added:  # fmt: skip
    """Say anew how a print went; the last word counts, the earlier ones stay readable."""

    def work(c: Connection) -> Added:
        t = TABLES["print"]
        found = c.execute(select(t.c.program).where(t.c.uid == print_uid)).first()
        if found is None:
            raise NotInBookError(f"print {print_uid}: not in this book; `book.list()` shows what is")
        _line_exists(c, found.program, at_line)
        return _outcome(c, print_uid, outcome, at_line, at_time_s, note)

    return _in_one(book, work)


def retire(book: Book, what: str, which: str, retired: bool, note: str | None = None) -> Added:
    """Retire a machine or a spool of this name, or the print of this identifier; or take it back into use."""
    row = {"what": what, "which": which, "retired": retired, "note": note}
    return _in_one(book, lambda c: _event(c, KINDS["retirement"], row))


def remember_check(
    book: Book,
    findings: Any,
    machine_toml: Source,
    filament_toml: Source,
    program_hash: str,
    program_name: str = "program",
    course: dict[str, Any] | None = None,
) -> Added:
    """Keep what a check found, with the versions of machine and filament it was made for.

    Parameters
    ----------
    book : Book
        An open book.
    findings : Findings
        Anything with `to_json()` that holds `verdict`, `jam_probability` and `mechanism`.
    machine_toml, filament_toml : str, Path or Text
        The user's files.
    program_hash : str
        SHA-256 of the bytes of the program, hexadecimal.
    program_name : str
        What to call the program in lists.
    course : dict, optional
        What the program asks of the feed path, to be kept with it.

    Returns
    -------
    Added
        Of the finding; not new if the last one for the same three says the same.
    """
    data = _finite(findings.to_json() if hasattr(findings, "to_json") else findings)
    record = record_text(data, "findings")
    machine, filament = prepare_toml("machine", machine_toml), prepare_toml("filament", filament_toml)

    def work(c: Connection) -> Added:
        row = {
            "program": _program(c, {"name": program_name, "sha256": program_hash}).uid,
            "machine": _kept(c, machine).uid,
            "filament": _kept(c, filament).uid,
            "verdict": data.get("verdict"),
            "jam_probability": data.get("jam_probability"),
            "mechanism": data.get("mechanism"),
            "record": record,
        }
        if course is not None:
            _course(c, row["program"], row["machine"], row["filament"], course)
        t = TABLES["finding"]
        same = (t.c.program == row["program"]) & (t.c.machine == row["machine"]) & (t.c.filament == row["filament"])
        last = c.execute(select(t.c.uid, t.c.record).where(same).order_by(t.c.made_at.desc()).limit(1)).first()
        if last is not None and todays_names(json.loads(last.record)) == json.loads(record):
            return Added("finding", last.uid, program_name, None, False)
        return _event(c, KINDS["finding"], row)

    return _in_one(book, work)


def remember_mended(
    book: Book, source: str, result: str, machine: str, filament: str, certified: bool, record: dict[str, Any]
) -> Added:
    """Keep that a program was mended: both programs, machine and filament by identifier, changes and certificate."""
    row = {
        "source": source, "result": result, "machine": machine, "filament": filament, "certified": certified,
        "record": record_text(_finite(record), "mended"),
    }  # fmt: skip
    return _in_one(book, lambda c: _event(c, KINDS["mended"], row))


def remember_coupon(
    book: Book, machine: str, filament: str, piece: str, record: dict[str, Any], note: str | None = None
) -> Added:
    """Keep a coupon with its readings; machine and filament by identifier."""
    row = {"machine": machine, "filament": filament, "piece": piece, "record": record_text(record, "coupon")}
    return _in_one(book, lambda c: _event(c, KINDS["coupon"], row | {"note": note}))


def remember_fit(book: Book, machine: str, filament: str, record: dict[str, Any], coupon: str | None = None) -> Added:
    """Keep what was learned of a machine and a filament, and from which coupon."""
    row = {"machine": machine, "filament": filament, "coupon": coupon, "record": record_text(_finite(record), "fit")}
    return _in_one(book, lambda c: _event(c, KINDS["fit"], row))


def _insert_row(connection: Connection, kind: Kind, row: dict[str, Any]) -> None:
    """Insert one checked row that carries its digest."""
    connection.execute(insert(TABLES[kind.name]), row)


def _in_one(book: Book, work: Callable[[Connection], _T]) -> _T:
    """Run in one transaction; a server may let two writers collide, and then the later one looks again."""
    for _ in range(_ATTEMPTS):
        try:
            with book.writing() as connection:
                return work(connection)
        except BookError as error:
            collided = isinstance(error.__cause__, IntegrityError) and not book.path
            if not collided or getattr(error.__cause__.orig, "sqlstate", "") != "23505":  # type: ignore[union-attr]
                raise
    raise BookError(f"{book.where}: too many others are writing the same record; nothing was written; try again")


def _event(c: Connection, kind: Kind, values: dict[str, Any], uid: str | None = None) -> Added:
    row = checked(kind, values | {"uid": uid or same_thing(kind, values), "made_at": now()})
    for f in kind.fields:
        if f.refers and row[f.name] is not None:
            t = TABLES[f.refers]
            if c.execute(select(t.c.uid).where(t.c.uid == row[f.name])).first() is None:
                raise BookError(f"{kind.name}: {f.name} {row[f.name]} is not in this book; nothing was written")
    _insert_row(c, kind, row | {"digest": digest(kind, row)})
    return Added(kind.name, row["uid"], str(row.get("name") or row.get("piece") or kind.name), row.get("version"), True)


def _kept(c: Connection, what: Prepared) -> Added:
    return _program(c, what.values) if what.kind == "program" else _version(c, KINDS[what.kind], what.values)


def _version(c: Connection, kind: Kind, values: dict[str, Any]) -> Added:
    t = TABLES[kind.name]
    checked(kind, values | {"uid": "0" * 16, "made_at": now(), "version": 1})  # nonsense is refused before any query
    newest = t.c.name == values["name"]
    last = c.execute(select(t.c.uid, t.c.version, t.c.record).where(newest).order_by(t.c.version.desc())).first()
    if last is not None and _sorted(last.record) == _sorted(values["record"]):
        return Added(kind.name, last.uid, values["name"], last.version, False)
    return _event(c, kind, values | {"version": 1 if last is None else last.version + 1})


def _sorted(record: str) -> str:
    """Content whatever the order of the keys; as text, since in Python True equals 1."""
    return json.dumps(json.loads(record), sort_keys=True)


def _program(c: Connection, values: dict[str, Any]) -> Added:
    kind, t = KINDS["program"], TABLES["program"]
    checked(kind, values | {"uid": "0" * 16, "made_at": now()})
    known = c.execute(select(t.c.uid, t.c.name).where(t.c.sha256 == values["sha256"])).first()
    return Added("program", known.uid, known.name, None, False) if known else _event(c, kind, values)


def _outcome(
    c: Connection, print_uid: str, outcome: str, at_line: int | None, at_time_s: float | None, note: str | None,
    at_layer: int | None = None,
) -> Added:  # fmt: skip
    t = TABLES["outcome"]
    last = c.execute(select(t.c.version).where(t.c.print == print_uid).order_by(t.c.version.desc())).scalar()
    row = {"print": print_uid, "version": (last or 0) + 1, "outcome": outcome, "note": note}
    return _event(c, KINDS["outcome"], row | {"at_line": at_line, "at_time_s": at_time_s, "at_layer": at_layer})


def _course(c: Connection, program: str, machine: str, filament: str, record: dict[str, Any]) -> Added:
    t, row = TABLES["course"], {"program": program, "machine": machine, "filament": filament}
    known = c.execute(select(t.c.uid).where(*(t.c[k] == v for k, v in row.items()))).scalar()
    row["record"] = record_text(_finite(record), "course")
    return Added("course", known, "course", None, False) if known else _event(c, KINDS["course"], row)


def _line_exists(c: Connection, program: str | None, at_line: int | None) -> None:
    t = TABLES["program"]
    if at_line is None or isinstance(at_line, bool) or not isinstance(at_line, int) or program is None:
        return
    lines = c.execute(select(t.c.lines).where(t.c.uid == program)).scalar()
    if lines is not None and at_line > lines:
        raise BookError(f"outcome: at_line must lie in the program, 1 to {lines}, got {at_line}")


def _finite(value: Any) -> Any:
    """JSON has no infinity: what a computation left unbounded becomes null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    return value
