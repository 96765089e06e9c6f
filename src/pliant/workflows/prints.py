"""Prints and how they went: one line into the book, and out of it as evidence for the next answer.

An outcome belongs to the program that was printed, mended or not, by its content. What the program asks of the feed
path is kept with it, so that the file may go. What is taken from the prints is in `feed.witness`.
"""

import json
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from pliant.book import look, prints, records
from pliant.book.open_book import Book, default_location, is_server, open_book
from pliant.errors import BookError, PliantError
from pliant.feed.witness import PRACTICE_WEIGHT, Seen, Witnesses
from pliant.files import Source, Text
from pliant.job.job import read_job
from pliant.job.kept import KeptCourse, course_from, kept_course, seen_from
from pliant.records.book import Added
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.say import quantity
from pliant.workflows.book import record_outcome

__all__ = ["OUTCOME_OF", "add_outcome", "with_witnesses"]

# as it is told, and as the book has it
OUTCOME_OF = {"fed": "ok", "jammed": "jammed", "ended-early": "stopped", "not-sure": "not-sure"}
_MOST_PRINTS = 40  # the newest: a hundredth of a second each for every thousand draws; then it is time to learn


def add_outcome(
    book: str | Path | None,
    outcome: str,
    program: str | Path | None,
    machine: str | Path | None = None,
    filament: str | Path | None = None,
    *,
    at_minute: float | None = None,
    at_line: int | None = None,
    at_layer: int | None = None,
    note: str | None = None,
    printed_at: str | None = None,
) -> tuple[Added, Added]:
    """Write down how a print went, with what its program asks of the feed path.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own. A missing one is begun.
    outcome : str
        `fed`, `jammed`, `ended-early` or `not-sure`; also as the book has them.
    program : str or Path
        The file that was printed, mended or not; or its identifier in the book.
    machine, filament : str or Path, optional
        The user's files, or what the book knows; left out: those that the program was last checked or mended for.
    at_minute, at_line, at_layer : optional
        About where it went wrong: into the job, of the program, counted from 1. [min, -, -]
    note, printed_at : str, optional
        What was seen; when, ISO 8601.

    Returns
    -------
    print, outcome : Added

    Raises
    ------
    PliantError
        If there is no such print, or no such minute, line or layer in it; nothing is written then.
    """
    said = OUTCOME_OF.get(outcome, outcome)
    if said not in OUTCOME_OF.values():
        raise BookError(f"outcome must be one of {', '.join(OUTCOME_OF)}, got {outcome[:40]!r}")
    if program is None:
        raise BookError("an outcome is that of a print: say which `program` was printed, its file or its identifier")
    if said == "not-sure" and note is None and at_minute is None and at_line is None and at_layer is None:
        note = "not sure"
    if at_minute is not None and not 0 <= at_minute < 1e6:
        raise BookError(f"`at_minute` must be a minute of the job, 0 or more, got {at_minute:g}")
    at_time_s = None if at_minute is None else 60.0 * at_minute
    records.check_outcome(said, at_line, at_time_s, note, at_layer)
    ran = records.prepare_program(program).values if Path(program).is_file() else None
    location = default_location() if book is None else book
    if is_server(location) or Path(location).expanduser().exists():
        with open_book(book) as opened:
            pair, known = _known(opened, str(program), ran, machine, filament)
    elif ran is None or machine is None or filament is None:
        raise BookError(
            f"{location}: no book there yet that knows this print; give the file as `program`, and `machine` and "
            "`filament`"
        )
    else:
        pair, known = (str(machine), str(filament)), None
    kept = course_from(known) if known is not None else None
    if kept is None and ran is not None:
        kept = _kept_of(program, *_records(book, *pair))
    if kept is not None:
        _demand_place(kept, ran["lines"] if ran else kept.lines, at_time_s, at_line, at_layer)
    return record_outcome(
        book, said, *pair, program=str(program), at_line=at_line, at_time_s=at_time_s, at_layer=at_layer, note=note,
        printed_at=printed_at, course=None if kept is None or known is not None else kept.to_json(),
    )  # fmt: skip


