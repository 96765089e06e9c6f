"""The page of before and after: the same fields as the text, everything escaped, nothing asked for."""

import re

import pytest

from mend_workshop import PROGRAMS, filament, machine
from pliant.errors import PliantError
from pliant.report import mend_page
from pliant.report.words import chance
from pliant.say import quantity
from pliant.workflows.mend import ADDED, PASSES
from pliant.workflows.mend_picture import mend_with_report

_EVIL = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    from dataclasses import replace

    folder = tmp_path_factory.mktemp("page")
    path = folder / "a & b <i>.gcode"
    path.write_text(PROGRAMS["feet"]())
    page = folder / "page.html"
    mended = mend_with_report(
        path, replace(machine(), name=_EVIL), filament(), page, output=folder / "out.gcode",
        passes=[name for name in (*PASSES, *ADDED) if name != "shape"], dialect="e-on-its-own",
    )  # fmt: skip
    return mended, page.read_text(encoding="utf-8"), folder


def test_every_figure_of_the_text_is_there(made):
    mended, page, _ = made
    plain = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)).replace("&#39;", "'").replace("&gt;", ">")
    for obligation in mended.certificate.obligations:
        assert obligation.obligation in plain and obligation.figure.split(" instead")[0][:40] in plain
    for f in (mended.before, mended.after):
        assert chance(f.jam_probability) in page
        assert str(f.facts.strings) in plain
        assert quantity(f.facts.seen_travel_mm, "mm") in plain.replace("\xa0", " ")
    assert "open travel in sight" in plain
    assert "open travel out of sight" in plain
    for name, count in mended.counts().items():
        assert f"{name} " in plain and f"{count} change" in plain
    for note in mended.notes:
        assert note in plain
    assert chance(mended.flat.jam_probability) in page
    assert mended.after.verdict != "feeds" and "should feed now" not in page  # the quickest is no promise
    assert "Mended for tonight: start it, and stay near." in page and "No proof beside the part." in plain


def test_names_are_escaped_and_nothing_is_asked_for(made):
    _, page, _ = made
    assert _EVIL not in page and "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "a &amp; b &lt;i&gt;.gcode" in page
    assert "<script" not in page and "http" not in re.sub(r"http-equiv|http://www\.w3\.org", "", page)
    assert "default-src 'none'" in page.replace("&#39;", "'")


def test_both_versions_of_a_layer_share_their_bounds(made):
    _, page, _ = made
    views = re.findall(r'<figure class="sheet">\s*<svg viewBox="([^"]+)"', page)
    assert len(views) >= 2 and len(views) % 2 == 0
    assert views[0::2] == views[1::2]


def test_pairs_are_drawn_before_the_input_is_replaced(tmp_path):
    path = tmp_path / "in.gcode"
    path.write_text(PROGRAMS["gasket"]())
    mended = mend_with_report(path, machine(), filament(), tmp_path / "p.html", in_place=True)
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    first = re.search(r"open travel ([0-9.,]+) mm", page[page.index("<figcaption><b>Before") :])
    after = re.search(r"open travel ([0-9.,]+) mm", page[page.index("<figcaption><b>After") :])
    assert float(first[1].replace(",", "")) > float(after[1].replace(",", ""))
    assert mended.output == str(path)


def test_nothing_to_mend_still_makes_a_page(tmp_path):
    path = tmp_path / "in.gcode"
    path.write_text(PROGRAMS["feet"]())
    mended = mend_with_report(path, machine(), filament(), tmp_path / "p.html", output=tmp_path / "o.gcode", passes=())
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert mended.changes == () and "not a byte was changed" in page and "No layer changed." in page


@pytest.mark.parametrize("name", ["in.gcode", "out.gcode", "none/p.html", "."])
def test_a_page_never_takes_the_place_of_something_else(tmp_path, name):
    path = tmp_path / "in.gcode"
    path.write_text(PROGRAMS["strain-relief"]())
    text = path.read_bytes()
    with pytest.raises(PliantError, match=r"would replace|no such folder|not an ordinary file"):
        mend_with_report(path, machine(), filament(), tmp_path / name, output=tmp_path / "out.gcode")
    assert path.read_bytes() == text and not (tmp_path / "out.gcode").exists()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (4.0, 4.0, "the same"), (4.0, 2.0, "−50\u00a0%"), (4.0, 5.0, "+25\u00a0%"), (4.0, 10.0, "2.5 times"),
        (None, 3.0, ""), (0.0, 3.0, ""), (1000.0, 999.0, "hardly any"), (100.0, 5.0, "20 times less"),
        (3.0, 0.0, "−100\u00a0%"),
    ],
)  # fmt: skip
def test_changes_in_words(old, new, said):
    assert mend_page._change(old, new) == said
