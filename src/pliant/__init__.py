"""pliant: will this soft filament feed? The workflows below are the library's front door; each returns a record.

`mend` and `part` are rooms as well as jobs: `from pliant.workflows.mend import mend`, likewise `part`.
"""

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["__version__", "check", "dry", "feel", "plan", "read"]

if TYPE_CHECKING:
    from pliant.workflows.check import check
    from pliant.workflows.dry import dry
    from pliant.workflows.feel import feel
    from pliant.workflows.plan import plan
    from pliant.workflows.read import read


def __getattr__(name: str) -> Any:
    """Load a workflow when it is first asked for, so that `import pliant` stays light."""
    if name in __all__:
        from importlib import import_module

        return getattr(import_module(f"pliant.workflows.{name}"), name)
    raise AttributeError(f"module 'pliant' has no attribute {name!r}")
