"""JSON for ``--json``: one document, whole or written as it is found."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from typing import Any, TextIO


def text_of(value: object) -> str:
    """ASCII only (RFC 8259): whatever a name holds, no byte of the text acts on a terminal."""
    return json.dumps(value, ensure_ascii=True, allow_nan=False).replace("\x7f", "\\u007f")


def write(document: object, stream: TextIO | None = None) -> None:
    """A whole document, on one line."""
    (stream or sys.stdout).write(text_of(document) + "\n")


class StreamedDocument:
    """A document whose ``pairs`` each end in a list of any length, which is never held in memory."""

    def __init__(self, head: dict[str, Any], stream: TextIO | None = None) -> None:
        self._stream = stream
        self._write(text_of(head)[:-1] + ', "pairs": [')
        self._pairs = 0

    def _write(self, text: str) -> None:
        # Asked each time: a child of this process has another one (night/hang.py).
        (self._stream or sys.stdout).write(text)

    def pair(self, fields: dict[str, Any], key: str, items: Iterable[object]) -> None:
        """One pair: its fields, and under ``key`` its items, one to a line."""
        self._write((", " if self._pairs else "") + text_of(fields)[:-1] + f", {text_of(key)}: [")
        for position, item in enumerate(items):
            self._write(("," if position else "") + "\n" + text_of(item))
        self._write("]}")
        self._pairs += 1

    def has_pair(self) -> None:
        """To be told where a child of this process wrote a pair: by ``pair``, in its own copy of this."""
        self._pairs += 1

    def end(self, tail: dict[str, Any]) -> None:
        """What is known only when all pairs are through."""
        self._write("]" + (", " if tail else "") + text_of(tail)[1:] + "\n")
