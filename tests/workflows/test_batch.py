"""`batch`: the same findings as `check`, one row a program, bad files told apart."""

import json

import pytest
from click.testing import CliRunner

from json_keys import differences
from pliant.cli import main
from pliant.errors import PliantError
from pliant.records.starters import starter
from pliant.workflows.batch import batch
from pliant.workflows.check import check
from pliant.workflows.workshop import bellows_program, gasket_program


@pytest.fixture(autouse=True)
def _one_process(monkeypatch):
    """What several processes do has tests of its own: each takes a second to start."""
    monkeypatch.setattr("os.cpu_count", lambda: 1)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "m.toml").write_text(starter("machine", "open-gap"), encoding="utf-8")
    (tmp_path / "f.toml").write_text(starter("filament", "95A"), encoding="utf-8")
    (tmp_path / "a.gcode").write_text(gasket_program(layers=1), encoding="utf-8")
    (tmp_path / "b.nc").write_text(bellows_program(turns=2), encoding="utf-8")
    return tmp_path


def test_roundtrip_rows_are_what_check_says(folder):
    found = batch(folder, folder / "m.toml", folder / "f.toml")
    assert {r.program for r in found.rows} == {"a.gcode", "b.nc"}
    for row in found.rows:
        assert row.findings == check(folder / row.program, folder / "m.toml", folder / "f.toml")
    chances = [r.findings.jam_probability for r in found.rows]
    assert chances == sorted(chances, reverse=True)


def test_a_bad_program_does_not_stop_the_others(folder):
    (folder / "c.gcode").write_bytes(b"G1 X1..2\n")
    words = ["batch", folder, "-m", folder / "m.toml", "-f", folder / "f.toml", "--json"]
    result = CliRunner().invoke(main, [str(w) for w in words])
    rows = json.loads(result.stdout)["programs"]
    assert result.exit_code == 2
    assert [r["program"] for r in rows][-1] == "c.gcode"
    assert "line 1" in rows[-1]["error"]
    assert differences(json.loads(result.stdout), "batch") == (set(), set())


def test_nothing_to_check_is_said(tmp_path, folder):
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(PliantError, match="no programs"):
        batch(empty, folder / "m.toml", folder / "f.toml")
    with pytest.raises(PliantError, match="no folder"):
        batch(tmp_path / "nowhere", folder / "m.toml", folder / "f.toml")
