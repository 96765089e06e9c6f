"""Read the core of a 3MF package (3MF Consortium, core specification 1.4): a ZIP of XML, written by anyone.

The package itself is opened in `threemf_package`. Refused here: cycles and multiplying components. Only what the build
asks for is read; supports and open surfaces are left out, and said. A mirror transform turns the triangles round, so
that the volume stays positive.
"""

import struct
import zipfile
import zlib
from array import array
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError
from pliant.mesh.finish import finish_mesh
from pliant.mesh.threemf_package import check_directory, checked_entries, feed, safe_parser, start_part
from pliant.records.part import Mesh

__all__ = ["read_threemf"]

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_UNIT_MM = {"micron": 1e-3, "millimeter": 1.0, "centimeter": 10.0, "inch": 25.4, "foot": 304.8, "meter": 1000.0}
_TYPES = ("model", "solidsupport", "support", "surface", "other")
_MAX_DEPTH = 32  # components within components
_MAX_OBJECTS = 100_000
_MAX_PLACED = 20_000
_MAX_TRIANGLES = 4_000_000
Matrix = tuple[float, ...]
_IDENTITY: Matrix = (1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0)


@dataclass
class _Object:
    kind: str
    points: "array[float]" = field(default_factory=lambda: array("d"))
    corners: "array[int]" = field(default_factory=lambda: array("i"))
    components: list[tuple[str, Matrix]] = field(default_factory=list)


@dataclass
class _Model:
    unit: str = "millimeter"
    objects: dict[str, _Object] = field(default_factory=dict)
    items: list[tuple[str, Matrix]] = field(default_factory=list)


def read_threemf(stream: BinaryIO, size: int, file: str, close_mm: float = 0.0) -> Mesh:
    """Read the parts that the package's build asks for, as one mesh in millimetres.

    Parameters
    ----------
    stream : binary file
        Seekable.
    size : int
        Its length. [bytes]
    file : str
        For messages.
    close_mm : float, default 0.0
        Holes smaller across than this are closed, and told. [mm]

    Returns
    -------
    Mesh

    Raises
    ------
    MeshError
        One line that names the file, the place, what is allowed and the way out.
    """
    check_directory(stream, size, file)
    try:
        with zipfile.ZipFile(stream) as package:
            names = checked_entries(package, file)
            start = start_part(package, names, file)
            model = _ModelReader(f"{file}: {start}")
            feed(package, names[start.lower()], model.parser, model.where)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, struct.error) as error:
        raise MeshError(f"{file}: damaged package ({error}); fetch or save it again") from error
    found = model.finished()
    vertices, faces, notes = _assemble(found, file)
    return finish_mesh(vertices, faces, file, "3MF", found.unit, notes, close_mm)


