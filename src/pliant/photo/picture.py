"""A picture from outside: what it may be, and how it becomes numbers.

Nothing of the file is believed before its size, its kind and its pixels are known to be within bounds, and a file that
breaks off is refused although a decoder would fill the rest with grey.
"""

# ruff: noqa: E501 (sentences stay whole)
import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.files import Source, open_source

__all__ = ["MOST_BYTES", "MOST_PIXELS", "cv", "read_picture", "size_of"]

MOST_BYTES, MOST_PIXELS = 60_000_000, 80_000_000
_LEAST_SIDE, _LONGEST_SIDE = 1200, 5200  # [pixels] too few to measure on; what is longer is made smaller
_PNG = b"\x89PNG\r\n\x1a\n"
_FRAMES = {0xC0, 0xC1, 0xC2}  # of JPEG: baseline, extended, progressive


def cv() -> Any:
    """OpenCV, or one line with the way out."""
    try:
        import cv2
    except ImportError as error:
        raise PliantError(
            "reading a picture needs OpenCV, which is not installed: pip install 'pliant[photo]', or measure the two "
            "lengths with a ruler"
        ) from error
    return cv2


def read_picture(source: Source) -> NDArray[np.uint8]:
    """Read a picture of a phone.

    Parameters
    ----------
    source : str, Path or Text
        JPEG or PNG.

    Returns
    -------
    ndarray
        `(rows, columns, 3)`.

    Raises
    ------
    PliantError
        If it is too large, of another kind, broken, or OpenCV is missing.
    """
    name = Path(str(source)).name
    cv2 = cv()
    try:
        with open_source(source) as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise PliantError(f"{source}: cannot be read ({error.strerror}); give the picture's file") from error
    if len(data) > MOST_BYTES:
        raise PliantError(f"{name}: over {MOST_BYTES // 10**6} MB; take the picture as an ordinary JPEG")
    width, height = size_of(data, name)
    if width * height > MOST_PIXELS:
        raise PliantError(
            f"{name}: {width} by {height} pixels, over {MOST_PIXELS // 10**6} million; take a smaller one"
        )
    if min(width, height) < _LEAST_SIDE:
        raise PliantError(
            f"{name}: {width} by {height} pixels are too few to measure on, {_LEAST_SIDE} on the short side is the least; "
            "send the picture as the camera took it, not as a chat made it smaller"
        )
    try:
        found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error:
        found = None
    if found is None or found.ndim != 3 or found.shape[2] != 3:
        raise PliantError(f"{name}: is broken inside; copy it from the phone again")
    share = _LONGEST_SIDE / max(found.shape[:2])
    return np.asarray(
        found if share >= 1 else cv2.resize(found, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    )


def size_of(data: bytes, name: str) -> tuple[int, int]:
    """Width and height that a JPEG or PNG file claims, and that it does not break off. [pixels]

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Of the file, for errors.

    Returns
    -------
    tuple of int

    Raises
    ------
    PliantError
        If it is neither, or breaks off.
    """
    try:
        if data.startswith(_PNG) and data[12:16] == b"IHDR":
            width, height = struct.unpack(">II", data[16:24])
            whole = b"IEND" in data[-4096:]
        elif data.startswith(b"\xff\xd8"):
            width, height, after = _jpeg(data)
            whole = data.find(b"\xff\xd9", after) >= 0
        else:
            raise PliantError(f"{name}: is no JPEG and no PNG; have the phone save its pictures as JPEG, or convert it")
    except (struct.error, IndexError) as error:
        raise PliantError(f"{name}: is broken inside; copy it from the phone again") from error
    if not whole or not width or not height:
        raise PliantError(f"{name}: breaks off before its end; copy it from the phone again")
    return width, height


def _jpeg(data: bytes) -> tuple[int, int, int]:
    """Width, height, and where the picture's own data begin, from segment to segment (ITU-T T.81, B.2)."""
    at, size = 2, (0, 0)
    while True:
        if data[at] != 0xFF:
            raise IndexError
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        (length,) = struct.unpack(">H", data[at + 2 : at + 4])
        if marker in _FRAMES:
            height, width = struct.unpack(">HH", data[at + 5 : at + 9])
            size = (width, height)
        if marker == 0xDA:
            return (*size, at + 2 + length)
        at += 2 + max(length, 2)
