"""The prints that a book keeps of a machine and a spool, as evidence.

What is taken from a print is in `feed.witness`; what the book keeps of its program, in `job.kept`.
"""

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

from pliant.book import prints, records
from pliant.book.open_book import Book, is_server, open_book
from pliant.errors import PliantError
from pliant.feed.witness import Seen
from pliant.files import Source, Text
from pliant.job.job import read_job
from pliant.job.kept import KeptCourse, course_from, kept_course, seen_from
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine

__all__ = ["kept_of", "record_from", "seen_in"]

_MOST_PRINTS = 40  # the newest: a hundredth of a second each for every thousand draws; then it is time to learn


def seen_in(
    location: str | Path, machine: Machine, filament: Filament, folder: Path | None
) -> tuple[tuple[Seen, ...], tuple[str, ...]]:
    """The prints of a book that count, and why others do not; none where there is no book yet.

    Parameters
    ----------
    location : str or Path
        The book.
    machine, filament : Machine, Filament
        As read from their files.
    folder : Path, optional
        Where programs may lie that the book keeps by name and hash alone.
    """
    if not (is_server(location) or Path(location).expanduser().exists()):
        return (), ()
    with open_book(location) as book:
        return _seen(book, machine, filament, folder)


def _seen(
    book: Book, machine: Machine, filament: Filament, folder: Path | None
) -> tuple[tuple[Seen, ...], tuple[str, ...]]:
    used = filament.together.readings if filament.together is not None else ()
    rows = prints.printed(book, machine.name, filament.name, _MOST_PRINTS + 1)
    courses: dict[tuple[str, str, str], KeptCourse] = {}
    seen, left_out = [], []
    for r in rows[:_MOST_PRINTS]:
        if r["uid"] in used or r["outcome"] == "not-sure":
            continue
        name = f"the print of {r['made_at'][:10]}" + (f" ({r['name']})" if r["name"] else "")
        changed = _other_hardware(r["machine_text"], machine) or _other_spool(r["filament_text"], filament)
        if changed:
            left_out.append(f"{name}: {changed}")
            continue
        key = (r["program"], r["machine"], r["filament"])
        if key not in courses and (kept := _course_of(r, machine, filament, folder)) is not None:
            courses[key] = kept
        if key not in courses:
            left_out.append(f"{name}: its program is not known to the book, nor beside this one")
            continue
        found = seen_from(
            courses[key], r["outcome"], r["at_time_s"], r["at_line"], r["at_layer"], _late_s(machine), mark=r["uid"]
        )
        if found is None:
            left_out.append(f"{name}: ended early, and not said when")
        else:
            seen.append(found)
    if len(rows) > _MOST_PRINTS:
        left_out.append(f"prints before the newest {_MOST_PRINTS}: take them in with `learn()`")
    return tuple(seen), tuple(left_out)


def _late_s(machine: Machine) -> float | None:
    every = machine.tries.looks_in_every_min
    return None if every is None else 60 * every


def _course_of(r: dict[str, Any], machine: Machine, filament: Filament, folder: Path | None) -> KeptCourse | None:
    """What the book keeps of a program, or what a file beside this one with its name and content asks."""
    if r["course"] is not None:
        return course_from(r["course"])
    if r["name"] is None or folder is None:
        return None
    file = folder / r["name"]
    try:
        if not file.is_file() or records.prepare_program(file).values["sha256"] != r["sha256"]:
            return None
        return kept_of(file, machine, filament)
    except PliantError:
        return None


def kept_of(program: str | Path, machine: Machine, filament: Filament) -> KeptCourse:
    """What the book keeps of a program, all that was printed of it: a proof that held or failed is evidence too."""
    return kept_course(read_job(program, machine, filament, whole=True))


@lru_cache(maxsize=32)
def record_from(read: Callable[[Source], Any], text: str) -> Any:
    """A machine or a filament from the text that the book has of it, read once."""
    return read(Text("record", text))


def _other_hardware(text: str | None, now: Machine) -> str:
    """What of the machine was another when it printed; empty where nothing is known to have been."""
    then = None if text is None else record_from(read_machine, text)
    if then is None:
        return ""
    if [s.kind for s in then.path] != [s.kind for s in now.path] or then.driven_wheels != now.driven_wheels:
        return "the feed path was another then"
    pairs = [("nozzle_mm", then.nozzle_mm, now.nozzle_mm)]
    for i, (old, new) in enumerate(zip(then.path, now.path, strict=True)):
        pairs += [(f"path[{i}].{key}", getattr(old, key), getattr(new, key)) for key in ("length_mm", "bore_mm")]
    for key, a, b in pairs:
        if a is None or b is None or "learned" in a.source + b.source:
            continue
        if max(a.low, b.low) > 1.05 * min(a.high, b.high):
            return f"{key} was {a.value:g} then and is {b.value:g} now"
    return ""


def _other_spool(text: str | None, now: Filament) -> str:
    then = None if text is None else record_from(read_filament, text)
    if then is None or (then.shore, then.scale) == (now.shore, now.scale):
        return ""
    return f"the spool was {then.shore:g}{then.scale} then"
