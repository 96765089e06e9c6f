"""Why one way to stand is what it is, and why it goes before another: plain sentences from the same fields."""

from pliant.mesh.stances import Limits
from pliant.mesh.unsupported import LayerTest
from pliant.records.part import Orientation
from pliant.say import number

__all__ = ["reasons", "why_before"]


def why_before(first: Orientation, second: Orientation) -> str:
    """Say in one sentence why the first way to stand is put before the second."""
    if first.fits is not second.fits and second.fits is False:
        return "it fits where the nozzle reaches, and the second does not"
    if first.foot_enough and not second.foot_enough:
        return (
            f"it has a foot of {first.footprint_mm2:.0f} mm², and the second only {second.footprint_mm2:.1f} of the "
            f"{second.least_foot_mm2:.0f} mm² that a part of that height should stand on"
        )
    if second.needs_support and not first.needs_support:
        return "it needs no support, and the second does"
    if first.forecast and second.forecast and first.forecast.verdict != second.forecast.verdict:
        watch = next(iter(second.forecast.reasons), second.forecast.verdict)
        return f"it builds better: of the second is said that {watch}"
    gain = {k: second.weighs_mm2[k] - v for k, v in first.weighs_mm2.items()}
    most = max(gain, key=lambda k: gain[k])
    if gain[most] < 1e-3 * max(first.score, second.score, 1e-9):
        return "nothing between the first two, so the one nearer to as drawn"
    return {
        "cut": f"less to cut away: {first.cut_mm2:.1f} against {second.cut_mm2:.1f} mm² that support would hold",
        "pieces": f"fewer islands on air: {first.islands_on_air} against {second.islands_on_air}",
        "hangs": f"less hangs out: {first.unsupported_mm2:.0f} against {second.unsupported_mm2:.0f} mm²",
        "foot": f"a larger foot: {first.footprint_mm2:.0f} against {second.footprint_mm2:.0f} mm²",
        "height": f"it is lower: {first.height_mm:.1f} against {second.height_mm:.1f} mm",
    }[most]


def reasons(
    o: Orientation, test: LayerTest, limits: Limits, reach_mm: tuple[float, float, float] | None
) -> tuple[str, ...]:
    """What speaks for this way to stand and against it."""
    said = []
    if reach_mm is not None and o.fits is False:
        said.append("it does not fit where the nozzle reaches, " + " x ".join(f"{v:g}" for v in reach_mm) + " mm")
    elif o.spin_deg:
        said.append(f"it fits where the nozzle reaches only turned about the vertical, by {o.spin_deg:.0f}°")
    if o.islands_on_air:
        where = ", ".join(f"{z:.1f}" for z in test.birth_mm[:4])
        some = "an island is" if o.islands_on_air == 1 else f"{o.islands_on_air} islands are"
        said.append(
            f"{some} born on air, at {where} mm"
            + (" and more" if o.islands_on_air > 4 else "")
            + f", the largest {number(max(test.birth_mm2))} mm²"
        )
    if test.specks_mm:
        n = len(test.specks_mm)
        said.append(
            f"{n} speck{'s' if n > 1 else ''} smaller than a bead begin{'' if n > 1 else 's'} on air and join the rest "
            f"at once, the first at {test.specks_mm[0]:.1f} mm: a blob may fall, nothing is lost"
        )
    if test.unlooked:
        said.append(
            f"{test.unlooked} patches more than were looked at for bridges are taken as ledges: this may be too strict"
        )
    if o.longest_ledge_mm > limits.ledge_mm:
        said.append(
            f"a ledge reaches {o.longest_ledge_mm:.1f} mm beyond {limits.overhang_deg:g}°, "
            f"at {test.ledge_at_mm:.1f} mm; {limits.ledge_mm:g} to {limits.ledge_most_mm:g} mm held in rigid filament"
        )
    if o.longest_bridge_mm > limits.bridge_mm:
        said.append(f"a bridge spans {o.longest_bridge_mm:.1f} mm; {limits.bridge_mm:g} mm is taken to hold")
    elif o.bridges:
        said.append(f"{o.bridges} bridges, the longest {o.longest_bridge_mm:.1f} mm")
    if not o.needs_support and o.longest_ledge_mm <= limits.ledge_mm:
        said.insert(0, f"needs no support: nothing leans out beyond {limits.overhang_deg:g}° further than it holds")
    if o.cut_mm2:
        said.append(f"support would hold {o.cut_mm2:.0f} mm², to cut away afterwards")
    said.append(f"stands on {o.footprint_mm2:.{0 if o.footprint_mm2 >= 10 else 1}f} mm², {o.height_mm:.1f} mm tall")
    if not o.foot_enough:
        said.append(f"a first layer under {o.least_foot_mm2:.0f} mm² is small for the height: it may come off the bed")
    return tuple(said)
