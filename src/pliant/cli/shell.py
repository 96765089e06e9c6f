"""What every verb shares: its errors, its output, its two common options."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import click

from pliant.errors import PliantError

__all__ = ["debug", "json_", "show", "user_errors"]

json_ = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
debug = click.option("--debug", is_flag=True, help="Show the traceback of an error.")


@contextmanager
def user_errors(debug: bool = False) -> Iterator[None]:
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


def show(result: Any, as_json: bool, text: Any) -> None:
    """Print a result as JSON or as text."""
    click.echo(json.dumps(result.to_json(), indent=1, allow_nan=False) if as_json else text(result))
