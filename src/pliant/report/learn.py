"""What `learn` and `next` found, as lines for a terminal."""

from pliant.constants import Z90
from pliant.records.learned import Answer, Learned, NextCoupon
from pliant.report.check import limit_words
from pliant.report.words import number, unknown_in_words
from pliant.say import percent

__all__ = ["answer_words", "at_gaps", "learned_text", "next_text", "odds", "span"]


def answer_words(answer: Answer) -> str:
    """Chance of a jam and where the widest bead gives."""
    speed = answer.limit_speed_mm_per_s
    return percent(answer.jam_probability) + ("" if speed is None else "; " + limit_words(speed))


def learned_text(learned: Learned) -> str:
    """The user's own answer first, then contradictions, then what changed."""
    L = learned
    lines = []
    if L.before is not None and L.after is not None:
        lines += [
            f"chance of a jam of {L.program}",
            f"  before  {answer_words(L.before)}",
            f"  now     {answer_words(L.after)}",
            "",
        ]
    if L.limit_before is not None and L.limit_after is not None:
        lines.append(f"flow at which a wide, flat bead jams at {L.limit_nozzle_c:g} °C")
        for word, (middle, low, high) in (("before", L.limit_before), ("now", L.limit_after)):
            lines.append(f"  {word:<7} {number(middle)}, between {number(low)} and {number(high)} mm³/s")
        if L.limit_spread_left is not None:
            lines.append(f"  on beads that you did not print its spread is {number(L.limit_spread_left)} of before")
        lines.append("")
    if L.suspects:
        lines.append(
            "these readings contradict what everything else says; look at them again before you trust the rest:"
            if len(L.readings) != 2
            else "these readings do not go together with the rest, and either may be wrong; look at both again:"
        )
        for s in L.suspects:
            lines.append(f"  {s.reading}: expected {s.expected}, found {s.found} (chance {odds(s.chance)})")
        lines.append("")
    for u in L.unpredicted:
        lines += [
            f"the others do not predict {u.sheet} (a sheet as odd: chance {odds(u.chance)}): {u.reading}: expected "
            f"{u.expected}, found {u.found}",
            f"  it was printed {at_gaps(u.gaps_mm)}, {', '.join(u.others)} {at_gaps(u.other_gaps_mm)}: trust what was "
            "learned where you printed, and print a piece where your job runs",
            "",
        ]
    lines += _store_lines(L)
    lines.append(f"learned from {', '.join(L.readings)}")
    for b in L.changed:
        what, _ = unknown_in_words(b.name)
        digits = 2 if b.spread_after > 1.1 else 3
        was, now = span(b.value_before, b.spread_before, digits), span(b.value_after, b.spread_after, digits)
        if was == now:  # it only hangs together with another; the new record keeps that
            continue
        lines.append(f"  {b.name:<24} {was:>18} -> {now:<18} {what}")
    lines.append(f"  a limit repeats within {percent(L.noise.value_after)} from print to print")
    if L.flow_factor is not None:
        lines.append(
            f"  flow factor that makes up for what the drive loses at a moderate push: {number(L.flow_factor, 3)}"
        )
    lines.append("  (90 % ranges; the numbers hang together, which the new records keep)")
    lines += [f"note      {n}" for n in L.notes]
    if L.machine_file and L.filament_file:
        lines += [
            "",
            f"written   {L.machine_file}",
            f"          {L.filament_file}   (use both; the old ones are unchanged)",
        ]
    lines.append(
        f"draws     {L.draws}, autocorrelation {L.autocorrelation_steps:.1f} steps, "
        f"acceptance {100 * L.acceptance:.0f} %"
    )
    return "\n".join(lines)


def _store_lines(L: Learned) -> list[str]:
    """What the path stores, before and now."""
    if L.store_before is None or L.store_after is None:
        return []
    flow = number(L.store_after.flow_mm3_per_s)
    lines = [f"stored between drive and nozzle at a flow q, s1 q^n, told at {flow} mm³/s"]
    for word, known in (("before", L.store_before), ("now", L.store_after)):
        (s1, s_low, s_high), (n, n_low, n_high) = known.store_at_one_mm3, known.flow_index
        lines.append(
            f"  {word:<7} s1 {number(s1)} mm³, between {number(s_low)} and {number(s_high)}; n {n:.2f}, between "
            f"{n_low:.2f} and {n_high:.2f}"
        )
    if L.bead_error_before is not None and L.bead_error_after is not None:
        lines.append(
            f"  a bead shaped with it (40 mm at 15 mm/s) is {percent(L.bead_error_after)} off (rms); with the "
            f"records before, {percent(L.bead_error_before)}"
        )
    return [*lines, ""]


def next_text(found: NextCoupon, way: str) -> str:
    """The coupon to print next, the way to make it, then the others."""
    best = found.ranked[0]
    lines = [
        f"print next: {best.label}",
        f"expected to take {100 * best.shrinkage:.0f} % off the spread of the answer ({found.answer}), which is now "
        f"{number(found.spread)}",
        f"  {way}",
    ]
    if found.alike:
        lines.append(f"it cannot be told which of these tells more: {', '.join((best.label, *found.alike))}")
        if found.nozzle_c is not None and best.kind == "ladder":
            lines.append(f"this one is at the temperature of your program, {found.nozzle_c:g} °C")
    lines += ["", "all that were weighed up:"]
    lines += [f"  {100 * r.shrinkage:>4.0f} %  (± {100 * r.error:.0f})  {r.label}" for r in found.ranked]
    return "\n".join(lines)


def span(value: float, spread: float, digits: int = 2) -> str:
    """The 90 % range of an unknown."""
    return f"{number(value * spread**-Z90, digits)} to {number(value * spread**Z90, digits)}"


def at_gaps(gaps_mm: tuple[float | None, float | None]) -> str:
    """Where a sheet was printed: its lowest and highest gap."""
    low, high = gaps_mm
    if low is None:
        return "in the air"
    said = f"at a gap of {number(low)}"
    if high is None:
        return f"{said} mm and in the air"
    return f"{said} mm" if high == low else f"{said} to {number(high)} mm"


def odds(chance: float) -> str:
    """A small chance, as one in so many."""
    return f"1 in {number(1 / chance)}" if chance > 1e-6 else "under 1 in a million"
