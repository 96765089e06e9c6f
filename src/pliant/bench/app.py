"""The application, and the server that runs it: on loopback, for one computer."""

import logging
import socket
import webbrowser
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp

from pliant.bench.desk import Desk
from pliant.bench.faults import Fault
from pliant.bench.intake import Limits
from pliant.bench.lines import WorkLines
from pliant.bench.pages import failed
from pliant.bench.routes import starlette_routes
from pliant.bench.security import Guard, Keeper
from pliant.bench.store import Store, made_beside
from pliant.book.open_book import default_location
from pliant.errors import NotInBookError, PliantError

__all__ = ["make_app", "serve"]

_FIRST_PORT = 8137  # ours by choice; the next free one is taken where it is in use
_LOG = logging.getLogger("pliant.bench")


def make_app(
    *, port: int, book: str | None = None, work: Path | None = None, processes: int = 2,
    limits: Limits | None = None,
) -> ASGIApp:  # fmt: skip
    """Make the application.

    Parameters
    ----------
    port : int
        Where it will be served; requests for another address are refused.
    book : str, optional
        The book; default the user's own.
    work : Path, optional
        Where what is made is kept; default beside the book.
    processes : int, default 2
        How many programs are worked on at a time; with 0 all work waits. [1]
    limits : Limits, optional
        Caps on what is sent in.

    Returns
    -------
    ASGI application
        Its lifespan must be run: it makes the work folder and starts the processes.
    """
    keeper = Keeper(port)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        location = book or default_location()
        store = Store(work or made_beside(location))
        lines = WorkLines(store, processes)
        app.state.desk = Desk(location, store, lines, keeper, limits or Limits())
        try:
            yield
        finally:
            lines.close()
            store.close()

    app = Starlette(
        routes=starlette_routes(),
        lifespan=lifespan,
        exception_handlers={PliantError: _refused, HTTPException: _http, Exception: _fault},
    )
    app.router.redirect_slashes = False
    return Guard(app, keeper, frozenset({f"127.0.0.1:{port}", f"localhost:{port}"}))


async def _refused(request: Request, error: Exception) -> Response:
    if isinstance(error, NotInBookError):
        return failed(request, 404, str(error), "/book")
    return failed(request, error.status if isinstance(error, Fault) else 422, str(error))


async def _http(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    said = {404: "there is no such page on the bench", 405: "this page is only read, or only sent to"}
    return failed(request, status, said.get(status, "the bench cannot answer that"))


async def _fault(request: Request, error: Exception) -> Response:
    _LOG.error("%s while answering %s: %s", type(error).__name__, request.url.path, error)
    return failed(request, 500, f"internal fault ({type(error).__name__}); the terminal of the bench says more")


def serve(*, port: int | None, book: str | None, browse: bool, say: Callable[[str], None]) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    port : int, optional
        Where; default the first free one from `_FIRST_PORT` on. [1]
    book : str, optional
        The book; default the user's own.
    browse : bool
        Whether to open the page in the user's browser.
    say : callable
        Told the address once it answers.

    Raises
    ------
    PliantError
        If the port is in use.
    """
    listening = _listen(port)
    at = listening.getsockname()[1]
    address = f"http://127.0.0.1:{at}/"
    app = make_app(port=at, book=book)
    config = uvicorn.Config(
        app, log_level="error", access_log=False, server_header=False, timeout_keep_alive=10, limit_concurrency=600,
        timeout_graceful_shutdown=2, h11_max_incomplete_event_size=32 << 10, ws="none", http="h11",
    )  # fmt: skip
    server = _Server(config, lambda: _begun(address, browse, say))
    try:
        server.run(sockets=[listening])
    except KeyboardInterrupt:
        pass
    finally:
        listening.close()


class _Server(uvicorn.Server):
    """Tells when it answers."""

    def __init__(self, config: uvicorn.Config, begun: Callable[[], None]):
        super().__init__(config)
        self._begun = begun

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._begun()


def _begun(address: str, browse: bool, say: Callable[[str], None]) -> None:
    say(f"the bench is at {address}  (stop it with Ctrl-C)")
    if browse:
        webbrowser.open(address)


def _listen(port: int | None) -> socket.socket:
    for at in range(_FIRST_PORT, _FIRST_PORT + 20) if port is None else (port,):
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind(("127.0.0.1", at))
        except OSError:
            listening.close()
            continue
        return listening
    asked = port if port is not None else f"{_FIRST_PORT} to {_FIRST_PORT + 19}"
    raise PliantError(f"port {asked} is in use; choose another `port`, or close the bench that has it")
