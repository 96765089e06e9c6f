"""`dry`: how many hours a spool takes to dry, never above its data sheet."""

import numpy as np

from pliant.errors import DomainError
from pliant.files import Source
from pliant.models.drying import resting_water_percent
from pliant.piece.water import Leaving, band, drying_limit_c, published_rows, saturated_percent, water_now
from pliant.records.dry import AfterHours, Band, Drying
from pliant.records.filament import Filament, read_filament
from pliant.records.quantity import Quantity
from pliant.say import number

__all__ = ["dry"]

_TARGET_PERCENT = 0.02  # producers' sheets for pellets ask 0.01 to 0.03 % (data/drying.csv)
_ROOM_HUMIDITY = 50.0  # [%] of a room nobody measured; the standard atmosphere of plastics testing, from memory
_CAUTIONS = (
    "The filament maker's temperature rules; a soft strand or its reel can sag and fuse below it.",
    "Use no food oven: what comes out of the plastic stays in the oven.",
    "Do not leave a heated box unattended, follow your local fire rules, and ventilate the room.",
)


def dry(
    filament: Source | Filament,
    *,
    temperature_c: float | None = None,
    water_percent: float | None = None,
    target_percent: float | None = None,
    room_humidity_percent: float = 0.0,
) -> Drying:
    """Say how many hours a bare strand and a wound spool take to dry.

    Parameters
    ----------
    filament : str, Path or Filament
        The user's record; its `dry_c` (the maker's data sheet) is the limit.
    temperature_c : float, optional
        Temperature of the drying box; the record's `dry_c` when left out, and never above it. [degC]
    water_percent : float, optional
        Water in the filament now; from the record or by hardness when left out. [% of mass]
    target_percent : float, optional
        Water wanted; 0.02 when left out. [% of mass]
    room_humidity_percent : float, default 0.0
        Relative humidity of the 23 degC room whose air the box heats; 0 for dried air. [%]

    Returns
    -------
    Drying
        Hours with their 90 % ranges, the curve, what is left after the sheet's hours, what is assumed.

    Raises
    ------
    RecordError, DomainError
        If the record cannot be used, a number is impossible, or the temperature is above the limit.
    """
    spool = filament if isinstance(filament, Filament) else read_filament(filament)
    low_c, limit_c, assumed_limit, source = drying_limit_c(spool)
    at_c = _drying_c(spool, temperature_c, limit_c, assumed_limit, source)
    target = _target(target_percent)
    water = water_now(spool, water_percent)
    saturated = float(np.mean(saturated_percent(spool)))
    resting = float(resting_water_percent(saturated, room_humidity_percent, at_c))
    floor_humidity = float(room_humidity_percent) or _ROOM_HUMIDITY
    leaving = Leaving.of(spool, water, at_c, resting)
    hours = leaving.hours_to(target)
    strand_h, spool_h = band(hours), band(hours * leaving.slower)
    marks = sorted({4.0, 8.0, 24.0} | set(spool.dry_h or ()))
    last = float(min(max(1.5 * (spool_h.value or 24.0), strand_h.high or 24.0, 12.0), 240.0))
    times = np.concatenate([[0.0], last * np.linspace(0.02, 1.0, 49) ** 2])
    return Drying(
        name=spool.name,
        hardness=f"{spool.shore:g}{spool.scale}",
        diameter_mm=spool.diameter_mm.value,
        temperature_c=at_c,
        limit_c=limit_c,
        limit_assumed=assumed_limit,
        limit_source=source,
        water_percent=_band_of(water),
        water_source=water.source,
        target_percent=target,
        target_source="asked for" if target_percent else "producers' sheets for pellets ask 0.01 to 0.03 %",
        room_humidity_percent=float(room_humidity_percent),
        resting_percent=resting,
        wets=resting > water.value,
        floor_humidity_percent=floor_humidity,
        heated_room_percent=float(resting_water_percent(saturated, floor_humidity, at_c)),
        strand_h=strand_h,
        spool_h=spool_h,
        spool_factor=_band_of(leaving.known[2]),
        sheet_h=spool.dry_h,
        after=tuple(_after(leaving, t, target) for t in marks),
        time_h=tuple(float(t) for t in times),
        strand_percent=tuple(band(leaving.left(t, wound=False)) for t in times),
        spool_percent=tuple(band(leaving.left(t, wound=True)) for t in times),
        published=published_rows(spool),
        assumed=_assumed(assumed_limit, limit_c, source, water, *leaving.known),
        notes=_notes(spool, at_c, low_c, resting, target, spool_h, leaving, water.value),
        cautions=_CAUTIONS,
    )


