"""pliant: will this soft filament feed? One function for each job; each returns a record.

Arguments stand in one order everywhere: what it is about, the machine, the filament, then what else is asked.
"""

from typing import TYPE_CHECKING, Any

from pliant.version import __version__

__all__ = [
    "__version__", "batch", "check", "coupon", "dry", "feel", "learn", "mend", "next_coupon", "part", "plan", "read",
]  # fmt: skip

if TYPE_CHECKING:
    from pliant.workflows.batch import batch
    from pliant.workflows.check import check
    from pliant.workflows.coupon import coupon
    from pliant.workflows.dry import dry
    from pliant.workflows.feel import feel
    from pliant.workflows.learn import learn
    from pliant.workflows.mend import mend
    from pliant.workflows.next_coupon import next_coupon
    from pliant.workflows.part import part
    from pliant.workflows.plan import plan
    from pliant.workflows.read import read


def __getattr__(name: str) -> Any:
    """Load a job when it is first asked for, so that `import pliant` stays light."""
    if name in __all__:
        from importlib import import_module

        return getattr(import_module(f"pliant.workflows.{name}"), name)
    raise AttributeError(f"module 'pliant' has no attribute {name!r}")
