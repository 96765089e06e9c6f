"""The package around a 3MF model: a ZIP of XML written by anyone, opened safely.

Refused before memory is taken: too many or too large entries, an expansion beyond the ratio a mesh can have, names that
leave the package, duplicates, encryption, DTDs, other encodings, endless tokens and deep nesting.
"""

import struct
import zipfile
from collections.abc import Callable
from typing import Any, BinaryIO
from urllib.parse import unquote
from xml.parsers import expat

from pliant.errors import MeshError

__all__ = ["check_directory", "checked_entries", "feed", "safe_parser", "start_part"]

_RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
_START_PART = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
# own caps; a file of one million triangles has about 80 MB of XML, packed 5 to 20 times smaller
_MAX_ENTRIES = 4096
_MAX_DIRECTORY_BYTES = 1 << 20
_MAX_XML_BYTES = 600_000_000
_MAX_RATIO = 60
_FREE_BYTES = 4_000_000  # below this the ratio does not matter
_MAX_DEPTH = 32
_MAX_TOKEN_BYTES = 1 << 20
_MAX_NAMES = 2000
_BLOCK = 1 << 16


def check_directory(stream: BinaryIO, size: int, file: str) -> None:
    """Look at the end of the ZIP by hand: its directory is bounded before a library loads it whole."""
    tail_size = min(size, 22 + 65535 + 20)
    stream.seek(size - tail_size)
    tail = stream.read(tail_size)
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) - at < 22:
        raise MeshError(f"{file}: not a 3MF package (no ZIP directory); it was cut short or has the wrong name")
    entries, directory = (
        struct.unpack("<H", tail[at + 10 : at + 12])[0],
        struct.unpack("<I", tail[at + 12 : at + 16])[0],
    )
    if at >= 20 and tail[at - 20 : at - 16] == b"PK\x06\x07":
        record_at = struct.unpack("<Q", tail[at - 12 : at - 4])[0]
        if record_at + 56 > size:
            raise MeshError(f"{file}: damaged package (its directory lies outside the file); save it again")
        stream.seek(record_at)
        record = stream.read(56)
        entries, directory = struct.unpack("<Q", record[32:40])[0], struct.unpack("<Q", record[40:48])[0]
    if entries > _MAX_ENTRIES or directory > _MAX_DIRECTORY_BYTES:
        raise MeshError(f"{file}: {entries} entries in the package, more than {_MAX_ENTRIES}; save only the part")
    stream.seek(0)


def checked_entries(package: zipfile.ZipFile, file: str) -> dict[str, zipfile.ZipInfo]:
    """Entries by lower-case name, or a refusal of what no honest package holds."""
    names: dict[str, zipfile.ZipInfo] = {}
    for info in package.infolist():
        name = info.orig_filename
        shown = name[:60]
        pieces = name.replace("\\", "/").split("/")
        if "\0" in name or name.startswith(("/", "\\")) or ".." in pieces or ":" in pieces[0]:
            raise MeshError(f"{file}: the entry {shown!r} points outside the package; it is not safe to read")
        if name.lower() in names:
            raise MeshError(f"{file}: two entries are named {shown!r}; save it again")
        if info.flag_bits & 1:
            raise MeshError(f"{file}: the entry {shown!r} is encrypted; save it without a password")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise MeshError(f"{file}: the entry {shown!r} is packed in a way 3MF does not allow; only deflate is")
        names[name.lower()] = info
    return names


def feed(package: zipfile.ZipFile, info: zipfile.ZipInfo, parser: Any, where: str) -> None:
    """Stream one entry through the parser, counting what really comes out."""
    if info.file_size > _MAX_XML_BYTES:
        raise MeshError(f"{where}: {info.file_size} bytes of XML, more than {_MAX_XML_BYTES}; use fewer triangles")
    allowed = max(_FREE_BYTES, _MAX_RATIO * info.compress_size)
    if info.file_size > allowed:
        ratio = info.file_size // max(info.compress_size, 1)
        raise MeshError(f"{where}: grows {ratio} times when unpacked, more than {_MAX_RATIO}; it is not read")
    fed = 0
    try:
        with package.open(info) as stream:
            while block := stream.read(_BLOCK):
                if fed == 0 and block[:2] in (b"\xff\xfe", b"\xfe\xff"):
                    raise MeshError(f"{where}: 3MF is UTF-8 only; save it again")
                fed += len(block)
                if fed > allowed:
                    raise MeshError(f"{where}: grows more than {_MAX_RATIO} times when unpacked; it is not read")
                parser.Parse(block, False)
                if fed - parser.CurrentByteIndex > _MAX_TOKEN_BYTES:
                    raise MeshError(f"{where}: one piece of XML is longer than {_MAX_TOKEN_BYTES} bytes; save it again")
                if len(parser.intern) > _MAX_NAMES:
                    raise MeshError(
                        f"{where}: more than {_MAX_NAMES} different names; save it again without extensions"
                    )
            parser.Parse(b"", True)
    except expat.ExpatError as error:
        reason = expat.ErrorString(error.code)
        raise MeshError(
            f"{where} line {error.lineno}: not sound XML ({reason}); it was cut short or damaged"
        ) from error


def safe_parser(where: str, start: Callable[[str, dict[str, str]], None], end: Callable[[str], None]) -> Any:
    """A parser that refuses what 3MF forbids; names come as `namespace local`."""
    parser = expat.ParserCreate(namespace_separator=" ")
    depth = 0

    def opened(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > _MAX_DEPTH:
            raise MeshError(f"{where} line {parser.CurrentLineNumber}: nested deeper than {_MAX_DEPTH}; save it again")
        start(name, attributes)

    def closed(name: str) -> None:
        nonlocal depth
        depth -= 1
        end(name)

    def doctype(*_: Any) -> None:
        raise MeshError(f"{where} line {parser.CurrentLineNumber}: a DTD is not allowed in 3MF; it is not read")

    def declared(_version: str, encoding: str | None, _standalone: int) -> None:
        if encoding is not None and encoding.upper() != "UTF-8":
            raise MeshError(f"{where}: 3MF is UTF-8 only, got {encoding[:20]!r}; save it again")

    parser.StartElementHandler, parser.EndElementHandler = opened, closed
    parser.StartDoctypeDeclHandler, parser.XmlDeclHandler = doctype, declared
    return parser


def start_part(package: zipfile.ZipFile, names: dict[str, zipfile.ZipInfo], file: str) -> str:
    """Name of the model part, from the package's relationships."""
    if "_rels/.rels" not in names:
        raise MeshError(f"{file}: not a 3MF package (no _rels/.rels); save it again")
    targets: list[str] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if name == f"{_RELATIONS} Relationship" and attributes.get("Type") == _START_PART:
            if attributes.get("TargetMode", "Internal") != "Internal":
                raise MeshError(f"{file}: its model lies outside the package; save it whole")
            targets.append(attributes.get("Target", ""))

    feed(
        package,
        names["_rels/.rels"],
        safe_parser(f"{file}: _rels/.rels", start, lambda _: None),
        f"{file}: _rels/.rels",
    )
    if len(targets) != 1:
        raise MeshError(f"{file}: names {len(targets)} start parts, needs one; save it again")
    # a target is a URI: its writer may have percent-coded what the ZIP spells out
    target = targets[0].lstrip("/")
    if target.lower() not in names:
        target = unquote(target)
    if target.lower() not in names:
        raise MeshError(f"{file}: its model {target[:60]!r} is not in the package; it was cut short or damaged")
    return names[target.lower()].orig_filename
