"""What was learned as a report, with a drawing of how far each unknown moved and narrowed."""

import math

from pliant.colours import INK, MOSS, OCHRE
from pliant.constants import Z90
from pliant.records.learned import Believed, Learned, Suspect, Unpredicted
from pliant.report.check import limit_words
from pliant.report.learn import answer_words, at_gaps, odds, span
from pliant.report.plot import NARROW, both, esc
from pliant.report.sections import Report, compose
from pliant.report.words import unknown_in_words
from pliant.say import number, percent

__all__ = ["learn_page"]

_ROW, _BASE = 46, 40  # [px] height of a row of the drawing; below the last
_NARROWER = 0.95  # [-] of its range before; less than that is a matter of the draws
_FACTORS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


def learn_page(learned: Learned, machine: str, filament: str) -> Report:
    """Compose the report of what was learned of a machine and a spool, by their names."""
    L = learned
    moved = [b for b in L.changed if _told(b)[0] != _told(b)[1]]  # others only hang together with these
    zone, word, headline = _said(L, moved)
    return compose(
        "learn.html",
        "What was learned",
        verb="learn",
        facts=(("Machine", machine), ("Spool", filament), ("Learned from", ", ".join(L.readings))),
        styles=("page.css", "paper.css"),
        L=L,
        zone=zone,
        word=word,
        headline=headline,
        answers=_answers(L),
        todo=_todo(L),
        suspects=[_suspect(s) for s in L.suspects],
        unpredicted=[_unpredicted(u) for u in L.unpredicted],
        rows=[(unknown_in_words(b.name)[0], b.name, *_told(b), _moved(b)) for b in moved],
        drawn=both(lambda width: _chart(moved, width)) if moved else None,
    )


def _told(b: Believed) -> tuple[str, str]:
    """Its 90 % range before and now."""
    digits = 2 if b.spread_after > 1.1 else 3
    return span(b.value_before, b.spread_before, digits), span(b.value_after, b.spread_after, digits)


def _moved(b: Believed) -> str:
    """What learning did to one unknown."""
    share = math.log(max(b.spread_after, 1.0)) / math.log(b.spread_before) if b.spread_before > 1 else 2.0
    return "better known" if share < _NARROWER else "less sure" if share > 1 / _NARROWER else "only moved"


def _said(L: Learned, moved: list[Believed]) -> tuple[str, str, str]:
    """Zone, word, headline."""
    if L.suspects:
        return "narrow", "look again", "Learned, but some readings do not go with the rest."
    if L.unpredicted:
        return "narrow", "in part", "Learned, but only for where you printed."
    return "room", "learned", _headline(moved)


def _headline(moved: list[Believed]) -> str:
    if any(_moved(b) == "better known" for b in moved):
        return "Learned: some things are known better now."
    return "Learned: some things moved, none is known better." if moved else "Learned, and nothing new."


def _answers(L: Learned) -> list[tuple[str, str, str, str]]:
    """The user's own question, and the flow that the path carries."""
    said = []
    if L.before is not None and L.after is not None:
        speed = L.after.limit_speed_mm_per_s
        was = ("" if speed is None else f"{limit_words(speed)}. ") + f"It was {answer_words(L.before)}"
        said.append(("", f"Chance of a jam of {L.program}", percent(L.after.jam_probability), was))
    if L.limit_before is not None and L.limit_after is not None:
        now, before = (f"{number(low)} to {number(high)} mm³/s" for _, low, high in (L.limit_after, L.limit_before))
        what = f"Flow at which a wide, flat bead jams at {L.limit_nozzle_c:g} °C"
        said.append(("", what, f"{number(L.limit_after[0])} mm³/s", f"{now}, nine times in ten; it was {before}"))
    return said


def _todo(L: Learned) -> list[str]:
    said = []
    if L.suspects:
        said.append("Look at the piece again before you trust the rest; correct the sheet if it was a slip of the pen.")
    if L.unpredicted:
        said.append("Print a piece at the gap where your job runs: what was learned elsewhere does not carry over.")
    if L.flow_factor is not None:
        said.append(
            f"A flow factor of {number(L.flow_factor, 3)} makes up for what the drive loses at a moderate push."
        )
    said.append("Use both new records together: their numbers hang together, and they keep how. The old are unchanged.")
    return said


def _suspect(s: Suspect) -> str:
    return f"{s.reading}: expected {s.expected}, found {s.found} (chance {odds(s.chance)})"


def _unpredicted(u: Unpredicted) -> str:
    return (
        f"{u.sheet}, printed {at_gaps(u.gaps_mm)}, is not what {', '.join(u.others)} {at_gaps(u.other_gaps_mm)} lead "
        f"one to expect (a sheet as odd: chance {odds(u.chance)}): {u.reading}: expected {u.expected}, found {u.found}"
    )


def _chart(moved: list[Believed], width: int) -> str:
    """For each unknown its range before, hatched, and now, over its middle before."""
    reach = [b.value_after / b.value_before * b.spread_after**k for b in moved for k in (-Z90, Z90)]
    reach += [b.spread_before**k for b in moved for k in (-Z90, Z90)]
    low, high = min([*reach, 0.9]) / 1.05, max([*reach, 1.1]) * 1.05
    left, right, bottom = 8.0, width - 8.0, 12 + _ROW * len(moved)

    def x(factor: float) -> float:
        return left + (right - left) * math.log(factor / low) / math.log(high / low)

    out = []
    for factor in (f for f in _FACTORS if low <= f <= high):
        dash = "" if factor == 1.0 else ' stroke-dasharray="2 4"'
        out.append(f'<path d="M{x(factor):.1f} 8V{bottom}" stroke="{INK}" opacity=".35"{dash}/>')
        word = "as before" if factor == 1.0 else f"×{factor:g}"
        out.append(f'<text x="{x(factor):.1f}" y="{bottom + 18}" text-anchor="middle">{word}</text>')
    for k, b in enumerate(moved):
        y = 12 + _ROW * k
        name = unknown_in_words(b.name)[0]
        name = name if width > NARROW or len(name) < 44 else f"{name[:42]}…"
        out.append(f'<text class="halo" x="{left:.1f}" y="{y + 12}">{esc(name)}</text>')
        for middle, spread, top, colour, opacity in (
            (1.0, b.spread_before, y + 18, OCHRE, 0.45),
            (b.value_after / b.value_before, b.spread_after, y + 28, MOSS, 0.9),
        ):  # fmt: skip
            a, z = x(middle * spread**-Z90), x(middle * spread**Z90)
            out.append(
                f'<rect x="{a:.1f}" y="{top}" width="{max(z - a, 2.0):.1f}" height="8" fill="{colour}" '
                f'opacity="{opacity:g}"/><path d="M{x(middle):.1f} {top - 1}v10" stroke="{INK}" stroke-width="2"/>'
            )
    label = f"How {len(moved)} unknowns moved and narrowed: the range before, and below it the range now."
    return f'<svg viewBox="0 0 {width} {bottom + _BASE}" role="img" aria-label="{esc(label)}">{"".join(out)}</svg>'
