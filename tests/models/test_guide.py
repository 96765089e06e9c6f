"""Guides against the worked examples, the capstan and lock-up tables, and plain integration of the friction law."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from pliant.errors import DomainError, ValidityWarning
from pliant.models import guide
from published_rows import rows

ROD = {"diameter_mm": 1.75, "youngs_modulus_mpa": 20.0}
TUBE = {"length_mm": 300.0, "bore_mm": 2.0, "friction": 0.1, **ROD}
STIFF = 20.0 * np.pi * 1.75**4 / 64


def _integrate(out, length, turn, friction, clearance, stiffness, onset=0.0, weight=0.0):
    """Push at the entry, by plain integration from the far end."""

    def slope(_, force):
        helix = friction * (clearance * force**2 / (4 * stiffness) + weight)
        return friction * turn / length * force + np.where(force >= onset, helix, 0.0)

    return solve_ivp(slope, (0, length), [out], rtol=1e-9, atol=1e-12, max_step=length / 200).y[0, -1]


def test_published_push_into_a_straight_guide():
    # solid.md 3.3, worked example: E 20, bore 2.0, mu 0.1, 300 mm; three to four digits printed
    got = guide.push_into_guide_n(np.array([1.0, 2, 4, 6, 8]), turn_rad=0.0, **TUBE)
    assert got == pytest.approx([1.113, 2.511, 6.748, 15.42, 43.1], rel=9e-4)


def test_published_weight_is_negligible():
    # solid.md 3.3: with weight 0.0283 N/m the 4 N case gives 6.750 instead of 6.748
    assert _integrate(4.0, 300.0, 0.0, 0.1, 0.125, STIFF) == pytest.approx(6.748, abs=6e-4)
    assert _integrate(4.0, 300.0, 0.0, 0.1, 0.125, STIFF, weight=2.83e-5) == pytest.approx(6.750, abs=6e-4)


@pytest.mark.parametrize(
    ("friction", "ratios"),
    [
        (0.05, [1.082, 1.170, 1.266, 1.369, 1.874]),
        (0.10, [1.170, 1.369, 1.602, 1.874, 3.514]),
        (0.15, [1.266, 1.602, 2.028, 2.566, 6.586]),
        (0.20, [1.369, 1.874, 2.566, 3.514, 12.35]),
        (0.30, [1.602, 2.566, 4.111, 6.586, 43.4]),
    ],
)
def test_published_capstan_table(friction, ratios):
    # solid.md 3.1: 90, 180, 270, 360, 720 degrees; the helix left out by a push too small to make one
    turn = np.deg2rad([90.0, 180, 270, 360, 720])
    got = guide.push_into_guide_n(1e-9, turn_rad=turn, **{**TUBE, "friction": friction}) / 1e-9
    assert got == pytest.approx(ratios, rel=6e-4)


def test_published_lock_and_fill_table_every_row():
    # solid_tube_lockup.csv: three digits
    table = rows("solid_tube_lockup.csv")
    assert len(table) == 144
    for row in table:
        at = {"youngs_modulus_mpa": float(row["E_MPa"]), "diameter_mm": float(row["d_mm"])}
        bore = float(row["tube_ID_mm"])
        lock = guide.guide_lock_force_n(
            length_mm=1e3 * float(row["helix_length_m"]), bore_mm=bore, turn_rad=0.0, friction=float(row["mu"]), **at
        )
        assert lock == pytest.approx(float(row["F_out_max_N"]), rel=6e-3)
        assert guide.fill_force_n(bore_mm=bore, **at) == pytest.approx(float(row["F_swell_fill_N"]), rel=6e-3)
        assert 1 - (at["diameter_mm"] / bore) ** 2 == pytest.approx(float(row["swell_fill_strain"]), abs=6e-4)
        assert (bore - at["diameter_mm"]) / 2 == pytest.approx(float(row["clearance_r_mm"]))


def test_published_lock_and_fill_of_the_sheet():
    # solid.md 3.3: F_max at mu 0.1, 0.3 m, and F_fill, for E 10, 20, 40, 100
    e = np.array([10.0, 20, 40, 100])
    at = {"length_mm": 300.0, "turn_rad": 0.0, "friction": 0.1, "diameter_mm": 1.75, "youngs_modulus_mpa": e}
    for bore, lock in (
        (1.9, [8.18, 16.4, 32.7, 81.9]), (2.0, [4.91, 9.82, 19.6, 49.1]),
        (2.5, [1.64, 3.27, 6.55, 16.4]), (3.0, [0.98, 1.96, 3.93, 9.82]),
    ):  # fmt: skip
        assert guide.guide_lock_force_n(bore_mm=bore, **at) == pytest.approx(lock, rel=4e-3)
    for bore, fill in ((1.9, [4.3, 8.7, 17.4, 43.4]), (2.0, [7.5, 15.1, 30.2, 75.4])):
        got = guide.fill_force_n(bore_mm=bore, diameter_mm=1.75, youngs_modulus_mpa=e)
        assert got == pytest.approx(fill, rel=1e-2)


def test_published_helix_onset():
    # solid.md 3.3: F_hel 0.129 N straight (Dawson, Paslay 1984; Chen, Lin, Cheatham 1990), 11.8 N on a 50 mm bend
    assert guide.helix_onset_force_n(**ROD, bore_mm=2.0) == pytest.approx(0.129, abs=6e-4)
    assert guide.helix_onset_force_n(**ROD, bore_mm=2.0, bend_radius_mm=50.0) == pytest.approx(11.8, abs=0.06)
    # the default weight: 1.75 mm at 1200 kg/m3 is 0.0283 N/m
    assert np.pi * 1.75e-3**2 / 4 * 1200 * 9.80665 == pytest.approx(0.0283, abs=6e-5)


@settings(deadline=None, max_examples=40)
@given(
    st.floats(0.1, 0.9), st.floats(20, 800), st.floats(1.85, 3.0), st.floats(0, 10), st.floats(0.02, 0.4),
    st.floats(8, 100),
)  # fmt: skip
def test_limit_against_plain_integration(share, length, bore, turn, friction, modulus):
    at = {"length_mm": length, "bore_mm": bore, "turn_rad": turn, "friction": friction}
    rod = {"diameter_mm": 1.75, "youngs_modulus_mpa": modulus}
    out = share * min(float(guide.guide_lock_force_n(**at, **rod)), float(guide.fill_force_n(bore_mm=bore, **rod)))
    stiffness = modulus * np.pi * 1.75**4 / 64
    want = _integrate(out, length, turn, friction, (bore - 1.75) / 2, stiffness)
    assert guide.push_into_guide_n(out, **at, **rod) == pytest.approx(want, rel=1e-5)


@pytest.mark.parametrize("out", [0.5, 2.0, 3.5, 9.0])
@pytest.mark.parametrize("onset", [0.0, 3.0, 6.0, 40.0])
def test_limit_onset_against_plain_integration(out, onset):
    want = _integrate(out, 300.0, 2.0, 0.2, 0.125, STIFF, onset=onset)
    at = {**TUBE, "friction": 0.2, "turn_rad": 2.0}
    got = guide.push_into_guide_n(out, helix_onset_n=onset, **at)
    lock = guide.guide_lock_force_n(helix_onset_n=onset, **at)
    if out < lock:
        assert got == pytest.approx(want, rel=2e-3)  # the integrator steps over the jump in slope
    else:
        assert np.isinf(got)
        assert want > 1e3 or not np.isfinite(want)


def test_limit_onset_is_off_by_default_and_only_helps():
    at = {**TUBE, "turn_rad": np.pi}
    plain = guide.push_into_guide_n(3.0, **at)
    assert guide.push_into_guide_n(3.0, helix_onset_n=0.0, **at) == plain
    capstan = 3.0 * np.exp(0.1 * np.pi)
    eased = guide.push_into_guide_n(3.0, helix_onset_n=np.array([1.0, 3.5, 4.0, 100.0]), **at)
    assert eased[0] == pytest.approx(plain)
    assert np.all(np.diff(eased) < 0)
    assert eased[-1] == pytest.approx(capstan)
    locks = guide.guide_lock_force_n(helix_onset_n=np.array([0.0, 1.0, 20.0, 40.0]), **at)
    assert locks[0] == locks[1] == pytest.approx(guide.guide_lock_force_n(**at))
    assert np.all(np.diff(locks)[1:] > 0)
    # straight: below the onset there is no friction at all, above it the helix acts along the whole guide
    straight = {**TUBE, "turn_rad": 0.0}
    assert guide.push_into_guide_n(4.0, helix_onset_n=4.5, **straight) == pytest.approx(4.0)
    assert guide.push_into_guide_n(4.0, helix_onset_n=3.9, **straight) == pytest.approx(6.748, rel=1e-3)
    assert guide.guide_lock_force_n(helix_onset_n=12.0, **straight) == pytest.approx(12.0)


def test_limit_lock():
    for turn in (0.0, 1e-9, 1.0, 6.0):
        lock = guide.guide_lock_force_n(turn_rad=turn, **TUBE)
        near = guide.push_into_guide_n(lock * np.array([0.9, 0.99, 0.999, 0.9999]), turn_rad=turn, **TUBE)
        assert np.all(np.diff(near) > 0)
        assert near[-1] > 5e3 * lock
        assert np.isinf(guide.push_into_guide_n(lock * 1.000001, turn_rad=turn, **TUBE))
    # a / (b (e^aL - 1)) with its own numbers
    a, b = 0.1 * 6.0 / 300, 0.1 * 0.125 / (4 * STIFF)
    assert guide.guide_lock_force_n(turn_rad=6.0, **TUBE) == pytest.approx(a / (b * np.expm1(a * 300)))


def test_limit_straight_short_smooth_and_unloaded():
    assert guide.push_into_guide_n(2.0, turn_rad=0.0, **{**TUBE, "friction": 0.0}) == 2.0
    assert np.isinf(guide.guide_lock_force_n(turn_rad=3.0, **{**TUBE, "friction": 0.0}))
    assert guide.push_into_guide_n(2.0, turn_rad=0.0, **{**TUBE, "length_mm": 1e-9}) == pytest.approx(2.0)
    assert guide.push_into_guide_n(0.0, turn_rad=3.0, **TUBE) == 0.0
    # two guides in a row are one of both lengths and turns
    half = {**TUBE, "length_mm": 150.0, "turn_rad": 0.7}
    whole = guide.push_into_guide_n(2.0, **{**TUBE, "turn_rad": 1.4})
    assert guide.push_into_guide_n(guide.push_into_guide_n(2.0, **half), **half) == pytest.approx(whole)


def test_limit_tighter_bore_postpones_lock_and_brings_swell_nearer():
    bore = np.linspace(1.80, 2.6, 30)
    lock = guide.guide_lock_force_n(turn_rad=0.5, **{**TUBE, "bore_mm": bore})
    fill = guide.fill_force_n(**ROD, bore_mm=bore)
    assert np.all(np.diff(lock) < 0)
    assert np.all(np.diff(fill) > 0)
    assert fill[0] < lock[0]  # the tight bore swells first, the loose one locks first
    assert fill[-1] > lock[-1]


def test_limit_bend_onset_meets_the_straight_one():
    radius = np.array([10.0, 100.0, 1e4, 1e9])
    got = guide.helix_onset_force_n(**ROD, bore_mm=2.0, bend_radius_mm=radius)
    assert got[:2] == pytest.approx(8 * STIFF / (0.125 * radius[:2]))
    assert got[-1] == pytest.approx(guide.helix_onset_force_n(**ROD, bore_mm=2.0))


def test_limit_fill_law():
    # work of a slow squeeze by the neo-Hookean energy G/2 (l^2 + 2/l - 3), per length, differentiated numerically
    stretch, step = (1.75 / 2.0) ** 2, 1e-6
    energy = lambda x: 20.0 / 6 * (x**2 + 2 / x - 3)  # noqa: E731
    force = -(energy(stretch + step) - energy(stretch - step)) / (2 * step) * np.pi * 1.75**2 / 4
    assert guide.fill_force_n(**ROD, bore_mm=2.0) == pytest.approx(force, rel=1e-6)


@given(st.floats(0.01, 4.0), st.floats(0, 5), st.floats(1.9, 2.4))
def test_roundtrip_push_out_from_push_in(out, turn, bore):
    at = {**TUBE, "turn_rad": turn, "bore_mm": bore, "friction": 0.05}
    into = float(guide.push_into_guide_n(out, **at))
    a, b = 0.05 * turn / 300, 0.05 * (bore - 1.75) / 2 / (4 * STIFF)
    # the published inverse, F_out = a F e^-aL / (a + b F (1 - e^-aL)); straight: F / (1 + bLF)
    back = into / (1 + b * 300 * into) if turn < 1e-9 else into / (np.exp(a * 300) + b * into * np.expm1(a * 300) / a)
    if np.isfinite(into):
        assert back == pytest.approx(out, rel=1e-6)


def test_limit_range_is_told():
    with pytest.warns(ValidityWarning, match="push_out_n over fill_force_n"):
        guide.push_into_guide_n(9.0, turn_rad=0.0, **{**TUBE, "bore_mm": 1.9})
    with pytest.warns(ValidityWarning, match=r"bore_mm over 1\.83 diameters"):
        guide.fill_force_n(**ROD, bore_mm=3.3)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"bore_mm": 1.7}, "bore_mm must exceed diameter_mm, got 1.7 and 1.75"),
        ({"friction": -0.1}, "friction must be finite and >= 0, got -0.1"),
        ({"turn_rad": np.nan}, "turn_rad must be finite and >= 0, got nan"),
        ({"length_mm": 0.0}, "length_mm must be finite and > 0, got 0"),
        ({"youngs_modulus_mpa": np.inf}, "youngs_modulus_mpa must be finite and > 0, got inf"),
        ({"helix_onset_n": -1.0}, "helix_onset_n must be finite and >= 0, got -1"),
    ],
)
def test_limit_impossible_inputs_are_named(change, words):
    at = {**TUBE, "turn_rad": 0.0, **change}
    with pytest.raises(DomainError, match=words):
        guide.push_into_guide_n(1.0, **at)
    with pytest.raises(DomainError, match=words):
        guide.guide_lock_force_n(**at)


def test_limit_other_impossible_inputs_are_named():
    with pytest.raises(DomainError, match="push_out_n must be finite and >= 0, got -1"):
        guide.push_into_guide_n(-1.0, turn_rad=0.0, **TUBE)
    with pytest.raises(DomainError, match="bore_mm must exceed diameter_mm"):
        guide.fill_force_n(**ROD, bore_mm=1.75)
    with pytest.raises(DomainError, match="bend_radius_mm must be finite and > 0, got 0"):
        guide.helix_onset_force_n(**ROD, bore_mm=2.0, bend_radius_mm=0.0)
