"""Findings and their picture as a report: the same fields as the text's, drawn, with numbers for the script."""

import math
import re
from typing import Any

from markupsafe import Markup

from pliant.constants import FEEDS_BELOW
from pliant.records.findings import Findings, Moment
from pliant.records.recipe import Recipe
from pliant.records.trace import Picture, SheetLayer
from pliant.report import words
from pliant.report.by_layer import layer_drawing, layer_words
from pliant.report.charts import HATCHES, sheet_drawing, strip_drawing, strip_numbers
from pliant.report.check import MEANS, cause_words, joined, layers_of, limit_words, part_words
from pliant.report.evidence import evidence_words, full_sentence
from pliant.report.feed_path import feed_path_svg
from pliant.report.sections import Report, compose, json_markup
from pliant.report.tonight import curve_choices, curve_numbers, tonight_words

__all__ = ["ZONE", "assumed_words", "check_page", "jam_band", "limit_band", "speed_words"]

_RAIL_MM_PER_S = 200.0  # right end of the rail of speeds; its left end is 1

_HEADLINE = {
    "feeds": "This job should feed.",
    "marginal": "This job may jam.",
    "jams": "This job is more likely to jam than not.",
}
_CONTROLLER = {
    "auto": "Read for any controller: what each would take otherwise is told below.",
    "e-on-its-own": "Read for a controller on which M82 and M83 alone set how the filament counts.",
    "e-follows-g90": "Read for a controller on which G90 and G91 also set how the filament counts.",
    "many-per-line": "Read for a controller that runs several commands of one line.",
}
ZONE = {"feeds": "room", "marginal": "narrow", "jams": "over"}
_FOOT = (
    "Made by pliant {version}. The strip, the vessels and the worst moments are exact for the middle values: every "
    "move goes through the lag and the melt law. The chance of a jam tries everything unknown on the program’s largest "
    "flows. It is a model, not a promise."
)


def check_page(findings: Findings, picture: Picture) -> Report:
    """Compose the report.

    Parameters
    ----------
    findings : Findings
        What `check` found.
    picture : Picture
        What it was found from, thinned for drawing.

    Returns
    -------
    Report
    """
    headline = _HEADLINE[findings.verdict] if findings.worst else "This program lays nothing."
    return compose(
        "check.html",
        f"{headline} {picture.program} on {picture.machine} with {picture.filament}",
        verb="check",
        facts=(("Program", picture.program), ("Machine", picture.machine), ("Filament", picture.filament)),
        foot=_FOOT,
        drawn_with=HATCHES,
        numbers=_numbers(findings, picture) if findings.worst else Markup(""),
        script="check.js",
        f=findings,
        p=picture,
        headline=headline,
        zone=ZONE[findings.verdict],
        chance=words.chance_against(findings.jam_probability, FEEDS_BELOW),
        controller=_CONTROLLER.get(findings.facts.dialect, f"Read as {findings.facts.dialect}."),
        band=jam_band(findings),
        evidence=[full_sentence(text) for text in evidence_words(findings)],
        limit=limit_band(findings),
        doubt=_doubt(findings),
        means=MEANS,
        cause=cause_words(findings),
        why=words.WHY,
        strings=words.strings(findings.facts.strings, findings.facts.seen_strings),
        where=_where(findings),
        by_layer=layer_drawing(findings.jam_by_layer),
        tonight=_tonight(findings),
        curves=curve_choices(picture.curves),
        own_restart=round(picture.curves[0].restart_min) if picture.curves else 0,
        most_restart=round(max((c.restart_min for c in picture.curves), default=0)),
        own_curve=1 + sum(c.restart_min < picture.curves[0].restart_min for c in picture.curves),
        path=feed_path_svg(picture.vessels, picture.nozzle_mm),
        governing=next((v for v in picture.vessels if v.governing), None),
        speed=speed_words,
        strip=strip_drawing(picture.strip),
        moments=[_moment(k, group, picture.strip.total_s) for k, group in enumerate(joined(findings.worst), 1)],
        sheets=[(sheet, sheet_drawing(sheet), _sheet_words(sheet, picture)) for sheet in picture.sheets],
        first_sheet=_first_sheet(findings, picture),
        mechanisms=sorted(findings.by_mechanism.items(), key=lambda kv: -kv[1]),
        measure=[(name, *words.unknown_in_words(name), share) for name, share in findings.measure_next.items()],
        levelling="" if findings.levelling is None else words.levelling_words(findings.levelling),
        assumed=[assumed_words(text) for text in findings.facts.assumed],
        state=words.STATE,
        state_of=words.state_of,
        full=words.full,
    )


def _where(findings: Findings) -> str:
    said = layer_words(findings)
    return f"{said[0].upper()}{said[1:]}." if said else ""