class _ModelReader:
    """Handlers of the model part."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.model = _Model()
        self._prefixes: dict[str, str] = {}
        self._path: list[str] = []
        self._object: _Object | None = None
        self._triangles = 0
        self._seen_model = False
        self.parser = safe_parser(where, self._start, self._end)
        self.parser.StartNamespaceDeclHandler = self._namespace

    def finished(self) -> _Model:
        if not self._seen_model:
            raise MeshError(f"{self.where}: no <model> of the 3MF core; save it again")
        return self.model

    def _namespace(self, prefix: str | None, uri: str) -> None:
        self._prefixes[prefix or ""] = uri

    def _fail(self, words: str) -> MeshError:
        return MeshError(f"{self.where} line {self.parser.CurrentLineNumber}: {words}")

    def _start(self, name: str, a: dict[str, str]) -> None:
        namespace, _, local = name.rpartition(" ")
        self._path.append(local if namespace == _CORE else "?")
        if namespace != _CORE:
            return
        inside = self._path[-2] if len(self._path) > 1 else ""
        if local == "vertex" and inside == "vertices" and self._object is not None:
            self._object.points.extend((self._number(a, "x"), self._number(a, "y"), self._number(a, "z")))
            if len(self._object.points) > 9 * _MAX_TRIANGLES:
                raise self._fail(f"more than {3 * _MAX_TRIANGLES} vertices; save it with fewer triangles")
        elif local == "triangle" and inside == "triangles" and self._object is not None:
            self._object.corners.extend((self._whole(a, "v1"), self._whole(a, "v2"), self._whole(a, "v3")))
            self._triangles += 1
            if self._triangles > _MAX_TRIANGLES:
                raise self._fail(f"more than {_MAX_TRIANGLES} triangles; save it with fewer")
        elif local == "model" and len(self._path) == 1:
            self._model(a)
        elif local == "object" and inside == "resources":
            self._new_object(a)
        elif local == "component" and inside == "components" and self._object is not None:
            self._object.components.append((self._reference(a), self._transform(a)))
            if len(self._object.components) > _MAX_PLACED:
                raise self._fail(f"more than {_MAX_PLACED} components; save it as one mesh")
        elif local == "item" and inside == "build":
            self.model.items.append((self._reference(a), self._transform(a)))
            if len(self.model.items) > _MAX_PLACED:
                raise self._fail(f"more than {_MAX_PLACED} items; save one part at a time")

    def _end(self, name: str) -> None:
        if self._path.pop() == "object":
            self._object = None

    def _model(self, a: dict[str, str]) -> None:
        self._seen_model = True
        unit = a.get("unit", "millimeter")
        if unit not in _UNIT_MM:
            raise self._fail(f"unit must be one of {', '.join(_UNIT_MM)}, got {unit[:20]!r}")
        self.model.unit = unit
        for prefix in a.get("requiredextensions", "").split():
            uri = self._prefixes.get(prefix, prefix)
            if uri != _CORE:
                raise self._fail(f"needs the extension {uri[:80]!r}, which is not read; save it with the core only")

    def _new_object(self, a: dict[str, str]) -> None:
        key = a.get("id", "")
        if not key.isascii() or not key.isdigit():
            raise self._fail(f"an object needs a whole number as id, got {key[:20]!r}")
        if key in self.model.objects:
            raise self._fail(f"two objects have the id {key}; save it again")
        if len(self.model.objects) >= _MAX_OBJECTS:
            raise self._fail(f"more than {_MAX_OBJECTS} objects; save one part at a time")
        kind = a.get("type", "model")
        if kind not in _TYPES:
            raise self._fail(f"object type must be one of {', '.join(_TYPES)}, got {kind[:20]!r}")
        self._object = self.model.objects[key] = _Object(kind)

    def _number(self, a: dict[str, str], key: str) -> float:
        text = a.get(key)
        if text is None:
            raise self._fail(f"{key} is missing")
        return self._float(text, key)

    def _float(self, text: str, key: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if value - value != 0 or "_" in text or not text.isascii():
            raise self._fail(f"{key} must be a finite number, got {text[:20]!r}")
        return value

    def _whole(self, a: dict[str, str], key: str) -> int:
        text = a.get(key, "")
        if not (text.isascii() and text.isdigit() and len(text) < 10):
            raise self._fail(f"{key} must be a whole number, got {text[:20]!r}")
        return int(text)

    def _reference(self, a: dict[str, str]) -> str:
        if any(k.endswith(" path") for k in a):
            raise self._fail("refers to another part of the package, which is not read; save it with the core only")
        key = a.get("objectid", "")
        if key not in self.model.objects:
            raise self._fail(f"objectid {key[:20]!r} is not defined before its use; save it again")
        return key

    def _transform(self, a: dict[str, str]) -> Matrix:
        text = a.get("transform")
        if text is None:
            return _IDENTITY
        words = text.split()
        if len(words) != 12:
            raise self._fail(f"a transform needs 12 numbers, got {len(words)}")
        m = tuple(self._float(w, "transform") for w in words)
        if abs(float(np.linalg.det(np.reshape(m[:9], (3, 3))))) < 1e-12:
            raise self._fail("a transform that squashes the part flat; its determinant must not be zero")
        return m


def _assemble(model: _Model, file: str) -> tuple[NDArray[np.float64], NDArray[np.int32], list[str]]:
    """Place what the build asks for, components innermost first; bounded before anything is placed."""
    if not model.items:
        raise MeshError(f"{file}: the build is empty; save it with the part on the platform")
    count: dict[str, tuple[int, int]] = {}
    for key, _ in model.items:
        _count(model, key, count, (), file)
    placed = sum(count[key][0] for key, _ in model.items)
    triangles = sum(count[key][1] for key, _ in model.items)
    if placed > _MAX_PLACED or triangles > _MAX_TRIANGLES:
        raise MeshError(f"{file}: its components multiply to {placed} meshes of {triangles} triangles; save one mesh")
    points: list[NDArray[np.float64]] = []
    faces: list[NDArray[np.int32]] = []
    left_out: dict[str, int] = {}
    scale = _UNIT_MM[model.unit]
    start = 0

    def place(key: str, rotation: NDArray[np.float64], shift: NDArray[np.float64]) -> None:
        nonlocal start
        thing = model.objects[key]
        if thing.kind != "model":
            left_out[thing.kind] = left_out.get(thing.kind, 0) + 1
            return
        if thing.corners:
            v = np.frombuffer(thing.points, dtype=np.float64).reshape(-1, 3) @ rotation + shift
            f = np.frombuffer(thing.corners, dtype=np.int32).reshape(-1, 3)
            points.append(v * scale)
            faces.append((f[:, ::-1] if np.linalg.det(rotation) < 0 else f) + np.int32(start))
            start += v.shape[0]
        for inner, m in thing.components:  # row vectors: the inner transform first
            r, s = _split(m)
            place(inner, r @ rotation, s @ rotation + shift)

    for key, m in model.items:
        place(key, *_split(m))
    notes = [f"{n} object{'s' if n > 1 else ''} of type {kind} left out: not part of the body" for kind, n in
             sorted(left_out.items())]  # fmt: skip
    if not points:
        raise MeshError(f"{file}: the build holds no body of type model ({'; '.join(notes) or 'it is empty'})")
    if len(points) > 1:
        notes.append(f"{len(points)} bodies in the build were taken as one part")
    return np.vstack(points), np.vstack(faces).astype(np.int32), notes


def _split(m: Matrix) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.reshape(m[:9], (3, 3)).astype(float), np.asarray(m[9:], dtype=float)


def _count(model: _Model, key: str, count: dict[str, tuple[int, int]], path: tuple[str, ...], file: str) -> None:
    """Meshes and triangles that an object stands for; also where the indices are checked."""
    if key in path:
        raise MeshError(f"{file}: object {key} contains itself; save it again")
    if key in count:
        return
    if len(path) > _MAX_DEPTH:
        raise MeshError(f"{file}: components nested deeper than {_MAX_DEPTH}; save one mesh")
    thing = model.objects[key]
    if thing.corners:
        known = len(thing.points) // 3
        most = int(np.frombuffer(thing.corners, dtype=np.int32).max())
        if most >= known:
            raise MeshError(f"{file}: object {key} asks for vertex {most} but has {known}; it was cut short or damaged")
    meshes, triangles = int(bool(thing.corners)), len(thing.corners) // 3
    for inner, _ in thing.components:
        _count(model, inner, count, (*path, key), file)
        meshes, triangles = meshes + count[inner][0], triangles + count[inner][1]
    count[key] = meshes, triangles
