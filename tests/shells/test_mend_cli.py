"""The verb `mend`: its options reach the workflow, its exit codes and its one-line errors."""

import json
import re

import pytest
from click.testing import CliRunner

from mend_workshop import PROGRAMS
from pliant.cli import main
from pliant.workflows.workshop import RECORDS


@pytest.fixture
def run(tmp_path):
    for name, text in RECORDS.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "in.gcode").write_text(PROGRAMS["strain-relief"]())

    def start(*words, on="bench-2", spool="95A"):
        records = ["-m", tmp_path / f"{on}.machine.toml", "-f", tmp_path / f"{spool}.filament.toml"]
        return CliRunner().invoke(main, ["mend", *map(str, [tmp_path / "in.gcode", *records, *words])])

    start.folder = tmp_path
    return start


def test_json_text_and_exit_codes(run):
    done = run("-o", run.folder / "out.gcode", "--aim", "surest", "--json")
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    assert (
        data["certified"] and data["meets_target"] and data["passes"] == ["heat", "order", "route", "flow", "retract"]
    )
    assert data["after"]["jam_probability"] <= 0.02 < data["before"]["jam_probability"]
    text = run("-o", run.folder / "out.gcode", "--target", "0.02")
    assert text.exit_code == 0 and re.match(r"mended: [12] % likely to jam, within the target of 2 %", text.stdout)
    out_of_reach = run("-o", run.folder / "out.gcode", "--aim", "surest", on="long-tube", spool="75A")
    assert out_of_reach.exit_code == 1 and out_of_reach.stdout.startswith("not enough")


def test_passes_are_chosen(run):
    skips = [w for name in ("heat", "order", "route", "flow", "retract") for w in ("--skip", name)]
    done = run("-o", run.folder / "out.gcode", *skips, "--json")
    assert json.loads(done.stdout)["passes"] == []
    assert (run.folder / "out.gcode").read_bytes() == (run.folder / "in.gcode").read_bytes()
    adds = ["--add", "coast", "--add", "first-layer", "--height-mm", "0.05", "--add", "prime", "--add", "factor"]
    data = json.loads(run("-o", run.folder / "out.gcode", *adds, "--dialect", "e-on-its-own", "--json").stdout)
    assert data["passes"][5:] == ["prime", "first-layer", "factor", "coast", "proof"]
    assert {"coast", "first layer", "factor"} <= set(data["changes"]) and data["certified"]


def test_in_place_and_a_page(run):
    text = (run.folder / "in.gcode").read_bytes()
    done = run("--in-place", "--html", run.folder / "p.html")
    assert done.exit_code == 0, done.output
    assert (run.folder / "in.gcode").read_bytes() != text
    assert (run.folder / "p.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert sorted(p.name for p in run.folder.iterdir() if p.suffix in (".gcode", ".html")) == ["in.gcode", "p.html"]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ([], "say where the result goes"),
        (["-o", "x.gcode", "--in-place"], "say where the result goes"),
        (["--in-place", "--skip", "coast"], "--skip coast: unknown pass; choose from heat"),
        (["--in-place", "--add", "flow"], "--add flow: unknown pass; choose from prime"),
        (["--in-place", "--target", "0"], "target must be a chance"),
        (["--in-place", "--add", "first-layer", "--height-mm", "3"], "height_mm must be between"),
        (["--in-place", "--dialect", "plain"], "unknown dialect"),
        (["--in-place", "--html", "."], "is not an ordinary file"),
    ],
)
def test_bad_words_are_one_line_and_leave_everything(run, words, why, monkeypatch):
    monkeypatch.chdir(run.folder)
    text = (run.folder / "in.gcode").read_bytes()
    done = run(*words)
    assert done.exit_code == 2
    assert why in done.stderr and done.stderr.startswith("pliant: ") and done.stderr.count("\n") == 1
    assert (run.folder / "in.gcode").read_bytes() == text


def test_quickest_is_faster_and_riskier_and_only_for_those_who_watch(run):
    out = run.folder / "out.gcode"
    sure, quick = (json.loads(run("-o", out, "--aim", aim, "--json").stdout) for aim in ("surest", "quickest"))
    first = quick["tonight"]["tries"][0]
    assert quick["target"] == max(first["jam_probability"], 0.02) and quick["meets_target"] and quick["certified"]
    assert sure["target"] == 0.02 and sure["tonight"] == quick["tonight"]
    assert quick["after"]["time_s"] < sure["after"]["time_s"]
    assert quick["after"]["jam_probability"] > sure["after"]["jam_probability"]
    assert json.loads(run("-o", out, "--aim", "0.1", "--json").stdout)["target"] == 0.1
    assert "`" not in run("-o", out, spool="85A").stdout  # commands to copy, not calls of the library
    record = run.folder / "bench-2.machine.toml"
    record.write_text(record.read_text() + '\n[tries]\nlooks_in_every_min = "nobody"\n')
    alone = json.loads(run("-o", out, "--json").stdout)
    assert alone["aim"] == "surest" and alone["target"] == 0.02 and "nobody looks at a print" in alone["notes"][0]
    refused = run("-o", out, "--aim", "quickest")
    assert refused.exit_code == 2 and "nobody looks at a print" in refused.output and "--aim" in refused.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--aim", "fast"), "must be one of surest, quickest, or a chance, got 'fast'"),
        (("--aim", "0.1", "--target", "0.2"), "both say how sure it shall be"),
        (("--aim", "2"), "target must be a chance between 0 and 1, got 2"),
    ],
)
def test_bad_aims_are_one_line(run, words, said):
    done = run("-o", run.folder / "out.gcode", *words)
    assert done.exit_code == 2 and said in done.output and done.output.count("\n") == 1
