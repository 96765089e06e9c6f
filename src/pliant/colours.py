"""The colours of all pages and drawings, named in this one place: ink on paper, and three more that tell states apart.

A sheet of style takes them by name, as `var(--ink)`; a drawing, which must also stand alone, takes the value.
"""

__all__ = [
    "COLOURS", "INK", "LIGHT_MOSS", "LIGHT_OCHRE", "LIGHT_PLUM", "MOSS", "OCHRE", "PAPER", "PLUM", "SHEET",
    "colour_rule",
]  # fmt: skip

INK, PAPER, SHEET = "#1d2430", "#f7f5f0", "#ffffff"
MOSS, OCHRE, PLUM = "#5b7f5e", "#c98a1b", "#7d2e68"  # room to spare, narrow, over
LIGHT_MOSS, LIGHT_OCHRE, LIGHT_PLUM = "#b9cdb9", "#f4e3c0", "#e3cfdd"  # the same, under lines and words

COLOURS = {
    "ink": INK,
    "paper": PAPER,
    "sheet": SHEET,  # what is drawn or written on
    "moss": MOSS,
    "ochre": OCHRE,
    "plum": PLUM,
    "light-moss": LIGHT_MOSS,
    "light-ochre": LIGHT_OCHRE,
    "light-plum": LIGHT_PLUM,
    "hatch-ochre": "#d5a24a",
    "hatch-plum": "#9c5f8b",
    "soft": "#4a5160",  # words of less weight
    "faint": "#6d7280",  # words that wait to be replaced
    "unseen": "#4a5160",  # threads that the finished part hides; those in sight are ink
    "night": "#39425a",  # ink under a hand
    "rule": "#cfcabd",
    "edge": "#a8a393",  # a rule that closes a group
    "laid": "#c4bda8",  # a bead as wide as it comes out
    "hand": "#ece7da",  # what is pointed at
    "lane": "#e3ded1",  # every other layer
}


def colour_rule() -> str:
    """The names for sheets of style, as one rule."""
    return ":root { " + "".join(f"--{name}: {value}; " for name, value in COLOURS.items()) + "}\n"
