"""Prints as evidence: the likelihood against simulated prints, its limits, and what the weights leave."""

from dataclasses import replace

import numpy as np
import pytest

from pliant.feed.by_layer import SHIFT
from pliant.feed.draws import tail_draws
from pliant.feed.envelope import Envelope
from pliant.feed.passage import BINS, JOB_SCATTER, WANDER, Passage
from pliant.feed.risk import stated_risk
from pliant.feed.witness import PRACTICE_WEIGHT, WRONG, Seen, Witnesses, log_chance_at, practice_of
from pliant.models.bead import bead_area_mm2
from recipes import filament, machine

AREA = float(bead_area_mm2(0.45, 0.2))


def _stretches(held, then=0.0):
    part = np.zeros((2, BINS.size))
    part[:, 0] = held, then
    return part


def _course(speed, stretches=8.0):
    passage = Passage((0.0,), (stretches,))
    return Envelope.steady([speed * AREA], 220.0, [0.45], [0.2], [False], passage=passage)


def _seen(speed, held, then=0.0, wrong=0.5, course=None):
    return Seen(course or _course(speed), _stretches(0), _stretches(held, then), then > 0, wrong)


def _pair(*seen, practice=None, shore="85A"):
    m, f = machine("open-gap"), filament(shore)
    return m, replace(f, evidence=Witnesses(m, f, seen, practice))


def _jam(speed, m, f):
    return stated_risk(_course(speed), m, f, shares=False)


def test_published_none_the_likelihood_is_the_share_of_simulated_prints():
    """Three stretches of first layer under a bed that is off, five of the rest, jammed in the last two or never."""
    rng, n = np.random.default_rng(5), 200_000
    own = np.log(WANDER)
    job = np.sqrt(np.log(JOB_SCATTER) ** 2 - own**2) * rng.standard_normal((n, 1))
    three = rng.choice(3, size=(n, 1), p=[1 / 6, 2 / 3, 1 / 6])  # the points and weights of the bed
    bed = np.array([-0.1, 0.0, 0.1])
    margin = np.hstack([0.12 + bed[three], 0.12 + bed[three], 0.12 + bed[three], np.full((n, 5), 0.05)])
    jams = margin + job + own * rng.standard_normal((n, 8)) < 0
    jammed_late = (~jams[:, :6].any(axis=1) & jams[:, 6:].any(axis=1)).mean()
    fed = (~jams.any(axis=1)).mean()
    first, rest = 0.12 + bed[None, :], np.array([0.05])

    def chance(seen):
        return float(np.exp(log_chance_at(seen, first, rest, 0.0))[0])

    blank = _course(10.0)
    late = Seen(blank, _stretches(3), _stretches(3, 2), True, 0.5)
    assert chance(late) == pytest.approx(jammed_late, rel=0.02)
    assert chance(Seen(blank, _stretches(3), _stretches(5), False, 0.5)) == pytest.approx(fed, rel=0.01)


def test_limit_a_wrong_record_costs_no_more_than_its_stated_chance():
    sure = np.full((1, 3), SHIFT[-1]), np.full(1, SHIFT[-1])
    jam = float(np.exp(log_chance_at(_seen(10.0, 3, 2, wrong=0.2), *sure))[0])
    assert jam == pytest.approx(WRONG * 0.2, rel=1e-6)
    fed = float(np.exp(log_chance_at(_seen(10.0, 5), *sure))[0])
    assert fed == pytest.approx(1 - WRONG + WRONG * 0.5, rel=1e-6)


def test_limit_a_print_that_was_fed_lowers_the_chance_and_a_jam_raises_it():
    m, f = _pair()
    plain = _jam(10.0, m, f).probability
    fed = [_jam(10.0, *_pair(*[_seen(10.0, 8)] * k)) for k in (1, 3)]
    jam = [_jam(10.0, *_pair(*[_seen(10.0, 0, 8)] * k)) for k in (1, 3)]
    assert plain > fed[0].probability > fed[1].probability
    assert plain < jam[0].probability < jam[1].probability
    assert all(r.without["prints"] == pytest.approx(plain, rel=1e-9) for r in (*fed, *jam))
    # fed at three times the flow says more, at a third of it less
    by_speed = [_jam(10.0, *_pair(_seen(v, 8))).probability for v in (3.0, 10.0, 30.0)]
    assert by_speed == sorted(by_speed, reverse=True)


def test_limit_one_wrong_record_among_six_does_not_ruin_what_they_say():
    right = [_seen(10.0, 8)] * 5
    m, f = _pair()
    plain, good = _jam(10.0, m, f).probability, _jam(10.0, *_pair(*right)).probability
    spoiled = _jam(10.0, *_pair(*right, _seen(10.0, 0, 8))).probability
    assert good < spoiled < plain


def test_limit_no_stretch_says_nothing():
    m, f = _pair()
    told = _jam(10.0, *_pair(_seen(10.0, 0)))
    assert told.probability == pytest.approx(_jam(10.0, m, f).probability, rel=1e-9)


def test_weights_are_those_of_a_chain_over_the_same_unknowns():
    """The mean push margin under the weights is that of plain draws, kept or thrown away by the likelihood."""
    m, f = _pair(_seen(20.0, 8), _seen(40.0, 2, 4))
    d = tail_draws(m, f, 8000, 3)
    said = f.evidence.at(d.theta)["prints"]
    plain = tail_draws(m, replace(f, evidence=None), 8000, 4)
    chance = np.exp(f.evidence.at(plain.theta)["prints"])[plain.plain]
    kept = np.random.default_rng(1).random(chance.size) < chance / chance.max()
    by_hand = np.log(plain.theta["model_factor"])[plain.plain][kept].mean()
    ours = d.mean(np.log(d.theta["model_factor"]))[0]
    error = np.log(plain.theta["model_factor"])[plain.plain][kept].std() / np.sqrt(kept.sum())
    assert abs(ours - by_hand) < 4 * error
    assert said.shape == (8000,)
    assert 0 < d.effective < 8000
    # picked draws are as the weights say
    picked = np.log(d.theta["model_factor"])[d.plain].mean()
    assert abs(picked - ours) < 4 * error


def test_the_trade_moves_the_answer_only_where_it_is_asked_and_has_a_word():
    m, f = _pair()
    plain = _jam(15.0, m, f)
    assert plain.without == {}
    heard = _jam(15.0, *_pair(practice=PRACTICE_WEIGHT))
    assert heard.probability < plain.probability
    assert heard.without["practice"] == pytest.approx(plain.probability, rel=1e-9)
    full = _jam(15.0, *_pair(practice=1.0)).probability
    assert full < heard.probability
    soft = _pair(practice=PRACTICE_WEIGHT, shore="75A")
    assert practice_of(filament("75A")) is None
    assert _jam(15.0, *soft).without == {}
