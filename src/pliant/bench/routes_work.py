"""Work in progress: its news, and how to stop it; and the files that pages load."""

from importlib.resources import files

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from pliant.bench.desk import desk_of
from pliant.bench.faults import Fault
from pliant.bench.pages import answer, go_to
from pliant.report.sections import style_text, template_text

__all__ = ["FILES", "static", "work_news", "work_report", "work_rules", "work_stop"]


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
    job = desk.jobs.job(request.path_params["uid"])
    since = request.query_params.get("since", "")
    if since.isdigit() and len(since) < 10:
        await desk.jobs.change(job, int(since), _LONGEST_WAIT_S, request.is_disconnected)
    data = job.to_json() | {"location": f"/{job.kind}/{job.uid}"}
    return answer(request, "job.html", data, job=job)


async def work_stop(request: Request) -> Response:
    """Stop a piece of work."""
    desk = desk_of(request)
    await desk.form(request)
    job = desk.jobs.job(request.path_params["uid"])
    desk.jobs.stop(job)
    return go_to(request, f"/{job.kind}/{job.uid}", job.to_json(), status=202)


async def work_rules(request: Request) -> Response:
    """The lengths that a result's sections set, as a style sheet."""
    job = desk_of(request).jobs.job(request.path_params["uid"])
    if job.state != "done" or not (job.folder / "rules.css").exists():
        raise Fault(404, "that work has no such drawing")
    return FileResponse(job.folder / "rules.css", media_type="text/css")


async def work_report(request: Request) -> Response:
    """The whole result as one self-contained page, to be saved."""
    desk = desk_of(request)
    job = desk.jobs.job(request.path_params["uid"])
    if job.state != "done" or not (job.folder / "report.html").exists():
        raise Fault(404, "that work has no report")
    return FileResponse(job.folder / "report.html", filename=f"pliant-{job.kind}.html", media_type="text/html")
