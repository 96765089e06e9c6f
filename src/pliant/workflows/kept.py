"""What a batch has found so far, line by line in a file: stopped in the middle, it goes on from there."""

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, fields
from hashlib import sha256
from pathlib import Path
from typing import Any

from pliant.errors import PliantError
from pliant.records.many import Combination
from pliant.version import __version__

__all__ = ["KeptCombinations"]

_LONGEST = 16 * 1024 * 1024  # [bytes] of a line: some fifty thousand combinations
_NAMES = {f.name for f in fields(Combination)}
Found = tuple[list[Combination], str]


class KeptCombinations:
    """Combinations of programs, by the bytes of the program, of the records, and by our version.

    Parameters
    ----------
    file : str or Path
        Made where it is not there; only ever added to. A last line that was cut off in mid-write does not count.
    records : sequence of Path
        Of the machines and spools: with others a program is looked at anew.

    Raises
    ------
    PliantError
        If the file cannot be read or written, or holds anything else.
    """

    def __init__(self, file: str | Path, records: Sequence[Path]) -> None:
        self._file = Path(file)
        own = sha256(__version__.encode())
        for path in records:
            own.update(sha256(path.read_bytes()).digest())
        self._with = own.hexdigest()
        self._known: dict[str, Found] = {}
        self._torn = False
        try:
            self._whole = self._read()
        except OSError as error:
            raise PliantError(f"{self._file}: cannot be read ({error.strerror}); name another file") from None

    def _read(self) -> int:
        """Take in all whole lines, and say where they end. [bytes]"""
        if not self._file.exists():
            return 0
        whole, number = 0, 0
        with self._file.open("rb") as lines:
            while line := lines.readline(_LONGEST + 1):
                number += 1
                if not line.endswith(b"\n") and len(line) <= _LONGEST:
                    self._torn = True  # cut off while it was written
                    break
                try:
                    said = json.loads(line)
                    key, found = said["program"], ([_combination(c) for c in said["combinations"]], said["why"])
                    if not (isinstance(key, str) and isinstance(found[1], str)):
                        raise TypeError
                except (ValueError, KeyError, TypeError, RecursionError):
                    raise PliantError(
                        f"{self._file}: line {number}: is no line of a batch; name another file, or delete that line"
                    ) from None
                self._known[key] = found
                whole += len(line)
        return whole

    def _key(self, path: str) -> str:
        name = Path(path).name.encode("utf-8", "surrogateescape")
        try:
            return sha256(self._with.encode() + sha256(name).digest() + Path(path).read_bytes()).hexdigest()
        except OSError:
            return ""  # what cannot be read is told by who looks at it

    def get(self, path: str) -> Found | None:
        """What was found of a program with these records; None where nothing is known."""
        return self._known.get(self._key(path))

    def add(self, path: str, found: Found) -> None:
        """Write one line, whole and on the disk before the next program counts."""
        combinations, why = found
        if not (key := self._key(path)):
            return
        said = {"program": key, "combinations": [asdict(c) for c in combinations], "why": why}
        line = json.dumps(said, separators=(",", ":")).encode() + b"\n"
        try:
            with self._file.open("ab") as out:
                if self._torn:
                    out.truncate(self._whole)
                    self._torn = False
                out.write(line)
                out.flush()
                os.fsync(out.fileno())
        except OSError as error:
            raise PliantError(f"{self._file}: cannot be written ({error.strerror}); name another file") from None


def _combination(said: Any) -> Combination:
    """One combination as it was written, refused where it has other fields or another kind of value."""
    if not isinstance(said, dict) or set(said) != _NAMES:
        raise TypeError
    texts = {name: said[name] for name in ("program", "machine", "filament", "mechanism", "error")}
    numbers = {name: said[name] for name in ("jam_probability", "expected_min", "first_share", "filament_mm")}
    verdict = said["verdict"]
    if not all(isinstance(text, str) for text in texts.values()) or not isinstance(verdict, str | None):
        raise TypeError
    if not all(n is None or (isinstance(n, int | float) and not isinstance(n, bool)) for n in numbers.values()):
        raise TypeError
    return Combination(**said)
