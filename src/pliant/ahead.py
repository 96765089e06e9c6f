"""What has to be compiled is compiled once, ahead of use, by two processes at once and never twice at the same time.

Run as `python -m pliant.ahead` at set-up; every shell asks for it before it starts to work, which costs a millisecond
where nothing is left to do. Kept code is renewed by numba when its own file changes, not when a file that it calls into
does: where any file of the kernels has changed, all that was kept goes.
"""

import os
import subprocess
import sys
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pliant.progress import Progress, silent

__all__ = ["compile_ahead", "compiled"]

_KERNELS = Path(__file__).parent / "kernels"
_SECONDS = 50.0  # of processor time, for the time left; measured on the machine of docs/performance.md


def _folder() -> Path:
    """Where numba keeps what it compiled."""
    return Path(os.environ.get("NUMBA_CACHE_DIR") or _KERNELS / "__pycache__")


def _stamp() -> Path:
    number = zlib.crc32(f"{sys.version} {sys.prefix}".encode())
    for path in sorted(_KERNELS.glob("*.py")):
        number = zlib.crc32(path.read_bytes(), number)
    return _folder() / f"compiled-{number:08x}"


def compiled() -> bool:
    """Whether nothing is left to compile, or nothing is to be compiled."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0") or _stamp().exists()


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold the folder against other processes that compile; where a system has no such lock, without."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    with open(folder / "compiling", "w", encoding="ascii") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # falls with the process
        yield


def compile_ahead(progress: Progress | None = None) -> None:
    """Compile all kernels that are not on the disk yet; wait where another process does so.

    Parameters
    ----------
    progress : callable, optional
        Told that it compiles, and about how far it is.

    Notes
    -----
    Where nothing can be written, or a part fails, kernels are compiled when they are first used.
    """
    if compiled():
        return
    with suppress(OSError):
        _folder().mkdir(parents=True, exist_ok=True)
        with _alone(_folder()):
            if not compiled():
                _compile(progress or silent)


def _compile(tell: Progress) -> None:
    # in a folder of the user's own numba keeps those of each package in folders by their names
    for pattern in ("*.nb[ic]", "kernels_*/*.nb[ic]", "compiled-*"):
        for kept in _folder().glob(pattern):
            kept.unlink(missing_ok=True)
    of = min(os.cpu_count() or 1, 2)
    command = [sys.executable, str(_KERNELS / "ahead.py")]
    path = os.pathsep.join([str(Path(__file__).parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])])
    parts = [
        subprocess.Popen(
            [*command, str(k), str(of)], env=os.environ | {"PYTHONPATH": path}, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        for k in range(of)
    ]  # fmt: skip
    begun = time.monotonic()
    try:
        while any(part.poll() is None for part in parts):
            tell("compiling, once", min((time.monotonic() - begun) * of / _SECONDS, 0.99))
            time.sleep(0.05)
    finally:
        for part in parts:
            if part.poll() is None:
                part.kill()
            part.wait()
    if all(part.returncode == 0 for part in parts):
        _stamp().touch()


if __name__ == "__main__":
    compile_ahead()
