"""How a part should stand: analytic solids."""

import numpy as np
import pytest

from part import shapes
from pliant.part.mesh_read import read_mesh
from pliant.part.orient import best_orientations, rotation_to, sphere_directions, turn_words


def _read(tmp_path, solid, name="a.stl"):
    path = tmp_path / name
    path.write_bytes(shapes.binary_stl(*solid))
    return read_mesh(path)


def test_limit_rotation_turns_the_wanted_direction_up():
    for up in sphere_directions(40):
        r = rotation_to(up)
        assert r @ up == pytest.approx([0, 0, 1], abs=1e-12)
        assert r @ r.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(r) == pytest.approx(1)
    assert turn_words((0, 0, 1)) == "as drawn"
    assert turn_words((0, 0, -1)).startswith("upside down")
    assert turn_words((0, 1, 0)) == "turned 90° about x"


@pytest.mark.parametrize(("axis", "angle"), [((1, 0, 0), 0.0), ((1, 2, 3), 40.0), ((0, 1, 0), 45.0)])
def test_limit_a_tilted_cube_is_laid_flat(tmp_path, axis, angle):
    v, f = shapes.box()
    mesh = _read(tmp_path, (shapes.turn(v, axis, angle), f))
    found, tried = best_orientations(mesh, 0.2)
    assert tried > 500
    assert found[0].height_mm == pytest.approx(20, rel=1e-3)
    assert found[0].footprint_mm2 == pytest.approx(400, rel=1e-3)
    assert not found[0].needs_support
    assert found[0].unsupported_mm2 == 0


def test_limit_a_cylinder_stands_on_its_end(tmp_path):
    v, f = shapes.cylinder()
    found, _ = best_orientations(_read(tmp_path, (shapes.turn(v, (1, 0, 0), 90), f)), 0.2)
    assert abs(found[0].up[1]) == pytest.approx(1, abs=1e-6)
    assert found[0].height_mm == pytest.approx(30, rel=1e-6)
    drawn = next(o for o in found if o.turn == "as drawn") if any(o.turn == "as drawn" for o in found) else None
    assert drawn is None or drawn.needs_support


def test_limit_a_table_stands_on_its_top(tmp_path):
    legs = [shapes.box(4, 4, 30.5, (x, y, 0)) for x in (0, 56) for y in (0, 36)]
    mesh = _read(tmp_path, shapes.joined(shapes.box(60, 40, 4, (0, 0, 30)), *legs))
    found, _ = best_orientations(mesh, 0.2)
    assert found[0].turn.startswith("upside down")
    assert not found[0].needs_support
    drawn = next(o for o in found if o.turn == "as drawn")
    assert drawn.needs_support
    assert drawn.unsupported_mm2 > 2000
