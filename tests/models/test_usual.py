"""Far outside what any such thing has, a model warns: value and word, never silence."""

import warnings

import pytest

from pliant.errors import ValidityWarning
from pliant.models import column, drying, guide, pressure

GUIDE = {"length_mm": 100.0, "bore_mm": 2.0, "turn_rad": 1.0, "friction": 0.1, "diameter_mm": 1.75}


@pytest.mark.parametrize(
    ("name", "call"),
    [
        ("flow_index", lambda: pressure.tube_drop_mpa(1.0, 1.0, 12.0, 3000.0, 0.01)),
        ("flow_index", lambda: pressure.slit_drop_mpa(1.0, 0.45, 0.2, 0.3, 3000.0, 0.01)),
        ("youngs_modulus_mpa", lambda: column.buckling_force_n(2e7, 1.75, 6.0)),
        ("youngs_modulus_mpa", lambda: guide.push_into_guide_n(1.0, youngs_modulus_mpa=2e7, **GUIDE)),
        ("turn_rad", lambda: guide.push_into_guide_n(1.0, youngs_modulus_mpa=20.0, **GUIDE | {"turn_rad": 360.0})),
        ("friction", lambda: guide.guide_lock_force_n(youngs_modulus_mpa=20.0, **GUIDE | {"friction": 30.0})),
        ("diffusivity_m2_per_s", lambda: drying.water_left_fraction(1e-5, 1.75, 3600.0)),
        ("activation_kj_per_mol", lambda: pressure.temperature_shift(230.0, 220.0, 45_000.0)),
        ("diffusivity_m2_per_s", lambda: drying.drying_time_h(1e-5, 1.75, 0.5)),
    ],
)
def test_limit_a_slip_of_the_unit_is_told(name, call):
    with pytest.warns(ValidityWarning, match=f"{name} outside .*check the unit"):
        call()


def test_limit_what_is_usual_is_not_warned_of():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pressure.tube_drop_mpa(1.0, 1.0, 12.0, 3000.0, 0.45)
        guide.push_into_guide_n(1.0, youngs_modulus_mpa=20.0, **GUIDE)
        drying.water_left_fraction(1e-11, 1.75, 3600.0)
