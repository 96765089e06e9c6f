"""A bench that runs as the command does, and windows of a real browser onto it."""

import os
import re
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

AXE = (Path(__file__).parent / "browser" / "axe" / "axe.min.js").read_text(encoding="utf-8")
PATIENCE_MS = 120_000  # the first work may have to wait for the compiler
expect.set_options(timeout=PATIENCE_MS)


@contextmanager
def served(folder, port=0):
    """Run the real command; gives the address and the process."""
    command = [sys.executable, "-c", "from pliant.cli import main; main()", "bench", "--no-open", "--port", str(port)]
    command += ["--book", str(folder / "book.sqlite")]
    environment = os.environ | {"XDG_CACHE_HOME": str(folder / "cache")}
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment)
    try:
        line = process.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+/", line)
        assert found, line
        yield found[0].rstrip("/"), process
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
        process.stderr.close()


@contextmanager
def chromium():
    there = shutil.which("chromium")
    if there is None:
        pytest.fail("Chromium is missing: install it with `apt-get install chromium` and run the tests again")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=there, args=["--no-sandbox"])
        yield running
        running.close()


class Visit:
    """One window, and what it asked for and complained of."""

    def __init__(self, browser, width, height, **more):
        self.context = browser.new_context(viewport={"width": width, "height": height}, **more)
        self.context.set_default_timeout(PATIENCE_MS)
        self.asked, self.said, self.expected = [], [], []

    def page(self):
        page = self.context.new_page()
        page.on("request", lambda r: self.asked.append(r.url))
        page.on("console", lambda m: self.said.append(m.text))
        page.on("pageerror", lambda e: self.said.append(str(e)))
        page.on("dialog", lambda d: self.said.append(f"dialog: {d.message}"))
        return page


def unsound(page, audited=True):
    """What is wrong with a page: serious findings of axe where it is audited, its width, its headings."""
    bad = []
    if audited:
        page.evaluate(AXE)
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        bad = [
            f"{v['id']}: {[n['html'][:120] for n in v['nodes'][:3]]}"
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
    wide, window = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    if wide > window:
        beyond = page.evaluate(
            "[...document.querySelectorAll('main *')].filter(e => e.getBoundingClientRect().right > innerWidth + 0.4)"
            ".map(e => e.outerHTML.slice(0, 90)).slice(-3)"
        )
        bad.append(f"{wide} px wide in a window of {window}: {beyond}")
    headings = page.locator("h1").count()
    return bad + ([f"{headings} first headings"] if headings != 1 else [])
