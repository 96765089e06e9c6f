"""The text view of `batch`: one table."""

from typing import Any

from pliant.report.check import minutes
from pliant.say import percent

__all__ = ["batch_text"]


def batch_text(found: Any) -> str:
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