def with_witnesses(
    machine: Machine, filament: Filament, book: str | Path | None = None, *, practice: bool = False,
    near: str | Path | None = None,
) -> Filament:  # fmt: skip
    """The filament with what the prints of a book and the trade say of it on this machine.

    Parameters
    ----------
    machine, filament : Machine, Filament
        As read from their files.
    book : str or Path, optional
        The book; None, or one that is not there: no prints.
    practice : bool, default False
        Whether to hear the trade.
    near : str or Path, optional
        A program beside which those of older prints may lie, that the book keeps by name and hash alone.

    Returns
    -------
    Filament
        Itself where there is nothing to hear.
    """
    seen: tuple[Seen, ...] = ()
    left_out: tuple[str, ...] = ()
    if book is not None and (is_server(book) or Path(book).expanduser().exists()):
        with open_book(book) as opened:
            seen, left_out = _seen(opened, machine, filament, None if near is None else Path(near).parent)
    if not (seen or left_out or practice):
        return filament
    said = Witnesses(machine, filament, seen, PRACTICE_WEIGHT if practice else None, left_out)
    return replace(filament, evidence=said)


def _seen(
    book: Book, machine: Machine, filament: Filament, folder: Path | None
) -> tuple[tuple[Seen, ...], tuple[str, ...]]:
    """The prints that count, and why others do not."""
    used = filament.together.readings if filament.together is not None else ()
    rows = prints.printed(book, machine.name, filament.name, _MOST_PRINTS + 1)
    courses: dict[tuple[str, str, str], KeptCourse] = {}
    seen, left_out = [], []
    for r in rows[:_MOST_PRINTS]:
        if r["uid"] in used or r["outcome"] == "not-sure":
            continue
        name = f"the print of {r['made_at'][:10]}" + (f" ({r['name']})" if r["name"] else "")
        changed = _other_hardware(r["machine_text"], machine) or _other_spool(r["filament_text"], filament)
        if changed:
            left_out.append(f"{name}: {changed}")
            continue
        key = (r["program"], r["machine"], r["filament"])
        if key not in courses and (kept := _course_of(r, machine, filament, folder)) is not None:
            courses[key] = kept
        if key not in courses:
            left_out.append(f"{name}: its program is not known to the book, nor beside this one")
            continue
        found = seen_from(
            courses[key], r["outcome"], r["at_time_s"], r["at_line"], r["at_layer"], _late_s(machine), mark=r["uid"]
        )
        if found is None:
            left_out.append(f"{name}: ended early, and not said when")
        else:
            seen.append(found)
    if len(rows) > _MOST_PRINTS:
        left_out.append(f"prints before the newest {_MOST_PRINTS}: take them in with `learn()`")
    return tuple(seen), tuple(left_out)


def _late_s(machine: Machine) -> float | None:
    every = machine.tries.looks_in_every_min
    return None if every is None else 60 * every


def _course_of(r: dict[str, Any], machine: Machine, filament: Filament, folder: Path | None) -> KeptCourse | None:
    """What the book keeps of a program, or what a file beside this one with its name and content asks."""
    if r["course"] is not None:
        return _course_from(json.dumps(r["course"]))
    if r["name"] is None or folder is None:
        return None
    file = folder / r["name"]
    try:
        if not file.is_file() or records.prepare_program(file).values["sha256"] != r["sha256"]:
            return None
        return _kept_of(file, machine, filament)
    except PliantError:
        return None


@lru_cache(maxsize=64)
def _course_from(text: str) -> KeptCourse:
    return course_from(json.loads(text))


def _kept_of(program: str | Path, machine: Machine, filament: Filament) -> KeptCourse:
    return kept_course(read_job(program, machine, filament))


