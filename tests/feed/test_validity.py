"""What is taken at the end of a range is counted over the draws and told, each with a record that makes it certain."""

import re
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pliant.checks import among_draws, counted, note_outside, warn_outside
from pliant.errors import ValidityWarning
from pliant.feed import chain, ends, validity
from pliant.feed.envelope import Groups
from pliant.feed.validity import outside
from pliant.models import column, drive, guide, lag, melting
from recipes import filament, machine


def _groups(gap_mm=0.2, first=True, nozzle_c=220.0):
    one = np.array([0.45])
    return Groups(
        np.zeros(1, np.int32), np.zeros(1, np.int64), np.array([nozzle_c]), one, np.array([gap_mm]), np.array([first]),
        np.array([600.0]),
    )  # fmt: skip


def _told(groups=None, like="open-gap", spool="85A", m=None, f=None):
    rig, soft = machine(like), filament(spool)
    for name, value in (m or {}).items():
        rig = replace(rig, **{name: replace(getattr(rig, name), value=value)})
    for name, value in (f or {}).items():
        soft = replace(soft, **{name: replace(getattr(soft, name), value=value)})
    return {v["note"]: v["share"] for v in outside(groups or _groups(), rig, soft)}


def _share(told, words):
    found = [share for note, share in told.items() if words in note]
    assert len(found) <= 1
    return found[0] if found else 0.0


def test_limit_every_clamp_of_the_chain_is_counted():
    assert _share(_told(m={"cone_half_angle_deg": 60.0}), ends.STEEP) == 1.0
    assert _share(_told(m={"cone_half_angle_deg": 15.0}), ends.STEEP) < 0.01
    assert _share(_told(f={"half_strain": 0.001}), ends.SOFTENED) > 0.9
    assert _share(_told(f={"half_strain": 10.0}), ends.SOFTENED) == 0.0
    assert _share(_told(f={"flow_index": 3.0}), "index was drawn above 1") > 0.9
    assert _share(_told(f={"youngs_modulus_mpa": 0.5}), ends.TOO_DEEP) == 1.0
    assert _share(_told(f={"soften_c": 300.0}), "no hotter than what softens") == 1.0


def test_limit_a_gap_that_touches_the_bed_and_one_that_is_not_full_are_counted():
    assert _share(_told(_groups(0.02, first=False)), ends.ON_THE_BED) == 1.0
    assert _share(_told(_groups(0.2, first=False)), ends.ON_THE_BED) == 0.0
    # the bed's error is drawn: of a first layer of 0.1 mm some draws stand on the bed, of one of 0.4 mm none
    some, none = (_share(_told(_groups(gap)), ends.ON_THE_BED) for gap in (0.1, 0.4))
    assert 0 < some < 0.5 and none == 0.0
    # a bead twice as low as its gap leaves half of it empty
    theta = chain.central(machine("open-gap"), filament("85A"))
    with counted() as heard:
        chain.dam_ratio(0.45, 0.4, theta, 0.2)
        chain.dam_ratio(0.45, 0.2, theta, 0.2)
    assert [bool(np.all(where)) for note, where in heard if note == ends.NOT_FULL] == [True, False]


def test_limit_what_is_counted_does_not_warn_and_what_is_not_does():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with among_draws():
            warn_outside(np.array([True]), "x")
            note_outside(True, "y")
        note_outside(True, "y")
        with counted() as heard, among_draws():
            warn_outside(np.array([True, False]), "x")
            note_outside(True, "y")
    assert [note for note, _ in heard] == ["x", "y"]
    with pytest.warns(ValidityWarning, match="x"):
        warn_outside(True, "x")


def test_regression_every_wording_is_of_a_message_that_a_model_has():
    texts = "".join(
        re.sub(
            r"\{(_\w+)\}", lambda m, module=module: str(getattr(module, m[1])), Path(module.__file__).read_text("utf-8")
        )
        for module in (column, drive, guide, lag, melting)
    )
    assert all(f'"{starts}' in texts for starts in validity._IN_WORDS)


def test_regression_no_model_of_the_chain_is_silenced():
    """Whoever silences a warning hears of it in `validity`: no filter stands in the rooms that decide a verdict."""
    texts = [path.read_text(encoding="utf-8") for path in Path(chain.__file__).parent.glob("*.py")]
    assert len(texts) > 10 and not any("simplefilter" in text for text in texts)
