"""An unknown of the chain as a thing: which number it is, of which span, and how it is spread."""

import re
from dataclasses import dataclass

__all__ = ["Unknown"]

_NAME = re.compile(r"path\[?(\d+)\]?\.(\w+)")


@dataclass(frozen=True)
class Unknown:
    """A poorly known number.

    Parameters
    ----------
    key : str
        The key of the record that holds it.
    span : int, optional
        Place in the feed path of the span it belongs to, from the drive down; left out: the machine's or filament's.

    Examples
    --------
    >>> Unknown("bore_mm", 2).name, Unknown.of("path2.bore_mm").span, Unknown.of("bore_mm").span
    ('path2.bore_mm', 2, None)
    """

    key: str
    span: int | None = None

    @classmethod
    def of(cls, name: str) -> "Unknown":
        """The unknown of a name as `name` writes it, or as a record's message does (`path[2].bore_mm`)."""
        found = _NAME.fullmatch(name)
        return cls(name) if found is None else cls(found[2], int(found[1]))

    @property
    def name(self) -> str:
        """One word for columns, keys and lists."""
        return self.key if self.span is None else f"path{self.span}.{self.key}"

    @property
    def between_theories(self) -> bool:
        """Whether it lies evenly between two theories (0 to 1); all others are log-normal."""
        return self.key == "column_mix"
