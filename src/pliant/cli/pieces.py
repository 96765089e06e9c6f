"""The verbs about test pieces: coupon, learn, next."""

import shlex
import sys
from functools import partial
from typing import Any

import click

from pliant.cli.shell import debug, json_, keep_apart, progress, show, user_errors, write_page
from pliant.files import require_place

__all__ = ["coupon_command", "learn_command", "next_command"]


@click.command("coupon")
@click.argument("kind")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False), help="Write the program here.")
@click.option("--sheet", type=click.Path(dir_okay=False), help="Also write the one-page sheet here.")
@click.option("--nozzle-c", type=float, help="For a ladder: nozzle temperature, within the data sheet.")
@click.option("--gap-mm", type=float, help="For a ladder: height of its layers; a low one tells of the dam.")
@click.option("--draw-back", is_flag=True, help="For stop-start: draw filament back at each stop.")
@json_
@debug
def coupon_command(
    kind: str, machine: str, filament: str, output: str, sheet: str | None, nozzle_c: float | None,
    gap_mm: float | None, draw_back: bool, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Make a test piece: ladder, stop-start, gap-steps, threads, free-run or temperature-ladder.

    Writes the program, and beside it the readings file to fill in; print it, then `pliant learn`.
    """
    with user_errors(debug):
        keep_apart({"-o": output, "--sheet": sheet}, machine, filament)
        from pliant.report.coupon import coupon_text
        from pliant.report.coupon_page import coupon_page
        from pliant.report.sections import whole_page
        from pliant.workflows.coupon import coupon

        def page(made: Any, name: str) -> str:
            return whole_page(coupon_page(made, f"Into {name}, then run pliant learn."))

        made, readings = coupon(
            kind, machine, filament, output, sheet=page, sheet_path=sheet, nozzle_c=nozzle_c, gap_mm=gap_mm,
            draw_back=draw_back,
        )  # fmt: skip
        then = shlex.join(["pliant", "learn", str(readings), "-m", machine, "-f", filament])
        show(made, as_json, lambda c: coupon_text(c, output, str(readings)) + f"\nthen      fill it in, and: {then}")


@click.command("learn")
@click.argument("readings", nargs=-1, type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="The machine.toml they were printed with.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="The filament.toml they were printed with.")
@click.option("-o", "--output", type=click.Path(file_okay=False), help="Folder for the new versions; else beside.")
@click.option("-p", "--program", type=click.Path(), help="A program of yours: its chance of a jam before and after.")
@click.option("--book", help="Learn from the prints in this book too, or from them alone.")
@click.option("--photo", type=click.Path(), help="Fill in the stop-start READINGS from this picture of the piece.")
@click.option("--html", "html", type=click.Path(), help="Also write a report to this file: one page, self-contained.")
@json_
@debug
def learn_command(
    readings: tuple[str, ...], machine: str, filament: str, output: str | None, program: str | None,
    book: str | None, photo: str | None, html: str | None, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Learn from READINGS, or from the prints of a book, what this machine and this spool really do.

    Writes new versions of both records.

    Exit code 0: learned; 1: learned, but some readings contradict the rest; 2: bad input or not converged.
    """
    with user_errors(debug):
        keep_apart({"--html": html}, machine, filament, program, book, photo, *readings)
        if html is not None:
            require_place(html, what="the report")  # before the records are written
        from pliant.report.learn import learned_text
        from pliant.workflows.learn import learn

        with progress() as tell:
            told = partial(tell, "learning")
            found = learn(
                readings, machine, filament, folder=output, program=program, book=book, photo=photo, progress=told
            )
        if html is not None:
            from pliant.records.filament import read_filament
            from pliant.records.machine import read_machine
            from pliant.report.learn_page import learn_page

            write_page(html, learn_page(found, read_machine(machine).name, read_filament(filament).name))
        show(found, as_json, learned_text)
        sys.exit(1 if found.suspects else 0)


@click.command("next")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-p", "--program", type=click.Path(), help="The program whose chance of a jam you want to know.")
@json_
@debug
def next_command(machine: str, filament: str, program: str | None, as_json: bool, debug: bool) -> None:
    """Say which test piece to print next, and how much of the doubt it should take away."""
    with user_errors(debug):
        from pliant.report.learn import next_text
        from pliant.workflows.next_coupon import next_coupon

        with progress() as tell:
            found = next_coupon(machine, filament, program=program, progress=partial(tell, "weighing coupons"))
        piece = found.ranked[0]
        at = [] if piece.nozzle_c is None else ["--nozzle-c", f"{piece.nozzle_c:g}"]
        at += [] if piece.gap_mm is None else ["--gap-mm", f"{piece.gap_mm:g}"]
        command = ["pliant", "coupon", piece.kind, *at, "-m", machine, "-f", filament, "-o", f"{piece.kind}.gcode"]
        show(found, as_json, lambda n: next_text(n, shlex.join(command)))
