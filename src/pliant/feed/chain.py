"""The chain assembled: an operating point in, the margin of every mechanism out.

Everything broadcasts, so that samples of the unknowns and operating points are evaluated together. Demand starts at
the melt and is walked up the feed path to the drive; each span compares it with what the filament there can carry.
Left out: backflow beside the filament, heating of the filament above the melt, and wear.
"""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.arrays import Number
from pliant.checks import among_draws, note_outside
from pliant.constants import ROOM_C
from pliant.feed.ends import NOT_FULL, SOFTENED, STEEP
from pliant.feed.together import FILAMENT_UNKNOWNS, correlate, extra_scores
from pliant.models import column, drive, guide, lag, melting, pressure
from pliant.models.bead import bead_area_mm2
from pliant.models.dam import quick_share
from pliant.records.filament import Filament
from pliant.records.machine import Machine, Span
from pliant.records.materials import HEAT_RATE
from pliant.records.quantity import Quantity
from pliant.records.unknown import Unknown
from pliant.sampling import normal_scores

__all__ = [
    "COLUMN_DIAMETERS", "DAM_GAP_MM", "MECHANISMS", "after", "cause_of", "central", "compliance", "consistency_pa_sn",
    "dam_ratio", "drawn_names", "effective_length_mm", "free_pressure_mpa", "grip_n", "margins", "melt_limit_mm3_per_s",
    "push_margins", "sample", "theta_of", "unit_drop_mpa", "unknowns",
]  # fmt: skip

MECHANISMS = ("bow", "lock", "swell", "slip", "stall", "starve", "dam")
_ANCHOR_RATE_PER_S = 23.0  # geometric mean of apparent rates of the points that bracket the default: 10 to 55 1/s
_NEVER_N = 1e12  # a load that nothing asks for: what cannot give there
_LEAST_REACH = 0.1  # [-] of the nozzle: draws of a face hardly wider than its orifice still have a rim
DAM_GAP_MM = 0.2  # [mm] a usual layer: where the law of the dam is taken to hold
COLUMN_DIAMETERS = 2.0  # [-] effective length below which a rod squashes rather than bends: models/column
_LENGTH_FACTOR = {"pinned-pinned": 1.0, "pinned-fixed": 0.699, "fixed-fixed": 0.5}

_MACHINE = (
    "pinch_force_n", "grip_friction", "bite_mm2", "motor_force_n", "warming_k", "warming_min", "spool_pull_n",
    "heated_length_mm", "bore_mm", "cone_half_angle_deg", "nozzle_mm", "land_mm", "face_mm", "break_mm",
)  # fmt: skip
# what is stored under push is what the chain knows least: friction along a guide shares the load, ends give way
LAG_FACTOR = Quantity("lag_factor", 1.0, 1.4, "from memory", True)
_MOST_SOFTENING = 3.0  # [-] of the secant modulus, past which the law's own rows end
STEEPEST_DEG = 30.0  # of the cone's theory: models/pressure
Theta = Mapping[str, Any]


class Drawn(dict[str, Any]):
    """Values of the unknowns by name, not to be changed, and what follows from them alone, worked out once."""

    def __init__(self, values: Theta, known: dict[Any, Any] | None = None) -> None:
        super().__init__(values)
        self.known = {} if known is None else known


def _once(theta: Theta, key: Any, work: Callable[[], Any]) -> Any:
    """What a work gives that hangs on cold values alone; of draws it is kept, of a plain mapping it is not."""
    if not isinstance(theta, Drawn):
        return work()
    if key not in theta.known:
        theta.known[key] = work()
    return theta.known[key]


def unknowns(machine: Machine, filament: Filament) -> dict[str, Quantity]:
    """Every poorly known number of the chain, by name; names of spans carry their place in the path."""
    found = {name: getattr(machine, name) for name in _MACHINE}
    found |= {name: getattr(filament, name) for name in FILAMENT_UNKNOWNS}
    for i, span in enumerate(machine.path):
        for name in ("length_mm", "bore_mm", "friction"):
            value = getattr(span, name)
            if isinstance(value, Quantity):
                found[Unknown(name, i).name] = value
        if span.kind == "gap":
            # a real pinch and inlet hold the filament neither freely nor rigidly; from memory
            held, mix = Unknown("end_factor", i).name, Unknown("column_mix", i).name
            found[held] = span.end_factor or Quantity(held, 1.0, 1.15, "from memory", True)
            # evenly between the haringx and the neo-hookean column; see physics
            found[mix] = Quantity(mix, 0.5, 1.0, "bracket", True)
    found["lag_factor"] = filament.lag_factor or LAG_FACTOR
    found["dam_halving"] = machine.dam_halving
    if machine.grip_n is not None:  # measured: what it comes from does not matter
        found = {name: q for name, q in found.items() if name not in ("grip_friction", "bite_mm2")}
        found["grip_n"] = machine.grip_n
    return found


