"""Sections against closed formulas and against an independent library."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from mesh import shapes
from pliant.kernels import section
from pliant.mesh.islands import islands_of, second_moments
from pliant.mesh.sections import cut, layer_levels_mm, turned
from pliant.mesh.turning import rotation_to


def _stand(solid, up=(0, 0, 1)):
    v, f = solid
    return turned(v, rotation_to(up)), f


def test_limit_cylinder_sections():
    n = 96
    v, f = _stand(shapes.cylinder(10, 30, n))
    got = cut(v, f, layer_levels_mm(v, 0.2))
    assert got.level_mm.size == 150
    assert got.area_mm2() == pytest.approx(n / 2 * 100 * np.sin(2 * np.pi / n))
    assert got.broken == 0


def test_limit_sphere_sections():
    v, f = _stand(shapes.sphere(10, 240, 240))
    z = layer_levels_mm(v, 0.5)
    assert cut(v, f, z).area_mm2() == pytest.approx(np.pi * (100 - (z - 10) ** 2), rel=2e-3)


@pytest.mark.parametrize("up", [(0, 0, 1), (1, 0, 0)])
def test_limit_torus_sections(up):
    big, small = 20.0, 6.0
    v, f = _stand(shapes.torus(big, small, 240, 120), up)
    z = layer_levels_mm(v, 0.5)
    got = cut(v, f, z)
    if up == (0, 0, 1):  # a ring between R - w and R + w
        w = np.sqrt(small**2 - (z - small) ** 2)
        assert got.area_mm2() == pytest.approx(4 * np.pi * big * w, rel=5e-3)
        assert all(len(got.loops(k)) == 2 for k in range(z.size))
    else:  # one oval, then two, then one
        loops = [len(got.loops(k)) for k in range(z.size)]
        assert set(loops) == {1, 2}
    volume = 2 * np.pi**2 * big * small**2
    assert got.area_mm2().sum() * 0.5 == pytest.approx(volume, rel=3e-3)


@settings(max_examples=25, deadline=None)
@given(x=st.floats(-1, 1), y=st.floats(-1, 1), z=st.floats(0.05, 1))
def test_limit_a_tilted_cube_keeps_its_volume_and_agrees_with_trimesh(x, y, z):
    v, f = _stand(shapes.box(), (x, y, z))
    level = layer_levels_mm(v, 0.05)
    got = cut(v, f, level)
    assert got.area_mm2().sum() * (level[1] - level[0]) == pytest.approx(8000, rel=1e-3)
    other = trimesh.Trimesh(v, f, process=False)
    for k in range(0, level.size, 97):
        flat = other.section(plane_origin=[0, 0, level[k]], plane_normal=[0, 0, 1])
        expected = 0.0 if flat is None else flat.to_2D()[0].area
        assert got.area_mm2()[k] == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_limit_levels_through_vertices_stay_closed():
    v, f = _stand(shapes.torus(20, 6, 40, 20))
    got = cut(v, f, np.unique(v[:, 2])[:-1] + 0.0)
    assert got.broken == 0


def test_limit_an_open_mesh_is_noticed():
    v, f = _stand(shapes.box())
    assert cut(v, f[1:], np.array([5.0, 10.0])).broken > 0


def test_limit_overlapping_shells_are_united_and_voids_kept():
    v, f = shapes.joined(shapes.box(20, 20, 20), shapes.box(20, 20, 20, (10, 0, 0)))
    assert cut(v, f, np.array([10.0])).solid(0).area() == pytest.approx(600)
    inner, faces = shapes.box(5, 5, 5, (7, 7, 7))
    v, f = shapes.joined(shapes.box(20, 20, 20), (inner, faces[:, ::-1]))
    assert cut(v, f, np.array([10.0])).solid(0).area() == pytest.approx(375)


def test_limit_second_moments():
    ring = np.array([[0, 0], [3, 0], [3, 8], [0, 8.0]]) + 50
    area, centre, moments = second_moments([ring])
    assert area == pytest.approx(24)
    assert centre == pytest.approx([51.5, 54])
    assert moments == pytest.approx(np.array([[8 * 27 / 12, 0], [0, 3 * 512 / 12]]), abs=1e-6)
    a = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    circle = np.column_stack([np.cos(a), np.sin(a)])
    _, _, tube = second_moments([5 * circle, (4 * circle)[::-1]])
    assert tube == pytest.approx(np.pi / 4 * (625 - 256) * np.eye(2), rel=1e-3, abs=1e-6)


def test_limit_islands_know_what_they_stand_on():
    legs = [shapes.box(4, 4, 30.5, (x, 0, 0)) for x in (0, 56)]
    v, f = _stand(shapes.joined(shapes.box(60, 4, 4, (0, 0, 30)), *legs))
    layers = islands_of(cut(v, f, layer_levels_mm(v, 1.0)), 0.01)
    assert [len(layer) for layer in layers] == [2] * 30 + [1] * 4
    assert layers[30][0].below == (0, 1)
    assert layers[10][0].thickness_mm == pytest.approx(4)
    assert layers[32][0].length_mm == pytest.approx(60)


def test_limit_kernel_compiled_and_plain_agree():
    v, f = _stand(shapes.torus(20, 6, 24, 12), (1, 2, 3))
    from pliant.mesh.repair import half_edge_twins

    args = (v, f, half_edge_twins(f), layer_levels_mm(v, 1.0))
    for a, b in zip(section.cut_levels(*args), section.cut_levels.py_func(*args), strict=True):
        assert np.array_equal(a, b)
