"""A proof beside the part: clear of all that comes, told again by geometry, and held to what is stated."""

from dataclasses import replace

import numpy as np
import pytest

from certificate_part import part
from mend_workshop import PROGRAMS, filament, machine, program_of
from pliant.job.job import job_of
from pliant.job.proof import LAGS, pad_min, pads_of, proof_bead, proof_lag_s
from pliant.job.tonight import proved
from pliant.mending.pad import CLEAR_MM, Ground, ground_of, lay_pad, room_in
from pliant.program.beside import APART_MM, find_proof, moves_of, near_lines, without_moves
from pliant.program.outline import bead_lines
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.proving.certificate import BEADS, PROOF, certify
from pliant.records.mending import Intent
from pliant.records.program import BEAD

_REACH = ((0.0, 0.0, 0.0), (200.0, 200.0, 180.0))
_OVER = 1.5


class Laid:
    """A program, the same with a proof, and what the proof may take."""

    def __init__(self, folder, text, *, over=_OVER, reach=_REACH, dialect="auto"):
        self.program = program_of(folder, text, dialect=dialect)
        self.job = job_of(self.program, machine(), filament())
        edits = Edits.none(self.program)
        self.changes, self.mm, self.flow, self.why = lay_pad(self.job, edits, over, reach)
        self.path = folder / "padded.gcode"
        rewrite(self.program, edits, self.path)
        self.intent = Intent(proof_mm=self.mm, proof_mm3_per_s=self.flow)

    def proved(self, lines=None, *, reach=_REACH, **intent):
        mended = self.path
        if lines is not None:
            mended = self.path.with_name("damaged.gcode")
            mended.write_text("\n".join(lines) + "\n")
        found = certify(self.program.path, mended, replace(self.intent, **intent), reach_mm=reach)
        return {o.obligation: o.figure for o in found.obligations if not o.holds}

    def lines(self):
        return self.path.read_text().splitlines()


@pytest.fixture(scope="module")
def laid(tmp_path_factory):
    return Laid(tmp_path_factory.mktemp("pad"), part(3))


@pytest.mark.parametrize("name", PROGRAMS)
@pytest.mark.parametrize("absolute", [None, "G20"])
def test_roundtrip_a_pad_is_laid_certified_and_told_again(tmp_path, name, absolute):
    laid = Laid(tmp_path, PROGRAMS[name]() if absolute is None else part(3, absolute=True, unit=25.4, flow=90))
    assert laid.changes and not laid.why
    assert laid.proved() == {}
    job = job_of(read_program(laid.path), machine(), filament())
    # the part is what it was, to the digits that were written
    for field in ("kind", "point_mm", "length_mm", "speed_mm_per_s"):
        np.testing.assert_allclose(getattr(job.program, field), getattr(laid.program, field), atol=2e-3, rtol=1e-6)
    np.testing.assert_allclose(job.program.filament_mm, laid.program.filament_mm, atol=2e-4)
    told = proved(job)
    assert told is not None and told.laid and told.jam_probability_after < told.jam_probability
    assert told.flow_over_worst == pytest.approx(_OVER, rel=0.12)
    # held for as long as was asked, and laid once
    z = job.proof.program.point_mm[1:, 2]
    bead = job.proof.program.kind == BEAD
    counts = bead & (z > z[bead].min() + 1.5 * proof_bead(job).gap_mm)
    assert job.proof.laying.timing.move_s[counts].sum() >= 0.95 * LAGS * proof_lag_s(job, told.flow_over_worst)
    # what it was reckoned to take, but for the way there and its turns
    assert 60 * float(pad_min(laid.job, [1.0], _OVER)[0]) == pytest.approx(60 * told.minutes, rel=0.3, abs=6.0)
    assert "begins with one" in lay_pad(job, Edits.none(job.program), _OVER, _REACH)[3]


def test_limit_the_pad_tried_first_is_the_one_that_is_laid_soonest(laid):
    job, bead = laid.job, proof_bead(laid.job)
    for held in (0.5, 5.0, 30.0, 90.0):
        pads = pads_of(job, bead, bead.flow_mm3_per_s, held)
        holds = [pad.layers * pad.layer_mm * bead.section_mm2 / bead.flow_mm3_per_s for pad in pads]
        assert pads and min(holds) >= held * 0.999
        long = [pad for pad in pads if pad.side_mm == pads[0].side_mm or pad.side_mm > 20]
        assert (2 + pads[0].layers) * pads[0].layer_mm == min((2 + pad.layers) * pad.layer_mm for pad in long)


