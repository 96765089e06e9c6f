"""Read a part from STL (binary and ASCII) or OBJ; 3MF is handed to `threemf`.

The files are hostile until read: sizes and counts are capped before memory is taken, numbers must be finite, and
whatever is repaired (welding, winding) or left out is said in words. Only numpy is loaded here, so that refusing a bad
file stays cheap. Units: STL and OBJ carry none; millimetres are assumed and the size is looked at for plausibility.
"""

import io
import struct
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError
from pliant.mesh.finish import finish_mesh
from pliant.records.part import Mesh

__all__ = ["MAX_FILE_BYTES", "MAX_TRIANGLES", "read_mesh"]

MAX_FILE_BYTES = 400_000_000  # own cap: a binary STL of eight million triangles
MAX_TRIANGLES = 4_000_000  # own cap; a desktop part has 1e3 to 1e6
MAX_LINE_BYTES = 100_000  # own cap for a line of text
_STL_RECORD = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("attribute", "<u2")])


def read_mesh(path: str | Path, close_mm: float = 0.0) -> Mesh:
    """Read a mesh, weld it, make its winding consistent, and say what was done.

    Parameters
    ----------
    path : str or Path
        A file ending in .stl, .obj or .3mf; the content of an STL decides between binary and ASCII.
    close_mm : float, default 0.0
        Holes smaller across than this are closed, and told. [mm]

    Returns
    -------
    Mesh
        Vertices in millimetres, triangles with the outside to the right-hand side, repairs and notes in words.

    Raises
    ------
    MeshError
        One line that names the file, the place, what is allowed and the way out.
    """
    file = Path(path)
    suffix = file.suffix.lower()
    if suffix not in (".stl", ".obj", ".3mf"):
        raise MeshError(f"{file}: unknown kind of mesh {suffix!r}; allowed are .stl, .obj and .3mf")
    try:
        size = file.stat().st_size
        if not file.is_file():
            raise MeshError(f"{file}: not a file; name a mesh file")
        if size == 0:
            raise MeshError(f"{file}: empty; save the part again")
        if size > MAX_FILE_BYTES:
            raise MeshError(f"{file}: {size} bytes, more than {MAX_FILE_BYTES}; save it with fewer triangles")
        with file.open("rb") as stream:
            if suffix == ".3mf":
                from pliant.mesh.threemf import read_threemf  # archives and XML: nothing that a check needs

                return read_threemf(stream, size, str(file), close_mm)
            if suffix == ".obj":
                corners, faces, notes = _read_obj(stream, str(file))
                kind = "OBJ"
            else:
                corners, notes, kind = _read_stl(stream, size, str(file))
                faces = np.arange(corners.shape[0], dtype=np.int32).reshape(-1, 3)
    except OSError as error:
        raise MeshError(f"{file}: cannot be read ({error.strerror}); check the name and its permissions") from error
    return finish_mesh(corners, faces, str(file), kind, "mm (assumed)", notes, close_mm)


def _read_stl(stream: BinaryIO, size: int, file: str) -> tuple[NDArray[np.float64], list[str], str]:
    """Corners (3 n, 3), notes, kind. The length decides first: many binary headers begin with `solid`."""
    head = stream.read(84)
    count = struct.unpack("<I", head[80:84])[0] if len(head) == 84 else None
    if count is not None and size == 84 + 50 * count:
        return _binary_stl(stream, count, 0, file)
    stream.seek(0)
    start = stream.read(2048)
    plain = _plain(start)
    text = plain.lstrip()[:5].lower() == b"solid" and (b"\0" not in start or b"facet" in plain.lower())
    stream.seek(0)
    if text:
        return _ascii_stl(stream, file)
    if count is None:
        raise MeshError(f"{file}: {size} bytes are too few for an STL; a binary one has at least 84, save it again")
    if count == 0:
        raise MeshError(f"{file}: says it has no triangles; save the part as a solid body")
    extra = size - 84 - 50 * count
    if extra < 0:
        room = (size - 84) // 50
        raise MeshError(f"{file}: says {count} triangles but holds {room}; it was cut short, fetch or save it again")
    if extra % 50 == 0:
        raise MeshError(f"{file}: says {count} triangles but holds {count + extra // 50}; save it again")
    stream.seek(84)
    return _binary_stl(stream, count, extra, file)


