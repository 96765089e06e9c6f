"""The command line: parse, call one workflow, show. Nothing heavy is imported until a verb runs."""

import shlex
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pliant import __version__
from pliant.cli.book import book
from pliant.cli.shell import OneLine as _OneLine
from pliant.cli.shell import debug as _debug
from pliant.cli.shell import json_ as _json
from pliant.cli.shell import keep_apart as _keep_apart
from pliant.cli.shell import progress as _progress
from pliant.cli.shell import show as _show
from pliant.cli.shell import user_errors as _user_errors
from pliant.errors import PliantError
from pliant.records.starters import MACHINES, RECIPES, SPOOLS

if TYPE_CHECKING:
    from pliant.report.sections import Report

__all__ = ["main"]

_ARCHETYPES = "; ".join(
    f"{kind}: {', '.join(names)}" for kind, names in (("machine", MACHINES), ("filament", SPOOLS), ("recipe", RECIPES))
)


def _write_page(path: str, report: "Report") -> None:
    from pliant.files import save_whole
    from pliant.report.sections import whole_page

    save_whole(Path(path), whole_page(report))


@click.group(cls=_OneLine, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def main() -> None:
    """Will this soft filament feed, on this machine, for this job?"""


@main.command("read")
@click.argument("program", type=click.Path())
@click.option("--dialect", default="auto", help="How the controller reads the words that differ.")
@_json
@_debug
def read_command(program: str, dialect: str, as_json: bool, debug: bool) -> None:
    """Print the facts of PROGRAM."""
    with _user_errors(debug):
        from pliant.report.check import facts_text
        from pliant.workflows.read import read

        with _progress() as tell:
            facts = read(program, dialect=dialect, progress=tell)
        _show(facts, as_json, facts_text)


@main.command("check")
@click.argument("program", type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("--html", "html", type=click.Path(), help="Also write a report to this file: one page, self-contained.")
@click.option("--dialect", help="How the controller reads the words that differ; else the machine's own.")
@click.option("--part", "mesh", type=click.Path(), help="The mesh of the part, to be judged too.")
@click.option("--book", "book_path", help="Keep the findings in this book, and recall how earlier prints went.")
@_json
@_debug
def check_command(
    program: str, machine: str, filament: str, html: str | None, dialect: str | None, mesh: str | None,
    book_path: str | None, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Say whether PROGRAM feeds. Exit code 0: feeds; 1: marginal or jams; 2: bad input."""
    with _user_errors(debug):
        _keep_apart({"--html": html}, program, machine, filament, mesh, book_path)
        from pliant.report.check import findings_text
        from pliant.workflows.check import check
        from pliant.workflows.picture import check_with_report

        with _progress() as tell:
            if html is None:
                findings = check(program, machine, filament, dialect=dialect, progress=tell, mesh=mesh)
            else:
                findings = check_with_report(
                    program, machine, filament, html, dialect=dialect, progress=tell, mesh=mesh
                )
        if book_path is None:
            _show(findings, as_json, findings_text)
        else:
            from pliant.report.book import past_outcomes_text
            from pliant.workflows.book import remember_and_recall

            past = remember_and_recall(book_path, findings, program, machine, filament)
            _show(findings, as_json, findings_text, past_outcomes=past.to_json())
            if not as_json:
                click.echo(past_outcomes_text(past))
        sys.exit(0 if findings.verdict == "feeds" else 1)


@main.command("mend")
@click.argument("program", type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-o", "--output", type=click.Path(dir_okay=False), help="Write the mended program here.")
@click.option("--in-place", is_flag=True, help="Replace PROGRAM itself, in one step.")
@click.option("--html", "html", type=click.Path(), help="Also write before and after to this file: one page.")
@click.option("--skip", multiple=True, help="A pass to leave out: heat, order, route, flow, retract. Repeatable.")
@click.option("--add", multiple=True, help="A pass to add: prime, first-layer, factor, coast. Repeatable.")
@click.option("--no-retraction", is_flag=True, help="Take all retraction between runs out, whether or not it pays.")
@click.option("--height-mm", default=0.0, show_default=True, help="How much taller first-layer may make the part.")
@click.option("--target", default=0.02, show_default=True, help="Chance of a jam to stay under.")
@click.option("--dialect", help="How the controller reads the words that differ; else the machine's own.")
@_json
@_debug
def mend_command(
    program: str, machine: str, filament: str, output: str | None, in_place: bool, skip: tuple[str, ...],
    add: tuple[str, ...], html: str | None, as_json: bool, debug: bool, **asked: Any,
) -> None:  # fmt: skip
    """Rewrite PROGRAM so that it feeds, and prove that the part is the same.

    Exit code 0: mended; 1: certified, but the target is out of reach; 2: bad input or not certified, nothing written.
    """
    with _user_errors(debug):
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
        passes = [name for name in (*PASSES, *ADDED) if (name not in skip if name in PASSES else name in add)]
        asked |= {"output": output, "in_place": in_place, "passes": passes}
        with _progress() as tell:
            asked["progress"] = tell
            if html is None:
                mended = mend(program, machine, filament, **asked)
            else:
                from pliant.workflows.mend_picture import mend_with_report

                mended = mend_with_report(program, machine, filament, html, **asked)
        _show(mended, as_json, mended_text)
        sys.exit(0 if mended.meets_target else 1)


@main.command("batch")
@click.argument("folder", type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@_json
@_debug
def batch_command(folder: str, machine: str, filament: str, as_json: bool, debug: bool) -> None:
    """Check every program in FOLDER. Exit code 0: all feed; 1: some do not; 2: some could not be read."""
    with _user_errors(debug):
        from pliant.report.batch import batch_text
        from pliant.workflows.batch import batch

        with _progress() as tell:
            found = batch(folder, machine, filament, progress=tell)
        _show(found, as_json, batch_text)
        if any(r.findings is None for r in found.rows):
            sys.exit(2)
        sys.exit(0 if all(r.findings.verdict == "feeds" for r in found.rows if r.findings) else 1)


@main.command("new")
@click.argument("kind", type=click.Choice(["machine", "filament", "recipe"]))
@click.option("--like", default=None, help=f"What to start from. {_ARCHETYPES}.")
@click.option("-o", "--output", type=click.Path(dir_okay=False), help="Write here; an existing file is kept.")
@_debug
def new_command(kind: str, like: str | None, output: str | None, debug: bool) -> None:
    """Print a commented starter file for a KIND of record."""
    with _user_errors(debug):
        from pliant.records.starters import starter

        text = starter(kind, like)
        if output is None:
            click.echo(text, nl=False)
            return
        try:
            with Path(output).open("x", encoding="utf-8") as out:
                out.write(text)
        except OSError as error:
            raise PliantError(f"{output}: cannot be written ({error.strerror}); choose another name") from error


@main.command("plan")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("--baseline", required=True, type=click.Path(), help="Your own rigid recipe, baseline.toml; only read.")
@click.option("--target", default=0.02, show_default=True, help="Chance of a jam to stay under.")
@click.option("--html", type=click.Path(dir_okay=False), help="Write the ledger and its map here too: one page.")
@click.option("--sheet", type=click.Path(dir_okay=False), help="Write the settings here too: one A4 page to pin up.")
@click.option("--part", "mesh", type=click.Path(), help="The mesh of the part, to be taken into account.")
@click.option("--book", "book_path", help="Keep the recipe in this book, as the next version of its name.")
@_json
@_debug
def plan_command(
    machine: str, filament: str, baseline: str, target: float, html: str | None, sheet: str | None, mesh: str | None,
    book_path: str | None, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Derive a soft recipe from your rigid one, each value with its reason.

    Exit code 0: there is one; 1: none works, and what would help; 2: bad input.
    """
    with _user_errors(debug):
        _keep_apart({"--html": html, "--sheet": sheet}, machine, filament, baseline, mesh, book_path)
        from pliant.report.plan import plan_text
        from pliant.workflows.plan import plan

        recipe, kept = plan(machine, filament, baseline, target=target, mesh=mesh), None
        if book_path is not None:  # before any page: a book that refuses leaves nothing behind
            from pliant.workflows.book import keep_recipe

            kept = keep_recipe(book_path, recipe)
        if html or sheet:
            from pliant.report.plan_page import plan_page, sheet_page, sheet_stamp

            if html:
                _write_page(html, plan_page(recipe))
            if sheet:
                _write_page(sheet, sheet_page(recipe, sheet_stamp(kept.version if kept else None)))
        _show(recipe, as_json, plan_text)
        if kept is not None:
            click.echo(f"kept        {kept.name}, version {kept.version}, in the book", err=as_json)
        sys.exit(0 if recipe.works else 1)


@main.command("dry")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("--temperature-c", type=float, help="Temperature of the box; never above the record's dry_c.")
@click.option("--water-percent", type=float, help="Water in the filament now, percent of mass.")
@click.option("--target", "--target-percent", "target_percent", type=float, help="Water wanted, % of mass; else 0.02.")
@click.option(
    "--room-humidity-percent", type=float, default=0.0, help="The box heats room air this humid; 0: dried air."
)
@click.option("--html", type=click.Path(dir_okay=False), help="Write the page here too.")
@_json
@_debug
def dry_command(filament: str, html: str | None, as_json: bool, debug: bool, **asked: float | None) -> None:
    """Say how many hours a strand and a wound spool take to dry."""
    with _user_errors(debug):
        _keep_apart({"--html": html}, filament)
        from pliant.report.dry import drying_text
        from pliant.workflows.dry import dry

        drying = dry(filament, **asked)  # type: ignore[arg-type]
        if html:
            from pliant.report.dry_page import dry_page

            _write_page(html, dry_page(drying))
        _show(drying, as_json, drying_text)


class _Sizes(click.ParamType):
    """Three sizes in millimetres, such as 40x30x10."""

    name = "AxBxC"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, ...]:
        try:
            sizes = tuple(float(v) for v in str(value).lower().split("x"))
        except ValueError:
            sizes = ()
        if len(sizes) != 3:
            self.fail(f"{value!r} is not three sizes in millimetres; write e.g. 40x30x10", param, ctx)
        return sizes


class _ShoreA(click.ParamType):
    """A hardness such as 85A."""

    name = "HARDNESS"

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        try:
            return float(str(value).upper().removesuffix("A"))
        except ValueError:
            self.fail(f"{value!r} is not a Shore A hardness; write e.g. 85A", param, ctx)


@main.command("feel")
@click.option("--pad", type=_Sizes(), help="A block: width x depth x height along the load, mm.")
@click.option("--ring", type=_Sizes(), help="A flat ring: outer x inner diameter x height, mm.")
@click.option("--column", type=_Sizes(), help="An upright bellows: outer x inner diameter x height, mm.")
@click.option("--deflection-mm", type=float, required=True, help="How far it is pressed together.")
@click.option("--force-n", "wanted_n", type=float, help="Force wanted there: gives a table of choices.")
@click.option(
    "--choose", "shore_a", type=_ShoreA(), help="Hardness, such as 85A: gives its force, or limits the table."
)
@click.option("-f", "--filament", type=click.Path(), help="Take the hardness from this filament.toml.")
@click.option("--pattern", help="Of the one choice: hexagon (when left out), square, triangle, foam or solid.")
@click.option("--density", type=float, help="Infill of the one choice, 0.02 to 1; 0.2 when left out.")
@click.option("--walls", type=int, help="Walls side by side of the one choice; 2 when left out.")
@click.option("--folds", type=int, help="Folds of a column; flanks at 45 degrees when left out.")
@click.option("--direction", default="axial", help="axial (pressed from above, as printed) or in-plane (a pad only).")
@click.option("--bead-width-mm", type=float, default=0.45, help="Width of one wall.")
@click.option(
    "--skin-mm", type=float, help="Solid layers at each end of the print; 0.8 when left out, a column has none."
)
@click.option("--factor", type=float, help="Measured over predicted force of a piece of the same spool.")
@click.option("--measured-n", type=float, help="Force you measured on the chosen piece; tells the factor.")
@click.option("--html", type=click.Path(dir_okay=False), help="Write the page here too.")
@_json
@_debug
def feel_command(html: str | None, as_json: bool, debug: bool, **asked: Any) -> None:
    """Choose hardness, walls and infill for a wanted force; or say what a choice feels like."""
    with _user_errors(debug):
        pieces = [(k, asked.pop(k)) for k in ("pad", "ring", "column")]
        given = [(kind, size) for kind, size in pieces if size is not None]
        if len(given) != 1:
            raise PliantError("give one piece: --pad 40x30x10, --ring 60x44x6 or --column 40x28x50 (mm)")
        _keep_apart({"--html": html}, asked["filament"])
        from pliant.report.feel import feel_text
        from pliant.workflows.feel import feel

        found = feel(*given[0], asked.pop("deflection_mm"), **asked)
        if html:
            from pliant.report.feel_page import feel_page

            _write_page(html, feel_page(found))
        _show(found, as_json, feel_text)


@main.command("part")
@click.argument("mesh", type=click.Path())
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option(
    "--holes", is_flag=True, help="Look at an open mesh all the same, flat patches over its holes, with doubt."
)
@click.option("--html", "html", type=click.Path(dir_okay=False), help="Also write the report as one page.")
@_json
@_debug
def part_command(
    mesh: str, filament: str, machine: str, holes: bool, html: str | None, as_json: bool, debug: bool
) -> None:
    """Say whether MESH is a good idea in soft filament, and how it should stand. Exit code 1: a poor idea."""
    with _user_errors(debug):
        _keep_apart({"--html": html}, mesh, machine, filament)
        from pliant.report.part import part_text
        from pliant.workflows.part import part

        findings = part(mesh, machine, filament, holes=holes)
        if html is not None:
            from pliant.report.part_page import part_page

            _write_page(html, part_page(findings))
        _show(findings, as_json, part_text)
        sys.exit(1 if findings.verdict == "poor" else 0)


@main.command("coupon")
@click.argument("kind")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False), help="Write the program here.")
@click.option("--sheet", type=click.Path(dir_okay=False), help="Also write the one-page sheet here.")
@click.option("--nozzle-c", type=float, help="For a ladder: nozzle temperature, within the data sheet.")
@_json
@_debug
def coupon_command(
    kind: str, machine: str, filament: str, output: str, sheet: str | None, nozzle_c: float | None, as_json: bool,
    debug: bool,
) -> None:  # fmt: skip
    """Make a test piece: ladder, stop-start, gap-steps, threads, free-run or temperature-ladder.

    Writes the program, and beside it the readings file to fill in; print it, then `pliant learn`.
    """
    with _user_errors(debug):
        _keep_apart({"-o": output, "--sheet": sheet}, machine, filament)
        from pliant.report.coupon import coupon_text
        from pliant.report.coupon_page import coupon_page
        from pliant.report.sections import whole_page
        from pliant.workflows.coupon import coupon

        def page(made: Any, name: str) -> str:
            return whole_page(coupon_page(made, f"Into {name}, then run pliant learn."))

        made, readings = coupon(kind, machine, filament, output, sheet=page, sheet_path=sheet, nozzle_c=nozzle_c)
        then = shlex.join(["pliant", "learn", str(readings), "-m", machine, "-f", filament])
        _show(made, as_json, lambda c: coupon_text(c, output, str(readings)) + f"\nthen      fill it in, and: {then}")


