"""What a report is made of, alike for every verb: a title, a head, sections with an id, and numbers for a script.

A template names its sections while it is rendered, and hands over each length that it sets as a rule of style with a
name: no element carries a `style`, so the same sections stand in a file of their own and in a page of the bench, whose
policy forbids it. Jinja escapes everything that comes from a user.
"""

import base64
import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from pliant.colours import colour_rule
from pliant.report import words
from pliant.version import __version__

__all__ = ["Report", "Section", "compose", "json_markup", "report_of", "style_text", "template_text", "whole_page"]

_FIRST = ("page.css", "sheet.css")
NOTHING = Markup("")
_FOOT = "Made by pliant {version}. It is a model, not a promise."


@dataclass(frozen=True)
class Section:
    """One section: its id, its title, and its markup, which a page may open before `rest` to set in its own."""

    id: str
    title: str
    body: Markup
    rest: Markup = NOTHING

    @property
    def markup(self) -> Markup:
        """The section as one element."""
        return self.body + self.rest


@dataclass(frozen=True)
class Report:
    """A result for the eye.

    `styles` and `script` name files of `templates`; `rules` are the lengths that the sections set; `numbers` is JSON
    that cannot end its own element, or nothing.
    """

    title: str
    head: Markup
    sections: tuple[Section, ...]
    foot: Markup
    styles: tuple[str, ...]
    rules: tuple[str, ...] = ()
    numbers: Markup = NOTHING
    script: str = ""

    @property
    def whole(self) -> Markup:
        """Head, sections and foot."""
        return Markup("\n").join([self.head, *(s.markup for s in self.sections), self.foot])

    def section(self, name: str) -> Section:
        """The section of this id."""
        return next(s for s in self.sections if s.id == name)

    def upto(self, name: str) -> Markup:
        """The head and the sections up to the one of this id, or those before its place if it has one."""
        at = self.sections.index(self.section(name))
        return Markup("\n").join([self.head, *(s.markup for s in self.sections[:at]), self.sections[at].body])

    def beyond(self, name: str) -> Markup:
        """What `upto` leaves: with it, a page has set the whole report."""
        at = self.sections.index(self.section(name))
        return Markup("\n").join([self.sections[at].rest, *(s.markup for s in self.sections[at + 1 :]), self.foot])

    def worded(self, say: Callable[[str], str]) -> "Report":
        """The same report with everything it says passed through `say`, which keeps markup as it is."""

        def said(text: Markup) -> Markup:
            return Markup(say(str(text)))

        return replace(
            self, title=say(self.title), head=said(self.head), foot=said(self.foot), numbers=said(self.numbers),
            sections=tuple(Section(s.id, say(s.title), said(s.body), said(s.rest)) for s in self.sections),
        )  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """Plain data, which `report_of` reads."""
        sections = [{"id": s.id, "title": s.title, "body": str(s.body), "rest": str(s.rest)} for s in self.sections]
        return {
            "title": self.title, "head": str(self.head), "sections": sections, "foot": str(self.foot),
            "styles": list(self.styles), "rules": list(self.rules), "numbers": str(self.numbers), "script": self.script,
        }  # fmt: skip


def report_of(data: dict[str, Any]) -> Report:
    """The report that `Report.to_json` wrote."""
    sections = tuple(Section(s["id"], s["title"], Markup(s["body"]), Markup(s["rest"])) for s in data["sections"])
    return Report(
        data["title"], Markup(data["head"]), sections, Markup(data["foot"]), tuple(data["styles"]),
        tuple(data["rules"]), Markup(data["numbers"]), data["script"],
    )  # fmt: skip