def test_limit_the_pad_is_clear_of_beads_and_of_what_is_lower(laid):
    whole = read_program(laid.path)
    first, last = find_proof(whole)
    lines = bead_lines(whole, first + np.flatnonzero(whole.kind[first:last] == BEAD))
    top = whole.point_mm[first:last, 2][whole.kind[first:last] == BEAD].max()
    later = np.arange(last, whole.kind.size)
    low = later[(np.minimum(whole.point_mm[later, 2], whole.point_mm[later + 1, 2]) < top - 0.01)]
    assert near_lines(whole, low, lines, CLEAR_MM - 0.01).size == 0
    assert near_lines(whole, later[whole.kind[later] == BEAD], lines, CLEAR_MM - 0.01).size == 0
    again = without_moves(whole, first, last)
    assert moves_of(whole, first, last).kind.size + again.kind.size == whole.kind.size


def test_limit_ordinary_programs_begin_with_no_proof(tmp_path):
    for name, text in PROGRAMS.items():
        assert find_proof(program_of(tmp_path, text(), f"{name}.gcode")) is None
    # two parts, one after the other: nothing goes there and back
    one_by_one = [*part(2)[:-7], *[s.replace("X", "X1") for s in part(2)[14:]]]
    assert find_proof(program_of(tmp_path, one_by_one, "two.gcode")) is None


def _moved(laid, dx, dy):
    """The lines of the pad, moved."""
    out, inside = [], False
    for k, line in enumerate(laid.lines()):
        words = line.split()
        inside = k in laid_lines(laid)
        if inside and words[0] == "G1" and " E" in line:
            words = [
                f"X{float(w[1:]) + dx:.3f}" if w[0] == "X" else f"Y{float(w[1:]) + dy:.3f}" if w[0] == "Y" else w
                for w in words
            ]
        out.append(" ".join(words))
    return out


def laid_lines(laid):
    whole = read_program(laid.path)
    first, last = find_proof(whole)
    return set(range(int(whole.line[first]) - 1, int(whole.line[last]) - 1))


def _pad_line(laid, which=-1):
    return sorted(k for k in laid_lines(laid) if " E" in laid.lines()[k])[which]


def _shifted(laid, word, change):
    lines = laid.lines()
    for k in laid_lines(laid):
        lines[k] = " ".join(
            f"{word}{change(float(w[1:])):.5f}" if w[0] == word and ("E" in lines[k] or word == "Z") else w
            for w in lines[k].split()
        )
    return lines


def _inserted(laid, at, *new):
    return [*laid.lines()[:at], *new, *laid.lines()[at:]]


def test_limit_damage_to_a_pad_is_caught(laid):
    whole = read_program(laid.path)
    first, last = find_proof(whole)
    x0, y0 = whole.point_mm[first + 1, :2]
    part_line = int(whole.line[last]) - 1
    # on the part: it is not apart, so that its beads are beads too many
    assert {BEADS, PROOF} <= set(laid.proved(_moved(laid, 20 - x0, 20 - y0)))
    # out of the reach
    assert "beyond the machine's reach" in laid.proved(reach=((0, 0, 0), (y0, y0, 100)))[PROOF]
    # a travel of the part at the first layer's height, over the pad, there and back
    over = [f"G0 X{x0 + 5:.3f} Y{y0 + 1:.3f} F7200"]
    lines = laid.lines()
    raised = next(k for k in range(part_line + 1, len(lines)) if lines[k].startswith("G0"))
    wrong = laid.proved([*lines[:raised], *over, *lines[raised:]], may_reroute=True)
    assert "travel lower than it is high" in wrong[PROOF]
    # more filament, more flow, hotter, before the heat is there
    assert "stated are" in laid.proved(proof_mm=0.9 * laid.mm)[PROOF]
    assert "mm³/s; stated" in laid.proved(proof_mm3_per_s=0.9 * laid.flow)[PROOF]
    assert PROOF in laid.proved(_shifted(laid, "F", lambda f: 1.3 * f))
    hot = _inserted(laid, part_line, "M104 S220")
    hot.insert(_pad_line(laid, 0), "M104 S245")
    assert "°C" in laid.proved(hot, nozzle_c=(200, 250))[PROOF]
    assert laid.proved(_inserted(laid, _pad_line(laid, 0), "M104 S245"), nozzle_c=(210, 230))
    assert "wait" in laid.proved(_inserted(laid, part_line, "M109 S220"))[PROOF]
    # a retraction inside, or no way back to where the part begins
    assert PROOF in laid.proved(_inserted(laid, _pad_line(laid, 3), "G1 E-1 F1800"))
    assert PROOF in laid.proved([line for k, line in enumerate(lines) if k not in (part_line - 1, part_line - 2)])
    # the part's own beads as before: one more there is none of the proof's business
    assert laid.proved(_inserted(laid, part_line + 2, "G1 E0.5 F300"))
    # lower than the first layer
    assert PROOF in laid.proved(_shifted(laid, "Z", lambda z: z - 0.15)) or BEADS in laid.proved()


