"""What to do tonight, in sentences, and the curve of expected time over speed."""

from typing import Any

from markupsafe import Markup

from pliant.colours import INK, PLUM
from pliant.records.tonight import Curve, Tonight, Try
from pliant.report.plot import NARROW, WIDE, Frame, both, line
from pliant.report.words import chance_in_words, clock
from pliant.say import number, percent, quantity

__all__ = ["curve_choices", "curve_drawing", "curve_numbers", "tonight_lines", "tonight_words"]

_ROOM = 30  # [px] above a dot for its number and the name of the axis
_NEXT_JOBS = 5  # as if nothing else were learned from them: what a piece saves on them is at most this


def _minutes(minutes: float) -> str:
    return quantity(60 * minutes, "s")


def _speed(t: Tonight, one: Try) -> str:
    if t.speed_mm_per_s is not None:
        return f"{number(one.speed_share * t.speed_mm_per_s)} mm/s"
    if one.speed_share >= 1:
        return "the speed written"
    return f"{100 * one.speed_share:.0f} % of the speed"


def tonight_words(tonight: Tonight, watch_for: str, part: str = "") -> dict[str, str]:
    """The parts of what there is to say, by name; empty where there is nothing.

    Parameters
    ----------
    tonight : Tonight
        What was chosen.
    watch_for : str
        What gives first, in words.
    part : str
        The other part that helps most, with its figure; empty where none is known.

    Returns
    -------
    dict of str to str
        `choice` in a few words, `first` what to do, `start` the tries, `part` where there are none, `cost` the sums,
        `proof` what one would leave.
    """
    t = tonight
    start = cost = proof = ""
    heat = f"set the nozzle to {t.nozzle_c:g} °C, then " if t.nozzle_c is not None else ""
    if t.tries:
        one, more = t.tries[0], t.tries[1:]
        start = (
            f"{heat}start at {_speed(t, one)} ({_minutes(one.minutes)}), {percent(one.jam_probability)} likely to jam"
        )
        if t.choice != "go" and t.watched:
            start += f", {chance_in_words(one.jam_probability)}; watch it" + ("" if heat else f": {watch_for}")
        if more and t.choice != "go":
            start += (
                f". If it jams: {_speed(t, more[0])} ({_minutes(more[0].minutes)}), then "
                f"{percent(more[0].jam_probability)} likely"
            )
    if t.flat_15_expected_min is not None:
        surest, flat = t.surest_min - t.expected_min, t.flat_15_expected_min - t.expected_min
        cost = f"{_minutes(t.expected_min)} expected until the part is there; the surest speed first: {_more(surest)}"
        cost += f"; a flat 15 mm/s first: {_more(flat)}"
    if t.proof is not None and t.proof.laid:
        proof = (
            f"it begins with a proof of {_minutes(t.proof.minutes)} beside the part, fed at "
            f"{number(t.proof.flow_over_worst)} times the part's largest flow: did the pad come out whole, without "
            f"a gap or a thin line? Then the hour after it is {percent(t.proof.jam_probability_after)} likely to jam, "
            "a drive that warms counted in: no leave to go away. If not, stop and mend for slower; the part has cost "
            "nothing yet"
        )
    elif t.proof is not None:
        proof = (
            f"a proving run of {_minutes(t.proof.minutes)} beside the part, at {number(t.proof.flow_over_worst, 3)} "
            f"times its largest flow, would leave {percent(t.proof.jam_probability_after)} for the hour after it: no "
            "leave to go away"
        )
    other = f"even at {t.nozzle_c:g} °C " if t.nozzle_c is not None else ""
    other += _CHOICE["another-part"] + (f": {part}" if part else "")
    choice = other if t.choice == "another-part" else _CHOICE[t.choice]
    return {"choice": choice, "first": _first(t), "start": start, "part": other, "cost": cost, "proof": proof}


_CHOICE = {
    "go": "go",
    "piece-first": "print a test piece first",
    "watched-start": "start, and watch it",
    "another-part": "no speed will do: another part in the machine, or another spool",
}


def _more(minutes: float) -> str:
    if abs(minutes) < 1:
        return "as much"
    return f"{_minutes(abs(minutes))} {'more' if minutes > 0 else 'less'}"


def _first(t: Tonight) -> str:
    if t.piece is None:
        return ""
    gain = t.piece.saves_min + t.piece.minutes
    five = (1 + _NEXT_JOBS) * gain - t.piece.minutes
    later = f"up to {_minutes(five)} over it and the next five like it" if five > 0 else ""
    if t.choice == "piece-first":
        return (
            f"a {t.piece.kind} takes {_minutes(t.piece.minutes)} and saves {_minutes(t.piece.saves_min)} more than "
            f"that on this job, {later}"
        )
    said = f"a {t.piece.kind} of {_minutes(t.piece.minutes)} would save {_minutes(max(gain, 0.0))} on this job"
    return f"{said}; {later}, its own minutes taken off" if later else said


