"""What to do tonight: limits of the choice, and the moments at which a jam is met."""

import itertools
import re
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from pliant.feed.passage import JOB_SCATTER, ONE
from pliant.feed.tries import best_order, expected_min
from pliant.files import Text
from pliant.job import tonight as tonight_module
from pliant.job.job import job_of
from pliant.job.proof import proof_bead
from pliant.job.tonight import _lost_min, _moments, curves_of, decide, proof_over, weigh_tries
from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.tonight import Choice, Piece, Trying
from pliant.report.check import cause_words, part_words
from pliant.report.tonight import tonight_lines
from pliant.workflows.check import check
from recipes import filament, machine


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    """Rings of 0.45 x 0.2 mm at 45 mm/s, a few layers of them (invented)."""
    rows = ["G21", "G90", "M83", "G28", "M109 S220"]
    for layer in range(1, 9):
        rows += [f"G1 Z{0.2 * layer:.2f} F600"]
        for ring in range(12):
            r, n = 20 - 0.45 * ring, 60
            rows += [f"G0 X{60 + r:.3f} Y60 F7200", f"G1 F{1200 if layer == 1 else 2700}"]
            for j in range(1, n + 1):
                a = 2 * np.pi * j / n
                rows.append(f"G1 X{60 + r * np.cos(a):.3f} Y{60 + r * np.sin(a):.3f} E{2 * np.pi * r / n * 0.034:.5f}")
    path = tmp_path_factory.mktemp("tonight") / "rings.gcode"
    path.write_text("\n".join(rows) + "\n")
    return read_program(path)


def _job(program, shore="85A", **cost):
    return job_of(program, replace(machine("open-gap"), tries=Trying(**cost)), filament(shore))


def _spool(*lines):
    return read_filament(Text("f.toml", "\n".join(['name = "soft"', "shore = 95", *lines]) + "\n"))


def test_regression_a_wall_that_may_be_too_cold_is_set_hotter_before_anything_else(program):
    """A nozzle under the sheet got 'another part in the machine: the nozzle at 215 °C', eight hours away."""
    states = program.states.copy()
    states["nozzle_c"][states["nozzle_c"] > 0] = 180.0
    cold, spool = replace(program, states=states), _spool("nozzle_c = [215, 235]")
    todo = check(cold, machine("guided"), spool)
    told = todo.tonight
    assert todo.unsoftened_probability > 0.4 and told.nozzle_c == 215.0
    assert told.choice == "watched-start" and told.expected_min < machine("guided").tries.hardware_min
    said = "\n".join(tonight_lines(told, cause_words(todo), part=part_words(todo)))
    assert "set the nozzle to 215 °C, then start at" in said and "colder than what softens" not in said
    assert check(program, machine("guided"), spool).tonight.nozzle_c is None


def test_limit_heat_that_may_not_do_is_said_to_be_so(program):
    hot = _spool("nozzle_c = [180, 250]", "soften_c = 250")
    found = check(program, machine("guided"), hot)
    said = "\n".join(tonight_lines(found.tonight, cause_words(found), part=part_words(found)))
    assert said.startswith("tonight     even at 250 °C no speed will do") and "the nozzle at" not in said


def test_regression_the_coldest_wall_is_that_of_the_job_and_not_of_the_sheet(program):
    """A job at 220 °C was told what 190 °C, the middle of its sheet, would do."""
    found = check(program, machine("guided"), _spool("nozzle_c = [150, 230]", "soften_c = 200"))
    assert found.unsoftened_probability < 0.01 and not any("too stiff to lay" in text for text in found.cautions)


@pytest.fixture(scope="module")
def weighed(program):
    return weigh_tries(_job(program), None)


def test_limit_slower_takes_longer_and_jams_less(weighed):
    chance = weighed.draws.mean(weighed.tries.goes_on)
    assert (np.diff(weighed.share) < 0).all() and (np.diff(weighed.time_min) > 0).all()
    assert (np.diff(chance) <= 1e-12).all()
    # travel is not slowed: a tenth of the speed takes less than ten times as long
    assert weighed.time_min[-1] < 10 * weighed.time_min[0]


