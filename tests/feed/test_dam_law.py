"""An unknown of the gap's law: nothing at the reference, what is bracketed away from it, and learnable."""

from dataclasses import replace

import numpy as np
import pytest

from pliant.feed import chain
from pliant.models.bead import bead_area_mm2
from pliant.models.dam import quick_share
from pliant.models.pressure import face_drop_mpa, slit_drop_mpa
from recipes import filament, machine


def _dam(gap, **other):
    theta = chain.central(machine("open-gap"), filament("85A")) | other
    return chain.dam_ratio(0.45, np.asarray(gap, dtype=float), theta, 0.2) - 1


def test_limit_at_the_reference_gap_it_does_nothing_and_one_is_the_slit():
    assert _dam(chain.DAM_GAP_MM, dam_halving=0.6) == pytest.approx(_dam(chain.DAM_GAP_MM))
    theta = chain.central(machine("open-gap"), filament("85A"))
    assert theta.pop("dam_halving") == 1.0
    assert chain.dam_ratio(0.45, 0.1, theta, 0.2) - 1 == pytest.approx(_dam(0.1))


def test_limit_each_halving_multiplies():
    assert _dam([0.1, 0.05], dam_halving=0.7) == pytest.approx(_dam([0.1, 0.05]) * [0.7, 0.49])


@pytest.mark.parametrize("halving", [0.4, 1.0, 2.0])  # four spreads out and more
def test_limit_a_lower_gap_never_dams_less(halving):
    assert (np.diff(_dam(np.geomspace(0.3, 0.03, 40), dam_halving=halving)) > 0).all()


def test_published_none_melt_that_spreads_all_round_lies_inside_the_bracket():
    """Ratio of radial to slit flow, at 0.2 mm and half of it, for the middle index."""
    n, area = 0.57, float(bead_area_mm2(0.45, 0.2))

    def over(gap):
        slit = float(slit_drop_mpa(2.0, 0.45, gap, 0.3, 1000.0, n)) * float(quick_share(area / (0.45 * gap), n))
        return float(face_drop_mpa(2.0, gap, 0.2, 0.5, 1000.0, n)) / slit

    assert over(0.1) / over(0.2) == pytest.approx(0.70, abs=0.01)
    spread = machine("open-gap").dam_halving.spread
    assert abs(np.log(0.70) / np.log(spread)) < 1.65  # inside its 90 % range


def test_limit_known_for_sure_it_is_no_unknown():
    m = machine("open-gap")
    sure = replace(m, dam_halving=replace(m.dam_halving, spread=1.0))
    assert "dam_halving" in chain.drawn_names(chain.unknowns(m, filament("85A")))
    assert "dam_halving" not in chain.drawn_names(chain.unknowns(sure, filament("85A")))
