"""A recipe as two reports: the ledger with its window map, and one A4 sheet of settings to pin beside the machine."""

from datetime import date

from pliant.records.baseline import BEAD_WORDS
from pliant.records.recipe import Recipe, Setting
from pliant.report import words
from pliant.report.check import MEANS
from pliant.report.check_page import assumed_words, jam_band
from pliant.report.evidence import evidence_words, full_sentence
from pliant.report.plan import grouped, range_words, tonight_about, value_words
from pliant.report.sections import Report, compose
from pliant.report.tonight import tonight_words
from pliant.report.window_chart import window_svg
from pliant.version import __version__

__all__ = ["plan_page", "sheet_page", "sheet_stamp"]

_GUARDS = MEANS | {
    "string": "threads drawn over air", "underfill": "gaps between beads", "lifting": "the part lifting off the bed",
    "weak layers": "layers that come apart", "tearing": "a part that tears when it is cleaned", "none": "a jam",
}  # fmt: skip


def plan_page(recipe: Recipe) -> Report:
    """Compose the ledger.

    Parameters
    ----------
    recipe : Recipe
        What `plan` derived.

    Returns
    -------
    Report
    """
    headline = "No recipe is of use here as it is."
    if recipe.works and recipe.window.recipe:
        speed, celsius = (words.number(v, 3) for v in recipe.window.recipe)
        headline = f"{speed}{words.NBSP}mm/s at {celsius}{words.NBSP}°C should feed."
    return compose(
        "plan.html",
        recipe.name,
        verb="plan",
        facts=(("Machine", recipe.machine), ("Filament", recipe.filament), ("Baseline", recipe.baseline)),
        styles=("page.css", "plan.css"),
        foot="pliant {version}. A recipe is a record of its own; your rigid one is not changed.",
        r=recipe,
        headline=headline,
        zone="room" if recipe.works else "over",
        groups=grouped(recipe),
        tonight=_tonight(recipe),
        map_wide=window_svg(recipe.window, recipe.target, width=760, height=430),
        map_narrow=window_svg(recipe.window, recipe.target, width=358, height=360),
        evidence=[full_sentence(text) for text in evidence_words(recipe)],
        band=jam_band(recipe),
        measure=[(*words.unknown_in_words(name), share) for name, share in recipe.measure_next.items()],
        levelling="" if recipe.levelling is None else words.levelling_words(recipe.levelling),
        beads=BEAD_WORDS,
        assumed=[assumed_words(text) for text in recipe.assumed],
        changed=sum(s.basis != "kept" for s in recipe.settings),
        value=value_words,
        range=range_words,
        means=MEANS,
        guards=lambda s: _GUARDS.get(s.guards, s.guards),
    )


def _tonight(recipe: Recipe) -> dict[str, str]:
    """What to do tonight, each part as a sentence; nothing where the rigid speed feeds."""
    if recipe.tonight is None:
        return {}
    said = tonight_words(recipe.tonight, MEANS.get(recipe.mechanism, recipe.mechanism))
    if recipe.tonight.choice == "piece-first":
        said["start"] = f"otherwise {said['start'] or said['part']}"
    return {name: full_sentence(text) if text else "" for name, text in said.items()} | {
        "about": full_sentence(tonight_about(recipe))
    }


def sheet_page(recipe: Recipe, stamp: str = "") -> Report:
    """Compose the settings as one A4 page, which is a section of its own without head or foot.

    Parameters
    ----------
    recipe : Recipe
        What `plan` derived.
    stamp : str
        When it was made, and as which version, to stand in its head: the sheet hangs beside the machine for long.

    Returns
    -------
    Report
        It prints on one page.
    """
    kept = [s for s in recipe.settings if s.value == s.baseline]
    return compose(
        "sheet.html",
        f"Settings: {recipe.name}",
        styles=("sheet.css",),
        r=recipe,
        version=__version__,
        groups=[
            (name, [s for block in found for s in block if s.value != s.baseline])
            for name, found in grouped(recipe)
        ],
        kept=_kept_words(kept),
        stamp=stamp,
        short=_short,
        value=value_words,
        what=_what,
        helps=[h for h in recipe.helps if h.works][:4],
    )  # fmt: skip


def sheet_stamp(version: int | None = None) -> str:
    """When a sheet was made, and as which version of the book."""
    made = f"made {date.today():%Y-%m-%d}"
    return made if version is None else f"version {version} in the book, {made}"


def _short(name: str) -> str:
    """A name that leaves room for the settings."""
    return name if len(name) <= 60 else name[:59].rstrip() + "…"


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
