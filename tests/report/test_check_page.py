"""The page: one file, nothing fetched, nothing escapes, every figure of the findings on it."""

import base64
import hashlib
import itertools
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from drawn import check_with_picture
from pliant.records.starters import starter
from pliant.report import words
from pliant.report.charts import nice_ticks, sheet_drawing, strip_drawing, strip_numbers, top_of_chart
from pliant.report.check import joined, layers_of
from pliant.report.check_page import assumed_words, check_page
from pliant.report.sections import whole_page
from pliant.workflows.workshop import files

HOSTILE = '<script>alert("1")</script>\'" onload=x() --> & {{ 7*7 }}'


class _Page(HTMLParser):
    """Elements, attributes and text, with scripts and styles apart."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.words, self.scripts, self.inside = [], [], [], [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        self.inside = (tag, dict(attrs))
        if tag == "script":
            self.scripts.append((dict(attrs), ""))

    def handle_endtag(self, tag):
        self.inside = None

    def handle_data(self, data):
        if self.inside and self.inside[0] == "script":
            self.scripts[-1] = (self.scripts[-1][0], self.scripts[-1][1] + data)
        elif not (self.inside and self.inside[0] == "style"):
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"[\s\u00a0]+", " ", "".join(self.words))


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("workshop")
    for name, text in files():
        (folder / name).write_text(text)
    (folder / "open-gap.machine.toml").write_text(starter("machine", "open-gap"))
    return folder


@pytest.fixture(scope="module", params=[("bellows", "open-gap", "95A"), ("gasket", "long-tube", "75A")])
def checked(request, workshop):
    job, machine, filament = request.param
    return check_with_picture(
        workshop / f"{job}.gcode", workshop / f"{machine}.machine.toml", workshop / f"{filament}.filament.toml"
    )


def test_one_file_that_asks_for_nothing(checked):
    html = whole_page(check_page(*checked))
    page = _Page(html)
    assert "http:" not in html
    assert "https:" not in html
    assert not re.search(r"""["'(=]\s*//""", html)  # nor an address without a scheme
    assert not {"link", "img", "iframe", "object", "embed", "base", "form", "audio", "video"} & set(page.tags)
    assert "@import" not in html
    for _, name, value in page.attributes:
        assert not name.startswith("on")
        if name in ("href", "src", "xlink:href", "action", "data", "srcset"):
            assert name == "href"
            assert value.startswith("#")
        if name in ("style", "fill"):
            assert "url(" not in value or value.startswith("url(#h-")


def _by_hash(text):
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def test_policy_allows_the_one_style_and_the_one_script_by_hash(checked):
    html = whole_page(check_page(*checked))
    page = _Page(html)
    (style,) = re.findall(r"<style>(.*?)</style>", html, flags=re.S)
    policy = next(v for t, n, v in page.attributes if t == "meta" and n == "content" and "default-src" in v)
    run = [text for attrs, text in page.scripts if "type" not in attrs]
    assert len(run) == 1
    assert policy.split("; ") == [
        "default-src 'none'", f"style-src {_by_hash(style)}", f"script-src {_by_hash(run[0])}",
        "base-uri 'none'", "form-action 'none'",
    ]  # fmt: skip
    assert page.tags.index("meta") < page.tags.index("script")
    assert [attrs for attrs, _ in page.scripts if attrs] == [{"type": "application/json", "id": "numbers"}]


def test_hostile_words_stay_words(checked):
    findings, picture = checked
    sane = _Page(whole_page(check_page(findings, picture)))
    facts = replace(
        findings.facts, warnings=(HOSTILE,), dialect_questions=(HOSTILE,), dialect=HOSTILE, assumed=(HOSTILE,)
    )
    worst = tuple(replace(m, mechanism=HOSTILE) for m in findings.worst)
    hostile = replace(
        findings, facts=facts, cautions=(HOSTILE,), measure_next={HOSTILE: 0.5}, by_mechanism={HOSTILE: 0.5},
        worst=worst, mechanism=HOSTILE, remedies=tuple(replace(r, change=HOSTILE) for r in findings.remedies),
    )  # fmt: skip
    vessels = tuple(replace(v, label=HOSTILE) for v in picture.vessels)
    strip = replace(picture.strip, mechanisms=tuple(HOSTILE for _ in picture.strip.mechanisms))
    html = whole_page(
        check_page(
            hostile,
            replace(picture, program=HOSTILE, machine=HOSTILE, filament=HOSTILE, vessels=vessels, strip=strip),
        )
    )
    page = _Page(html)
    assert '<script>alert("1")' not in html
    assert page.text.count(re.sub(r"\s+", " ", HOSTILE)) >= 8
    assert page.tags.count("script") == 2
    assert not [a for a in page.attributes if a[1].startswith("on")]
    assert set(page.tags) <= set(sane.tags)
    assert "{{ 7*7 }}" in page.text


