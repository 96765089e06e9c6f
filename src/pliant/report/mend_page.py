"""Before and after as a report; it needs no script.

The drawings are those of the report of `check`; this file adds the words of a comparison.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from pliant.records.findings import Findings
from pliant.records.mended import Mended
from pliant.records.mending import Change
from pliant.records.trace import LayerPair, Remake
from pliant.report import words
from pliant.report.charts import HATCHES, sheet_drawing, strip_drawing, top_of_chart
from pliant.report.check import cause_words
from pliant.report.check_page import ZONE, jam_band, speed_words
from pliant.report.evidence import evidence_words, full_sentence
from pliant.report.mend import aim_words, rest_words, travel_words
from pliant.report.sections import Report, compose
from pliant.say import quantity

__all__ = ["mend_page"]

_FOOT = (
    "Made by pliant {version}. The strips are exact for the middle values; the chance of a jam tries everything "
    "unknown on the program’s largest flows. It is a model, not a promise."
)
_SHOWN = 3  # changes of a pass that are shown; the rest can be opened
_MOST_SHOWN = 40
_DOES = {
    "heat": "keeps the nozzle within the maker’s sheet",
    "prime": "fills the nozzle beside the part",
    "first layer": "lets the melt out from under the nozzle",
    "factor": "makes up for what the drive loses",
    "order": "lays runs in an order with less air between them",
    "route": "sends travel over this layer’s own bead",
    "flow": "slows beads where the push is too much",
    "retract": "takes out, shortens and slows retractions",
    "coast": "lets the lag finish a run before air",
    "proof": "lays a pad beside the part first, fed harder than the part ever is",
    "shape": "charges runs before they begin and draws back what is stored when they end",
}


def mend_page(mended: Mended, remake: Remake) -> Report:
    """Compose the report.

    Parameters
    ----------
    mended : Mended
        What `mend` did.
    remake : Remake
        Both programs, thinned for drawing.

    Returns
    -------
    Report
    """
    b, a, p = mended.before, mended.after, remake.before
    strips = [remake.before.strip, remake.after.strip]
    top = max(top_of_chart(s) for s in strips) if len({s.unit for s in strips}) == 1 else None
    longest = max(s.total_s for s in strips) or 1.0
    output = Path(mended.output).name if mended.output else p.program
    headline = _headline(mended)
    tonight = _tonight(mended)
    return compose(
        "mend.html",
        f"{headline} {p.program} on {p.machine} with {p.filament}",
        verb="mend",
        facts=(
            ("Program", p.program if output == p.program else f"{p.program} → {output}"),
            ("Machine", p.machine),
            ("Filament", p.filament),
        ),
        styles=("page.css", "mend.css"),
        foot=_FOOT,
        drawn_with=HATCHES,
        m=mended,
        b=b,
        a=a,
        zone=ZONE[a.verdict],
        evidence=[full_sentence(text) for text in evidence_words(a)],
        headline=headline,
        start=tonight,
        bands=[("before", b, jam_band(b)), ("after", a, jam_band(a))],
        rows=_rows(b, a),
        travel=travel_words(a.facts) + rest_words(b.facts, a.facts),
        after=words.chance_against(a.jam_probability, mended.target),
        costs=_costs(mended),
        cause=cause_words(mended.after),
        strips=[
            (name, s, strip_drawing(s, top), 100 * s.total_s / longest, f)
            for name, s, f in (("as it was", strips[0], b), ("mended", strips[1], a))
        ],
        pairs=[_pair(pair) for pair in remake.pairs],
        passes=_passes(mended),
        state=words.STATE,
        speed=speed_words,
    )


def _headline(mended: Mended) -> str:
    if not mended.changes:
        return "Nothing needed mending." if mended.meets_target else "Nothing helped: not a byte was changed."
    if mended.meets_target and mended.after.verdict == "feeds":
        return "Mended: this job should feed now."
    if mended.meets_target:
        return "Mended for tonight: " + (
            "watch the pad, then stay near." if mended.proof else "start it, and stay near."
        )
    return "Mended where it could be, but not enough."


def _tonight(mended: Mended) -> dict[str, str]:
    """How to start what was written, part by part; empty where it feeds."""
    p, other = mended.proof, full_sentence(aim_words(mended)[0])
    feeds = mended.after.verdict == "feeds" and p is None
    if feeds and not other:
        return {}
    said = {"other": other, "watch": "" if feeds else cause_words(mended.before), "no_pad": "", "pad": ""}
    if p is not None:
        said["pad"] = words.clock(60 * p.minutes)
        said["after"] = f"{words.chance_in_words(p.jam_probability_after)} ({words.percent(p.jam_probability_after)})"
        said["fails"] = words.chance_in_words(1 - p.held_probability)
    else:
        why = next((note for note in mended.notes if note.startswith("proof: ")), "")
        said["no_pad"] = full_sentence(why.removeprefix("proof: ")) if why else ""
    return said


def _rows(b: Findings, a: Findings) -> list[dict[str, str]]:
    """Before and after, each with the change in words."""

    def push(f: Findings) -> str:
        if f.least_margin is None:
            return "nothing is pushed"
        if f.peak_push_n is None or (f.least_margin is not None and f.least_margin < 0.1):
            return "far beyond what the path carries"
        return f"{words.number(f.peak_push_n)}{words.NBSP}N"

    def metres(mm: float) -> str:
        return quantity(mm, "mm").replace(" ", words.NBSP)

    table: list[tuple[str, str, str, float | None, float | None]] = [
        ("Chance of a jam", words.chance(b.jam_probability), words.chance(a.jam_probability), b.jam_probability,
         a.jam_probability),
        ("Peak push", push(b), push(a), b.peak_push_n, a.peak_push_n),
        ("Time", words.clock(b.facts.time_s), words.clock(a.facts.time_s), b.facts.time_s, a.facts.time_s),
        ("Travel over air", metres(b.facts.open_travel_mm), metres(a.facts.open_travel_mm),
         b.facts.open_travel_mm, a.facts.open_travel_mm),
        ("Of it in sight", metres(b.facts.seen_travel_mm), metres(a.facts.seen_travel_mm),
         b.facts.seen_travel_mm, a.facts.seen_travel_mm),
        ("Strings expected", str(b.facts.strings), str(a.facts.strings), b.facts.strings, a.facts.strings),
        ("Of them in sight", str(b.facts.seen_strings), str(a.facts.seen_strings), b.facts.seen_strings,
         a.facts.seen_strings),
        ("Retractions", str(b.facts.retractions), str(a.facts.retractions), b.facts.retractions, a.facts.retractions),
        ("Bead off by, rms", f"{100 * b.bead_error_rms:.0f}{words.NBSP}%", f"{100 * a.bead_error_rms:.0f}{words.NBSP}%",
         b.bead_error_rms, a.bead_error_rms),
        ("Oozed between runs", quantity(b.ooze_mm3, "mm3").replace(" ", words.NBSP),
         quantity(a.ooze_mm3, "mm3").replace(" ", words.NBSP), b.ooze_mm3, a.ooze_mm3),
        ("Passes of the drive", str(b.max_passes), str(a.max_passes), b.max_passes, a.max_passes),
    ]  # fmt: skip
    return [{"name": name, "was": was, "now": now, "change": _change(old, new)} for name, was, now, old, new in table]


def _change(old: float | None, new: float | None) -> str:
    if old is None or new is None:
        return ""
    if old == new:
        return "the same"
    if old == 0:
        return ""
    share = new / old - 1
    if abs(share) < 0.005:
        return "hardly any"
    if share >= 1:
        return f"{words.number(new / old)} times"
    if share < -0.9 and new > 0:
        return f"{words.number(old / new)} times less"
    return f"{'+' if share > 0 else '−'}{abs(100 * share):.0f}{words.NBSP}%"


def _costs(mended: Mended) -> list[dict[str, Any]]:
    """Time and chance of a jam of the program as written, at one flat speed, and of ours at either risk."""
    flat, b, a = mended.flat, mended.before, mended.after
    rows = [
        ("as written", "rigid-filament speeds", b.facts.time_s, b.jam_probability, "was"),
        (f"flat {flat.speed_mm_per_s:g}{words.NBSP}mm/s", "every bead at one safe speed, as practice has it",
         flat.time_s, flat.jam_probability, "flat"),
        ("ours, at that risk", "each bead as fast as it feeds, for the risk of the flat speed", flat.our_time_s,
         flat.our_jam_probability, "ours"),
        ("mended", "what was written", a.facts.time_s, a.jam_probability, "now"),
    ]  # fmt: skip
    longest = max(row[2] for row in rows) or 1.0
    return [
        {
            "name": n,
            "what": what,
            "time": words.clock(s),
            "chance": words.chance(p),
            "bar": 100 * s / longest,
            "kind": k,
        }
        for n, what, s, p, k in rows
    ]


def _pair(pair: LayerPair) -> dict[str, Any]:
    def side(name: str, sheet: Any, seconds: float) -> dict[str, Any]:
        return {
            "name": name, "drawing": sheet_drawing(sheet), "open": words.number(sheet.open_mm),
            "seen": words.number(sheet.seen_mm), "strings": words.strings(sheet.strings, sheet.seen_strings),
            "time": words.clock(seconds),
        }  # fmt: skip

    return {
        "layer": pair.before.layer + 1,
        "alike": words.ranges([k + 1 for k in pair.alike]),
        "sides": [side("before", pair.before, pair.seconds_before), side("after", pair.after, pair.seconds_after)],
    }


def _passes(mended: Mended) -> list[dict[str, Any]]:
    """Each pass with its changes: first one of each kind, then the others."""
    found = []
    order = {name: k for k, name in enumerate(_DOES)}
    for name, many in sorted(mended.counts().items(), key=lambda kv: order.get(kv[0], 99)):
        mine = [c for c in mended.changes if c.pass_name == name]
        first = _distinct(mine, lambda c: (c.what, c.why))[:_SHOWN]
        rest = [c for c in mine if c not in first][: _MOST_SHOWN - len(first)]
        found.append(
            {"name": name, "does": _DOES.get(name, ""), "count": many, "first": first, "rest": rest,
             "hidden": many - len(first) - len(rest)}
        )  # fmt: skip
    return found


def _distinct(changes: list[Change], key: Callable[[Change], Any]) -> list[Change]:
    seen: set[Any] = set()
    return [c for c in changes if not (key(c) in seen or seen.add(key(c)))]  # type: ignore[func-returns-value]
