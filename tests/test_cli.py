"""The shells: verbs, exit codes, keys; the numbers are tested elsewhere."""

import json
import subprocess
import sys

import pytest
from click.testing import CliRunner

from pliant.cli import main
from pliant.records.starters import starter

KEYS = {
    "verdict", "jam_probability", "jam_probability_low", "jam_probability_high", "mechanism", "peak_push_n",
    "least_margin", "worst", "time_s", "layers", "runs", "bead_mm3", "filament_forward_mm", "filament_back_mm",
    "travel_mm", "open_travel_mm", "mass_g", "stored_length_mm", "retractions", "max_passes", "assumed",
    "warnings", "cautions",
}  # fmt: skip


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("workshop")
    from pliant.workflows.demo import demo

    text = "\n".join(demo(folder))
    return folder, text


def _run(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def test_limit_demo_tells_the_story(workshop):
    _, text = workshop
    assert "95A on bench-2" in text
    assert "75A on long-tube" in text
    assert "would help" in text


def test_roundtrip_check_json_has_the_promised_keys(workshop):
    folder, _ = workshop
    result = _run("check", folder / "feet.gcode", "-m", folder / "bench-2.machine.toml",
                  "-f", folder / "85A.filament.toml", "--json")  # fmt: skip
    data = json.loads(result.stdout)
    assert set(data) >= KEYS
    assert result.exit_code == (0 if data["verdict"] == "feeds" else 1)
    assert data["jam_probability_low"] <= data["jam_probability"] <= data["jam_probability_high"]
    assert data["layers"] == 16
    assert data["worst"][0]["line"] > 0


def test_limit_read_counts_what_the_generator_made(workshop):
    folder, _ = workshop
    data = json.loads(_run("read", folder / "feet.gcode", "--json").stdout)
    assert data["layers"] == 16
    assert data["retractions"] == 12 * 16
    gasket = json.loads(_run("read", folder / "gasket.gcode", "--json").stdout)
    assert gasket["layers"] == 8
    assert gasket["retractions"] == (folder / "gasket.gcode").read_text().count("E-1.00000")
    spiral = json.loads(_run("read", folder / "bellows.gcode", "--json").stdout)
    assert spiral["layers"] == 2


@pytest.mark.parametrize(
    ("content", "word"), [("", "empty"), ("G1 X1..2\n", "line 1"), ("G1 X#1\n", "line 1")]
)  # fmt: skip
def test_limit_bad_program_is_one_line_and_exit_2(tmp_path, content, word):
    path = tmp_path / "bad.gcode"
    path.write_text(content)
    result = _run("read", path)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert word in result.stderr
    assert "Traceback" not in result.output


def test_limit_new_does_not_overwrite(tmp_path):
    path = tmp_path / "m.toml"
    assert _run("new", "machine", "--like", "guided", "-o", path).exit_code == 0
    before = path.read_bytes()
    assert _run("new", "machine", "-o", path).exit_code == 2
    assert path.read_bytes() == before


def test_limit_help_loads_no_numpy():
    code = "import sys, pliant.cli; sys.exit('numpy' in sys.modules or 'numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_limit_a_program_that_pushes_nothing_is_strict_json(tmp_path, workshop):
    folder, _ = workshop
    path = tmp_path / "travel.gcode"
    path.write_text("G28\nG1 X10 Y10 F3000\nG1 X50\n", encoding="utf-8")
    result = _run("check", path, "-m", folder / "bench-2.machine.toml", "-f", folder / "85A.filament.toml", "--json")
    data = json.loads(result.stdout, parse_constant=pytest.fail)
    assert result.exit_code == 0
    assert data["least_margin"] is None
    assert data["worst"] == []


def test_limit_heat_beyond_sheet_and_liner_is_warned_about(tmp_path, workshop):
    folder, _ = workshop
    path = tmp_path / "hot.gcode"
    path.write_text("G28\nM83\nM109 S255\nG1 Z0.2 F600\nG1 X10 F1200\nG1 X30 E0.7\n", encoding="utf-8")
    result = _run("check", path, "-m", folder / "long-tube.machine.toml", "-f", folder / "85A.filament.toml", "--json")
    told = " ".join(json.loads(result.stdout)["warnings"])
    assert "outside the 210 to 230" in told
    assert "PTFE-lined" in told


@pytest.mark.parametrize("target", ["base.toml", "m.toml", "link.toml", "other.html"])
def test_limit_no_page_overwrites_what_is_read_nor_another_page(tmp_path, target):
    for name, kind, like in (("base", "recipe", None), ("m", "machine", "guided"), ("f", "filament", "95A")):
        (tmp_path / f"{name}.toml").write_text(starter(kind, like) if like else starter(kind))
    (tmp_path / "link.toml").hardlink_to(tmp_path / "f.toml")
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    words = ["plan", "-m", "m.toml", "-f", "f.toml", "--baseline", "base.toml", "--html", "other.html"]
    words = [str(tmp_path / w) if w.endswith(("toml", "html")) and w[0] != "-" else w for w in words]
    result = CliRunner().invoke(main, [*words, "--sheet", str(tmp_path / target)])
    assert result.exit_code == 2
    assert "would overwrite" in result.stderr
    assert result.stderr.count("\n") == 1
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_limit_a_book_that_refuses_leaves_no_page(tmp_path):
    for name, kind, like in (("m", "machine", "guided"), ("f", "filament", "95A")):
        (tmp_path / f"{name}.toml").write_text(starter(kind, like))
    (tmp_path / "base.toml").write_text(starter("recipe"))
    (tmp_path / "book.sqlite").write_text("no book")
    given = [str(tmp_path / n) for n in ("m.toml", "f.toml", "base.toml", "book.sqlite", "page.html")]
    words = [w for pair in zip(("-m", "-f", "--baseline", "--book", "--html"), given, strict=True) for w in pair]
    assert CliRunner().invoke(main, ["plan", *words]).exit_code == 2
    assert not (tmp_path / "page.html").exists()
