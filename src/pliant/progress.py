"""How far a work is: what is being done, and the share of it that is done."""

from collections.abc import Callable

__all__ = ["Progress", "Share", "part_of", "silent", "told"]

Progress = Callable[[str, float], None]  # what is being done, and how far it is
Share = Callable[[float], None]  # how far one thing is


def silent(what: str, share: float) -> None:
    """Tell nobody."""


def told(progress: Progress | None, what: str) -> Share | None:
    """Progress of one thing among several."""
    return None if progress is None else lambda share: progress(what, share)


def part_of(progress: Progress | None, start: float, share: float) -> Progress | None:
    """Progress of a stretch of a longer work: its own share runs from `start` over `share` of the whole."""
    if progress is None:
        return None
    return lambda what, done: progress(what, start + share * done)
