"""Three ways on from a verdict, as cards: a piece that teaches, a start that is watched, the surest speed.

Each has a picture, minutes and a chance in words, and leads on by itself. What is advised comes from `tonight`.
"""

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from pliant.report.words import chance_in_words, clock

__all__ = ["Card", "cards_of"]

_LADDER = "".join(f'<rect x="{14 + 18 * k}" y="{58 - 9 * k}" width="16" height="{12 + 9 * k}"/>' for k in range(5))
_PART = '<path d="M20 70h80M30 70V46h60v24M38 46V30h44v16"/>'
_PICTURES = {
    "piece": _LADDER + '<path class="hot" d="M86 14l9 9m0-9l-9 9"/>',
    "watch": _PART
    + '<path class="hot" d="M36 14q24-18 48 0q-24 18-48 0z"/><circle class="hot" cx="60" cy="14" r="5"/>',
    "surest": _PART + '<circle class="hot" cx="60" cy="14" r="11"/><path class="hot" d="M60 7v7l5 4"/>',
    "hardware": '<path d="M48 8h24v16l-8 8v38h-8V32l-8-8z"/><path class="hot" d="M14 40h24m-8-7l8 7l-8 7"/>',
}


@dataclass(frozen=True)
class Card:
    """One card."""

    kind: str  # piece, watch, surest or hardware
    title: str
    big: str  # how long
    said: tuple[str, ...]
    button: str  # empty: nothing to send
    action: str
    fields: dict[str, str]
    advised: bool

    @property
    def picture(self) -> Markup:
        """What it is about, drawn; said by the title beside it."""
        return Markup(f'<svg viewBox="0 0 120 76" aria-hidden="true">{_PICTURES[self.kind]}</svg>')


def cards_of(data: dict[str, Any], about: dict[str, str]) -> list[Card]:
    """Cards for what a check found; none where it feeds, or where nothing was weighed.

    Parameters
    ----------
    data : dict
        Findings as plain data.
    about : dict
        The work's names: `machine_uid`, `filament_uid`, `upload`.

    Returns
    -------
    list of Card
    """
    t = data.get("tonight")
    if not t or data["verdict"] == "feeds":
        return []
    pair = {"machine": about["machine_uid"], "filament": about["filament_uid"]}
    program = pair | {"upload": about["upload"]}
    found = []
    if t["piece"]:
        found.append(_piece(t, pair))
    if t["tries"] and t["choice"] != "go" and t.get("watched", True):
        found.append(_watched(t, program))
    share = data["speed_share"]
    warm = t.get("nozzle_c") is not None and t["choice"] != "another-part"  # else not even heat would do
    found.append(_hotter(t, program) if warm else _surest(t, share, program))
    return found


def _minutes(minutes: float) -> str:
    return clock(60 * minutes)


def _piece(t: dict[str, Any], pair: dict[str, str]) -> Card:
    piece = t["piece"]
    said = ["It shows how fast this machine really feeds this spool, and every later answer is surer."]
    if piece["saves_min"] > 1:
        said.append(f"On this job it saves about {_minutes(piece['saves_min'])} more than it takes.")
    else:
        said.append("On this job alone it does not pay; over the next ones it may.")
    fields = pair | {"kind": piece["kind"]}
    return Card(
        "piece", "Print a small piece first", _minutes(piece["minutes"]), tuple(said), "Make the piece", "/coupon",
        fields, t["choice"] == "piece-first",
    )  # fmt: skip


def _watched(t: dict[str, Any], program: dict[str, str]) -> Card:
    first, *more = t["tries"]
    said = [f"Set the nozzle to {t['nozzle_c']:g} °C first."] if t.get("nozzle_c") is not None else []
    said += [f"{chance_in_words(first['jam_probability']).capitalize()} that it jams: stay near and watch the drive."]
    if more:
        said.append(f"If it jams, the next try takes {_minutes(more[0]['minutes'])}.")
    said.append(f"Until the part is there: {_minutes(t['expected_min'])} on average, jams counted.")
    return Card(
        "watch", "Start now, and watch", _minutes(first["minutes"]), tuple(said), "Make the program for it", "/mend",
        program | {"aim": "quickest"}, t["choice"] == "watched-start",
    )  # fmt: skip


def _hotter(t: dict[str, Any], program: dict[str, str]) -> Card:
    said = (
        f"The nozzle may be too cold to soften this spool, at any speed: {t['nozzle_c']:g} °C is the least that helps.",
        "The mended program sets it, and slows only where it must.",
    )
    return Card(
        "surest",
        "Make it hotter first",
        "",
        said,
        "Make the program for it",
        "/mend",
        program | {"aim": "surest"},
        t["choice"] == "go",
    )


def _surest(t: dict[str, Any], share: float | None, program: dict[str, str]) -> Card:
    if share is None:
        said = ("No speed of use brings a jam under 1 in 50 with this machine and spool.", "What would, stands below.")
        return Card("hardware", "Another part in the machine", "", said, "", "", {}, t["choice"] == "another-part")
    said = ("At most 1 in 50 that it jams, jams counted in the time.", "The speed where nobody can stay near.")
    return Card(
        "surest", "Go slowly and surely", _minutes(t["surest_min"]), said, "Make the program for it", "/mend",
        program | {"aim": "surest"}, t["choice"] == "go",
    )  # fmt: skip
