"""The text view of `mend`: before and after, what changed, and the certificate."""

from pliant.constants import FEEDS_BELOW
from pliant.records.findings import Facts, Findings
from pliant.records.mended import Mended
from pliant.report.check import cause_words, minutes, part_words, remedy_words
from pliant.report.evidence import evidence_lines
from pliant.report.tonight import tonight_lines
from pliant.report.words import air
from pliant.say import count, number, percent, quantity

__all__ = ["aim_words", "mended_text", "rest_words", "travel_words"]


def travel_words(facts: Facts) -> str:
    """Travel over air beside the least that any order of runs can do with."""
    trees = f" (a lower bound in {count(facts.travel_bound_trees, 'layer')})" if facts.travel_bound_trees else ""
    least = quantity(facts.travel_bound_mm, "mm")
    over = air(facts.open_travel_mm, facts.seen_travel_mm)
    return f"{over}; no order of these runs can do with less than {least} over air{trees}"


def rest_words(before: Facts, after: Facts) -> str:
    """How long spots rest; empty where none is covered."""
    if before.rest_s is None or after.rest_s is None:
        return ""
    return (
        f"; 99 in 100 spots rest {quantity(after.rest_s, 's')} or more before they are covered, "
        f"{quantity(before.rest_s, 's')} before"
    )


def _figures(b: Findings, a: Findings) -> list[tuple[str, str, str]]:
    """Name, before and after."""
    return [
        ("chance of a jam", percent(b.jam_probability), percent(a.jam_probability)),
        ("peak push", _newton(b.peak_push_n), _newton(a.peak_push_n)),
        ("time", minutes(b.facts.time_s), minutes(a.facts.time_s)),
        ("travel over air", quantity(b.facts.open_travel_mm, "mm"), quantity(a.facts.open_travel_mm, "mm")),
        ("of it in sight", quantity(b.facts.seen_travel_mm, "mm"), quantity(a.facts.seen_travel_mm, "mm")),
        ("strings expected", str(b.facts.strings), str(a.facts.strings)),
        ("of them in sight", str(b.facts.seen_strings), str(a.facts.seen_strings)),
        ("retractions", str(b.facts.retractions), str(a.facts.retractions)),
        ("bead off by, rms", percent(b.bead_error_rms), percent(a.bead_error_rms)),
        ("at worst", _off(b.bead_error_worst), _off(a.bead_error_worst)),
        ("oozed between runs", quantity(b.ooze_mm3, "mm3"), quantity(a.ooze_mm3, "mm3")),
        ("passes of the drive", str(b.max_passes), str(a.max_passes)),
    ]


def mended_text(mended: Mended) -> str:
    """Verdict and figures first, then the changes by pass, then every obligation of the certificate."""
    b, a, m = mended.before, mended.after, mended
    if m.meets_target:
        head = f"mended: {percent(a.jam_probability)} likely to jam, within the target of {number(100 * m.target)} %"
    else:
        still = percent(a.jam_probability)
        if still == percent(m.target):
            still = f"just over {still}"
        head = f"not enough: still {still} likely to jam; the target is {number(100 * m.target)} %"
    lines = [head, *evidence_lines(a)]
    if b.tonight is not None and b.tonight.choice != "go":
        told = m.tonight or b.tonight
        lines += ["", *tonight_lines(told, cause_words(b), _as_written(m), part_words(b)), *_other_aim(m)]
    lines += ["", f"{'':<22}{'before':>14}{'after':>14}"]
    lines += [f"{name:<22}{was:>14}{now:>14}" for name, was, now in _figures(b, a)]
    lines += ["", travel_words(a.facts) + rest_words(b.facts, a.facts)]
    if not m.meets_target:
        lines += ["", f"why: {cause_words(a)}. What would help, for the program as it was:"]
        lines += [f"  {r.change}: {remedy_words(r)}" for r in b.remedies]
        if not b.remedies:
            lines.append(
                "  none is listed: it was under 2 % already, where nothing is sought; ask for a higher `target`"
                if b.verdict == "feeds"
                else "  nothing that was tried: no single change makes it a fifth less likely to jam"
            )
    flat = m.flat
    lines += [
        "",
        f"at a flat {flat.speed_mm_per_s:g} mm/s it would take {minutes(flat.time_s)} and be "
        f"{percent(flat.jam_probability)} likely to jam; ours takes {minutes(flat.our_time_s)} at that risk",
    ]
    if {"order", "route"} & set(m.passes):
        lines.append(
            f"order and route alone {'added' if m.routing_time_s >= 0 else 'saved'} {minutes(abs(m.routing_time_s))}"
        )
    lines += ["", "changes"]
    lines += [f"  {name:<12} {count}" for name, count in m.counts().items()] or ["  none were needed"]
    shown: set[str] = set()
    for c in m.changes:
        if c.pass_name not in shown:
            shown.add(c.pass_name)
            lines.append(f"    e.g. line {c.line}: {c.what} {c.before} -> {c.after}: {c.why}")
    lines += [f"  left alone    {note}" for note in m.notes]
    lines += ["", "certificate (both files read again from disk)"]
    lines += [f"  {'holds' if o.holds else 'FAILS'}  {o.obligation}: {o.figure}" for o in m.certificate.obligations]
    if m.wanted_why:
        lines += [f"  not in it  {m.wanted_why}"]
    if m.output:
        lines += ["", f"written to {m.output}"]
    lines += [f"warning     {w}" for w in b.facts.warnings]
    lines += [f"caution     {c}" for c in a.cautions]
    return "\n".join(lines)


