"""Line drawings: what is in sight is drawn, what is hidden is not."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from mesh import shapes
from pliant.kernels.depth import nearest_depth, visible_share
from pliant.mesh.drawing import standing, underside
from pliant.mesh.repair import half_edge_twins


def _paths(svg):
    return [p for p in ET.fromstring(svg).iter() if p.tag.endswith("path")]


def _points(svg):
    words = [p.attrib["d"] for p in _paths(svg) if p.attrib.get("stroke-linecap")]
    return np.array([[float(a), float(b)] for d in words for a, b in re.findall(r"([\d.-]+) ([\d.-]+)", d)])


def test_limit_a_cube_shows_nine_of_its_twelve_edges():
    v, f = shapes.box()
    svg = standing(v, f, half_edge_twins(f))
    creases, rims = [p.attrib["d"] for p in _paths(svg) if p.attrib.get("stroke-linecap")][-2:]
    assert creases.count("L") == 3  # the three that meet at the near corner
    assert rims.count("L") == 6
    at = _points(svg)
    assert at.min() > 0
    assert (at <= [360, 300]).all()


def test_limit_what_stands_behind_is_hidden():
    wall, hidden = shapes.box(40, 2, 40), shapes.box(4, 4, 4, (18, 20, 0))
    v, f = shapes.joined(wall, hidden)
    drawn = standing(v, f, half_edge_twins(f))
    v2, f2 = shapes.joined(wall)
    # the small block adds no crease
    count = [[p.attrib["d"].count("M") for p in _paths(s) if p.attrib.get("stroke-linecap")][1]
             for s in (drawn, standing(v2, f2, half_edge_twins(f2)))]  # fmt: skip
    assert count[0] == count[1]


def test_limit_marks_are_drawn_at_their_height_with_words():
    v, f = shapes.box(10, 10, 40)
    svg = standing(v, f, half_edge_twins(f), ((20.0, "#c98a1b", "wobbles"),), title="a <post>")
    assert "wobbles" in svg
    assert "a &lt;post&gt;" in svg
    ruler = next(p.attrib["d"] for p in _paths(svg) if p.attrib["d"].startswith("M14.0 "))
    bed, top = (float(x) for x in re.match(r"M14.0 ([\d.]+)V([\d.]+)", ruler).groups())
    mark = next(p.attrib["d"] for p in _paths(svg) if p.attrib.get("stroke") == "#c98a1b")
    assert float(re.match(r"M8.0 ([\d.]+)", mark).group(1)) == pytest.approx((bed + top) / 2, abs=0.2)


def test_limit_the_underside_tells_bed_from_air():
    v, f = shapes.box()
    assert "url(#air)" not in underside(v, f, 45.0, 0.2)
    table = shapes.joined(shapes.box(20, 20, 4, (0, 0, 20)), shapes.box(4, 4, 20.5, (8, 8, 0)))
    assert 'fill="url(#air)"' in underside(*table, 45.0, 0.2)


def test_limit_kernels_compiled_and_plain_agree():
    v, f = shapes.torus(20, 6, 12, 8)
    pixels = (v + 30) * [1, 1, 1]
    depth = nearest_depth(pixels, f, 60, 60)
    assert np.array_equal(depth, nearest_depth.py_func(pixels, f, 60, 60))
    assert np.isinf(depth[30, 30])
    lines = (pixels[f[:40, 0]], pixels[f[:40, 1]], depth, 0.5, 4)
    assert np.array_equal(visible_share(*lines), visible_share.py_func(*lines))
