"""The shells: verbs, exit codes, keys; the numbers are tested elsewhere."""

import json
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner

from pliant.cli import main
from pliant.records.starters import starter

KEYS = {
    "verdict", "jam_probability", "jam_probability_error", "limit_speed_mm_per_s", "validity", "mechanism",
    "peak_push_n",
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


def test_demo_tells_the_story(workshop):
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
    assert 0 < data["jam_probability_error"] < 0.1 * data["jam_probability"] + 1e-3
    speed = data["limit_speed_mm_per_s"]
    assert speed["low"] < speed["middle"] < speed["high"]
    assert all(0 < v["share"] <= 1 and v["note"] for v in data["validity"])
    assert data["layers"] == 16
    assert data["worst"][0]["line"] > 0


def test_read_counts_what_the_generator_made(workshop):
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
def test_bad_program_is_one_line_and_exit_2(tmp_path, content, word):
    path = tmp_path / "bad.gcode"
    path.write_text(content)
    result = _run("read", path)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert word in result.stderr
    assert "Traceback" not in result.output


def test_new_does_not_overwrite(tmp_path):
    path = tmp_path / "m.toml"
    assert _run("new", "machine", "--like", "guided", "-o", path).exit_code == 0
    before = path.read_bytes()
    assert _run("new", "machine", "-o", path).exit_code == 2
    assert path.read_bytes() == before


def test_help_loads_no_numpy():
    code = "import sys, pliant.cli; sys.exit('numpy' in sys.modules or 'numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


HEAD = "G28\nG1 Z0.2 F600\nM83\nM109 S{}\nG1 X10 Y10 F1200\n"
BEAD = "G1 X60 E1.7\n"


@pytest.fixture
def bench(tmp_path):
    assert _run("new", "machine", "--like", "open-gap", "-o", tmp_path / "m.toml").exit_code == 0
    assert _run("new", "filament", "--like", "85A", "-o", tmp_path / "f.toml").exit_code == 0

    def check(program, *more, name="p.gcode"):
        (tmp_path / name).write_text(program)
        return _run("check", tmp_path / name, "-m", tmp_path / "m.toml", "-f", tmp_path / "f.toml", *more)

    return tmp_path, check


_MILLING = "G21\nG90\nG28\nM3 S12000\nG0 Z5\nG0 X10 Y10\nG1 Z-1 F200\nG1 X60 F600\nG2 X60 Y30 J10\nM5\nM30\n"


@pytest.mark.parametrize(
    "text", [_MILLING, HEAD.format(220) + "G0 X50\nG0 X10\n", "M83\nG28\nG1 E5 F300\nG1 X9 F600\n"]
)
def test_regression_a_program_that_lays_nothing_is_no_verdict(bench, text):
    folder, check = bench
    (folder / "p.gcode").write_text(text)
    mended = _run(
        "mend", folder / "p.gcode", "-m", folder / "m.toml", "-f", folder / "f.toml", "-o", folder / "out.gcode"
    )
    for result in (check(text), check(text, "--json"), mended):
        assert (result.exit_code, result.stdout) == (2, "")
        assert "this program lays no bead: no filament is fed while the nozzle moves" in result.stderr
        assert result.stderr.count("\n") == 1
    assert not (folder / "out.gcode").exists()
    facts = _run("read", folder / "p.gcode")  # what it does is told all the same
    assert facts.exit_code == 0 and "layers      0, in 0 runs" in facts.stdout


def test_regression_temperatures_off_the_sheet_are_warned_of_with_the_line(bench):
    _, check = bench
    hot = check(HEAD.format(300) + BEAD, "--json")
    (warning,) = json.loads(hot.stdout)["warnings"]
    assert warning.startswith("line 6: feeds at 300 °C, above the 210 to 230 °C")
    assert ".py" not in hot.stderr
    cold = check(HEAD.format(20) + BEAD)
    assert cold.exit_code == 2
    assert "line 6: feeds with the nozzle set to 20 °C" in cold.stderr
    assert cold.stderr.count("\n") == 1
    off = check(HEAD.format(220) + BEAD + "M104 S0\nG1 X10 Y11 E1.7\n", "--json")
    assert json.loads(off.stdout)["warnings"] == ["line 8: feeds after the heater was switched off; taken as still hot"]
    assert json.loads(check(HEAD.format(220) + BEAD, "--json").stdout)["warnings"] == []


def test_check_says_where_the_program_leaves_the_machine(tmp_path):
    reach = "volume_mm = [50, 200, 180]\norigin = 'centre'"
    text = starter("machine", "open-gap").replace("# volume_mm = [200, 200, 180]", reach)
    (tmp_path / "m.toml").write_text(text)
    (tmp_path / "f.toml").write_text(starter("filament", "95A"))
    (tmp_path / "p.gcode").write_text(
        "G28\nM83\nM109 S220\nG1 Z0.2 F600\nG1 X10 F1200\nG1 X25 E1\nG1 X41.5 E1\nG1 Z181\n"
    )
    words = "check", tmp_path / "p.gcode", "-m", tmp_path / "m.toml", "-f", tmp_path / "f.toml", "--json"
    warning = next(w for w in json.loads(_run(*words).stdout)["warnings"] if "volume_mm" in w)
    assert warning == "line 7: goes to X41.5, outside the -25 to 25 mm that motion.volume_mm allows; 2 such moves"


def test_regression_mend_does_not_replace_a_record(bench):
    folder, check = bench
    check(HEAD.format(220) + BEAD)
    before = (folder / "m.toml").read_bytes()
    result = _run("mend", folder / "p.gcode", "-m", folder / "m.toml", "-f", folder / "f.toml", "-o", folder / "m.toml")
    assert result.exit_code == 2
    assert (folder / "m.toml").read_bytes() == before


def test_regression_a_bore_thinner_than_the_filament_names_the_key(bench):
    folder, check = bench
    (folder / "f.toml").write_text(
        (folder / "f.toml").read_text(encoding="utf-8").replace("1.75", "2.85"), encoding="utf-8"
    )
    result = check(HEAD.format(220) + BEAD)
    assert result.exit_code == 2
    assert "hot_end.bore_mm must exceed diameter_mm" in result.stderr


def test_regression_a_record_from_a_device_without_end_is_refused(bench):
    folder, check = bench
    check(HEAD.format(220) + BEAD)
    result = _run("check", folder / "p.gcode", "-m", "/dev/zero", "-f", folder / "f.toml")
    assert result.exit_code == 2
    assert "1 MiB" in result.stderr


def test_regression_passes_through_the_drive_are_told_in_the_text(bench):
    _, check = bench
    twice = HEAD.format(220) + BEAD + "G1 E-1 F1800\nG1 E1\n" * 2
    assert "up to 5 times" in check(twice).stdout
    assert "passes" not in check(HEAD.format(220) + BEAD).stdout


def test_regression_a_name_that_is_no_text_still_gets_its_report(bench):
    folder, check = bench
    name = "od\udcff.gcode"
    result = check(HEAD.format(220) + BEAD, "--html", folder / "r.html", name=name)
    assert result.exit_code in (0, 1)
    assert "od?.gcode" in (folder / "r.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("target", ["base.toml", "m.toml", "link.toml", "other.html"])
def test_no_page_overwrites_what_is_read_nor_another_page(tmp_path, target):
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


def test_a_book_that_refuses_leaves_no_page(tmp_path):
    for name, kind, like in (("m", "machine", "guided"), ("f", "filament", "95A")):
        (tmp_path / f"{name}.toml").write_text(starter(kind, like))
    (tmp_path / "base.toml").write_text(starter("recipe"))
    (tmp_path / "book.sqlite").write_text("no book")
    given = [str(tmp_path / n) for n in ("m.toml", "f.toml", "base.toml", "book.sqlite", "page.html")]
    words = [w for pair in zip(("-m", "-f", "--baseline", "--book", "--html"), given, strict=True) for w in pair]
    assert CliRunner().invoke(main, ["plan", *words]).exit_code == 2
    assert not (tmp_path / "page.html").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["feel", "--deflection-mm", "5,6"], "--deflection-mm: '5,6' is not a number; write a point: 5.6; `pl"),
        (["mend", "p", "-m", "x"], "missing option '-f' / '--filament'; `pliant mend --help`"),
        (["chekc"], "no such command 'chekc'"),
        (["book", "list", "--limit", "x"], "--limit: 'x' is not a whole number; `pliant book list --help`"),
        (["check", "--hmtl"], "no such option '--hmtl'"),
        (["--nothing"], "no such option '--nothing'"),
        (["mend", "p", "-m", "x", "-f", "y", "-o", "z", "--height-mm", "0.2"], "--height-mm is for the pass first"),
    ],
)  # fmt: skip
def test_regression_a_slip_of_the_keys_is_one_line(words, said):
    done = CliRunner().invoke(main, words, prog_name="pliant")
    assert done.exit_code == 2
    assert done.stderr.startswith("pliant: ") and done.stderr.count("\n") == 1 and said in done.stderr


