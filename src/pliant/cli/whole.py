"""The verbs that show all of it: demo, bench."""

import shlex
from pathlib import Path

import click

from pliant.cli.shell import debug, user_errors

__all__ = ["bench_command", "demo_command"]


@click.command("demo")
@click.option("-o", "--output", default="demo", type=click.Path(file_okay=False), help="Folder for the files.")
@debug
def demo_command(output: str, debug: bool) -> None:
    """Run the story of the (invented) example workshop and leave its files in a folder."""
    with user_errors(debug):
        from pliant.workflows.demo import demo

        for line in demo(Path(output)):
            click.echo(line)
        shop = ["feet.gcode", "-m", "bench-2.machine.toml", "-f", "85A.filament.toml"]
        words = ["pliant", "check", *(w if w.startswith("-") else str(Path(output, w)) for w in shop)]
        click.echo(f"  {shlex.join(words)}")


@click.command("bench")
@click.option("--port", type=click.IntRange(0, 65535), help="Where; else the first free one from 8137 on.")
@click.option("--book", "book_path", help="The book; else PLIANT_BOOK, else your own.")
@click.option("--no-open", is_flag=True, help="Do not open the page in your browser.")
@debug
def bench_command(port: int | None, book_path: str | None, no_open: bool, debug: bool) -> None:
    """Serve all of it as a web page, for this computer only."""
    with user_errors(debug):
        from pliant.bench.app import serve

        serve(port=port, book=book_path, browse=not no_open, say=lambda text: click.echo(f"pliant: {text}", err=True))
