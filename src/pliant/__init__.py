"""pliant: will this soft filament feed? `check` and `read` are the library's front door."""

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["__version__", "check", "read"]

if TYPE_CHECKING:
    from pliant.workflows.check import check
    from pliant.workflows.read import read


def __getattr__(name: str) -> Any:
    """Load a workflow when it is first asked for, so that `import pliant` stays light."""
    if name in ("check", "read"):
        from importlib import import_module

        return getattr(import_module(f"pliant.workflows.{name}"), name)
    raise AttributeError(f"module 'pliant' has no attribute {name!r}")
