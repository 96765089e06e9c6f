"""What can go wrong between a browser and the bench, each with its status; one shape: `{"error": "..."}`."""

from pliant.errors import PliantError
from pliant.say import worded

__all__ = ["Fault", "in_fields", "with_names"]

# what the library asks for by its own names, and where the bench has it
_FIELDS = {
    "book": "book",
    "dialect": "the controller, in the machine's record",
    "factor": "the factor below,",
    "filament": "the spool",
    "wanted_n": "the force wanted",
    "shore_a": "the hardness",
    "height_mm": "the height that the first layer may gain",
    "holes": "tick that on the page Part",
    "machine": "the machine",
    "measured_n": "the force you measured, below",
    "nozzle_c": "a nozzle temperature",
    "gap_mm": "a height of layers",
    "passes": "changes that are ticked",
    "target": "chance of a jam to stay under",
    "book.add()": "the first visit",
    "book.list()": "the page of the book",
    "book.record()": "the page Check",
    "book.rescue()": "`pliant book rescue`, in a terminal,",
    "coupon()": "the page Coupons",
    "new()": "the first visit",
    "part()": "the page Part",
}


class Fault(PliantError):
    """A refusal with the status that HTTP has for it."""

    def __init__(self, status: int, text: str):
        super().__init__(text)
        self.status = status


def in_fields(text: str) -> str:
    """A message in the words of the bench: arguments as fields of its forms, jobs as its pages."""
    return worded(text, _FIELDS)


def with_names(text: str, *paths: tuple[str, str]) -> str:
    """The words of an error with our own file names replaced by what the user called the files."""
    for path, name in paths:
        text = text.replace(path, name)
    return text
