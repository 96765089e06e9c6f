"""Findings and facts as plain sentences for a terminal."""

from collections.abc import Sequence

from pliant.records.findings import Facts, Findings, Moment, Remedy, heat_words
from pliant.report.by_layer import layer_words
from pliant.report.evidence import evidence_lines
from pliant.report.tonight import tonight_lines
from pliant.report.words import air, levelling_words, ranges, strings, unknown_in_words
from pliant.say import count, number, percent, quantity

__all__ = ["cause_words", "facts_text", "findings_text", "joined", "layers_of", "percent"]

MEANS = {
    "bow": "the filament bows out in the open gap",
    "lock": "friction in the guide grows until nothing moves",
    "swell": "the squeezed filament thickens until it sticks",
    "slip": "the drive wheel loses its grip",
    "stall": "the drive motor stalls",
    "starve": "the hot end cannot melt this fast",
    "dam": "the nozzle sits so close to the surface that it dams the melt",
}
TOO_COLD = "the hot end is colder than what softens this filament"
VERDICT = {"feeds": "it feeds", "marginal": "it may jam", "jams": "it is more likely to jam than not"}


def cause_words(findings: Findings) -> str:
    """What gives first, in words."""
    f = findings
    if f.mechanism == "starve" and f.unsoftened_probability > 0.5 * f.by_mechanism.get("starve", 0.0):
        return TOO_COLD
    return MEANS.get(f.mechanism, "nothing comes near its limit")


def remedy_words(remedy: Remedy) -> str:
    """What a remedy buys, in words."""
    if remedy.speed_share is None:
        return f"not enough alone ({percent(remedy.jam_probability)} likely to jam)"
    if remedy.speed_share == 1:
        return f"feeds as it is ({percent(remedy.jam_probability)} likely to jam)"
    return f"feeds at {100 * remedy.speed_share:.0f} % of the speed ({percent(remedy.jam_probability)} at full speed)"


def joined(worst: Sequence[Moment]) -> list[tuple[Moment, ...]]:
    """The worst moments, those that read the same in one: what gives, and by how much.

    Examples
    --------
    >>> at = [Moment(1, k, 9.0, "bow", None, None, margin) for k, margin in enumerate((0.8, 0.802, 0.9))]
    >>> [len(group) for group in joined(at)]
    [2, 1]
    """
    groups: list[list[Moment]] = []
    for m in worst:
        if groups and groups[-1][0].mechanism == m.mechanism and number(m.margin) == number(groups[-1][0].margin):
            groups[-1].append(m)
        else:
            groups.append([m])
    return [tuple(group) for group in groups]


def layers_of(group: Sequence[Moment]) -> str:
    """The layers of some moments, counted from 1, neighbours joined."""
    return ranges(sorted({m.layer + 1 for m in group if m.layer is not None})) or "–"


def part_words(f: Findings) -> str:
    """The change to machine or spool that helps most, with its figure; empty where none is known."""
    heat = f.tonight.nozzle_c if f.tonight is not None else None  # told as what comes first
    others = [r for r in f.remedies if heat is None or r.change != heat_words(heat)]
    return f"{others[0].change}: {remedy_words(others[0])}" if others else ""


def minutes(seconds: float) -> str:
    """A duration with its unit."""
    return quantity(seconds, "s")


def facts_text(facts: Facts) -> str:
    """The facts of a program, one a line."""
    lines = [
        f"time        {minutes(facts.time_s)}",
        f"layers      {facts.layers}, in {count(facts.runs, 'run')}",
        f"bead        {quantity(facts.bead_mm, 'mm', 3)}, {quantity(facts.bead_mm3, 'mm3', 3)}",
        f"filament    {quantity(facts.filament_forward_mm, 'mm', 3)} forward, "
        f"{quantity(facts.filament_back_mm, 'mm', 3)} back, {count(facts.retractions, 'retraction')}",
        f"travel      {quantity(facts.travel_mm, 'mm', 3)}, of it "
        f"{air(facts.open_travel_mm, facts.seen_travel_mm, 3)}; {strings(facts.strings, facts.seen_strings)}",
        f"read as     {facts.dialect}",
    ]
    lines += [f"question    {q}" for q in facts.dialect_questions]
    lines += [f"warning     {w}" for w in facts.warnings]
    lines += [f"assumed     {a}" for a in facts.assumed]
    return "\n".join(lines)


