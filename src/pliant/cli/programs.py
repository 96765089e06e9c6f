"""The verbs about a program: read, check, mend, batch."""

import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from pliant.cli.shell import debug, json_, keep_apart, progress, show, user_errors
from pliant.errors import PliantError

__all__ = ["batch_command", "check_command", "mend_command", "read_command"]


def _to_copy(text_of: Callable[[Any], str], program: str, machine: str, filament: str) -> Callable[[Any], str]:
    """The same text, with the commands that it may lead to ready to copy."""
    records = f"-m {shlex.quote(machine)} -f {shlex.quote(filament)}"
    path = Path(program)
    watched, mended = (shlex.quote(str(path.with_name(f"{path.stem}-{k}{path.suffix}"))) for k in ("watched", "mended"))

    def text(result: Any) -> str:
        said = text_of(result).replace("`coupon()`", f"pliant coupon ladder {records} -o ladder.gcode")
        mend = f"pliant mend {shlex.quote(program)} {records}"
        said = said.replace('`mend(aim="quickest")`', f"{mend} --aim quickest -o {watched}")
        said = said.replace("`mend(add=first-layer)`", f"{mend} --add first-layer --height-mm 0.1 -o {mended}")
        return said.replace("`mend()`", f"{mend} -o {mended}")

    return text


def _aim(aim: str | None) -> dict[str, Any]:
    """What was aimed at, by the library's names: a word, or a chance in place of the target."""
    if aim is None:
        return {}
    context = click.get_current_context()
    if context.get_parameter_source("target") is not click.core.ParameterSource.DEFAULT and aim != "surest":
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
@click.option("--book", "book_path", help="Keep the findings in this book, and recall how earlier prints went.")
@json_
@debug
def check_command(
    program: str, machine: str, filament: str, html: str | None, dialect: str | None, mesh: str | None,
    book_path: str | None, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Say whether PROGRAM feeds. Exit code 0: feeds; 1: marginal or jams; 2: bad input."""
    with user_errors(debug):
        keep_apart({"--html": html}, program, machine, filament, mesh, book_path)
        from pliant.report.check import findings_text
        from pliant.workflows.check import check
        from pliant.workflows.picture import check_with_report

        with progress() as tell:
            if html is None:
                findings = check(program, machine, filament, dialect=dialect, progress=tell, mesh=mesh)
            else:
                findings = check_with_report(
                    program, machine, filament, html, dialect=dialect, progress=tell, mesh=mesh
                )
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
@click.option("--add", multiple=True, help="A pass to add: prime, first-layer, factor, coast, proof. Repeatable.")
@click.option("--no-retraction", is_flag=True, help="Take all retraction between runs out, whether or not it pays.")
@click.option("--all-shows", is_flag=True, help="Threads inside show: clear filament, a part to be cut open.")
@click.option("--height-mm", default=0.0, show_default=True, help="How much taller first-layer may make the part.")
@click.option("--target", default=0.02, show_default=True, help="Chance of a jam to stay under.")
@click.option("--aim", help="quickest: the part soonest, watched; surest: the target; or a chance in place of it.")
@click.option("--no-proof", is_flag=True, help="No pad beside the part first, which --aim quickest begins with.")
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
        asked |= _aim(asked.pop("aim"))
        passes = [name for name in (*PASSES, *ADDED) if (name not in skip if name in PASSES else name in add)]
        asked |= {"output": output, "in_place": in_place, "passes": passes}
        with progress() as tell:
            asked["progress"] = tell
            if html is None:
                mended = mend(program, machine, filament, **asked)
            else:
                from pliant.workflows.mend_picture import mend_with_report

                mended = mend_with_report(program, machine, filament, html, **asked)
        show(mended, as_json, _to_copy(mended_text, program, machine, filament))
        sys.exit(0 if mended.meets_target else 1)


@click.command("batch")
@click.argument("folder", type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@json_
@debug
def batch_command(folder: str, machine: str, filament: str, as_json: bool, debug: bool) -> None:
    """Check every program in FOLDER. Exit code 0: all feed; 1: some do not; 2: some could not be read."""
    with user_errors(debug):
        from pliant.report.batch import batch_text
        from pliant.workflows.batch import batch

        with progress() as tell:
            found = batch(folder, machine, filament, progress=tell)
        show(found, as_json, batch_text)
        if any(r.findings is None for r in found.rows):
            sys.exit(2)
        sys.exit(0 if all(r.findings.verdict == "feeds" for r in found.rows if r.findings) else 1)
