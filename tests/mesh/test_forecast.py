"""The forecast on parts whose answer can be counted by hand."""

from dataclasses import replace

import numpy as np
import pytest

from mesh import shapes
from pliant.mesh.forecast import foresee
from pliant.mesh.orient import best_orientations
from pliant.mesh.repair import half_edge_twins
from pliant.mesh.turning import rotation_to
from pliant.mesh.unite import united
from pliant.records.part import Mesh, Printing
from pliant.report.part import duration

JOB = Printing(
    layer_height_mm=0.2,
    bead_width_mm=0.45,
    walls=3,
    flow_mm3_per_s=2.0,
    flow_even_mm3_per_s=4.0,
    travel_mm_per_s=120.0,
    lift_mm_per_s=10.0,
    side_force_n=0.005,
    side_force_spread=3.0,
    youngs_modulus_mpa=33.0,
    modulus_spread=1.25,
    printed_factor=1.0,
    wobble_limit_mm=0.11,
    ledge_limit_mm=0.5,
    bridge_limit_mm=10.0,
    filament_diameter_mm=1.75,
    density_kg_per_m3=1200.0,
)


def _foresee(*solids, job=JOB):
    v, f = shapes.joined(*solids)
    mesh = united(Mesh(v, f, "x", "made", "mm", len(solids), 0, (), ()))
    stand = replace(best_orientations(mesh, 0.2, directions=20)[0][0], needs_support=False, longest_ledge_mm=0.0,
                    rotation=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))  # fmt: skip
    return foresee(mesh.vertices, mesh.faces, half_edge_twins(mesh.faces), stand, job)


def test_limit_a_block_is_continuous_and_good():
    got = _foresee(shapes.box())
    assert got.verdict == "good"
    assert (got.layers, got.islands_most, got.open_travels, got.strings_expected) == (100, 1, 0, 0)
    assert got.bead_mm3 == pytest.approx(8000)
    # 8000 mm3 at 2 mm3/s, 399 hops of 0.9 mm at 120 mm/s, 20 mm of lift at 10 mm/s
    assert got.time_s == pytest.approx(4000 + 399 * 0.9 / 120 + 2)
    assert got.time_even_s == pytest.approx(2000 + 399 * 0.9 / 120 + 2)
    # every layer follows on from the one below: the whole part is one run
    assert got.longest_run_mm == pytest.approx(8000 / ((0.45 - 0.2) * 0.2 + np.pi * 0.01))
    assert got.longest_run_s == pytest.approx(4000)
    assert got.soft_features == ()
    assert got.changes == ()


def test_limit_two_blocks_cost_one_open_travel_a_layer():
    got = _foresee(shapes.box(), shapes.box(at=(30, 0, 0)))
    assert got.open_travels == 100
    assert got.open_travel_mm == pytest.approx(100 * 10)
    assert got.strings_expected == 100
    assert got.covered_travels == 2 * 3 * 100 + 99
    assert got.verdict == "workable"
    # a layer may begin on the island where the last one ended: two layers of one block in one run
    assert got.longest_run_s == pytest.approx(2 * 400 * 0.2 / 2.0, rel=0.01)


def test_limit_a_forest_of_thin_posts_is_poor_and_says_what_would_help():
    posts = [shapes.cylinder(1.5, 35, 24, (x, y, 2.9)) for x in (6, 18, 30, 42) for y in (6, 18, 30, 42)]
    got = _foresee(shapes.box(48, 48, 3), *posts)
    assert got.verdict == "poor"
    assert "forest of thin posts" in got.reasons[0]
    assert got.islands_most == 16
    assert len(got.soft_features) == 16
    assert any("thick" in c for c in got.changes)
    assert any("web" in c for c in got.changes)
    # the tree over a 4 x 4 grid has 15 gaps of about 12 - 3 mm
    open_layers = got.open_travels / 15
    assert got.open_travel_mm / open_layers == pytest.approx(15 * 9, rel=0.02)
    assert _foresee(shapes.box(48, 48, 3), *posts, job=replace(JOB, side_force_n=1e-6)).soft_features == ()


def test_limit_no_flow_is_poor_and_says_so():
    got = _foresee(shapes.box(), job=replace(JOB, flow_mm3_per_s=None, flow_even_mm3_per_s=None))
    assert got.verdict == "poor"
    assert "no flow" in got.reasons[0]
    assert got.time_s is None
    assert got.longest_run_s is None


