"""The verbs about a program: read, check, mend, batch."""

import shlex
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from pliant.cli.shell import (
    STOPPED,
    debug,
    json_,
    keep_apart,
    practice_,
    progress,
    records_of,
    show,
    to_copy,
    user_errors,
)
from pliant.errors import PliantError

__all__ = ["batch_command", "check_command", "mend_command", "read_command"]


def _to_copy(text_of: Callable[[Any], str], program: str, machine: str, filament: str) -> Callable[[Any], str]:
    """The same text, with the commands that it may lead to ready to copy."""
    records, pieces = records_of(machine, filament), to_copy(text_of, machine, filament)
    path = Path(program)
    watched, mended = (shlex.quote(str(path.with_name(f"{path.stem}-{k}{path.suffix}"))) for k in ("watched", "mended"))

    def text(result: Any) -> str:
        mend = f"pliant mend {shlex.quote(program)} {records}"
        said = pieces(result).replace('`mend(aim="quickest")`', f"{mend} --aim quickest -o {watched}")
        said = said.replace('`mend(aim="surest")`', f"{mend} --aim surest -o {mended}")
        said = said.replace("`mend(add=first-layer)`", f"{mend} --add first-layer --height-mm 0.1 -o {mended}")
        return said.replace("`mend()`", f"{mend} -o {mended}")

    return text


def _aim(aim: str | None, target: float | None) -> dict[str, Any]:
    """What was aimed at, by the library's names: a word, or a chance in place of the target."""
    if aim is None:
        return {}
    if target is not None and aim != "surest":
        raise PliantError("--aim and --target both say how sure it shall be; leave one out")
    try:
        return {"target": float(aim)}
    except ValueError:
        return {"aim": aim}


@click.command("read")
@click.argument("program", type=click.Path())
@click.option("--dialect", default="auto", help="How the controller reads the words that differ.")
@json_
@debug
def read_command(program: str, dialect: str, as_json: bool, debug: bool) -> None:
    """Print the facts of PROGRAM."""
    with user_errors(debug):
        from pliant.report.check import facts_text
        from pliant.workflows.read import read

        with progress() as tell:
            facts = read(program, dialect=dialect, progress=tell)
        show(facts, as_json, facts_text)


