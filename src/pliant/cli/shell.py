"""What every verb shares: its errors, its output, its two common options."""

import json
import re
import shlex
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pliant.ahead import compile_ahead, compiled
from pliant.errors import PliantError, ValidityWarning
from pliant.say import worded

if TYPE_CHECKING:
    from pliant.report.sections import Report

__all__ = [
    "STOPPED", "OneLine", "debug", "json_", "keep_apart", "practice_", "progress", "records_of", "show",
    "to_copy", "user_errors", "write_page",
]  # fmt: skip

json_ = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
practice_ = click.option(
    "--with-practice", "practice", is_flag=True, help="Let what practitioners report count too, by a stated weight."
)
debug = click.option("--debug", is_flag=True, help="Show the traceback of an error.")


STOPPED = 130  # what shells say of a command that was ended by hand: common practice


class _Said(click.ClickException):
    """A slip in the words of a command, said as every other error is."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        """Print the line."""
        click.echo(f"pliant: {self.message}", file=file, err=file is None)


# what the parser says of a number, and what a person is told
_PLAINER = (
    (
        re.compile(r"'([^']*\d),(\d[^']*)' is not a valid (float|integer)"),
        r"'\1,\2' is not a number; write a point: \1.\2",
    ),
    (re.compile("is not a valid float(?: range)?"), "is not a number"),
    (re.compile("is not a valid integer(?: range)?"), "is not a whole number"),
    (re.compile("Invalid value for '([^']*)'"), r"\1"),
)


class OneLine(click.Group):
    """Verbs whose slips of the keys are told in one line, like every other error."""

    @contextmanager
    def _plainly(self) -> Iterator[None]:
        try:
            yield
        except click.exceptions.NoArgsIsHelpError:
            raise
        except click.UsageError as error:
            text = " ".join(error.format_message().split())
            for pattern, words in _PLAINER:
                text = pattern.sub(words, text)
            text = text.rstrip(".")
            place = error.ctx.command_path if error.ctx is not None else "pliant"
            raise _Said(f"{text[:1].lower() + text[1:]}; `{place} --help` lists what there is") from error

    def make_context(self, *args: Any, **more: Any) -> click.Context:
        """Read the words before the verb."""
        with self._plainly():
            return super().make_context(*args, **more)

    def invoke(self, ctx: click.Context) -> Any:
        """Read the words of the verb, and run it."""
        with self._plainly():
            return super().invoke(ctx)


@contextmanager
def user_errors(debug: bool = False) -> Iterator[None]:
    """The one place where an error becomes a line and an exit code."""
    try:
        with _notes():
            yield
    except PliantError as error:
        if debug:
            raise
        click.echo(f"pliant: {_in_options(str(error))}", err=True)
        sys.exit(2)
    except (SystemExit, click.exceptions.Exit, click.ClickException, BrokenPipeError):
        raise  # a closed pipe is no fault: click ends quietly
    except KeyboardInterrupt:
        click.echo("\npliant: stopped; what was to be written is as it was before", err=True)
        sys.exit(STOPPED)
    except Exception as error:
        if debug:
            raise
        click.echo(f"pliant: internal fault: {type(error).__name__}: {error}; run again with --debug", err=True)
        sys.exit(3)


@contextmanager
def _notes() -> Iterator[None]:
    """Say what a model warns of once, in a line; where in our own source it was said helps nobody at a machine."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ValidityWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        try:
            yield
        finally:
            for text in dict.fromkeys(str(w.message) for w in caught):
                click.echo(f"pliant: note: {_in_options(text)}", err=True)


def keep_apart(outputs: dict[str, str | None], *inputs: str | None) -> None:
    """Refuse an output that would overwrite a file of the user's that is read, or another output."""
    from pliant.files import same_file

    known = [(i, i) for i in inputs if i]
    for option, place in outputs.items():
        if not place:
            continue
        same = next((said for path, said in known if same_file(path, place)), None)
        if same is not None:
            raise PliantError(
                f"{option} {place}: would overwrite {same}, which is also named here; choose another name"
            )
        known.append((place, f"the file of {option}"))


def show(result: Any, as_json: bool, text: Any, **more: Any) -> None:
    """Print a result as JSON, with more keys where there are, or as text."""
    if as_json:
        click.echo(json.dumps({**result.to_json(), **more}, indent=1, allow_nan=False))
    else:
        click.echo(_in_options(text(result)))


def records_of(machine: str, filament: str) -> str:
    """The options that name the records, ready to copy."""
    return f"-m {shlex.quote(machine)} -f {shlex.quote(filament)}"


def to_copy(text_of: Callable[[Any], str], machine: str, filament: str) -> Callable[[Any], str]:
    """The same text, with the command for a test piece ready to copy."""
    command = f"pliant coupon ladder {records_of(machine, filament)} -o ladder.gcode"
    return lambda result: text_of(result).replace("`coupon()`", command)


def _in_options(text: str) -> str:
    """A message in the words of the command line: arguments as the options of this verb, jobs as verbs."""
    context = click.get_current_context(silent=True)
    if context is None:
        return text
    return worded(text, named(context.command.params) | _verbs(context.find_root().command, "pliant"))


def named(parameters: list[click.Parameter]) -> dict[str, str]:
    """Options by the names that the library has for them, and by their own."""
    found = {"passes": "passes (--skip)"}
    for p in parameters:
        if isinstance(p, click.Option):
            found |= dict.fromkeys((str(p.name), p.opts[-1].lstrip("-").replace("-", "_")), p.opts[-1])
    return found


def _verbs(command: click.Command, path: str) -> dict[str, str]:
    """Every verb below a command, `pliant book list` as `book.list()`."""
    found = {}
    for name, verb in command.commands.items() if isinstance(command, click.Group) else ():
        here = f"{path} {name}"
        found[".".join(here.split()[1:]) + "()"] = f"`{here}`"
        found |= _verbs(verb, here)
    return found


@contextmanager
def progress() -> Iterator[Callable[[str, float], None]]:
    """Tell on a terminal what is being done, and how far it is; nothing elsewhere, and nothing is left behind."""
    terminal = sys.stderr.isatty()
    begun, last = time.monotonic(), [0.0]

    def tell(what: str, share: float) -> None:
        now = time.monotonic()
        if not terminal or now - begun < 0.5 or now - last[0] < 0.1:
            return
        last[0] = now
        sys.stderr.write(f"\r\x1b[K{what} {100 * share:.0f} %" if share > 0 else f"\r\x1b[K{what} ...")
        sys.stderr.flush()

    if not compiled():
        click.echo("pliant: first use, compiling; this takes about half a minute, once", err=True)
        compile_ahead(tell)
    try:
        yield tell
    finally:
        if terminal and last[0]:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def write_page(path: str, report: "Report") -> None:
    """Write a report as one self-contained file, whole or not at all."""
    from pliant.files import save_whole
    from pliant.report.sections import whole_page

    save_whole(Path(path), whole_page(report))
