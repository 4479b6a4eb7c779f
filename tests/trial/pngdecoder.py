"""A PNG decoder for tests, from the specification (W3C, PNG third edition), sharing nothing with what is tested."""

from __future__ import annotations

import zlib
from typing import NamedTuple


class Image(NamedTuple):
    width: int
    height: int
    rows: list[bytes]  # RGB


def crc(data: bytes) -> int:
    """Bit by bit, as in Annex D."""
    value = 0xFFFFFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = 0xEDB88320 ^ (value >> 1) if value & 1 else value >> 1
    return value ^ 0xFFFFFFFF


def decode(content: bytes) -> Image:
    """Eight bits RGB, not interlaced, rows without a filter: what the trial writes; anything else fails."""
    assert content[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    position, chunks = 8, []
    while position < len(content):
        length = int.from_bytes(content[position : position + 4], "big")
        kind, data = content[position + 4 : position + 8], content[position + 8 : position + 8 + length]
        assert int.from_bytes(content[position + 8 + length : position + 12 + length], "big") == crc(kind + data)
        chunks.append((kind, data))
        position += 12 + length
    assert position == len(content)
    assert [kind for kind, _ in chunks] == [b"IHDR", b"IDAT", b"IEND"]
    header = chunks[0][1]
    width, height = int.from_bytes(header[:4], "big"), int.from_bytes(header[4:8], "big")
    assert header[8:] == bytes([8, 2, 0, 0, 0])
    pixels = zlib.decompress(chunks[1][1])
    step = 1 + 3 * width
    assert len(pixels) == height * step and not any(pixels[::step])
    return Image(width, height, [pixels[start + 1 : start + step] for start in range(0, len(pixels), step)])
