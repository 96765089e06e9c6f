"""What shows of travel over air: boxes, cups and holes whose answer is plain, and files that cannot be told."""

import numpy as np
import pytest

from other_writers import posts_in_a_box
from pliant.job.laying import Laying
from pliant.program import sight as sight_of
from pliant.program.read import read_program
from pliant.program.sheets import draw_sheets
from pliant.program.sight import COARSEST_MM, FINEST_MM, find_sight

GAP_MM = 6 - 0.45  # between the posts, over air


def _found(tmp_path, lines):
    path = tmp_path / "p.gcode"
    path.write_text("\n".join(lines) + "\n")
    laying = Laying(read_program(path), 1.75)
    laid = laying.program, laying.layering, laying.sections.width_mm, laying.coverage
    return find_sight(*laid), laying


def _between_posts(sight, laying):
    """Open and shown length of the threads from post to post. [mm]"""
    x, layer = sight.piece_mm, laying.layering.layer[sight.move]
    mine = (x[:, [0, 2]].min(axis=1) > 27.1) & (x[:, [0, 2]].max(axis=1) < 32.9) & (x[:, 1] == 28.0) & (layer > 1)
    return sight.length_mm[mine].sum(), (sight.length_mm * sight.shows)[mine].sum()


def test_limit_a_sealed_cavity_hides_what_hangs_in_it(tmp_path):
    sight, laying = _found(tmp_path, posts_in_a_box())
    whole, seen = _between_posts(sight, laying)
    assert whole == pytest.approx(5 * GAP_MM, abs=0.1)
    assert seen == 0
    assert sight.cell_mm == FINEST_MM
    assert sight.strings(1.0).size < laying.coverage.strings(1.0).size
    assert sight.length_mm.sum() == pytest.approx(laying.coverage.open_mm.sum())
    assert np.all(sight.seen_mm(laying.program.kind.size) <= laying.coverage.open_mm + 1e-9)


def test_limit_facts_and_drawings_tell_hidden_and_shown_apart(tmp_path):
    sight, laying = _found(tmp_path, posts_in_a_box())
    facts = laying.facts()
    assert facts.seen_travel_mm == pytest.approx(sight.seen_mm(laying.program.kind.size).sum())
    assert facts.open_travel_mm - facts.seen_travel_mm > 4.9 * GAP_MM
    assert facts.strings - facts.seen_strings >= 5
    margin = np.full(laying.program.kind.size, 8.0)
    laid = laying.program, laying.layering, laying.coverage, sight, margin
    (sheet,) = draw_sheets(*laid, chosen=[4])
    open_, hidden = (np.hypot(*(part[:, 2:] - part[:, :2]).T).sum() for part in (sheet.open, sheet.hidden))
    assert hidden > GAP_MM - 0.1
    assert open_ + hidden == pytest.approx(sheet.open_mm, abs=1.0)
    assert sheet.seen_mm == pytest.approx(open_, abs=1.0)
    assert sheet.seen_strings < sheet.strings


@pytest.mark.parametrize(
    "opened",
    [{"roof": 0}, {"missing": (4, 1)}, {"missing": (2, 3)}, {"missing": (6, 0)}],
    ids=["a cup", "a wall bead amiss", "another below", "another above"],
)
def test_limit_a_way_in_lights_all_of_it(tmp_path, opened):
    whole, seen = _between_posts(*_found(tmp_path, posts_in_a_box(**opened)))
    assert whole == pytest.approx(5 * GAP_MM, abs=0.1)
    assert seen == pytest.approx(whole)


def test_limit_posts_outside_are_in_sight_whatever_stands_beside_them(tmp_path):
    sight, _ = _found(tmp_path, posts_in_a_box(outside=True))
    far = sight.piece_mm[:, [0, 2]].min(axis=1) > 60.2
    assert sight.length_mm[far].sum() == pytest.approx(5 * GAP_MM, abs=0.1)
    assert sight.shows[far].all()


def test_limit_the_bed_is_shut(tmp_path):
    whole, seen = _between_posts(*_found(tmp_path, posts_in_a_box(floor=0)))
    assert whole == pytest.approx(3 * GAP_MM, abs=0.1)  # of the five layers, those above the second
    assert seen == 0


def test_limit_a_single_layer_lies_open(tmp_path):
    sight, laying = _found(tmp_path, posts_in_a_box(floor=0, walls=1, roof=0))
    assert sight.shows.all()
    assert sight.length_mm.sum() == pytest.approx(laying.coverage.open_mm.sum())


def test_limit_lifts_and_layers_of_other_heights_beside_it_change_nothing(tmp_path):
    assert _between_posts(*_found(tmp_path, posts_in_a_box(lift=0.4)))[1] == 0
    # a tower of thinner layers, laid afterwards, cuts the slabs of the box
    lines, z = posts_in_a_box(), 0.0
    for _ in range(12):
        z += 0.15
        lines += [f"G1 Z{z:.2f} F600", "G0 X80 Y20 F7200", "G1 X84 E0.11 F1500", "G0 Y24", "G1 X80 E0.11"]
    whole, seen = _between_posts(*_found(tmp_path, lines))
    assert whole > 4 * GAP_MM
    assert seen == 0


def test_limit_what_rises_closes_nothing(tmp_path):
    """A spiral as a roof: nothing tells where it lies, so what is under it counts as showing."""
    lines, z = posts_in_a_box(roof=0), 1.4
    for n, y in enumerate(np.arange(20.45, 33.9, 0.45).tolist()):
        z += 0.006
        lines += [f"G0 X{20.2 if n % 2 == 0 else 39.8} Y{y:.2f}", f"G1 X{39.8 if n % 2 == 0 else 20.2} Z{z:.3f} E0.7"]
    whole, seen = _between_posts(*_found(tmp_path, lines))
    assert whole > 4 * GAP_MM
    assert seen == pytest.approx(whole)


def test_limit_a_program_without_travel_over_air(tmp_path):
    sight, _ = _found(tmp_path, ["M83", "G1 X10 Y10 Z0.2 F900", "G1 X20 E0.4"])
    assert sight.stretch.size == sight.strings(1.0).size == sight.seen_mm(2).sum() == 0


def test_limit_a_part_too_large_for_the_cells_counts_as_showing(tmp_path, monkeypatch):
    lines = posts_in_a_box()
    cells = []
    for most in (10**6, 10**5, 3 * 10**3):
        monkeypatch.setattr(sight_of, "MOST_CELLS", most)
        sight, laying = _found(tmp_path, lines)
        assert sight.length_mm.sum() == pytest.approx(laying.coverage.open_mm.sum())
        cells.append(sight.cell_mm)
    assert cells[0] == FINEST_MM
    assert cells[2] == np.inf
    assert sight.shows.all()
    assert FINEST_MM <= cells[1] <= COARSEST_MM
    # a bead a hundred metres away, and thousands of heights in one bead's
    monkeypatch.undo()
    far, laying = _found(tmp_path, [*lines, "G0 X90000 Y80000", "G1 X90010 E0.4", "G0 X0 Y0 Z5", "G1 X5 E0.2"])
    assert far.cell_mm == np.inf
    many = [word for k in range(150) for word in (f"G1 Z{0.1 + 0.011 * k:.3f}", f"G0 X{k % 9} Y90", "G1 X20 E.05")]
    assert _found(tmp_path, [*lines, *many])[0].cell_mm == np.inf
