"""What the bench keeps of what was made, and the tidy-up: it says what it removes before it does."""

import time

from starlette.requests import Request
from starlette.responses import Response

from pliant.bench.desk import desk_of, number_in
from pliant.bench.pages import answer, go_to

__all__ = ["kept_page", "kept_tidy"]

_DAY_S = 86400.0


def _older_than(text: str) -> float | None:
    days = number_in(text, "how many days", 0, 10000, "days")
    return None if days is None else time.time() - days * _DAY_S


async def kept_page(request: Request) -> Response:
    """All that is kept, what would go, and what went."""
    desk = desk_of(request)
    days = request.query_params.get("older_days", "")
    older = _older_than(days)
    held = await desk.aside(lambda: desk.store.held(desk.lines.held()))
    gone = [] if older is None else desk.store.over(held, desk.lines.needed(), older)
    data = {
        "bytes": sum(h.size_bytes for h in held), "bound_bytes": desk.store.keep_bytes, "many": len(held),
        "would_go": [{"id": h.uid, "what": h.what, "name": h.name, "bytes": h.size_bytes, "made": h.day} for h in gone],
        "removed": desk.store.removed(),
    }  # fmt: skip
    return answer(request, "kept.html", data, days=days, asked=older is not None)


async def kept_tidy(request: Request) -> Response:
    """Remove what is older than so many days, as the page has shown it."""
    desk = desk_of(request)
    form = await desk.form(request)
    older = _older_than(form.text("older_days"))
    gone = await desk.aside(lambda: desk.lines.tidy(older))
    return go_to(request, "/kept", {"removed": len(gone)}, status=200)
