"""The baseline record: strict, and every default said."""

import tomllib

import pytest

from pliant.errors import RecordError
from pliant.records import renamed
from pliant.records.baseline import KINDS, read_baseline, with_widths
from pliant.records.starters import RECIPES, starter
from recipes import machine

LEAST = "nozzle_c = 205\nlayer_height_mm = 0.2\n[bead_speed_mm_per_s]\nsparse_inside = 60\n"


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
    for key in ("part.bed_c", "on_outside", "bead_width_mm", "first_layer.width_mm", "stops.travel_mm_per_s"):
        assert key in said
    assert "sparse_inside 60" not in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (LEAST.replace("nozzle_c", "nozle_c"), "unknown key 'nozle_c' in the record; did you mean 'nozzle_c'"),
        (
            LEAST.replace("sparse_inside", "sparse_insid"),
            r"unknown key 'sparse_insid' in \[bead_speed_mm_per_s\]; did you mean 'sparse_inside'",
        ),
        (LEAST.replace("nozzle_c = 205\n", ""), "nozzle_c is missing"),
        (LEAST.replace("layer_height_mm = 0.2\n", ""), "layer_height_mm is missing"),
        (LEAST.replace("sparse_inside = 60\n", ""), r"\[bead_speed_mm_per_s\] is missing"),
        (LEAST.replace("60", "-60"), "sparse_inside must be a number from 0.5 to 1000, got -60"),
        (LEAST.replace("60", "nan"), "sparse_inside must be a number from 0.5 to 1000, got nan"),
        (LEAST.replace("60", "true"), "sparse_inside must be a number from 0.5 to 1000, got True"),
        (LEAST.replace("60", "[50, 60]"), "sparse_inside must be a number"),
        (LEAST.replace("205", "20500"), "nozzle_c must be a number from 120 to 450"),
        (
            LEAST + "[stops]\ntravel_route = 'zigzag'\n",
            "stops.travel_route must be one of straight, inside, got 'zigzag'",
        ),
        (LEAST + "[part]\nraft = 1\n", "part.raft must be true or false, got 1"),
        (LEAST + "[stops]\nretraction_mm = 90\n", "stops.retraction_mm must be a number from 0 to 20"),
        (
            LEAST + "[bead_width_mm]\nsolid_layers = 0.1\n",
            "bead_width_mm.solid_layers must be at least the layer height 0.2",
        ),
        (LEAST + "[first_layer]\nwidth_mm = 0.1\n", "first_layer.width_mm must be at least its height"),
        ("stops = 5\n" + LEAST, r"\[stops\] must be a table"),
        ("x = [", "not valid TOML"),
    ],
)
def test_limit_bad_records_are_one_line(tmp_path, text, words):
    with pytest.raises(RecordError, match=words) as caught:
        _read(tmp_path, text)
    assert "\n" not in str(caught.value)
    assert "baseline.toml" in str(caught.value)


OLD = """nozzle_c = 205
layer_height_mm = 0.2
bed_c = 60
[bead_speed_mm_per_s]
on_outside = 40
infill = 60
[bead_width_mm]
infill = 0.5
[retraction]
length_mm = 1
"""


def test_regression_a_key_that_was_renamed_names_its_line_and_the_new_one(tmp_path):
    lines, told = OLD.splitlines(), []
    for line, old, new, table in (
        (3, "bed_c", "bed_c", "part"), (6, "bead_speed_mm_per_s.infill", "sparse_inside", "bead_speed_mm_per_s"),
        (8, "bead_width_mm.infill", "sparse_inside", "bead_width_mm"),
        (10, "retraction.length_mm", "retraction_mm", "stops"),
    ):  # fmt: skip
        with pytest.raises(RecordError) as caught:
            _read(tmp_path, "\n".join(lines))
        said = str(caught.value)
        assert f"baseline.toml, line {line}: {old} is now called {new}, in [{table}]; " in said and "\n" not in said
        told.append("more keys" in said)
        lines[line - 1] = ""
    assert told == [True, True, True, False]
    with pytest.raises(RecordError, match=r"travel\.route is now called travel_route, in \[stops\]; "):
        _read(tmp_path, LEAST.replace("[bead", "travel = {route = 'inside'}\n[bead"))  # in a line of another form


def test_limit_every_new_name_is_a_key_of_the_starter():
    keys = {
        f"{t}.{k}" for t, inner in tomllib.loads(starter("recipe")).items() if isinstance(inner, dict) for k in inner
    }
    assert set(renamed.KEYS.values()) <= keys
    assert not set(renamed.KEYS) & keys
    assert set(renamed.BEADS.values()) <= set(KINDS)


def test_limit_layers_thicker_than_the_nozzle_are_refused(tmp_path):
    b = _read(tmp_path, LEAST.replace("0.2", "0.5"))
    with pytest.raises(RecordError, match=r"layer_height_mm must be at most the nozzle's 0\.4 mm, got 0\.5"):
        with_widths(b, machine())
