"""The machines and spools of a book, as their owner's files: what the bench offers, and the first of them."""

import difflib
import re
import tomllib
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

from pliant.book import look
from pliant.book.open_book import default_location, is_server, open_book
from pliant.errors import BookError
from pliant.files import Text
from pliant.records.book import Added
from pliant.records.form import with_values
from pliant.records.starters import SPOOLS, starter
from pliant.workflows.book import add_file

__all__ = [
    "Kept", "Known", "Shelf", "dialect_of", "keep_text", "kept_as", "known_by_name",
    "machine_text", "programs_of", "shelf", "side_by_side", "spool_text", "usual_lengths", "version_of", "with_dialect",
    "with_reach",
]  # fmt: skip


@dataclass(frozen=True)
class Kept:
    """The newest version of a machine or a filament: its identifier, name, version and text."""

    uid: str
    name: str
    version: int
    text: str
    made_at: str


@dataclass(frozen=True)
class Shelf:
    """All machines and filaments that can be chosen, the one kept last first."""

    machines: tuple[Kept, ...]
    filaments: tuple[Kept, ...]

    def of(self, kind: str) -> tuple[Kept, ...]:
        """Those of a kind, `machine` or `filament`."""
        return self.machines if kind == "machine" else self.filaments

    def chosen(self, kind: str, uid: str) -> Kept:
        """The one with this identifier; the last kept when none is named."""
        kept = self.of(kind)
        found = next((k for k in kept if k.uid == uid), None) if uid else next(iter(kept), None)
        if found is None:
            what = "machine" if kind == "machine" else "spool"
            raise BookError(f"{what}: not in the book in its newest version; choose one of the list")
        return found


def shelf(book: str | Path | None) -> Shelf:
    """Read the machines and filaments of a book; a book that is not there yet has none."""
    location = default_location() if book is None else book
    if not is_server(location) and not Path(location).expanduser().exists():
        return Shelf((), ())
    with open_book(location) as opened:
        return Shelf(_newest(opened, "machine"), _newest(opened, "filament"))


@dataclass(frozen=True)
class Known:
    """A machine or a spool of the book whose name somebody typed again, with other numbers."""

    kind: str
    kept: Kept
    pieces: int  # that its versions were learned from
    rows: tuple[tuple[str, str], ...]  # its lines and those typed, where they differ


def version_of(book: str | Path | None, kind: str, uid: str) -> Kept | None:
    """One version of a machine or a filament, the newest or not."""
    with open_book(book) as opened:
        row = look.text_row(opened, kind, uid)
    return None if row is None else Kept(**row)


def programs_of(book: str | Path | None, limit: int = 60) -> list[dict[str, Any]]:
    """The newest programs of a book, by name and content; of a book that is not there yet none."""
    location = default_location() if book is None else book
    if not is_server(location) and not Path(location).expanduser().exists():
        return []
    with open_book(location) as opened:
        return look.program_rows(opened, limit)


def known_by_name(book: str | Path | None, kept: Shelf, kind: str, text: str) -> Known | None:
    """The machine or spool of this name, where the text would become another version of it.

    Parameters
    ----------
    book : str or Path, optional
        The book; default the user's own.
    kept : Shelf
        What it holds.
    kind : str
        `machine` or `filament`.
    text : str
        A record as its owner typed it.

    Returns
    -------
    Known or None
        None where the name is new, or the text is that of its newest version.
    """
    name = str(tomllib.loads(text).get("name", ""))
    shelved = kept.machines if kind == "machine" else kept.filaments
    same = next((k for k in shelved if k.name.casefold() == name.casefold()), None)
    if same is None:
        return None
    rows = side_by_side(same.text, text)
    if not any(_bare(a) != _bare(b) for a, b in rows):
        return None
    with open_book(book) as opened:
        return Known(kind, same, look.learned_from(opened, kind, same.name), rows)


def side_by_side(first: str, second: str) -> tuple[tuple[str, str], ...]:
    """The lines in which two records differ, each beside the one it takes the place of."""
    a, b = first.splitlines(), second.splitlines()
    rows = []
    for what, i, j, k, m in difflib.SequenceMatcher(None, a, b, autojunk=False).get_opcodes():
        if what != "equal":
            rows += list(zip_longest(a[i:j], b[k:m], fillvalue=""))
    return tuple(rows)


def _bare(line: str) -> str:
    """A line without its comment and its spaces."""
    return line.split(" #", maxsplit=1)[0].strip()


def keep_text(book: str | Path | None, kind: str, text: str) -> Added:
    """Keep the text of a machine.toml or filament.toml as the next version of its name."""
    return add_file(book, kind, Text(kind, text))


def kept_as(book: str | Path | None, kind: str, text: str) -> Kept:
    """Keep the text of a record as the next version of its name, and take it from the shelf."""
    uid = keep_text(book, kind, text).uid  # before the shelf is read
    return shelf(book).chosen(kind, uid)