@click.command("check")
@click.argument("program", type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("--html", "html", type=click.Path(), help="Also write a report to this file: one page, self-contained.")
@click.option("--dialect", help="How the controller reads the words that differ; else the machine's own.")
@click.option("--part", "mesh", type=click.Path(), help="The mesh of the part, to be judged too.")
@click.option("--book", "book_path", help="Learn from the prints in this book, and keep the findings there.")
@practice_
@json_
@debug
def check_command(
    program: str, machine: str, filament: str, html: str | None, dialect: str | None, mesh: str | None,
    book_path: str | None, practice: bool, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Say whether PROGRAM feeds. Exit code 0: feeds; 1: marginal or jams; 2: bad input."""
    with user_errors(debug):
        keep_apart({"--html": html}, program, machine, filament, mesh, book_path)
        from pliant.report.check import findings_text
        from pliant.workflows.check import check
        from pliant.workflows.picture import check_with_report

        asked: dict[str, Any] = {"dialect": dialect, "mesh": mesh, "book": book_path, "practice": practice}
        with progress() as tell:
            asked["progress"] = tell
            if html is None:
                findings = check(program, machine, filament, **asked)
            else:
                findings = check_with_report(program, machine, filament, html, **asked)
        text = _to_copy(findings_text, program, machine, filament)
        if book_path is None:
            show(findings, as_json, text)
        else:
            from pliant.report.book import past_outcomes_text
            from pliant.workflows.book import remember_and_recall

            past = remember_and_recall(book_path, findings, program, machine, filament)
            show(findings, as_json, text, past_outcomes=past.to_json())
            if not as_json:
                click.echo(past_outcomes_text(past))
        sys.exit(0 if findings.verdict == "feeds" else 1)


@click.command("mend")
@click.argument("program", type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-o", "--output", type=click.Path(dir_okay=False), help="Write the mended program here.")
@click.option("--in-place", is_flag=True, help="Replace PROGRAM itself, in one step.")
@click.option("--html", "html", type=click.Path(), help="Also write before and after to this file: one page.")
@click.option("--skip", multiple=True, help="A pass to leave out: heat, order, route, flow, retract. Repeatable.")
@click.option("--add", multiple=True, help="A pass to add: prime, first-layer, factor, coast, proof, shape.")
@click.option("--no-retraction", is_flag=True, help="Take all retraction between runs out, whether or not it pays.")
@click.option("--all-shows", is_flag=True, help="Threads inside show: clear filament, a part to be cut open.")
@click.option("--height-mm", default=0.0, show_default=True, help="How much taller first-layer may make the part.")
@click.option("--target", type=float, help="Chance of a jam to stay under: aims for the surest; 0.02 if you name none.")
@click.option("--book", "book", help="Learn from the prints in this book, and keep there what was mended.")
@practice_
@click.option("--aim", help="quickest: the part soonest, watched (as without a word); surest: the target; or a chance.")
@click.option("--no-proof", is_flag=True, help="No pad beside the part first, which the quickest begins with.")
@click.option("--dialect", help="How the controller reads the words that differ; else the machine's own.")
@json_
@debug
def mend_command(
    program: str, machine: str, filament: str, output: str | None, in_place: bool, skip: tuple[str, ...],
    add: tuple[str, ...], html: str | None, as_json: bool, debug: bool, **asked: Any,
) -> None:  # fmt: skip
    """Rewrite PROGRAM so that it feeds, and prove that the part is the same.

    Exit code 0: mended; 1: certified, but the target is out of reach; 2: bad input or not certified, nothing written.
    """
    with user_errors(debug):
        from pliant.report.mend import mended_text
        from pliant.workflows.mend import ADDED, PASSES, mend

        if asked["height_mm"] and "first-layer" not in add:
            raise PliantError("--height-mm is for the pass first-layer; say --add first-layer too, or leave it out")
        if (output is None) == (not in_place):
            raise PliantError("say where the result goes: -o FILE, or --in-place")
        for name in skip:
            if name not in PASSES:
                raise PliantError(f"--skip {name}: unknown pass; choose from {', '.join(PASSES)}")
        for name in add:
            if name not in ADDED:
                raise PliantError(f"--add {name}: unknown pass; choose from {', '.join(ADDED)}")
        if (none := asked.pop("no_retraction")) and "retract" in skip:
            raise PliantError("--no-retraction is done by the pass retract; leave out --skip retract")
        asked["retraction"] = not none
        if (bare := asked.pop("no_proof")) and "proof" in add:
            raise PliantError("--no-proof and --add proof say the opposite; leave one out")
        asked["proof"] = not bare
        asked |= _aim(asked.pop("aim"), asked["target"])
        passes = [name for name in (*PASSES, *ADDED) if (name not in skip if name in PASSES else name in add)]
        asked |= {"output": output, "in_place": in_place, "passes": passes}
        if asked["book"] is not None:  # the program itself may be replaced
            from pliant.workflows.book import remember_mended, this_program

            source = this_program(program)
        with progress() as tell:
            asked["progress"] = tell
            if html is None:
                mended = mend(program, machine, filament, **asked)
            else:
                from pliant.workflows.mend_picture import mend_with_report

                mended = mend_with_report(program, machine, filament, html, **asked)
        if asked["book"] is not None:
            remember_mended(asked["book"], mended, source, mended.output or program, machine, filament)
        show(mended, as_json, _to_copy(mended_text, program, machine, filament))
        sys.exit(0 if mended.meets_target else 1)


@click.command("batch")
@click.argument("folder", type=click.Path())
@click.option(
    "-m",
    "--machine",
    required=True,
    multiple=True,
    type=click.Path(),
    help="Your machine.toml, or a folder of them; as often as you like.",
)
@click.option(
    "-f",
    "--filament",
    required=True,
    multiple=True,
    type=click.Path(),
    help="Your filament.toml, or a folder of them; as often as you like.",
)
@click.option(
    "--assign", type=click.Choice(["soonest", "least-time", "surest"]), help="Say which job goes where, and for what."
)
@click.option("--spool-m", multiple=True, metavar="SPOOL=METRES", help="Filament left on a spool.")
@click.option("--only", multiple=True, metavar="PROGRAM=SPOOL", help="A program that one spool alone may print.")
@click.option("--by", "by_min", multiple=True, metavar="PROGRAM=MINUTES", help="When a program has to be done.")
@click.option("--busy", "busy_min", multiple=True, metavar="MACHINE=MINUTES", help="How long a machine is still taken.")
@click.option("--workers", type=click.IntRange(1), help="Programs looked at at once; else one for each core.")
@click.option("--on", metavar="HOST:PORT", help="A Dask cluster that does the work (pliant[cluster]).")
@click.option("--resume", type=click.Path(dir_okay=False), help="Keep what is done in this file, and go on from it.")
@json_
@debug
def batch_command(
    folder: str, machine: tuple[str, ...], filament: tuple[str, ...], assign: str | None, spool_m: tuple[str, ...],
    only: tuple[str, ...], by_min: tuple[str, ...], busy_min: tuple[str, ...], workers: int | None, on: str | None,
    resume: str | None, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Check every program in FOLDER, on one machine or many. Exit code 0: all feed; 1: some do not; 2: some not read.

    With several machines or spools, --assign, --on or --resume, a program feeds where it does on one of them.
    """
    with user_errors(debug):
        from pliant.report.batch import batch_text
        from pliant.workflows.batch import batch

        lengths = _numbers("--spool-m", spool_m, "metres, such as 120")
        until = "minutes, such as 90"
        with progress() as tell, _going_on(resume):
            found = batch(
                folder, machine, filament, assign=assign, spool_m=lengths, only=_pairs("--only", only),
                by_min=_numbers("--by", by_min, until), busy_min=_numbers("--busy", busy_min, until), on=on,
                resume=resume, workers=workers, progress=tell,
            )  # fmt: skip
        show(found, as_json, batch_text)
        sys.exit(2 if not found.all_read else 0 if found.all_feed else 1)


@contextmanager
def _going_on(resume: str | None) -> Iterator[None]:
    """Say how to go on where it is stopped by hand."""
    try:
        yield
    except KeyboardInterrupt:
        if resume is None:
            raise
        click.echo(f"\npliant: stopped; what is done stands in {resume}, the same command goes on from it", err=True)
        sys.exit(STOPPED)


def _pairs(option: str, given: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for text in given:
        name, sign, value = text.rpartition("=")
        if not (sign and name and value):
            raise PliantError(f"{option} {text}: write a name, = and a value")
        found[name] = value
    return found


def _numbers(option: str, given: tuple[str, ...], such: str) -> dict[str, float]:
    found = {}
    for name, text in _pairs(option, given).items():
        try:
            found[name] = float(text)
        except ValueError:
            raise PliantError(f"{option} {name}={text}: write {such}") from None
    return found
