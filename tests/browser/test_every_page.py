"""Every page in every state, at a desk and on a phone: it fits, can be read, axe has nothing serious, it asks nobody.

With `PLIANT_SHOTS=FOLDER` each of them is kept as a picture, to be looked at.
"""

import os
from pathlib import Path

import httpx
import pytest

from bench_states import empty_pages, filled
from bench_visitor import Visitor
from bench_window import Visit, chromium, crowded, served, unsound

# on the phone the words and colours are those of the desk; what differs is what has to scroll
SIZES = ((1280, 900, True), (390, 844, False))
_ALIKE = ("-error", "-refused", "-odd-names")  # made from the templates of pages that are audited
SHOTS = os.environ.get("PLIANT_SHOTS", "")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """A bench, the pages of it while its book was empty, and a way to fill it."""
    folder = tmp_path_factory.mktemp("pages")
    with served(folder) as (address, _), chromium() as running, httpx.Client(base_url=address, timeout=120) as client:
        yield address, running, Visitor(client)


def _walk(pages, address, running, whole):
    faults = []
    for turn, (width, height, audited) in enumerate(SIZES):
        window = Visit(running, width, height)
        page = window.page()
        for k, (name, path) in enumerate(sorted(pages.items())):
            if not whole and k % 2 != turn:
                continue
            page.goto(address + path)
            if SHOTS:
                page.screenshot(path=Path(SHOTS) / f"{name}-{width}.png", full_page=True)
            found = unsound(page, audited and not name.endswith(_ALIKE)) + crowded(page)
            faults += [f"{name} at {width}: {fault}" for fault in found]
        window.context.close()
        assert [url for url in window.asked if not url.startswith((address + "/", "data:"))] == []
        assert [text for text in window.said if "Failed to load resource" not in text] == []  # the statuses of errors
    assert faults == [], "\n".join(faults)


@pytest.mark.parametrize("whole", [False, pytest.param(True, marks=pytest.mark.study)])
def test_every_page_is_sound_in_every_state(pages, whole):
    """Half of the pages at a desk, the other half on a phone; all of them in both for the study and for pictures."""
    address, running, visitor = pages
    whole = whole or bool(SHOTS)
    _walk(empty_pages(), address, running, whole)
    _walk(filled(visitor, learn=bool(SHOTS)), address, running, whole)