def test_every_figure_is_on_the_page(checked):
    findings, picture = checked
    page = _Page(whole_page(check_page(findings, picture)))
    text = page.text
    plain = [words.chance(findings.jam_probability), words.chance_in_words(findings.jam_probability)]
    plain += [words.number(v) for v in findings.limit_speed_mm_per_s.values()]
    plain += [v["note"][1:] for v in findings.validity]
    plain += [words.chance(r.jam_probability) for r in findings.remedies] + [r.change for r in findings.remedies]
    plain += [words.chance(v) for v in findings.by_mechanism.values()] + list(findings.by_mechanism)
    plain += [words.unknown_in_words(name)[0] for name in findings.measure_next] + [
        words.chance(v) for v in findings.measure_next.values()
    ]
    plain += [words.clock(m.time_s) for m in findings.worst]
    plain += [words.clock(findings.facts.time_s), f"{findings.facts.layers}, in {findings.facts.runs} runs"]
    plain += [words.number(findings.facts.bead_mm / 1000, 3), words.number(findings.facts.bead_mm3 / 1000, 3)]
    plain += [words.number(findings.facts.travel_mm / 1000, 3), f"{findings.facts.strings} string"]
    plain += [words.number(findings.facts.open_travel_mm / 1000, 3), f"up to {findings.max_passes} time"]
    plain += [words.number(findings.least_margin), *findings.cautions, *findings.facts.warnings]
    plain += [picture.program, picture.machine, picture.filament]
    plain += [f"Layer {s.layer + 1}" for s in picture.sheets] + [words.full(v.fill) for v in picture.vessels]
    for figure in plain:
        assert re.sub(r"[\s\u00a0]+", " ", figure) in text, figure
    for group in joined(findings.worst):
        assert str(min(group, key=lambda m: m.time_s).line) in page.words
        assert layers_of(group).split(", ")[0] in text
    for name in (assumed_words(a)["what"] or a.split("_")[0] for a in findings.facts.assumed):
        assert name in text


def test_no_more_digits_than_are_known(checked):
    findings, picture = checked
    text = _Page(whole_page(check_page(findings, picture))).text
    for figure in re.findall(r"(\d+(?:\.\d+)?) (?:N\b|%)", text):
        if re.fullmatch(r"0\d+", figure):
            continue  # ticks of an axis, read one after the other
        assert len(figure.replace(".", "").strip("0")) <= 2, figure


