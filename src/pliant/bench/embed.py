"""Set a report inside a page of the bench.

A report is one self-contained file: its style stands in the page, and lengths stand in `style` attributes. The bench
allows neither. Here such a page is taken apart: the markup without `style`, a sheet with one rule per former attribute,
and the numbers for the script. What the report escaped stays escaped, since the markup is copied, not written anew.
"""

import re
from dataclasses import dataclass
from html.parser import HTMLParser

__all__ = ["Embedded", "embed"]

_STYLE_ATTRIBUTE = re.compile(r'\sstyle="([^"]*)"')
_CLASS_ATTRIBUTE = re.compile(r'(\sclass=")([^"]*)"')
_LEFT_OUT = ("script", "style", "title", "head")
_UNWRAPPED = ("html", "body", "main")


@dataclass(frozen=True)
class Embedded:
    """A report in pieces: title, markup, one sheet of rules, and its numbers as JSON text."""

    title: str
    body: str
    rules: str
    numbers: str


def embed(page: str) -> Embedded:
    r"""Take a report apart.

    Parameters
    ----------
    page : str
        A whole HTML document made by `pliant.report`.

    Returns
    -------
    Embedded

    Examples
    --------
    >>> embed('<title>T</title><body><main><i class="a" style="left:2%">x</i></main></body>')
    Embedded(title='T', body='<i class="a v0">x</i>', rules='.v0.v0.v0.v0{left:2%}\n', numbers='')
    """
    taking = _Taking()
    taking.feed(page)
    taking.close()
    # a rule named four times outweighs the sheet's own rules, as the attribute did, and yields to the script
    rules = "".join(f".v{k}.v{k}.v{k}.v{k}{{{rule}}}\n" for rule, k in taking.rules.items())
    return Embedded("".join(taking.title), "".join(taking.body), rules, "".join(taking.numbers))


class _Taking(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=False)
        self.body: list[str] = []
        self.title: list[str] = []
        self.numbers: list[str] = []
        self.rules: dict[str, int] = {}
        self._inside: list[str] = []
        self._into: list[str] | None = self.body

    def handle_decl(self, decl: str) -> None:
        pass

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _UNWRAPPED or tag in ("meta", "link"):
            return
        if tag in _LEFT_OUT and "svg" not in self._inside:
            if tag == "head":
                return
            values = dict(attrs)
            if tag == "title":
                self._into = self.title
            elif tag == "script" and values.get("type") == "application/json":
                self._into = self.numbers
            else:
                self._into = None
            return
        if tag == "svg":
            self._inside.append(tag)
        self._put(self._without_style(self.get_starttag_text() or ""))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "link"):
            self._put(self._without_style(self.get_starttag_text() or ""))

    def handle_endtag(self, tag: str) -> None:
        if tag in _UNWRAPPED or tag == "head":
            return
        if tag in _LEFT_OUT and "svg" not in self._inside:
            self._into = self.body
            return
        if tag == "svg" and self._inside:
            self._inside.pop()
        self._put(f"</{tag}>")

    def handle_data(self, data: str) -> None:
        self._put(data)

    def handle_entityref(self, name: str) -> None:
        self._put(f"&{name};")

    def handle_charref(self, name: str) -> None:
        self._put(f"&#{name};")

    def _put(self, text: str) -> None:
        if self._into is not None:
            self._into.append(text)

    def _without_style(self, tag: str) -> str:
        found = _STYLE_ATTRIBUTE.search(tag)
        if found is None:
            return tag
        k = self.rules.setdefault(found[1], len(self.rules))
        tag = tag[: found.start()] + tag[found.end() :]
        named, count = _CLASS_ATTRIBUTE.subn(rf'\g<1>\g<2> v{k}"', tag, count=1)
        return named if count else re.sub(r"^(<[\w-]+)", rf'\g<1> class="v{k}"', tag)
