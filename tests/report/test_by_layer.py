"""The sentence that says where it would jam."""

from types import SimpleNamespace

from pliant.records.findings import LayerShare
from pliant.report.by_layer import layer_drawing, layer_words


def _rows(*shares, wide=1):
    return tuple(LayerShare(k * wide, (k * wide, (k + 1) * wide - 1), 0.2 * (k + 1), s) for k, s in enumerate(shares))


def _said(*shares, **more):
    return layer_words(SimpleNamespace(jam_by_layer=_rows(*shares, **more)))


def test_first_layer_and_the_shortest_stretch_that_holds_half_of_the_rest():
    assert _said(0.1, 0.1, 0.1) == "if it gives, most likely in layer 1 (1 in 3) or in layer 2 (1 in 3)"
    assert _said(0.02, 0.001, 0.033, 0.03, 0.001) == (
        "if it gives, most likely in layer 3 (2 in 5) or in layer 1 (1 in 4)"
    )
    assert _said(0.2, 0.0, 0.0) == "if it gives, most likely in layer 1 (nearly certain)"
    assert _said(0.0, *[0.01] * 10) == "if it gives, most likely in layers 2–6 (1 in 2)"
    assert _said(0.0, 0.1, 0.2, wide=3) == "if it gives, most likely in layers 7–9 (2 in 3)"


def test_nothing_is_said_or_drawn_of_one_layer_or_no_jam():
    assert _said(0.4) == _said() == _said(0.0, 0.0) == ""
    assert layer_drawing(_rows(0.4)) is None
    assert layer_drawing(()) is None
    wide, narrow = layer_drawing(_rows(0.3, 0.1))
    assert wide.count("<rect") == narrow.count("<rect") == 2  # bars
