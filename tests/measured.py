"""Published measurements through the real chain: the unknown of the apparatus fitted on some, the rest predicted.

The yardstick of a purpose-fitted formula is 2.4 to 2.8 N (PLA, 267 conditions; Andreucci, Pace, Lambiase, Int. J. Adv.
Manuf. Technol., read in abstract). docs/against-measurement.md shows the figures; a test holds it against this file.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.constants import GAS_CONSTANT_J_PER_MOL_K
from pliant.feed import chain
from pliant.models.melting import melt_flow_limit_mm3_per_s
from pliant.units import celsius_to_kelvin

__all__ = ["ABS_RUNS", "PLA_LIMITS", "MeasuredForce", "MeasuredLimit", "abs_force", "pla_limits"]

# Osswald, Puentes, Kattinger 2018, Fused filament fabrication melting model, Addit. Manuf. 22, Table 2, as transcribed
# by a third party: nozzle [degC], dead-weight force [N], filament speed [mm/s], its standard deviation [mm/s]
ABS_RUNS = np.array(
    [
        [240, 21.6, 0.705, 0.018],
        [240, 36.3, 0.833, 0.020],
        [240, 40.4, 0.872, 0.016],
        [240, 98.1, 1.180, 0.011],
        [250, 21.6, 0.805, 0.018],
        [250, 40.4, 1.030, 0.027],
        [250, 64.7, 1.223, 0.064],
    ]
)
_DIAMETER_MM = 2.84
# the same transcription: consistency at 250 degC, index, exponent of temperature, and k / (rho c)
_K_250, _N, _RATE_PER_K, _DIFFUSIVITY = 6434.0, 0.378, 0.0185, 0.33 / (1060 * 1470) * 1e6
# not verified in the source: a 3.2 mm bore, as wide-filament hot ends have, a 30 degree cone, a 0.6 mm land
_GEOMETRY = {"bore_mm": 3.2, "cone_half_angle_deg": 30.0, "land_mm": 0.6, "entry_factor": 2.0}
_SPLITS = {
    "ends of each temperature, to the middle": ((0, 3, 4, 6), (1, 2, 5)),
    "240 °C, to 250 °C": ((0, 1, 2, 3), (4, 5, 6)),
}
# Wuest and others 2026, J. Manuf. Mater. Process. 10(7):233, Table 1, through a third party's notes:
# nozzle bore [mm], melting length [mm], largest flow [mm3/s]
PLA_LIMITS = np.array([[0.40, 12.5, 13.0], [1.20, 21.0, 38.5], [1.20, 51.5, 87.5]])
_PLA = (220.0, 25.0, 155.0, 0.0882)  # wall, inlet, softening [degC]; k 0.195, rho 1072.7, cp 2060, from memory


@dataclass(frozen=True)
class MeasuredForce:
    """One way of splitting the ABS runs: what was fitted, what was predicted, and a plain fit beside it."""

    split: str
    heated_length_mm: float
    nozzle_mm: float
    measured_n: tuple[float, ...]
    predicted_n: tuple[float, ...]
    rmse_n: float
    plain_rmse_n: float  # of log force linear in log speed and temperature, fitted on the same runs


@dataclass(frozen=True)
class MeasuredLimit:
    """One published melt rate and both criteria for it. [mm3/s]"""

    nozzle_mm: float
    heated_length_mm: float
    measured: float
    axis: float
    mean: float


def abs_force() -> tuple[MeasuredForce, ...]:
    """Fit heated length and nozzle bore on four of the seven ABS runs, predict the other three; for each split."""
    from scipy.optimize import least_squares

    force, found = ABS_RUNS[:, 1], []
    for name, (fit, rest) in _SPLITS.items():
        known, asked = list(fit), list(rest)

        def residual(p: NDArray[np.float64], known: list[int] = known) -> NDArray[np.float64]:
            return np.log(_abs_force_n(np.exp(p), ABS_RUNS[known]) / force[known])

        tries = [least_squares(residual, np.log([length, 0.6])) for length in (0.5, 1.0, 3.0, 10.0)]
        best = np.exp(min(tries, key=lambda r: r.cost).x)
        predicted = _abs_force_n(best, ABS_RUNS[asked])
        found.append(
            MeasuredForce(
                split=name,
                heated_length_mm=float(best[0]),
                nozzle_mm=float(best[1]),
                measured_n=tuple(force[asked].tolist()),
                predicted_n=tuple(predicted.tolist()),
                rmse_n=_rmse(predicted, force[asked]),
                plain_rmse_n=_rmse(_plain(known, asked), force[asked]),
            )
        )
    return tuple(found)


def pla_limits() -> tuple[MeasuredLimit, ...]:
    """The published melt rates of PLA and what the chain's limit says, by either criterion; nothing is fitted."""
    wall, inlet, soften, diffusivity = _PLA
    return tuple(
        MeasuredLimit(
            nozzle,
            length,
            flow,
            *(
                float(melt_flow_limit_mm3_per_s(length, wall, inlet, soften, diffusivity, criterion))
                for criterion in ("axis", "mean")
            ),
        )
        for nozzle, length, flow in PLA_LIMITS.tolist()
    )


def _abs_force_n(geometry: NDArray[np.float64], runs: NDArray[np.float64]) -> NDArray[np.float64]:
    """Force on the filament through the chain; geometry: heated length, nozzle bore. [mm]"""
    at = celsius_to_kelvin(250.0)
    # the transcription states exp(-a (T - 250)); an Arrhenius law with the same slope at 250 degC
    activation = _RATE_PER_K * GAS_CONSTANT_J_PER_MOL_K * at**2 / 1e3
    theta = _GEOMETRY | {
        "heated_length_mm": geometry[0],
        "nozzle_mm": geometry[1],
        "flow_index": _N,
        "consistency_pa_sn": _K_250,
        "reference_c": 250.0,
        "activation_kj_per_mol": activation,
        "diffusivity_mm2_per_s": _DIFFUSIVITY,
    }
    area = np.pi * _DIAMETER_MM**2 / 4
    force: NDArray[np.float64] = area * chain.free_pressure_mpa(area * runs[:, 2], runs[:, 0], theta)
    return force


def _plain(known: list[int], asked: list[int]) -> NDArray[np.float64]:
    terms = np.column_stack([np.ones(len(ABS_RUNS)), np.log(ABS_RUNS[:, 2]), ABS_RUNS[:, 0] - 245])
    if np.ptp(ABS_RUNS[known, 0]) == 0:  # one temperature tells nothing of another
        terms = terms[:, :2]
    slope, *_ = np.linalg.lstsq(terms[known], np.log(ABS_RUNS[known, 1]), rcond=None)
    plain: NDArray[np.float64] = np.exp(terms[asked] @ slope)
    return plain


def _rmse(predicted: NDArray[np.float64], measured: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean((predicted - measured) ** 2)))
