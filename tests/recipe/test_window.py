"""The samples behind the map: the same chain as `check`, only arranged for speed."""

import numpy as np
import pytest

from pliant.feed.caps import flow_caps
from pliant.feed.envelope import Envelope, Groups
from pliant.feed.load import Course
from pliant.feed.risk import jam_risk
from pliant.models.bead import bead_area_mm2
from pliant.recipe.window import PART, carry, window_map
from recipes import filament, machine

PAIRS = [("open-gap", "85A"), ("tube-2.0", "75A"), ("dual-drive", "95A"), ("long-tube", "95A")]


@pytest.fixture(scope="module", params=PAIRS)
def carried(request):
    return carry(machine(request.param[0]), filament(request.param[1]))


@pytest.mark.parametrize("first", [False, True])
def test_limit_chance_is_that_of_check(carried, first):
    flows = np.array([0.05, 0.2, 0.8, 2.0, 5.0])
    at = carried.at([222.0], 0.5, 0.2, first_layer=first)
    ours = carried.chance(carried.least(flows, at))
    theirs = [
        jam_risk(
            Envelope.steady([q], 222.0, [0.5], [0.2], [first], passage=PART),
            carried.machine,
            carried.filament,
            shares=False,
        ).probability
        for q in flows
    ]
    assert ours == pytest.approx(theirs, abs=2e-3)
    assert max(theirs) > 0.001
    assert min(theirs) < 0.9


def test_limit_steady_envelope_is_that_of_a_long_steady_job():
    m, f = machine("open-gap"), filament("85A")
    q, seconds = 0.6, 900.0
    job = Course.steady([seconds], [q * seconds / (np.pi * f.diameter_mm.value**2 / 4)], 222.0, 0.45, 0.2)
    told = jam_risk(job, m, f, shares=False).probability
    steady = Envelope.steady([q], 222.0, [0.45], [0.2], [False], end_s=seconds)
    ours = jam_risk(steady, m, f, shares=False).probability
    assert ours == pytest.approx(told, abs=2e-3)


def test_limit_flow_meets_the_cap_of_mend(carried):
    at = carried.at([225.0], 0.45, 0.2)
    groups = Groups(
        np.zeros(1, np.int32), np.zeros(1, np.int64), np.array([225.0]), np.array([0.45]), np.array([0.2]),
        np.array([False]), np.array([np.inf]),
    )  # fmt: skip
    cap = flow_caps(groups, carried.machine, carried.filament, 0.02, passage=PART)[0]
    assert carried.chance(carried.least(cap * 0.99, at))[0] < 0.02 < carried.chance(carried.least(cap * 1.03, at))[0]


def _map(carried, speeds, temperatures):
    return window_map(
        carried, bead="inner walls", width_mm=0.45, squeezed_width_mm=0.45, layer_height_mm=0.2,
        speed_mm_per_s=speeds, nozzle_c=temperatures, allowed_c=(210, 230), baseline=(50, 205),
    )  # fmt: skip


def test_limit_quicker_never_safer_hotter_never_worse(carried):
    chance = np.array(_map(carried, np.geomspace(0.5, 200, 25), np.linspace(195, 245, 9)).jam_probability)
    assert chance.shape == (9, 25)
    assert (np.diff(chance, axis=1) >= -1e-12).all()
    assert (np.diff(chance, axis=0) <= 1e-12).all()
    assert chance.min() < 0.1
    assert chance.max() > 0.9


def test_limit_map_is_the_chain_at_its_points(carried):
    window = _map(carried, [3.0, 20.0], [208.0, 231.0])
    for i, c in enumerate(window.nozzle_c):
        for j, v in enumerate(window.speed_mm_per_s):
            flow = v * float(bead_area_mm2(0.45, 0.2))
            told = jam_risk(
                Envelope.steady([flow], c, [0.45], [0.2], [False], passage=PART),
                carried.machine, carried.filament, shares=False,
            ).probability  # fmt: skip
            assert window.jam_probability[i][j] == pytest.approx(told, abs=2e-3)


def test_limit_critical_flows_say_the_same_as_the_chance(carried):
    # a sample jams at a flow when that flow is above what it carries: their share is the chance, but for the scatter
    at = carried.at([225.0], 0.45, 0.2)
    critical = carried.critical_flow_mm3_per_s(at, 0.5)
    for share in (0.1, 0.5, 0.9):
        flow = np.quantile(critical, share)
        assert carried.chance(carried.least(flow, at))[0] == pytest.approx(share, abs=0.04)
