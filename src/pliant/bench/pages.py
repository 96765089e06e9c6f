"""Answers: a page for a person, the same fields as JSON for a program, one shape for an error."""

from functools import cache
from typing import Any
from urllib.parse import urlsplit

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from pliant.bench.desk import desk_of
from pliant.bench.drawings import KINDS, machine_drawing
from pliant.bench.faults import Fault, in_fields
from pliant.bench.lines import Work
from pliant.constants import Z90
from pliant.report import words
from pliant.version import __version__

__all__ = ["DOING", "answer", "answer_with_report", "failed", "go_to", "told_of", "wants_json"]

PAGES = (
    ("/check", "check", "Will it feed?"),
    ("/mend", "mend", "Make it feed"),
    ("/plan", "plan", "What to set?"),
    ("/part", "part", "Is it a good idea in soft filament?"),
    ("/feel", "feel", "How soft will it be?"),
    ("/dry", "dry", "How long to dry?"),
    ("/coupon", "coupons", "What does my machine do?"),
    ("/book", "book", "What happened before"),
)


DOING = {
    "check": "Checking", "mend": "Mending", "part": "Looking at", "plan": "Planning from", "coupon": "Making a",
    "next": "Trying", "learn": "Learning from",
}  # fmt: skip


def wants_json(request: Request) -> bool:
    """Whether the asker is a program: it says so, or asks with `?json`."""
    accept = request.headers.get("accept", "")
    return "json" in request.query_params or ("application/json" in accept and "text/html" not in accept)


def answer(
    request: Request, template: str, data: Any, *, status: int = 200, sheets: tuple[str, ...] = (), **shown: Any
) -> Response:
    """Show the fields of a result, as a page or as JSON.

    Parameters
    ----------
    request : Request
        What was asked.
    template : str
        The page.
    data : dict or record
        The fields; the page sees them as `data`.
    status : int
        HTTP status.
    sheets : tuple of str
        Addresses of further style sheets.
    **shown
        What only the page needs.
    """
    fields = data if isinstance(data, dict) else data.to_json()
    if wants_json(request):
        return JSONResponse(fields, status_code=status)
    page = _environment().get_template(template)
    html = page.render(
        data=data, token=request.scope.get("bench_token", ""), path=request.url.path, pages=PAGES, sheets=sheets,
        version=__version__, refresh=None, script=(), going=_going(request, shown.get("work")), **shown,
    )  # fmt: skip
    return HTMLResponse(html, status_code=status)


async def answer_with_report(request: Request, template: str, work: Work, more: Any = None, **shown: Any) -> Response:
    """Show what work found, the sections of its report set in a page of the bench; `more` are further fields."""
    desk = desk_of(request)
    work.seen = True
    try:
        found, report = await desk.aside(lambda: (work.result(), work.report()))
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
    ) as error:  # made by another version of the bench, or tampered with
        if (work.folder / "report.html").exists() and not wants_json(request):
            return RedirectResponse(f"/work/{work.uid}/report.html?read", status_code=303)
        raise Fault(410, "what was made here cannot be read any more; the book keeps what it found") from error
    sheets = [f"/static/{name}" for name in report.styles if name != "page.css"]  # every page has that
    return answer(
        request, template, found | (more or {}), sheets=(*sheets, f"/work/{work.uid}/rules.css"), work=work,
        report=report, **shown,
    )  # fmt: skip


def _going(request: Request, here: Work | None) -> list[dict[str, Any]]:
    """Work that goes on behind the page, and what was done and not looked at; not that of the page itself."""
    lines = desk_of(request).lines
    return [told_of(request, work) for work in lines.going() if here is None or work.uid != here.uid]


def told_of(request: Request, work: Work) -> dict[str, Any]:
    """One piece of work for the corner of a page."""
    left = desk_of(request).lines.left_s(work)
    said = f"about {words.clock(left)} left" if left is not None and not work.ended else ""
    what = f"{DOING.get(work.kind, 'Working on')} {work.about.get('program') or 'it'}"
    return work.to_json() | {"what": what, "left": said, "location": f"/{work.kind}/{work.uid}", "ended": work.ended}


def go_to(request: Request, where: str, data: dict[str, Any] | None = None, status: int = 202) -> Response:
    """After a form: a page goes on to where the answer is, a program is told."""
    if wants_json(request):
        return JSONResponse((data or {}) | {"location": where}, status_code=status, headers={"location": where})
    return RedirectResponse(where, status_code=303)


def failed(
    request: Request, status: int, text: str, back: str | None = None, again: Work | None = None,
    place: tuple[str, str] | None = None,
) -> Response:  # fmt: skip
    """Say what went wrong and what to do, in one shape; `back` leads to the slip, `again` can be begun anew.

    `place` is where a file of another kind belongs, and the words for it.
    """
    if back is None and request.method == "POST":
        back = _slip(request)
    text = in_fields(text)
    if wants_json(request):
        return JSONResponse({"error": text}, status_code=status)
    return answer(request, "error.html", {"error": text}, status=status, back=back, work=again, place=place)


def _slip(request: Request) -> str | None:
    """The page of ours that a form was sent from; whatever else is named there is not followed."""
    told = urlsplit(request.headers.get("referer", ""))
    here = told.netloc == request.headers.get("host", "") and told.path.startswith("/")
    return (told.path + (f"?{told.query}" if told.query else "")) if here else None


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("pliant.bench"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.filters |= {
        "percent": words.chance,
        "number": words.number,
        "clock": words.clock,
        "odds": words.chance_in_words,
        "when": _when,
        "span": lambda value, spread: f"{words.number(value * spread**-Z90)} to {words.number(value * spread**Z90)}",
        "size": _size,
        "unknown": lambda name: words.unknown_in_words(name)[0],
    }
    made.globals |= {"machine_drawing": machine_drawing, "machine_kinds": KINDS}
    return made


def _size(many: float) -> str:
    """Bytes as people say them."""
    for unit, word in ((1e9, "GB"), (1e6, "MB")):
        if many >= unit:
            return f"{many / unit:.2g} {word}"
    return f"{max(1, many / 1e3):.0f} kB"


def _when(moment: str) -> str:
    """A moment of the book, short."""
    return f"{moment[:10]} {moment[11:16]}"
