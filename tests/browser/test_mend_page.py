"""The page of before and after in a real browser: no request, no error, fits a phone, opens its lists by keyboard."""

import pytest

from bench_window import chromium
from mend_workshop import PROGRAMS, filament, machine
from pliant.workflows.mend_picture import mend_with_report


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mended")
    (folder / "in.gcode").write_text(PROGRAMS["gasket"]())
    mend_with_report(
        folder / "in.gcode", machine("long-tube"), filament("75A"), folder / "p.html", output=folder / "o.gcode"
    )
    return folder / "p.html"


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.mark.parametrize("width", [1280, 390])
def test_fits_and_asks_for_nothing(browser, page_file, width):
    context = browser.new_context(viewport={"width": width, "height": 900})
    page, asked, said = context.new_page(), [], []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: said.append(m.text))
    page.on("pageerror", lambda e: said.append(str(e)))
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert asked == [page_file.as_uri()] and said == []
    drawn = page.locator(".pairs svg .bead")
    assert drawn.count() >= 2 and all(len(drawn.nth(k).get_attribute("d")) > 100 for k in range(2))
    small = page.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => e.childNodes.length && [...e.childNodes].some(n => "
        "n.nodeType === 3 && n.data.trim()) && parseFloat(getComputedStyle(e).fontSize) < 12.5).length"
    )
    assert small == 0
    context.close()


def test_more_changes_open_by_keyboard(browser, page_file):
    page = browser.new_page()
    page.goto(page_file.as_uri())
    details = page.locator(".pass details").first
    assert details.get_attribute("open") is None
    details.locator("summary").focus()
    page.keyboard.press("Enter")
    assert details.get_attribute("open") is not None
    page.close()
