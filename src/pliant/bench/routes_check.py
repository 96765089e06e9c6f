"""The first visit, and `check`."""

from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from pliant.bench.cards import cards_of
from pliant.bench.desk import desk_of, number_in
from pliant.bench.faults import Fault, in_fields
from pliant.bench.intake import Form
from pliant.bench.lines import Work
from pliant.bench.pages import DOING, answer, answer_with_report, failed, go_to, told_of, wants_json
from pliant.bench.routes_book import OUTCOME_LABELS
from pliant.bench.routes_example import EXAMPLES, drop_examples, own
from pliant.bench.store import Upload
from pliant.records.machine import ORIGINS
from pliant.records.starters import MACHINES
from pliant.report.charts import sheet_drawing
from pliant.workflows.any_layer import one_layer
from pliant.workflows.book import past
from pliant.workflows.shelf import (
    Kept,
    Known,
    Shelf,
    dialect_of,
    kept_as,
    known_by_name,
    machine_text,
    spool_text,
    usual_lengths,
    with_dialect,
)

__all__ = [
    "CONTROLLERS",
    "check_answer",
    "check_form",
    "check_layer",
    "check_page",
    "check_send",
    "first_form",
    "first_known",
    "first_send",
    "home",
    "origin_in",
    "reach_in",
    "recent",
    "sent_program",
    "shelf_data",
    "work_page",
]  # fmt: skip

CONTROLLERS = {  # what a user can see in the controller's manual, by the behaviour of the reader
    "e-on-its-own": "G90 and G91 leave the filament alone; M82 and M83 set how it counts",
    "e-follows-g90": "G90 and G91 also set how the filament counts, whatever M82 or M83 said before",
    "many-per-line": "several commands may stand on one line, and each of them is run",
}
SAME = ("known", "version", "other")  # which shall count where a name is known: the book's, a new version, another one


async def home(request: Request) -> Response:
    """The way in: the first visit while the book is empty, then `check`."""
    kept = own(await desk_of(request).shelf())
    if kept.machines and kept.filaments:
        return await check_form(request)
    return await first_form(request)


async def first_form(request: Request) -> Response:
    """Ask for the kind of machine, three measures, the spool and the program."""
    kept = own(await desk_of(request).shelf())
    data = {"machine_kinds": list(MACHINES), "token": request.scope["bench_token"]}
    return answer(
        request,
        "first.html",
        data | shelf_data(kept.machines, kept.filaments),
        kinds=tuple(MACHINES),
        shelf=kept,
        usual={kind: usual_lengths(kind) for kind in MACHINES},
    )


async def first_send(request: Request) -> Response:
    """Keep the first machine and the first spool, and check the program."""
    desk = desk_of(request)
    form = await desk.form(request)
    if "program" not in form.files and not form.text("upload") and not form.text("program_later"):
        raise Fault(422, "no program was sent; choose the file that you would send to the machine")
    kept = await desk.shelf()
    texts = {"machine": _machine_of(form), "filament": _spool_of(form)}
    if any(await desk.aside(lambda: _clashes(desk.book, kept, texts, form))):
        sent = {k: v[-1] for k, v in form.fields.items() if k != "token"}
        sent |= {"upload": form.files["program"].uid} if "program" in form.files else {}
        where = f"/first/known?{urlencode(sent)}"
        if wants_json(request):
            refused = failed(request, 409, "the book knows that name with other numbers; choose which shall count")
            refused.headers["location"] = where
            return refused
        return go_to(request, where)
    machine, filament = [await desk.aside(lambda: _taken(desk.book, kept, kind, texts[kind], form)) for kind in texts]  # noqa: B023
    await desk.aside(lambda: drop_examples(desk.book, kept))
    if not form.text("upload") and "program" not in form.files:
        return go_to(request, "/check", status=201)
    work = desk.begin("check", sent_program(request, form), machine, filament)
    return go_to(request, f"/check/{work.uid}", work.to_json())


async def first_known(request: Request) -> Response:
    """Ask which shall count: what the book knows under a name, or what was typed."""
    desk, asked = desk_of(request), request.query_params
    kept = await desk.shelf()
    form = Form({key: [value] for key, value in asked.items()})
    texts = {"machine": _machine_of(form), "filament": _spool_of(form)}
    known = await desk.aside(lambda: _clashes(desk.book, kept, texts, form))
    data = {"known": [{"kind": k.kind, "uid": k.kept.uid, "name": k.kept.name, "version": k.kept.version,
                       "pieces": k.pieces} for k in known]}  # fmt: skip
    return answer(request, "known.html", data, sent=dict(asked), known=known)


