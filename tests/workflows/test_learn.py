"""The verbs coupon, learn and next, as a user runs them one after the other."""

import json

import pytest
from click.testing import CliRunner

from json_keys import differences
from pliant.cli import main
from pliant.records.starters import starter
from pliant.workflows.workshop import gasket_program


def _run(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("desk")
    (folder / "m.toml").write_text(starter("machine", "open-gap"))
    (folder / "f.toml").write_text(starter("filament", "85A"))
    (folder / "job.gcode").write_text(gasket_program(layers=2))
    made = _run(
        "coupon", "ladder", "-m", folder / "m.toml", "-f", folder / "f.toml", "-o", folder / "l.gcode", "--json"
    )
    assert made.exit_code == 0, made.output
    assert differences(json.loads(made.stdout), "coupon") == (set(), set())
    steps = json.loads(made.stdout)["steps"]
    text = (folder / "l.readings.toml").read_text()
    for k in range(len(steps)):
        answer = "held" if k < 4 else "failed" if k == 4 else ""
        text = text.replace('answer = ""', f'answer = "{answer}" ', 1)
    (folder / "l.readings.toml").write_text(text)
    return folder


def test_roundtrip_coupon_learn_next(desk):
    words = ("-m", desk / "m.toml", "-f", desk / "f.toml", "-p", desk / "job.gcode")
    first = json.loads(_run("next", *words, "--json").stdout)
    assert first["ranked"][0]["shrinkage"] > 0.3
    result = _run("learn", desk / "l.readings.toml", *words, "-o", desk / "new", "--json")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert differences(first, "next") == differences(found, "learn") == (set(), set())
    before, after = found["before"], found["after"]
    # one ladder tells the limit much better: its 90 % range, as a ratio, at least halves
    (_, low, high), (_, now_low, now_high) = found["limit_before"], found["limit_after"]
    assert now_high / now_low < 0.5 * high / low
    speed, now = before["limit_speed_mm_per_s"], after["limit_speed_mm_per_s"]
    assert now["high"] / now["low"] < 0.6 * speed["high"] / speed["low"]
    assert (desk / "new" / "m-learned-1.toml").exists()
    learned = ("-m", found["machine_file"], "-f", found["filament_file"])
    # check with the new records says what learn said
    checked = json.loads(_run("check", desk / "job.gcode", *learned, "--json").stdout)
    assert checked["jam_probability"] == pytest.approx(after["jam_probability"], abs=0.02)
    assert checked["limit_speed_mm_per_s"] == pytest.approx(now, rel=0.1)
    second = json.loads(_run("next", *learned, "-p", desk / "job.gcode", "--json").stdout)
    assert second["spread"] < first["spread"]


def test_learn_tells_in_words_and_refuses_in_one_line(desk, tmp_path):
    said = _run("learn", desk / "l.readings.toml", "-m", desk / "m.toml", "-f", desk / "f.toml", "-o", tmp_path)
    assert said.exit_code == 0
    assert "youngs_modulus_mpa" in said.output
    assert "the old ones are unchanged" in said.output
    (tmp_path / "bad.toml").write_text('coupon = "ladder"\n[[step]]\nanswer = "held"\n')
    bad = _run("learn", tmp_path / "bad.toml", "-m", desk / "m.toml", "-f", desk / "f.toml")
    assert bad.exit_code == 2
    assert bad.stderr.count("\n") == 1
    assert "flow_mm3_per_s is missing" in bad.stderr


def test_readings_of_another_machine_are_refused(desk, tmp_path):
    (tmp_path / "other.toml").write_text(starter("machine", "dual-drive"))
    bad = _run("learn", desk / "l.readings.toml", "-m", tmp_path / "other.toml", "-f", desk / "f.toml", "-o", tmp_path)
    assert bad.exit_code == 2
    assert (
        "was printed with the machine 'My open-gap machine', but the record given is 'My dual-drive machine'"
        in bad.stderr
    )
    lost = _run("learn", tmp_path / "none.toml", "-m", desk / "m.toml", "-f", desk / "f.toml")
    assert "`pliant coupon` writes a file to fill in" in lost.stderr


def test_nothing_is_left_behind_where_the_sheet_cannot_be_written(desk, tmp_path):
    words = ("coupon", "ladder", "-m", desk / "m.toml", "-f", desk / "f.toml", "-o", tmp_path / "x.gcode")
    bad = _run(*words, "--sheet", tmp_path / "nowhere" / "x.html")
    assert bad.exit_code == 2
    assert "no such folder" in bad.stderr
    assert list(tmp_path.iterdir()) == []


def test_coupon_refuses_a_kind_it_does_not_know(desk, tmp_path):
    bad = _run("coupon", "tower", "-m", desk / "m.toml", "-f", desk / "f.toml", "-o", tmp_path / "x.gcode")
    assert bad.exit_code == 2
    assert "choose from ladder, stop-start" in bad.stderr
    assert not (tmp_path / "x.gcode").exists()


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('names = ["a"]\ncorrelation = [[0.5]]', "row 1 must hold"),
        ('names = ["a", "a"]\ncorrelation = [[1], [0, 1]]', "a name twice"),
        ('names = ["a", "b", "c"]\ncorrelation = [[1], [0.9, 1], [-0.9, 0.9, 1]]', "no correlation matrix"),
        ('names = "a"\ncorrelation = [[1]]', "must be a list"),
        (f'names = ["a"]\ncorrelation = [[1]]\nrows = {[[0.0]] * 2000}\ndirections = [[1]]', "at most 1024 rows"),
        ('names = ["a"]\ncorrelation = [[1]]\nrows = [[0.0], [0.0, 1.0]]\ndirections = [[1]]', "alike in length"),
        ('names = ["a"]\ncorrelation = [[1]]\nrows = [[0.0], [nan]]\ndirections = [[1]]', "from -20 to 20"),
        ('names = ["a"]\ncorrelation = [[1]]\nrows = [[0.0], [1.0]]', "neither stands without"),
        ('names = ["a"]\ncorrelation = [[1]]\nrows = [[0.0], [1.0]]\ndirections = [[1], [1]]', "one row per name"),
        ('names = ["a"]\ncorrelation = [[1]]\nrows = [[], []]\ndirections = [[]]', "of 1 to 12 numbers"),
        ('names = ["a"]\ncorrelation = [[1]]\nrows = [[0.0, 1.0], [1.0, 0.0]]\ndirections = [[1]]', "as long as"),
        ("wrong = 1", "takes the keys"),
    ],
)
def test_a_damaged_learned_record_is_refused(desk, tmp_path, table, words):
    path = tmp_path / "f.toml"
    path.write_text(starter("filament", "85A") + f'\n[together]\nmachine = "x"\n{table}\n')
    bad = _run("next", "-m", desk / "m.toml", "-f", path)
    assert bad.exit_code == 2
    assert words in bad.stderr
    assert "delete" in bad.stderr
