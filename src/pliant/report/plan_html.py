"""A recipe as two pages: the ledger with its window map, and one A4 sheet of settings to pin beside the machine.

Both are self-contained, run no script and ask for nothing. Jinja escapes everything that comes from a record.
"""

import re
from datetime import date
from importlib.resources import files

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from pliant import __version__
from pliant.records.baseline import BEAD_WORDS
from pliant.records.recipe import Recipe, Setting
from pliant.report import words
from pliant.report.plan import grouped, range_words, value_words
from pliant.report.text import MEANS
from pliant.report.window_chart import window_svg

__all__ = ["plan_html", "sheet_html", "sheet_stamp"]

_GUARDS = MEANS | {
    "string": "threads drawn over air", "underfill": "gaps between beads", "lifting": "the part lifting off the bed",
    "weak layers": "layers that come apart", "tearing": "a part that tears when it is cleaned", "none": "a jam",
}  # fmt: skip


def plan_html(recipe: Recipe) -> str:
    """Render the ledger.

    Parameters
    ----------
    recipe : Recipe
        What `plan` derived.

    Returns
    -------
    str
        A whole HTML document.
    """
    low, high = 100 * recipe.jam_probability_low, 100 * recipe.jam_probability_high
    return _render(
        "plan.html",
        recipe,
        zone="room" if recipe.works else "over",
        groups=grouped(recipe),
        map_wide=window_svg(recipe.window, recipe.target, width=760, height=430),
        map_narrow=window_svg(recipe.window, recipe.target, width=358, height=360),
        band={"left": low, "width": max(high - low, 0.6), "at": 100 * recipe.jam_probability},
        measure=[(*words.unknown_in_words(name), share) for name, share in recipe.measure_next.items()],
        beads=BEAD_WORDS,
        assumed=[_assumed(text) for text in recipe.assumed],
        changed=sum(s.basis != "kept" for s in recipe.settings),
    )


def sheet_html(recipe: Recipe, stamp: str = "") -> str:
    """Render the settings as one A4 page.

    Parameters
    ----------
    recipe : Recipe
        What `plan` derived.
    stamp : str
        When it was made, and as which version, to stand in its head: the sheet hangs beside the machine for long.

    Returns
    -------
    str
        A whole HTML document that prints on one page.
    """
    kept = [s for s in recipe.settings if s.value == s.baseline]
    return _render(
        "sheet.html",
        recipe,
        groups=[
            (name, [s for block in found for s in block if s.value != s.baseline])
            for name, found in grouped(recipe)
        ],
        kept=_kept_words(kept),
        stamp=stamp,
        what=_what,
        helps=[h for h in recipe.helps if h.works][:4],
    )  # fmt: skip


def sheet_stamp(version: int | None = None) -> str:
    """When a sheet was made, and as which version of the book."""
    made = f"made {date.today():%Y-%m-%d}"
    return made if version is None else f"version {version} in the book, {made}"


def _render(name: str, recipe: Recipe, **more: object) -> str:
    room = files("pliant.report") / "templates"
    environment = Environment(
        loader=DictLoader({name: (room / name).read_text(encoding="utf-8")}), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {
        "percent": words.chance,
        "number": words.number,
        "odds": words.chance_in_words,
        "short": _short,
    }
    css = "plan.css" if name == "plan.html" else "sheet.css"
    style = [(room / f).read_text(encoding="utf-8") for f in (["page.css", css] if name == "plan.html" else [css])]
    return environment.get_template(name).render(
        r=recipe,
        version=__version__,
        style=Markup("\n".join(style)),
        policy="default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'",
        value=value_words,
        range=range_words,
        range_of=range,
        means=MEANS,
        guards=lambda s: _GUARDS.get(s.guards, s.guards),
        **more,
    )


def _short(name: str) -> str:
    """A name that leaves room for the settings."""
    return name if len(name) <= 60 else name[:59].rstrip() + "…"


def _assumed(sentence: str) -> tuple[str, str, str]:
    """What is assumed in words, its name, and its range without exponents."""
    name, _, rest = sentence.partition(" ")
    what, _ = words.unknown_in_words(name)
    plain = re.sub(r"\d(?:\.\d+)?e[+-]\d+", lambda found: words.number(float(found[0])), rest)
    return (what if what != name else ""), name, plain


def _what(setting: Setting) -> str:
    """What is set; the fan's figure holds after the first layer, which has none."""
    return f"{setting.what}, off in the first layer" if setting.key == "part.fan_percent" else setting.what


def _kept_words(kept: list[Setting]) -> str:
    """What stays as it is, in one line; bead widths once where they are alike."""
    widths = {s.value for s in kept if s.key.startswith("bead_width")}
    said, done = [], False
    for s in kept:
        if s.key.startswith("bead_width") and len(widths) == 1:
            if not done:
                said.append(f"width of all beads {value_words(s, s.value)} mm")
            done = True
        else:
            said.append(f"{_what(s)} {value_words(s, s.value)} {s.unit}".strip())
    return ", ".join(said)