def _clashes(book: str, kept: Shelf, texts: dict[str, str | None], form: Form) -> list[Known]:
    """The names of a first visit that the book knows with other numbers, while nobody has said which shall count."""
    open_ = {k: text for k, text in texts.items() if text is not None and form.text(f"same_{k}") not in SAME}
    return [known for k, text in open_.items() if (known := known_by_name(book, kept, k, text)) is not None]


def _taken(book: str, kept: Shelf, kind: str, text: str | None, form: Form) -> Kept:
    """The machine or the spool of a first visit: chosen, known by its name, or new."""
    if text is None:
        return kept.chosen(kind, form.text(kind))
    if form.text(f"same_{kind}") == "known" and (known := known_by_name(book, kept, kind, text)) is not None:
        return known.kept
    return kept_as(book, kind, text)


def _named(form: Form, kind: str, name: str) -> str:
    """The name that was typed, or the one given when it turned out to be known."""
    return form.text(f"other_{kind}") if form.text(f"same_{kind}") == "other" and form.text(f"other_{kind}") else name


def _machine_of(form: Form) -> str | None:
    if form.text("machine"):
        return None
    like = form.text("kind")
    if like not in MACHINES:
        raise Fault(422, "choose the kind of machine first: one of the five drawings")
    return machine_text(
        like,
        _named(form, "machine", form.text("machine_name") or "My machine"),
        number_in(form.text("gap_mm"), "A, the open gap", 0.2, 100, "mm"),
        number_in(form.text("guide_mm"), "B, the guide", 1, 3000, "mm"),
        number_in(form.text("nozzle_mm"), "C, the nozzle", 0.1, 2, "mm"),
        reach_in(form),
        origin_in(form),
    )


def reach_in(form: Form) -> tuple[float, float, float] | None:
    """How far the nozzle reaches, all three or nothing. [mm]"""
    sides = (
        ("reach_x", "how wide the bed is"),
        ("reach_y", "how deep the bed is"),
        ("reach_z", "how high a part may be"),
    )
    x, y, z = (number_in(form.text(key), what, 20, 3000, "mm") for key, what in sides)
    if x is None and y is None and z is None:
        return None
    if x is None or y is None or z is None:
        raise Fault(422, "give all three of how far the nozzle reaches, wide, deep and high, or none of them")
    return x, y, z


def origin_in(form: Form) -> str:
    """Where on the bed X0 Y0 is."""
    origin = form.text("origin") or "corner"
    if origin not in ORIGINS:
        raise Fault(422, f"say where on the bed X0 Y0 is: {' or '.join(ORIGINS)}")
    return origin


def _spool_of(form: Form) -> str | None:
    if form.text("filament"):
        return None
    raw = form.text("hardness").upper().removeprefix("SHORE").strip()
    scale = raw[-1:] if raw[-1:] in ("A", "D") else "A"
    shore = number_in(raw.rstrip("AD"), "the hardness of the spool", 20, 99)
    if shore is None:
        raise Fault(422, "write the hardness of the spool, such as 85A; it is printed on the box or the spool")
    low = number_in(form.text("nozzle_low_c"), "the lowest nozzle temperature", 120, 350, "°C")
    high = number_in(form.text("nozzle_high_c"), "the highest nozzle temperature", 120, 350, "°C")
    if (low is None) != (high is None) or (low is not None and high is not None and low >= high):
        raise Fault(422, "give both nozzle temperatures of the maker's sheet, the lower one first, or neither")
    sheet = (low, high) if low is not None and high is not None else None
    name = _named(form, "filament", form.text("spool_name") or f"Soft {shore:g}{scale}")
    return spool_text(name, shore, scale, sheet)


async def check_form(request: Request) -> Response:
    """Choose a machine, a spool and a program."""
    desk = desk_of(request)
    kept = await desk.shelf()
    data = shelf_data(kept.machines, kept.filaments) | {"token": request.scope["bench_token"]}
    picked = await desk.picked(request, kept)
    return answer(request, "check_form.html", data, shelf=kept, picked=picked, recent=recent(request, "check"))


async def check_send(request: Request) -> Response:
    """Check a program."""
    desk = desk_of(request)
    form = await desk.form(request)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    work = desk.begin("check", sent_program(request, form), machine, filament)
    return go_to(request, f"/check/{work.uid}", work.to_json())