@pytest.mark.parametrize(
    ("heat", "soften"), [("M104 S0", ""), ("M104 S0", "soften_c = 30"), ("M104 S210", "soften_c = 30"), ("", "")]
)
def test_regression_odd_heat_is_answered_and_not_an_internal_error(tmp_path, heat, soften):
    (tmp_path / "m.toml").write_text(starter("machine", "open-gap"))
    (tmp_path / "f.toml").write_text(starter("filament", "85A") + soften + "\n")
    (tmp_path / "p.gcode").write_text(f"G28\nM83\n{heat}\nG1 Z0.2 F600\nG1 X10 F3000\nG1 X60 E1.7 F300\n")
    run = CliRunner().invoke(main, ["check", *(str(tmp_path / n) for n in ("p.gcode",)), "--json", "-m",
                                    str(tmp_path / "m.toml"), "-f", str(tmp_path / "f.toml")])  # fmt: skip
    assert run.exit_code in (0, 1), run.output
    found = json.loads(run.stdout)
    assert found["unsoftened_probability"] < 0.01
    assert any("sets no temperature" in a for a in found["assumed"]) == (heat != "M104 S210")


def test_regression_a_moment_before_the_first_layer_has_no_layer(workshop, tmp_path):
    folder, _ = workshop
    lines = ["G21", "G90", "M83", "G28", "M109 S220", "G1 Z30 F600", "G1 E60 F600", "G1 Z0.2 F600"]
    lines += ["G1 X10 Y10 F6000", "G1 X60 Y10 E1.8 F900", "G1 X60 Y60 E1.8 F900"]
    (tmp_path / "primed.gcode").write_text("\n".join(lines) + "\n")
    pair = ("-m", folder / "bench-2.machine.toml", "-f", folder / "85A.filament.toml")
    data = json.loads(_run("check", tmp_path / "primed.gcode", *pair, "--json").stdout)
    assert [m["layer"] for m in data["worst"] if m["line"] == 7] == [None]
    page = tmp_path / "report.html"
    text = _run("check", tmp_path / "primed.gcode", *pair, "--html", page).stdout
    assert re.search(r"^ +7 +– ", text, re.M)
    assert "before the first layer" in page.read_text(encoding="utf-8")