def test_limit_no_other_plan_is_expected_to_take_less(weighed, program):
    told = decide(weighed, _job(program), None, None)
    curves = curves_of(weighed, _job(program).machine.tries.restart_min)
    assert told.expected_min <= min(told.surest_min, *curves[0].expected_min) + 0.01
    rising = sorted(curves, key=lambda c: c.restart_min)
    assert len({c.restart_min for c in rising}) == len(rising) >= 5
    for cheap, dear in itertools.pairwise(rising):  # a dearer restart never helps, and never makes a first try faster
        assert dear.least_min >= cheap.least_min
        assert all(b >= a - 1e-6 for a, b in zip(cheap.expected_min, dear.expected_min, strict=True))
        assert not dear.places or dear.places[0] >= cheap.places[0]
    assert told.choice in get_args(Choice)
    shares = [t.speed_share for t in told.tries]
    assert shares == sorted(shares, reverse=True)
    assert told.surest_min >= weighed.time_min[-1] * (1 - told.tries[-1].jam_probability)


def test_limit_the_plan_is_as_good_on_draws_that_it_was_not_chosen_by(weighed, program):
    other = weigh_tries(_job(program), None, seed=5)
    assert expected_min(other.tries, weighed.order.places) <= 1.02 * other.order.expected_min


def test_limit_between_two_costs_of_a_restart_the_plans_give_what_choosing_anew_gives(weighed, program):
    """What the page draws while the cost is dragged: each plan a line over it, the curve the least of them."""
    own = _job(program).machine.tries.restart_min
    plans = [plan for curve in curves_of(weighed, own) for plan in curve.plans]
    for restart in (2.0, 9.0, 22.0, 45.0, 90.0):
        dearer = replace(
            weighed.tries, cost_min=weighed.tries.cost_min + weighed.tries.goes_on * (restart - own)
        )  # fmt: skip
        for k in range(0, weighed.share.size, 5):
            told = min(p.spent_min + p.restarts * restart for p in plans if p.places[:1] == (k,))
            assert told == pytest.approx(best_order(dearer, (k,)).expected_min, rel=5e-3)
        least = min(p.spent_min + p.restarts * restart for p in plans)
        assert least == pytest.approx(best_order(dearer).expected_min, rel=5e-3)


def test_limit_endless_restarts_take_the_surest(program):
    w = weigh_tries(_job(program, restart_min=9999.0, hardware_min=1e5), None)
    assert w.order.places == (w.share.size - 1,)


def test_limit_a_cheaper_restart_never_costs_more(program):
    told = [weigh_tries(_job(program, restart_min=r), None).order.expected_min for r in (1.0, 5.0, 15.0, 60.0, 240.0)]
    assert told == sorted(told)


def test_limit_nobody_near_leaves_the_speed_that_meets_the_target(program):
    job = _job(program, looks_in_every_min=None)
    w = weigh_tries(job, 0.2)
    told = decide(w, job, 0.2, None)
    assert [t.speed_share for t in told.tries] == [0.2] and told.choice == "go"
    assert decide(w, job, None, None).choice == "another-part"
    piece = decide(w, job, None, Piece("ladder", 7.0, 30.0))
    assert piece.choice == "piece-first" and piece.tries == () and piece.proof is None and not piece.watched


def test_limit_a_piece_that_costs_more_than_it_saves_is_not_printed(weighed, program):
    assert decide(weighed, _job(program), None, Piece("ladder", 7.0, -1.0)).choice == "watched-start"


def test_limit_where_every_speed_jams_only_another_part_helps(program):
    job = _job(program, "75A")
    w = weigh_tries(job, None)
    certain = replace(w, tries=replace(w.tries, goes_on=np.ones_like(w.tries.goes_on)))
    assert decide(certain, job, None, None).choice == "another-part"


def test_limit_a_certain_jam_is_met_by_first_passage(program):
    """Far over: at the first bead. At the edge: not before the worst moment, and never after the end."""
    moments, total = _moments(_job(program)), np.array([60.0])
    assert moments.share[-1] <= moments.share[0] <= 1 and (np.diff(moments.share) <= 0).all()
    far = np.full((1, 1), -7.0)
    assert _lost_min(ONE, moments, far, total, 1e-9) == pytest.approx(60 * moments.share[-40], abs=1.0)
    edge = np.full((1, 1), 4 * np.log(JOB_SCATTER))
    late = _lost_min(ONE, moments, edge, total, 1e-9) / ONE.chance(edge)
    assert late <= 60 and late >= _lost_min(ONE, moments, far, total, 1e-9)
    # whoever looks in later loses more, nobody all of it
    lost = [float(_lost_min(ONE, moments, far, total, m)[0, 0]) for m in (1.0, 10.0, 60.0, 1e4)]
    assert lost == sorted(lost) and lost[-1] == pytest.approx(60)
    assert _lost_min(ONE, moments, far, total, None) == pytest.approx(60)


