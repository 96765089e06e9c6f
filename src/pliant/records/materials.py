"""What is published about thermoplastic polyurethane by hardness: one line for its modulus, ranges for its melt.

Every verb takes its defaults from here. Left out: chemistry (ether, ester), fillers, moisture.
"""

import math
from typing import Any

__all__ = [
    "HALF_STRAIN", "HALF_STRAIN_SPREAD", "HEAT_RATE", "MELT", "MODULUS_SPREAD", "fit_of", "melt_range",
    "modulus_by_hardness", "modulus_spread",
]  # fmt: skip

# start, slope, lowest and highest reading of our own fits to producers' data sheets (tests/published,
# solid_tpu_stiffness.csv): A has 5 points, rms factor 1.23, worst 1.39; D has 9 points, rms factor 1.16, worst 1.36
_FIT = {"A": (-1.302, 0.0331, 82.0, 95.0), "D": (-0.524, 0.0492, 50.0, 76.0)}
# [-] multiplicative standard deviation of the modulus inside the fitted range, and `_FAR` points outside it. The
# logarithm grows evenly between and beyond: at 60A and below the 90 % range holds what two published rubber formulas
# say (docs/models/stiffness.md), and it grows so slowly that harder is never softer in one and the same draw
MODULUS_SPREAD = (1.25, 1.6)
_FAR = 12.0  # [points of Shore]
# strain at which the secant modulus has halved; own fit to the few rows that give stress at several strains
HALF_STRAIN, HALF_STRAIN_SPREAD = 0.15, 1.5
HEAT_RATE = 0.018  # [1/K] fall of the modulus; own fit to the few rows at two temperatures above 20 degC; spread 1.3

_AT = (75.0, 85.0, 95.0)  # Shore A of the columns below; 90 % ranges
# Consistency, at the middle of the sheet's range of temperatures: melt-index points of three grades. Pressure less the
# entry loss of 2 to 6 radii that is in such points (0.79 to 0.56 of it; the chain adds its own), flow law index 0.57:
# 82A ether at 224 degC 0.92 kPa s^n; filled 95A at 230 degC 3.2; 80A ester at 190 degC 12 to 23, which is 4 to 8 at
# 220 degC with an activation energy between the published ends. No trend with hardness stands out of three grades, and
# makers choose the sheet's temperatures so that the grade flows: one range for the family. The points' mean of 1/T is
# that of 214 degC, so consistency and activation energy would be independent some 6 K below the middle of a sheet of
# 210 to 230; the middles of the grades' own sheets are not known, and it moves no speed by more than the estimate's
# error (docs/practice.md), so the default is drawn apart. A record that says where its consistency was measured
# (`consistency_at_c`) has the tie whole.
MELT: dict[str, tuple[Any, str]] = {
    "consistency_pa_sn": ((950.0, 6000.0), "melt-index points of three grades, at the middle of nozzle_c"),
    "soften_c": (((125, 155), (130, 160), (165, 195)), "melting peaks on data sheets"),
}


def fit_of(scale: str) -> tuple[float, float, float, float]:
    """Start and slope of log10 of the modulus [MPa] over the reading, lowest and highest reading of the fit."""
    return _FIT[scale]


def modulus_spread(shore: float, scale: str = "A") -> float:
    """Multiplicative standard deviation that the modulus of a hardness is known with. [-]"""
    _, _, low, high = _FIT[scale]
    outside = max(low - shore, shore - high, 0.0)
    inside, far = (math.log(s) for s in MODULUS_SPREAD)
    return math.exp(inside + (far - inside) * outside / _FAR)


def modulus_by_hardness(shore: float, scale: str = "A") -> tuple[float, float, str]:
    """Young's modulus of a hardness [MPa], its multiplicative standard deviation, and where it comes from, in words."""
    start, slope, low, high = _FIT[scale]
    source = "data sheets of moulded specimens"
    if shore < low:
        source += f", extrapolated: they end at {low:g}{scale}"
    elif shore > high:
        source += f", extrapolated: they end at {high:g}{scale}" + (
            "; the A scale has no resolution there, read D" if scale == "A" else ""
        )
    return 10 ** (start + slope * shore), modulus_spread(shore, scale), source


def melt_range(key: str, shore_a: float) -> tuple[float, float, str]:
    """The 90 % range of a number of the melt, and where it comes from; the nearest column outside the table."""
    ranges, source = MELT[key]
    if not isinstance(ranges[0], tuple):
        return *ranges, source
    s = min(max(shore_a, _AT[0]), _AT[2])
    i = 0 if s <= _AT[1] else 1
    t = (s - _AT[i]) / (_AT[i + 1] - _AT[i])
    low, high = (math.exp((1 - t) * math.log(ranges[i][k]) + t * math.log(ranges[i + 1][k])) for k in (0, 1))
    softer = "" if shore_a >= _AT[0] else f"; taken as {_AT[0]:g}A, no softer grade is in the table"
    return low, high, source + softer
