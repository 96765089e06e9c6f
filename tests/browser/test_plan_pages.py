"""The ledger and the settings sheet in a real browser: they fit a phone, and the sheet is one A4 page."""

import re
from dataclasses import replace

import pytest

from bench_window import chromium
from pliant.report.plan_page import plan_page, sheet_page
from pliant.report.sections import whole_page
from pliant.workflows.plan import plan
from recipes import baseline, filament, machine

LONG = "A machine in the corner by the window, with the blue lid and a new tube " * 3


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan")
    found = {}
    for name, on, spool in (("works", "dual-drive", "85A"), ("refused", "tube-2.0", "75A")):
        recipe = plan(machine(on), filament(spool), baseline())
        for size, r in (("", recipe), ("long", replace(recipe, machine=LONG, filament="x" * 90, baseline=LONG))):
            for kind, render in (("ledger", plan_page), ("sheet", sheet_page)):
                path = folder / f"{name}{size}-{kind}.html"
                path.write_text(whole_page(render(r)), encoding="utf-8")
                found[name + size, kind] = path
    return found


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.mark.parametrize("kind", ["ledger", "sheet"])
@pytest.mark.parametrize("name", ["works", "workslong", "refused", "refusedlong"])
@pytest.mark.parametrize("width", [390, 800, 1280])
def test_fits_and_asks_for_nothing(browser, pages, name, kind, width):
    page = browser.new_page(viewport={"width": width, "height": 900})
    asked, said = [], []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: said.append(m.text))
    page.goto(pages[name, kind].as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert asked == [pages[name, kind].as_uri()]
    assert said == []
    page.close()


@pytest.mark.parametrize("name", ["works", "workslong", "refused", "refusedlong"])
def test_sheet_is_one_a4_page_with_nothing_cut_off(browser, pages, name):
    page = browser.new_page()
    page.goto(pages[name, "sheet"].as_uri())
    pdf = page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 1
    box = [float(v) for v in re.search(rb"/MediaBox\s*\[([^\]]*)\]", pdf)[1].split()]
    assert box[2:] == pytest.approx([595.3, 841.9], abs=1)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 794, "height": 1123})
    over = page.evaluate("(e => e.scrollHeight - e.clientHeight)(document.querySelector('.paper'))")
    assert over <= 0
    page.close()