def central(machine: Machine, filament: Filament) -> dict[str, Any]:
    """The central value of every unknown, and the temperature at which the consistency is stated."""
    return {name: q.value for name, q in unknowns(machine, filament).items()} | {"reference_c": filament.anchor_c}


def sample(
    machine: Machine, filament: Filament, n: int, rng: np.random.Generator
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64], list[str]]:
    """Latin hypercube over the unknowns: values `(n, 1)` by name, normal scores `(n, k)`, names of the k columns."""
    drawn = {name: normal_scores(rng, n) for name in [*unknowns(machine, filament), *extra_scores(filament)]}
    drawn = correlate(machine, filament, drawn)
    names = drawn_names(unknowns(machine, filament))
    theta = theta_of(machine, filament, {name: z[:, None] for name, z in drawn.items()})
    return theta, np.column_stack([drawn[name] for name in names]), names


def after(theta: Theta, seconds: Number) -> Drawn:
    """The unknowns once a job has run for so long: filament leaves the warm drive softer, in the first span. [s]

    Further down it has cooled: a strand loses half of its warmth in the order of ten seconds, and rarely comes faster.
    """
    share = -np.expm1(-seconds / (60 * theta["warming_min"]))
    warm = {**theta, Unknown("warm_share", 0).name: np.exp(-HEAT_RATE * theta["warming_k"] * share)}
    return Drawn(warm, theta.known if isinstance(theta, Drawn) else None)


def drawn_names(found: Mapping[str, Quantity]) -> list[str]:
    """Names of the unknowns that differ from draw to draw."""
    return [name for name, q in found.items() if q.spread > 1.0 or Unknown.of(name).between_theories]


def theta_of(machine: Machine, filament: Filament, scores: Mapping[str, NDArray[np.float64]]) -> Drawn:
    """Values of the unknowns at normal scores; an unknown without a score stands at its centre.

    Parameters
    ----------
    machine, filament
        The records.
    scores : mapping of str to ndarray
        Standard normal scores by name, all of one shape; correlated already where the records say so.

    Returns
    -------
    Drawn
        By name, in the shape of the scores.
    """
    from scipy.special import ndtr

    theta: dict[str, NDArray[np.float64]] = {}
    zero = np.zeros_like(next(iter(scores.values()))) if scores else np.zeros(())
    for name, q in unknowns(machine, filament).items():
        z, unknown = scores.get(name, zero), Unknown.of(name)
        if unknown.between_theories and unknown.span is not None:
            centre, scale = machine.path[unknown.span].column_mix
            theta[name] = ndtr(centre + scale * z)
        else:
            theta[name] = q.value * q.spread**z
    theta["flow_index"] = np.minimum(theta["flow_index"], 1.0)
    consistency, index = filament.consistency_pa_sn, filament.flow_index
    if consistency.assumed and index.assumed:
        # what the melt-index points bracket is the viscosity at their rate: along it a larger index means a smaller
        # consistency, so the two are drawn together; the range of each alone stays as stated
        along = np.log(theta["flow_index"] / index.value) * index.value * np.log(_ANCHOR_RATE_PER_S)
        own = np.log(theta["consistency_pa_sn"] / consistency.value)
        share = 1 - (index.value * np.log(index.spread) * np.log(_ANCHOR_RATE_PER_S) / np.log(consistency.spread)) ** 2
        theta["consistency_pa_sn"] = consistency.value * np.exp(own * np.sqrt(max(share, 0.0)) - along)
    for name, values in theta.items():
        if Unknown.of(name).key == "bore_mm":
            theta[name] = np.maximum(values, theta["diameter_mm"] + 0.02)
    theta["reference_c"] = np.full_like(zero, filament.anchor_c)
    return Drawn(theta)


def unit_drop_mpa(theta: Theta) -> Any:
    """Pressure that 1 mm3/s of a melt of unit consistency needs through bore, cone and land. [MPa]"""
    return _once(theta, "unit", lambda: _unit_drop_mpa(theta))


