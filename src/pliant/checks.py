"""Input checks shared by the models: one sentence that says what, what is allowed, and what came."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import DomainError, ValidityWarning
from pliant.say import number

__all__ = [
    "among_draws",
    "as_floats",
    "counted",
    "note_outside",
    "require_finite",
    "require_in",
    "require_not_negative",
    "require_positive",
    "warn_outside",
]

# by name: lowest and highest that any such thing has, wherever it is asked for; beyond it value and warning
_USUAL = {
    "youngs_modulus_mpa": (1e-3, 1.1e6, "from the softest gel to diamond"),
    "flow_index": (0.1, np.inf, "no melt in our tables is under 0.18"),
    "turn_rad": (0.0, 8 * np.pi, "four full turns"),
    "friction": (0.0, 3.0, "rubber on a rough road"),
    "activation_kj_per_mol": (0.0, 1e4, "ten times the strongest bond: J/mol, perhaps"),
    "diffusivity_m2_per_s": (1e-16, 1e-8, "of water in solid polymers; hotter than any oven included"),
}


def as_floats(*values: Any) -> list[NDArray[np.float64]]:
    """Return each value as an array of floats, so that lists broadcast like arrays."""
    return [np.asarray(value, dtype=float) for value in values]


def _lie_within(value: Any, least: float, allow_least: bool) -> bool:
    """Whether all lie between `least` and infinity: by the ends, which a NaN passes to, without an array between."""
    if not isinstance(value, float | int):
        array = np.asarray(value)
        if array.size == 0:
            return True
        low, high = array.min(), array.max()
    else:
        low = high = value
    return bool((low >= least if allow_least else low > least) and high < np.inf)


def _first_bad(value: Any, good: Any) -> Any:
    array = np.asarray(value)
    return array if array.ndim == 0 else array[~good].flat[0]


def require_positive(**quantities: Any) -> None:
    """Raise `DomainError` unless every value of every named quantity is finite and above zero."""
    for name, value in quantities.items():
        if not _lie_within(value, 0.0, False):
            good = np.isfinite(value) & (np.asarray(value) > 0)
            raise DomainError(f"{name} must be finite and > 0, got {_first_bad(value, good)}")
        _warn_unusual(name, value)


def require_not_negative(**quantities: Any) -> None:
    """Raise `DomainError` unless every value of every named quantity is finite and at least zero."""
    for name, value in quantities.items():
        if not _lie_within(value, 0.0, True):
            good = np.isfinite(value) & (np.asarray(value) >= 0)
            raise DomainError(f"{name} must be finite and >= 0, got {_first_bad(value, good)}")
        _warn_unusual(name, value)


def _warn_unusual(name: str, value: Any) -> None:
    if name in _USUAL:
        low, high, why = _USUAL[name]
        array = np.asarray(value)
        if array.size and (array.min() < low or array.max() > high):
            message = f"{name} outside {low:g} to {number(high, 4)} ({why}); check the unit"
            warn_outside((array < low) | (array > high), message, stacklevel=5)


def require_finite(**quantities: Any) -> None:
    """Raise `DomainError` unless every value of every named quantity is finite."""
    for name, value in quantities.items():
        good = np.isfinite(value)
        if not np.all(good):
            raise DomainError(f"{name} must be finite, got {_first_bad(value, good)}")


def require_in(name: str, value: str, allowed: tuple[str, ...]) -> None:
    """Raise `DomainError` unless `value` is one of the allowed words."""
    if value not in allowed:
        raise DomainError(f"{name} must be one of {', '.join(allowed)}, got {value!r}")


def warn_outside(outside: Any, message: str, *, stacklevel: int = 3) -> None:
    """Warn once, with `ValidityWarning`, if any element of `outside` is true; where it is counted, count it instead."""
    heard = _HEARD.get()
    if heard is not None:
        heard.append((message, outside))
    elif np.any(outside):
        warnings.warn(message, ValidityWarning, stacklevel=stacklevel)


def note_outside(outside: Any, message: str) -> None:
    """Count what is taken at the end of a range, draw by draw; without somebody who counts, nothing."""
    heard = _HEARD.get()
    if heard is not None:
        heard.append((message, outside))


class _Deaf(list[tuple[str, Any]]):
    """Takes and forgets."""

    def append(self, _: tuple[str, Any], /) -> None:
        pass


_HEARD: ContextVar[list[tuple[str, Any]] | None] = ContextVar("heard", default=None)
_DEAF = _Deaf()


@contextmanager
def counted() -> Iterator[list[tuple[str, Any]]]:
    """Gather, call by call, what lies outside a range and where, in place of warnings."""
    heard: list[tuple[str, Any]] = []
    token = _HEARD.set(heard)
    try:
        yield heard
    finally:
        _HEARD.reset(token)


@contextmanager
def among_draws() -> Iterator[None]:
    """Among many draws some lie outside: no warning for them; whoever counts still hears of each."""
    token = _HEARD.set(_DEAF if (heard := _HEARD.get()) is None else heard)
    try:
        yield
    finally:
        _HEARD.reset(token)
