"""The first visit, and `check`."""

from starlette.requests import Request
from starlette.responses import Response

from pliant.bench.cards import cards_of
from pliant.bench.desk import desk_of, number_in
from pliant.bench.faults import Fault
from pliant.bench.intake import Form
from pliant.bench.lines import Work
from pliant.bench.pages import answer, answer_with_report, failed, go_to
from pliant.bench.routes_book import OUTCOME_LABELS
from pliant.bench.store import Upload
from pliant.records.starters import MACHINES
from pliant.workflows.shelf import Kept, keep_text, machine_text, shelf, spool_text

__all__ = [
    "check_form",
    "check_page",
    "check_send",
    "first_form",
    "first_send",
    "home",
    "recent",
    "sent_program",
    "shelf_data",
    "work_page",
]  # fmt: skip


async def home(request: Request) -> Response:
    """The way in: the first visit while the book is empty, then `check`."""
    kept = await desk_of(request).shelf()
    if kept.machines and kept.filaments:
        return await check_form(request)
    return await first_form(request)


async def first_form(request: Request) -> Response:
    """Ask for the kind of machine, three measures, the spool and the program."""
    kept = await desk_of(request).shelf()
    data = {"machine_kinds": list(MACHINES), "token": request.scope["bench_token"]}
    return answer(
        request, "first.html", data | shelf_data(kept.machines, kept.filaments), kinds=tuple(MACHINES), shelf=kept
    )


async def first_send(request: Request) -> Response:
    """Keep the first machine and the first spool, and check the program."""
    desk = desk_of(request)
    form = await desk.form(request)
    if "program" not in form.files and not form.text("program_later"):
        raise Fault(422, "no program was sent; choose the file that you would send to the machine")
    machine = await desk.aside(lambda: _machine_of(form, desk.book))
    filament = await desk.aside(lambda: _spool_of(form, desk.book))
    if "program" not in form.files:
        return go_to(request, "/check", status=201)
    work = desk.begin("check", form.files["program"], machine, filament)
    return go_to(request, f"/check/{work.uid}", work.to_json())


def _machine_of(form: Form, book: str) -> Kept:
    if form.text("machine"):
        return shelf(book).chosen("machine", form.text("machine"))
    like = form.text("kind")
    if like not in MACHINES:
        raise Fault(422, "choose the kind of machine first: one of the five drawings")
    text = machine_text(
        like,
        form.text("machine_name") or "My machine",
        number_in(form.text("gap_mm"), "A, the open gap", 0.2, 100, "mm"),
        number_in(form.text("guide_mm"), "B, the guide", 1, 3000, "mm"),
        number_in(form.text("nozzle_mm"), "C, the nozzle", 0.1, 2, "mm"),
    )
    return _kept(book, "machine", text)


def _spool_of(form: Form, book: str) -> Kept:
    if form.text("filament"):
        return shelf(book).chosen("filament", form.text("filament"))
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
    name = form.text("spool_name") or f"Soft {shore:g}{scale}"
    return _kept(book, "filament", spool_text(name, shore, scale, sheet))


def _kept(book: str, kind: str, text: str) -> Kept:
    added = keep_text(book, kind, text)
    return shelf(book).chosen(kind, added.uid)


async def check_form(request: Request) -> Response:
    """Choose a machine, a spool and a program."""
    desk = desk_of(request)
    kept = await desk.shelf()
    data = shelf_data(kept.machines, kept.filaments) | {"token": request.scope["bench_token"]}
    return answer(
        request, "check_form.html", data, shelf=kept, picked=request.query_params, recent=recent(request, "check")
    )


async def check_send(request: Request) -> Response:
    """Check a program."""
    desk = desk_of(request)
    form = await desk.form(request)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    work = desk.begin("check", sent_program(request, form), machine, filament)
    return go_to(request, f"/check/{work.uid}", work.to_json())


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
    return [work for work in reversed(desk_of(request).lines.works.values()) if work.kind == kind][:8]


async def check_page(request: Request) -> Response:
    """What a check found."""
    work = desk_of(request).lines.find(request.path_params["uid"], "check")
    if work.state != "done":
        return await work_page(request, work)
    return await answer_with_report(
        request,
        "check.html",
        work,
        {"id": work.uid},
        outcomes=OUTCOME_LABELS,
        cards_of=lambda data: cards_of(data, work.about),
    )


async def work_page(request: Request, work: Work) -> Response:
    """How far a piece of work is, or why it ended."""
    back = f"/{work.kind}"
    if work.state == "refused":
        return failed(request, 422, work.error, back)
    if work.state == "fault":
        return failed(request, 500, work.error, back)
    if work.state == "stopped":
        return failed(request, 410, work.error, back)
    return answer(request, "work.html", work.to_json(), status=202, work=work)
