"""The tutorial with pictures, walked through in a real browser; the pictures in docs/tutorial are taken here.

Pictures are kept with the pages, so that a reader of the sources has them; `pictures.json` beside them lists the words
that each shows, and the walk fails where a page no longer shows them. `PLIANT_PICTURES=draw` takes them anew.
"""

import io
import json
import os
import re

import pytest
from PIL import Image
from playwright.sync_api import expect

from bench_window import PATIENCE_MS, chromium, served
from docs_script import DOCS
from pliant.workflows.workshop import strain_relief_program

pytestmark = pytest.mark.study  # the whole walk; the commands of its twin are run by tests/docs

PLACE = DOCS / "tutorial" / "pictures"
LIST = PLACE / "pictures.json"
DRAW = os.environ.get("PLIANT_PICTURES") == "draw"
WIDTH, SCALE = 1024, 1.25  # pictures are 1280 wide, and their words large enough to read on a page

# words that say what a piece of page is for; figures and names of the day are masked
SHOWN = """([top, bottom]) => [...document.querySelectorAll(
  'h1, h2, h3, th, legend, button, .button, label > span:first-child, figcaption b, .obligations li')]
  .filter(e => { if (e.closest('tbody')) return false;  // rows stand in the order of their figures
                 const b = e.getBoundingClientRect(), y = b.top + scrollY;
                 return b.height > 0 && b.width > 2 && y >= top && b.bottom + scrollY <= bottom; })
  .map(e => e.innerText.replace(/\\s+/g, ' ').replace(/[0-9][0-9.,:]*/g, '#').trim())"""


class Story:
    """A page, and the pictures taken of it."""

    def __init__(self, page):
        self.page, self.words, self.pictures = page, {}, {}
        self.met = ""  # all words of the pages on the way

    def take(self, name, first="main", last=None):
        """Picture from the top of one element to the bottom of another, over the whole width."""
        self.met += self.page.locator("main").inner_text() + "\n"
        tops = self.page.locator(first).first.bounding_box()
        ends = self.page.locator(last or first).first.bounding_box()
        scroll = self.page.evaluate("scrollY")
        top, bottom = tops["y"] + scroll, ends["y"] + ends["height"] + scroll
        self.words[name] = self.page.evaluate(SHOWN, [top, bottom])
        clip = {"x": 0, "y": top, "width": WIDTH, "height": bottom - top}
        self.pictures[name] = self.page.screenshot(full_page=True, clip=clip)

    def click(self, words, where):
        self.met += self.page.locator("main").inner_text() + "\n"
        self.page.locator(f"main :is(a, button):has-text('{words}')").first.click()
        self.page.wait_for_url(where)


def _walk(page, address, program):
    story = Story(page)
    _first_evening(story, address, program)
    _piece(story, program)
    page.goto(address + "/mend")
    page.set_input_files("#program", program)
    story.click("Mend it", "**/mend/*")
    expect(page.locator("h1")).to_contain_text("Mended")
    story.take("mended", ".verdict", ".next")
    story.take("before-and-after", "section:has(.ledger)")
    story.take("certificate", "section:has(.obligations)")
    page.goto(address + "/plan")
    for key, value in (("nozzle_c", "205"), ("layer_height_mm", "0.2"), ("behind_outside", "50")):
        page.fill(f"[name={key}]", value)
    story.click("Plan it", "**/plan/*")
    expect(page.locator(".handles")).to_be_visible()
    story.take("plan-map", ".set.plan .map")
    return story


