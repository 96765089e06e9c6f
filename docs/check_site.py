"""Check a built site: every file and anchor that a page names is there, and nothing is loaded from elsewhere.

`python docs/check_site.py docs/_build` prints a line for each fault and ends with 1 if there was one. Links that a
reader may follow to another site (`<a href="https://…">`) are left alone: the check asks nobody.
"""

import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

_NAMES = {"href", "src", "action", "data", "poster", "srcset"}
_CSS = re.compile(r"""url\(\s*["']?([^"')]+)|@import\s+["']([^"']+)""")
_SCRIPT = re.compile(r"""(?:fetch|import|importScripts|src\s*=|href\s*=)\s*\(?\s*["'`]((?:https?:)?//[^"'`]*)""")


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.asked: list[tuple[str, str]] = []  # element and address
        self.alone: list[str] = []  # pictures without a word for those who cannot see them
        self._style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._style = tag == "style"
        self.anchors |= {value for key, value in attrs if value and (key == "id" or (tag == "a" and key == "name"))}
        self.asked += [(tag, value) for key, value in attrs if value is not None and key in _NAMES]
        if given.get("style"):
            self.asked += [("style", found) for found in _named_in_css(given["style"] or "")]
        if tag == "img" and not given.get("alt"):
            self.alone.append(given.get("src") or "")

    def handle_data(self, data: str) -> None:
        if self._style:
            self.asked += [("style", found) for found in _named_in_css(data)]


def _named_in_css(text: str) -> list[str]:
    return [a or b for a, b in _CSS.findall(text)]


def faults(site: Path) -> list[str]:
    """Everything that is wrong with the built pages under a folder, one line each."""
    site = site.resolve()
    pages: dict[Path, _Page] = {}
    for path in sorted(site.rglob("*.html")):
        pages[path] = _Page()
        pages[path].feed(path.read_text(encoding="utf-8"))
    if not pages:
        return [f"{site}: holds no page"]
    found = []
    for path, page in pages.items():
        here = path.relative_to(site)
        found += [f"{here}: {src}: a picture without alternative text" for src in page.alone]
        for tag, address in page.asked:
            fault = _fault(tag, address, path, site, pages)
            if fault:
                found.append(f"{here}: {address}: {fault}")
    for path in sorted(site.rglob("*.css")):
        for address in _named_in_css(path.read_text(encoding="utf-8")):
            fault = _fault("style", address, path, site, pages)
            if fault:
                found.append(f"{path.relative_to(site)}: {address}: {fault}")
    for path in sorted(site.rglob("*.js")):
        for address in _SCRIPT.findall(path.read_text(encoding="utf-8")):
            found.append(f"{path.relative_to(site)}: {address}: a script loads from elsewhere")
    return found


def _fault(tag: str, address: str, page: Path, site: Path, pages: dict[Path, _Page]) -> str | None:
    parts = urlsplit(address)
    if parts.scheme in ("data", "mailto"):
        return None
    if parts.scheme or parts.netloc:
        return None if tag == "a" and parts.scheme in ("http", "https") else "is loaded from elsewhere"
    target = (page.parent / unquote(parts.path)).resolve() if parts.path else page
    if not target.is_relative_to(site) or not target.is_file():
        return "no such file in the site"
    if parts.fragment and target in pages and unquote(parts.fragment) not in pages[target].anchors:
        return "no such place on that page"
    return None


if __name__ == "__main__":
    told = faults(Path(sys.argv[1]))
    for line in told:
        print(line)
    sys.exit(1 if told else 0)
