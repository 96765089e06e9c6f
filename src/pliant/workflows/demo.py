"""`demo`: an invented repair workshop by a harbour, two machines, three spools, one honest answer each."""

from collections.abc import Iterator
from pathlib import Path

from pliant.report.text import MEANS, percent, remedy_words
from pliant.workflows.check import check
from pliant.workflows.workshop import files

__all__ = ["STORY", "demo"]

STORY = (("bench-2", "95A"), ("bench-2", "85A"), ("long-tube", "75A"))
_JOBS = ("feet", "gasket", "strain-relief", "bellows")


def demo(folder: Path) -> Iterator[str]:
    """Write the workshop's files to `folder`, check every pairing of the story, and yield the lines to print."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files():
        (folder / name).write_text(text, encoding="utf-8")
    yield "An invented workshop: two machines, three spools, four jobs written for rigid filament. Will they feed?"
    for machine, spool in STORY:
        yield ""
        yield f"{spool} on {machine}"
        refused = []
        for job in _JOBS:
            f = check(folder / f"{job}.gcode", folder / f"{machine}.machine.toml", folder / f"{spool}.filament.toml")
            if f.change == "refused":
                refused.append(f)
                what = "refused: no speed meets the target"
            elif f.change == "none":
                what = "no change needed"
            else:
                what = f"{f.change} change: feeds at {100 * (f.speed_factor or 1):.0f} % of the speed"
            yield f"  {job:<14} {f.verdict:<9} {percent(f.jam_probability):>9} likely to jam ({f.mechanism}); {what}"
        if refused:
            worst = max(refused, key=lambda f: f.jam_probability)
            yield f"  why: {MEANS[worst.mechanism]}"
            for r in worst.remedies[:3]:
                yield f"  would help: {r.change}: {remedy_words(r)}"
    yield ""
    yield f"The files are in {folder}; look at one more closely with"
    yield f"  pliant check {folder}/feet.gcode -m {folder}/bench-2.machine.toml -f {folder}/85A.filament.toml"