def _first_evening(story, address, program):
    """From nothing to a print: checked, started with a pad first, and written down."""
    page = story.page
    page.goto(address + "/")
    slip = {"gap_mm": "6.2", "guide_mm": "25", "nozzle_mm": "0.4", "hardness": "85A"}
    slip |= {"reach_x": "200", "reach_y": "200", "reach_z": "180"}
    names = {"machine_name": "Bench by the window", "spool_name": "Soft black 85A"}
    for key, value in (slip | names).items():
        page.fill(f"[name={key}]", value)
    page.set_input_files("#program", program)
    page.evaluate("document.activeElement.blur()")
    story.take("first-visit", ".lead-in", ".measures")
    story.take("first-visit-program", "form section:has([name=hardness])", "form section:has(.go)")
    story.click("Check it", "**/check/*")
    expect(page.locator(".set.check").first).to_be_visible()
    story.take("check", "header.top", ".set.check section:nth-of-type(2)")
    story.take("ways", ".onward")
    story.take("check-path", ".set.check section:has(.path)")
    page.locator(".way.watch button").click()
    page.wait_for_url("**/mend/*")
    expect(page.locator("text=The certificate")).to_be_visible()
    story.take("tonight", ".verdict", ".pad")
    story.click("Yes: say how the print went", "**/book?*")
    page.check("[value=ok]")
    page.fill("textarea", "fed to the end, two threads")
    page.evaluate("document.activeElement.blur()")
    story.take("book", ".lead-in", "#outcome")
    story.click("Write it down", "**/book/record/*")
    expect(page.locator("h1")).to_contain_text("A print: ok")


def _piece(story, program):
    """Check again, print the piece, read it, learn."""
    page = story.page
    page.goto(page.url.split("/book")[0] + "/check")
    page.set_input_files("#program", program)
    story.click("Check it", "**/check/*")
    expect(page.locator(".set.check").first).to_be_visible()
    story.take("again", ".verdict")
    story.click("Make the piece", "**/coupon/*")
    expect(page.locator("text=Download the program")).to_be_visible()
    story.take("piece", ".next", ".set table")
    story.click("Printed it?", "**/readings/*")
    for step in range(9):
        page.select_option(f"[name=answer_{step}]", "held" if step < 8 else "failed")
    page.select_option("[name=upload]", label=program.name)
    page.evaluate("document.activeElement.blur()")
    story.take("readings", ".lead-in", ".readings")
    story.click("Learn from it", "**/learn/*")
    expect(page.locator("h1")).to_contain_text("Learned")
    story.take("learned", ".verdict", "section.next")


@pytest.fixture(scope="module")
def story(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tutorial")
    program = folder / "strain-relief.gcode"
    program.write_text(strain_relief_program())
    with served(folder) as (address, _), chromium() as browser:
        window = browser.new_context(viewport={"width": WIDTH, "height": 900}, device_scale_factor=SCALE)
        window.set_default_timeout(PATIENCE_MS)
        story = _walk(window.new_page(), address, program)
    if DRAW:
        PLACE.mkdir(exist_ok=True)
        for name, png in story.pictures.items():
            picture = Image.open(io.BytesIO(png)).convert("RGB").quantize(128, dither=Image.Dither.NONE)
            picture.save(PLACE / f"{name}.png", optimize=True)
        LIST.write_text(json.dumps(story.words, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return story


def test_roundtrip_the_tutorial_can_be_walked_and_its_pictures_are_current(story):
    # after a wanted change: PLIANT_PICTURES=draw .venv/bin/python -m pytest tests/browser/test_tutorial.py
    kept = json.loads(LIST.read_text(encoding="utf-8"))
    assert story.words == kept


def test_pictures_are_there_and_as_large_as_what_they_show(story):
    assert {p.stem for p in PLACE.glob("*.png")} == set(story.pictures)
    for name, png in story.pictures.items():
        now, then = (Image.open(io.BytesIO(b)).size for b in (png, (PLACE / f"{name}.png").read_bytes()))
        assert now[0] == then[0] == WIDTH * SCALE
        assert then[1] == pytest.approx(now[1], rel=0.2), name  # fonts differ a little from one computer to the next


def test_pictures_are_small_and_all_are_shown(story):
    assert sum(p.stat().st_size for p in PLACE.glob("*.png")) < 1_000_000
    page = (DOCS / "tutorial" / "first-print.md").read_text(encoding="utf-8")
    assert re.findall(r"\]\(pictures/([a-z-]+)\.png\)", page) == list(story.pictures)


def test_the_words_on_the_pages_are_those_that_the_tutorial_names(story):
    """What the tutorial puts in bold is a button, heading or field that was there on the way."""
    page = (DOCS / "tutorial" / "first-print.md").read_text(encoding="utf-8")
    named = re.findall(r"\*\*(.*?)\*\*", " ".join(page.split()))
    assert len(named) > 8
    assert [name for name in named if name not in " ".join(story.met.split())] == []
