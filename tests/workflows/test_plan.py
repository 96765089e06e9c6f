"""`plan`: the ledger is whole, honest and the optimiser's; refusals say what would help; pages and verb."""

import json
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner

from habits import ROW, posts
from json_keys import differences
from pliant.cli import main
from pliant.errors import DomainError, PliantError
from pliant.feed.remedies import hardware_changes
from pliant.records.starters import MACHINES, RECIPES, SPOOLS, starter
from pliant.report.plan import plan_text
from pliant.report.plan_page import plan_page, sheet_page
from pliant.report.sections import whole_page
from pliant.report.window_chart import contour_mm_per_s
from pliant.workflows.mend import mend
from pliant.workflows.plan import plan
from recipes import baseline, filament, machine

BEADS = ("sparse_inside", "behind_outside", "solid_layers", "on_outside")
KEYS = (  # by what they do to the push, the order in which the ledger tells them
    "nozzle_c", *(f"bead_speed_mm_per_s.{k}" for k in BEADS), "bead_speed_mm_per_s.over_air", "layer_height_mm",
    *(f"bead_width_mm.{k}" for k in BEADS), "flow_factor", "first_layer.height_mm", "first_layer.width_mm",
    "first_layer.speed_mm_per_s", "stops.priming_bead_mm", "stops.feed_ends_early_mm", "stops.back_over_bead_mm",
    "stops.retraction_mm", "stops.retraction_mm_per_s", "stops.travel_route", "stops.travel_mm_per_s", "part.bed_c",
    "part.fan_percent", "part.supports", "part.raft",
)  # fmt: skip
PAIRS = [("open-gap", "85A"), ("guided", "95A"), ("dual-drive", "85A"), ("tube-1.9", "95A")]


@pytest.fixture(scope="module")
def recipes():
    return {pair: plan(machine(pair[0]), filament(pair[1]), baseline()) for pair in PAIRS}


@pytest.fixture(scope="module")
def refused():
    return plan(machine("tube-2.0"), filament("85A"), baseline())


