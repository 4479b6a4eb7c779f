"""Where the records have a content, by its checksum, under any name and in any number.

Nothing of a question is kept in memory but a page of rows. Where no index has the checksums, a question costs a pass
over all rows; a caller that asks many gets one made for it, in a private file.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from nightferry.manifest.manifest import Manifest
from nightferry.manifest.private import open_private
from nightferry.manifest.records import Content
from nightferry.tree.root import join

_PAGE = 100
# Passes over all rows, after which an index costs less.
_PASSES_LIMIT = 20
_CACHE_KIB = 4 * 1024

_COPY = "SELECT id, parent, name, NULL, digest, algorithm FROM entry WHERE {}"
_RETIRED = (
    "SELECT id, NULL, NULL, held, digest, algorithm FROM past"
    " WHERE held IS NOT NULL AND kind = 2 AND reason <> 'decayed' AND {}"
)
_SAME = "digest = :digest AND algorithm = :algorithm AND id > :after ORDER BY id LIMIT :limit"
_INDEXED = "SELECT count(*) FROM sqlite_schema WHERE name IN ('entry_digest', 'past_digest')"
_ALL = (
    "SELECT 'copy', id, digest FROM entry WHERE digest IS NOT NULL"
    " UNION ALL SELECT 'retired', id, digest FROM past WHERE held IS NOT NULL AND digest IS NOT NULL"
)
_BAD = "SELECT verdict FROM damage WHERE path = ? AND side = ? AND closed_run IS NULL AND verdict <> 'unlisted'"
_ANY_UNREADABLE = "SELECT 1 FROM damage WHERE closed_run IS NULL AND verdict = 'unreadable' LIMIT 1"


class Recorded(NamedTuple):
    """A place that the records give. ``path`` below ``copy/``, or below ``retired/``."""

    place: str  # copy, retired
    path: bytes


class DigestIndex:
    """(place, key) by checksum: in memory while it is small, else in an unlinked file."""

    def __init__(self, rows: Iterator[tuple[str, int | bytes, bytes]]) -> None:
        self._connection = open_private(_CACHE_KIB)
        self._connection.execute("CREATE TABLE found (place TEXT NOT NULL, key NOT NULL, digest BLOB NOT NULL)")
        self._connection.execute("BEGIN")
        self._connection.executemany("INSERT INTO found VALUES (?, ?, ?)", rows)
        self._connection.execute("CREATE INDEX found_digest ON found (digest, place, key)")
        self._connection.execute("COMMIT")

    def page(self, place: str, digest: bytes, after: int | bytes) -> list[int | bytes]:
        """Keys behind another one, in their order."""
        return [
            row[0]
            for row in self._connection.execute(
                "SELECT key FROM found WHERE digest = ? AND place = ? AND key > ? ORDER BY key LIMIT ?",
                (digest, place, after, _PAGE),
            )
        ]

    def close(self) -> None:
        self._connection.close()


class Contents:
    """The manifest may change while an answer is read: each row is looked at when it comes."""

    def __init__(self, manifest: Manifest) -> None:
        self._manifest, self._connection = manifest, manifest.database.connection
        self._passes = 0
        self._index: DigestIndex | None = None

    def close(self) -> None:
        if self._index is not None:
            self._index.close()

    def places(self, content: Content) -> Iterator[Recorded]:
        """Every place of the secondary that should have it: of the copy, then retired.

        Not what is known to have other content; last, what could not be read when it was last tried.
        """
        if content.digest is None or content.algorithm is None:
            return
        for found in self._rows(content):
            if self._verdict(found) is None:
                yield found
        if self._connection.execute(_ANY_UNREADABLE).fetchone() is not None:
            for found in self._rows(content):
                if self._verdict(found) == "unreadable":
                    yield found

    def names(self, content: Content) -> Iterator[bytes]:
        """Every name of the copy that has it by the records, also where the copy's own file is known to be bad."""
        if content.digest is not None and content.algorithm is not None:
            for found in self._rows(content, retired=False):
                yield found.path

    def _verdict(self, found: Recorded) -> str | None:
        side = "secondary" if found.place == "copy" else "retired"
        row = self._connection.execute(_BAD, (found.path, side)).fetchone()
        return None if row is None else str(row[0])

    def _rows(self, content: Content, *, retired: bool = True) -> Iterator[Recorded]:
        has_index = self._connection.execute(_INDEXED).fetchone()[0] == 2
        if not has_index and self._index is None:
            self._passes += 1
            if self._passes > _PASSES_LIMIT:
                self._index = DigestIndex(self._connection.execute(_ALL))
        for place, query in (("copy", _COPY), ("retired", _RETIRED))[: 1 + retired]:
            after = 0
            while page := self._page(place, query, content, after):
                for _, parent, name, held, digest, algorithm in page:
                    if (digest, algorithm) != (content.digest, content.algorithm):
                        continue  # it has changed since the index was made
                    try:
                        path = held if parent is None else join(self._manifest.entries.path(parent), name)
                    except KeyError:
                        continue
                    yield Recorded(place, path)
                after = page[-1][0]

    def _page(self, place: str, query: str, content: Content, after: int) -> list[tuple]:  # type: ignore[type-arg]
        if self._index is None:
            values = {**content._asdict(), "after": after, "limit": _PAGE}
            return self._connection.execute(query.format(_SAME), values).fetchall()
        assert content.digest is not None
        while numbers := self._index.page(place, content.digest, after):
            marks = ",".join("?" * len(numbers))
            found = self._connection.execute(query.format(f"id IN ({marks}) ORDER BY id"), numbers).fetchall()
            if found:
                return found
            after = int(numbers[-1])
        return []
