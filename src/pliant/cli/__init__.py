"""The command line: parse, call one workflow, show. Nothing heavy is imported until a verb runs."""

import sys
from pathlib import Path

import click

from pliant import __version__
from pliant.cli.book import book
from pliant.cli.shell import debug as _debug
from pliant.cli.shell import json_ as _json
from pliant.cli.shell import show as _show
from pliant.cli.shell import user_errors as _user_errors
from pliant.errors import PliantError

__all__ = ["main"]


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


@main.command("demo")
@click.option("-o", "--output", default="demo", type=click.Path(file_okay=False), help="Folder for the files.")
@_debug
def demo_command(output: str, debug: bool) -> None:
    """Run the story of the (invented) example workshop and leave its files in a folder."""
    with _user_errors(debug):
        from pliant.workflows.demo import demo

        for line in demo(Path(output)):
            click.echo(line)


main.add_command(book)