def _binary_stl(stream: BinaryIO, count: int, extra: int, file: str) -> tuple[NDArray[np.float64], list[str], str]:
    _cap_triangles(count, file)
    raw = np.frombuffer(stream.read(50 * count), dtype=_STL_RECORD)
    if raw.size != count:
        raise MeshError(f"{file}: says {count} triangles but holds {raw.size}; it was cut short, save it again")
    with np.errstate(invalid="ignore"):  # a signalling NaN warns; the finite check of the last step names it
        corners = raw["corner"].reshape(-1, 3).astype(np.float64)
    notes = [f"{extra} bytes after the last triangle were ignored"] if extra else []
    return corners, notes, "STL, binary"


def _cap_triangles(count: int, file: str) -> None:
    if count > MAX_TRIANGLES:
        raise MeshError(f"{file}: more than {MAX_TRIANGLES} triangles; save it with fewer")


def _number(token: str, file: str, line: int) -> float:
    """A decimal number of a text mesh; exponents are legal, `nan`, `inf`, commas and underscores are not."""
    try:
        value = float(token)
    except ValueError:
        value = np.nan
    if value - value != 0 or "_" in token:  # the first is false for finite numbers only
        hint = "write a point, not a comma" if "," in token else "expected a finite number such as 1.5 or 2e-3"
        raise MeshError(f"{file} line {line}: {token[:20]!r} is not a number; {hint}")
    return value


_WIDE = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}


def _plain(start: bytes) -> bytes:
    """The start of a text without byte-order mark, wide characters or padding."""
    return start.removeprefix(b"\xef\xbb\xbf").lstrip(b"\xff\xfe").replace(b"\0", b"")


def _lines(stream: BinaryIO, file: str) -> Iterator[str]:
    """Lines with any of the three line ends, none longer than the cap; byte-order marks and NULs are dropped."""
    mark = stream.read(3)
    skip = 3 if mark == b"\xef\xbb\xbf" else 2 if mark[:2] in _WIDE else 0
    stream.seek(skip)
    text = io.TextIOWrapper(stream, encoding=_WIDE.get(mark[:2], "latin-1"), errors="replace", newline=None)
    try:
        while line := text.readline(MAX_LINE_BYTES):
            if len(line) == MAX_LINE_BYTES:
                raise MeshError(f"{file}: a line longer than {MAX_LINE_BYTES} bytes; save it again")
            yield line.replace("\0", "") if "\0" in line else line
    finally:
        text.detach()  # the caller owns the stream


_WORDS = {"facet": 5, "outer": 2, "vertex": 4, "endloop": 1, "endfacet": 1}


def _ascii_stl(stream: BinaryIO, file: str) -> tuple[NDArray[np.float64], list[str], str]:
    corner = array("d")
    state, here, solids, line_number = "start", 0, 0, 0
    follows = {"facet": ("solid", "endfacet"), "outer": ("facet",), "vertex": ("outer", "vertex"),
               "endloop": ("vertex",), "endfacet": ("endloop",)}  # fmt: skip
    for line_number, line in enumerate(_lines(stream, file), 1):
        words = line.split()
        while words:
            word = words[0].lower()
            if word == "solid":
                if state not in ("start", "endsolid"):
                    raise MeshError(f"{file} line {line_number}: solid inside a solid; endsolid is missing")
                solids += 1
                state, words = "solid", []
                break
            if word == "endsolid":
                if state not in ("solid", "endfacet"):
                    raise MeshError(f"{file} line {line_number}: endsolid after {state}; the facet is not finished")
                state, words = "endsolid", []
                break
            need = _WORDS.get(word)
            if need is None or state not in follows[word]:
                raise MeshError(f"{file} line {line_number}: {word[:20]!r} cannot follow {state}; save it again")
            if len(words) < need:
                raise MeshError(f"{file} line {line_number}: {word} needs {need - 1} more words; save it again")
            if word == "vertex":
                if here == 3:
                    raise MeshError(f"{file} line {line_number}: a facet has three vertices; this is a fourth")
                corner.extend(_number(w, file, line_number) for w in words[1:4])
                here += 1
            elif word == "endloop" and here != 3:
                raise MeshError(f"{file} line {line_number}: a facet needs three vertices, got {here}")
            elif word == "facet":
                here = 0
                if len(corner) >= 9 * MAX_TRIANGLES:
                    _cap_triangles(MAX_TRIANGLES + 1, file)
            state, words = word, words[need:]
    if state != "endsolid":
        raise MeshError(f"{file} line {line_number}: ends after {state}, without endsolid; it was cut short")
    notes = [f"{solids} solids in the file were taken as one part"] if solids > 1 else []
    return np.frombuffer(corner, dtype=np.float64).reshape(-1, 3).copy(), notes, "STL, ASCII"


