"""What a bench shows and what it lets save: the same sections of the same report, and no style in an element."""

import re

import pytest

from pliant.records.starters import starter
from pliant.workflows.workshop import feet_program
from workshop_parts import part_files

MARKUP = "<img src=x onerror=alert(1)>"
_RIGID = {"nozzle_c": "205", "layer_height_mm": "0.2", "behind_outside": "50"}
_READ = {"accept": "text/html"}


@pytest.fixture(scope="module")
def shown(bench):
    """Addresses of one result of each verb, for a machine and a spool with names that mean harm."""
    uid = {}
    for kind, like in (("machine", "open-gap"), ("filament", None)):
        text = re.sub(r'(?m)^name = ".*"', f'name = "{MARKUP}"', starter(kind, like) if like else starter(kind))
        answer = bench.post("/book/text", {"kind": kind, "text": text})
        assert answer.status_code == 201, answer.text
        uid[kind] = answer.json()["uid"]
    program = {"program": ("feet.gcode", feet_program(layers=2))}
    asked = {
        "check": bench.post("/check", uid, program),
        "mend": bench.post("/mend", uid, program),
        "plan": bench.post("/plan", uid | _RIGID),
        "part": bench.post("/part", uid, {"mesh": ("gasket.stl", dict(part_files())["gasket.stl"])}),
        "coupon": bench.post("/coupon", uid | {"kind": "ladder"}),
    }
    for name, answer in asked.items():
        done = bench.done(answer)
        assert done.status_code == 200, (name, done.text)
    return {name: answer.json()["location"] for name, answer in asked.items()} | {
        "feel": "/feel?piece=ring&size_1=60&size_2=44&size_3=6&deflection_mm=1&force_n=100",
        "dry": f"/dry?filament={uid['filament']}&temperature_c=50",
    }


def _page_and_file(bench, address):
    page = bench.get(address, headers=_READ).text
    (saved,) = set(re.findall(r'href="(/work/\w+/report.html)"', page))
    return page, bench.get(saved).text, saved.replace("report.html", "rules.css")


@pytest.mark.parametrize("verb", ["check", "mend", "plan", "part", "coupon", "feel", "dry"])
def test_the_page_holds_the_sections_of_the_file(bench, shown, verb):
    page, saved, rules = _page_and_file(bench, shown[verb])
    main = re.search(r"<main>\n(.*)</main>", saved, flags=re.S)[1]
    sections = [s.strip() for s in re.split(r"\n(?=<section id=)", "\n" + main) if s.strip()]
    assert len(sections) >= 4
    for section in sections:
        if verb == "plan" and 'id="window"' in section:  # the page sets its handles between the words and the map
            words, map_ = section.split("<figure>", 1)
            assert words.strip() in page and "<figure>" + map_ in page
        else:
            assert section in page
    style = bench.get(rules).text
    assert style in saved and (style != "") == ("at0" in main)


@pytest.mark.parametrize("verb", ["check", "mend", "plan", "part", "coupon", "feel", "dry"])
def test_no_element_has_a_style_and_names_stay_words(bench, shown, verb):
    for text in _page_and_file(bench, shown[verb])[:2]:
        assert not re.search(r"<[^>]*\sstyle=", text)
        assert "<img" not in text and "'unsafe-inline'" not in text
        if verb != "feel":  # it asks for no record
            assert "&lt;img src=x onerror=alert(1)&gt;" in text


def test_the_settings_on_one_sheet_have_the_names_of_colours(bench, shown):
    page = bench.get(shown["plan"] + "/sheet", headers=_READ).text
    assert '<section id="sheet"' in page and not re.search(r"<[^>]*\sstyle=", page)
    sheets = re.findall(r'rel="stylesheet" href="([^"]+)"', page)
    assert sheets == ["/static/sheet.css"] and "--ink:" in bench.get(sheets[0]).text
