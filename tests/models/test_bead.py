"""Sections of beads against the reference values, plain geometry, and inverses."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString

from pliant.errors import DomainError, ValidityWarning
from pliant.models import bead


def test_published_areas():
    # toolpath.md 1.9: 0.45 x 0.2 and 0.6 x 0.3; filament of 1.75 and 2.85 mm; 0.033849 mm of filament per mm
    assert bead.bead_area_mm2(0.45, 0.2) == pytest.approx(0.081416, abs=6e-7)
    assert bead.bead_area_mm2(0.6, 0.3) == pytest.approx(0.160686, abs=6e-7)
    assert bead.bead_area_mm2(0.45, 0.2) / 2.405282 == pytest.approx(0.033849, abs=6e-7)
    assert bead.strand_diameter_mm(np.array([2.405282, 6.379397])) == pytest.approx([1.75, 2.85], abs=1e-6)


def test_limit_area_of_the_drawn_section():
    drawn = LineString([(0.1, 0.1), (0.35, 0.1)]).buffer(0.1, quad_segs=200)
    assert bead.bead_area_mm2(0.45, 0.2) == pytest.approx(drawn.area, rel=1e-5)


def test_limit_round_bead_is_a_strand():
    assert bead.bead_area_mm2(0.4, 0.4) == pytest.approx(np.pi * 0.04)
    assert bead.bead_width_mm(bead.bead_area_mm2(0.4, 0.4), 0.4) == pytest.approx(bead.strand_diameter_mm(np.pi * 0.04))


@given(st.floats(0.05, 1.0), st.floats(1.0, 6.0))
def test_roundtrip_width(height, slender):
    width = slender * height
    area = bead.bead_area_mm2(width, height)
    assert bead.bead_width_mm(area, height) == pytest.approx(width)
    # a pressed bead is wider than its strand and lower than it
    assert bead.strand_diameter_mm(area) <= width * (1 + 1e-9)
    assert bead.strand_diameter_mm(area) >= height * (1 - 1e-9)


@given(st.floats(0.05, 1.0), st.floats(0.3, 3.0))
def test_limit_squeezed_means_wider_than_high(height, share):
    area = np.pi * (share * height) ** 2 / 4
    assert bool(bead.is_squeezed(area, height)) == (float(bead.strand_diameter_mm(area)) > height)
    if share > 1:
        assert bead.bead_width_mm(area, height) > height


def test_limit_squeeze_state():
    assert bead.is_squeezed(0.0814, [0.2, 0.32, 0.33, 0.4]).tolist() == [True, True, False, False]


def test_limit_ranges_are_told():
    with pytest.warns(ValidityWarning, match="width_mm under height_mm: a free strand"):
        bead.bead_area_mm2(0.2, 0.3)
    with pytest.warns(ValidityWarning, match="the free strand is thinner than height_mm"):
        bead.bead_width_mm(0.03, 0.3)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: bead.bead_area_mm2(0.05, 0.4), r"width_mm must exceed 0\.215 of height_mm, got 0\.05 and 0\.4"),
        (lambda: bead.bead_area_mm2(0.4, 0.0), "height_mm must be finite and > 0, got 0"),
        (lambda: bead.bead_width_mm(-0.1, 0.2), "area_mm2 must be finite and > 0, got -0.1"),
        (lambda: bead.strand_diameter_mm(np.nan), "area_mm2 must be finite and > 0, got nan"),
        (lambda: bead.is_squeezed(0.1, 0.0), "gap_mm must be finite and > 0, got 0"),
    ],
)
def test_limit_impossible_inputs_are_named(call, words):
    with pytest.raises(DomainError, match=words):
        call()