def _unit_drop_mpa(theta: Theta) -> Any:
    n, bore, nozzle = theta["flow_index"], theta["bore_mm"] / 2, theta["nozzle_mm"] / 2
    total = pressure.tube_drop_mpa(1.0, bore, theta["heated_length_mm"], 1.0, n)
    # samples of a 30 degree cone lie on both sides of the limit of its theory; entry_factor carries what that costs
    note_outside(theta["cone_half_angle_deg"] > STEEPEST_DEG, STEEP)
    angle = np.minimum(theta["cone_half_angle_deg"], STEEPEST_DEG)
    cone = pressure.cone_drop_mpa(1.0, bore, nozzle, angle, 1.0, n)
    land = pressure.tube_drop_mpa(1.0, nozzle, theta["land_mm"], 1.0, n)
    return total + theta["entry_factor"] * cone + land


def consistency_pa_sn(flow_mm3_per_s: Number, nozzle_c: Number, theta: Theta) -> Any:
    """Consistency of the melt at its mean temperature: the faster, the colder it leaves. [mm3/s, degC -> Pa s^n]"""
    mean = melting.mean_temperature_c(
        np.maximum(flow_mm3_per_s, 1e-9), theta["heated_length_mm"], nozzle_c, ROOM_C, theta["diffusivity_mm2_per_s"]
    )
    shift = pressure.temperature_shift(mean, theta["reference_c"], theta["activation_kj_per_mol"])
    return theta["consistency_pa_sn"] * shift


def free_pressure_mpa(flow_mm3_per_s: Number, nozzle_c: Number, theta: Theta, unit_mpa: Number | None = None) -> Any:
    """Pressure that the melt needs through bore, cone and land, at its mean temperature. [mm3/s, degC -> MPa]

    `unit_mpa` is `unit_drop_mpa(theta)` where the caller has it: it is the same at every flow.
    """
    q, unit = np.maximum(flow_mm3_per_s, 0.0), unit_drop_mpa(theta) if unit_mpa is None else unit_mpa
    return unit * consistency_pa_sn(q, nozzle_c, theta) * q ** theta["flow_index"]


def dam_ratio(
    width_mm: ArrayLike, gap_mm: ArrayLike, theta: Theta, height_mm: Number | None = None,
    unit_mpa: Number | None = None,
) -> Any:  # fmt: skip
    """Pressure with the gap under the face over pressure without; 1 where the gap is infinite. [mm, mm -> -]

    Both obey the same power law at the same temperature, and the bed carries the same share of the bead at any speed,
    so the ratio does not depend on the flow. How the slit's law changes with the gap is not sure (`models.dam`): it is
    taken to hold at `DAM_GAP_MM`, and `dam_halving` says what it is off by with each halving.

    `height_mm` is the layer's where the gap is another: an uneven bed leaves the bead's section as it is, and in a
    lower gap less of it is carried. `unit_mpa` as in `free_pressure_mpa`.
    """
    squeezed = np.isfinite(gap_mm)
    if not np.any(squeezed):
        return np.ones(np.broadcast(width_mm, gap_mm).shape)
    gap, width, n = np.where(squeezed, gap_mm, 1.0), np.where(squeezed, width_mm, 1.0), theta["flow_index"]
    height = gap if height_mm is None else np.where(squeezed, height_mm, 1.0)
    # from the rim of the orifice to the rim of the face
    reach = np.maximum(theta["face_mm"] - theta["nozzle_mm"], _LEAST_REACH * theta["nozzle_mm"]) / 2
    still = pressure.slit_drop_mpa(1.0, width, gap, reach, 1.0, n)
    carried = bead_area_mm2(np.maximum(width, height), height) / (width * gap)
    unit = unit_drop_mpa(theta) if unit_mpa is None else unit_mpa
    note_outside(squeezed & (carried < 0.5), NOT_FULL)
    off = theta.get("dam_halving", 1.0) ** np.log2(DAM_GAP_MM / gap)
    return np.where(squeezed, 1.0 + still * quick_share(carried, n) * off / unit, 1.0)


def effective_length_mm(theta: Theta, i: int, ends: str) -> Any:
    """Length of gap i times what its ends hold. [mm]"""
    return _LENGTH_FACTOR[ends] * theta[Unknown("end_factor", i).name] * theta[Unknown("length_mm", i).name]


def _gap_capacity_n(theta: Theta, i: int, ends: str) -> Any:
    """Load at which cold filament in gap i begins to bow: between two theories, at the tangent modulus there."""
    diameter, modulus = theta["diameter_mm"], theta["youngs_modulus_mpa"]
    at = (modulus, diameter, effective_length_mm(theta, i, ends))
    low = column.buckling_force_n(*at, theory="haringx")
    high = column.buckling_force_n(*at, theory="neo-hookean")
    elastic = low + theta[Unknown("column_mix", i).name] * (high - low)
    return column.softening_load_n(elastic, modulus, diameter, theta["half_strain"])