def _known(
    book: Book, program: str, ran: dict[str, Any] | None, machine: str | Path | None, filament: str | Path | None
) -> tuple[tuple[str, str], dict[str, Any] | None]:
    """Machine and filament of a print, and what the book keeps of its program for them."""
    with book.reading() as c:
        t = look.find(c, program, ("program",))[1] if ran is None else prints.program_uid(c, ran["sha256"])
        if machine is None or filament is None:
            pair = None if t is None else prints.newest_pair(c, t)
            if pair is None:
                raise BookError(
                    f"{program}: the book does not know which machine and spool it was printed with; give `machine` "
                    "and `filament`"
                )
            machine, filament = machine or pair[0], filament or pair[1]
        both = [
            str(what) if Path(what).is_file() else look.find(c, str(what), (kind,))[1]
            for kind, what in (("machine", machine), ("filament", filament))
        ]
        uids = [_newest(c, kind, what) for kind, what in zip(("machine", "filament"), both, strict=True)]
        course = prints.course_of(c, t, str(uids[0]), str(uids[1])) if t is not None and all(uids) else None
    return (both[0], both[1]), course


def _newest(c: Any, kind: str, what: str) -> str | None:
    """The newest version in the book of a file's name; an identifier as it is."""
    if not Path(what).is_file():
        return what
    return prints.newest_uid(c, kind, records.prepare_toml(kind, what).values["name"])


def _records(book: str | Path | None, machine: str, filament: str) -> tuple[Machine, Filament]:
    """The records of a print, from the user's files or from the book."""
    if Path(machine).is_file() and Path(filament).is_file():
        return read_machine(machine), read_filament(filament)
    texts = {}
    with open_book(book) as opened:
        for kind, what in (("machine", machine), ("filament", filament)):
            texts[kind] = Path(what).read_text("utf-8") if Path(what).is_file() else _text_of(opened, what)
    return _from_text(read_machine, texts["machine"]), _from_text(read_filament, texts["filament"])


def _text_of(book: Book, uid: str) -> str:
    shown = look.show(book, uid).record
    text = shown.fields.get("text")
    if text is None:
        raise BookError(f"{shown.kind} {uid}: an old record without its text; give your file")
    return str(text)


@lru_cache(maxsize=32)
def _from_text(read: Callable[[Source], Any], text: str) -> Any:
    return read(Text("record", text))


def _other_hardware(text: str | None, now: Machine) -> str:
    """What of the machine was another when it printed; empty where nothing is known to have been."""
    then = None if text is None else _from_text(read_machine, text)
    if then is None:
        return ""
    if [s.kind for s in then.path] != [s.kind for s in now.path] or then.driven_wheels != now.driven_wheels:
        return "the feed path was another then"
    pairs = [("nozzle_mm", then.nozzle_mm, now.nozzle_mm)]
    for i, (old, new) in enumerate(zip(then.path, now.path, strict=True)):
        pairs += [(f"path[{i}].{key}", getattr(old, key), getattr(new, key)) for key in ("length_mm", "bore_mm")]
    for key, a, b in pairs:
        if a is None or b is None or "learned" in a.source + b.source:
            continue
        if max(a.low, b.low) > 1.05 * min(a.high, b.high):
            return f"{key} was {a.value:g} then and is {b.value:g} now"
    return ""


def _other_spool(text: str | None, now: Filament) -> str:
    then = None if text is None else _from_text(read_filament, text)
    if then is None or (then.shore, then.scale) == (now.shore, now.scale):
        return ""
    return f"the spool was {then.shore:g}{then.scale} then"


def _demand_place(
    kept: KeptCourse, lines: int, at_time_s: float | None, at_line: int | None, at_layer: int | None
) -> None:
    """Refuse a moment that the program does not have."""
    if at_time_s is not None and at_time_s > kept.time_s:
        raise BookError(
            f"outcome: minute {at_time_s / 60:g} is beyond the job's end; by its own motion it takes "
            f"{quantity(kept.time_s, 's')}; if the machine took longer, give the line or the layer"
        )
    if at_line is not None and at_line > lines:
        raise BookError(f"outcome: line {at_line} is beyond the program's last, which is {lines}")
    layers = kept.layer_end_s.size
    if at_layer is not None and at_layer > layers:
        raise BookError(f"outcome: layer {at_layer} is beyond the program's last, which is {layers}")
