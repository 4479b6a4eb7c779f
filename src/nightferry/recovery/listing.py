"""What stands in ``copy/`` where no manifest can tell: by the checksum lists beside it, and by its own names."""

from __future__ import annotations

import binascii
import json
import os
import re
from collections.abc import Iterator

from nightferry.manifest.checksums import LEFT_OUT_NAME, Format
from nightferry.manifest.listed import Listed
from nightferry.manifest.rows import NAME_LIMIT_BYTES
from nightferry.night.carry import in_copy
from nightferry.night.context import COPY, RECORDS
from nightferry.tree.digests import by_name
from nightferry.tree.effects import Effects
from nightferry.tree.root import OtherMountError, Root, join
from nightferry.units import show_name

_BLOCK_BYTES = 1 << 20
# A line holds a checksum and a path; the JSON of a name of any length that was ever left out is far below it.
LINE_LIMIT_BYTES = 8 << 20
# No digest: 0 is the number of no algorithm.
UNKNOWN = (0, b"")

_ESCAPES = {b"\\\\": b"\\", b"\\n": b"\n", b"\\r": b"\r"}
_ESCAPE = re.compile(rb"\\.?", re.DOTALL)


def is_plain(path: bytes) -> bool:
    """Whether a path leads from the root of a tree to a name below it, and nowhere else."""
    return b"\0" not in path and all(
        0 < len(name) <= NAME_LIMIT_BYTES and name not in (b".", b"..") for name in path.split(b"/")
    )


def parse_line(line: bytes, form: Format) -> tuple[bytes, bytes] | None:
    """(path, digest) of a line without its end; None where it is no such line."""
    escaped = form.escapes and line.startswith(b"\\")
    digest_hex, gap, path = line[1:].partition(b"  ") if escaped else line.partition(b"  ")
    digest = _digest(digest_hex, form.algorithm)
    if digest is None or not gap:
        return None
    if escaped:
        parts = _ESCAPE.findall(path)
        if any(part not in _ESCAPES for part in parts):
            return None
        path = _ESCAPE.sub(lambda found: _ESCAPES[found[0]], path)
    return (path, digest) if is_plain(path) else None


def parse_left_out(line: bytes) -> tuple[bytes, int, bytes] | None:
    """(path, algorithm, digest) of a line of the list of names that the other lists cannot carry."""
    try:
        record = json.loads(line)
        packed = record.get("path_bytes")
        path = record["path"].encode() if packed is None else binascii.a2b_base64(packed, strict_mode=True)
        algorithm = by_name(record["algorithm"])
        digest = _digest(record["checksum"].encode(), algorithm.name)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return (path, algorithm.id, digest) if digest is not None and is_plain(path) else None


def _digest(digest_hex: bytes, algorithm: str) -> bytes | None:
    try:
        digest = binascii.unhexlify(digest_hex)
    except ValueError:
        return None
    return digest if len(digest) == by_name(algorithm).digest_bytes else None


class Listing:
    """The checksum lists and ``copy/`` of one secondary. ``notes`` grows as they are read."""

    def __init__(self, root: Root, effects: Effects, notes: list[str]) -> None:
        self._root, self._effects, self._notes = root, effects, notes

    def files(self) -> Iterator[tuple[bytes, int, bytes]]:
        """As ``Secondary.files`` says."""
        listed = Listed()
        try:
            for form in Format:
                listed.add(self._listed(form))
            listed.add(self._left_out())
            yield from listed.all()
            for path in self._walk():
                if not listed.has(path):
                    yield (path, *UNKNOWN)
        finally:
            listed.close()

    def _listed(self, form: Format) -> Iterator[tuple[bytes, int, bytes]]:
        algorithm = by_name(form.algorithm).id
        for line in self._lines(form.list_name):
            found = parse_line(line, form)
            if found is None:
                self._not_understood(form.list_name)
            else:
                yield found[0], algorithm, found[1]

    def _left_out(self) -> Iterator[tuple[bytes, int, bytes]]:
        for line in self._lines(LEFT_OUT_NAME):
            found = parse_left_out(line)
            if found is None:
                self._not_understood(LEFT_OUT_NAME)
            else:
                yield found

    def _not_understood(self, name: bytes) -> None:
        self._note(f"{show_name(join(RECORDS, name))} has lines that cannot be understood; they were passed over.")

    def _note(self, sentence: str) -> None:
        if sentence not in self._notes:
            self._notes.append(sentence)

    def _lines(self, name: bytes) -> Iterator[bytes]:
        """The lines of a file in ``records/``, as far as it can be read."""
        path = join(RECORDS, name)
        try:
            fd = self._root.open_to_read(path)
        except FileNotFoundError:
            return
        except OSError as error:
            self._note(f"{show_name(path)} cannot be read ({error.strerror}).")
            return
        try:
            rest = b""
            buffer = bytearray(_BLOCK_BYTES)
            while count := self._effects.readv(fd, [buffer]):
                *lines, rest = (rest + buffer[:count]).split(b"\n")
                yield from lines
                if len(rest) > LINE_LIMIT_BYTES:
                    self._note(f"{show_name(path)} has a line beyond any length; what follows it was passed over.")
                    return
            if rest:
                yield rest  # the end may be cut off: then it is no line, and said so
        except OSError as error:
            self._note(f"{show_name(path)} can be read in part only ({error.strerror}).")
        finally:
            self._effects.close(fd)

    def _walk(self) -> Iterator[bytes]:
        """Files and symlinks below ``copy/``, as paths below it; folder by folder, so that memory does not grow."""
        try:
            root = self._root.again()
        except OSError as error:
            self._note(f"{COPY.decode()} cannot be listed ({error.strerror}).")
            return
        try:
            folders = [b""]
            while folders:
                folder = folders.pop()
                try:
                    with self._effects.scandir(root.folder(in_copy(folder))) as names:
                        for each in names:
                            path = join(folder, os.fsencode(each.name))
                            if each.is_dir(follow_symlinks=False):
                                folders.append(path)
                            elif each.is_symlink() or each.is_file(follow_symlinks=False):
                                yield path
                except OtherMountError:
                    self._note(f"{show_name(in_copy(folder))} is another drive mounted there; it was not entered.")
                except FileNotFoundError:
                    if not folder:
                        self._note(f"There is no folder {COPY.decode()}/ on the drive.")
                except OSError as error:
                    self._note(f"{show_name(in_copy(folder))} cannot be listed ({error.strerror}).")
        finally:
            root.close()
