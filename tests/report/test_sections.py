"""Reports of every verb have one shape: sections with an id, lengths as rules, everything escaped, one file of it."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from markupsafe import Markup

import pliant
from pliant.colours import COLOURS
from pliant.records.filament import read_filament
from pliant.records.learned import Answer, Believed, Learned, Suspect, Unpredicted
from pliant.records.machine import read_machine
from pliant.records.starters import starter
from pliant.report.coupon_page import coupon_page
from pliant.report.dry_page import dry_page
from pliant.report.feel_page import feel_page
from pliant.report.learn_page import learn_page
from pliant.report.plan_page import plan_page, sheet_page
from pliant.report.sections import compose, report_of, style_text, whole_page
from pliant.workflows.coupon import make_coupon
from pliant.workflows.dry import dry
from pliant.workflows.feel import feel
from pliant.workflows.plan import plan

HOSTILE = '<script>alert("1")</script>\'" onload=x() --> & {{ 7*7 }}'
ROOT = Path(pliant.__file__).parent
VERBS = ("coupon", "dry", "feel", "learn", "plan", "sheet")


class _Read(HTMLParser):
    """Elements and attributes, and the depth of each section."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.attributes, self.tags, self.words, self.open = [], [], "", []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag == "section":
            self.open.append(dict(attrs).get("id"))

    def handle_endtag(self, tag):
        if tag == "section":
            self.open.pop()

    def handle_data(self, data):
        self.words += data


def _learned():
    """All that a page of `learn` can show."""
    moved = Believed("youngs_modulus_mpa", 20.0, 1.5, 26.0, 1.2)
    still = Believed("path1.friction", 0.3, 1.4, 0.3, 1.4)
    return Learned(
        (moved, still), Believed("noise", 1.0, 1.2, 0.1, 1.1), 1.04,
        (Suspect(HOSTILE, "held", "failed", 0.01),),
        (Unpredicted(HOSTILE, ("ladder",), (0.2, 0.3), (None, None), "step 2", "held", "failed", 1e-9),),
        ("ladder", HOSTILE), 20000, 31.4, 0.31, "m.toml", "f.toml", HOSTILE, Answer(0.4, 0.01, None),
        Answer(0.2, 0.01, {"low": 3.0, "middle": 9.0, "high": 30.0}),
        (3.0, 1.0, 9.0), (2.5, 2.0, 3.1), 0.6, 220.0, (HOSTILE,),
    )  # fmt: skip


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    """One report of each verb that needs no program, with names that mean harm."""
    folder = tmp_path_factory.mktemp("reports")
    for kind in ("machine", "filament", "recipe"):
        (folder / kind).write_text(starter(kind))
    machine = replace(read_machine(folder / "machine"), name=HOSTILE)
    filament = replace(read_filament(folder / "filament"), name=HOSTILE)
    recipe = replace(plan(machine, filament, folder / "recipe"), name=HOSTILE, baseline=HOSTILE, notes=(HOSTILE,))
    return {
        "coupon": coupon_page(make_coupon("ladder", machine, filament), HOSTILE),
        "dry": dry_page(dry(filament)),
        "feel": feel_page(replace(feel("ring", (60, 44, 6), 1.0, wanted_n=100), notes=(HOSTILE,))),
        "learn": learn_page(_learned(), HOSTILE, HOSTILE),
        "plan": plan_page(recipe),
        "sheet": sheet_page(recipe),
    }


@pytest.mark.parametrize("verb", VERBS)
def test_each_section_is_one_element_with_its_id(reports, verb):
    report = reports[verb]
    names = [s.id for s in report.sections]
    assert names and len(names) == len(set(names))
    for s in report.sections:
        assert s.title
        assert s.markup.startswith(f'<section id="{s.id}"') and s.markup.endswith("</section>")
        assert _Read(s.markup).open == []


