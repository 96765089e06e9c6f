"""A coupon as lines for a terminal: what was made, and what was predicted before anybody printed it."""

from pliant.records.coupon import Coupon, Forecast, Step
from pliant.report.check import minutes
from pliant.report.words import number
from pliant.say import percent

__all__ = ["coupon_text", "expected_words", "mass_words", "setting_words"]

_RARE = 0.9  # [-] where so many fail, too few are left to say what the others will measure


def coupon_text(coupon: Coupon, program: str, readings: str) -> str:
    """What was made, and the prediction, one step a line."""
    lines = [
        f"{coupon.title}: {coupon.filament} on {coupon.machine}",
        f"time {minutes(coupon.time_s)}, {mass_words(coupon)}, {len(coupon.steps)} steps; {coupon.place}",
        "",
        "predicted, before anything is printed:",
    ]
    for k, (step, cast) in enumerate(zip(coupon.steps, coupon.forecast, strict=True)):
        told = expected_words(coupon, k, cast)
        lines.append(
            f"  {k + 1:>2}  {setting_words(coupon.kind, step):<44} {_chance(cast)}{'; ' + told if told else ''}"
        )
    lines += ["", f"program   {program}", f"readings  {readings}"]
    lines += [f"caution   {c}" for c in coupon.cautions]
    return "\n".join(lines)


def mass_words(coupon: Coupon) -> str:
    """The mass, where a scale would show it."""
    return f"{coupon.mass_g:.1f} g" if coupon.mass_g >= 0.1 else "under 0.1 g"


def setting_words(kind: str, step: Step) -> str:
    """What a step sets."""
    flow = f"{number(step.flow_mm3_per_s, 3)} mm³/s"
    if kind == "temperature-ladder":
        return f"{flow} at {step.nozzle_c:g} °C"
    if kind == "gap-steps":
        return f"gap {step.gap_mm:g} mm, {flow}"
    if kind == "stop-start":
        return f"{flow}, {number(step.speed_mm_per_s)} mm/s, off for {number(step.wait_s)} s"
    if kind == "threads":
        return f"wait {number(step.wait_s)} s, {step.distance_mm:g} mm of air, {step.crossings} crossings"
    if kind == "free-run":
        return f"{flow}, {step.asked_mm:g} mm asked"
    return f"{flow}, {number(step.speed_mm_per_s)} mm/s"


def _chance(cast: Forecast) -> str:
    return f"{percent(cast.failing)} failed by here"


def expected_words(coupon: Coupon, k: int, cast: Forecast) -> str:
    """What a step should measure, where that can be said."""
    if coupon.kind == "stop-start":
        lead = coupon.forecast_lead[k]
        return f"tail {_range(cast)} mm, lead {_range(lead)} mm"
    if coupon.kind == "threads":
        return f"{cast.low:.0f} to {cast.high:.0f} threads"
    if coupon.kind == "free-run" and cast.failing < _RARE:
        return f"{_range(cast)} mm if it holds"
    return ""


def _range(cast: Forecast) -> str:
    return f"{number(cast.low)} to {number(cast.high)}"
