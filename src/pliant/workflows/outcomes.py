"""How a print went: one line into the book, with what its program asks of the feed path.

An outcome belongs to the program that was printed, mended or not, by its content; what it asks is kept, so that the
file may go.
"""

from pathlib import Path
from typing import Any

from pliant.book import look, prints, records
from pliant.book.open_book import Book, default_location, is_server, open_book
from pliant.errors import BookError
from pliant.job.kept import KeptCourse, course_from
from pliant.records.book import Added
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.say import quantity
from pliant.workflows.book import record_outcome
from pliant.workflows.past_prints import kept_of, record_from

__all__ = ["OUTCOME_OF", "add_outcome"]

# as it is told, and as the book has it
OUTCOME_OF = {"fed": "ok", "jammed": "jammed", "ended-early": "stopped", "not-sure": "not-sure"}


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
    printed_by: str | None = None,
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
    note, printed_at, printed_by : str, optional
        What was seen; when, ISO 8601; who printed it, any name.

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
    where = [
        key for key, v in (("at_minute", at_minute), ("at_line", at_line), ("at_layer", at_layer)) if v is not None
    ]
    if said == "ok" and where:
        raise BookError(
            f"`{where[0]}` says where a print went wrong, but it is said to have fed; leave one of them out"
        )
    if at_layer is not None and at_layer < 1:
        raise BookError(f"`at_layer` must be a whole number of at least 1, got {at_layer}")
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
        kept = kept_of(program, *_records(book, *pair))
    if kept is not None:
        _demand_place(kept, ran["lines"] if ran else kept.lines, at_time_s, at_line, at_layer)
    course = None if kept is None or known is not None else kept.to_json()
    return record_outcome(
        book, said, *pair, program=str(program), at_line=at_line, at_time_s=at_time_s, at_layer=at_layer, note=note,
        printed_at=printed_at, printed_by=printed_by, course=course,
    )  # fmt: skip


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
    return record_from(read_machine, texts["machine"]), record_from(read_filament, texts["filament"])


def _text_of(book: Book, uid: str) -> str:
    shown = look.show(book, uid).record
    text = shown.fields.get("text")
    if text is None:
        raise BookError(f"{shown.kind} {uid}: an old record without its text; give your file")
    return str(text)


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
