"""The text view of `batch`: one table."""

from pliant.records.many import Assignment, Batch, Matrix
from pliant.report.check import minutes
from pliant.say import percent

__all__ = ["batch_text"]


def batch_text(found: Batch | Matrix) -> str:
    """One line a program: all that was found, or where each is expected soonest."""
    return _batch_lines(found) if isinstance(found, Batch) else _matrix_lines(found)


def _batch_lines(found: Batch) -> str:
    """One line a program, the riskiest first."""
    wide = max(len(r.program) for r in found.rows)
    lines = [f"{'program':<{wide}}  {'verdict':<9} {'jam':>10}  {'gives':<7} {'time':>7}  {'air':>7}  change"]
    for r in found.rows:
        f = r.findings
        if f is None:
            lines.append(f"{r.program:<{wide}}  not read: {r.error}")
            continue
        slower = "" if f.speed_share in (None, 1.0) else f" ({100 * f.speed_share:.0f} % of the speed)"
        lines.append(
            f"{r.program:<{wide}}  {f.verdict:<9} {percent(f.jam_probability):>10}  {f.mechanism:<7} "
            f"{minutes(f.facts.time_s):>7}  {f.facts.open_travel_mm / 1000:>5.1f} m  {f.change}{slower}"
        )
    return "\n".join(lines)


def _matrix_lines(found: Matrix) -> str:
    """One line a program, on the machine and with the spool where it is expected soonest; then the plan."""
    able = [c for c in found.combinations if c.expected_min is not None]
    best = {c.program: c for c in sorted(able, key=lambda c: -(c.expected_min or 0.0))}
    names = list(dict.fromkeys(c.program for c in found.combinations))
    wide = max([len(name) for name in (*names, *found.unread)], default=7)
    lines = [f"{'program':<{wide}}  {'expected':>8}  {'jam':>10}  {'gives':<7} soonest on, with"]
    for name in names:
        c = best.get(name)
        if c is None or c.expected_min is None or c.jam_probability is None:
            why = next((k.error for k in found.combinations if k.program == name and k.error), "no speed pays")
            lines.append(f"{name:<{wide}}  no machine and spool: {why}")
            continue
        share = (
            "" if c.first_share in (None, 1.0) else f", first try at {100 * (c.first_share or 0.0):.0f} % of the speed"
        )
        lines.append(
            f"{name:<{wide}}  {minutes(60 * c.expected_min):>8}  {percent(c.jam_probability):>10}  {c.mechanism:<7} "
            f"{c.machine}, {c.filament}{share}"
        )
    lines += [f"{name:<{wide}}  not read: {why}" for name, why in found.unread.items()]
    pairs = len({(c.machine, c.filament) for c in found.combinations})
    lines.append(f"{len(found.combinations)} combinations, {pairs} of machine and spool; jam: at the speeds written")
    return "\n".join(lines + ([] if found.assignment is None else _plan_lines(found.assignment)))


_FOR = {
    "soonest": "so that the last is done soonest", "least-time": "so that the sum of expected time is least",
    "surest": "so that all feed at the first try most likely",
}  # fmt: skip


def _plan_lines(a: Assignment) -> list[str]:
    bound = "; no plan does better" if a.gap < 1e-4 else f"; none does better by more than {100 * a.gap:.1f} %"
    lines = ["", f"plan, {_FOR[a.objective]}{bound}"]
    for slot in a.plan:
        lines.append(
            f"  {slot.machine}: {minutes(60 * slot.start_min):>7} to {minutes(60 * slot.end_min):>7}  {slot.program} "
            f"with {slot.filament}"
        )
    total, feed = minutes(60 * a.expected_min), percent(a.all_feed_probability)
    lines.append(f"all done after {minutes(60 * a.makespan_min)}; {total} of machine time expected")
    lines.append(f"at the speeds written all would feed with {feed}")
    return lines
