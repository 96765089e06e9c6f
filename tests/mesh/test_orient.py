"""How a part should stand: analytic solids."""

from dataclasses import replace

import numpy as np
import pytest

from mesh import shapes
from pliant.errors import MeshError
from pliant.mesh.mesh_read import read_mesh
from pliant.mesh.orient import best_orientations
from pliant.mesh.orient_reasons import why_before
from pliant.mesh.turning import rotation_to, sphere_directions, turn_words
from pliant.mesh.unite import united
from pliant.records.part import Mesh


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


def _made(*solids):
    v, f = shapes.joined(*solids)
    return united(Mesh(v, f, "x", "made", "mm", len(solids), 0, (), ()))


def test_limit_a_box_with_a_bevelled_foot_stands_on_it(tmp_path):
    # failed before: a 45 degree chamfer of 4 mm was told as a ledge of 1.6 mm at its corners, and "needs support"
    chamfer = shapes.box(1, 1, 1)
    v = chamfer[0] - [0.5, 0.5, 0]
    v = v * np.where(v[:, 2:] > 0.5, [30, 24, 4], [22, 16, 4])
    body = shapes.box(30, 24, 16, (-15, -12, 4))
    found, _ = best_orientations(_made((v, chamfer[1]), body), 0.2, directions=40)
    drawn = next(o for o in found if o.turn == "as drawn")
    assert not drawn.needs_support
    assert (drawn.unsupported_mm2, drawn.overhang_mm2, drawn.longest_ledge_mm, drawn.cut_mm2) == (0, 0, 0, 0)


def test_limit_a_part_is_not_stood_on_a_point():
    # two pyramids foot to foot: on a tip all leans out within 45 degrees, but there is nothing to stand on
    tip = [(0, 0, 0.0), (12, 0, 12.0), (0, 12, 12.0), (-12, 0, 12.0), (0, -12, 12.0), (0, 0, 24.0)]
    f = [t for k in range(1, 5) for t in ((0, k % 4 + 1, k), (5, k, k % 4 + 1))]
    found, _ = best_orientations(Mesh(np.array(tip), np.array(f, dtype=np.int32), "x", "made", "mm", 1, 0, (), ()),
                                 0.2, bead_mm=0.45, directions=60)  # fmt: skip
    drawn = next(o for o in found if o.turn == "as drawn")
    assert not drawn.needs_support
    assert drawn.footprint_mm2 < 1 < drawn.least_foot_mm2
    assert found[0].foot_enough
    assert found[0].footprint_mm2 > 100
    assert "foot of" in why_before(found[0], drawn)
    assert any("may come off the bed" in r for r in drawn.reasons)


def test_limit_a_speck_on_air_does_not_lay_a_part_on_its_side():
    # failed before: one island on air, however small, put as drawn behind every other way to stand
    body = shapes.box(30, 20, 12)
    speck = shapes.box(0.3, 0.1, 0.41, (4, 20.8, 5.0)), shapes.box(0.3, 1.0, 3, (4, 19.9, 5.4))
    found, _ = best_orientations(_made(body, *speck), 0.2, bead_mm=0.45, directions=40)
    assert found[0].turn == "as drawn"
    assert found[0].islands_on_air == 0


def test_limit_the_rank_is_by_what_a_person_must_cut():
    # a tee: as drawn both arms hang; upside down it stands on its bar
    tee = _made(shapes.box(8, 20, 20, (-4, 0, 0)), shapes.box(40, 20, 5, (-20, 0, 19.5)))
    found, _ = best_orientations(tee, 0.2, bead_mm=0.45, directions=40)
    assert not found[0].needs_support
    drawn = next(o for o in found if o.turn == "as drawn")
    assert drawn.cut_mm2 == pytest.approx(2 * 16 * 20, rel=0.03)
    assert found[0].cut_mm2 == 0
    assert why_before(found[0], drawn) == "it needs no support, and the second does"
    assert drawn.score == pytest.approx(sum(drawn.weighs_mm2.values()))
    less = replace(drawn, cut_mm2=10.0, weighs_mm2=drawn.weighs_mm2 | {"cut": 10.0}, score=drawn.score - 630)
    assert why_before(less, drawn).startswith("less to cut away: 10.0 against 6")


def test_limit_what_the_nozzle_cannot_reach_is_put_last():
    bar = _made(shapes.box(130, 6, 6))
    free, _ = best_orientations(bar, 0.2, directions=40)
    assert free[0].fits is None
    tight, _ = best_orientations(bar, 0.2, directions=40, reach_mm=(100.0, 100.0, 50.0))
    assert tight[0].fits
    assert tight[0].spin_deg == pytest.approx(45, abs=15)
    assert any("turned about the vertical" in r for r in tight[0].reasons)
    none, _ = best_orientations(bar, 0.2, directions=40, reach_mm=(60.0, 60.0, 60.0))
    assert none[0].fits is False
    assert any("does not fit where the nozzle reaches, 60 x 60 x 60 mm" in r for r in none[0].reasons)
    assert why_before(tight[0], none[0]) == "it fits where the nozzle reaches, and the second does not"


def test_regression_a_surface_that_crosses_itself_is_not_called_flat(tmp_path):
    """A box whose lid is the wrong way round encloses as much inside out as not; it was told "flat"."""
    v, f = shapes.box()
    v[v[:, 2] == 20, 0] = 20 - v[v[:, 2] == 20, 0]
    with pytest.raises(MeshError, match="its surface crosses itself"):
        best_orientations(_read(tmp_path, (v, f)), 0.2)
    flat, f = shapes.box()
    flat[:, 2] = 3.0
    with pytest.raises(MeshError, match="flat, it encloses no volume"):
        best_orientations(Mesh(**{**vars(_read(tmp_path, shapes.box())), "vertices": flat}), 0.2)