def _tonight(findings: Findings) -> dict[str, str]:
    """What to do tonight, each part as a sentence; nothing where it feeds, which the page says already."""
    if findings.tonight is None or findings.verdict == "feeds":
        return {}
    said = tonight_words(findings.tonight, cause_words(findings), part_words(findings))
    if findings.tonight.choice == "piece-first":
        said["start"] = f"otherwise {said['start'] or said['part']}"
    kept = {name: re.sub(r"(?<=\d) (?=\S)", words.NBSP, text) for name, text in said.items()}
    return {name: f"{text[0].upper()}{text[1:]}." if text else "" for name, text in kept.items()}


def jam_band(found: Findings | Recipe) -> dict[str, float]:
    """Place of the chance on a rail from never to always, and its own error to both sides, in percent."""
    at, error = 100 * found.jam_probability, 200 * found.jam_probability_error
    return {"left": max(at - error, 0.0), "width": max(2 * error, 0.4), "at": at}


def limit_band(findings: Findings) -> dict[str, float] | None:
    """Place of the limit speed on a rail from 1 to 200 mm/s, even in ratios, in percent."""
    speed = findings.limit_speed_mm_per_s
    if speed is None:
        return None
    low, at, high = (
        100 * min(max(math.log(max(speed[k], 1e-9)) / math.log(_RAIL_MM_PER_S), 0.0), 1.0)
        for k in ("low", "middle", "high")
    )
    return {"left": low, "width": max(high - low, 0.6), "at": at}


def _doubt(findings: Findings) -> str:
    if findings.limit_speed_mm_per_s is None:
        return ""
    said = limit_words(findings.limit_speed_mm_per_s)
    return f"{said[0].upper()}{said[1:]}: that is how well this machine and this spool are known."


def speed_words(factor: float | None) -> str:
    """The speed at which a job feeds, in words."""
    if factor is None:
        return "no speed"
    return "full speed" if factor >= 1 else f"{words.number(100 * factor)}{words.NBSP}% of the speed"


def _moment(rank: int, group: tuple[Moment, ...], total_s: float) -> dict[str, Any]:
    moment, times = group[0], sorted(m.time_s for m in group)
    fill = 1 / moment.margin if moment.margin > 0 else float("inf")
    return {
        "rank": rank,
        "m": moment,
        "times": times,
        "layers": layers_of(group),
        "line": min(group, key=lambda m: m.time_s).line,
        "at": [100 * t / total_s if total_s > 0 else 0.0 for t in times],
        "fill": fill,
        "state": words.state_of(fill),
    }


def _sheet_words(sheet: SheetLayer, picture: Picture) -> dict[str, str]:
    span = min(_span_mm(s) for s in picture.sheets)
    fill = 1 / sheet.least_margin if sheet.least_margin > 0 else float("inf")
    return {
        "why": " and ".join(sheet.why),
        "state": words.state_of(fill),
        "full": words.full(fill),
        "alike": words.ranges([k + 1 for k in sheet.alike]),
        "smaller": ", drawn smaller" if _span_mm(sheet) > 1.01 * span else "",
        "strings": words.strings(sheet.strings, sheet.seen_strings),
    }


def _span_mm(sheet: SheetLayer) -> float:
    return max(sheet.bounds_mm[2] - sheet.bounds_mm[0], sheet.bounds_mm[3] - sheet.bounds_mm[1])


def _first_sheet(findings: Findings, picture: Picture) -> int:
    """The layer marked before anybody points: the one of the worst moment."""
    worst = next((m.layer for m in findings.worst if m.layer is not None), -1)
    return next((s.layer for s in picture.sheets if worst == s.layer or worst in s.alike), worst)


def assumed_words(sentence: str) -> dict[str, str]:
    """What is assumed in words, its name, and its range without exponents."""
    name, _, rest = sentence.partition(" ")
    what, _ = words.unknown_in_words(name)
    plain = re.sub(r"\d(?:\.\d+)?e[+-]\d+", lambda found: words.number(float(found[0])), rest)
    return {"what": what if what != name else "", "name": name, "rest": plain}


def _numbers(findings: Findings, picture: Picture) -> Markup:
    """The numbers for the script."""
    data = strip_numbers(picture.strip, MEANS)
    data["restart"] = curve_numbers(picture.curves)
    data["moments"] = [m.time_s for m in findings.worst]
    data["sheets"] = {
        str(s.layer): {"scale": d["scale"], "dx": d["offset"][0], "dy": d["offset"][1]}
        for s in picture.sheets
        for d in (sheet_drawing(s),)
    }
    data["alike"] = {str(other): s.layer for s in picture.sheets for other in s.alike}
    return json_markup(data)
