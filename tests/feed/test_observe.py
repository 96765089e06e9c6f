"""What is read off a test piece: bounds, limits and proportions that one can argue."""

from dataclasses import replace

import numpy as np
import pytest

from pliant.feed import chain
from pliant.feed.observe import LEAST_MM, moved_share, tapers_mm, thread_chance
from pliant.records.coupon import Step
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter

_STEP = Step(
    flow_mm3_per_s=2.0, nozzle_c=220.0, width_mm=0.45, gap_mm=0.2, speed_mm_per_s=20.0, wait_s=4.0, distance_mm=30.0
)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    folder = tmp_path_factory.mktemp("records")
    (folder / "m.toml").write_text(starter("machine", "open-gap"))
    (folder / "f.toml").write_text(starter("filament", "85A"))
    machine, filament = read_machine(folder / "m.toml"), read_filament(folder / "f.toml")
    return machine, chain.sample(machine, filament, 200, np.random.default_rng(4))[0]


@pytest.mark.parametrize("loss", [0.0, 0.07, 0.5, 3.0])
@pytest.mark.parametrize("slip_share", [0.0, 0.5, 1.0])
def test_limit_length_moved_is_never_negative_nor_more_than_asked(drawn, loss, slip_share):
    machine, theta = drawn
    # the belief about the loss has a long tail, and at the grip no more than all can be lost
    share = moved_share(machine, theta, np.array([[0.0, 2.0, 1e9]]), loss, slip_share)
    assert np.all((share >= 0) & (share <= 1))
    assert share[:, 2] == pytest.approx(0.0)
    assert np.all(np.diff(share, axis=1) <= 1e-12)


def test_limit_without_push_only_the_bite_loses(drawn):
    machine, theta = drawn
    assert moved_share(machine, theta, np.array([[0.0]]), 0.1, 0.4) == pytest.approx(1 - 0.1 * 0.6)


def test_limit_twice_the_pressure_stored_is_twice_the_taper(drawn):
    machine, theta = drawn
    theta = theta | {"half_strain": np.full((200, 1), 1e9)}  # a filament that does not soften as it is squeezed
    pressure = np.full((200, 1), 4.0)
    settled = [replace(_STEP, wait_s=1e5)]  # so that nothing of the stored pressure is left at the start
    one, two = (tapers_mm(machine, theta, settled, k * pressure) for k in (1, 2))
    for short, long in zip(one, two, strict=True):
        free = short > 2 * LEAST_MM
        assert free.any()
        assert long[free] == pytest.approx(2 * short[free], rel=5e-3)


def test_limit_what_softens_stores_more(drawn):
    machine, theta = drawn
    store = [chain.compliance(machine, theta, p) for p in (0.0, 0.2, 0.4)]
    assert (store[0] < store[1]).all()
    assert (store[1] < store[2]).all()
    # at half of the stress that the law runs up to, the secant is half the modulus: the cold path stores twice as much
    half = theta["half_strain"] * theta["youngs_modulus_mpa"] / theta["model_factor"] / 2
    melt = np.pi * theta["bore_mm"] ** 2 / 4 * theta["heated_length_mm"] * 7e-4
    assert chain.compliance(machine, theta, half) == pytest.approx(2 * store[0], rel=0.05)
    assert (melt < 0.1 * store[0]).all()


def test_limit_a_taper_is_longer_at_a_faster_nozzle_and_shorter_after_a_shorter_wait(drawn):
    machine, theta = drawn
    pressure = np.full((200, 2), 4.0)
    tail, _ = tapers_mm(machine, theta, [_STEP, replace(_STEP, speed_mm_per_s=40.0)], pressure)
    assert np.all(tail[:, 1] >= tail[:, 0])
    _, lead = tapers_mm(machine, theta, [replace(_STEP, wait_s=0.2), _STEP], pressure)
    assert np.all(lead[:, 0] <= lead[:, 1])


def test_limit_a_longer_wait_leaves_fewer_threads(drawn):
    machine, theta = drawn
    steps = [replace(_STEP, wait_s=wait) for wait in (0.0, 1.0, 10.0, 1000.0)]
    chance = thread_chance(machine, theta, steps, np.full((200, 4), 4.0), 0.006)
    assert np.all(np.diff(chance, axis=1) <= 0)
    assert np.all((chance >= 0) & (chance <= 1))
