"""The verbs before there is a program: new, plan, dry, feel, part."""

import sys
from pathlib import Path
from typing import Any

import click

from pliant.cli.shell import debug, json_, keep_apart, practice_, show, to_copy, user_errors, write_page
from pliant.constants import FEEDS_BELOW
from pliant.errors import PliantError
from pliant.records.starters import MACHINES, RECIPES, SPOOLS

_ARCHETYPES = "; ".join(
    f"{kind}: {', '.join(names)}" for kind, names in (("machine", MACHINES), ("filament", SPOOLS), ("recipe", RECIPES))
)

__all__ = ["dry_command", "feel_command", "new_command", "part_command", "plan_command"]


@click.command("new")
@click.argument("kind", type=click.Choice(["machine", "filament", "recipe"]))
@click.option("--like", default=None, help=f"What to start from. {_ARCHETYPES}.")
@click.option("-o", "--output", type=click.Path(dir_okay=False), help="Write here; an existing file is kept.")
@debug
def new_command(kind: str, like: str | None, output: str | None, debug: bool) -> None:
    """Print a commented starter file for a KIND of record."""
    with user_errors(debug):
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


@click.command("plan")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("--baseline", required=True, type=click.Path(), help="Your own rigid recipe, baseline.toml; only read.")
@click.option("--target", default=FEEDS_BELOW, show_default=True, help="Chance of a jam to stay under.")
@click.option("--html", type=click.Path(dir_okay=False), help="Write the ledger and its map here too: one page.")
@click.option("--sheet", type=click.Path(dir_okay=False), help="Write the settings here too: one A4 page to pin up.")
@click.option("--part", "mesh", type=click.Path(), help="The mesh of the part, to be taken into account.")
@click.option("--book", "book_path", help="Learn from the prints in this book, and keep the recipe there.")
@practice_
@json_
@debug
def plan_command(
    machine: str, filament: str, baseline: str, target: float, html: str | None, sheet: str | None, mesh: str | None,
    book_path: str | None, practice: bool, as_json: bool, debug: bool,
) -> None:  # fmt: skip
    """Derive a soft recipe from your rigid one, each value with its reason.

    Exit code 0: there is one; 1: none works, and what would help; 2: bad input.
    """
    with user_errors(debug):
        keep_apart({"--html": html, "--sheet": sheet}, machine, filament, baseline, mesh, book_path)
        from pliant.report.plan import plan_text
        from pliant.workflows.plan import plan

        kept = None
        recipe = plan(machine, filament, baseline, target=target, mesh=mesh, book=book_path, practice=practice)
        if book_path is not None:  # before any page: a book that refuses leaves nothing behind
            from pliant.workflows.book import keep_recipe

            kept = keep_recipe(book_path, recipe)
        if html or sheet:
            from pliant.report.plan_page import plan_page, sheet_page, sheet_stamp

            if html:
                write_page(html, plan_page(recipe))
            if sheet:
                write_page(sheet, sheet_page(recipe, sheet_stamp(kept.version if kept else None)))
        show(recipe, as_json, to_copy(plan_text, machine, filament))
        if kept is not None:
            click.echo(f"kept        {kept.name}, version {kept.version}, in the book", err=as_json)
        sys.exit(0 if recipe.works else 1)


@click.command("dry")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("--temperature-c", type=float, help="Temperature of the box; never above the record's dry_c.")
@click.option("--water-percent", type=float, help="Water in the filament now, percent of mass.")
@click.option("--target", "--target-percent", "target_percent", type=float, help="Water wanted, % of mass; else 0.02.")
@click.option(
    "--room-humidity-percent", type=float, default=0.0, help="The box heats room air this humid; 0: dried air."
)
@click.option("--html", type=click.Path(dir_okay=False), help="Write the page here too.")
@json_
@debug
def dry_command(filament: str, html: str | None, as_json: bool, debug: bool, **asked: float | None) -> None:
    """Say how many hours a strand and a wound spool take to dry."""
    with user_errors(debug):
        keep_apart({"--html": html}, filament)
        from pliant.report.dry import drying_text
        from pliant.workflows.dry import dry

        drying = dry(filament, **asked)  # type: ignore[arg-type]
        if html:
            from pliant.report.dry_page import dry_page

            write_page(html, dry_page(drying))
        show(drying, as_json, drying_text)


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


@click.command("feel")
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
@json_
@debug
def feel_command(html: str | None, as_json: bool, debug: bool, **asked: Any) -> None:
    """Choose hardness, walls and infill for a wanted force; or say what a choice feels like."""
    with user_errors(debug):
        pieces = [(k, asked.pop(k)) for k in ("pad", "ring", "column")]
        given = [(kind, size) for kind, size in pieces if size is not None]
        if len(given) != 1:
            raise PliantError("give one piece: --pad 40x30x10, --ring 60x44x6 or --column 40x28x50 (mm)")
        keep_apart({"--html": html}, asked["filament"])
        from pliant.report.feel import feel_text
        from pliant.workflows.feel import feel

        found = feel(*given[0], asked.pop("deflection_mm"), **asked)
        if html:
            from pliant.report.feel_page import feel_page

            write_page(html, feel_page(found))
        show(found, as_json, feel_text)


@click.command("part")
@click.argument("mesh", type=click.Path())
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option(
    "--holes", is_flag=True, help="Look at an open mesh all the same, flat patches over its holes, with doubt."
)
@click.option("--html", "html", type=click.Path(dir_okay=False), help="Also write the report as one page.")
@json_
@debug
def part_command(
    mesh: str, filament: str, machine: str, holes: bool, html: str | None, as_json: bool, debug: bool
) -> None:
    """Say whether MESH is a good idea in soft filament, and how it should stand. Exit code 1: a poor idea."""
    with user_errors(debug):
        keep_apart({"--html": html}, mesh, machine, filament)
        from pliant.report.part import part_text
        from pliant.workflows.part import part

        findings = part(mesh, machine, filament, holes=holes)
        if html is not None:
            from pliant.report.part_page import part_page

            write_page(html, part_page(findings))
        show(findings, as_json, part_text)
        sys.exit(1 if findings.verdict == "poor" else 0)
