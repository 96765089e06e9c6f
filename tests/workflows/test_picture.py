"""`check --html`: the file is whole or absent, and never replaces what it should not."""

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from drawn import check_with_picture
from pliant.cli import main
from pliant.errors import PliantError
from pliant.files import require_place, save_whole
from pliant.records.starters import starter
from pliant.report.check_page import check_page
from pliant.report.sections import whole_page
from pliant.workflows.coupon import coupon
from pliant.workflows.workshop import gasket_program


@pytest.fixture
def files(tmp_path):
    (tmp_path / "g.gcode").write_text(gasket_program(layers=2))
    (tmp_path / "m.toml").write_text(starter("machine", "open-gap"))
    (tmp_path / "f.toml").write_text(starter("filament", "95A"))
    return tmp_path


def _check(folder, out, *more):
    words = ["check", folder / "g.gcode", "-m", folder / "m.toml", "-f", folder / "f.toml", "--html", out, *more]
    return CliRunner().invoke(main, [str(w) for w in words])


def test_roundtrip_page_is_written_beside_the_usual_answer(files):
    out = files / "report.html"
    result = _check(files, out, "--json")
    data = json.loads(result.stdout)
    assert result.exit_code == (0 if data["verdict"] == "feeds" else 1)
    text = out.read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>")
    assert text.rstrip().endswith("</html>")
    assert sorted(p.name for p in files.iterdir()) == ["f.toml", "g.gcode", "m.toml", "report.html"]
    picture = check_with_picture(files / "g.gcode", files / "m.toml", files / "f.toml")
    assert whole_page(check_page(*picture)) == text  # the same job, the same page


@pytest.mark.parametrize("name", ["g.gcode", "m.toml", "f.toml"])
def test_an_input_is_never_replaced(files, name):
    before = (files / name).read_bytes()
    result = _check(files, files / name)
    assert result.exit_code == 2
    assert "would overwrite" in result.stderr
    assert (files / name).read_bytes() == before


def test_unwritable_place_is_exit_2_and_leaves_nothing(files):
    result = _check(files, files / "nowhere" / "report.html")
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "cannot be written" in result.stderr
    assert result.stdout == ""


def test_not_an_ordinary_file(tmp_path):
    with pytest.raises(PliantError, match="not an ordinary file"):
        save_whole(tmp_path, "x")
    with pytest.raises(PliantError, match="not an ordinary file"):
        save_whole(Path(os.devnull), "x")


def test_roundtrip_an_older_page_is_replaced_whole(tmp_path):
    place = tmp_path / "r.html"
    place.write_text("older and longer")
    save_whole(place, "new")
    assert place.read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["r.html"]


def test_a_failed_rename_keeps_the_old_page(tmp_path, monkeypatch):
    place = tmp_path / "r.html"
    place.write_text("old")

    def fail(one, other):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(PliantError, match="No space left"):
        save_whole(place, "new")
    assert [p.name for p in tmp_path.iterdir()] == ["r.html"]
    assert place.read_text() == "old"


def test_picture_agrees_with_the_findings(files):
    findings, picture = check_with_picture(files / "g.gcode", files / "m.toml", files / "f.toml")
    strip = picture.strip
    assert strip.total_s == pytest.approx(findings.facts.time_s)
    for bins in strip.levels:
        assert bins.margin.min() == findings.least_margin
    finest = strip.levels[0]
    for moment in findings.worst:
        assert finest.margin[
            (finest.edge_s[:-1] <= moment.time_s) & (finest.edge_s[1:] >= moment.time_s - 5)
        ].min() <= (moment.margin)
    fullest = next(v for v in picture.vessels if v.governing)
    assert fullest.mechanism == strip.mechanism == findings.worst[0].mechanism
    assert fullest.fill == pytest.approx(1 / findings.least_margin, rel=0.01)
    assert min(s.least_margin for s in picture.sheets) == findings.least_margin
    drawn = {k for s in picture.sheets for k in (s.layer, *s.alike)}
    assert findings.worst[0].layer in drawn
    assert sum(s.strings * (1 + len(s.alike)) for s in picture.sheets) == pytest.approx(findings.facts.strings, rel=0.1)


def test_regression_no_output_takes_the_place_of_what_is_read(files):
    """A coupon took the place of the record it was made from, without a word."""
    before = (files / "m.toml").read_bytes()
    with pytest.raises(PliantError, match="which is read"):
        coupon("ladder", files / "m.toml", files / "f.toml", files / "m.toml")
    (files / "link").symlink_to(files / "m.toml")
    with pytest.raises(PliantError, match="which is read"):
        require_place(files / "link", [files / "f.toml", files / "m.toml"], "the page")
    assert (files / "m.toml").read_bytes() == before