def test_headings_in_order_and_words_for_every_drawing(checked):
    page = _Page(whole_page(check_page(*checked)))
    levels = [int(t[1]) for t in page.tags if re.fullmatch("h[1-6]", t)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    assert ("html", "lang", "en") in page.attributes
    named = [v for t, n, v in page.attributes if n in ("aria-label", "aria-labelledby") and t in ("svg", "div")]
    drawings = [v for t, n, v in page.attributes if t == "svg" and n == "role" and v == "img"]
    assert len(named) >= len(drawings) >= 3
    ids = [v for _, n, v in page.attributes if n == "id"]
    assert len(ids) == len(set(ids))
    aimed = {v[1:] for _, n, v in page.attributes if n == "href"}
    assert aimed <= set(ids)


def test_governing_vessel_and_states_are_said_in_words(checked):
    text = _Page(whole_page(check_page(*checked))).text.replace("\u00a0", " ")
    assert text.count("GIVES FIRST") + text.count("WOULD GIVE FIRST") == 1
    for v in checked[1].vessels:
        assert f"{words.full(v.fill)}: {words.STATE[words.state_of(v.fill)]}".replace("\u00a0", " ") in text


def test_feeds_says_so_and_offers_nothing(checked):
    findings, picture = checked
    calm = replace(
        findings, verdict="feeds", jam_probability=0.004, jam_probability_error=0.0002,
        remedies=(), speed_share=1.0,
    )  # fmt: skip
    text = _Page(whole_page(check_page(calm, picture))).text
    assert "This job should feed." in text
    assert "Nothing needs to change." in text
    assert "Chance of a jam: under 1 %, less than 1 in 100" in text


def test_nothing_to_draw(checked):
    findings, picture = checked
    page = _Page(
        whole_page(check_page(replace(findings, worst=(), measure_next={}), replace(picture, sheets=(), vessels=())))
    )
    assert "This program lays nothing." in page.text
    assert "Look whether this is the right file." in page.text
    for word in ("feeds at", "The worst moments", "can carry", "Chance of a jam:", "What to measure next"):
        assert word not in page.text, word  # no figure of a push that is not there
    assert page.scripts == []


def test_roundtrip_numbers_for_the_script_are_json_without_markup(checked):
    page = _Page(whole_page(check_page(*checked)))
    text = next(t for attrs, t in page.scripts if attrs)
    assert "<" not in text
    data = json.loads(text)
    bins = checked[1].strip.levels[0]
    assert len(data["low"]) == len(data["high"]) == len(data["line"]) == len(data["x"]) == bins.low.size
    finite = [v for v in data["high"] if v is not None]
    assert max(finite) == pytest.approx(float(bins.high[np.isfinite(bins.high)].max()), rel=1e-3)


def test_bars_reach_the_peak(checked):
    strip = checked[1].strip
    drawn = strip_drawing(strip)
    tops = [float(v) for d in drawn["paths"].values() for v in re.findall(r"M[\d.]+ ([\d.]+)H", d)]
    top = top_of_chart(strip)
    assert min(tops) == pytest.approx(400 * (1 - min(strip.levels[0].high.max() / top, 1)), abs=0.06)
    assert (strip.capacity <= top) == (drawn["capacity_at"] is not None)


def test_ink_of_a_huge_layer_stays_bounded(checked):
    rng = np.random.default_rng(2)
    walk = np.cumsum(rng.normal(0, 0.2, (60_000, 2)), axis=0).astype(np.float32)
    beads = np.hstack([walk[:-1], walk[1:]])
    low, high = walk.min(axis=0), walk.max(axis=0)
    sheet = replace(
        checked[1].sheets[0], beads=beads, bounds_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    )
    path = sheet_drawing(sheet)["beads"]
    assert len(path) < 200_000
    assert path.startswith("M")


def test_strip_numbers_hold_infinity_as_null(checked):
    strip = checked[1].strip
    finest = strip.levels[0]
    high = finest.high.copy()
    high[3] = np.inf
    data = strip_numbers(replace(strip, levels=(replace(finest, high=high), *strip.levels[1:])), {})
    assert data["high"][3] is None
    assert json.dumps(data, allow_nan=False)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (6.268, "6.3"), (0.7738, "0.77"), (129.2, "130"), (1260.4, "1300"), (0.1, "0.1"), (20.0, "20")],
)
def test_numbers_have_two_digits(value, text):
    assert words.number(value) == text


def test_words_at_the_ends():
    assert words.number(float("inf")) == "beyond measure"
    assert words.full(float("inf")) == "over 10 times full"
    assert words.full(0.0) == "under 1\u00a0% full"
    assert words.chance_in_words(0.0) == "less than 1 in 100"
    assert words.chance_in_words(1.0) == "nearly certain"
    assert words.clock(0) == "0\u00a0s"
    assert words.clock(3600 * 26 + 61) == "26\u00a0h 1\u00a0min"
    assert [words.state_of(f) for f in (0.0, 0.33, 0.34, 1.0, 1.01, float("inf"))] == [
        "room", "room", "narrow", "narrow", "over", "over",
    ]  # fmt: skip
    assert words.unknown_in_words("path0.length_mm")[0] == "how long it is (span 1 of the feed path)"
    assert words.unknown_in_words("never_heard_of") == ("never_heard_of", "")
    assert nice_ticks(0.0) == [0.0]
    assert nice_ticks(6.9) == [0, 2, 4, 6]