def test_limit_what_is_not_stated_is_refused(laid):
    found = certify(laid.program.path, laid.path, Intent(), reach_mm=_REACH)
    assert not found.certified


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        (["G91", "G1 Z0.2 F600", "G1 X20 E0.7 F1800", "G1 Y20 E0.7"], "relative"),
        (["G90", "G1 Z9 F600", "G1 X20 E0.7 F1800", "G1 Y20 E0.7"], "no first layer on the bed"),
        (["G90", "G1 Z0.2 F600", "G1 X20 Z0.3 E0.7 F1800", "G1 Y20 E0.7"], "climbs"),
        (["G90", "G1 Z0.2 F600", "G1 X20 E0.7 F1800 G1 Y20 E0.7"], "shares its line"),
    ],
    ids=["relative", "high", "climbs", "shared"],
)
def test_limit_no_pad_is_said_in_one_line(tmp_path, lines, why):
    laid = Laid(
        tmp_path,
        ["G21", "G90", "M83", "G28", "M109 S220", "G1 X0 Y0 F1800", "G1 X10 Y5", *lines],
        dialect="many-per-line",
    )
    assert laid.changes == [] and why in laid.why and "\n" not in laid.why
    assert laid.path.read_bytes() == (tmp_path / "in.gcode").read_bytes()


def test_limit_a_smaller_pad_then_none(tmp_path):
    """Less and less ground: the pad shrinks, never leaves it, and at last is not laid."""
    found = []
    for deep in (90.0, 42.0, 33.0):
        folder, reach = tmp_path / f"{deep:g}", ((0.0, 12.0, 0.0), (60.0, deep, 100.0))
        folder.mkdir()
        laid = Laid(folder, part(2), over=2.5, reach=reach)
        found.append(laid.mm)
        assert ("no room" in laid.why) == (laid.mm == 0)
        assert laid.proved(reach=reach) == {} or not laid.mm
    assert found[0] > 0 and found[-1] == 0 and found == sorted(found, reverse=True)


def test_limit_room_is_found_where_there_is_some_and_near():
    taken = np.zeros((40, 60), dtype=bool)
    ground = Ground(taken, np.array([0.0, 0.0]), np.array([59.0, 39.0]), 1.0)
    x, y = room_in(ground, (20.0, 5.0), np.array([30.0, 20.0]))
    assert abs(x + 10 - 30) <= 1 and abs(y + 2.5 - 20) <= 1
    taken[:, 25:35] = True
    x, _ = room_in(ground, (20.0, 5.0), np.array([30.0, 20.0]))
    assert x + 20 <= 25 or x >= 35
    taken[10::12] = True
    taken[5::12] = True
    assert room_in(ground, (20.0, 7.0), np.array([30.0, 20.0])) is None


def test_limit_ground_is_shut_by_travel_below_the_top(tmp_path):
    program = program_of(tmp_path, part(3))
    first = int(np.argmax(program.kind == BEAD))
    ground = ground_of(program, first, 0.6, 0.2, _REACH)
    x, y = ((np.array([35.0, 15.0]) - ground.low_mm) / ground.cell_mm).astype(int)
    assert ground.taken[y, x], "the way between the islands runs at the height of a layer"
    assert not ground.taken[-1, -1]
    assert ground_of(program, first, 0.6, 0.2, ((0, 0, 0), (200, 200, 0.7))) is None
    assert APART_MM < CLEAR_MM
