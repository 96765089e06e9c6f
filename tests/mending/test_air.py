"""Travel that the finished part hides goes straight and needs no retraction, unless it loses too much or all shows."""

import numpy as np
import pytest

from mend_workshop import filament, judged, machine, program_of
from other_writers import posts_in_a_box
from pliant.mending.air import MOST_LOST_MM3, air_that_counts
from pliant.workflows.mend import mend

GAP_MM = 6 - 0.45


@pytest.fixture
def boxed(tmp_path):
    return judged(program_of(tmp_path, posts_in_a_box(floor=3, walls=6, roof=3)))


def _split(case, speed=None, **more):
    laying = case.job.laying
    speed = case.program.speed_mm_per_s if speed is None else speed
    return air_that_counts(laying, case.leads, np.broadcast_to(speed, case.program.kind.size), **more)


def test_limit_what_counts_and_what_is_hidden_make_all_of_it(boxed):
    air, open_mm = _split(boxed, 10.0), boxed.coverage.open_mm
    assert air.counts_mm + air.hidden_mm == pytest.approx(open_mm)
    assert air.hidden_mm.sum() >= 6 * (GAP_MM - 0.1)
    assert air.counts_mm.min() >= 0
    whole = _split(boxed, 10.0, all_shows=True)
    assert whole.counts_mm == pytest.approx(open_mm)
    assert whole.hidden_mm.sum() == 0


def test_limit_what_would_lose_too_much_counts(boxed):
    """The bound by hand: a bead of 0.45 by 0.2 mm at v feeds so much, for as long as its travel hides."""
    area = (0.45 - 0.2) * 0.2 + np.pi / 4 * 0.2**2
    k = int(np.argmax(boxed.leads.sums(_split(boxed, 1.0).hidden_mm)))
    lead = boxed.leads[k]
    moves = np.arange(lead.first, lead.last)
    hidden = _split(boxed, 1.0).hidden_mm[moves]
    way = (boxed.coverage.open_mm + boxed.coverage.covered_mm)[moves]
    seconds = (boxed.job.laying.timing.move_s[moves] * hidden / np.maximum(way, 1e-9)).sum()
    limit = MOST_LOST_MM3 / (area * seconds)
    assert _split(boxed, 0.99 * limit).hidden_mm[moves].sum() == pytest.approx(hidden.sum())
    assert _split(boxed, 1.01 * limit).hidden_mm[moves].sum() == 0


def test_roundtrip_a_box_is_mended_straight_across_its_cavity(tmp_path):
    path, pair = tmp_path / "box.gcode", (machine("bench-2"), filament("95A"))
    path.write_text("\n".join(posts_in_a_box(floor=3, walls=6, roof=3)) + "\n")
    done = {
        shows: mend(path, *pair, output=tmp_path / f"{shows}.gcode", all_shows=shows, passes=("flow", "retract"))
        for shows in (False, True)
    }
    hidden, shown = done[False], done[True]
    assert hidden.certificate.certified
    assert hidden.after.facts.seen_travel_mm == pytest.approx(shown.after.facts.seen_travel_mm)
    assert hidden.after.facts.strings - hidden.after.facts.seen_strings >= 6
    why = [c.why for c in hidden.changes]
    assert sum("shut in the finished part" in text for text in why) >= 6
    assert not any("shut in the finished part" in c.why for c in shown.changes)
    again = mend(tmp_path / "False.gcode", *pair, output=tmp_path / "again.gcode", passes=("flow", "retract"))
    assert not again.changes