class _Setting:
    """What a template hands over while it is rendered."""

    def __init__(self) -> None:
        self.sections: list[Section] = []
        self.rules: dict[str, int] = {}
        self._rest = NOTHING

    def at(self, rule: str) -> str:
        """Name of a class with this one rule of style."""
        return f"at{self.rules.setdefault(rule, len(self.rules))}"

    def section(self, name: str, title: str, css: str = "", *, caller: Callable[[str], Markup]) -> str:
        """Keep a section; its template is told the title."""
        self._rest = NOTHING
        body = Markup('<section id="{}"{}>{}').format(
            name, Markup(' class="{}"').format(css) if css else "", caller(title)
        )
        end = Markup("</section>")
        if self._rest:
            self.sections.append(Section(name, title, body, self._rest + end))
        else:
            self.sections.append(Section(name, title, body + end))
        return ""

    def rest(self, *, caller: Callable[[], Markup]) -> str:
        """Keep the end of a section, before which a page may set something of its own."""
        self._rest = caller()
        return ""

    def written(self) -> tuple[str, ...]:
        """The rules; named four times, one outweighs those of the sheets, and yields to the script."""
        return tuple(".{0}.{0}.{0}.{0}{{{1}}}\n".format(f"at{k}", rule) for rule, k in self.rules.items())


def compose(
    template: str,
    title: str,
    *,
    verb: str = "",
    facts: Sequence[tuple[str, str]] = (),
    styles: tuple[str, ...] = ("page.css",),
    foot: str = _FOOT,
    drawn_with: Markup = NOTHING,
    numbers: Markup = NOTHING,
    script: str = "",
    **shown: Any,
) -> Report:
    """Render the sections of a template into a report.

    Parameters
    ----------
    template : str
        A file of `templates` that names its sections.
    title : str
        Of the whole.
    verb : str
        What was asked; without it the report has neither head nor foot.
    facts : sequence of (str, str)
        Names and values in the head.
    styles : tuple of str
        Files of `templates`, in order.
    foot : str
        What stands under it all.
    drawn_with : Markup
        Patterns that the drawings share.
    numbers : Markup
        JSON for the script.
    script : str
        A file of `templates`; it runs only where there are numbers.
    **shown
        What the template shows.

    Returns
    -------
    Report
    """
    setting = _Setting()
    pages = _environment(setting)
    pages.get_template(template).render(**shown)
    head = foot_ = NOTHING
    if verb:
        head = Markup(pages.get_template("head.html").render(verb=verb, facts=facts, drawn_with=drawn_with))
        foot_ = Markup("<footer><p>{}</p></footer>").format(foot.format(version=__version__))
    return Report(
        title, head, tuple(setting.sections), foot_, styles, setting.written(), numbers, script if numbers else ""
    )  # fmt: skip


def whole_page(report: Report) -> str:
    """Make one self-contained file of a report: no request leaves it, and it reads without a script.

    Parameters
    ----------
    report : Report
        Of any verb.

    Returns
    -------
    str
        A whole HTML document. The policy in its head lets a browser use its one style and its one script, each by its
        hash, and nothing else.
    """
    style = "".join([*(style_text(name) for name in report.styles), *report.rules])
    script = template_text(report.script) if report.script else ""
    allowed = f"style-src {_by_hash(style)}" + (f"; script-src {_by_hash(script)}" if script else "")
    policy = f"default-src 'none'; {allowed}; base-uri 'none'; form-action 'none'"
    page = _environment(_Setting()).get_template("page.html")
    return page.render(r=report, style=Markup(style), script=Markup(script), policy=policy)


def _by_hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def json_markup(data: Any) -> Markup:
    """JSON that cannot end the element it stands in."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def template_text(name: str) -> str:
    """Text of one of the files that reports are made from."""
    return (files("pliant.report") / "templates" / name).read_text(encoding="utf-8")


def style_text(name: str) -> str:
    """Text of a sheet of style; one that a page begins with names the colours."""
    return (colour_rule() if name in _FIRST else "") + template_text(name)


def _environment(setting: _Setting) -> Environment:
    """Every template by name, with everything escaped and the filters of the reports."""
    made = Environment(
        loader=FunctionLoader(template_text), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.globals |= {"section": setting.section, "rest": setting.rest, "at": setting.at}
    made.filters |= {
        "percent": words.chance,
        "number": words.number,
        "clock": words.clock,
        "odds": words.chance_in_words,
        "breakable": lambda name: Markup("_<wbr>").join(str(name).split("_")),
    }
    return made