def machine_text(
    like: str, name: str, gap_mm: float | None, guide_mm: float | None, nozzle_mm: float | None,
    reach_mm: tuple[float, float, float] | None = None, origin: str = "corner",
) -> str:  # fmt: skip
    """Write the machine.toml of somebody who chose an archetype and measured a few things.

    Parameters
    ----------
    like : str
        An archetype of the starter machines.
    name : str
        What the owner calls the machine.
    gap_mm, guide_mm, nozzle_mm : float or None
        Open gap, length of the guide, bore of the nozzle; what was not measured is typical, in a wide range. [mm]
    reach_mm : tuple of float, optional
        How far the nozzle goes along x, y and z; not guessed where nobody says. [mm]
    origin : {"corner", "centre"}
        Where on the bed x and y are 0.

    Returns
    -------
    str
        TOML with comments.

    Examples
    --------
    >>> text = machine_text("open-gap", "Bench 2", 6.0, None, 0.4)
    >>> [line.split(" #")[0].strip() for line in text.splitlines() if line.startswith(("name", "length", "nozzle"))]
    ['name = "Bench 2"', 'length_mm = 6', 'length_mm = [16.7, 37.5]', 'nozzle_mm = 0.4']
    """
    text = starter("machine", like)
    typical = [float(v) for v in re.findall(r"^length_mm = ([\d.]+)", text, re.M)]
    text = re.sub(r"^name = .*$", lambda _: f"name = {_quoted(name)}", text, count=1, flags=re.M)
    lengths = iter([_given(gap_mm, typical[0], "gap"), _given(guide_mm, typical[1], "guide")])
    text = re.sub(r"^length_mm = [\d.]+", lambda _: f"length_mm = {next(lengths)}", text, flags=re.M)
    if nozzle_mm is not None:
        text = re.sub(r"^nozzle_mm = [\d.]+", f"nozzle_mm = {nozzle_mm:g}", text, flags=re.M)
    return text if reach_mm is None else with_reach(text, reach_mm, origin)


def spool_text(
    name: str, shore: float, scale: str, nozzle_c: tuple[float, float] | None = None, dry_c: float | None = None
) -> str:
    """Write the filament.toml of somebody who knows the hardness and, at best, what the maker's sheet says."""
    near = min(SPOOLS, key=lambda k: abs(SPOOLS[k][0] - (shore if scale == "A" else 95)))
    low, high = nozzle_c or SPOOLS[near][1:]
    said = "the maker's data sheet" if nozzle_c else "typical for the hardness: the maker's data sheet rules"
    text = (
        f"name = {_quoted(name)}\nshore = {shore:g}\nscale = {_quoted(scale)}\ndiameter_mm = 1.75\n"
        f"nozzle_c = [{low:g}, {high:g}]       # {said}\n"
    )
    return text + (f"dry_c = {dry_c:g}\n" if dry_c is not None else "")


def usual_lengths(like: str) -> tuple[str, str]:
    """The open gap and the guide of a kind of machine, as its record has them, in words."""
    gap, guide = re.findall(r"^length_mm = ([\d.]+)", starter("machine", like), re.M)[:2]
    return f"{gap} mm", f"{guide} mm"


def dialect_of(text: str) -> str:
    """What a machine's record says of its controller; `auto` where it says nothing."""
    return str(tomllib.loads(text).get("program", {}).get("dialect", "auto"))


def with_dialect(text: str, dialect: str) -> str:
    r"""A machine's record with what is known now of its controller; nothing else of it is changed.

    Parameters
    ----------
    text : str
        A machine.toml.
    dialect : str
        How the controller reads the words that differ between controllers.

    Returns
    -------
    str

    Raises
    ------
    RecordError
        If the record is written so that the word cannot be set.

    Examples
    --------
    >>> with_dialect('name = "A"\n[program]\ndialect = "auto"  # unknown\n', "e-on-its-own")
    'name = "A"\n[program]\ndialect = "e-on-its-own"  # unknown\n'
    """
    return with_values(text, {("program", "dialect"): dialect})


def with_reach(text: str, reach_mm: tuple[float, float, float], origin: str = "corner") -> str:
    r"""A machine's record with how far the nozzle reaches; nothing else of it is changed.

    Parameters
    ----------
    text : str
        A machine.toml.
    reach_mm : tuple of float
        Along x, y and z. [mm]
    origin : {"corner", "centre"}
        Where on the bed x and y are 0.

    Returns
    -------
    str

    Raises
    ------
    RecordError
        If the record is written so that it cannot be set.

    Examples
    --------
    >>> with_reach('name = "A"\n[motion]  # axes\nacceleration_mm_per_s2 = 900\n', (220, 220, 250))
    'name = "A"\n[motion]  # axes\nacceleration_mm_per_s2 = 900\nvolume_mm = [220, 220, 250]\norigin = "corner"\n'
    """
    reach = [int(v) if float(v).is_integer() else v for v in reach_mm]
    return with_values(text, {("motion", "volume_mm"): reach, ("motion", "origin"): origin})


def _newest(opened: object, kind: str) -> tuple[Kept, ...]:
    return tuple(Kept(**row) for row in look.newest_texts(opened, kind))  # type: ignore[arg-type]


def _given(value: float | None, typical: float, what: str) -> str:
    return f"{value:g}" if value is not None else f"[{typical / 1.5:.3g}, {typical * 1.5:.3g}]"


def _quoted(text: str) -> str:
    """A TOML string; what cannot be printed is left out."""
    clean = "".join(c for c in text if c.isprintable())[:120].strip()
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'