def tonight_lines(tonight: Tonight, watch_for: str, written: str = "", part: str = "") -> list[str]:
    """A short paragraph for a terminal; `written` says which program is there already, `part` which would help most."""
    t, words = tonight, tonight_words(tonight, watch_for, part)
    lines = [words["choice"]]
    if t.choice == "piece-first":
        lines[0] += ": `coupon()`"
    lines.append(words["first"])
    if t.choice == "piece-first":
        lines.append(f"otherwise {words['start'] or words['part']}")
    elif t.choice != "another-part":
        lines.append(words["start"])
    if written:
        lines.append(written)
    elif t.speed_mm_per_s is None and t.choice != "another-part" and t.tries and t.tries[0].speed_share < 1:
        lines.append(
            "the program for that: " + ("`mend()`" if t.choice == "go" or not t.watched else '`mend(aim="quickest")`')
        )
    lines += [words["cost"], words["proof"]]
    told = [text for text in lines if text]
    return [f"{'tonight' if k == 0 else '':<12}{text}" for k, text in enumerate(told)]


def curve_drawing(curve: Curve, top_min: float) -> tuple[Markup, Markup]:
    """Expected time over the speed of the first try, with the best tries marked, at both widths; `top_min` ends it."""

    def draw(width: int) -> str:
        share = [100 * s for s in curve.speed_share]
        frame = _frame(width, top_min)
        step = next(s for s in (5, 10, 20, 30, 60, 120, 240, 480, 960, 1920, 1e9) if top_min / s <= 6)
        ticks = [step * k for k in range(int(top_min / step) + 1)]
        out = frame.axes([0, 20, 40, 60, 80, 100], ticks, "speed of the first try, % of the program's", "minutes")
        out += line(frame, share, curve.time_min, INK, "3 5")
        out += f'<g class="waits">{line(frame, share, curve.expected_min, PLUM)}</g><g class="tried">'
        for k, place in enumerate(curve.places[:3], 1):
            x, y = frame.x(share[place]), frame.y(curve.expected_min[place])
            out += f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="{PLUM}"/>'
            # beside a dot near the top, so that it does not stand on the name of the axis
            above = y > frame.y(top_min) + _ROOM
            dx, dy, anchor = (0, -11, "middle") if above else (10, 5, "start")
            out += f'<text x="{x + dx:.1f}" y="{y + dy:.1f}" text-anchor="{anchor}" class="halo">{k}</text>'
        out += "</g>"
        label = f"Expected time over the speed of the first try, a restart costing {_minutes(curve.restart_min)}"
        if curve.places:
            first = curve.speed_share[curve.places[0]]
            label += f": least at {100 * first:.0f} % of the speed, {clock(60 * curve.least_min)}"
        return frame.svg(label, out)

    return both(draw)


def _frame(width: int, top_min: float) -> Frame:
    return Frame(width, 300 if width > 500 else 250, 100.0, 0.0, top_min)


def _top_min(curves: tuple[Curve, ...]) -> float:
    return 1.1 * max(max(curve.expected_min) for curve in curves)


def curve_numbers(curves: tuple[Curve, ...]) -> dict[str, Any] | None:
    """What the page's script draws the curve anew from as a restart is made dearer; None where there is no curve.

    Each plan is its places, the minutes without restarts, and the restarts: the curve is the least of those lines.
    """
    if not curves:
        return None
    plans = {plan.places: plan for curve in curves for plan in curve.plans}
    own, share, top = curves[0], curves[0].speed_share, _top_min(curves)
    frames = [_frame(width, top) for width in (WIDE, NARROW)]
    return {
        "own": round(own.restart_min),
        "most": round(max(curve.restart_min for curve in curves)),
        "share": [round(s, 4) for s in share],
        "plans": [[p.places, round(p.spent_min, 3), round(p.restarts, 5)] for p in plans.values()],
        "frames": [
            {
                "x": [round(f.x(100 * s), 1) for s in share],
                "y": f.y(0.0),
                "up": (f.y(0.0) - f.y(top)) / top,
                "top": f.y(top),
            }
            for f in frames
        ],
        "room": _ROOM,
    }


def curve_choices(curves: tuple[Curve, ...]) -> list[tuple[str, str, tuple[Markup, Markup]]]:
    """For each cost of a restart its name, what is best then, and its drawing; rising, all on one scale."""
    if not curves:
        return []
    top = _top_min(curves)
    found = []
    for curve in sorted(curves, key=lambda c: c.restart_min):
        best = "No speed pays."
        if curve.places:
            share = curve.speed_share[curve.places[0]]
            speed = "the speed written" if share >= 1 else f"{100 * share:.0f} % of the speed"
            best = f"Best is to start at {speed}: {_minutes(curve.least_min)} expected."
        found.append((_minutes(curve.restart_min), best, curve_drawing(curve, top)))
    return found
