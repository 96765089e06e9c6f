"""What stands beside a check or a recipe: the part, and the book."""

import json

import pytest
from click.testing import CliRunner

from pliant.cli import main
from pliant.records.starters import starter
from pliant.workflows.workshop import gasket_program
from workshop_parts import part_files


@pytest.fixture
def folder(tmp_path):
    for name, text in (
        ("m.toml", starter("machine", "open-gap")),
        ("f.toml", starter("filament", "95A")),
        ("base.toml", starter("recipe", None)),
        ("g.gcode", gasket_program(layers=2)),
    ):
        (tmp_path / name).write_text(text, encoding="utf-8")
    for name, data in part_files():
        (tmp_path / name).write_bytes(data)
    return tmp_path


def _run(folder, verb, *words):
    common = [verb, "-m", folder / "m.toml", "-f", folder / "f.toml", *words]
    return CliRunner().invoke(main, [str(w) for w in common])


def test_check_and_plan_say_what_the_part_brings(folder):
    checked = _run(folder, "check", folder / "g.gcode", "--part", folder / "feet.stl")
    planned = _run(folder, "plan", "--baseline", folder / "base.toml", "--part", folder / "feet.stl")
    for result in (checked, planned):
        assert result.exit_code in (0, 1)
        assert "12 islands to a layer" in result.stdout
    assert "islands to a layer" not in _run(folder, "check", folder / "g.gcode").stdout


def test_a_bad_mesh_is_one_line(folder):
    (folder / "bad.stl").write_bytes(b"solid x\nfacet normal 0 0 nan\n")
    result = _run(folder, "check", folder / "g.gcode", "--part", folder / "bad.stl")
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1


def test_roundtrip_recipes_and_findings_go_into_the_book(folder):
    book = folder / "book.sqlite"
    for version in (1, 2):
        target = 0.02 * version
        kept = _run(folder, "plan", "--baseline", folder / "base.toml", "--book", book, "--target", target)
        assert f"version {version}" in kept.stdout
    checked = _run(folder, "check", folder / "g.gcode", "--book", book)
    assert "no print of" in checked.stdout
    listed = CliRunner().invoke(main, ["book", "list", "--book", str(book)]).stdout
    assert "recipe" in listed
    assert "1 finding" in listed
    again = _run(folder, "check", folder / "g.gcode", "--book", book, "--json")
    assert json.loads(again.stdout)["past_outcomes"]["counts"] == {}
    spool = "Soft spool 95A"
    told = CliRunner().invoke(main, ["book", "history", spool, "--book", str(book)]).stdout
    assert told.count("  recipe  ") == 2
    recipe = next(x.split("  recipe    ")[1] for x in told.splitlines() if "  recipe  " in x).split("@")[0]
    told = CliRunner().invoke(main, ["book", "compare", recipe, "--book", str(book)]).stdout
    assert "* target" in told
    assert "window" not in told
    assert max(map(len, told.splitlines())) < 130
    assert "in reasons, ranges and maps (in the JSON)" in told