def _read_obj(stream: BinaryIO, file: str) -> tuple[NDArray[np.float64], NDArray[np.int32], list[str]]:
    point, face = array("d"), array("i")
    skipped: set[str] = set()
    polygons = joined = 0
    held = ""
    for line_number, raw in enumerate(_lines(stream, file), 1):
        line = held + raw.partition("#")[0].rstrip()
        if line.endswith("\\"):
            held = line[:-1] + " "
            if len(held) > MAX_LINE_BYTES:
                raise MeshError(f"{file} line {line_number}: a line longer than {MAX_LINE_BYTES} bytes; save it again")
            continue
        held = ""
        words = line.split()
        if not words:
            continue
        if words[0] == "v":
            if len(words) < 4:
                raise MeshError(f"{file} line {line_number}: v needs three numbers, got {len(words) - 1}")
            point.extend(_number(w, file, line_number) for w in words[1:4])
            if len(point) > 9 * MAX_TRIANGLES:
                _cap_triangles(MAX_TRIANGLES + 1, file)
        elif words[0] == "f":
            if len(words) < 4:
                raise MeshError(f"{file} line {line_number}: f needs three corners or more, got {len(words) - 1}")
            ring = [_index(w, len(point) // 3, file, line_number) for w in words[1:]]
            polygons += len(ring) > 3
            face.extend(_triangles(ring, point))
            if len(face) > 3 * MAX_TRIANGLES:
                _cap_triangles(MAX_TRIANGLES + 1, file)
        elif words[0] in ("o", "g"):
            joined += words[0] == "o"
        elif words[0] in ("curv", "curv2", "surf", "cstype"):
            skipped.add(words[0])
    if held:
        raise MeshError(f"{file}: the last line promises to go on; it was cut short")
    notes = []
    if polygons:
        notes.append(f"{polygons} polygons with more than three corners were cut into triangles")
    if joined > 1:
        notes.append(f"{joined} objects in the file were taken as one part")
    if skipped:
        notes.append("free-form curves and surfaces were left out: only flat faces are read")
    points = np.frombuffer(point, dtype=np.float64).reshape(-1, 3).copy()
    return points, np.frombuffer(face, dtype=np.int32).reshape(-1, 3).copy(), notes


def _index(word: str, known: int, file: str, line: int) -> int:
    """Vertex number of `7`, `7/1`, `7//3`, `7/1/3` or `-1`, counted from zero."""
    first = word.partition("/")[0]
    try:
        k = int(first) if "_" not in first else 0
    except ValueError:
        k = 0
    if not (1 <= k <= known or 1 <= -k <= known):
        raise MeshError(f"{file} line {line}: corner {word[:20]!r}, but {known} vertices are defined so far")
    return k - 1 if k > 0 else known + k


def _triangles(ring: list[int], point: "array[float]") -> list[int]:
    """Cut a flat polygon into triangles: a fan if it is convex, else by clipping ears."""
    if len(ring) == 3:
        return ring
    p = np.array([point[3 * i : 3 * i + 3] for i in ring])
    normal = np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0)
    axis = int(np.abs(normal).argmax())
    flat = np.delete(p, axis, axis=1)
    if (normal[axis] < 0) != (axis == 1):  # look from the side where it runs anticlockwise
        flat = flat * np.array([-1.0, 1.0])
    q: list[tuple[float, float]] = [(float(a), float(b)) for a, b in flat]

    def turn(a: int, b: int, c: int) -> float:
        return (q[b][0] - q[a][0]) * (q[c][1] - q[a][1]) - (q[b][1] - q[a][1]) * (q[c][0] - q[a][0])

    left, out = list(range(len(ring))), []
    convex = all(turn(left[i - 2], left[i - 1], left[i]) >= 0 for i in range(len(left)))
    while len(left) > 3 and not convex:
        for i in range(len(left)):
            a, b, c = left[i - 1], left[i], left[(i + 1) % len(left)]
            if turn(a, b, c) <= 0:
                continue
            inside = (turn(a, b, k) >= 0 and turn(b, c, k) >= 0 and turn(c, a, k) >= 0 for k in left
                      if k not in (a, b, c) and q[k] not in (q[a], q[b], q[c]))  # fmt: skip
            if not any(inside):
                out += [ring[a], ring[b], ring[c]]
                del left[i]
                break
        else:
            break  # no ear: the polygon crosses itself; the fan below keeps its area, and the checks will speak
    for i in range(1, len(left) - 1):
        out += [ring[left[0]], ring[left[i]], ring[left[i + 1]]]
    return out
