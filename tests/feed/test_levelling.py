"""The bed's error is drawn anew with each levelling: it is told, with what helps, and never as a thing to measure."""

from dataclasses import fields, replace

import numpy as np
import pytest

from pliant.feed.envelope import Envelope
from pliant.feed.risk import jam_risk, stated_risk
from pliant.records.findings import Levelling
from pliant.records.quantity import Quantity
from pliant.report.words import levelling_words
from recipes import filament, machine


def _known(record):
    """The same record with every number known."""
    whole = {f.name: getattr(record, f.name) for f in fields(record)}
    return replace(
        record, **{k: replace(q, spread=1.0, assumed=False) for k, q in whole.items() if isinstance(q, Quantity)}
    )


@pytest.fixture(scope="module")
def known():
    m, f = _known(machine("guided")), _known(filament("85A"))
    spans = tuple(replace(_known(s), end_factor=None, column_mix=(0.0, 1e-3)) for s in m.path)
    return replace(m, path=spans), f


def _first_layer(flow):
    return Envelope.steady([flow], 220.0, [0.45], [0.2], [True])


def test_limit_what_is_drawn_anew_is_never_among_what_to_measure(known):
    for pair in (known, (machine("open-gap"), filament("85A"))):
        for risk in (jam_risk(_first_layer(3.0), *pair), stated_risk(_first_layer(3.0), *pair)):
            assert "bed_error_mm" not in risk.shares
            assert sum(risk.shares.values()) + risk.levelling_share == pytest.approx(1.0, abs=0.35)


def test_limit_of_a_known_pair_the_bed_is_most_of_the_doubt_and_of_another_layer_none(known):
    first = jam_risk(_first_layer(3.0), *known)
    assert first.levelling_share > 0.3
    assert Levelling.of(first.levelling_share).share == first.levelling_share
    above = replace(_first_layer(3.0), first_layer=np.array([False]))
    other = jam_risk(above, *known)
    assert other.levelling_share < 0.01
    assert Levelling.of(other.levelling_share) is None


def test_it_is_said_in_words():
    assert levelling_words(Levelling(0.3)) == (
        "how even the bed is makes 30 % of the doubt, anew with each levelling: measure the first gap with a feeler "
        "gauge at five places of the bed, level the bed again, or lay a thicker first layer"
    )
