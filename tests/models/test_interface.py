"""Names, arguments and defaults that programs outside rely on, as the physics document lists them."""

import inspect

import numpy as np
import pytest

from pliant.models import bead, column, drive, guide, lag, melting, metering, pressure, stiffness

_TUBE = "length_mm, bore_mm, turn_rad, friction, diameter_mm, youngs_modulus_mpa"
PROMISED = {
    stiffness.modulus_from_hardness_mpa: "shore, scale='A', method='data-sheets'",
    stiffness.softened_modulus_mpa: "youngs_modulus_mpa, strain=0.0, temperature_c=23.0",
    column.euler_load_n: "youngs_modulus_mpa, second_moment_mm4, effective_length_mm",
    column.buckling_force_n: "youngs_modulus_mpa, diameter_mm, gap_mm, *, length_factor=1.0, theory='euler'",
    guide.push_into_guide_n: f"push_out_n, *, {_TUBE}",
    guide.guide_lock_force_n: f"*, {_TUBE}",
    guide.helix_onset_force_n: "*, youngs_modulus_mpa, diameter_mm, bore_mm",
    guide.fill_force_n: "*, youngs_modulus_mpa, diameter_mm, bore_mm",
    drive.grip_force_n: "pinch_n, friction, driven_wheels",
    drive.motor_force_n: "torque_n_mm, ratio, efficiency, radius_mm",
    drive.pinch_squash_mm: "pinch_n, *, youngs_modulus_mpa, diameter_mm, wheel_radius_mm",
    drive.stretch_loss: "spool_pull_n, youngs_modulus_mpa, diameter_mm",
    drive.slip_loss: "push_n, grip_n",
    melting.axis_temperature_c: "flow_mm3_per_s, heated_length_mm, wall_c, inlet_c, diffusivity_mm2_per_s",
    melting.mean_temperature_c: "flow_mm3_per_s, heated_length_mm, wall_c, inlet_c, diffusivity_mm2_per_s",
    melting.melt_flow_limit_mm3_per_s: "heated_length_mm, wall_c, inlet_c, soften_c, diffusivity_mm2_per_s, "
    "criterion='axis'",
    pressure.tube_drop_mpa: "flow_mm3_per_s, radius_mm, length_mm, consistency_pa_sn, flow_index",
    pressure.cone_drop_mpa: "flow_mm3_per_s, radius_in_mm, radius_out_mm, half_angle_deg, "
    "consistency_pa_sn, flow_index",
    pressure.slit_drop_mpa: "flow_mm3_per_s, width_mm, gap_mm, length_mm, consistency_pa_sn, flow_index",
    pressure.face_drop_mpa: "flow_mm3_per_s, gap_mm, radius_in_mm, radius_out_mm, consistency_pa_sn, flow_index",
    pressure.temperature_shift: "temperature_c, reference_c, activation_kj_per_mol",
    lag.time_constant_s: "compliance_mm3_per_mpa, pressure_mpa, flow_mm3_per_s, flow_index",
    lag.ooze_mm3: "time_s, pressure_mpa, flow_mm3_per_s, compliance_mm3_per_mpa, flow_index",
    lag.stored_length_mm: "push_n, span_length_mm, diameter_mm, youngs_modulus_mpa",
    lag.compliance_mm3_per_mpa: "melt_volume_mm3, diameter_mm, span_length_mm, youngs_modulus_mpa",
    metering.flow_factor: "stretch, slip, bite",
    bead.bead_area_mm2: "width_mm, height_mm",
    bead.bead_width_mm: "area_mm2, height_mm",
    bead.strand_diameter_mm: "area_mm2",
    bead.is_squeezed: "area_mm2, gap_mm",
}


def _as_written(function, count):
    words, star = [], False
    for name, p in list(inspect.signature(function).parameters.items())[:count]:
        if p.kind is p.KEYWORD_ONLY and not star:
            words.append("*")
            star = True
        words.append(name if p.default is p.empty else f"{name}={p.default!r}")
    return ", ".join(words)