def _fill_n(bore_mm: Number, theta: Theta) -> Any:
    """Push at which cold filament, softening as it goes, has swollen to a bore."""
    diameter, modulus = theta["diameter_mm"], theta["youngs_modulus_mpa"]
    elastic = guide.fill_force_n(youngs_modulus_mpa=modulus, diameter_mm=diameter, bore_mm=bore_mm)
    return elastic / (1 + (1 - (diameter / bore_mm) ** 2) / theta["half_strain"])


def grip_n(machine: Machine, theta: Theta) -> Any:
    """Push at which the drive slips: what its teeth shear off, at the stress that the softening law runs up to. [N]

    Never less than what its wheels rub; where it was measured, what was measured.
    """
    if "grip_n" in theta:
        return theta["grip_n"]
    rubs = drive.grip_force_n(theta["pinch_force_n"], theta["grip_friction"], machine.driven_wheels)
    stress = theta["youngs_modulus_mpa"] * theta.get(Unknown("warm_share", 0).name, 1.0) * theta["half_strain"]
    return np.maximum(rubs, drive.bite_force_n(stress, theta["bite_mm2"], machine.driven_wheels))


def margins(
    machine: Machine, theta: Theta, *, pressure_mpa: Number, flow_mm3_per_s: Number, nozzle_c: Number
) -> tuple[dict[str, Any], dict[str, Any], Any]:
    """Margin (capacity / demand) of every mechanism.

    Parameters
    ----------
    machine : Machine
        Supplies the order and kind of the spans.
    theta : mapping of str to float or ndarray
        Values of the unknowns.
    pressure_mpa, flow_mm3_per_s, nozzle_c : float or ndarray
        Melt pressure before the model factor, delivered flow, nozzle temperature. [MPa, mm3/s, degC]

    Returns
    -------
    margins, capacities : dict of str to ndarray
        By mechanism; a mechanism the path does not have is absent. Capacities in N (`starve`: mm3/s).
    push_n : ndarray
        Push at the drive; infinite once a guide has locked. [N]
    """
    margin, capacity, push = push_margins(machine, theta, pressure_mpa)
    limit = melt_limit_mm3_per_s(nozzle_c, theta)
    margin["starve"] = limit / np.maximum(flow_mm3_per_s, 1e-9)
    capacity["starve"] = limit
    return margin, capacity, push


def melt_limit_mm3_per_s(nozzle_c: Number, theta: Theta) -> Any:
    """Flow that the hot end still melts; 0 where its wall is colder than what softens the filament. [degC -> mm3/s]"""
    with among_draws():
        return melting.melt_flow_limit_mm3_per_s(
            theta["heated_length_mm"], nozzle_c, ROOM_C, np.maximum(theta["soften_c"], ROOM_C + 1.0),
            theta["diffusivity_mm2_per_s"],
        )  # fmt: skip


def push_margins(machine: Machine, theta: Theta, pressure_mpa: Number) -> tuple[dict[str, Any], dict[str, Any], Any]:
    """Do as `margins` for what the push alone decides: all but `starve`. They fall as the pressure rises."""
    with among_draws():
        return _push_margins(machine, theta, pressure_mpa)


def _tube(theta: Theta, i: int, span: Span, warm: Number = 1.0) -> dict[str, Any]:
    """A guide with the filament in it."""
    own = {key: theta[Unknown(key, i).name] for key in ("length_mm", "bore_mm", "friction")}
    return own | {
        "turn_rad": np.deg2rad(span.turn_deg),
        "diameter_mm": theta["diameter_mm"],
        "youngs_modulus_mpa": theta["youngs_modulus_mpa"] * warm,
    }


def _cold_capacities_n(theta: Theta, i: int, span: Span) -> dict[str, Any]:
    """What cold filament in a span carries, by mechanism. [N]"""
    if span.kind == "gap":
        # below two diameters it is no column: at that load it squashes, at the latest it no longer enters what follows
        bends = _gap_capacity_n(theta, i, span.ends)
        fills = _fill_n(theta.get(Unknown("bore_mm", i + 1).name, theta["bore_mm"]), theta)
        short = effective_length_mm(theta, i, span.ends) < COLUMN_DIAMETERS * theta["diameter_mm"]
        return {"bow": np.where(short, _NEVER_N, bends), "swell": np.where(short, np.minimum(bends, fills), fills)}
    tube = _tube(theta, i, span)
    return {"lock": guide.guide_lock_force_n(**tube), "swell": _fill_n(tube["bore_mm"], theta)}


