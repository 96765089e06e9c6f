"""The verbs of the book: parse, call one workflow, show."""

import json
from typing import Any

import click

from pliant.cli.shell import debug as _debug
from pliant.cli.shell import json_ as _json
from pliant.cli.shell import show as _show
from pliant.cli.shell import user_errors as _user_errors

__all__ = ["book"]

_place = click.option(
    "--book", "place", default=None, metavar="PLACE",
    help="The book: a file, or postgresql://user@host/name. Default: PLIANT_BOOK, else your own book.",
)  # fmt: skip
_limit = click.option(
    "--limit", type=click.IntRange(1, 1_000_000), default=20, show_default=True, help="At most so many."
)
_KINDS = ("machine", "filament", "recipe", "program", "finding", "mended", "print", "outcome", "coupon", "fit")


@click.group("book")
def book() -> None:
    """Your record: outcomes, recipes and spools; it only grows."""


@book.command("record")
@click.argument("outcome", metavar="OUTCOME")
@click.option("-m", "--machine", help="Your machine.toml, or a machine the book knows.")
@click.option("-f", "--filament", help="Your filament.toml, or a filament the book knows.")
@click.option("--program", help="The program that was printed: its file, or its identifier.")
@click.option("--recipe", help="The recipe that was used, as NAME or NAME@VERSION.")
@click.option("--line", "at_line", type=int, help="Line of the program where it went wrong.")
@click.option("--time", "at_time_s", type=float, help="Seconds into the job when it went wrong.")
@click.option("--note", help="What you saw.")
@click.option("--when", "printed_at", help="When it was printed, e.g. 2025-03-01T09:30.")
@click.option("--by", "printed_by", help="Who printed it: any name.")
@click.option("--print", "print_reference", help="Say anew how this print went, instead of a new one.")
@_place
@_json
@_debug
def record_command(
    outcome: str, machine: str | None, filament: str | None, program: str | None, recipe: str | None,
    at_line: int | None, at_time_s: float | None, note: str | None, printed_at: str | None, printed_by: str | None,
    print_reference: str | None, place: str | None, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Write down how a print went: OUTCOME is ok, jammed, stopped or not-sure."""
    with _user_errors(debug):
        from pliant.report.book import added_text
        from pliant.workflows.book import correct_outcome, record_outcome

        if print_reference is not None:
            if machine or filament or program or recipe or printed_at or printed_by:
                raise click.UsageError("--print names a print that is in the book; leave -m, -f and the rest out")
            told = correct_outcome(place, print_reference, outcome, at_line=at_line, at_time_s=at_time_s, note=note)
            _show(told, as_json, added_text)
            return
        if machine is None or filament is None:
            raise click.UsageError("-m and -f are needed: your files, or names that the book knows")
        made = record_outcome(
            place, outcome, machine, filament, program=program, recipe=recipe, at_line=at_line, at_time_s=at_time_s,
            note=note, printed_at=printed_at, printed_by=printed_by,
        )  # fmt: skip
        _show_all(made, as_json, added_text)


@book.command("add")
@click.argument("kind", type=click.Choice(["machine", "filament", "recipe", "program", "outcome"]))
@click.argument("file", type=click.Path())
@click.option("--name", help="Name of the recipe; default the file's.")
@click.option("--note", help="Why this version of the recipe; or what you saw of a print.")
@click.option("--program", help="Of an outcome: the file that was printed, mended or not.")
@click.option("-m", "--machine", help="Of an outcome: your machine.toml; else the one last checked or mended for.")
@click.option("-f", "--filament", help="Of an outcome: your filament.toml; else the one last checked or mended for.")
@click.option("--minute", "at_minute", type=float, help="Of an outcome: about which minute of the job.")
@click.option("--line", "at_line", type=int, help="Of an outcome: about which line of the program.")
@click.option("--layer", "at_layer", type=int, help="Of an outcome: about which layer, counted from 1.")
@click.option("--when", "printed_at", help="Of an outcome: when it was printed, e.g. 2025-03-01T09:30.")
@click.option("--by", "printed_by", help="Of an outcome: who printed it, any name.")
@_place
@_json
@_debug
def add_command(
    kind: str, file: str, name: str | None, note: str | None, place: str | None, as_json: bool, debug: bool,
    **of_a_print: Any,
) -> None:  # fmt: skip
    """Keep FILE as the next version of its name; an unchanged one adds nothing.

    Of an outcome FILE is a word: fed, jammed, ended-early or not-sure.
    """
    with _user_errors(debug):
        from pliant.report.book import added_text

        if kind == "outcome":
            from pliant.workflows.outcomes import add_outcome

            if name is not None:
                raise click.UsageError("--name belongs to a recipe; an outcome has none")
            _show_all(add_outcome(place, file, note=note, **of_a_print), as_json, added_text)
            return
        from pliant.workflows.book import add_file

        if given := [key for key, value in of_a_print.items() if value is not None]:
            word = {"printed_at": "when", "printed_by": "by"}.get(given[0], given[0].removeprefix("at_"))
            raise click.UsageError(f"--{word} belongs to an outcome, not to a {kind}; leave it out")
        _show(add_file(place, kind, file, name, note), as_json, added_text)


@book.command("list")
@click.argument("kind", type=click.Choice(_KINDS), required=False)
@_limit
@click.option("--retired", is_flag=True, help="Show what was retired too.")
@_place
@_json
@_debug
def list_command(kind: str | None, limit: int, retired: bool, place: str | None, as_json: bool, debug: bool) -> None:
    """List the newest records, of one KIND or all."""
    with _user_errors(debug):
        from pliant.report.book import listing_text
        from pliant.workflows.book import list_records

        _show(list_records(place, kind, limit, retired), as_json, listing_text)


@book.command("show")
@click.argument("record")
@_place
@_json
@_debug
def show_command(record: str, place: str | None, as_json: bool, debug: bool) -> None:
    """Show RECORD in full: a name, NAME@VERSION, or the first digits of an identifier."""
    with _user_errors(debug):
        from pliant.report.book import shown_text
        from pliant.workflows.book import show

        _show(show(place, record), as_json, shown_text)


@book.command("compare")
@click.argument("first")
@click.argument("second", required=False)
@_place
@_json
@_debug
def compare_command(first: str, second: str | None, place: str | None, as_json: bool, debug: bool) -> None:
    """Show two recipes side by side; with FIRST alone, its last two versions."""
    with _user_errors(debug):
        from pliant.report.book import comparison_text
        from pliant.workflows.book import compare

        _show(compare(place, first, second), as_json, comparison_text)


@book.command("history")
@click.argument("filament")
@click.option("--limit", type=click.IntRange(1, 1_000_000), default=200, show_default=True, help="At most so many.")
@_place
@_json
@_debug
def history_command(filament: str, limit: int, place: str | None, as_json: bool, debug: bool) -> None:
    """Show all that happened with the spool named FILAMENT."""
    with _user_errors(debug):
        from pliant.report.book import history_text
        from pliant.workflows.book import history

        _show(history(place, filament, limit), as_json, history_text)


@book.command("retire")
@click.argument("record")
@click.option("--undo", is_flag=True, help="Take it back into use.")
@click.option("--note", help="Why.")
@_place
@_json
@_debug
def retire_command(record: str, undo: bool, note: str | None, place: str | None, as_json: bool, debug: bool) -> None:
    """Hide a machine, a spool or a print written down by mistake; it stays in the book.

    RECORD is the name of a machine or a spool, or the first digits of an identifier. What is retired is neither offered
    nor counted.
    """
    with _user_errors(debug):
        from pliant.report.book import retired_text
        from pliant.workflows.book import retire

        _show(retire(place, record, again=undo, note=note), as_json, lambda made: retired_text(made, undo))


@book.command("export")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False), help="A new file of JSON lines.")
@_place
@_json
@_debug
def export_command(output: str, place: str | None, as_json: bool, debug: bool) -> None:
    """Write the whole book to a file of JSON lines, nothing lost."""
    with _user_errors(debug):
        from pliant.report.book import transfer_text
        from pliant.workflows.book import export

        _show(export(place, output), as_json, transfer_text)


@book.command("import")
@click.argument("file", type=click.Path())
@_place
@_json
@_debug
def import_command(file: str, place: str | None, as_json: bool, debug: bool) -> None:
    """Take in FILE, an exported book: all of it, or nothing."""
    with _user_errors(debug):
        from pliant.report.book import transfer_text
        from pliant.workflows.book import import_file

        _show(import_file(place, file), as_json, transfer_text)


@book.command("backup")
@click.option("-o", "--output", type=click.Path(dir_okay=False), help="A new file; default beside the book.")
@_place
@_json
@_debug
def backup_command(output: str | None, place: str | None, as_json: bool, debug: bool) -> None:
    """Copy the book, also while others write to it."""
    with _user_errors(debug):
        from pliant.report.book import transfer_text
        from pliant.workflows.book import back_up

        _show(back_up(place, output), as_json, transfer_text)


@book.command("verify")
@_place
@_json
@_debug
def verify_command(place: str | None, as_json: bool, debug: bool) -> None:
    """Read every record and verify its checksum."""
    with _user_errors(debug):
        from pliant.report.book import transfer_text
        from pliant.workflows.book import verify

        _show(verify(place), as_json, transfer_text)


@book.command("rescue")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False), help="The new book.")
@_place
@_json
@_debug
def rescue_command(output: str, place: str | None, as_json: bool, debug: bool) -> None:
    """Save all that is whole in a damaged book into a new one."""
    with _user_errors(debug):
        from pliant.report.book import transfer_text
        from pliant.workflows.book import rescue_book

        _show(rescue_book(place, output), as_json, transfer_text)


def _show_all(results: tuple[Any, ...], as_json: bool, text: Any) -> None:
    data = {r.kind: r.to_json() for r in results}
    click.echo(json.dumps(data, indent=1) if as_json else "\n".join(text(r) for r in results))
