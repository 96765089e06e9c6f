"""The baseline record: strict, and every default said."""

import pytest

from pliant.errors import RecordError
from pliant.records.baseline import KINDS, read_baseline, with_widths
from pliant.records.starters import RECIPES, starter
from recipes import machine

LEAST = "nozzle_c = 205\nlayer_height_mm = 0.2\n[bead_speed_mm_per_s]\ninfill = 60\n"


def _read(tmp_path, text):
    path = tmp_path / "baseline.toml"
    path.write_text(text, encoding="utf-8")
    return read_baseline(path)


@pytest.mark.parametrize("like", RECIPES)
def test_roundtrip_starter_assumes_nothing(tmp_path, like):
    b = _read(tmp_path, starter("recipe", like))
    assert b.assumed == ()
    assert [b.layer_height_mm, *b.speed_mm_per_s.values(), b.first_speed_mm_per_s] == list(RECIPES[like])


def test_limit_what_is_left_out_is_said(tmp_path):
    b = with_widths(_read(tmp_path, LEAST), machine())
    assert set(b.speed_mm_per_s.values()) == {60.0}
    assert b.first_speed_mm_per_s == 30
    assert b.width_mm == dict.fromkeys(KINDS, 0.45)  # nozzle 0.4 x 1.125
    said = " ".join(b.assumed)
    for key in ("bed_c", "outer_walls", "bead_width_mm", "first_layer.width_mm", "travel.speed_mm_per_s"):
        assert key in said
    assert "infill 60" not in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (LEAST.replace("nozzle_c", "nozle_c"), "unknown key 'nozle_c' in the record; did you mean 'nozzle_c'"),
        (LEAST.replace("infill", "infil"), r"unknown key 'infil' in \[bead_speed_mm_per_s\]; did you mean 'infill'"),
        (LEAST.replace("nozzle_c = 205\n", ""), "nozzle_c is missing"),
        (LEAST.replace("layer_height_mm = 0.2\n", ""), "layer_height_mm is missing"),
        (LEAST.replace("infill = 60\n", ""), r"\[bead_speed_mm_per_s\] is missing"),
        (LEAST.replace("60", "-60"), "infill must be a number from 0.5 to 1000, got -60"),
        (LEAST.replace("60", "nan"), "infill must be a number from 0.5 to 1000, got nan"),
        (LEAST.replace("60", "true"), "infill must be a number from 0.5 to 1000, got True"),
        (LEAST.replace("60", "[50, 60]"), "infill must be a number"),
        (LEAST.replace("205", "20500"), "nozzle_c must be a number from 120 to 450"),
        (LEAST + "[travel]\nroute = 'zigzag'\n", "travel.route must be one of straight, inside, got 'zigzag'"),
        (LEAST + "[around]\nraft = 1\n", "around.raft must be true or false, got 1"),
        (LEAST + "[retraction]\nlength_mm = 90\n", "retraction.length_mm must be a number from 0 to 20"),
        (LEAST + "[bead_width_mm]\nskins = 0.1\n", "bead_width_mm.skins must be at least the layer height 0.2"),
        (LEAST + "[first_layer]\nwidth_mm = 0.1\n", "first_layer.width_mm must be at least its height"),
        ("travel = 5\n" + LEAST, r"\[travel\] must be a table"),
        ("x = [", "not valid TOML"),
    ],
)
def test_limit_bad_records_are_one_line(tmp_path, text, words):
    with pytest.raises(RecordError, match=words) as caught:
        _read(tmp_path, text)
    assert "\n" not in str(caught.value)
    assert "baseline.toml" in str(caught.value)


def test_limit_layers_thicker_than_the_nozzle_are_refused(tmp_path):
    b = _read(tmp_path, LEAST.replace("0.2", "0.5"))
    with pytest.raises(RecordError, match=r"layer_height_mm must be at most the nozzle's 0\.4 mm, got 0\.5"):
        with_widths(b, machine())
