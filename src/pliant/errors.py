"""Every error and warning pliant raises on purpose.

One root, `PliantError`; each child also derives from the builtin that a caller would expect.
"""

from typing import Any

__all__ = [
    "BookError", "DomainError", "MeshError", "NotConvergedError", "NotInBookError", "PliantError", "ProgramError",
    "RecordError", "ValidityWarning",
]  # fmt: skip


class PliantError(Exception):
    """Root of all errors raised on purpose; its text is one line fit for a user."""


class DomainError(PliantError, ValueError):
    """A number outside what is physically possible."""


class MeshError(PliantError, ValueError):
    """A mesh file that cannot be used as written."""


class RecordError(PliantError, ValueError):
    """A machine or filament record that cannot be used as written."""


class ProgramError(PliantError, ValueError):
    """A motion program that cannot be read, or whose meaning the file alone does not settle."""


class BookError(PliantError, ValueError):
    """A record that the book refuses, or a book that cannot be used."""


class NotInBookError(BookError):
    """A record that was asked for by name or identifier and is not there."""


class NotConvergedError(PliantError, RuntimeError):
    """A fit whose draws do not pass their own test; they come along in `draws` and may be looked at."""

    def __init__(self, message: str, draws: Any) -> None:
        super().__init__(message)
        self.draws = draws


class ValidityWarning(UserWarning):
    """The value is computed, but outside the range in which its model was validated."""
