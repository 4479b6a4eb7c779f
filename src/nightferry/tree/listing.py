"""What a folder holds: its names and their metadata, in pieces of a fixed size, with one number for all of it.

Memory is that of one piece, however many names a folder has.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from itertools import islice

import xxhash

from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat
from nightferry.tree.statx import NAMES_LIMIT, Records

_COUNTS = struct.Struct("<QQ")


class Piece:
    """Some names of a folder, in the order of their bytes. Valid until the next piece is asked for.

    Attributes:
        names: of all that was there.
        text: the same names, joined by NUL, in any order; to look for something in all of them at once.
        gone: places of names that had gone before they could be looked at.
        failed: by place, why a name cannot be looked at.
        is_all: the folder holds no others.
    """

    def __init__(
        self,
        names: list[bytes],
        text: str,
        records: Records,
        gone: frozenset[int],
        failed: dict[int, OSError],
        *,
        is_all: bool,
    ) -> None:
        self.names, self.text = names, text
        self.gone, self.failed, self.is_all = gone, failed, is_all
        self.records = records

    def modes(self) -> list[int]:
        """``st_mode`` of each name; of those that are gone or failed it says nothing."""
        return self.records.modes(len(self.names))

    def stat(self, at: int) -> Stat:
        """Raises ``KeyError`` for sockets, FIFOs and devices; look at ``modes`` first."""
        return Stat.made(*self.records.numbers(at))


class Lister:
    """Reads folders one after the other."""

    def __init__(self, effects: Effects) -> None:
        self._effects = effects
        self._records = Records()

    def pieces(self, folder_fd: int) -> Iterator[Piece]:
        """All names of an open folder. Raises ``OSError`` where it cannot be listed."""
        with self._effects.scandir(folder_fd) as entries:
            is_all = True
            while True:
                found = [entry.name for entry in islice(entries, NAMES_LIMIT)]
                is_all = is_all and len(found) < NAMES_LIMIT
                if found or is_all:
                    yield self._look(folder_fd, found, is_all=is_all)
                if len(found) < NAMES_LIMIT:
                    return

    def _look(self, folder_fd: int, found: list[str], *, is_all: bool) -> Piece:
        text = "\0".join(found)
        names = text.encode("utf-8", "surrogateescape").split(b"\0") if found else []  # as os.fsencode, all at once
        names.sort()
        gone: set[int] = set()
        failed: dict[int, OSError] = {}
        for at in self._effects.stat_all(folder_fd, names, self._records) if names else ():
            try:
                self._records.put(at, self._effects.stat(names[at], dir_fd=folder_fd, follow_symlinks=False))
            except FileNotFoundError:
                gone.add(at)  # since the folder was read: as if it had gone a moment before
            except OSError as error:
                failed[at] = error
        return Piece(names, text, self._records, frozenset(gone), failed, is_all=is_all)


class Fingerprint:
    """One number for what a folder holds, whatever the order in which the kernel lists it.

    The names of a piece are in order already and go through the hash together, a column of metadata at a time. A folder
    of more than one piece has none: there each name has a hash of its own, and those are summed up.
    """

    def __init__(self, seed: int) -> None:
        """``seed``: what the fingerprint is to depend on beside the folder."""
        self._seed = seed
        self._whole: bytes | None = None
        self._total = self._files = self._others = 0

    def add(self, piece: Piece, files: Sequence[int], others: int = 0) -> None:
        """``files``: places of the names that count, in order; ``others``: how many count by being there."""
        self._files += len(files)
        self._others += others
        if not piece.is_all:
            for at in files:
                self._total += xxhash.xxh3_128_intdigest(piece.records.telling(at) + piece.names[at])
            return
        count = len(piece.names)
        names: Sequence[bytes] = piece.names
        columns: Sequence[bytes] = [column.tobytes() for column in piece.records.columns(count)]
        if len(files) != count:
            names = [names[at] for at in files]
            columns = [b"".join([column[at * 8 : at * 8 + 8] for at in files]) for column in columns]
        whole = xxhash.xxh3_128(b"\0".join(names))
        for column in columns:
            whole.update(column)
        self._whole = whole.digest()

    def digest(self) -> bytes:
        whole = xxhash.xxh3_128(_COUNTS.pack(self._files, self._others), seed=self._seed)
        whole.update(self._whole or (self._total & (1 << 128) - 1).to_bytes(16, "little"))
        return whole.digest()
