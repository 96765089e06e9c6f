"""Programs looked at on a Dask cluster: an engine that exists, asked for one function a program.

Nothing here schedules. A program goes as its bytes, once, under a key made of them; no folder has to be shared. The
engine gives the work of a computer that dies to another. Computers with another version of pliant or of what it
computes with would give other digits: they are refused before the first program goes.
"""

import platform
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

from pliant.errors import PliantError
from pliant.files import Text
from pliant.version import __version__

__all__ = ["on_cluster"]

Found = TypeVar("Found")
_WAIT_S = 10.0  # for the cluster to answer
_AHEAD = 3  # programs on their way for each thread of the cluster: its memory holds no more
_RETRIES = 10  # of a program whose computers die
_COMPUTES = ("numpy", "scipy", "numba", "shapely")


def versions() -> dict[str, str]:
    """What this computer computes with: two that agree give the same to the last digit."""
    found = {"pliant": __version__, "Python": ".".join(platform.python_version_tuple()[:2])}
    return found | {name: version(name) for name in _COMPUTES}


def _ready() -> dict[str, str]:
    """Compile, once on each computer, and say with what."""
    from pliant.ahead import compile_ahead

    compile_ahead()
    return versions()


def on_cluster(
    address: str, look: Callable[..., Found], left: dict[int, str], more: tuple[Any, ...]
) -> Iterator[tuple[int, Found]]:
    """What `look(program, *more)` finds, as it comes.

    Parameters
    ----------
    address : str
        HOST:PORT of the scheduler.
    look : callable
        A function of a module that the computers of the cluster have too.
    left : dict of int to str
        Paths of the programs.
    more : tuple
        The same for all of them.

    Yields
    ------
    tuple of int and Any
        Key and what was found.

    Raises
    ------
    PliantError
        If the cluster's software is not installed here, nobody answers, a computer has another version, or the
        scheduler is lost.
    """
    client = _client(address)
    try:
        threads = _require_alike(client, address)
        yield from _walk(client, look, dict(left), more, _AHEAD * threads)
    except (CancelledError, OSError, TimeoutError) as error:
        raise PliantError(
            f"{address}: the cluster was lost ({str(error) or type(error).__name__}); start it again and ask again; "
            "with `resume` what is done is not done again"
        ) from None
    finally:
        client.close(timeout=2)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise PliantError("a cluster takes Dask, which is not installed here; install pliant[cluster]") from None
    host, sign, port = address.rpartition(":")
    if not (sign and host and port.isdigit()):
        raise PliantError(f"{address!r} is no place of a cluster; write HOST:PORT, such as 192.168.0.5:8786")
    try:
        return Client(f"tcp://{address}", timeout=_WAIT_S, set_as_default=False)
    except (OSError, TimeoutError) as error:
        raise PliantError(
            f"{address}: no cluster answers ({str(error).splitlines()[0] if str(error) else type(error).__name__}); "
            "start its scheduler, or leave `on` out to work here"
        ) from None


def _require_alike(client: Any, address: str) -> int:
    """Refuse computers that would give other digits; threads of those there are."""
    threads = client.nthreads()
    if not threads:
        raise PliantError(f"{address}: the cluster has no computer that works; start one with the address of this one")
    own = versions()
    for computer, told in client.run(_ready, on_error="return").items():
        if not isinstance(told, dict):
            raise PliantError(f"{computer}: pliant cannot be used there ({told}); install pliant {__version__} there")
        if other := [f"{name} {told.get(name)} for {mine}" for name, mine in own.items() if told.get(name) != mine]:
            raise PliantError(f"{computer}: has {', '.join(other)}; install the same versions on all computers")
    return int(sum(threads.values()))


def _walk(
    client: Any, look: Callable[..., Found], left: dict[int, str], more: tuple[Any, ...], most: int
) -> Iterator[tuple[int, Found]]:
    """Keep so many programs on their way until none is left."""
    from distributed import as_completed

    same = sha256(repr((look.__module__, look.__qualname__, more)).encode()).hexdigest()[:16]
    at: dict[str, int] = {}
    waiting = as_completed(loop=client.loop)
    while left or at:
        while left and len(at) < most:
            k, path = next(iter(left.items()))
            del left[k]
            data = Path(path).read_bytes()
            key = f"pliant-{same}-{sha256(path.encode('utf-8', 'surrogateescape') + bytes(1) + data).hexdigest()}"
            at[key] = k
            waiting.add(client.submit(look, Text(path, data), *more, key=key, retries=_RETRIES, pure=True))
        future = next(waiting)
        found = future.result()
        yield at.pop(future.key), found
        future.release()
