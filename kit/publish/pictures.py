"""Positions that cameras write into pictures, found and taken out without a library for images."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Final

PICTURES: Final = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"})
_GPS: Final = 0x8825
_JPEG_NOTES: Final = frozenset({0xE1, 0xED, 0xFE})
_PNG_NOTES: Final = frozenset({b"eXIf", b"tEXt", b"iTXt", b"zTXt"})


def position_of(picture: bytes) -> str:
    """Return words for a position kept in a picture, '' where none is found."""
    for block in _exif_blocks(picture):
        if _has_gps(block):
            return "a position kept by the camera"
    return "a position kept by the camera" if b"GPSLatitude" in picture else ""


def _exif_blocks(picture: bytes) -> Iterator[bytes]:
    if picture[:2] == b"\xff\xd8":
        yield from (
            body[6:] for mark, body in _jpeg_parts(picture) if mark == 0xE1 and body[:6] == b"Exif\0\0"
        )
    elif picture[:8] == b"\x89PNG\r\n\x1a\n":
        yield from (body for name, body in _png_parts(picture) if name == b"eXIf")
    elif picture[:4] in (b"II*\0", b"MM\0*"):
        yield picture
    else:  # boxes of other formats hold the same block somewhere
        place = picture.find(b"Exif\0\0")
        if place >= 0:
            yield picture[place + 6 :]


def _has_gps(block: bytes) -> bool:
    """Look through the first directory of a TIFF block for its pointer to a position."""
    order = {b"II": "<", b"MM": ">"}.get(block[:2])
    if order is None or len(block) < 10:
        return False
    start = struct.unpack_from(f"{order}I", block, 4)[0]
    if start + 2 > len(block):
        return False
    count = struct.unpack_from(f"{order}H", block, start)[0]
    places = (start + 2 + 12 * i for i in range(min(count, 500)))
    return any(
        place + 2 <= len(block) and struct.unpack_from(f"{order}H", block, place)[0] == _GPS
        for place in places
    )


def _jpeg_parts(picture: bytes) -> Iterator[tuple[int, bytes]]:
    place = 2
    while place + 4 <= len(picture) and picture[place] == 0xFF and picture[place + 1] != 0xDA:
        size = struct.unpack_from(">H", picture, place + 2)[0]
        yield picture[place + 1], picture[place + 4 : place + 2 + size]
        place += 2 + size


def _png_parts(picture: bytes) -> Iterator[tuple[bytes, bytes]]:
    place = 8
    while place + 8 <= len(picture):
        size, name = struct.unpack_from(">I4s", picture, place)
        yield name, picture[place + 8 : place + 8 + size]
        place += 12 + size


def without_notes(picture: bytes, suffix: str) -> bytes:
    """Return a picture without the notes a camera wrote into it; empty where its format is not known to the kit."""
    if picture[:2] == b"\xff\xd8":
        return _jpeg_without(picture)
    if suffix == ".png" and picture[:8] == b"\x89PNG\r\n\x1a\n":
        return _png_without(picture)
    return b""


def _jpeg_without(picture: bytes) -> bytes:
    kept, place = [picture[:2]], 2
    for mark, body in _jpeg_parts(picture):
        size = len(body) + 4
        if mark not in _JPEG_NOTES:
            kept.append(picture[place : place + size])
        place += size
    return b"".join([*kept, picture[place:]])


def _png_without(picture: bytes) -> bytes:
    kept, place = [picture[:8]], 8
    for name, body in _png_parts(picture):
        size = len(body) + 12
        if name not in _PNG_NOTES:
            kept.append(picture[place : place + size])
        place += size
    return b"".join(kept)
