"""`demo`: an invented repair workshop by a harbour, two machines, three spools, one honest answer each."""

from collections.abc import Iterator
from pathlib import Path

from pliant.records.findings import Findings
from pliant.records.mended import Mended
from pliant.report.check import MEANS, minutes, remedy_words
from pliant.say import percent
from pliant.workflows.check import check
from pliant.workflows.mend_picture import mend_with_report
from pliant.workflows.picture import check_with_report
from pliant.workflows.workshop import files

__all__ = ["STORY", "demo"]

STORY = (("bench-2", "95A"), ("bench-2", "85A"), ("long-tube", "75A"))
_JOBS = ("gasket", "feet", "strain-relief", "bellows")


def demo(folder: Path) -> Iterator[str]:
    """Write the workshop's files to `folder`, run the story on them, and yield the lines to print."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files():
        (folder / name).write_text(text, encoding="utf-8")
    yield "An invented workshop: two machines, three spools, four jobs written for rigid filament. Will they feed?"
    pages: list[Path] = []
    for machine, spool in STORY:
        yield ""
        yield f"{spool} on {machine}"
        refused = []
        for job in _JOBS:
            inputs = (folder / f"{job}.gcode", folder / f"{machine}.machine.toml", folder / f"{spool}.filament.toml")
            if job == _JOBS[0]:
                pages.append(folder / f"{job}-{spool}-on-{machine}.html")
                f = check_with_report(*inputs, pages[-1])
            else:
                f = check(*inputs)
            refused += [f] if f.change == "refused" else []
            yield _checked(job, f)
        if refused:
            worst = max(refused, key=lambda f: f.jam_probability)
            yield f"  why: {MEANS[worst.mechanism]}"
            for r in worst.remedies[:3]:
                yield f"  would help: {r.change}: {remedy_words(r)}"
    yield ""
    yield "Mended for 95A on bench-2, slowed only where it must be, with a certificate that the part is the same:"
    for job in ("gasket", "strain-relief"):
        pages.append(folder / f"{job}-95A.mended.html")
        inputs = (folder / f"{job}.gcode", folder / "bench-2.machine.toml", folder / "95A.filament.toml")
        mended = folder / f"{job}-95A.mended.gcode"
        yield _mended(job, mend_with_report(*inputs, pages[-1], output=mended, aim="surest"))
    yield ""
    yield "Open these in a browser:"
    for page in pages:
        yield f"  {page}"
    yield f"and the mended programs are in {folder}. Look at a job of your own with"


def _checked(job: str, f: Findings) -> str:
    """One line on a program as it was written."""
    if f.change == "refused":
        what = "refused: no speed meets the target"
    elif f.change == "none":
        what = "no change needed"
    else:
        what = f"{f.change} change: feeds at {100 * (f.speed_share or 1):.0f} % of the speed"
    return f"  {job:<14} {f.verdict:<9} {percent(f.jam_probability):>9} likely to jam ({f.mechanism}); {what}"


def _mended(job: str, m: Mended) -> str:
    """One line on a program that was mended."""
    b, a = m.before, m.after
    return (
        f"  {job:<14} jam {percent(b.jam_probability)} -> {percent(a.jam_probability)}; strings "
        f"{b.facts.strings} -> {a.facts.strings}; {minutes(b.facts.time_s)} -> {minutes(a.facts.time_s)}; "
        f"{len(m.certificate.obligations)} obligations hold"
    )
