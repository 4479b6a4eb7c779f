"""Posters and pages of music drawn on the spot, as PNG.

PNG needs no more than the standard library: the W3C's specification (third edition) asks for a signature and
three kinds of chunk, each with a CRC-32, and zlib has both the compression and the CRC.
"""

from __future__ import annotations

import math
import random
import struct
import zlib
from collections.abc import Sequence

Colour = tuple[int, int, int]

_WIDTH, _HEIGHT = 420, 594  # the shape of A4
_PAPER: Colour = (250, 247, 238)
_INK: Colour = (40, 36, 48)


class Canvas:
    """Rows of pixels, eight bits each of red, green and blue."""

    def __init__(self, width: int, height: int, top: Colour, bottom: Colour) -> None:
        self.width, self.height = width, height
        self._rows = [
            bytearray(bytes(round(a + (b - a) * y / height) for a, b in zip(top, bottom, strict=True)) * width)
            for y in range(height)
        ]

    def bar(self, left: int, top: int, width: int, height: int, colour: Colour) -> None:
        left, right = max(0, left), min(self.width, left + width)
        if right <= left:
            return
        for y in range(max(0, top), min(self.height, top + height)):
            self._rows[y][left * 3 : right * 3] = bytes(colour) * (right - left)

    def disc(self, x: int, y: int, across: int, high: int, colour: Colour) -> None:
        """An ellipse ``across`` wide to each side and ``high`` up and down."""
        for dy in range(-high, high + 1):
            half = round(across * math.sqrt(1 - (dy / high) ** 2))
            self.bar(x - half, y + dy, 2 * half + 1, 1, colour)

    def png(self) -> bytes:
        header = struct.pack(">IIBBBBB", self.width, self.height, 8, 2, 0, 0, 0)  # 8 bits, RGB
        pixels = b"".join(b"\0" + row for row in self._rows)  # filter 0 before each row
        chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(pixels, 6)), (b"IEND", b""))
        return b"\x89PNG\r\n\x1a\n" + b"".join(
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
            for kind, data in chunks
        )


def poster(seed: str, melody: Sequence[int]) -> bytes:
    """A sky, a low sun over hills, and the first notes of what is sung (pitches in hertz)."""
    look = random.Random(seed)
    sky = _shade(look, 40, 110), _shade(look, 170, 245)
    canvas = Canvas(_WIDTH, _HEIGHT, *sky)
    canvas.disc(round(_WIDTH * (0.25 + look.random() / 2)), 250, 62, 62, (252, 226, 150))
    for hill in range(3):
        colour = _shade(look, 30 + 10 * hill, 60 + 10 * hill)
        x = round(look.random() * _WIDTH)
        canvas.disc(x, 500 + 40 * hill, _WIDTH, 140, colour)  # as wide as the poster wherever it stands
        canvas.bar(0, 500 + 40 * hill, _WIDTH, _HEIGHT, colour)
    canvas.bar(30, 40, _WIDTH - 60, 108, _PAPER)
    _stave(canvas, 46, 72, _WIDTH - 92, melody)
    return canvas.png()


def page_of_music(melodies: Sequence[Sequence[int]]) -> bytes:
    """Up to six staves on paper."""
    canvas = Canvas(_WIDTH, _HEIGHT, _PAPER, (243, 238, 224))
    for number, melody in enumerate(melodies[:6]):
        _stave(canvas, 36, 50 + 90 * number, _WIDTH - 72, melody)
    return canvas.png()


def _stave(canvas: Canvas, left: int, top: int, width: int, melody: Sequence[int]) -> None:
    for line in range(5):
        canvas.bar(left, top + 10 * line, width, 1, _INK)
    for number, pitch_hz in enumerate(melody):
        x = left + round(width * (number + 0.7) / len(melody))
        # Five pixels a step of the scale, seven steps an octave; 494 Hz (B4) on the middle line, as in a treble clef.
        # Low voices are moved up by octaves until they fit.
        steps = round(7 * math.log2(pitch_hz / 494))
        while steps < -6:
            steps += 7
        y = top + 20 - 5 * steps
        canvas.disc(x, y, 6, 4, _INK)
        canvas.bar(x + 5, y - 30, 2, 30, _INK)


def _shade(look: random.Random, low: int, high: int) -> Colour:
    red, green, blue = (round(low + (high - low) * look.random()) for _ in range(3))
    return red, green, blue
