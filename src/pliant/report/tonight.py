"""What to do tonight, in sentences, and the curve of expected time over speed."""

from markupsafe import Markup

from pliant.colours import INK, PLUM
from pliant.records.tonight import Curve, Tonight, Try
from pliant.report.plot import Frame, both, line
from pliant.report.words import chance_in_words, clock
from pliant.say import number, percent, quantity

__all__ = ["curve_choices", "curve_drawing", "tonight_lines", "tonight_words"]

_ROOM = 30  # [px] above a dot for its number and the name of the axis
_NEXT_JOBS = 5  # as if nothing else were learned from them: what a piece saves on them is at most this


def _minutes(minutes: float) -> str:
    return quantity(60 * minutes, "s")


def _speed(one: Try) -> str:
    if one.speed_share >= 1:
        return "the speed written"
    return f"{100 * one.speed_share:.0f} % of the speed"


def tonight_words(tonight: Tonight, watch_for: str) -> dict[str, str]:
    """The parts of what there is to say, by name; empty where there is nothing.

    Parameters
    ----------
    tonight : Tonight
        What was chosen.
    watch_for : str
        What gives first, in words.

    Returns
    -------
    dict of str to str
        `choice` in a few words, `first` what to do, `start` the tries, `cost` the sums, `proof` what one would leave.
    """
    t = tonight
    start = cost = proof = ""
    if t.tries:
        one, more = t.tries[0], t.tries[1:]
        start = f"start at {_speed(one)} ({_minutes(one.minutes)}), {percent(one.jam_probability)} likely to jam"
        if t.choice != "go":
            start += f", {chance_in_words(one.jam_probability)}; watch it: {watch_for}"
        if more and t.choice != "go":
            start += (
                f". If it jams: {_speed(more[0])} ({_minutes(more[0].minutes)}), then "
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
    return {"choice": _CHOICE[t.choice], "first": _first(t), "start": start, "cost": cost, "proof": proof}


_CHOICE = {
    "go": "go",
    "piece-first": "print a test piece first",
    "watched-start": "start, and watch it",
    "another-part": "no speed will do: another part in the machine",
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


def tonight_lines(tonight: Tonight, watch_for: str, written: str = "") -> list[str]:
    """A short paragraph for a terminal; `written` says which program is there already."""
    t, words = tonight, tonight_words(tonight, watch_for)
    lines = [words["choice"]]
    if t.choice == "piece-first":
        lines[0] += ": `coupon()`"
    lines.append(words["first"])
    start = f"otherwise {words['start']}" if t.choice == "piece-first" else words["start"]
    lines += [start] if t.choice != "another-part" else []
    if written:
        lines.append(written)
    elif t.choice != "another-part" and t.tries and t.tries[0].speed_share < 1:
        lines.append("the program for that: " + ("`mend()`" if t.choice == "go" else '`mend(aim="quickest")`'))
    lines += [words["cost"], words["proof"]]
    told = [text for text in lines if text]
    return [f"{'tonight' if k == 0 else '':<12}{text}" for k, text in enumerate(told)]


def curve_drawing(curve: Curve, top_min: float) -> tuple[Markup, Markup]:
    """Expected time over the speed of the first try, with the best tries marked, at both widths; `top_min` ends it."""

    def draw(width: int) -> str:
        share = [100 * s for s in curve.speed_share]
        frame = Frame(width, 300 if width > 500 else 250, 100.0, 0.0, top_min)
        step = next(s for s in (5, 10, 20, 30, 60, 120, 240, 480, 960, 1920, 1e9) if top_min / s <= 6)
        ticks = [step * k for k in range(int(top_min / step) + 1)]
        out = frame.axes([0, 20, 40, 60, 80, 100], ticks, "speed of the first try, % of the program's", "minutes")
        out += line(frame, share, curve.time_min, INK, "3 5") + line(frame, share, curve.expected_min, PLUM)
        for k, place in enumerate(curve.places[:3], 1):
            x, y = frame.x(share[place]), frame.y(curve.expected_min[place])
            out += f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="{PLUM}"/>'
            # beside a dot near the top, so that it does not stand on the name of the axis
            above = y > frame.y(top_min) + _ROOM
            dx, dy, anchor = (0, -11, "middle") if above else (10, 5, "start")
            out += f'<text x="{x + dx:.1f}" y="{y + dy:.1f}" text-anchor="{anchor}" class="halo">{k}</text>'
        label = f"Expected time over the speed of the first try, a restart costing {_minutes(curve.restart_min)}"
        if curve.places:
            first = curve.speed_share[curve.places[0]]
            label += f": least at {100 * first:.0f} % of the speed, {clock(60 * curve.least_min)}"
        return frame.svg(label, out)

    return both(draw)


def curve_choices(curves: tuple[Curve, ...]) -> list[tuple[str, str, tuple[Markup, Markup]]]:
    """For each cost of a restart its name, what is best then, and its drawing; rising, all on one scale."""
    if not curves:
        return []
    top = 1.1 * max(max(curve.expected_min) for curve in curves)
    found = []
    for curve in sorted(curves, key=lambda c: c.restart_min):
        best = "No speed pays."
        if curve.places:
            share = curve.speed_share[curve.places[0]]
            speed = "the speed written" if share >= 1 else f"{100 * share:.0f} % of the speed"
            best = f"Best is to start at {speed}: {_minutes(curve.least_min)} expected."
        found.append((_minutes(curve.restart_min), best, curve_drawing(curve, top)))
    return found
