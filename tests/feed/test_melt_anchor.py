"""The consistency and its spread hold where it was measured; the activation energy carries both from there."""

from dataclasses import replace

import numpy as np
import pytest

from pliant.errors import RecordError
from pliant.feed import chain
from pliant.models.pressure import temperature_shift
from pliant.records.filament import read_filament
from pliant.records.materials import MELT
from pliant.records.starters import starter
from recipes import filament, machine

STATED = ["consistency_pa_sn = {value = 16600, spread = 1.2}", "consistency_at_c = 190"]
CREEP = 1e-6  # [mm3/s] so slow that the melt is as hot as the wall


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    path = tmp_path_factory.mktemp("spool") / "f.toml"
    path.write_text(starter("filament", "85A") + "\n".join(["", *STATED]) + "\n")
    return read_filament(path)


def _logs(spool, celsius, **fixed):
    """Logarithm of the consistency at temperatures, over draws, `(n, k)`."""
    for name, spread in fixed.items():
        spool = replace(spool, **{name: replace(getattr(spool, name), spread=spread)})
    theta, _, _ = chain.sample(machine("open-gap"), spool, 4000, np.random.default_rng(3))
    return np.log(chain.consistency_pa_sn(CREEP, np.array(celsius), theta))


def test_limit_where_it_was_measured_the_spread_is_the_measurements_own(measured):
    at = _logs(measured, [190.0])
    assert np.exp(np.median(at)) == pytest.approx(16600, rel=0.01)
    assert at.std() == pytest.approx(np.log(1.2), rel=0.03)
    for spread in (1.0, 1.5, 3.0):  # whatever is known of the energy
        other = _logs(measured, [190.0], activation_kj_per_mol=spread)
        assert other == pytest.approx(at, abs=1e-3)


def test_limit_away_from_there_the_spread_grows_on_both_sides(measured):
    spread = _logs(measured, [150.0, 170.0, 190.0, 210.0, 230.0]).std(axis=0)
    assert spread[0] > spread[1] > spread[2] < spread[3] < spread[4]
    # the logarithm of the shift is the energy's multiple, and the energy log-normal
    shift = float(np.log(temperature_shift(230.0, 190.0, measured.activation_kj_per_mol.value)))
    square = np.log(measured.activation_kj_per_mol.spread) ** 2
    wanted = np.hypot(np.log(1.2), shift * np.sqrt(np.exp(square) * np.expm1(square)))
    assert spread[4] == pytest.approx(wanted, rel=0.05)


def test_limit_with_a_known_energy_the_spread_is_the_same_everywhere(measured):
    spread = _logs(measured, [170.0, 190.0, 230.0], activation_kj_per_mol=1.0).std(axis=0)
    assert spread == pytest.approx(np.full(3, spread[1]), rel=1e-3)
    both = _logs(measured, [170.0, 190.0, 230.0], activation_kj_per_mol=1.0, consistency_pa_sn=1.0)
    assert both.std(axis=0) == pytest.approx(np.zeros(3), abs=1e-6)


def test_limit_unsaid_it_is_the_middle_of_the_sheet(measured):
    plain = filament("85A")
    assert plain.anchor_c == plain.reference_c == 220.0
    assert (measured.anchor_c, measured.reference_c) == (190.0, 220.0)
    low, high = MELT["consistency_pa_sn"][0]
    for spread in (1.01, 1.5, 2.0):
        at = _logs(plain, [220.0], activation_kj_per_mol=spread)
        assert np.exp(np.quantile(at, [0.05, 0.95])) == pytest.approx([low, high], rel=0.06)


def test_published_the_default_range_spans_the_three_grades():
    """Melt-index points, entry loss out, 10^3 Pa s^n: 0.92 and 3.2 where they are printed hot, 12 to 23 at 190 degC."""
    low, high = MELT["consistency_pa_sn"][0]
    assert low == pytest.approx(920, rel=0.05)
    assert low < 3200 < high
    at_220 = [k * float(temperature_shift(220.0, 190.0, e)) for k in (12_000, 23_000) for e in (34.0, 131.0)]
    middle = np.exp(np.mean(np.log(at_220)))
    assert middle < high < max(at_220), "the ester's middle lies inside, its far end out"


def test_limit_the_points_tie_consistency_to_energy_a_few_kelvin_below_the_middle():
    """Why the default is drawn apart: the mean of 1/T of the three points lies near the middle of the sheet."""
    measured_c = np.array([190.0, 224.0, 230.0])  # of the points above
    tied_at_c = 1 / np.mean(1 / (measured_c + 273.15)) - 273.15
    assert 0 < filament("85A").reference_c - tied_at_c < 7
    # at that temperature the three together say the same whatever the energy
    log_k = [[np.log(float(temperature_shift(tied_at_c, t, e))) for t in measured_c] for e in (34.0, 131.0)]
    assert np.mean(log_k, axis=1) == pytest.approx([0.0, 0.0], abs=1e-9)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (STATED[1:], "consistency_at_c says where consistency_pa_sn was measured; give that too"),
        ([STATED[0], "consistency_at_c = 20"], "consistency_at_c must be one temperature from 120 to 350 °C, got 20"),
        ([STATED[0], "consistency_at_c = [180, 200]"], "must be one temperature"),
        ([STATED[0], 'consistency_at_c = "hot"'], "finite number > 0"),
        ([STATED[0], "consistency_at_c = inf"], "finite number > 0"),
    ],
)
def test_what_cannot_be_is_one_line(tmp_path, lines, message):
    path = tmp_path / "f.toml"
    path.write_text("\n".join([starter("filament", "85A"), *lines, ""]))
    with pytest.raises(RecordError, match=message):
        read_filament(path)
