"""What a file is that was given in place of a motion program, told by its first bytes.

Asked only once a file could not be read as a program: a guess here never stands in the way of a good one.
"""

import re
from pathlib import Path

from pliant.files import Source, Text, open_source

__all__ = ["what_else"]

_HEAD_BYTES = 4096
_FEW_BYTES = 64  # fewer tell nothing by their mix
_MAGIC = (
    (b"PK\x03\x04", "a zip archive, such as a 3MF model: take the motion program out of it, or look at a model with "
     "`part()`"),
    (b"\x1f\x8b", "a gzip archive: unpack it first"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"SQLite format 3\x00", "a database, perhaps a book: look into it with `book.list()`"),
    (b"\xff\xfe", "text in UTF-16: save it as plain text in UTF-8"),
    (b"\xfe\xff", "text in UTF-16: save it as plain text in UTF-8"),
    (b"{", "JSON"),
    (b"<", "a page or a drawing in XML: choose the motion program itself"),
)  # fmt: skip
_MESH = "a mesh, not a motion program: `part()` looks at meshes; a program is what prepares one for printing"
_STL_TEXT = re.compile(rb"\s*solid\b.*?\bfacet\b", re.S)
_OBJ = re.compile(rb"^v[ \t]+[-+.0-9eE]+[ \t]+[-+.0-9eE]+[ \t]+[-+.0-9eE]+", re.M)
_TOML = re.compile(rb"^(?:\[{1,2}[a-z_]+\]{1,2}|[a-z_0-9]{3,}[ \t]*=[ \t]*\S.*)[ \t]*\r?$", re.M)


def what_else(path: Source) -> str:
    """Say what a file is that is no motion program, and what to do with it.

    Parameters
    ----------
    path : str, Path or Text
        The file; only its beginning is read.

    Returns
    -------
    str
        Empty where nothing better can be said than what its lines say.
    """
    try:
        if not isinstance(path, Text) and not Path(path).is_file():
            return ""
        with open_source(path) as source:
            size = source.seek(0, 2)
            source.seek(0)
            head = source.read(_HEAD_BYTES).removeprefix(b"\xef\xbb\xbf")
    except OSError:
        return ""
    for magic, what in _MAGIC:
        if head.lstrip().startswith(magic):
            return what
    if size >= 134 and size == 84 + 50 * int.from_bytes(head[80:84], "little"):
        return _MESH
    if len(head) > _FEW_BYTES and sum(byte < 9 or 13 < byte < 32 for byte in head) > 0.05 * len(head):
        return (
            "binary: some machines use a form of their own; have the program written as plain text (G-code), as most "
            "preparation software can"
        )
    if _STL_TEXT.match(head) or _OBJ.search(head):
        return _MESH
    if _TOML.search(head):
        return "a record in TOML, not a motion program: records are given as `machine` and `filament`"
    return ""