@pytest.mark.parametrize(("function", "promised"), PROMISED.items(), ids=[f.__name__ for f in PROMISED])
def test_limit_signatures_are_as_promised(function, promised):
    count = len([w for w in promised.split(", ") if w != "*"])
    assert _as_written(function, count) == promised
    # whatever has been added comes after and has a default
    assert all(p.default is not p.empty for p in list(inspect.signature(function).parameters.values())[count:])


_VALUES = {
    "shore": 85.0, "strain": 0.1, "temperature_c": 40.0, "youngs_modulus_mpa": 20.0, "second_moment_mm4": 0.46,
    "effective_length_mm": 8.0, "diameter_mm": 1.75, "gap_mm": 8.0, "length_factor": 0.9, "push_out_n": 1.0,
    "length_mm": 100.0, "bore_mm": 2.0, "turn_rad": 1.0, "friction": 0.1, "pinch_n": 3.0, "driven_wheels": 1,
    "torque_n_mm": 300.0, "ratio": 3.0, "efficiency": 0.9, "radius_mm": 0.2, "wheel_radius_mm": 5.5,
    "spool_pull_n": 1.0, "push_n": 2.0, "grip_n": 10.0, "flow_mm3_per_s": 2.0, "heated_length_mm": 12.5,
    "wall_c": 220.0, "inlet_c": 25.0, "soften_c": 150.0, "diffusivity_mm2_per_s": 0.087, "consistency_pa_sn": 3000.0,
    "flow_index": 0.6, "radius_in_mm": 0.2, "radius_out_mm": 0.5, "half_angle_deg": 25.0, "width_mm": 0.45,
    "reference_c": 220.0, "activation_kj_per_mol": 60.0, "compliance_mm3_per_mpa": 0.5, "pressure_mpa": 4.0,
    "time_s": 1.0, "span_length_mm": 40.0, "melt_volume_mm3": 50.0, "stretch": 0.01, "slip": 0.02, "bite": 0.03,
    "height_mm": 0.2, "area_mm2": 0.08, "poisson": 0.4, "size": 0.1, "helix_onset_n": 0.5, "weight_n_per_mm": 3e-5,
    "bend_radius_mm": 50.0, "melt_compressibility_per_mpa": 1e-3,
}  # fmt: skip
_OTHER = {pressure.face_drop_mpa: {"gap_mm": 0.2}, pressure.slit_drop_mpa: {"gap_mm": 0.2}}


def _numeric(function):
    names = [n for n in inspect.signature(function).parameters if n not in ("scale", "method", "theory", "criterion")]
    return {n: _OTHER.get(function, {}).get(n, _VALUES[n]) for n in names}


def _call(function, values):
    keyword = [n for n, p in inspect.signature(function).parameters.items() if p.kind is p.KEYWORD_ONLY]
    return function(
        *[v for n, v in values.items() if n not in keyword], **{n: values[n] for n in keyword if n in values}
    )


@pytest.mark.parametrize("function", PROMISED, ids=[f.__name__ for f in PROMISED])
def test_limit_every_argument_broadcasts_as_list_and_array(function):
    values = _numeric(function)
    single = _call(function, values)
    assert np.ndim(single) == 0
    for name, value in values.items():
        for given in ([value, value], np.array([[value], [value], [value]])):
            got = _call(function, {**values, name: given})
            assert got.shape == np.shape(given)
            assert np.all(got == single)


@pytest.mark.parametrize("function", PROMISED, ids=[f.__name__ for f in PROMISED])
def test_limit_no_argument_may_be_missing_from_the_checks(function):
    values = _numeric(function)
    for name in values:
        with pytest.raises(ValueError, match=r"must be|must exceed|must lie"):
            _call(function, {**values, name: np.nan})
