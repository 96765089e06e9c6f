"""numba's decorator with a type: what is compiled is called as what stands in the source."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

__all__ = ["njit"]

F = TypeVar("F", bound=Callable[..., Any])


def njit(**options: Any) -> Callable[[F], F]:
    """As `numba.njit`, whose own type says nothing of the function that it gives."""
    return cast("Callable[[F], F]", numba.njit(**options))
