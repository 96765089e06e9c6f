"""Work in progress: its news, and how to stop it; and the files that pages load."""

from importlib.resources import files

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from pliant.bench.desk import desk_of
from pliant.bench.faults import Fault
from pliant.bench.pages import DOING, answer, go_to, told_of
from pliant.report.sections import style_text, template_text

__all__ = ["FILES", "static", "work_again", "work_list", "work_news", "work_report", "work_rules", "work_stop"]


def _own_text(name: str) -> str:
    return (files("pliant.bench") / "static" / name).read_text(encoding="utf-8")


FILES = {  # everything a page may load, by name: a path never reaches the disk
    **{f"{name}.css": (style_text, "text/css") for name in ("page", "mend", "paper", "plan", "coupon", "sheet")},
    "check.js": (template_text, "text/javascript"),
    "bench.css": (_own_text, "text/css"),
    "bench.js": (_own_text, "text/javascript"),
    "icon.svg": (_own_text, "image/svg+xml"),
}
_LONGEST_WAIT_S = 20.0


async def static(request: Request) -> Response:
    """A style sheet, a script or the icon."""
    entry = FILES.get(request.path_params["name"])
    if entry is None:
        raise Fault(404, "there is no such file on the bench")
    read, kind = entry
    return Response(read(request.path_params["name"]), media_type=kind)


async def work_news(request: Request) -> Response:
    """How far a piece of work is; with `since`, waits until that changes."""
    desk = desk_of(request)
    work = desk.lines.find(request.path_params["uid"])
    since = request.query_params.get("since", "")
    if since.isdigit() and len(since) < 10:
        await desk.lines.change(work, int(since), _LONGEST_WAIT_S, request.is_disconnected)
    data = told_of(request, work)
    return answer(request, "work.html", data, work=work, doing=DOING, left=data["left"])


async def work_list(request: Request) -> Response:
    """All that is at work, and what was done and not looked at."""
    going = [told_of(request, work) for work in desk_of(request).lines.going()]
    return answer(request, "going.html", {"works": going})


async def work_again(request: Request) -> Response:
    """Begin a piece of work anew that was stopped, as it was asked."""
    desk = desk_of(request)
    await desk.form(request)
    work = desk.lines.find(request.path_params["uid"])
    if not work.ended or work.passing or work.state == "done":
        raise Fault(422, "only work that was ended can be begun again")
    asked = dict(work.asked)
    if work.about.get("upload"):
        asked["program"] = str(desk.store.upload(str(work.about["upload"])).path)
    names = [(asked["program"], work.about["program"])] if asked.get("program") else []
    anew = desk.lines.begin(work.kind, asked, about=work.about, names=names)
    return go_to(request, f"/{anew.kind}/{anew.uid}", anew.to_json())


async def work_stop(request: Request) -> Response:
    """Stop a piece of work."""
    desk = desk_of(request)
    await desk.form(request)
    work = desk.lines.find(request.path_params["uid"])
    desk.lines.stop(work)
    return go_to(request, f"/{work.kind}/{work.uid}", work.to_json(), status=202)


async def work_rules(request: Request) -> Response:
    """The lengths that a result's sections set, as a style sheet."""
    work = desk_of(request).lines.find(request.path_params["uid"])
    if work.state != "done" or not (work.folder / "rules.css").exists():
        raise Fault(404, "that work has no such drawing")
    return FileResponse(work.folder / "rules.css", media_type="text/css")


async def work_report(request: Request) -> Response:
    """The whole result as one self-contained page, to be saved."""
    desk = desk_of(request)
    work = desk.lines.find(request.path_params["uid"])
    if work.state != "done" or not (work.folder / "report.html").exists():
        raise Fault(404, "that work has no report")
    name = None if "read" in request.query_params else f"pliant-{work.kind}.html"
    return FileResponse(work.folder / "report.html", filename=name, media_type="text/html")
