"""The findings about a part as plain sentences for a terminal."""

from pliant.records.part import Forecast, Orientation, PartFindings
from pliant.say import number, quantity

__all__ = ["VERDICT", "duration", "filament_words", "how_long", "part_text"]

VERDICT = {
    "good": "a good idea in soft filament",
    "workable": "workable; read what to watch",
    "poor": "a poor idea in soft filament as it is",
}


def duration(seconds: float | None) -> str:
    """A time with no more digits than are known."""
    if seconds is None:
        return "unknown"
    return quantity(seconds, "s")


def how_long(f: Forecast) -> str:
    """Time at the flow that is safe to count on, and what measuring may win."""
    if f.time_s is None:
        return "no flow meets the target"
    if f.time_even_s is not None and f.time_even_s < 0.8 * f.time_s:
        return f"{duration(f.time_s)}, down to {duration(f.time_even_s)} if measuring shows that it feeds"
    return duration(f.time_s)


def filament_words(f: Forecast) -> str:
    """Filament that the part takes, by length and mass."""
    return f"{number(f.filament_m)} m of filament, {quantity(f.filament_g, 'g')}"


def _stand(place: int, o: Orientation) -> list[str]:
    lines = [f"{place}. {o.turn}: " + ("needs support" if o.needs_support else "no support needed")]
    lines += [f"   {r}" for r in o.reasons if not r.startswith("needs no support")]
    f = o.forecast
    if f is None:
        return lines
    lines.append(
        f"   {f.verdict}: {f.layers} layers, {f.islands_mean:.1f} islands each (at most {f.islands_most}), "
        f"{how_long(f)}; {filament_words(f)}"
    )
    lines += [f"   {r}" for r in f.reasons]
    lines.append(
        f"   travels {f.travels}, {f.covered_travels} of them coverable; {f.open_travels} open, "
        f"{quantity(f.open_travel_mm, 'mm')}; strings expected {f.strings_expected}"
    )
    lines.append(f"   longest run {quantity(f.longest_run_mm, 'mm')} of bead, {duration(f.longest_run_s)}")
    for s in f.soft_features[:3]:
        sure = f"wobbles from {s.wobble_mm:.0f} mm up (perhaps from {s.wobble_low_mm:.0f})" if (
            s.wobble_mm is not None) else f"perhaps wobbles from {s.wobble_low_mm:.0f} mm up"  # fmt: skip
        lines.append(
            f"   soft: {s.thickness_mm:.1f} x {s.length_mm:.1f} mm, its tip at x {s.x_mm:.0f}, y {s.y_mm:.0f}, "
            f"z {s.z_mm:.0f} mm as drawn; stands from {s.root_mm:.0f} to {s.top_mm:.0f} mm above the bed; {sure}, "
            f"tip moves {number(s.deflection_mm)} mm (perhaps {number(s.deflection_high_mm)})"
        )
    if len(f.soft_features) > 3:
        lines.append(f"   and {len(f.soft_features) - 3} more soft features")
    return lines


def part_text(findings: PartFindings) -> str:
    """Verdict first, then how to stand, then what to change, then what was assumed."""
    f = findings
    x, y, z = f.size_mm
    lines = [f"verdict     {f.verdict}: {VERDICT[f.verdict]}"]
    lines += [f"because     {r}" for r in f.reasons]
    lines += [f"change      {c}" for c in f.changes]
    lines += [
        f"part        {f.name}: {x:.1f} x {y:.1f} x {z:.1f} mm, {f.volume_mm3 / 1000:.2f} cm3, "
        f"{f.triangles} triangles in {f.shells} shell{'s' if f.shells != 1 else ''} ({f.mesh_kind}, {f.unit})"
    ]
    lines += [f"repaired    {r}" for r in f.repairs]
    lines += [f"note        {n}" for n in f.notes]
    lines += ["", f"how it may stand, best first, of {f.candidates} directions tried ({f.angle_convention})"]
    for place, o in enumerate(f.orientations, 1):
        lines += _stand(place, o)
    if f.why_first:
        lines.append(f"why 1 is before 2: {f.why_first}")
    lines += [""]
    lines += [f"assumed     {a}" for a in f.assumed]
    lines += [f"caution     {c}" for c in f.cautions]
    return "\n".join(lines)
