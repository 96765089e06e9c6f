"""Underfeed and its causes: common practice, limits, and inverses."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from model_figures import METERING, metering_losses
from pliant.errors import DomainError
from pliant.models import metering

FRACTION = st.floats(0, 0.9)


def test_limit_common_practice_lies_within_the_causes():
    # common practice, no source: soft filament needs about 1.1. Ours comes from its causes; that 1.1 lies between the
    # ends of what we guess of them is all that can be said, since neither slip nor bite is measured for soft filament
    low, middle, high = (float(metering.flow_factor(**metering_losses(*v))) for v in METERING.values())
    assert 1.0 < low < middle < high
    assert low < 1.1 < high
    assert str(metering.largest_cause(**metering_losses(*METERING["middle"]))) == "bite"


def test_limit_no_loss_no_correction():
    assert metering.flow_factor(0.0, 0.0, 0.0) == 1.0
    assert metering.bite_loss(0.0, 5.5) == 0.0


@given(FRACTION, FRACTION, FRACTION)
def test_roundtrip_what_is_asked_for_arrives(stretch, slip, bite):
    asked = metering.flow_factor(stretch, slip, bite)
    assert asked * (1 - stretch) * (1 - slip) * (1 - bite) == pytest.approx(1.0)
    assert asked >= 1
    # the causes are interchangeable
    assert asked == pytest.approx(metering.flow_factor(bite, stretch, slip))


@given(FRACTION, FRACTION, FRACTION)
def test_limit_largest_cause(stretch, slip, bite):
    losses = {"stretch": stretch, "slip": slip, "bite": bite}
    named = str(metering.largest_cause(**losses))
    assert losses[named] == max(losses.values())
    # mending it alone helps most
    gain = {name: float(metering.flow_factor(**{**losses, name: 0.0})) for name in losses}
    assert gain[named] == min(gain.values())


def test_limit_bite_is_geometry():
    # one turn of the smaller radius carries less by the ratio of the radii
    assert 1 - metering.bite_loss(0.3, 5.5) == pytest.approx((5.5 - 0.3) / 5.5)


def test_limit_broadcasts():
    assert metering.flow_factor([0.0, 0.1], 0.0, [[0.0], [0.2], [0.3]]).shape == (3, 2)
    assert metering.largest_cause([0.0, 0.1], 0.05, 0.0).tolist() == ["slip", "stretch"]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: metering.flow_factor(0.0, 1.0, 0.0), "slip must be under 1, got 1.0; nothing arrives"),
        (lambda: metering.flow_factor(0.0, 0.0, -0.1), "bite must be finite and >= 0, got -0.1"),
        (lambda: metering.largest_cause(np.nan, 0.0, 0.0), "stretch must be finite and >= 0, got nan"),
        (lambda: metering.bite_loss(6.0, 5.5), "bite_mm must be under wheel_radius_mm, got 6.0 and 5.5"),
    ],
)
def test_limit_impossible_inputs_are_named(call, words):
    with pytest.raises(DomainError, match=words):
        call()