def limit_words(speed: dict[str, float]) -> str:
    """Where the widest flat bead makes the path give, as far as it is known."""
    low, middle, high = (number(speed[k]) for k in ("low", "middle", "high"))
    if speed["high"] == 0:
        return "its widest bead gives at any speed"
    if speed["middle"] == 0:
        return f"its widest bead gives under {high} mm/s, most likely at any speed"
    if speed["low"] == 0:
        return f"its widest bead gives somewhere under {high} mm/s, perhaps at any speed, most likely about {middle}"
    return f"its widest bead gives somewhere between {low} and {high} mm/s, most likely about {middle}"


def findings_text(findings: Findings) -> str:
    """Verdict first, then why, then what would help, then what was assumed."""
    f = findings
    lines = [
        f"verdict     {f.verdict}: {VERDICT[f.verdict]}",
        f"jam         {percent(f.jam_probability)} likely"
        + ("" if f.limit_speed_mm_per_s is None else "; " + limit_words(f.limit_speed_mm_per_s)),
        *evidence_lines(f),
        *([] if f.tonight is None or not f.worst else tonight_lines(f.tonight, cause_words(f), part=part_words(f))),
        f"first gives {f.mechanism}: {cause_words(f)}",
        *([f"{'where':<12}{where}"] if (where := layer_words(f)) else []),
        f"push        {quantity(f.peak_push_n, 'N')} at most, at the drive, at central values"
        if f.peak_push_n is not None
        else "push        beyond what the guide lets through, at central values",
        f"margin      {number(f.least_margin)} (capacity / demand), at central values"
        if f.least_margin is not None
        else "margin      beyond measure: nothing is pushed",
    ]
    lines.append(
        f"bead        {percent(f.bead_error_rms)} off the section asked (rms), at worst "
        f"{abs(100 * f.bead_error_worst):.0f} % too {'thick' if f.bead_error_worst > 0 else 'thin'}"
        + (f" (line {f.bead_error_line})" if f.bead_error_line else "")
        + f"; {quantity(f.ooze_mm3, 'mm3')} oozes between runs"
    )
    if f.max_passes > 1:
        lines.append(f"passes      the same filament passes the drive up to {f.max_passes} times")
    lines.append(
        f"spool       {quantity(f.mass_g, 'g')}; pressure stores {quantity(f.stored_length_mm, 'mm')} of filament"
    )
    if f.verdict != "feeds":
        if f.speed_share is None:
            lines.append("speed       refused: no speed down to a tenth of the program's meets the 2 % target")
        else:
            lines.append(
                f"speed       at {100 * f.speed_share:.0f} % of the program's speed it feeds: a chance of 2 % at most"
            )
    for r in f.remedies:
        lines.append(f"would help  {r.change}: {remedy_words(r)}")
    for name, share in f.measure_next.items():
        what, how = unknown_in_words(name)
        lines.append(f"measure     {what} ({name}): {percent(share)} of the doubt" + (f"; {how}" if how else ""))
    if f.levelling is not None:
        # the last of the acts is one of ours where the program is at hand
        lines.append(f"bed         {levelling_words(f.levelling)}: `mend(add=first-layer)`")
    lines.append("")
    lines.append("worst moments, at central values (line, layers, time, what gives, margin)")
    for group in joined(f.worst):
        first, m = min(group, key=lambda m: m.time_s), group[0]
        again = f"  and {len(group) - 1} more like it" if len(group) > 1 else ""
        lines.append(
            f"  {first.line:>8}  {layers_of(group):>6}  {minutes(first.time_s):>7}  {m.mechanism:<7} "
            f"{number(m.margin)}{again}"
        )
    lines += ["", facts_text(f.facts), ""]
    lines += [f"doubt       {v['note']}: in {percent(v['share'])} of what may be" for v in f.validity]
    lines += [f"part        {p}" for p in f.part]
    lines += [f"caution     {c}" for c in f.cautions]
    return "\n".join(lines)
