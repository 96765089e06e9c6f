"""Machine and filament records: every starter reads, every mistake is one line that names the way out."""

import pytest

from pliant.errors import RecordError
from pliant.files import Text
from pliant.records.baseline import read_baseline
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.quantity import parse_quantity
from pliant.records.starters import MACHINES, SPOOLS, starter
from pliant.records.tonight import Trying


@pytest.mark.parametrize("like", MACHINES)
def test_roundtrip_machine_starters(tmp_path, like):
    path = tmp_path / "m.toml"
    path.write_text(starter("machine", like), encoding="utf-8")
    machine = read_machine(path)
    assert machine.path[0].kind == "gap"
    assert machine.pinch_force_n.low == pytest.approx(15)
    assert machine.pinch_force_n.high == pytest.approx(40)


@pytest.mark.parametrize(
    ("origin", "low", "high"), [("corner", (0, 0, 0), (200, 200, 180)), ("centre", (-100, -100, 0), (100, 100, 180))]
)
def test_where_the_nozzle_can_go(tmp_path, origin, low, high):
    path = tmp_path / "m.toml"
    text = starter("machine", "open-gap")
    path.write_text(text)
    assert read_machine(path).reach_mm is None  # the starter leaves it out: no bed is typical
    path.write_text(text.replace("# volume_mm", "volume_mm").replace('# origin = "corner"', f'origin = "{origin}"'))
    assert read_machine(path).reach_mm == (low, high)


@pytest.mark.parametrize("like", SPOOLS)
def test_roundtrip_filament_starters(tmp_path, like):
    path = tmp_path / "f.toml"
    path.write_text(starter("filament", like), encoding="utf-8")
    filament = read_filament(path)
    assert filament.consistency_pa_sn.assumed
    assert any("consistency" in line for line in filament.assumed)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("nozzle_mm", "nozle_mm", r"unknown key 'nozle_mm' in \[hot_end\]; did you mean 'nozzle_mm'\?"),
        ("length_mm = 6.0", "length_mm = nan", "finite number > 0"),
        ("length_mm = 6.0", "length_mm = -6", "finite number > 0"),
        ("length_mm = 6.0", "", "length_mm is missing"),
        ("[15, 40]", "[40, 15]", "low < high"),
        ("[15, 40]", "true", "finite number > 0"),
        ("driven_wheels = 1", "driven_wheels = 3", "must be 1 or 2"),
        ('"none"', '"steel"', "hot_end.liner must be one of none, ptfe"),
        ("[drive]", "[drive", "not valid TOML"),
        ("length_mm = 6.0", "length_mm = 1e6", "must lie between 0.05 and 20000, got 1e"),
        ("[15, 40]", "[1, 1e300]", "must lie between 0.1 and 1000"),
        ("[15, 40]", "{value = 20, spread = 1e9}", "spread must be at most 10"),
        ("nozzle_mm = 0.4", "nozzle_mm = 3", "nozzle_mm must be smaller than hot_end.bore_mm"),
        ("acceleration_mm_per_s2 = 1000", "acceleration_mm_per_s2 = 1e-300", "m.toml: motion.acceleration"),
        ('name = "My open-gap machine"', "name = [1]", "name must be text"),
        ("# volume_mm = [200, 200, 180]", "volume_mm = [200, 200]", r"volume_mm needs three numbers \[x, y, z\], got"),
        (
            "# volume_mm = [200, 200, 180]",
            "volume_mm = [2, 200, 180]",
            "motion.volume_mm must lie between 10 and 10000",
        ),
        ('# origin = "corner"', 'origin = "middle"', "motion.origin must be one of corner, centre, got 'middle'"),
        ("# [tries]", '[tries]\nlooks_in_every_min = "never"', "must be minutes or \"nobody\", got 'never'"),
        ("# [tries]", "[tries]\nrestart = 3", r"unknown key 'restart' in \[tries\]; did you mean 'restart_min'"),
        ("# [tries]", "[tries]\nrestart_min = -3", "restart_min must be a finite number > 0"),
    ],
)
def test_machine_mistakes(tmp_path, old, new, message):
    path = tmp_path / "m.toml"
    path.write_text(starter("machine", "open-gap").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RecordError, match=message):
        read_machine(path)


