"""The `part` verb: keys, exit codes, one line for a bad file, and a page that needs nothing from outside."""

import json
import re
import xml.etree.ElementTree as ET

import pytest
from click.testing import CliRunner

from json_keys import differences
from mesh import shapes
from pliant.cli import main
from pliant.records.starters import starter

KEYS = {
    "verdict", "orientations", "candidates", "angle_convention", "limits", "volume_mm3", "size_mm", "triangles",
    "repairs",
    "notes", "reasons", "changes", "assumed", "cautions",
}  # fmt: skip
STAND = {
    "up", "turn", "rotation", "height_mm", "footprint_mm2", "overhang_mm2", "unsupported_mm2", "islands_on_air",
    "bridges",
    "longest_bridge_mm", "needs_support", "reasons", "forecast", "drawing",
}  # fmt: skip
FORECAST = {
    "layers", "islands_by_layer", "travels", "covered_travels", "open_travels", "strings_expected", "time_s",
    "flow_mm3_per_s", "longest_run_mm", "soft_features", "verdict", "side_force_n", "side_force_spread",
}  # fmt: skip


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("parts")
    (folder / "m.toml").write_text(starter("machine", "open-gap"))
    (folder / "f.toml").write_text(starter("filament", "85A"))
    (folder / "puck.stl").write_bytes(shapes.binary_stl(*shapes.cylinder(10, 8, 48)))
    posts = [shapes.cylinder(1.2, 35, 12, (x, y, 2.9)) for x in (6, 18, 30) for y in (6, 18, 30)]
    (folder / "brush <1>.stl").write_bytes(shapes.binary_stl(*shapes.joined(shapes.box(36, 36, 3), *posts)))
    v, f = shapes.box()
    (folder / "open.stl").write_bytes(shapes.binary_stl(v, f[:-1]))
    (folder / "flat.stl").write_bytes(shapes.binary_stl(v * [1, 1, 0], f[:2]))
    (folder / "torn.stl").write_bytes(shapes.binary_stl(v, f)[:-60])
    return folder


def _run(folder, mesh, *more):
    words = ["part", folder / mesh, "-f", folder / "f.toml", "-m", folder / "m.toml", *more]
    return CliRunner().invoke(main, [str(w) for w in words])


def test_roundtrip_json_has_the_promised_keys(workshop):
    result = _run(workshop, "puck.stl", "--json")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    assert set(data) >= KEYS
    assert differences(data, "part") == (set(), set())
    best = data["orientations"][0]
    assert set(best) >= STAND
    assert set(best["forecast"]) >= FORECAST
    assert data["verdict"] == "good"
    assert "from the vertical" in data["angle_convention"]
    assert data["volume_mm3"] == pytest.approx(48 / 2 * 100 * 0.130526 * 8, rel=1e-4)  # sin(7.5 degrees)


def test_sizes_that_betray_another_unit(workshop):
    for name, scale in (("metres.stl", 1e-3), ("giant.stl", 100.0)):
        v, f = shapes.box()
        (workshop / name).write_bytes(shapes.binary_stl(v * scale, f))
    tiny, giant = _run(workshop, "metres.stl"), _run(workshop, "giant.stl")
    assert tiny.exit_code == 2
    assert "drawn in metres or inches?" in tiny.stderr
    assert "does it fit your machine?" in giant.stdout
    assert "does it fit" not in _run(workshop, "puck.stl").stdout


def test_a_forest_is_poor_and_exits_1(workshop):
    result = _run(workshop, "brush <1>.stl", "--html", workshop / "brush.html")
    assert result.exit_code == 1
    assert "forest of thin posts" in result.stdout
    assert "wobbles from" in result.stdout
    assert "published for rigid filament" in result.stdout


def test_the_page_is_whole_safe_and_asks_for_nothing(workshop):
    _run(workshop, "brush <1>.stl", "--html", workshop / "brush.html")
    page = (workshop / "brush.html").read_text(encoding="utf-8")
    assert "brush &lt;1&gt;" in page
    assert "brush <1>" not in page
    assert not re.search(r"(src|href)=|url\((?!#)|@import|<script", page)
    addresses = set(re.findall(r"https?://[^\"' ]+", page))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    for svg in re.findall(r"<svg.*?</svg>", page, re.S):
        root = ET.fromstring(svg)
        assert root.attrib["role"] == "img"
        assert root[0].tag.endswith("title")
    ids = re.findall(r'id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize(
    ("mesh", "words"),
    [("open.stl", "edges belong to one triangle only"), ("flat.stl", "open|zero area"), ("torn.stl", "cut short"),
     ("none.stl", "cannot be read"), ("m.toml", "unknown kind of mesh")],
)  # fmt: skip
def test_bad_mesh_is_one_line_and_exit_2(workshop, mesh, words):
    result = _run(workshop, mesh)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert re.search(words, result.stderr)
    assert "Traceback" not in result.output


def test_a_page_that_cannot_be_written_is_one_line(workshop):
    result = _run(workshop, "puck.stl", "--html", workshop / "no" / "where.html")
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr


def test_help_names_the_exit_code():
    assert "Exit code 1" in CliRunner().invoke(main, ["part", "--help"]).stdout


def test_the_machine_s_reach_enters_the_verdict(workshop):
    reach = starter("machine", "open-gap").replace("# volume_mm = [200, 200, 180]", "volume_mm = [200, 200, 180]")
    (workshop / "small.toml").write_text(reach)
    v, f = shapes.box(190, 190, 19)
    (workshop / "tile.stl").write_bytes(shapes.binary_stl(v, f))
    (workshop / "slab.stl").write_bytes(shapes.binary_stl(v * 1.5, f))
    small = ("-m", workshop / "small.toml")
    words = ["part", workshop / "slab.stl", "-f", workshop / "f.toml", *small]
    slab = CliRunner().invoke(main, [str(w) for w in words])
    assert slab.exit_code == 1
    assert "where the nozzle reaches (motion.volume_mm of the machine)" in slab.stdout
    assert "cut it into pieces" in slab.stdout
    words[1] = workshop / "tile.stl"
    tile = CliRunner().invoke(main, [*(str(w) for w in words), "--json"])
    best = json.loads(tile.stdout)["orientations"][0]
    assert (best["fits"], best["height_mm"]) == (True, pytest.approx(19, rel=1e-5))
    assert "does not say (motion.volume_mm)" in _run(workshop, "tile.stl").stdout


def test_an_open_mesh_is_placed_and_looked_at_with_doubt_when_asked(workshop):
    refused = _run(workshop, "open.stl")
    assert refused.exit_code == 2
    assert "a hole, 28.3 mm across at x 10, y 10, z 20 mm" in refused.stderr
    assert "--holes" in refused.stderr
    looked = _run(workshop, "open.stl", "--holes")
    assert looked.exit_code == 0
    assert looked.stdout.startswith("verdict     workable")
    assert "flat patches were guessed over a hole" in looked.stdout
    v, f = shapes.sphere(10, 48, 96)
    (workshop / "pin.stl").write_bytes(shapes.binary_stl(v, f[1:]))  # a facet at the pole, under a bead across
    pin = _run(workshop, "pin.stl")
    assert "closed a hole smaller than a bead" in pin.stdout
    assert "guess" not in pin.stdout
