"""The checksum lists beside the copy, as the ordinary checksum tools read them.

``xxhsum -c`` of Debian 12 (0.8.1) takes names raw and cannot read one with a newline in it;
``sha256sum -c`` and ``b2sum -c`` (coreutils) take a line that starts with a backslash, in which
backslash, newline and carriage return are escaped, and so carry every name. No tool can open a
path beyond the kernel's limit. Names that a list cannot carry stand in a list of their own.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from enum import Enum

from nightferry.units import json_name

LEFT_OUT_NAME = b"checksums.left-out.jsonl"

# limits.h: PATH_MAX counts the final NUL.
_PATH_LIMIT_BYTES = 4095


class Format(Enum):
    """The list of one algorithm: the name of its file, and whether its tool knows escapes."""

    XXH3_128 = ("xxh3_128", b"checksums.xxh128", False)
    SHA256 = ("sha256", b"checksums.sha256", True)
    BLAKE2B = ("blake2b", b"checksums.blake2b", True)

    def __init__(self, algorithm: str, list_name: bytes, escapes: bool) -> None:
        self.algorithm = algorithm
        self.list_name = list_name
        self.escapes = escapes

    def line(self, path: bytes, digest: bytes) -> bytes | None:
        """One line, with its end; None where the tool could not read the name."""
        if len(path) > _PATH_LIMIT_BYTES:
            return None
        start = digest.hex().encode() + b"  "
        if self.escapes:
            escaped = path.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
            return (b"\\" if escaped != path else b"") + start + escaped + b"\n"
        if b"\n" in path or b"\r" in path:
            return None
        return start + path + b"\n"

    def lines(self, folder: bytes, files: Sequence[tuple[bytes, bytes]]) -> bytes | None:
        """The lines of files of one folder, each a name and a digest; None where one of them needs ``line``'s care.

        For nearly all folders, and at a fifth of the time: a drive has a million files, and a night that changes one of
        them writes the list anew.
        """
        start = b"  " + folder + b"/" if folder else b"  "
        text = b"".join([digest.hex().encode() + start + name + b"\n" for name, digest in files])
        if text.count(b"\n") != len(files) or b"\r" in text or (self.escapes and b"\\" in text):
            return None
        longest_bytes = max((len(name) for name, _ in files), default=0)
        return None if len(folder) + 1 + longest_bytes > _PATH_LIMIT_BYTES else text


def format_of(algorithm: str) -> Format:
    return next(form for form in Format if form.algorithm == algorithm)


def left_out_line(path: bytes, algorithm: str, digest: bytes) -> bytes:
    """JSON, one object a line: the name as in every report, the algorithm and the checksum in hex."""
    record = {**json_name(path), "algorithm": algorithm, "checksum": digest.hex()}
    return json.dumps(record, ensure_ascii=True).encode() + b"\n"