@pytest.mark.parametrize("verb", VERBS)
def test_no_element_carries_a_style_and_every_length_has_its_rule(reports, verb):
    report = reports[verb]
    read = _Read(report.whole)
    assert "style" not in [name for name, _ in read.attributes] and "style" not in read.tags
    used = {c for name, value in read.attributes if name == "class" for c in value.split() if re.fullmatch(r"at\d+", c)}
    assert used == {re.match(r"\.(at\d+)", rule)[1] for rule in report.rules}
    assert len(set(report.rules)) == len(report.rules)


@pytest.mark.parametrize("verb", VERBS)
def test_names_that_mean_harm_stay_words(reports, verb):
    page = whole_page(reports[verb])
    read = _Read(page)
    assert "script" not in read.tags and not [name for name, _ in read.attributes if name.startswith("on")]
    assert "<script" not in page and "{{ 7*7 }}" in page
    assert re.sub(r"\s+", " ", HOSTILE)[:30] in re.sub(r"\s+", " ", read.words)


@pytest.mark.parametrize("verb", VERBS)
def test_the_file_holds_the_sections_and_a_page_can_open_them_anywhere(reports, verb):
    report = reports[verb]
    page = whole_page(report)
    for s in report.sections:
        assert s.markup in page
        assert re.sub(r"\s", "", report.upto(s.id) + report.beyond(s.id)) == re.sub(r"\s", "", report.whole)


def test_only_the_window_has_a_place_for_something_else(reports):
    assert [s.id for r in reports.values() for s in r.sections if s.rest] == ["window"]
    assert reports["plan"].section("window").rest.lstrip().startswith("<figure>")


@pytest.mark.parametrize("verb", VERBS)
def test_roundtrip_plain_data(reports, verb):
    assert report_of(reports[verb].to_json()) == reports[verb]


def test_words_change_and_markup_stays(reports):
    said = reports["feel"].worded(lambda text: text.replace("What to do next", "And now"))
    assert said.section("next").title == "And now" and "<h2>And now</h2>" in said.section("next").body
    assert isinstance(said.section("next").body, Markup) and "<h2>And now</h2>" in said.whole
    assert said.rules == reports["feel"].rules


def test_a_length_is_one_rule_however_often_it_is_set(monkeypatch):
    text = '{% call(t) section("a", "A <b>") %}{{ t }}{% for w in (2, 3, 2) %}<i class="{{ at("width:%d%%"|format(w)) }}"></i>{% endfor %}{% endcall %}'  # noqa: E501
    monkeypatch.setattr("pliant.report.sections.template_text", lambda name: text)
    report = compose("any.html", "any")
    assert report.rules == (".at0.at0.at0.at0{width:2%}\n", ".at1.at1.at1.at1{width:3%}\n")
    assert report.sections[0].body == (
        '<section id="a">A &lt;b&gt;<i class="at0"></i><i class="at1"></i><i class="at0"></i></section>'
    )
    assert not report.head and not report.foot


def test_colours_are_named_in_one_place():
    named = set(COLOURS.values())
    for path in sorted(p for p in ROOT.rglob("*") if p.suffix in (".py", ".css", ".html", ".js", ".svg")):
        found = set(re.findall(r"(?<!&)#[0-9a-fA-F]{3,8}\b", path.read_text(encoding="utf-8")))
        if path.suffix == ".svg":  # a file of its own can take no name
            assert found <= named, path
        elif path.name != "colours.py":
            assert not found, path
    taken = set()
    for path in sorted(ROOT.rglob("*.css")):
        taken |= set(re.findall(r"var\(--([\w-]+)\)", path.read_text(encoding="utf-8")))
    assert taken - {"gutter"} <= set(COLOURS)
    assert style_text("page.css").startswith(":root { --ink: ") and not style_text("plan.css").startswith(":root")


def test_what_was_learned_is_drawn_where_it_moved(reports):
    page = reports["learn"]
    known = page.section("known").markup
    assert known.count("<rect") == 2 * 2  # one unknown, before and now, at both widths
    assert "path1" not in known and "m.toml" in page.section("files").markup
    assert (
        "look again" in page.section("verdict").markup and "under 1 in a million" in page.section("unpredicted").markup
    )
    assert "mm³/s" in page.section("verdict").markup and "flow factor of 1.04" in page.section("next").markup