def test_limit_overlapping_shells_are_taken_as_one():
    v, f = shapes.joined(shapes.box(), shapes.box(at=(10, 0, 0)))
    one = united(Mesh(v, f, "x", "made", "mm", 2, 0, (), ()))
    assert one.shells == 1
    assert any("2 shells that overlap" in n for n in one.notes)
    v, f = shapes.joined(shapes.box(), shapes.box(at=(30, 0, 0)))
    apart = Mesh(v, f, "x", "made", "mm", 2, 0, (), ())
    assert united(apart) is apart
    inner, faces = shapes.box(5, 5, 5, (7, 7, 7))
    v, f = shapes.joined(shapes.box(), (inner, faces[:, ::-1]))
    hollow = united(Mesh(v, f, "x", "made", "mm", 2, 0, (), ()))
    from pliant.mesh.repair import mesh_volume_mm3

    assert mesh_volume_mm3(hollow.vertices, hollow.faces) == pytest.approx(8000 - 125)


def test_limit_size_time_and_spool_enter_the_verdict():
    # failed before: a solid cube of 254 mm was "a good idea", 14,357.1 h
    cube = _foresee(shapes.box(254, 254, 254))
    assert cube.verdict == "poor"
    assert cube.filament_g == pytest.approx(254**3 * 1.2e-3)
    assert cube.filament_m == pytest.approx(254**3 / (np.pi / 4 * 1.75**2) / 1000)
    assert "95 days" in " ".join(cube.reasons)
    assert "19.7 kg of filament" in " ".join(cube.reasons)
    assert any("hollow it" in c for c in cube.changes)
    days = _foresee(shapes.box(100, 60, 60))  # 360 cm3, 50 h at 2 mm3/s
    assert days.verdict == "workable"
    assert "2.1 days" in " ".join(days.reasons)


def test_limit_times_are_told_in_units_a_person_counts_in():
    said = [duration(s) for s in (90, 3000, 5 * 3600, 40 * 3600, 4.5 * 86400, 25 * 86400, 14357.1 * 3600, 1e9)]
    assert said == ["90 s", "50 min", "5 h", "40 h", "4.5 days", "25 days", "20 months", "32 years"]


def test_limit_a_tip_that_leaves_its_bead_is_poor_and_one_that_may_is_told():
    post = shapes.box(40, 40, 5), shapes.box(5, 5, 41, (2, 30, 4))
    lost, soft, maybe = (_foresee(*post, job=replace(JOB, side_force_n=n)) for n in (0.06, 0.02, 0.002))
    assert lost.soft_features[0].deflection_mm > 0.45
    assert (lost.verdict, "misses it" in " ".join(lost.reasons)) == ("poor", True)
    assert (soft.verdict, "will wobble" in " ".join(soft.reasons)) == ("workable", True)
    # failed before: "good", nothing said
    assert maybe.soft_features[0].wobble_mm is None
    assert "may wobble" in " ".join(maybe.reasons)
    # the place as drawn, not from the middle of the turned part
    s = lost.soft_features[0]
    assert (s.x_mm, s.y_mm, s.z_mm) == pytest.approx((4.5, 32.5, 45.0), abs=0.3)


def test_limit_places_are_those_of_the_file_however_it_stands():
    v, f = shapes.joined(shapes.box(40, 40, 5), shapes.box(5, 5, 41, (2, 30, 4)))
    up = (1.0, 0.0, 0.0)
    lying = v[:, [2, 1, 0]] * [1, -1, 1] + [7, 3, 11]  # x of the file is where it stood up
    mesh = united(Mesh(lying, f, "x", "made", "mm", 2, 0, (), ()))
    stand = replace(best_orientations(mesh, 0.2, directions=6)[0][0], rotation=tuple(map(tuple, rotation_to(up))))
    got = foresee(mesh.vertices, mesh.faces, half_edge_twins(mesh.faces), stand, replace(JOB, side_force_n=0.06))
    s = got.soft_features[0]
    assert (s.x_mm, s.y_mm, s.z_mm) == pytest.approx((45 + 7, -32.5 + 3, 4.5 + 11), abs=0.3)
