"""Drying times as plain sentences for a terminal."""

from pliant.records.dry import Band, Drying
from pliant.say import number, quantity

__all__ = ["air_words", "content_words", "drying_text", "hours_words", "range_words"]


def hours_words(hours: float | None) -> str:
    """Hours with no more digits than are known; days past three."""
    if hours is None:
        return "never in this air"
    if hours < 0.05:
        return "dry already"
    return quantity(hours, "h")


def range_words(band: Band) -> str:
    """Return the 90 % range of a time, or nothing where no time is enough or none is needed."""
    if band.low is None or (band.high is not None and band.high < 0.05):
        return ""
    return f"{hours_words(band.low)} to {hours_words(band.high)}"


def content_words(band: Band) -> str:
    """Return a water content and its 90 % range; under a thousandth of a percent nothing is known."""
    low = "0" if (band.low or 0) < 1e-3 else number(band.low or 0)
    middle = "under 0.001" if (band.value or 0) < 1e-3 else number(band.value or 0)
    return f"{middle} % ({low} to {number(band.high or 0)})"


def air_words(drying: Drying) -> str:
    """Name the air in the box."""
    if drying.room_humidity_percent == 0:
        return "dried air"
    return f"room air of {drying.room_humidity_percent:g} % humidity, heated"


def _time(band: Band, air: str) -> str:
    span = range_words(band)
    if band.value is None or (band.value < 0.05 and not span):
        return hours_words(band.value)
    return f"{hours_words(band.value)} in {air}" + (f"; 90 % range {span}" if span else "")


def drying_text(drying: Drying) -> str:
    """Hours first, then what they rest on."""
    d = drying
    air = air_words(d)
    way = "" if d.heated_room_percent <= d.target_percent else f", wetter than the {d.target_percent:g} % wanted"
    lines = [
        f"spool       {d.name}, {d.hardness}, {d.diameter_mm:g} mm",
        f"box         {d.temperature_c:g} °C, {air}; never above {d.limit_c:g} °C",
        f"            ({d.limit_source})",
        f"water       {content_words(d.water_percent)} now; wanted {d.target_percent:g} % ({d.target_source})",
        f"bare strand {_time(d.strand_h, air)}",
        f"wound spool {_time(d.spool_h, air)}",
        f"floor       a box that heats room air of {d.floor_humidity_percent:g} % humidity, as most do, stops at about "
        f"{number(d.heated_room_percent)} % at most{way}",
        "",
        "water left after (strand; spool; chance that the spool is dry enough)",
    ]
    for a in d.after:
        sheet = "  the sheet's hours" if d.sheet_h and a.hours in d.sheet_h else ""
        lines.append(
            f"  {a.hours:>4g} h  {content_words(a.strand_percent):<24} {content_words(a.spool_percent):<24}"
            f" {100 * a.spool_dry_chance:.0f} %{sheet}"
        )
    lines.append("")
    lines += [f"note        {n}" for n in d.notes]
    lines += [f"published   {p}" for p in d.published]
    lines += [f"assumed     {a}" for a in d.assumed]
    lines += [f"caution     {c}" for c in d.cautions]
    return "\n".join(lines)
