"""An invented job to look at before one has a program, a machine or a spool of one's own at hand."""

from starlette.requests import Request
from starlette.responses import Response

from pliant.bench.desk import desk_of
from pliant.bench.pages import go_to
from pliant.workflows.book import retire
from pliant.workflows.shelf import Shelf, kept_as, machine_text, spool_text
from pliant.workflows.workshop import gasket_program

__all__ = ["EXAMPLES", "drop_examples", "example_send", "own"]

EXAMPLES = {"machine": "Example machine (invented)", "filament": "Example spool (invented)"}


async def example_send(request: Request) -> Response:
    """Check an invented job for an invented machine and spool, kept under names that say so."""
    desk = desk_of(request)
    await desk.form(request, 0)
    machine = await desk.aside(
        lambda: kept_as(desk.book, "machine", machine_text("open-gap", EXAMPLES["machine"], None, None, None))
    )
    filament = await desk.aside(lambda: kept_as(desk.book, "filament", spool_text(EXAMPLES["filament"], 85, "A")))
    _, folder = desk.store.work_folder(passing=True)
    (folder / "example-gasket.gcode").write_text(gasket_program(layers=3), encoding="utf-8")
    program = await desk.aside(lambda: desk.store.adopt(folder / "example-gasket.gcode"))
    work = desk.begin("check", program, machine, filament)
    return go_to(request, f"/check/{work.uid}", work.to_json())


def own(kept: Shelf) -> Shelf:
    """The machines and spools that are somebody's."""
    return Shelf(
        tuple(k for k in kept.machines if k.name != EXAMPLES["machine"]),
        tuple(k for k in kept.filaments if k.name != EXAMPLES["filament"]),
    )


def drop_examples(book: str, kept: Shelf) -> None:
    """Retire what was invented, now that there is something of one's own."""
    for kind, name in EXAMPLES.items():
        if any(k.name == name for k in kept.of(kind)):
            retire(book, name)
