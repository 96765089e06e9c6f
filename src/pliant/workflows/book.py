"""The verbs of the book: each opens it, does one job, and returns a record."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pliant.book import look, prints, records, transfer
from pliant.book.lines import read_lines
from pliant.book.open_book import default_location, is_server, open_book
from pliant.book.rescue import rescue
from pliant.errors import BookError
from pliant.files import Source
from pliant.records.book import RETIRED, Added, Comparison, History, Listing, PastOutcomes, Shown, Transfer
from pliant.records.findings import Findings
from pliant.records.mended import Mended
from pliant.records.recipe import Recipe

__all__ = [
    "add_file",
    "back_up",
    "compare",
    "correct_outcome",
    "export",
    "history",
    "import_file",
    "keep_recipe",
    "list_records",
    "past",
    "people",
    "record_outcome",
    "remember_and_recall",
    "remember_and_tell",
    "remember_mended",
    "rescue_book",
    "retire",
    "show",
    "this_program",
    "verify",
]

_LARGEST_RECIPE = 1 << 20  # [bytes]


def record_outcome(
    book: str | Path | None,
    outcome: str,
    machine: str,
    filament: str,
    *,
    program: str | None = None,
    recipe: str | None = None,
    at_line: int | None = None,
    at_time_s: float | None = None,
    at_layer: int | None = None,
    note: str | None = None,
    printed_at: str | None = None,
    printed_by: str | None = None,
    course: dict[str, Any] | None = None,
) -> tuple[Added, Added]:
    """Write down how a print went.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own. A missing one is begun.
    outcome : str
        `ok`, `jammed`, `stopped` or `not-sure`.
    machine, filament : str
        The user's file, or a name, `NAME@VERSION` or identifier that the book knows.
    program : str, optional
        The program's file, or its identifier in the book.
    recipe : str, optional
        Name, `NAME@VERSION` or identifier in the book.
    at_line : int, optional
        Line of the program where it went wrong. [1]
    at_time_s : float, optional
        Time into the job when it went wrong. [s]
    at_layer : int, optional
        Layer where it went wrong. [1]
    note : str, optional
        What was seen.
    printed_at : str, optional
        When, ISO 8601, local time unless it says otherwise.
    printed_by : str, optional
        Who printed it: any name.
    course : dict, optional
        What the program asks of the feed path, to be kept with it.

    Returns
    -------
    print, outcome : Added

    Raises
    ------
    BookError, RecordError
        Naming the key; nothing is written then.
    """
    records.check_outcome(outcome, at_line, at_time_s, note, at_layer)
    when = None if printed_at is None else _moment(printed_at)
    ready = {
        "machine": records.prepare_toml("machine", machine) if Path(machine).is_file() else machine,
        "filament": records.prepare_toml("filament", filament) if Path(filament).is_file() else filament,
    }
    ran: str | records.Prepared | None = program
    if program is not None and Path(program).is_file():
        ran = records.prepare_program(program)
    with open_book(book, create=True) as opened:
        with opened.reading() as c:
            for kind, what in ready.items():
                if isinstance(what, str):
                    ready[kind] = _known(c, what, kind)
            if isinstance(ran, str):
                ran = _known(c, ran, "program")
            used = None if recipe is None else _known(c, recipe, "recipe")
        return records.add_print(
            opened, ready["machine"], ready["filament"], outcome=outcome, at_line=at_line, at_time_s=at_time_s,
            at_layer=at_layer, note=note, program=ran, recipe=used, printed_at=when, printed_by=printed_by,
            course=course,
        )  # fmt: skip


def remember_and_recall(
    book: str | Path | None, findings: Findings, program: str | Path, machine: Source, filament: Source,
    course: dict[str, Any] | None = None,
) -> PastOutcomes:  # fmt: skip
    """Keep what a check found, and say how earlier prints with this spool on this machine went.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own. A missing one is begun.
    findings : Findings
        What the check found.
    program, machine, filament : str or Path
        The files it was made for.
    course : dict, optional
        What the program asks of the feed path, to be kept with it.

    Returns
    -------
    PastOutcomes
        To stand beside the findings; `pliant.report.book.past_outcomes_text` words it.
    """
    return remember_and_tell(book, findings, program, machine, filament, course)[0]


def remember_and_tell(
    book: str | Path | None, findings: Findings, program: str | Path, machine: Source, filament: Source,
    course: dict[str, Any] | None = None,
) -> tuple[PastOutcomes, Added]:  # fmt: skip
    """Do what `remember_and_recall` does, and say which record the findings are."""
    ran = records.prepare_program(program).values
    with open_book(book, create=True) as opened:
        ready = records.prepare_toml("machine", machine), records.prepare_toml("filament", filament)
        past = prints.past_outcomes(opened, ready[0].values["name"], ready[1].values["name"])
        kept = records.remember_check(opened, findings, machine, filament, ran["sha256"], ran["name"], course)
    return past, kept


def keep_recipe(book: str | Path | None, recipe: Recipe) -> Added:
    """Keep a recipe that `plan` derived as the next version of its name.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own. A missing one is begun.
    recipe : Recipe
        What `plan` returned.

    Returns
    -------
    Added
    """
    with open_book(book, create=True) as opened:
        return records.add_recipe(opened, recipe.name, recipe.to_json(), f"derived by plan from {recipe.baseline}")


def remember_mended(
    book: str | Path | None, mended: Mended, source: str | Path | records.Prepared, result: str | Path,
    machine: Source, filament: Source,
) -> Added:  # fmt: skip
    """Keep that a program was mended: the two programs, machine and filament, what changed, and the certificate.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own. A missing one is begun.
    mended : Mended
        What `mend` did.
    source, result, machine, filament : str or Path
        The files it was made from and wrote; the source as `this_program` saw it where it was replaced.

    Returns
    -------
    Added
    """
    told = {
        "target": mended.target,
        "meets_target": mended.meets_target,
        "before": {"verdict": mended.before.verdict, "jam_probability": mended.before.jam_probability},
        "after": {"verdict": mended.after.verdict, "jam_probability": mended.after.jam_probability},
        "changes": mended.counts(),
        "certificate": mended.certificate.to_json(),
    }
    ready = [source if isinstance(source, records.Prepared) else this_program(source), this_program(result)]
    ready += [records.prepare_toml("machine", machine), records.prepare_toml("filament", filament)]
    ran = ready[1].values
    with open_book(book, create=True) as opened:
        uids = [records.add_prepared(opened, one).uid for one in ready]
        # a print of the mended program is held against what was found in the mended program
        records.remember_check(opened, mended.after, machine, filament, ran["sha256"], ran["name"])
        return records.remember_mended(opened, uids[0], uids[1], uids[2], uids[3], mended.certificate.certified, told)


def this_program(path: str | Path) -> records.Prepared:
    """A program by its content, as it is now."""
    return records.prepare_program(path)


def correct_outcome(
    book: str | Path | None,
    print_reference: str,
    outcome: str,
    *,
    at_line: int | None = None,
    at_time_s: float | None = None,
    note: str | None = None,
) -> Added:
    """Say anew how a print went; what was said before stays in the book."""
    with open_book(book) as opened:
        with opened.reading() as c:
            _, uid = look.find(c, print_reference, ("print",))
        return records.add_outcome(opened, uid, outcome, at_line, at_time_s, note)


def add_file(
    book: str | Path | None, kind: str, path: Source, name: str | None = None, note: str | None = None
) -> Added:
    """Keep a machine.toml, a filament.toml, a recipe (JSON, free keys) or the hash of a program."""
    if kind == "recipe":
        values = _recipe(Path(path))
        with open_book(book, create=True) as opened:
            return records.add_recipe(opened, name or Path(path).stem, values, note)
    if name is not None or note is not None:
        raise BookError(f"{kind}: name and note belong to a recipe; a {kind} is named by its file")
    ready = records.prepare_program(path) if kind == "program" else records.prepare_toml(kind, path)
    with open_book(book, create=True) as opened:
        return records.add_prepared(opened, ready)


def retire(book: str | Path | None, reference: str, *, again: bool = False, note: str | None = None) -> Added:
    """Retire a machine or a spool (every version of its name), or a print that was a mistake.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own.
    reference : str
        Name, `NAME@VERSION` or identifier.
    again : bool, default False
        Take it back into use instead.
    note : str, optional
        Why.

    Returns
    -------
    Added
        Named as what was retired; not new where it was so already.

    Raises
    ------
    BookError
        If the book knows no machine, spool or print like it.
    """
    with open_book(book) as opened:
        with opened.reading() as c:
            kind, uid = look.find(c, reference, RETIRED)
        shown = look.show(opened, uid)
        which = uid if kind == "print" else str(shown.record.fields["name"])
        if shown.retired != again:
            return Added("retirement", uid, which, None, False)
        return replace(records.retire(opened, kind, which, not again, note), name=which)


def people(book: str | Path | None) -> tuple[str, ...]:
    """Who printed lately, by name."""
    with open_book(book) as opened:
        return prints.people(opened)


def list_records(
    book: str | Path | None, kind: str | None = None, limit: int = 20, everything: bool = False
) -> Listing:
    """The newest records of a book; with everything also those that were retired."""
    with open_book(book) as opened:
        return look.listing(opened, kind, limit, everything)


def show(book: str | Path | None, reference: str) -> Shown:
    """One record in full."""
    with open_book(book) as opened:
        return look.show(opened, reference)


def compare(book: str | Path | None, first: str, second: str | None = None) -> Comparison:
    """Two recipes side by side; without the second, the last two versions of the first."""
    with open_book(book) as opened:
        return look.compare(opened, first, second)


def history(book: str | Path | None, filament: str, limit: int = 200) -> History:
    """All that happened with a spool."""
    with open_book(book) as opened:
        return look.history(opened, filament, limit)


def past(book: str | Path | None, machine_name: str, filament_name: str) -> PastOutcomes:
    """How earlier prints with this spool on this machine went."""
    with open_book(book) as opened:
        return prints.past_outcomes(opened, machine_name, filament_name)


def export(book: str | Path | None, target: str | Path) -> Transfer:
    """Write the whole book to JSON lines."""
    with open_book(book) as opened:
        return transfer.export_book(opened, target)


def import_file(book: str | Path | None, source: str | Path) -> Transfer:
    """Take in an export, all or nothing; a missing book is begun only if the file is whole."""
    location = default_location() if book is None else book
    if is_server(location) or not Path(location).exists():
        try:
            with Path(source).open("rb") as file:
                for _ in read_lines(file, str(source)):
                    pass
        except OSError as error:
            raise BookError(f"{source}: cannot be read ({error.strerror})") from error
    with open_book(book, create=True) as opened:
        return transfer.import_book(opened, source)


def back_up(book: str | Path | None, target: str | Path | None = None) -> Transfer:
    """Copy the book while others may be writing."""
    with open_book(book) as opened:
        return transfer.back_up(opened, target)


def verify(book: str | Path | None) -> Transfer:
    """Read every record and verify every checksum."""
    with open_book(book) as opened:
        return transfer.verify(opened)


def rescue_book(book: str | Path | None, target: str | Path) -> Transfer:
    """Save all that is whole in a damaged book into a new one."""
    location = default_location() if book is None else book
    if is_server(location):
        raise BookError("rescue is for a book in a file; a server has its own tools")
    return rescue(Path(location), Path(target))


def _known(connection: Any, reference: str, kind: str) -> str:
    try:
        return look.find(connection, reference, (kind,))[1]
    except BookError as error:
        raise BookError(f"{kind}: no file {reference!r}, and {error}") from error


def _recipe(path: Path) -> dict[str, Any]:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            twice = next(k for i, (k, _) in enumerate(pairs) if k in dict(pairs[:i]))
            raise ValueError(f"key {twice!r} comes twice")
        return found

    try:
        if path.stat().st_size > _LARGEST_RECIPE:
            raise BookError(f"{path}: larger than 1 MiB; a recipe is a page of values")
        values = json.loads(path.read_text(encoding="utf-8"), object_pairs_hook=once)
    except OSError as error:
        raise BookError(f"{path}: cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise BookError(f"{path}: not a recipe in JSON ({error})") from error
    if not isinstance(values, dict) or not values:
        raise BookError(f'{path}: a recipe is a table of keys and values, e.g. {{"speed_mm_per_s": 20}}')
    return values


def _moment(said: str) -> str:
    try:
        when = datetime.fromisoformat(said)
        return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    except (ValueError, OverflowError) as error:
        raise BookError(f"printed_at must be a moment like 2025-03-01T09:30, got {said[:40]!r}") from error
