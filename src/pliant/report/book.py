"""What the book says, as plain lines for a terminal."""

import json
from itertools import zip_longest
from textwrap import wrap
from typing import Any

from pliant.records.book import Added, Comparison, Entry, History, Listing, PastOutcomes, Shown, Transfer

__all__ = [
    "added_text",
    "comparison_text",
    "history_text",
    "listing_text",
    "past_outcomes_text",
    "retired_text",
    "shown_text",
    "transfer_text",
]

_WIDEST = 40  # [characters] of a column; two of them and a key fit a terminal
# what `plan` adds around the values of a recipe
_DERIVED = (
    "settings",
    "window",
    "helps",
    "by_height",
    "by_mechanism",
    "measure_next",
    "levelling",
    "part_advice",
    "assumed",
    "notes",
    "cautions",
)


def added_text(added: Added) -> str:
    """What a write did."""
    name = added.name if added.version is None or added.kind == "outcome" else f"{added.name}@{added.version}"
    what = added.kind if name == added.kind else f"{added.kind} {_safe(name)}"
    return f"{'kept' if added.new else 'already here:'} {what}  ({added.uid})"


def retired_text(made: Added, again: bool = False) -> str:
    """What retiring did, or taking back."""
    if not made.new:
        return f"{_safe(made.name)}: {'in use' if again else 'retired'} already"
    what = "in use again" if again else "retired: it stays in the book, and is neither offered nor counted"
    return f"{_safe(made.name)}: {what}"


def listing_text(listing: Listing) -> str:
    """Entries newest first, then how many there are."""
    total = ", ".join(f"{n} {_plural(kind, n)}" for kind, n in listing.counts.items() if n)
    lines = [*(_line(e) for e in listing.entries), f"in all      {total or 'nothing yet'}"]
    if listing.retired:
        lines.append(f"            retired and not shown: {listing.retired}; `retired` shows them too")
    return "\n".join(lines)


def shown_text(shown: Shown) -> str:
    """One record in full."""
    r = shown.record
    lines = [f"{r.kind} {r.uid}", f"made at     {_when(r.made_at)}"]
    if shown.retired:
        lines.append("retired     kept, and neither offered nor counted")
    for key, value in r.fields.items():
        if key == "record":
            lines += ["record", *("  " + x for x in json.dumps(value, indent=1, ensure_ascii=False).split("\n"))]
        elif isinstance(value, str) and "\n" in value.strip():
            lines += [key, *("  " + x for x in value.rstrip().split("\n"))]
        else:
            lines.append(f"{key:<11} {value}")
    lines += [f"refers to   {_line(e)}" for e in shown.refers_to]
    lines += [f"used by     {_line(e)}" for e in shown.referred_by]
    return "\n".join(_safe(x) for x in lines)


def comparison_text(comparison: Comparison) -> str:
    """Two records in columns; a difference is marked at the left.

    Of two derived recipes only the values and the verdict are shown: their reasons and maps are for the JSON.
    """
    rows = [r for r in comparison.rows if not (comparison.kind == "recipe" and r.key.startswith(_DERIVED))]
    names = (comparison.first, comparison.second)
    if names[0].rpartition("@")[0] == names[1].rpartition("@")[0] and max(map(len, names)) > _WIDEST:
        names = tuple("version " + n.rpartition("@")[2] for n in names)  # type: ignore[assignment]
    cells = [("", "", *names)]
    for r in rows:
        first = "-" if r.only == "second" else _value(r.first)
        second = "-" if r.only == "first" else _value(r.second)
        cells.append((" " if r.same else "*", r.key, first, second))
    if comparison.first_note or comparison.second_note:
        cells.append((" ", "(note)", comparison.first_note or "-", comparison.second_note or "-"))
    wide = [min(max(len(_safe(row[i])) for row in cells), _WIDEST) for i in (1, 2)]
    lines = []
    for mark, key, a, b in cells:
        left, right = (wrap(_safe(x), _WIDEST) or [""] for x in (a, b))
        for i, (x, y) in enumerate(zip_longest(left, right, fillvalue="")):
            head = f"{mark or ' '} {_safe(key)}" if i == 0 else ""
            lines.append(f"{head:<{wide[0] + 2}}  {x:<{wide[1]}}  {y}".rstrip())
    n = sum(not r.same for r in rows)
    more = comparison.differences - n
    told = f"{n} {'difference' if n == 1 else 'differences'}" if comparison.differences else "no difference"
    return "\n".join([*lines, told + (f", and {more} in reasons, ranges and maps (in the JSON)" if more else "")])


def history_text(history: History) -> str:
    """A spool's life, oldest first, then its outcomes by machine."""
    lines = [f"spool       {_safe(history.filament)}, {history.versions} {_plural('version', history.versions)}"]
    if history.left_out:
        lines.append(f"            {history.left_out} older entries left out; a higher `limit` shows more")
    if history.retired:
        lines.append(f"            retired prints, neither shown nor counted: {history.retired}")
    lines += [_line(e) for e in history.entries]
    lines += [f"on {_safe(m)}: {_counts(n)}" for m, n in history.by_machine.items()]
    return "\n".join(lines)


def past_outcomes_text(past: PastOutcomes) -> str:
    """What the book knows of this spool on this machine, to stand beside a new check."""
    pair = f"{_safe(past.filament)} on {_safe(past.machine)}"
    if not past.counts:
        return f"record      no print of {pair} in the book yet"
    lines = [f"record      {pair}: {_counts(past.counts)}"]
    for r in past.recent:
        where = "" if r.at_line is None else f" at line {r.at_line}"
        where += "" if r.at_layer is None else f" in layer {r.at_layer}"
        where += "" if r.at_time_s is None else f" after {r.at_time_s:g} s"
        said = "" if r.jam_probability is None else f" (check had said {100 * r.jam_probability:.0f} %)"
        job = " ".join(x for x in (r.program, r.recipe and f"recipe {r.recipe}") if x)
        note = " ".join((r.note or "").split())
        told = f"{r.outcome}{where}{said}{': ' + note if note else ''}"
        lines.append(_safe(f"  {r.made_at[:10]}  {job + ': ' if job else ''}{told}"))
    return "\n".join(lines)


def transfer_text(transfer: Transfer) -> str:
    """What was moved, and where to."""
    total = ", ".join(f"{n} {_plural(kind, n)}" for kind, n in transfer.counts.items() if n) or "nothing"
    lines = [f"{transfer.what:<11} {total}"]
    if transfer.already_here:
        lines.append(f"unchanged   {transfer.already_here} were already here")
    if transfer.file != transfer.book:
        lines.append(f"{'from' if transfer.what == 'imported' else 'to':<11} {transfer.file}")
    lines += [f"lost        {x}" for x in transfer.lost]
    return "\n".join(lines)


def _plural(kind: str, n: int) -> str:
    return kind if n == 1 or kind in ("mended",) else f"{kind}s"


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{n} {outcome}" for outcome, n in sorted(counts.items()))


def _when(moment: str) -> str:
    return f"{moment[:10]} {moment[11:16]} UTC"


def _line(e: Entry) -> str:
    return _safe(
        f"{e.uid[:8]}  {e.made_at[:10]} {e.made_at[11:16]}  {e.kind:<8}  {e.title}{'  ' + e.detail if e.detail else ''}"
    )


def _value(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _safe(text: str) -> str:
    """A note may come from anywhere: nothing in it may command the terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)
