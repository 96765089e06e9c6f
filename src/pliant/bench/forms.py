"""Records as forms: a number a line, in words, with what is usual and how to find it out."""

import tomllib
from typing import Any

from pliant.errors import PliantError
from pliant.records.form import Line, lines_of
from pliant.report.words import unknown_in_words

__all__ = ["called", "rows_of"]


def rows_of(kind: str, text: str) -> list[dict[str, Any]]:
    """The numbers of a record as a page shows them; none of one that today's reader refuses."""
    rows = []
    try:
        lines = lines_of(kind, text)
    except PliantError:
        return []
    for line in lines:
        what, how = called(kind, text, line.name), unknown_in_words(line.name)[1]
        rows.append({
            "name": f"v.{line.name}", "what": what[:1].upper() + what[1:], "said": line.said, "unit": _unit(line),
            "how": how.partition(": grip_n")[0], "usual": line.usual,
        })  # fmt: skip
    return rows


def called(kind: str, text: str, name: str) -> str:
    """What a number of a record is called; a span by its kind, and by its place where there are several."""
    what, span = unknown_in_words(name.rpartition(".")[2])[0], name.removeprefix("path").partition(".")[0]
    if kind == "filament" or not span.isdecimal():
        return unknown_in_words(name)[0]
    kinds = [table["kind"] for table in tomllib.loads(text)["path"]]
    mine = kinds[int(span)]
    what = what.removesuffix(" (hot end)").replace("how long it is", f"how long the {mine} is")
    what = f"how wide the {mine} is inside" if name.endswith("bore_mm") else what
    if kinds.count(mine) > 1:
        place = kinds[: int(span) + 1].count(mine)
        what += f", number {place} from the drive"
    return what


def _unit(line: Line) -> str:
    return "" if line.unit == "–" else line.unit