def _band_of(quantity: Quantity) -> Band:
    return Band(quantity.value, quantity.low, quantity.high)


def _after(leaving: Leaving, time_h: float, target: float) -> AfterHours:
    """What is left after some hours, and whether that is as dry as wanted."""
    strand, wound = leaving.left(time_h, wound=False), leaving.left(time_h, wound=True)
    return AfterHours(time_h, band(strand), band(wound), float(np.mean(wound <= target)))


def _target(target_percent: float | None) -> float:
    """The water wanted, as asked or as producers of pellets ask."""
    target = _TARGET_PERCENT if target_percent is None else float(target_percent)
    if not 0.001 <= target <= 5:
        raise DomainError(f"target_percent must lie between 0.001 and 5 (percent of mass), got {target:g}")
    return target


def _drying_c(spool: Filament, asked: float | None, limit_c: float, assumed_limit: bool, source: str) -> float:
    """The temperature asked for, or the limit; never above it."""
    at_c = limit_c if asked is None else float(asked)
    if not np.isfinite(at_c) or at_c < 20:
        raise DomainError(f"temperature_c must be at least 20, got {at_c:g}")
    if at_c > limit_c:
        way = "write dry_c from the maker's sheet into the record" if assumed_limit else "the maker's sheet rules"
        raise DomainError(
            f"temperature_c {at_c:g} is above {limit_c:g}, the drying limit of {spool.name!r} ({source}); {way}, "
            f"or ask for at most {limit_c:g}"
        )
    return at_c


def _assumed(assumed_limit: bool, limit_c: float, source: str, *quantities: Quantity) -> tuple[str, ...]:
    water, d23, energy, wound = quantities
    said = [f"drying limit {limit_c:g} °C ({source.removeprefix('assumed for ')})"] if assumed_limit else []
    if water.assumed:
        said.append(water.sentence())
    said.append(
        f"{d23.name} {number(1e12 * d23.low)} to {number(1e12 * d23.high)} µm²/s (printed TPU, preprint "
        "202604.1293, abstract)"
    )
    said.append(
        f"{energy.name} {energy.low:.0f} to {energy.high:.0f} kJ/mol (Schneider et al. 1968, abstract; wet to dry)"
    )
    said.append(f"{wound.name} ×{number(wound.low)} to ×{number(wound.high)} (our own estimate; no measurement found)")
    return tuple(said)


def _notes(
    spool: Filament, at_c: float, low_c: float, resting: float, target: float, spool_h: Band, leaving: Leaving,
    now: float,
) -> tuple[str, ...]:  # fmt: skip
    said = []
    if spool.dry_c is None:
        said.append("dry_c is not in the record: the maker's sheet rules, and may allow more or less than assumed.")
    elif at_c < low_c:
        said.append(f"{at_c:g} °C is under the sheet's {low_c:g} °C: allowed, and slower.")
    if spool.dry_h is not None and at_c >= low_c:
        most = band(leaving.left(spool.dry_h[1], wound=False)).value or 0.0
        if most > 1.5 * target:
            said.append(
                f"After the sheet's {spool.dry_h[1]:g} h a bare strand would still hold about {number(most)} % by this "
                "reckoning. The sheet knows its material, a general diffusivity does not: let the scales decide."
            )
    if resting > now:
        said.append(
            f"This air wets the spool: it holds about {number(now)} % now and goes towards {number(resting)} %. "
            "Leave it in its closed bag with a desiccant, or use dried air."
        )
    if resting >= target:
        said.append(
            f"Heated room air stops at about {number(resting)} % (an upper estimate): {target:g} % needs dried air, "
            "for example a desiccant in a closed box."
        )
    elif spool_h.high is not None and spool_h.high > 48:
        said.append(
            "Weigh the filament rather than trust the clock: every 0.1 % of water is 1 g per kilogram, and the spool "
            "is done when it stops losing mass."
        )
    return tuple(said)