def test_limit_first_passage_agrees_with_jobs_drawn_one_by_one(program):
    moments, total = _moments(_job(program)), np.array([60.0])
    z = np.log(JOB_SCATTER) * np.random.default_rng(3).standard_normal(400_000)
    for log_margin in (-0.6, -0.1, 0.0, 0.1):
        over = -log_margin - z
        at = np.interp(over, moments.above, moments.share)
        wanted = np.where(over > 0, np.minimum(60 * at + 5, 60), 0.0).mean()
        found = float(_lost_min(ONE, moments, np.full((1, 1), log_margin), total, 10.0)[0, 0])
        assert found == pytest.approx(wanted, rel=0.03, abs=0.05)


def test_limit_a_proof_leaves_less_than_there_was(weighed, program):
    told = decide(weighed, _job(program), None, None)
    assert told.proof is not None and told.proof.flow_over_worst >= 1 and told.proof.minutes > 0
    assert told.proof.jam_probability_after < told.tries[0].jam_probability


def test_limit_few_jobs_jam_inside_the_part_behind_a_proof_and_fewer_cost_time(program, monkeypatch):
    told = []
    for most in (1.0, tonight_module.INSIDE, 0.02, 0.01):
        monkeypatch.setattr(tonight_module, "INSIDE", most)
        told.append(weigh_tries(_job(program), None).proof)
        assert told[-1].inside_probability <= most
    times = [proof.expected_min for proof in told]
    assert times == sorted(times) and times[0] < times[-1]
    monkeypatch.setattr(tonight_module, "INSIDE", 0.0)  # none at all cannot be had: the fewest
    assert weigh_tries(_job(program), None).proof.inside_probability < told[-1].inside_probability


def test_limit_a_proof_repeats_no_move_that_is_shorter_than_its_digits(tmp_path):
    """A hop of 3 um with a whole line's filament, as a spiral begins with, is no bead of 50 mm2."""
    rows = ["G21", "G90", "M83", "M109 S220", "G1 Z0.2 F600", "G0 X10 Y10 F7200", "G1 F2400"]
    rows += ["G1 X60 E1.7", "G1 X60 Z0.203 E0.06", "G1 Y60 E1.7", "G1 X10 E1.7"]
    (tmp_path / "hop.gcode").write_text("\n".join(rows) + "\n")
    job = _job(read_program(tmp_path / "hop.gcode"))
    assert job.program.length_mm[proof_bead(job).move] > 1 and proof_bead(job).section_mm2 < 0.2


def test_regression_a_proof_of_a_speed_that_hardly_jams_is_weighed_in_minutes(program):
    job = _job(program, "95A")
    w = weigh_tries(job, 0.1)
    assert w.proof.flow_over_worst < 2.5, "where nothing but failing costs, the hardest proof is never the best"
    assert 0 < w.proof.jam_probability_after < 0.05


def test_roundtrip_flat_of_the_tries_is_the_program_written_at_that_speed(weighed, program, tmp_path):
    path = tmp_path / "flat.gcode"
    path.write_text(re.sub(r"\bF(1200|2700)\b", "F900", Path(program.path).read_text()))
    flat = job_of(read_program(path), _job(program).machine, filament("85A"))
    assert weighed.flat.time_s == pytest.approx(flat.course.time_s, rel=1e-9)
    assert weighed.flat.asks.flow_mm3_per_s == pytest.approx(flat.envelope.flow_mm3_per_s, rel=1e-9)


def test_limit_the_proof_before_a_mended_job_is_for_the_speed_written(program):
    job = _job(program)
    assert proof_over(job) in tonight_module._OVER
    slow = job.at(0.5 * program.speed_mm_per_s)
    assert proof_over(slow) == proof_over(job_of(slow.program, job.machine, job.filament))
