"""Whether the wall is hot enough: filament that does not soften cannot be laid, at whatever speed."""

import math
from statistics import NormalDist

from pliant.records.filament import Filament
from pliant.records.limits import allowed_c
from pliant.records.machine import Machine

__all__ = ["cold_words", "hotter_c", "unsoftened_share", "warm_enough_c"]

_WORTH_SAYING = 0.005  # [-] a quarter of the 2 % that still counts as `feeds`: our choice
_SURE = 0.002  # [-] what `warm_enough_c` leaves: a tenth of those 2 %


def unsoftened_share(filament: Filament, nozzle_c: float) -> float:
    """Chance that the spool softens only above a wall of this temperature. [degC -> -]"""
    soften = filament.soften_c
    if nozzle_c <= 0:
        return 1.0
    if soften.spread == 1:
        return float(soften.value >= nozzle_c)
    return 1 - NormalDist().cdf(math.log(nozzle_c / soften.value) / math.log(soften.spread))


def warm_enough_c(filament: Filament) -> float:
    """Wall at which the spool is all but certain to soften. [degC]"""
    soften = filament.soften_c
    return float(soften.value * soften.spread ** NormalDist().inv_cdf(1 - _SURE))


def hotter_c(machine: Machine, filament: Filament, coldest_c: float) -> float | None:
    """Wall at which the spool softens as surely as is allowed; None where the coldest is as good. [degC]"""
    low, high = allowed_c(machine, filament)
    least = float(min(max(math.ceil(warm_enough_c(filament)), low), high))
    gain = unsoftened_share(filament, coldest_c) - unsoftened_share(filament, least)
    return least if coldest_c < least and gain >= _WORTH_SAYING else None


def cold_words(machine: Machine, filament: Filament, nozzle_c: float) -> tuple[str, ...]:
    """What to say of a wall that may be too cold; nothing where it hardly can be."""
    share = unsoftened_share(filament, nozzle_c)
    if share < _WORTH_SAYING:
        return ()
    chance = "over 99" if share > 0.99 else "under 1" if share < 0.01 else f"{100 * share:.0f}"
    warm, (low, high) = math.ceil(warm_enough_c(filament)), allowed_c(machine, filament)
    whose = "data sheet allows" if high == filament.nozzle_c[1] else "data sheet and the liner allow"
    return (
        f"At {nozzle_c:g} °C this spool stays too stiff to lay with a chance of {chance} %, at any speed: its "
        f"softening temperature is only known to lie between {filament.soften_c.low:.0f} and "
        f"{filament.soften_c.high:.0f} °C. "
        + (
            f"From {warm} °C on that is no longer a worry; its {whose} {low:g} to {high:g} °C."
            if warm <= high
            else f"Even the {high:g} °C that its {whose} may not do: look up where it softens (soften_c)."
        ),
    )
