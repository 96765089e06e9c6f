"""The command line: parse, call one workflow, show. Nothing heavy is imported until a verb runs."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from pliant import __version__
from pliant.errors import PliantError

__all__ = ["main"]


@contextmanager
def _user_errors(debug: bool = False) -> Iterator[None]:
    """The one place where an error becomes a line and an exit code."""
    try:
        yield
    except PliantError as error:
        if debug:
            raise
        click.echo(f"pliant: {error}", err=True)
        sys.exit(2)
    except (SystemExit, click.exceptions.Exit, click.ClickException):
        raise
    except Exception as error:
        if debug:
            raise
        click.echo(f"pliant: internal fault: {type(error).__name__}: {error}; run again with --debug", err=True)
        sys.exit(3)


def _show(result: Any, as_json: bool, text: Any) -> None:
    click.echo(json.dumps(result.to_json(), indent=1, allow_nan=False) if as_json else text(result))


_json = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
_debug = click.option("--debug", is_flag=True, help="Show the traceback of an error.")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
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
        from pliant.report.text import facts_text
        from pliant.workflows.read import read

        _show(read(program, dialect=dialect), as_json, facts_text)


@main.command("check")
@click.argument("program", type=click.Path())
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@_json
@_debug
def check_command(program: str, machine: str, filament: str, as_json: bool, debug: bool) -> None:
    """Say whether PROGRAM feeds. Exit code 0: feeds; 1: marginal or jams; 2: bad input."""
    with _user_errors(debug):
        from pliant.report.text import findings_text
        from pliant.workflows.check import check

        findings = check(program, machine, filament)
        _show(findings, as_json, findings_text)
        sys.exit(0 if findings.verdict == "feeds" else 1)


@main.command("new")
@click.argument("kind", type=click.Choice(["machine", "filament"]))
@click.option("--like", default=None, help="The archetype to start from.")
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


@main.command("part")
@click.argument("mesh", type=click.Path())
@click.option("-f", "--filament", required=True, type=click.Path(), help="Your filament.toml.")
@click.option("-m", "--machine", required=True, type=click.Path(), help="Your machine.toml.")
@click.option("--html", "html", type=click.Path(dir_okay=False), help="Also write the report as one page.")
@_json
@_debug
def part_command(mesh: str, filament: str, machine: str, html: str | None, as_json: bool, debug: bool) -> None:
    """Say whether MESH is a good idea in soft filament, and how it should stand. Exit code 1: a poor idea."""
    with _user_errors(debug):
        from pliant.report.part import part_text
        from pliant.workflows.part import part

        findings = part(mesh, filament, machine)
        if html is not None:
            from pliant.report.part_html import write_part_html

            write_part_html(findings, html)
        _show(findings, as_json, part_text)
        sys.exit(1 if findings.verdict == "poor" else 0)


@main.command("demo")
@click.option("-o", "--output", default="demo", type=click.Path(file_okay=False), help="Folder for the files.")
@_debug
def demo_command(output: str, debug: bool) -> None:
    """Run the story of the (invented) example workshop and leave its files in a folder."""
    with _user_errors(debug):
        from pliant.workflows.demo import demo

        for line in demo(Path(output)):
            click.echo(line)