async def check_layer(request: Request) -> Response:
    """One layer from above, drawn when it is asked for."""
    desk = desk_of(request)
    work = desk.lines.find(request.path_params["uid"], "check")
    place = work.folder / "layers"
    if work.state != "done" or not place.exists():
        raise Fault(404, "the layers of that check are not kept")
    sheet = await desk.aside(lambda: one_layer(place, int(request.path_params["layer"])))
    drawn = sheet_drawing(sheet)
    keys = ("view", "beads", "covered", "open", "hidden", "scale")
    data = {key: drawn[key] for key in keys}
    return JSONResponse(data | {"layer": sheet.layer, "top_mm": sheet.top_mm, "offset": drawn["offset"]})


async def check_answer(request: Request) -> Response:
    """Keep what the user knows of the controller in the machine's record, and check again."""
    desk = desk_of(request)
    form = await desk.form(request)
    work = desk.lines.find(request.path_params["uid"], "check")
    dialect = form.text("dialect")
    if dialect not in CONTROLLERS:
        raise Fault(422, "choose which of these your controller does")
    old, filament = await desk.pair(work.about["machine_uid"], work.about["filament_uid"])
    text = with_dialect(old.text, dialect)
    machine = await desk.aside(lambda: kept_as(desk.book, "machine", text))
    again = desk.begin("check", desk.store.upload(work.about["upload"]), machine, filament)
    return go_to(request, f"/check/{again.uid}", again.to_json())


def sent_program(request: Request, form: Form) -> Upload:
    """The program that came with a form, or the one it names."""
    desk = desk_of(request)
    if "program" in form.files:
        return form.files["program"]
    if form.text("upload"):
        return desk.store.upload(form.text("upload"))
    raise Fault(422, "no program was sent; choose the file that you would send to the machine")


def shelf_data(machines: tuple[Kept, ...], filaments: tuple[Kept, ...]) -> dict[str, object]:
    """The shelf as plain data."""
    return {
        "machines": [{"uid": k.uid, "name": k.name, "version": k.version} for k in machines],
        "filaments": [{"uid": k.uid, "name": k.name, "version": k.version} for k in filaments],
    }


def recent(request: Request, kind: str) -> list[Work]:
    """Work of this kind that can still be looked at, the newest first."""
    works = list(desk_of(request).lines.works.values())
    return [work for work in reversed(works) if work.kind == kind and work.state in ("waiting", "working", "done")][:8]


async def check_page(request: Request) -> Response:
    """What a check found."""
    work = desk_of(request).lines.find(request.path_params["uid"], "check")
    if work.state != "done":
        return await work_page(request, work)
    desk, about = desk_of(request), work.about
    # how earlier prints went is told as the book has it now: an outcome may have come since
    since = await desk.aside(lambda: past(desk.book, about["machine"], about["filament"]))
    return await answer_with_report(
        request,
        "check.html",
        work,
        {"id": work.uid, "past": since.to_json()},
        outcomes=OUTCOME_LABELS,
        controllers=CONTROLLERS if dialect_of(work.asked["machine"]) == "auto" else {},
        cards_of=lambda data: cards_of(data, work.about),
        invented=work.about["machine"] == EXAMPLES["machine"],
    )


async def work_page(request: Request, work: Work) -> Response:
    """How far a piece of work is, or why it ended."""
    if work.ended:
        work.seen = True
        status = {"refused": 422, "fault": 500}.get(work.state, 410)
        return failed(request, status, work.error, _slip_of(work), work if status != 422 else None, _place_of(work))
    left = told_of(request, work)["left"]
    return answer(request, "work.html", work.to_json(), status=202, work=work, doing=DOING, left=left)


def _place_of(work: Work) -> tuple[str, str] | None:
    """Where a file belongs that was sent to the wrong page."""
    if work.kind in ("check", "mend") and in_fields("`part()`") in work.error and work.about.get("upload"):
        return f"/part?{urlencode({'upload': work.about['upload']})}", "Look at it as a part"
    if "a record in TOML" in work.error:
        return "/book", "Take it into the book"
    return None


def _slip_of(work: Work) -> str:
    """The slip that a piece of work was asked for with, filled in as it was."""
    about = {k: work.about[f"{k}_uid"] for k in ("machine", "filament") if work.about.get(f"{k}_uid")}
    about |= {"upload": work.about["upload"]} if work.about.get("upload") else {}
    if work.kind == "learn":
        return f"/readings/{work.asked.get('coupon')}?{urlencode({'again': work.uid})}"
    if work.kind == "plan":
        about["again"] = work.uid
    where = {"next": "coupon", "coupon": "coupon"}.get(work.kind, work.kind)
    return f"/{where}?{urlencode(about)}" if about else f"/{where}"
