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


_TEXTS = r"""() => {
  const seen = [], bad = [];
  const walk = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
  for (let node; (node = walk.nextNode()); ) {
    const said = node.textContent.trim(), box = node.parentElement, range = document.createRange();
    const left_out = "script, style, title, desc, option, .sr, .skip, noscript, textarea";
    if (!said || !box || !box.checkVisibility() || box.closest(left_out)) continue;
    let cut = false;
    for (let up = box; up && up !== document.body; up = up.parentElement)
      cut ||= getComputedStyle(up).clipPath.startsWith("inset");
    if (cut) continue;
    range.selectNodeContents(node);
    const rects = [...range.getClientRects()].filter((r) => r.width > 0.5 && r.height > 0.5);
    const style = getComputedStyle(box);
    if (!rects.length || style.visibility === "hidden" || Number(style.opacity) === 0) continue;
    const svg = box.closest("svg"), view = svg && svg.viewBox.baseVal;
    const scale = svg && view && view.width ? svg.getBoundingClientRect().width / view.width : 1;
    const size = parseFloat(style.fontSize) * (svg && svg.getAttribute("preserveAspectRatio") !== "none" ? scale : 1);
    const told = said.slice(0, 40);
    if (size < 10.95) bad.push(`${size.toFixed(1)} px: ${told}`);
    const wide = Math.max(...rects.map((r) => r.width));
    const word = Math.max(...said.split(/\s+/).map((w) => w.length));
    if (rects.length > 2 && wide < 6 * 0.45 * size && word > 3) bad.push(`${wide.toFixed(0)} px wide: ${told}`);
    for (const r of rects) {
      // the box of a line is taller than its letters
      const rest = Math.max(0, (r.height - 0.8 * size) / 2);
      seen.push({ told, node, box, top: r.top + rest, bottom: r.bottom - rest, left: r.left + 1, right: r.right - 1 });
    }
  }
  seen.sort((a, b) => a.top - b.top);
  for (let i = 0; i < seen.length; i++)
    for (let k = i + 1; k < seen.length && seen[k].top < seen[i].bottom - 1; k++) {
      const a = seen[i], b = seen[k];
      const over = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      if (a.node !== b.node && over > 2 && Math.min(a.bottom, b.bottom) - b.top > 2.5)
        bad.push(`over one another: ${a.told} / ${b.told}`);
    }
  return [...new Set(bad)].slice(0, 6);
}"""


def crowded(page):
    """Texts that cannot be read: under 11 px, narrower than six characters, or over another."""
    return page.evaluate(_TEXTS)


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