def _push_margins(machine: Machine, theta: Theta, pressure_mpa: Number) -> tuple[dict[str, Any], dict[str, Any], Any]:
    diameter = theta["diameter_mm"]
    push = np.asarray(theta["model_factor"] * pressure_mpa * np.pi * diameter**2 / 4, dtype=float)
    push = np.maximum(push, 1e-9)
    margin: dict[str, Any] = {}
    capacity: dict[str, Any] = {}

    def compare(name: str, carries: Number, asked: Number) -> None:
        here = np.broadcast_to(carries / asked, push.shape)
        if name not in margin:
            margin[name], capacity[name] = here, np.broadcast_to(carries, push.shape)
        else:
            capacity[name] = np.where(here < margin[name], carries, capacity[name])
            margin[name] = np.minimum(margin[name], here)

    # all that filament carries is in proportion to its modulus: found cold, once, and taken down by its warmth
    for i in range(len(machine.path) - 1, -1, -1):
        span, warm = machine.path[i], theta.get(Unknown("warm_share", i).name, 1.0)
        here = _once(theta, ("span", i, span), lambda: _cold_capacities_n(theta, i, span))  # noqa: B023  (called at once)
        for name, cold in here.items():
            if name != "swell" or span.kind == "gap":
                compare(name, cold * warm, push)
        if span.kind == "gap":
            continue
        finite = np.isfinite(push)
        grown = guide.push_into_guide_n(np.where(finite, push, 1.0), **_tube(theta, i, span, warm))
        push = np.where(finite, grown, np.inf)
        compare("swell", here["swell"] * warm, push)
    at_wheel = push + theta["spool_pull_n"]  # it also pulls the filament off its spool
    compare("slip", grip_n(machine, theta), at_wheel)
    compare("stall", theta["motor_force_n"], at_wheel)
    return margin, capacity, push


def cause_of(names: list[str], margin: NDArray[Any]) -> NDArray[np.intp]:
    """Index of the mechanism that gives first, `(n,)`, from margins `(n_mechanisms, n)`.

    A guide that locks lets no push through, however large: upstream of it every margin is zero. That is the lock's
    doing, not that of whatever stands upstream.
    """
    if "lock" not in names:
        return np.asarray(margin.argmin(axis=0))
    upstream = np.array([name not in ("lock", "dam") for name in names])[:, None] & (margin <= 0)
    return np.asarray(np.where(upstream & (margin[names.index("lock")] < 1), np.inf, margin).argmin(axis=0))


def compliance(machine: Machine, theta: Theta, pressure_mpa: Number | None = None) -> Any:
    """Volume stored per unit of melt pressure: melt, cold filament above it, warm filament between. [MPa -> mm3/MPa]

    What the filament feels is the pressure times the model factor, and it softens under it: the secant modulus at that
    stress stores. Without a pressure: at the one at which the path gives, since that is where a job is decided. In the
    heat break it warms from the room to where it softens and gives way the more; along it the modulus falls by our law
    of heat, evenly in temperature.
    """
    if pressure_mpa is None and Unknown("warm_share", 0).name not in theta:
        return _once(theta, ("compliance", machine.path), lambda: _compliance(machine, theta, None))
    return _compliance(machine, theta, pressure_mpa)


def _compliance(machine: Machine, theta: Theta, pressure_mpa: Number | None) -> Any:
    melt = np.pi * theta["bore_mm"] ** 2 / 4 * theta["heated_length_mm"]
    cold = sum(theta[Unknown("length_mm", i).name] for i in range(len(machine.path)))
    warmer = HEAT_RATE * np.maximum(theta["soften_c"] - ROOM_C, 1.0)
    length = cold + theta["break_mm"] * np.expm1(warmer) / warmer
    factor, modulus = theta["model_factor"], theta["youngs_modulus_mpa"]
    if pressure_mpa is None:
        found, _, _ = push_margins(machine, theta, 1.0)
        pressure_mpa = np.minimum.reduce(np.broadcast_arrays(*found.values()))
    share = factor * pressure_mpa / (modulus * theta["half_strain"])  # of the stress that the softening law runs up to
    note_outside(1 - share < 1 / _MOST_SOFTENING, SOFTENED)
    secant = modulus * np.maximum(1 - share, 1 / _MOST_SOFTENING)
    stored = lag.compliance_mm3_per_mpa(melt / factor, theta["diameter_mm"], length, secant)
    return stored * factor * theta["lag_factor"]