@main.command("learn")
@click.argument("readings", nargs=-1, required=True, type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="The machine.toml they were printed with.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="The filament.toml they were printed with.")
@click.option("-o", "--output", type=click.Path(file_okay=False), help="Folder for the new versions; else beside.")
@click.option("-p", "--program", type=click.Path(), help="A program of yours: its chance of a jam before and after.")
@_json
@_debug
def learn_command(
    readings: tuple[str, ...], machine: str, filament: str, output: str | None, program: str | None, as_json: bool,
    debug: bool,
) -> None:  # fmt: skip
    """Learn from READINGS what this machine and this spool really do; write new versions of both records.

    Exit code 0: learned; 1: learned, but some readings contradict the rest; 2: bad input or not converged.
    """
    with _user_errors(debug):
        from pliant.report.learn import learned_text
        from pliant.workflows.learn import learn

        with _progress() as tell:
            told = partial(tell, "learning")
            found = learn(readings, machine, filament, folder=output, program=program, progress=told)
        _show(found, as_json, learned_text)
        sys.exit(1 if found.suspects else 0)


@main.command("next")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-p", "--program", type=click.Path(), help="The program whose chance of a jam you want to know.")
@_json
@_debug
def next_command(machine: str, filament: str, program: str | None, as_json: bool, debug: bool) -> None:
    """Say which test piece to print next, and how much of the doubt it should take away."""
    with _user_errors(debug):
        from pliant.report.learn import next_text
        from pliant.workflows.next_coupon import next_coupon

        with _progress() as tell:
            found = next_coupon(machine, filament, program=program, progress=partial(tell, "weighing coupons"))
        piece = found.ranked[0]
        at = [] if piece.nozzle_c is None else ["--nozzle-c", f"{piece.nozzle_c:g}"]
        command = ["pliant", "coupon", piece.kind, *at, "-m", machine, "-f", filament, "-o", f"{piece.kind}.gcode"]
        _show(found, as_json, lambda n: next_text(n, shlex.join(command)))


@main.command("demo")
@click.option("-o", "--output", default="demo", type=click.Path(file_okay=False), help="Folder for the files.")
@_debug
def demo_command(output: str, debug: bool) -> None:
    """Run the story of the (invented) example workshop and leave its files in a folder."""
    with _user_errors(debug):
        from pliant.workflows.demo import demo

        for line in demo(Path(output)):
            click.echo(line)
        shop = ["feet.gcode", "-m", "bench-2.machine.toml", "-f", "85A.filament.toml"]
        words = ["pliant", "check", *(w if w.startswith("-") else str(Path(output, w)) for w in shop)]
        click.echo(f"  {shlex.join(words)}")


@main.command("bench")
@click.option("--port", type=click.IntRange(0, 65535), help="Where; else the first free one from 8137 on.")
@click.option("--book", "book_path", help="The book; else PLIANT_BOOK, else your own.")
@click.option("--no-open", is_flag=True, help="Do not open the page in your browser.")
@_debug
def bench_command(port: int | None, book_path: str | None, no_open: bool, debug: bool) -> None:
    """Serve all of it as a web page, for this computer only."""
    with _user_errors(debug):
        from pliant.bench.app import serve

        serve(port=port, book=book_path, browse=not no_open, say=lambda text: click.echo(f"pliant: {text}", err=True))


main.add_command(book)
