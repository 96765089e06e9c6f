"""How a part would be printed on this machine with this spool: the bead, the flow it may have, the side force."""

import numpy as np

from pliant.constants import FEEDS_BELOW, ROOM_C
from pliant.feed.load import Course
from pliant.feed.risk import AIM, jam_risk
from pliant.models import melting, pressure
from pliant.models.bead import bead_area_mm2
from pliant.models.slender import SIDE_FORCE_SPREAD, side_force_n
from pliant.piece.printed import printed_softness
from pliant.records.baseline import WIDE
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.records.part import Printing

__all__ = ["job_for", "largest_flow_mm3_per_s"]

_LAYER_OF_NOZZLE = 0.5  # common practice, no source: layer height over nozzle diameter
_WALLS = 3  # common practice, no source
_WOBBLE_SHARE = 0.25  # of the bead width: a tip that gives way by more smears its layer; own choice
_NOMINAL_FLOW_MM3_PER_S = 0.5  # own choice: for the side force where no flow meets any target
_TRAVEL_MM_PER_S = 120.0  # common practice, no source; the axes may be slower


def largest_flow_mm3_per_s(
    machine: Machine, filament: Filament, layer_height_mm: float, bead_width_mm: float, chance: float = FEEDS_BELOW
) -> float | None:
    """Largest steady flow at which the chance of a jam stays within a target; None if there is none.

    Parameters
    ----------
    machine, filament
        The records, with their spreads.
    layer_height_mm, bead_width_mm : float
        The bead. [mm]
    chance : float, default 0.02
        The target. [-]

    Returns
    -------
    float or None
        Flow, at most what the axes can lay. [mm3/s]
    """
    top = float(bead_area_mm2(bead_width_mm, layer_height_mm)) * min(_plain(v) for v in machine.max_speed_mm_per_s[:2])
    seconds = 600.0
    area = filament.section_mm2
    celsius = filament.reference_c
    course = Course.steady([seconds], [seconds * top / area], celsius, bead_width_mm, layer_height_mm)

    def meets(scale: float) -> bool:
        return jam_risk(course, machine, filament, scale=scale, shares=False).probability <= AIM * chance

    if meets(1.0):
        return top
    low, high = 0.05 / top, 1.0
    if not meets(low):
        return None
    for _ in range(9):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if meets(middle) else (low, middle)
    return low * top


def _plain(value: object) -> float:
    return float(getattr(value, "value", value))  # type: ignore[arg-type]


def job_for(machine: Machine, filament: Filament, ledge_limit_mm: float, bridge_limit_mm: float) -> Printing:
    """A generic job on this machine with this spool: bead by nozzle, flow by the feed path, side force by the melt."""
    softer, scatter = printed_softness()
    nozzle = machine.nozzle_mm.value
    h, w = _LAYER_OF_NOZZLE * nozzle, WIDE * nozzle
    flow = largest_flow_mm3_per_s(machine, filament, h, w)
    even = largest_flow_mm3_per_s(machine, filament, h, w, 0.5)
    presses = flow or even or _NOMINAL_FLOW_MM3_PER_S
    melt = melting.mean_temperature_c(
        presses,
        machine.heated_length_mm.value,
        filament.reference_c,
        ROOM_C,
        filament.diffusivity_mm2_per_s.value,
    )
    shift = pressure.temperature_shift(melt, filament.anchor_c, filament.activation_kj_per_mol.value)
    contact = pressure.slit_drop_mpa(
        presses, w, h, machine.face_mm.value / 2, filament.consistency_pa_sn.value * shift, filament.flow_index.value
    )
    return Printing(
        layer_height_mm=h,
        bead_width_mm=w,
        walls=_WALLS,
        flow_mm3_per_s=flow,
        flow_even_mm3_per_s=even,
        travel_mm_per_s=min(_TRAVEL_MM_PER_S, *(_plain(v) for v in machine.max_speed_mm_per_s[:2])),
        lift_mm_per_s=_plain(machine.max_speed_mm_per_s[2]),
        side_force_n=float(side_force_n(contact, bead_area_mm2(w, h))),
        side_force_spread=SIDE_FORCE_SPREAD,
        youngs_modulus_mpa=filament.youngs_modulus_mpa.value / softer,
        modulus_spread=float(np.exp(np.hypot(np.log(filament.youngs_modulus_mpa.spread), np.log(scatter)))),
        printed_factor=softer,
        wobble_limit_mm=_WOBBLE_SHARE * w,
        ledge_limit_mm=ledge_limit_mm,
        bridge_limit_mm=bridge_limit_mm,
        filament_diameter_mm=filament.diameter_mm.value,
        density_kg_per_m3=filament.density_kg_per_m3.value,
    )