def _run(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def _files(tmp_path, on="open-gap", spool="85A"):
    paths = []
    for kind, like in (("machine", on), ("filament", spool), ("recipe", None)):
        paths.append(tmp_path / f"{kind}.toml")
        assert _run("new", kind, *(["--like", like] if like else []), "-o", paths[-1]).exit_code == 0
    return ["-m", paths[0], "-f", paths[1], "--baseline", paths[2]]


def test_limit_tonight_of_a_plan_is_for_a_part_of_an_hour(recipes):
    for recipe in recipes.values():
        told, text = recipe.tonight, plan_text(recipe)
        if told is None:
            continue
        assert told.speed_mm_per_s == baseline().speed_mm_per_s["behind_outside"] and told.expected_min > 45
        if told.tries and told.choice != "another-part":
            assert " mm/s (" in text.split("start at ")[1][:24]
        assert "% of the speed" not in text.split("WHAT MELTS")[0] and "mend(" not in text
        assert recipe.to_json()["tonight"]["choice"] == told.choice
    soft = recipes[("open-gap", "85A")].tonight
    assert soft.choice == "piece-first" and soft.expected_min < soft.surest_min
    assert "What to do tonight" in whole_page(plan_page(recipes[("open-gap", "85A")]))


@pytest.mark.parametrize("pair", PAIRS)
def test_every_value_has_range_reason_guard_and_mover(recipes, pair):
    r = recipes[pair]
    assert tuple(s.key for s in r.settings) == KEYS
    for s in r.settings:
        assert len(s.reason) > 20
        assert s.reason.rstrip().endswith(".")
        assert s.guards
        assert s.moved_by
        assert s.basis in ("computed", "common practice", "data sheet", "kept")
        assert (s.basis == "kept") <= (s.value == s.baseline)
        if isinstance(s.value, str):
            assert s.low is None
        else:
            assert s.low <= s.value <= s.high, s.key
    assert r.jam_probability <= r.target + 5e-4 < r.baseline_jam_probability
    assert 0 <= r.jam_probability_error < 0.1 * r.jam_probability + 1e-3


def test_the_baseline_is_not_touched(tmp_path):
    args = _files(tmp_path)
    before = args[-1].read_bytes()
    assert _run("plan", *args).exit_code == 0
    assert args[-1].read_bytes() == before
    b = baseline()
    for s in plan(machine(), filament(), b).settings:
        if s.key.startswith("bead_speed"):
            assert s.baseline == b.speed_mm_per_s[s.key.split(".")[1]]


# common practice, no source (the design's list): no retraction, coast and wipe may stay; flow factor about 1.1; no
# supports, no raft, something laid first to prime; bed no hotter; travel inside the part


@pytest.mark.parametrize("pair", PAIRS)
def test_common_practice_of_ends_travel_and_surroundings(recipes, pair):
    v = recipes[pair].to_json()["values"]
    assert v["stops.retraction_mm"] == 0
    assert 0 < v["stops.feed_ends_early_mm"] <= 5
    assert v["stops.back_over_bead_mm"] > 0
    assert v["flow_factor"] == pytest.approx(1.1, abs=0.06)
    assert v["part.supports"] == v["part.raft"] == "none"
    assert v["stops.priming_bead_mm"] > 0
    assert v["part.bed_c"] <= baseline().bed_c
    assert v["stops.travel_route"] == "inside"
    assert v["part.fan_percent"] < baseline().fan_percent


def test_flow_factor_grows_with_softness_and_says_why():
    factors = {}
    for spool in ("75A", "85A", "95A"):
        s = plan(machine("guided"), filament(spool, measured=True), baseline()).setting("flow_factor")
        factors[spool] = s.value
        assert "sinks into the teeth" in s.reason  # which cause loses most
    assert factors["75A"] > factors["85A"] > factors["95A"] > 1
    rigid = baseline(changes=(("flow_factor = 1.0", "flow_factor = 0.95"),))
    scaled = plan(machine("guided"), filament("95A", measured=True), rigid).setting("flow_factor").value
    assert scaled == pytest.approx(0.95 * factors["95A"], abs=0.011)


# stiffer than any soft one, and what it stores known from a stop-start piece
_KNOWN = "lag_factor = {value = 0.9, spread = 1.05}\nhalf_strain = {value = 0.15, spread = 1.05}\ndiameter_mm ="
_STIFF = (("{value = 69, spread", "{value = 900, spread"), ("diameter_mm =", _KNOWN))


def test_a_short_pull_stays_where_little_is_stored():
    # physics against the habit: a stiff, measured spool on a short, held path stores little, and how much is known
    stiff = filament("95A", measured=True, changes=_STIFF)
    s = plan(machine("guided"), stiff, baseline()).setting("stops.retraction_mm")
    assert 0 < s.value <= 1.0
    assert s.low <= s.value <= s.high <= 1.0
    none = baseline(changes=(("retraction_mm = 1.0", "retraction_mm = 0"),))
    assert plan(machine("guided"), stiff, none).setting("stops.retraction_mm").value == 0


def test_knowing_more_is_quicker():
    guess = plan(machine("bench-2"), filament("85A"), baseline())
    known = plan(machine("bench-2"), filament("85A", measured=True), baseline())
    key = "bead_speed_mm_per_s.sparse_inside"
    assert known.setting(key).value > 1.5 * guess.setting(key).value
    assert guess.measure_next
    assert next(iter(guess.measure_next)) == "consistency_pa_sn"


def test_other_layer_heights_agree_with_a_plan_of_their_own():
    r = plan(machine("guided"), filament("85A"), baseline())
    heights = [row.layer_height_mm for row in r.by_height]
    assert heights == sorted(heights)
    own = next(row for row in r.by_height if row.layer_height_mm == 0.2)
    assert own.time_factor == 1
    assert own.speed_mm_per_s["sparse_inside"] == r.setting("bead_speed_mm_per_s.sparse_inside").value
    flows = [row.flow_mm3_per_s for row in r.by_height]
    assert (np.diff(flows) > 0).all()  # a thicker layer dams less
    thick = next(row for row in r.by_height if row.layer_height_mm == 0.3)
    again = plan(machine("guided"), filament("85A"), replace(baseline(), layer_height_mm=0.3, first_height_mm=0.3))
    assert thick.speed_mm_per_s["sparse_inside"] == pytest.approx(
        again.setting("bead_speed_mm_per_s.sparse_inside").value, rel=0.1
    )


def test_refusal_says_why_and_what_would_help(refused):
    assert not refused.works
    assert refused.settings == ()
    assert refused.verdict.startswith("No recipe is of use on this machine with this spool: even at 3 mm/s")
    assert "slower than 3 mm/s, which is our limit" in refused.verdict
    assert refused.jam_probability > refused.target
    told = {h.change: h for h in refused.helps}
    direct = told["a direct feed, guided to within 1.5 mm"]
    assert direct.works
    assert direct.speed_mm_per_s > 3
    assert refused.helps[0] == direct
    assert told["halve the 420 mm guide"].speed_mm_per_s < 0.8 * direct.speed_mm_per_s
    assert "a guide of 1.9 mm bore" in told
    assert "a 0.6 mm nozzle (beads as much wider)" in told
    assert "a spool twice as stiff" in told


def test_what_would_help_is_a_plan_of_its_own(refused):
    for h in refused.helps:
        change = next((c for c in hardware_changes(machine("tube-2.0"), filament("85A")) if c.what == h.change), None)
        if change is None:  # the larger nozzle also widens the beads
            continue
        again = plan(change.machine, change.filament, baseline())
        assert again.works == h.works
        if h.works:  # told from fewer samples
            assert again.setting("bead_speed_mm_per_s.behind_outside").value == pytest.approx(
                h.speed_mm_per_s, rel=0.25
            )


def _parts(change):
    return set(change.removesuffix(" (beads as much wider)").split(", and "))


def test_pairs_are_tried_where_no_change_alone_is_enough():
    thick = filament("75A", changes=(("diameter_mm = 1.75", "diameter_mm = 1.75\nconsistency_pa_sn = 4000"),))
    r = plan(machine("open-gap"), thick, baseline())
    single = [h for h in r.helps if ", and " not in h.change]
    pairs = [h for h in r.helps if ", and " in h.change]
    assert not any(h.works for h in single)
    assert pairs[0].works
    assert any(
        {"a spool twice as stiff", "guide the 6 mm open gap down to 2 mm"} == _parts(h.change) for h in pairs if h.works
    )
    hopeless = filament("75A", changes=(("diameter_mm = 1.75", "diameter_mm = 1.75\nconsistency_pa_sn = 30000"),))
    assert any("Not even two" in n for n in plan(machine("open-gap"), hopeless, baseline()).notes)


def test_a_liner_that_bears_less_than_the_sheet_asks_is_refused():
    hot = filament("95A", changes=(("[215, 235]", "[245, 260]"),))
    r = plan(machine(changes=(('"none"', '"ptfe"'),)), hot, baseline())
    assert not r.works
    assert "at least 245 °C" in r.verdict
    assert "no more than 240 °C" in r.verdict
    assert json.dumps(r.to_json(), allow_nan=False)


@pytest.mark.parametrize("pair", [("tube-2.0", "75A"), ("open-gap", "75A")])
def test_roundtrip_refusal_is_exit_1(tmp_path, pair):
    result = _run("plan", *_files(tmp_path, *pair), "--json")
    assert result.exit_code == 1
    data = json.loads(result.stdout)
    assert data["works"] is False
    assert any(h["works"] for h in data["helps"])


def test_roundtrip_json_is_the_record(tmp_path):
    args = _files(tmp_path)
    result = _run("plan", *args, "--json", "--html", tmp_path / "p.html", "--sheet", tmp_path / "s.html")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    assert tuple(data["values"]) == KEYS
    assert differences(data, "plan") == (set(), set())
    w = data["window"]
    assert np.shape(w["jam_probability"]) == (len(w["nozzle_c"]), len(w["speed_mm_per_s"]))
    assert w["recipe"] == [data["values"]["bead_speed_mm_per_s.behind_outside"], data["values"]["nozzle_c"]]
    assert w["baseline"] == [50.0, 205.0]
    assert "10 mm/s" not in data["verdict"]
    for page in ("p.html", "s.html"):
        assert "</html>" in (tmp_path / page).read_text(encoding="utf-8")


def test_recipe_lies_inside_its_window(recipes):
    for r in recipes.values():
        w = r.window
        curve = contour_mm_per_s(w, r.target)
        speed, celsius = w.recipe
        assert speed <= np.interp(celsius, w.nozzle_c, curve) * 1.01
        assert w.allowed_c[0] <= celsius <= w.allowed_c[1]
        assert w.speed_mm_per_s[0] < speed < w.speed_mm_per_s[-1]
        assert w.speed_mm_per_s[0] < w.baseline[0] < w.speed_mm_per_s[-1]
        assert w.nozzle_c[0] < w.baseline[1] < w.nozzle_c[-1]


@pytest.mark.parametrize("target", [0.0, 0.9, float("nan"), -1.0])
def test_bad_targets_are_refused(target):
    with pytest.raises(DomainError, match=r"target must lie between 0\.001 and 0\.5"):
        plan(machine(), filament(), baseline(), target=target)


def test_bad_input_is_one_line_and_exit_2(tmp_path):
    args = _files(tmp_path)
    args[-1].write_text(starter("recipe").replace("sparse_inside = 60", "sparse_insid = 60"), encoding="utf-8")
    result = _run("plan", *args, "--html", tmp_path / "p.html")
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "did you mean 'sparse_inside'" in result.stderr
    assert not (tmp_path / "p.html").exists()
    args[-1].unlink()
    assert "pliant new" in _run("plan", *args).stderr


@pytest.mark.parametrize("like", RECIPES)
def test_roundtrip_starters_plan(tmp_path, like):
    args = _files(tmp_path, "guided", "95A")
    args[-1].write_text(starter("recipe", like), encoding="utf-8")
    assert _run("plan", *args).exit_code == 0


def test_text_carries_the_ledger(recipes, refused):
    text = plan_text(recipes["open-gap", "85A"])
    for s in recipes["open-gap", "85A"].settings:
        assert s.what in text
        assert s.reason in text
    heads = ["WHAT MELTS", "WHAT PUSHES", "WHERE THE BED PUSHES BACK", "WHAT HOLDS BACK AT STARTS AND STOPS",
             "WHAT THE PART NEEDS"]  # fmt: skip
    assert re.findall(r"^(WH[A-Z ]*?)(?:  .*)?$", text, re.M) == heads
    found = re.findall(r'scope="rowgroup">([^<]*)<', whole_page(plan_page(recipes["open-gap", "85A"])))
    assert [name.upper() for name in found] == heads
    assert "caution" in text
    assert "what would help" in plan_text(refused)


def test_regression_names_of_settings_are_our_own(recipes):
    r = recipes["open-gap", "85A"]
    said = " ".join(
        [
            plan_text(r),
            whole_page(sheet_page(r)),
            whole_page(plan_page(r)),
            starter("recipe"),
            *KEYS,
            *(s.reason for s in r.settings),
        ]
    )
    assert not re.findall(r"(?i)\b(?:outer|inner)[ _]walls?|\bskins?\b|infill|\bwip\w*|coast_mm", said)


@pytest.mark.parametrize("render", [plan_page, sheet_page])
def test_pages_ask_for_nothing_and_escape(recipes, refused, render):
    hostile = '<script>alert("1")</script>\'" onload=x() {{ 7*7 }}'
    for r in (recipes["open-gap", "85A"], refused):
        page = whole_page(render(replace(r, name=hostile, machine=hostile, filament=hostile, baseline=hostile)))
        assert "<script" not in page
        assert "http" not in page.replace("http-equiv", "")
        assert "49" not in re.sub(r"<(style|svg).*?</\1>|#\w+", "", page, flags=re.S).split("</header>")[0]
        assert "&lt;script&gt;" in page
        assert not re.search(r"\bnan\b|\binf\b", page)
        for svg in re.findall(r"<svg.*?</svg>", page, flags=re.S):
            ElementTree.fromstring(svg)


def test_ledger_page_shows_every_reason(recipes):
    r = recipes["dual-drive", "85A"]
    page = whole_page(plan_page(r))
    for s in r.settings:
        assert s.reason.replace("'", "&#39;") in page
    sheet = whole_page(sheet_page(r))
    for s in r.settings:
        if s.value != s.baseline:
            assert f">{s.what}" in sheet


@pytest.mark.parametrize(
    "on", [pytest.param(m, marks=[] if m in ("open-gap", "guided") else [pytest.mark.study]) for m in MACHINES]
)
def test_regression_mend_takes_out_the_retraction_that_plan_does_not_set(tmp_path, on):
    """Every starter pair: one answer for the recipe and for a program written with rigid habits."""
    path = tmp_path / "in.gcode"
    path.write_text("\n".join(posts(places=ROW[:3], layers=2)) + "\n")
    for spool in SPOOLS:
        pair = machine(on), filament(spool)
        settings = {s.key: s.value for s in plan(*pair, baseline()).settings}
        mended = mend(path, *pair, output=tmp_path / "out.gcode")
        assert mended.before.facts.retractions > 0
        if "stops.retraction_mm" in settings:
            # the pull before the first run stands between no two runs, and stays
            assert (mended.after.facts.retractions > 1) == (settings["stops.retraction_mm"] > 0)


def test_regression_mend_keeps_the_short_pull_that_plan_keeps_and_all_can_be_taken_out(tmp_path):
    stiff = filament("95A", measured=True, changes=_STIFF)
    path = tmp_path / "in.gcode"
    path.write_text("\n".join(posts(places=ROW[:3], layers=2)) + "\n")
    kept = mend(path, machine("guided"), stiff, output=tmp_path / "kept.gcode")
    assert kept.after.facts.retractions > 1
    assert any(note.startswith("retract: ") and "pull that short takes the pressure off" in note for note in kept.notes)
    out = mend(path, machine("guided"), stiff, output=tmp_path / "out.gcode", retraction=False)
    assert out.after.facts.retractions == 1 < kept.after.facts.retractions  # the one before the first run
    assert all(c.why == "you asked for none" for c in out.changes if c.what == "retraction" and "over" not in c.why)
    with pytest.raises(PliantError, match="done by the pass retract"):
        mend(path, machine("guided"), stiff, passes=("flow",), retraction=False)