def test_what_a_jam_costs_is_ours_until_it_is_said(tmp_path):
    path = tmp_path / "m.toml"
    path.write_text(starter("machine", "open-gap"), encoding="utf-8")
    machine = read_machine(path)
    assert (machine.tries, machine.tries.watched) == (Trying(15, 10, 480), True)
    assert sum(a.startswith("tries.") and "our guess" in a for a in machine.assumed) == 3
    path.write_text(starter("machine", "open-gap") + '[tries]\nlooks_in_every_min = "nobody"\nrestart_min = 40\n')
    machine = read_machine(path)
    assert (machine.tries, machine.tries.watched) == (Trying(40, None, 480), False)
    assert sum(a.startswith("tries.") for a in machine.assumed) == 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("shore = 85\n", "nozzle_c is missing"),
        ("shore = 200\nnozzle_c = [210, 230]\n", "between 20 and 99"),
        ("shore = 85\nnozzle_c = [20, 30]\n", "between 120 and 350"),
        ("shore = 85\nshoe = 1\nnozzle_c = [210, 230]\n", "did you mean 'shore'"),
    ],
)
def test_filament_mistakes(tmp_path, text, message):
    path = tmp_path / "f.toml"
    path.write_text(text)
    with pytest.raises(RecordError, match=message):
        read_filament(path)


def test_roundtrip_text_is_read_as_its_file_would_be(tmp_path):
    for read, text in ((read_machine, starter("machine", "guided")), (read_filament, starter("filament", "85A"))):
        (tmp_path / "record.toml").write_text(text, encoding="utf-8")
        assert read(Text("record.toml", text)) == read(tmp_path / "record.toml")
        with pytest.raises(RecordError, match=r"^mine: unknown key 'x'"):
            read(Text("mine", f"x = 1\n{text}"))


def test_missing_file_and_wrong_bytes(tmp_path):
    with pytest.raises(RecordError, match="cannot be read"):
        read_machine(tmp_path / "none.toml")
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(RecordError, match="not UTF-8"):
        read_machine(tmp_path / "b.toml")


def test_roundtrip_range_is_the_90_percent_range():
    q = parse_quantity([5.0, 7.0], "gap", 1.1)
    assert (q.low, q.high) == (pytest.approx(5.0), pytest.approx(7.0))


def test_regression_a_record_nested_too_deeply_is_refused(tmp_path):
    path = tmp_path / "m.toml"
    path.write_text("a = " + "[" * 5000 + "]" * 5000, encoding="utf-8")
    with pytest.raises(RecordError, match="nested too deeply"):
        read_machine(path)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (
            'name = "a"\nshore = 85\nnozzle_c = [210, 230]\n',
            "this is a filament record, and a machine record is wanted",
        ),
        ('name = "a"\n[[path]]\nlength_mm = 5,6\n', r"line 3: length_mm = 5,6 has a comma; write a point, .* 5\.6"),
        ("G28\nG1 X1 F60\nG1 X2 E1\n", "this is a motion program, not a record"),
    ],
)
def test_regression_a_record_that_is_another_thing_is_called_what_it_is(tmp_path, text, why):
    (tmp_path / "x.toml").write_text(text)
    with pytest.raises(RecordError, match=why):
        read_machine(tmp_path / "x.toml")


@pytest.mark.parametrize("read", [read_machine, read_filament, read_baseline])
@pytest.mark.parametrize(("kind", "like"), [("machine", "guided"), ("filament", "85A"), ("recipe", "everyday")])
def test_regression_a_record_of_another_kind_is_called_so_by_every_reader(tmp_path, read, kind, like):
    """A recipe in place of a machine was "unknown key 'nozzle_c'; did you mean 'name'?"."""
    (tmp_path / "x.toml").write_text(starter(kind, like))
    if read.__name__ == {"recipe": "read_baseline"}.get(kind, f"read_{kind}"):
        assert read(tmp_path / "x.toml")
        return
    with pytest.raises(RecordError, match=f"x.toml: this is a {kind} record, and a .* record is wanted"):
        read(tmp_path / "x.toml")


def test_regression_a_machine_in_place_of_a_filament(tmp_path):
    (tmp_path / "x.toml").write_text(starter("machine", "open-gap"))
    with pytest.raises(RecordError, match=r"this is a machine record, .* are the two swapped\?"):
        read_filament(tmp_path / "x.toml")