def _as_written(m: Mended) -> str:
    """What was written instead, with the minutes that it costs."""
    assert m.before.tonight is not None
    more = m.after.facts.time_s - 60 * m.before.tonight.expected_min
    took, first = minutes(m.after.facts.time_s), m.before.tonight.tries[:1]
    if first and (m.aim == "quickest" or m.target >= first[0].jam_probability - 0.005):
        chance = percent(m.after.jam_probability)
        return f"written is that start, each place held to its own limit: {took}, {chance} likely to jam"
    dearer = f", {minutes(more)} more than is expected by these tries" if more >= 60 else ""
    what = "what holds the target" if m.meets_target else "the slowest of use, which does not hold the target"
    return f'written is {what}: {took}{dearer}; for that start ask for `mend(aim="quickest")`'


def _other_aim(m: Mended) -> list[str]:
    said, other = aim_words(m)
    return [f"{'':<12}{said}" + (f', by `mend(aim="{other}")`' if other else "")] if said else []


def aim_words(m: Mended) -> tuple[str, str]:
    """What was aimed for and what the other aim costs, in one line, and the name of the other; empty where it feeds.

    Expected minutes until the part is there, both by the sums of before.
    """
    told = m.before.tonight
    if told is None or told.choice == "go" or not told.watched:
        return "", ""
    proof = told.proof if told.proof is not None and told.proof.expected_min is not None else None
    soon = proof.expected_min if proof is not None and proof.expected_min is not None else told.expected_min
    if m.aim == "quickest":
        more = told.surest_min - (soon if m.proof is not None else told.expected_min)
        return f"quickest, with{'' if m.proof is not None else 'out'} a proving run; surest: {_than(more)}", "surest"
    if proof is None:
        return "", ""
    one_in = max(round(1 / max(proof.jam_probability_after, 1e-3)), 1)
    left = f"1 in {one_in} jams in the hour after it"
    if m.target > FEEDS_BELOW:  # a chance that somebody named: no sum of before is for it
        both = f"quickest with a proving run: {minutes(60 * soon)} expected, {left}"
        return f"{percent(m.target)} at most; {both}; surest: {minutes(60 * told.surest_min)}", "quickest"
    return f"surest; quickest with a proving run: {_than(soon - told.surest_min)}, {left}", "quickest"


def _than(more_min: float) -> str:
    if abs(more_min) < 1:
        return "as long"
    return f"{minutes(60 * abs(more_min))} {'more' if more_min > 0 else 'less'}"


def _off(share: float) -> str:
    return f"{abs(100 * share):.0f} % too {'thick' if share > 0 else 'thin'}"


def _newton(push: float | None) -> str:
    return "locked" if push is None else quantity(push, "N")
